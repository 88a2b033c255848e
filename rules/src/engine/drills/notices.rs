//! Notices: news outside every call-out that asks for no answer. Someone will be away, and the
//! sitter takes over and hands back; an outage drill is due. Each is told once, by day, in the
//! hours of whom it is for, to one channel that they read at leisure, or to the next if that
//! fails. All of it goes by the calendar, and waits for a trusted clock.

use super::{Drills, SAME, reports};
use crate::engine::context::Context;
use crate::engine::ground::Ground;
use crate::engine::task::{Next, Task};
use crate::ids::{By, Seq};
use crate::plan::{Absence, ChannelKind, Contact, Target, coverage};
use crate::record::{About, Body, DrillStage, Drilled};
use crate::time::Moment;
use jiff::ToSpan;
use jiff::civil::{Date, DateTime, Time};
use std::collections::BTreeSet;

/// Notices go out between these hours.
pub(super) const MORNING: i8 = 9;
pub(super) const EVENING: i8 = 20;

/// Hours with nobody reachable are told of so many days before an absence: time enough to ask
/// somebody in, near enough to be remembered.
const BEFORE: i64 = 3;

/// A notice to come.
pub(super) struct Planned {
    pub(super) about: About,
    /// Whom it is for.
    pub(super) contact: String,
    /// It makes sense from then on, until then: local times.
    pub(super) from: DateTime,
    pub(super) until: DateTime,
}

impl Drills {
    /// The records that say what has been told already.
    pub(super) fn notices_rest_on(&self, cx: &Ground<'_>) -> Vec<Seq> {
        if self.told.is_empty() && self.outage.is_none() {
            return Vec::new();
        }
        let reminds = cx.plan.drill.outage.is_some();
        let live: BTreeSet<About> = self.planned(cx).into_iter().map(|planned| planned.about).collect();
        let told = self.told.iter().filter(|(about, told)| match about {
            About::OutageDue => reminds,
            About::Absence { .. } | About::Report { .. } => live.contains(about),
            About::Guessing { .. } | About::Unanswered { .. } => cx.mono() - told.at <= SAME,
        });
        let outage = self.outage.filter(|_| reminds).map(|(seq, _)| seq);
        told.map(|(_, told)| told.seq).chain(outage).collect()
    }

    /// Sends what is due and not told.
    pub(in crate::engine) fn on_notices(&self, cx: &Context<'_>, next: &mut Next) {
        if !cx.now.wall_trusted {
            return;
        }
        let now = cx.civil();
        for Planned { about, contact, from, until } in self.planned(cx) {
            let there = cx.plan.directory.contacts.get(&contact);
            let open = there.is_some_and(|contact| contact.reachable(now.date(), now.time()));
            if open && from <= now && now < until && !self.is_told(&about) {
                self.tell(cx, &about, &contact, next);
            }
        }
    }

    /// When the next one is due.
    pub(super) fn next_notice(&self, cx: &Context<'_>) -> Option<Moment> {
        let now = cx.civil();
        let open = self.planned(cx).into_iter().filter(|planned| !self.is_told(&planned.about));
        let times = open.filter_map(|planned| {
            let contact = cx.plan.directory.contacts.get(&planned.contact)?;
            let at = contact.reachable_from(planned.from.max(now))?;
            if at < planned.until { cx.moment_of(at) } else { None }
        });
        times.min()
    }

    /// Too many wrong codes came in somebody's name: everybody else who may be disturbed now is
    /// told, or, if that is nobody, everybody else. Once in some days is enough.
    pub(in crate::engine) fn on_guessing(&self, cx: &Context<'_>, by: &By, next: &mut Next) {
        let now = cx.civil();
        let others = || cx.plan.directory.contacts.iter().filter(|(name, _)| **name != by.who);
        let open = |contact: &Contact| !cx.now.wall_trusted || contact.reachable(now.date(), now.time());
        let nobody = !others().any(|(_, contact)| open(contact));
        for (name, _) in others().filter(|(_, contact)| nobody || open(contact)) {
            let about = About::Guessing { who: by.who.clone(), via: by.via.clone(), to: name.clone() };
            if self.told.get(&about).is_none_or(|told| cx.mono() - told.at > SAME) {
                self.tell(cx, &about, name, next);
            }
        }
    }

    /// A test page was not answered in its time: everybody else who may be disturbed now is told,
    /// or, if that is nobody, everybody else; of one person once in some days.
    pub(in crate::engine) fn on_unanswered(
        &self,
        cx: &Context<'_>,
        (target, delivered): (&Target, bool),
        next: &mut Next,
    ) {
        let Some(who) = target.contact.clone() else { return };
        let now = cx.civil();
        let others = || cx.plan.directory.contacts.iter().filter(|(name, _)| **name != who);
        let open = |contact: &Contact| !cx.now.wall_trusted || contact.reachable(now.date(), now.time());
        let nobody = !others().any(|(_, contact)| open(contact));
        let lately = |name: &str| {
            self.told.iter().any(|(about, told)| {
                let of = matches!(about, About::Unanswered { who: of, to, .. } if *of == who && to == name);
                of && cx.mono() - told.at <= SAME
            })
        };
        for (name, _) in others().filter(|(name, contact)| (nobody || open(contact)) && !lately(name)) {
            let (who, target, to) = (who.clone(), target.to_string(), name.clone());
            self.tell(cx, &About::Unanswered { who, target, delivered, to }, name, next);
        }
    }

    fn is_told(&self, about: &About) -> bool {
        match about {
            // Told again and again: what is planned is not told yet.
            About::OutageDue => false,
            About::Absence { .. } | About::Report { .. } => self.told.contains_key(about),
            About::Guessing { .. } | About::Unanswered { .. } => false,
        }
    }

    /// What is to be told, told or not, as long as it makes sense.
    fn planned(&self, cx: &Ground<'_>) -> Vec<Planned> {
        let now = cx.civil();
        let mut planned: Vec<Planned> = self.outage_due(cx, now).into_iter().collect();
        for (name, contact) in &cx.plan.directory.contacts {
            for absence in
                contact.away.iter().filter(|absence| absence.last >= now.date().saturating_sub(2.days()))
            {
                planned
                    .extend(about_absence(name, absence).into_iter().filter(|planned| now < planned.until));
            }
        }
        planned.extend(reports::planned(cx, now));
        planned
    }

    /// The reminder of the outage drill: to the first person of the first call-out, by day.
    fn outage_due(&self, cx: &Ground<'_>, now: DateTime) -> Option<Planned> {
        let every = cx.plan.drill.outage?;
        let mut steps = cx.plan.callouts.first()?.steps.iter().flat_map(|step| &step.to);
        let contact = steps.find_map(|target| target.contact.clone())?;
        let drilled = self.outage.map(|(_, at)| at);
        let told = self.told.get(&About::OutageDue).map(|told| told.at);
        let due = drilled.max(told).map_or(cx.mono(), |last| last + every);
        let due = cx.now.wall_at(due).civil(&cx.plan.zone).datetime().max(now);
        let day = match due.time() < by_clock(EVENING) {
            true => due.date(),
            false => due.date().tomorrow().ok()?,
        };
        let from = due.max(day.to_datetime(by_clock(MORNING)));
        Some(Planned { about: About::OutageDue, contact, from, until: day.to_datetime(by_clock(EVENING)) })
    }

    /// Plans the page, to the next channel of theirs that has not been tried.
    fn tell(&self, cx: &Context<'_>, about: &About, contact: &str, next: &mut Next) {
        let tried = self.told.get(about).filter(|told| cx.mono() - told.at <= SAME);
        let rank = |kind: ChannelKind| match kind {
            ChannelKind::Mail => 0,
            ChannelKind::Text => 1,
            ChannelKind::Push => 2,
            // A ring says nothing: never the way of a notice.
            ChannelKind::Siren | ChannelKind::Ring => 3,
        };
        let theirs = cx.plan.directory.channels_of(contact).filter(|(_, kind)| *kind != ChannelKind::Ring);
        let carries = |kind: ChannelKind| kind == ChannelKind::Mail || about.report().is_none();
        let open = theirs
            .filter(|(target, kind)| carries(*kind) && tried.is_none_or(|told| !told.to.contains(target)));
        let Some(target) = open.min_by_key(|(_, kind)| rank(*kind)).map(|(target, _)| target.to_string())
        else {
            return;
        };
        let (headline, lines) = self.words(cx, about);
        let last = match about {
            About::OutageDue => self.outage.map(|(_, at)| cx.mono() - at),
            About::Absence { .. }
            | About::Guessing { .. }
            | About::Unanswered { .. }
            | About::Report { .. } => None,
        };
        let about = about.clone();
        let page = next.record(Body::Drill(Drilled::Noticed { target, about, last, headline, lines }));
        next.then(Task::Send(page));
    }

    /// A page can't be delivered: if it was a notice, another channel is tried.
    pub(in crate::engine) fn on_notice_lost(
        &self,
        cx: &Context<'_>,
        page: Seq,
        target: &Target,
        next: &mut Next,
    ) {
        let about = self.told.iter().find(|(_, told)| told.page == page).map(|(about, _)| about);
        if let (Some(about), Some(contact)) = (about, &target.contact) {
            self.tell(cx, about, contact, next);
        }
    }

    fn words(&self, cx: &Context<'_>, about: &About) -> (String, Vec<String>) {
        let site = &cx.plan.site;
        if let About::Guessing { who, via, to: _ } = about {
            return guessing(site, who, via);
        }
        if let About::Unanswered { who, target, delivered, to: _ } = about {
            let name = cx.plan.directory.contacts.get(who).map_or(who.as_str(), |known| known.name.as_str());
            return unanswered(site, name, target, *delivered);
        }
        if let Some((since, until)) = about.report() {
            return reports::words(site, since, until);
        }
        let About::Absence { contact, first, last, stage } = about else {
            let line = "Pull the plug on purpose, by day, and see what comes of it: slackwater drill outage";
            let headline = match self.outage {
                Some((_, at)) => {
                    format!("{site}: an outage drill is due, the last was {} ago", cx.mono() - at)
                }
                None => format!("{site}: an outage drill is due, there has been none yet"),
            };
            return (headline, vec![line.to_owned()]);
        };
        let directory = &cx.plan.directory;
        let shown =
            |name: &str| directory.contacts.get(name).map_or(name.to_owned(), |known| known.name.clone());
        let absence = directory.contacts.get(contact).and_then(|known| absence_named(known, first, last));
        let sitter = absence.and_then(|absence| absence.sitter.as_deref());
        let from = absence.map_or_else(|| first.clone(), |absence| day(absence.first));
        let until = absence.map_or_else(|| last.clone(), |absence| day(absence.last));
        let (away, sits) = (shown(contact), sitter.map_or("nobody".to_owned(), shown));
        match stage {
            DrillStage::Coverage => {
                let mut lines = vec![match sitter {
                    Some(_) => format!("{sits} stands in for you on every step."),
                    None => "Nobody stands in for you.".to_owned(),
                }];
                lines.extend(absence.into_iter().flat_map(|absence| coverage_lines(cx, contact, absence)));
                lines.push("Hours, absences and sitters stand in agent.toml; `slackwater check` shows the same.".to_owned());
                (format!("{site}: you are away from {from} to {until}"), lines)
            }
            DrillStage::Leaving => (
                format!("{site}: from tomorrow {sits} answers for you, until {until}"),
                vec![format!("Pages come to {sits} from midnight, and to you again after {until}.")],
            ),
            DrillStage::HandOver => (
                format!("{site}: you stand in for {away} from today until {until}"),
                vec![
                    "If something is wrong with the tanks, pages come to you.".to_owned(),
                    "Each says what is wrong, how bad it is, and what to do, one action a line: that is the card.".to_owned(),
                    "Answer each with the code in its first line, so that nobody else is called: slackwater ack CODE".to_owned(),
                ],
            ),
            DrillStage::HandBack => (
                format!("{site}: {away} is back, you stand in no longer"),
                vec![format!("Pages go to {away} again. Thank you.")],
            ),
            DrillStage::Back => (
                format!("{site}: pages come to you again"),
                vec![format!("{sits} stood in for you until {until}, and has been told too.")],
            ),
        }
    }
}

/// Whether help comes that way is not known: the others have to know it before the night.
fn unanswered(site: &str, name: &str, target: &str, delivered: bool) -> (String, Vec<String>) {
    let headline = format!("{site}: {name} has not answered a test page");
    let how = match delivered {
        true => format!(
            "It was delivered to {target} as far as can be known, and nobody answered it in its time."
        ),
        false => format!("It could not be delivered to {target} in its time."),
    };
    let lines = [
        how,
        "Until a test page is answered, don't rely on that way: ask whether they can be reached.".to_owned(),
    ];
    (headline, lines.to_vec())
}

fn guessing(site: &str, who: &str, via: &str) -> (String, Vec<String>) {
    let headline = format!("{site}: somebody guesses codes, by {via} in the name of {who}");
    let lines = [
        "None of them was right, and more of that kind are not looked at for a while.",
        "If it was not them: see who else can write by that way, and change its password.",
        "`slackwater review` lists what was refused.",
    ];
    (headline, lines.map(str::to_owned).to_vec())
}

/// What an absence leaves uncovered, a line each.
fn coverage_lines(cx: &Context<'_>, contact: &str, absence: &Absence) -> Vec<String> {
    let theirs = |target: &Target| target.contact.as_deref() == Some(contact);
    let concerned =
        cx.plan.callouts.iter().filter(|callout| callout.steps.iter().any(|step| step.to.iter().any(theirs)));
    let mut lines = Vec::new();
    for callout in concerned {
        let open = coverage::while_away(callout, &cx.plan.directory, absence.first, absence.last);
        lines.extend(open.into_iter().map(|open| format!("By {} {open}.", callout.name)));
    }
    if lines.is_empty() {
        lines.push("It adds no hour in which nobody can be reached.".to_owned());
    }
    lines
}

/// The pages about one absence, each with its days.
fn about_absence(contact: &str, absence: &Absence) -> Vec<Planned> {
    let Absence { first, last, sitter, .. } = absence;
    let morning = |date: Date| date.to_datetime(by_clock(MORNING));
    let midnight = |date: Date| date.to_datetime(Time::midnight());
    let after = last.saturating_add(1.day());
    let planned = |stage, to: &str, from, until| Planned {
        about: About::Absence {
            contact: contact.to_owned(),
            first: first.to_string(),
            last: last.to_string(),
            stage,
        },
        contact: to.to_owned(),
        from,
        until,
    };
    let mut all = vec![planned(
        DrillStage::Coverage,
        contact,
        morning(first.saturating_sub(BEFORE.days())),
        midnight(*first),
    )];
    if let Some(sitter) = sitter {
        let gone = midnight(after.saturating_add(1.day()));
        all.push(planned(
            DrillStage::Leaving,
            contact,
            morning(first.saturating_sub(1.day())),
            midnight(*first),
        ));
        all.push(planned(DrillStage::HandOver, sitter, morning(*first), midnight(after)));
        all.push(planned(DrillStage::HandBack, sitter, morning(after), gone));
        all.push(planned(DrillStage::Back, contact, morning(after), gone));
    }
    all
}

fn absence_named<'a>(contact: &'a Contact, first: &str, last: &str) -> Option<&'a Absence> {
    contact.away.iter().find(|absence| absence.first.to_string() == first && absence.last.to_string() == last)
}

pub(super) fn by_clock(hour: i8) -> Time {
    jiff::civil::time(hour, 0, 0, 0)
}

pub(super) fn day(date: Date) -> String {
    date.strftime("%a %d %b").to_string()
}

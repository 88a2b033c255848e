//! The words of a page: what a person reads at three in the morning. A call-out's facts come
//! in, and a [`Page`] goes out that every channel can carry: a headline that fits a text, and
//! a body with how long there is, what has been done and whether it is proved, what to do,
//! who else was told, and how to answer.

pub mod gsm;
mod helping;
mod sent;
mod slip;

pub use sent::{Pages, REPEATS, RETRY_FIRST, RETRY_LONGEST, RETRY_WITHIN, Sent, Subject};
pub use slip::Slip;

use crate::alarm::Priority;
use crate::callout::change::Message;
use crate::callout::{Call, Fate, Member};
use crate::card::{Card, Situation};
use crate::ids::Seq;
use crate::plan::{Alarm, Plan, Target};
use crate::record::{Outcome, Purpose};
use crate::time::{Moment, Now, Wall};
use std::fmt::Write;

/// What a text can carry: one unconcatenated message of 3GPP TS 23.040.
pub const TEXT_SEPTETS: usize = 160;

/// Said before everything else on a page of which a copy may have arrived.
const REPEAT: &str = "(This may be a repeat: what became of an earlier copy is not known.)";

/// One message about one or more episodes of one cause.
#[derive(Clone, Debug, PartialEq)]
pub struct Page {
    /// Its number: stable over restarts, so that a receiver can drop a repeat.
    pub id: Seq,
    /// The call-out it belongs to: one thread of mail.
    pub call: Seq,
    /// Earlier pages of this call-out to the same target, oldest first.
    pub after: Vec<Seq>,
    /// Why it is sent.
    pub purpose: Purpose,
    /// Of the worst episode in it.
    pub priority: Priority,
    /// The site, for the sender's name and the thread.
    pub site: String,
    /// The tank of the leading episode, or the site.
    pub place: String,
    /// The leading episode's alarm.
    pub alarm: String,
    /// The code that answers it; empty for an all-clear.
    pub code: String,
    /// When the leading episode began.
    pub since: Wall,
    /// Tank, what, how bad, since when, code: one line, no line break.
    pub headline: String,
    /// All of it, in short lines of plain text.
    pub body: String,
    /// The same in at most 160 characters of the GSM 7-bit alphabet (3GPP TS 23.038).
    pub text: String,
    /// A copy of it may have arrived already.
    pub maybe_repeat: bool,
}

/// The facts that a page is made of.
pub(crate) struct Context<'a> {
    pub(crate) plan: &'a Plan,
    pub(crate) call: &'a Call,
    /// Every page planned for it.
    pub(crate) pages: Pages<'a>,
    /// The episode that the page leads with; none for a drill.
    pub(crate) leader: Option<&'a Member>,
    pub(crate) target: &'a Target,
    pub(crate) purpose: Purpose,
    pub(crate) id: Seq,
    pub(crate) now: Now,
    /// What the agent could not do, or can't prove: what a person has to do first, a line each.
    pub(crate) by_hand: Vec<String>,
    /// How long there is, the soonest first, a line each; nothing unless someone is asked to act.
    pub(crate) prospects: Vec<String>,
    /// The soonest of it, in short.
    pub(crate) soonest: Option<String>,
    /// What is done and what threatens where the leading alarm's card is to be used.
    pub(crate) situation: Situation,
    /// What the agent has done about it, a line each.
    pub(crate) done: Vec<String>,
    /// Other call-outs that came and went while nothing could be sent this way.
    pub(crate) also: Vec<&'a Call>,
    /// Pages that were held back on this way, for want of room: how many, since when.
    pub(crate) held: Option<(usize, Moment)>,
    /// What watched sites in it said of themselves, the latest.
    pub(crate) notes: Vec<String>,
    pub(crate) maybe_repeat: bool,
}

impl Context<'_> {
    pub(crate) fn compose(self) -> Page {
        let (place, what) = match self.leader {
            Some(leader) => (leader.place.clone(), leader.alarm.clone()),
            None => (self.plan.site.clone(), format!("drill of {}", self.call.policy)),
        };
        let headline = self.headline(&place, &what);
        let body = self.body(&headline);
        let text = self.text(&headline);
        let to_them = self.pages.iter().filter(|sent| sent.target == *self.target && sent.id != self.id);
        Page {
            id: self.id,
            call: self.call.id(),
            after: to_them.map(|sent| sent.id).collect(),
            purpose: self.purpose,
            priority: self.call.priority(),
            site: self.plan.site.clone(),
            place,
            alarm: what,
            code: if self.asks() { self.call.code().to_owned() } else { String::new() },
            since: self.now.wall_at(self.onset()),
            headline,
            body,
            text,
            maybe_repeat: self.maybe_repeat,
        }
    }

    fn onset(&self) -> Moment {
        self.leader.map_or(self.call.core.begun, |leader| leader.onset)
    }

    /// Whether it goes to whoever answered, alone, before others are called again.
    fn is_asked_again(&self) -> bool {
        self.call.core.told.get(self.target).is_some_and(|told| told.message == Message::Ask)
    }

    fn asks(&self) -> bool {
        match self.purpose {
            Purpose::Call | Purpose::Digest | Purpose::Drill => true,
            Purpose::Taken | Purpose::AllClear | Purpose::Notice => false,
        }
    }

    fn alarm(&self, member: &Member) -> Option<&Alarm> {
        self.plan.alarm_named(&member.alarm).map(|id| self.plan.alarm(id))
    }

    /// `02:14`, with the date if it was on another day, and a mark if the clock is not trusted.
    fn time(&self, moment: Moment) -> String {
        let at = self.now.wall_at(moment).civil(&self.plan.zone);
        let today = self.now.wall.civil(&self.plan.zone).date();
        let mut text = match at.date() == today {
            true => at.strftime("%H:%M").to_string(),
            false => at.strftime("%a %d %b %H:%M").to_string(),
        };
        if !self.now.wall_trusted {
            text.push_str(" (clock not set)");
        }
        text
    }

    fn headline(&self, place: &str, what: &str) -> String {
        let code = self.call.code();
        let since = self.time(self.onset());
        let priority = self.leader.map_or(Priority::Low, |leader| leader.priority);
        match self.purpose {
            Purpose::Call => {
                let more = match self.call.members.iter().filter(|member| member.fate == Fate::Stands).count()
                {
                    0 | 1 => String::new(),
                    n => format!(" (+{} more)", n - 1),
                };
                let news = format!("{place}: {what}{more}, {priority}, since {since}, code {code}");
                if self.is_asked_again() { format!("Still on it? {news}") } else { news }
            }
            Purpose::Digest => match self.call.members.len() {
                1 => format!("{place}: {what}, {priority}, {since}, code {code}"),
                n => format!("{}: {n} low-priority alarms in the night, code {code}", self.plan.site),
            },
            Purpose::Drill => format!("TEST {place}: {what}, nothing is wrong, code {code}"),
            Purpose::Notice => format!("{place}: {what}"),
            Purpose::Taken => match self.call.answers.last().filter(|_| self.leader_is_being_seen_to()) {
                Some((by, at)) => format!("{place}: {what}: {} has answered at {}", by.who, self.time(*at)),
                None => match self.call.put_aside_by() {
                    Some(by) => format!("{place}: {what}: put aside by {}, the call-out is over", by.who),
                    None => format!("{place}: {what}: put aside, the call-out is over"),
                },
            },
            Purpose::AllClear if !self.also.is_empty() => {
                let began = self.call.members.iter().chain(self.past()).map(|member| member.onset).min();
                format!(
                    "{}: {} call-outs came and went while this way was shut, the first at {}: all is over since {}",
                    self.plan.site,
                    self.also.len() + 1,
                    self.time(began.unwrap_or(self.onset())),
                    self.time(self.over_since()),
                )
            }
            Purpose::AllClear => {
                format!("{place}: {what}: all clear at {}, stood since {since}", self.time(self.now.mono))
            }
        }
    }

    /// What had come and gone in the call-outs that this page tells of too.
    fn past(&self) -> impl Iterator<Item = &Member> {
        self.also.iter().flat_map(|call| &call.members)
    }

    /// When the last of all that this page tells of was over.
    fn over_since(&self) -> Moment {
        let over = self.call.members.iter().chain(self.past()).filter_map(|member| match member.fate {
            Fate::Over(at) => Some(at),
            Fate::Stands | Fate::PutAside => None,
        });
        over.max().unwrap_or(self.now.mono)
    }

    fn leader_is_being_seen_to(&self) -> bool {
        self.leader.is_none_or(|leader| leader.fate != Fate::PutAside)
    }

    fn body(&self, headline: &str) -> String {
        let mut lines = Vec::new();
        if self.maybe_repeat {
            lines.push(REPEAT.to_owned());
        }
        lines.push(headline.to_owned());
        lines.extend(self.held.map(|(pages, since)| {
            let many = if pages == 1 { "1 page was".to_owned() } else { format!("{pages} pages were") };
            format!("Before this, {many} held back by the limit of this way, since {}.", self.time(since))
        }));
        if self.tells_of_relays() {
            lines.extend(self.by_hand.iter().cloned());
        }
        lines.extend(self.how_long());
        lines.extend(self.prospects.iter().cloned());
        lines.extend(self.episodes());
        if self.purpose == Purpose::AllClear {
            lines.extend(self.section("Now:", self.notes.clone()));
        }
        if self.tells_of_relays() {
            let title = if self.purpose == Purpose::Call { "Done so far:" } else { "As the watch left it:" };
            lines.extend(self.section(title, self.done.clone()));
        }
        if self.purpose == Purpose::Call {
            lines.extend(self.section("What to do:", self.response()));
            lines.extend(self.section("For whoever helps:", self.help()));
        }
        if self.purpose == Purpose::Drill {
            lines.push("This is a test of the call-out. Answer it as you would the real thing.".to_owned());
        }
        if self.purpose != Purpose::Digest {
            lines.extend(self.section("Told:", self.told()));
        }
        if self.asks() {
            lines.push(String::new());
            lines.push(format!("To answer: slackwater ack {}", self.call.code()));
        }
        if self.purpose == Purpose::Call {
            lines.push("Estimates are estimates. This watch is a help, never the only safeguard.".to_owned());
        }
        lines.join("\n") + "\n"
    }

    fn tells_of_relays(&self) -> bool {
        matches!(self.purpose, Purpose::Call | Purpose::AllClear)
    }

    fn section(&self, title: &str, lines: Vec<String>) -> Vec<String> {
        match lines.is_empty() {
            true => lines,
            false => [String::new(), title.to_owned()].into_iter().chain(lines).collect(),
        }
    }

    /// What is left of the leading alarm's time to respond.
    fn how_long(&self) -> Option<String> {
        let leader =
            self.leader.filter(|leader| self.purpose == Purpose::Call && leader.fate == Fate::Stands)?;
        let given = self.alarm(leader)?.time_to_respond?;
        let left = given - (self.now.mono - leader.onset);
        Some(match left.0 > 0 {
            true => format!("Time to act: {left} left of {given}."),
            false => format!("The time to act, {given}, is over: go now."),
        })
    }

    /// Every episode with what it rests on and what follows from it, the leader first.
    fn episodes(&self) -> Vec<String> {
        let rest = self
            .call
            .members
            .iter()
            .filter(|member| self.leader.is_none_or(|leader| leader.episode != member.episode));
        let mut lines = Vec::new();
        let mut members: Vec<&Member> = self.leader.into_iter().chain(rest).chain(self.past()).collect();
        if !self.also.is_empty() {
            members.sort_by_key(|member| member.onset);
        }
        for member in members {
            let mut line = format!(
                "- {} {}, {}, since {}",
                member.place,
                member.alarm,
                member.priority,
                self.time(member.onset)
            );
            match member.fate {
                Fate::Stands if member.blind => line.push_str("; its sensor can't be seen any more"),
                Fate::Stands => {}
                Fate::PutAside => line.push_str("; put aside"),
                Fate::Over(at) => {
                    let _ = write!(line, "; over since {}", self.time(at));
                }
            }
            if member.worse {
                line.push_str("; IT GOT WORSE");
            }
            lines.push(line);
            if !member.because.is_empty() && member.fate == Fate::Stands {
                lines.push(format!("  {}", member.because));
            }
            let consequence = self.alarm(member).and_then(|alarm| alarm.consequence.as_ref());
            if let Some(consequence) = consequence.filter(|_| member.fate == Fate::Stands) {
                lines.push(format!("  If nobody acts: {consequence}"));
            }
        }
        self.section("", lines).into_iter().skip(1).collect()
    }

    /// What to do about the leading episode. Its consequences go with it: a person at night
    /// needs one list.
    fn response(&self) -> Vec<String> {
        let steps = self.card().map(|card| card.steps(&self.situation)).unwrap_or_default();
        (1..).zip(steps).map(|(n, step)| format!("{n}. {}", step.words())).collect()
    }

    /// Where things are and whom to call, for an alarm of this site.
    fn help(&self) -> Vec<String> {
        let alarm = self.leader.and_then(|leader| self.alarm(leader)).filter(|alarm| alarm.watched.is_none());
        alarm.map(|alarm| helping::lines(self.plan, alarm.tank)).unwrap_or_default()
    }

    fn card(&self) -> Option<&Card> {
        self.leader.and_then(|leader| self.alarm(leader)).map(|alarm| &alarm.response)
    }

    /// Who has been asked, by which way, and what came of it.
    fn told(&self) -> Vec<String> {
        // Since the timeline last began: earlier rounds are in the log.
        let asked = self.pages.iter().filter(|sent| sent.id != self.id && sent.at >= self.call.round());
        let mut lines: Vec<String> = asked
            .filter(|sent| matches!(sent.purpose, Purpose::Call | Purpose::Drill))
            .map(|sent| {
                let fate = match &sent.last {
                    None => "on its way".to_owned(),
                    Some(Outcome::Accepted { .. }) => "sent".to_owned(),
                    Some(last) => {
                        let trouble = last.trouble().unwrap_or_default();
                        if last.is_for_now() {
                            format!("not yet: {trouble}")
                        } else {
                            format!("FAILED: {trouble}")
                        }
                    }
                };
                format!("{} {}: {fate}", self.time(sent.at), sent.target)
            })
            .collect();
        for (by, at) in &self.call.answers {
            lines.push(format!("{} {} answered by {}", self.time(*at), by.who, by.via));
        }
        lines
    }

    /// The headline, then what a relay could not do and how long there is, as far as it fits; the first
    /// step that is left, whole; and how to answer.
    fn text(&self, headline: &str) -> String {
        let mut text = headline.to_owned();
        let is_call = self.purpose == Purpose::Call;
        let first = self.by_hand.iter().chain(&self.soonest);
        for line in first.chain(&self.notes).chain(&self.done).filter(|_| is_call) {
            let _ = write!(text, ". {}", line.trim_end_matches('.'));
        }
        // Letters and digits only: each costs one place.
        let answer = if self.asks() { format!(". Reply ACK {}", self.call.code()) } else { String::new() };
        let step = self.card().filter(|_| is_call).and_then(|card| card.text(&self.situation));
        let step = step.map(|step| format!(". {}", step.trim_end_matches('.'))).unwrap_or_default();
        let end = gsm::fit(&(step + &answer), TEXT_SEPTETS);
        gsm::fit(&text, TEXT_SEPTETS.saturating_sub(end.len())) + &end
    }
}

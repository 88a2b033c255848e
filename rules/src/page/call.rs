//! A page that asks somebody to act. Four questions in this order: what is wrong, what to do, how
//! to answer, how long there is; then what the watch has done, what else stands, and who was told.
//! The first three fit the first screen of a phone, the first two a text.

use super::facts::{Facts, Matter, News};
use super::helping;
use super::outlook::ActBy;
use super::said::{Look, PageLine, Said, Short};
use super::todo::SaidOnce;
use super::ways::HelpAsked;
use crate::alarm::Priority;
use crate::card::{Card, Step};
use crate::plan::{Alarm, Contact};
use crate::words;
use std::collections::BTreeSet;

/// So many people are named whom a reader may call in place of an answer.
const CALLED: usize = 2;
/// So much else is named; the rest is counted.
const OTHERS_NAMED: usize = 8;

impl Facts<'_> {
    /// Somebody is needed.
    pub(super) fn call(&self) -> Said {
        let mut said = Said {
            kind: Look::Trouble,
            rank: Some(self.priority),
            heading: self.call_heading(),
            ..Said::default()
        };
        let mut once = SaidOnce::default();
        said.under = self.call_under();
        let steps = self.steps();
        let todo = self.todo(&steps, &mut once);
        let help = HelpAsked { goes_on: todo.goes_on(), tell: self.to_tell(&steps) };
        said.part("What to do", todo.first);
        said.part("How to answer", self.how_to_answer(Some(&help)));
        said.part("What to do next", todo.then);
        said.part("Only for who knows the tank", todo.for_keeper);
        said.part("Words used here", self.what_words_mean(&said.plain(), &mut once));
        said.part("How long there is", self.how_long());
        let over = todo.ending.into_iter().chain(self.may_go(&steps).into_iter().map(PageLine::Plain));
        said.part("When it is over", over.collect());
        said.part(self.help_title(), self.help(&once.places));
        said.part("What may be behind it", self.cause());
        said.part("What the watch has switched", self.what_was_done());
        said.part("Also wrong now", self.elsewhere(|matter| matter.stands() && !matter.back));
        said.part("Perhaps over by now", self.elsewhere(|matter| matter.stands() && matter.back));
        said.part("Wrong before, not now", self.elsewhere(|matter| !matter.stands()));
        said.part("Who was told", self.told());
        said.foot = self.call_foot();
        said.short = self.call_short(&steps);
        said
    }

    fn call_heading(&self) -> String {
        let Some(lead) = &self.lead else { return self.drill_heading() };
        let more = self.and_more();
        let (ask, worse) = match &self.news {
            News::StillOnIt => ("Still on it? ", ""),
            News::Worse => ("", ": it got worse"),
            News::Raised => ("", ""),
            News::NobodyElse => ("", ": nobody else can be called"),
            News::Undone(_) | News::HeatersCut(_) | News::GoesDark(_) => {
                return format!("{}{more}, code {}", self.news_heading(lead), self.code);
            }
        };
        let since = self.time(lead.onset);
        format!("{ask}{}{worse}{more}, since {since}, code {}", lead.heading(), self.code)
    }

    /// ` (and 2 more, same cause)`: what else stands, and that it is no trouble of its own.
    fn and_more(&self) -> String {
        match self.more_standing() {
            (0, _) => String::new(),
            // Who helps does the same for both.
            (_, true) if self.is_helper() => String::new(),
            (more, true) => format!(" (and {more} more, same cause)"),
            (more, false) => format!(" (and {})", words::counted(more, "more alarm")),
        }
    }

    /// How many others stand, and whether each of them explains another or is explained by one.
    fn more_standing(&self) -> (usize, bool) {
        let others: Vec<&Matter<'_>> = self.others.iter().filter(|matter| matter.stands()).collect();
        let lead = self.lead.as_ref().and_then(|lead| lead.alarm);
        let alarms = || lead.into_iter().chain(others.iter().filter_map(|matter| matter.alarm));
        let explains = |cause: &Alarm, alarm: &Alarm| {
            alarm.consequence_of.iter().any(|known| self.plan.alarm(*known).name == cause.name)
        };
        let tied = |alarm: &Alarm| alarms().any(|other| explains(alarm, other) || explains(other, alarm));
        (others.len(), alarms().count() == others.len() + 1 && alarms().all(tied))
    }

    /// What a page leads with: its news, or the alarm.
    fn news_heading(&self, lead: &Matter<'_>) -> String {
        match &self.news {
            News::StillOnIt | News::Worse | News::Raised | News::NobodyElse => lead.heading(),
            News::Undone(what) => format!("{}: {what}", words::capital(&lead.place)),
            News::HeatersCut(by) => {
                let by = by.map(|by| format!(" by {}", self.time(by))).unwrap_or_default();
                let place = words::capital(&lead.place);
                format!("{place}: heaters are cut and stay cut. Someone must look{by}")
            }
            News::GoesDark(at) => {
                let at = at.map_or("soon".to_owned(), |at| format!("about {}", self.time(at)));
                format!("This watch loses its power {at}. After that it calls nobody")
            }
        }
    }

    fn call_under(&self) -> Vec<String> {
        let Some(lead) = &self.lead else { return Vec::new() };
        let first = [Some(self.how_bad()), self.who_has_it(), self.where_to_go()];
        let mut lines = vec![first.into_iter().flatten().collect::<Vec<_>>().join(" ")];
        if self.news_heading(lead) != lead.heading() {
            let since = self.time(lead.onset);
            let what = if lead.stands() { lead.heading() } else { format!("It was: {}", lead.heading()) };
            lines.push(words::sentence(&format!("{what}, since {since}")));
        }
        if !lead.reading.is_empty() {
            let worse = if lead.worse { "It got worse: " } else { "" };
            lines.push(words::sentence(&format!("{worse}{}", lead.then_and_now())));
        }
        lines.extend(self.last_seen());
        // What the watch itself has switched is no sign that the trouble has gone.
        if lead.back && self.done.is_empty() {
            lines.push("It may be over: the watch waits until it surely stays so.".to_owned());
        }
        if lead.blind {
            lines.push("It is no longer measured: this is the last that is known.".to_owned());
        }
        lines.extend(self.notes.iter().map(|note| words::sentence(note)));
        lines.extend(self.held_back());
        lines
    }

    /// `Nobody knows how it is now. Last measured at 20:12: reef 25.8 °C, seahorses 25.5 °C.`
    fn last_seen(&self) -> Option<String> {
        let at = self.last_seen.iter().map(|(_, at)| *at).min()?;
        let waters: Vec<&str> = self.last_seen.iter().map(|(water, _)| water.as_str()).collect();
        let (at, waters) = (self.time(at), waters.join(", "));
        Some(format!("Nobody knows how it is now. Last measured at {at}: {waters}."))
    }

    /// How bad it is, in a word that a neighbour knows, and by when that wants an act: the time
    /// that stands below too, so that no page names two.
    fn how_bad(&self) -> String {
        let due = match self.news {
            News::HeatersCut(by) => {
                by.filter(|by| *by > self.now.mono).map_or(ActBy::Unsaid, |by| ActBy::Time(self.time(by)))
            }
            News::Raised
            | News::StillOnIt
            | News::Worse
            | News::Undone(_)
            | News::GoesDark(_)
            | News::NobodyElse => self.due(),
        };
        let act = match (self.priority, due) {
            (Priority::Critical, ActBy::Time(by)) => format!("act at once, before {by}"),
            (Priority::Critical | Priority::High, ActBy::AtOnce | ActBy::Over) => {
                "go now, later still helps".to_owned()
            }
            (Priority::Critical, ActBy::Unsaid) => "act at once, or animals may die".to_owned(),
            (Priority::High | Priority::Medium, ActBy::Time(by)) => format!("act by {by}"),
            (Priority::Low, ActBy::Time(by)) => format!("no hurry, act by {by}"),
            (Priority::High, ActBy::Unsaid) | (Priority::Medium, ActBy::AtOnce) => "act now".to_owned(),
            (Priority::Medium, ActBy::Over | ActBy::Unsaid) => "act today".to_owned(),
            (Priority::Low, _) => "tomorrow will do".to_owned(),
        };
        let rank = match self.priority {
            Priority::Critical => "Critical",
            // A word alone is taken for the reading: high, of 0.1 °C over.
            Priority::High => "High priority",
            Priority::Medium => "Medium priority",
            Priority::Low => "Low priority",
        };
        format!("{rank}: {act}.")
    }

    fn who_has_it(&self) -> Option<String> {
        match self.answers.last() {
            None => self.helped().is_none().then(|| "Nobody has answered yet.".to_owned()),
            Some((by, at)) => Some(format!("{} answered at {}.", self.person(&by.who), self.time(*at))),
        }
    }

    /// Pages that the limit of this way held back before.
    pub(super) fn held_back(&self) -> Option<String> {
        self.held.map(|(pages, since)| {
            let many = if pages == 1 { "1 page was".to_owned() } else { format!("{pages} pages were") };
            format!("Before this, {many} held back by the limit of this way, since {}.", self.time(since))
        })
    }

    pub(super) fn reader(&self) -> Option<(&str, &Contact)> {
        let name = self.target.contact.as_deref()?;
        self.plan.directory.contacts.get(name).map(|contact| (name, contact))
    }

    pub(super) fn is_helper(&self) -> bool {
        self.reader().is_some_and(|(_, contact)| contact.helper)
    }

    /// For whoever is no keeper: what a sump is, the first time that one is named.
    /// What is known by other means waits.
    pub(super) fn what_is_new(
        &self,
        text: &str,
        once: &mut SaidOnce,
        waits: impl Fn(&str) -> bool,
    ) -> Vec<(&'static str, &'static str)> {
        let knows = self.reader().is_some_and(|(_, contact)| helping::keeps(contact));
        let meanings = if knows { Vec::new() } else { helping::meanings(text) };
        let meanings = meanings.into_iter().filter(|(term, _)| !waits(term));
        meanings.filter(|(term, _)| once.words.insert(term)).collect()
    }

    /// Right behind the steps: what no step has said.
    fn what_words_mean(&self, page: &str, once: &mut SaidOnce) -> Vec<PageLine> {
        let mut words = Vec::new();
        for meant in self.what_is_new(page, once, |_| false).into_iter().rev() {
            helping::explained(meant, &mut words);
        }
        let keeps = self.reader().is_some_and(|(_, contact)| helping::keeps(contact));
        words.extend(helping::who_keeps(self.plan, self.reader(), page).filter(|_| !keeps));
        words.into_iter().map(PageLine::Plain).collect()
    }

    /// An answer says who acts, and by when; for how long nobody else is called is another time,
    /// and both stand together, so that the later one is not taken for the time there is.
    pub(super) fn what_it_means(&self) -> String {
        let all = if self.more_standing().0 > 0 { " all" } else { "" };
        let act = match self.due() {
            ActBy::Time(by) => format!(" by {by}"),
            ActBy::AtOnce | ActBy::Over => " now".to_owned(),
            ActBy::Unsaid => String::new(),
        };
        let others =
            self.would_hold.map(|until| format!(" Nobody else is called before {}.", self.time(until)));
        format!("It means: I take care of it{all}{act}.{}", others.unwrap_or_default())
    }

    /// For a helper: where to go.
    fn where_to_go(&self) -> Option<String> {
        Some(helping::where_to_go(self.plan, self.helped()?.tank))
    }

    /// The alarm of this site that a helper is called for.
    pub(super) fn helped(&self) -> Option<&Alarm> {
        self.lead.as_ref()?.alarm.filter(|alarm| alarm.watched.is_none() && self.is_helper())
    }

    fn help_title(&self) -> &'static str {
        if self.is_helper() { "Where things are, and what you may do" } else { "For whoever helps" }
    }

    /// What usually brings it about, while it stands: a helper mends nothing.
    fn cause(&self) -> Vec<PageLine> {
        let alarm =
            self.lead.as_ref().filter(|lead| lead.stands() && !self.is_helper()).and_then(|lead| lead.alarm);
        let cause = alarm.and_then(|alarm| alarm.cause.as_deref());
        cause.map(|cause| PageLine::of(words::sentence(cause))).into_iter().collect()
    }

    /// Where things are and whom to call, for an alarm of this site.
    fn help(&self, said: &BTreeSet<String>) -> Vec<PageLine> {
        let alarm = self.lead.as_ref().and_then(|lead| lead.alarm).filter(|alarm| alarm.watched.is_none());
        // Who has no other way to answer is told above whom to call.
        let called = if self.ways().is_empty() { CALLED } else { 0 };
        let lines = alarm.map(|alarm| helping::lines(self.plan, alarm.tank, self.reader(), said, called));
        lines.unwrap_or_default().into_iter().map(PageLine::Plain).collect()
    }

    /// What else of this kind there is in the call-out, the worst first.
    fn elsewhere(&self, kind: impl Fn(&Matter<'_>) -> bool) -> Vec<PageLine> {
        let mut others: Vec<&Matter<'_>> =
            self.others.iter().chain(&self.past).filter(|matter| kind(matter)).collect();
        others.sort_by_key(|matter| (std::cmp::Reverse(matter.priority), matter.onset));
        let mut lines: Vec<PageLine> =
            others.iter().take(OTHERS_NAMED).map(|matter| PageLine::of(self.matter(matter))).collect();
        let left = others.len().saturating_sub(OTHERS_NAMED);
        if left > 0 {
            lines.push(PageLine::of(format!("And {left} more.")));
        }
        lines
    }

    fn call_foot(&self) -> Vec<String> {
        let nth = self.before + self.after.len() + 1;
        let nth = if nth == 1 { String::new() } else { format!(": message {nth} to you this way") };
        let mut foot = vec![
            format!(
                "Sent {} by the watch (the computer that reads the sensors){nth}.",
                self.time(self.now.mono)
            ),
            format!("All messages with the code {} are about this: one answer is enough.", self.code),
        ];
        foot.extend(self.repeat());
        let estimates = if self.outlooks.is_empty() { "" } else { "Estimates hold if nothing changes. " };
        foot.push(format!("{estimates}This watch is a help, never the only safeguard."));
        foot
    }

    fn call_short(&self, steps: &[Step<'_>]) -> Short {
        let Some(lead) = &self.lead else { return self.drill_short() };
        let (heading, since) = (lead.heading(), self.time(lead.onset));
        let mut what = Vec::new();
        let news = Some(self.news_heading(lead)).filter(|news| *news != heading);
        what.extend(news.iter().map(|news| format!("{news}. {heading}, since {since}")));
        what.extend(news);
        // What another site said last tells more than for how long it has said nothing.
        if !lead.reading.is_empty() && self.notes.is_empty() {
            let over = if lead.back && self.done.is_empty() { ", perhaps over" } else { "" };
            what.push(format!("{heading}, since {since}, {}{over}", lead.then_and_now()));
            what.extend(lead.now.as_ref().map(|now| format!("{heading}, since {since}, now {now}{over}")));
        }
        // The value stays when what it should be has no room.
        if !lead.bare.is_empty() && self.notes.is_empty() {
            what.push(format!("{heading}, since {since}, {}", lead.bare));
            what.push(format!("{heading}, {}", lead.bare));
        }
        what.push(format!("{heading}, since {since}"));
        what.push(heading);
        let mut more: Vec<String> = self.by_hand.clone();
        more.extend(self.soonest());
        more.extend(self.goes_dark.map(|at| format!("After {} nobody is called", self.time(at))));
        more.extend(self.notes.iter().map(|note| words::capital(note)));
        let step = Card::first_text(steps).map(str::to_owned);
        Short { what, step, more, answer: Some(self.short_answer()) }
    }
}

//! The words of a page: what a person reads at three in the morning. The engine's
//! [`Facts`](facts::Facts) come in; wording makes one [`Said`] of them, by what the page is for;
//! and a [`Page`] goes out that every channel can carry, as plain text, as a text of 160 letters
//! and as HTML, each rendered from the same.

mod call;
mod drill;
pub(crate) mod facts;
pub mod gsm;
mod helping;
pub mod html;
mod outlook;
mod over;
mod said;
mod sent;
mod slip;
mod todo;
mod told;
pub(crate) mod ways;

pub use said::{Look, PageLine, PagePart, PageStep, ReportSpan, Said, Short};
pub use sent::{Pages, REPEATS, RETRY_FIRST, RETRY_LONGEST, RETRY_WITHIN, Sent, Subject};
pub(crate) use slip::Envelope;
pub use slip::Slip;

use crate::alarm::Priority;
use crate::ids::Seq;
use crate::plan::Target;
use crate::record::Purpose;
use crate::time::{Moment, Wall};
use crate::words;
use facts::{Facts, Matter, MatterFate};

/// What a text can carry: one unconcatenated message of 3GPP TS 23.040.
pub const TEXT_SEPTETS: usize = 160;

/// Said once on a page of which a copy may have arrived.
const REPEAT: &str = "This may be a repeat: what became of an earlier copy is not known.";

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
    /// The tank of the leading episode, or the site, as people say it.
    pub place: String,
    /// The leading episode's alarm, by its name in the rule file: for programs.
    pub alarm: String,
    /// The code that answers it; empty for an all-clear.
    pub code: String,
    /// When the leading episode began.
    pub since: Wall,
    /// Place, what, since when, code: one line, no line break.
    pub headline: String,
    /// All of it, in short lines of plain text.
    pub body: String,
    /// What all of these were made from; HTML is.
    pub said: Said,
    /// A copy of it may have arrived already.
    pub maybe_repeat: bool,
}

impl Page {
    /// The same in at most 160 characters of the GSM 7-bit alphabet (3GPP TS 23.038).
    pub fn text(&self) -> String {
        self.said.short.text()
    }

    /// As the HTML part of a mail.
    pub fn html(&self) -> String {
        self.said.html(&self.code)
    }
}

impl Facts<'_> {
    pub(crate) fn compose(self) -> Page {
        let mut said = match self.purpose {
            // A call-out's own notice, in a journal of before: nobody else could be called.
            Purpose::Call | Purpose::Notice => self.call(),
            Purpose::Drill => self.drill(),
            Purpose::Digest => self.digest(),
            Purpose::Taken => self.taken(),
            Purpose::AllClear => self.all_clear(),
        };
        said.short.is_repeat(self.maybe_repeat);
        let asks = matches!(self.purpose, Purpose::Call | Purpose::Digest | Purpose::Drill);
        let lead = self.lead.as_ref();
        Page {
            id: self.id,
            call: self.call,
            purpose: self.purpose,
            priority: self.priority,
            site: self.plan.site.clone(),
            place: lead.map_or_else(|| self.plan.site.clone(), |lead| lead.place.clone()),
            alarm: lead
                .and_then(|lead| lead.alarm)
                .map_or_else(|| format!("drill of {}", self.policy), |alarm| alarm.name.clone()),
            code: if asks { self.code.to_owned() } else { String::new() },
            since: self.now.wall_at(lead.map_or(self.begun, |lead| lead.onset)),
            headline: said.heading.clone(),
            body: said.plain(),
            said,
            maybe_repeat: self.maybe_repeat,
            after: self.after,
        }
    }

    /// A time as this page says it.
    fn time(&self, moment: Moment) -> String {
        words::clock(&self.now, moment, &self.plan.zone)
    }

    /// A person's name, by the name of rule files.
    fn person(&self, who: &str) -> String {
        let known = self.plan.directory.contacts.get(who);
        known.map_or_else(|| who.to_owned(), |contact| contact.name.clone())
    }

    /// `Ines by mail`, `the siren`
    fn way_to(&self, target: &Target) -> String {
        let way = crate::plan::spoken(&target.channel);
        match &target.contact {
            Some(contact) if Some(contact) == self.target.contact.as_ref() => format!("you by {way}"),
            Some(contact) => format!("{} by {way}", self.person(contact)),
            None => way,
        }
    }

    /// The same of several, each person once: `you by text and mail`.
    fn ways_to<'t>(&self, targets: impl IntoIterator<Item = &'t Target>) -> Vec<String> {
        let mut people: Vec<(&Target, Vec<String>)> = Vec::new();
        for target in targets {
            let known = people
                .iter_mut()
                .find(|(first, _)| target.contact.is_some() && first.contact == target.contact);
            match known {
                Some((_, more)) => more.push(crate::plan::spoken(&target.channel)),
                None => people.push((target, vec![self.way_to(target)])),
            }
        }
        people.into_iter().map(|(_, ways)| words::list(&ways)).collect()
    }

    /// One line about something in the call-out.
    fn matter(&self, matter: &Matter<'_>) -> String {
        let mut line = format!("{}: {}", words::capital(&matter.priority.to_string()), matter.heading());
        // What the page says at its head is not said again.
        let at_head = self.lead.as_ref().is_some_and(|lead| lead.reading == matter.reading);
        if !matter.reading.is_empty() && matter.stands() && !at_head {
            line += &format!(" ({})", matter.then_and_now());
        }
        line += &match matter.fate {
            MatterFate::Over(at) => format!(", from {} to {}", self.time(matter.onset), self.time(at)),
            MatterFate::Stands | MatterFate::PutAside => format!(", since {}", self.time(matter.onset)),
        };
        match matter.fate {
            MatterFate::Stands if matter.worse => line += ". It got worse",
            MatterFate::Stands if matter.blind => line += ". It is no longer measured",
            MatterFate::Stands => {}
            MatterFate::PutAside => line += ". Put aside",
            MatterFate::Over(_) => {}
        }
        line + "."
    }

    fn repeat(&self) -> Option<String> {
        self.maybe_repeat.then(|| REPEAT.to_owned())
    }
}

impl Matter<'_> {
    /// The reading that the alarm judged; and beside it the one of now, if that no longer agrees.
    pub(crate) fn then_and_now(&self) -> String {
        match &self.now {
            Some(now) => format!("at first {}; now {now}", self.reading),
            None => self.reading.clone(),
        }
    }

    /// `Lagoon: the return pump moves no water`
    pub(crate) fn heading(&self) -> String {
        format!("{}: {}", words::capital(&self.place), self.what)
    }
}

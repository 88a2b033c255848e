//! People and the ways to reach them: what the agent's configuration tells the plan.

use super::Weekly;
use super::ways::{Skill, Way};
use crate::alarm::Priority;
use crate::ids::Target;
use crate::site::Hours;
use crate::time::Span;
use jiff::civil::{Date, DateTime, Time};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// Who can be told, and when.
#[derive(Clone, Debug, PartialEq)]
pub struct Directory {
    /// People by the name that rule files use.
    pub contacts: BTreeMap<String, Contact>,
    /// Every way to reach them, and every siren.
    pub channels: BTreeMap<Target, ChannelKind>,
    /// What sirens may do, if their channel says so.
    pub sirens: BTreeMap<Target, SirenLimits>,
    /// Buttons beside sirens.
    pub hush_buttons: Vec<HushButton>,
    /// Those that only leave files on the watch's own machine, to try it out: no path to anybody.
    pub on_paper: BTreeSet<Target>,
    /// Whether replies to pages by mail are heard.
    pub mailbox: bool,
    /// How pages can be answered, the easiest first.
    pub ways: Vec<Way>,
}

impl Default for Directory {
    fn default() -> Self {
        Self {
            contacts: BTreeMap::new(),
            channels: BTreeMap::new(),
            sirens: BTreeMap::new(),
            hush_buttons: Vec::new(),
            on_paper: BTreeSet::new(),
            mailbox: false,
            ways: Way::built_in(),
        }
    }
}

/// How long a siren may sound, and for what: as its channel says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SirenLimits {
    /// For one rung.
    pub a_rung: Span,
    /// In any hour.
    pub an_hour: Span,
    /// Only for this rank and above.
    pub from: Priority,
}

impl Default for SirenLimits {
    fn default() -> Self {
        Self { a_rung: Span::minutes(3), an_hour: Span::minutes(15), from: Priority::Critical }
    }
}

/// A button that hushes the siren beside it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HushButton {
    /// Where it speaks.
    pub topic: String,
    /// What it says when it is pressed.
    pub press: String,
    /// Which it hushes.
    pub siren: Target,
}

/// A person.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Contact {
    /// As pages say it.
    pub name: String,
    /// When this person may be called; always if empty.
    pub hours: Vec<Hours>,
    /// Outside their hours never, however bad it is; else something critical that nobody has
    /// answered in a whole round, or that nobody else could be told of, asks them too.
    pub never_woken: bool,
    /// Only helps: pages leave out what is for keepers, and ways to answer that take a login.
    pub helper: bool,
    /// What this person can do to answer, beyond what anybody can; if nobody said so, to log in to
    /// the watch's own computer, unless the person only helps.
    pub skills: Option<Vec<Skill>>,
    /// When this person is not there.
    pub away: Vec<Absence>,
    /// When the report of the week before goes to this person by mail; never if none.
    pub report: Option<Weekly>,
    /// How many pages each of this person's channels may carry, by the channel's name; any
    /// number if it is not named.
    pub quotas: BTreeMap<String, Quota>,
}

/// A stretch of days on which a person can't be called.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Absence {
    /// First day, a local date.
    pub first: Date,
    /// Last day, included.
    pub last: Date,
    /// On the first day, away from this time on; all day if none.
    pub leaves: Option<Time>,
    /// On the last day, back from this time on; away all day if none.
    pub back: Option<Time>,
    /// The contact who stands in meanwhile, on every step.
    pub sitter: Option<String>,
}

impl Absence {
    /// Whether the day is one of it.
    pub fn cover(&self, date: Date) -> bool {
        self.first <= date && date <= self.last
    }

    /// Whether the person is away at this local date and time.
    pub fn covers(&self, at: DateTime) -> bool {
        let leaves = self.leaves.unwrap_or(Time::midnight());
        let is_back = |back| at >= self.last.to_datetime(back);
        self.cover(at.date()) && at >= self.first.to_datetime(leaves) && !self.back.is_some_and(is_back)
    }

    /// Whether the two have a day in common.
    pub fn meets(&self, other: &Absence) -> bool {
        self.first <= other.last && other.first <= self.last
    }
}

/// How many pages a channel may carry: what its provider allows, or its owner wants to pay.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Quota {
    /// Within any hour; at least 1, if there is a limit.
    pub hour: Option<u32>,
    /// Within any 24 hours; at least 1, if there is a limit.
    pub day: Option<u32>,
    /// So many of each limit, and always fewer than it, are kept for critical alarms.
    pub reserve: u32,
}

impl Quota {
    /// The limits: how many, within how long.
    pub fn limits(&self) -> impl Iterator<Item = (usize, Span)> {
        let limits = [(self.hour, Span::hours(1)), (self.day, Span::hours(24))];
        limits.into_iter().filter_map(|(most, within)| most.map(|most| (most as usize, within)))
    }
}

impl fmt::Display for Quota {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let limits = [(self.hour, "an hour"), (self.day, "a day")];
        let limits = limits.into_iter().filter_map(|(most, each)| most.map(|most| format!("{most} {each}")));
        f.write_str(&limits.collect::<Vec<_>>().join(" and "))
    }
}

impl Directory {
    /// How long a siren may sound, and for what.
    pub fn siren(&self, target: &Target) -> SirenLimits {
        self.sirens.get(target).copied().unwrap_or_default()
    }

    /// The sirens that this message of a button beside them hushes.
    pub fn hushed_by<'a>(&'a self, topic: &'a str, payload: &'a [u8]) -> impl Iterator<Item = &'a Target> {
        let pressed = move |button: &&HushButton| {
            button.topic == topic && payload.trim_ascii() == button.press.as_bytes()
        };
        self.hush_buttons.iter().filter(pressed).map(|button| &button.siren)
    }

    /// How many pages this way may carry, if that is limited.
    pub fn quota(&self, target: &Target) -> Option<&Quota> {
        self.contacts.get(target.contact.as_ref()?)?.quotas.get(&target.channel)
    }
}

impl Contact {
    /// Whether a page may name a way to answer that takes this.
    pub fn can(&self, skill: Skill) -> bool {
        match &self.skills {
            _ if self.helper => false,
            Some(skills) => skills.contains(&skill),
            None => skill == Skill::Computer,
        }
    }

    /// The absence that covers this local date and time, if any does.
    pub fn absence_at(&self, at: DateTime) -> Option<&Absence> {
        self.away.iter().find(|absence| absence.covers(at))
    }

    /// The absence that the day is part of, if any is.
    pub fn absence(&self, date: Date) -> Option<&Absence> {
        self.away.iter().find(|absence| absence.cover(date))
    }

    /// Whether the person's hours allow this time of day.
    pub fn in_hours(&self, time: Time) -> bool {
        self.hours.is_empty() || self.hours.iter().any(|hours| hours.cover(time))
    }

    /// Whether the person may be called at this local date and time.
    pub fn reachable(&self, date: Date, time: Time) -> bool {
        self.absence_at(date.to_datetime(time)).is_none() && self.in_hours(time)
    }

    /// The first moment from `at` on at which the person may be called: `at` itself, the
    /// beginning of some hours, the end of an absence, or midnight. None if there is none within a
    /// year.
    pub fn reachable_from(&self, at: DateTime) -> Option<DateTime> {
        if self.reachable(at.date(), at.time()) {
            return Some(at);
        }
        let mut times: Vec<Time> = self.hours.iter().map(|hours| hours.from).collect();
        times.push(Time::midnight());
        times.extend(self.away.iter().filter_map(|absence| absence.back));
        times.sort_unstable();
        let moments = at
            .date()
            .series(jiff::Span::new().days(1))
            .take(366)
            .flat_map(|day| times.iter().map(move |time| day.to_datetime(*time)));
        moments.filter(|moment| *moment > at).find(|moment| self.reachable(moment.date(), moment.time()))
    }
}

impl Directory {
    /// Every way to reach this person.
    pub fn channels_of<'a>(&'a self, contact: &'a str) -> impl Iterator<Item = (&'a Target, ChannelKind)> {
        let theirs = move |target: &&Target| target.contact.as_deref() == Some(contact);
        self.channels.iter().map(|(target, kind)| (target, *kind)).filter(move |(target, _)| theirs(target))
    }

    /// Who is asked in place of `target` at this time: while its contact is away, the sitter, by
    /// channels of the same kind if there are any, or else by all. Empty if nobody stands in.
    pub fn stand_ins(&self, target: &Target, at: DateTime) -> Vec<Target> {
        self.sitter_ways(target, |contact| contact.absence_at(at))
    }

    /// The same for a whole day of which its contact is away for a part at least.
    pub fn stand_ins_on(&self, target: &Target, day: Date) -> Vec<Target> {
        self.sitter_ways(target, |contact| contact.absence(day))
    }

    fn sitter_ways(&self, target: &Target, away: impl Fn(&Contact) -> Option<&Absence>) -> Vec<Target> {
        let contact = target.contact.as_ref().and_then(|name| self.contacts.get(name));
        let Some(sitter) = contact.and_then(|contact| away(contact)?.sitter.as_deref()) else {
            return Vec::new();
        };
        let kind = self.channels.get(target).copied();
        let all: Vec<_> = self.channels_of(sitter).collect();
        let alike = all.iter().any(|(_, of)| Some(*of) == kind);
        let fits = |of: &ChannelKind| !alike || Some(*of) == kind;
        all.into_iter().filter(|(_, of)| fits(of)).map(|(target, _)| target.clone()).collect()
    }
}

/// What a channel can carry.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChannelKind {
    /// Subject, plain text and HTML.
    Mail,
    /// A title and a body.
    Push,
    /// 160 characters of the GSM alphabet.
    Text,
    /// Noise only; reaches nobody in particular.
    Siren,
    /// Noise only, at one person's ear: wakes them for what another channel says.
    Ring,
}

//! People and the ways to reach them: what the agent's configuration tells the plan.

use crate::time::Span;
use jiff::civil::{Date, Time};
use std::collections::BTreeMap;
use std::fmt;

/// One way to reach someone, as written in a step: `ines.push`, or `siren` for a channel that
/// belongs to nobody.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Target {
    /// The person, if it is a person's.
    pub contact: Option<String>,
    /// The channel's name.
    pub channel: String,
}

impl fmt::Display for Target {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.contact {
            Some(contact) => write!(f, "{contact}.{}", self.channel),
            None => f.write_str(&self.channel),
        }
    }
}

impl Target {
    /// Reads `contact.channel` or `channel`.
    pub fn parse(text: &str) -> Self {
        match text.split_once('.') {
            Some((contact, channel)) => {
                Self { contact: Some(contact.to_owned()), channel: channel.to_owned() }
            }
            None => Self { contact: None, channel: text.to_owned() },
        }
    }
}

/// Who can be told, and when.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Directory {
    /// People by the name that rule files use.
    pub contacts: BTreeMap<String, Contact>,
    /// Every way to reach them, and every siren.
    pub channels: BTreeMap<Target, ChannelKind>,
}

/// A person.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Contact {
    /// As pages say it.
    pub name: String,
    /// When this person may be called; always if empty.
    pub hours: Vec<Hours>,
    /// First and last day of each absence, local dates, both included.
    pub away: Vec<(Date, Date)>,
    /// How many pages each of this person's channels may carry, by the channel's name; any
    /// number if it is not named.
    pub quotas: BTreeMap<String, Quota>,
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

/// A daily stretch of local time, from inclusive, until exclusive; wraps over midnight if
/// `until <= from`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hours {
    /// Begins.
    pub from: Time,
    /// Ends.
    pub until: Time,
}

impl Hours {
    /// Whether the stretch covers this time of day.
    pub fn cover(&self, time: Time) -> bool {
        if self.from < self.until {
            self.from <= time && time < self.until
        } else {
            time >= self.from || time < self.until
        }
    }
}

impl Directory {
    /// How many pages this way may carry, if that is limited.
    pub fn quota(&self, target: &Target) -> Option<&Quota> {
        self.contacts.get(target.contact.as_ref()?)?.quotas.get(&target.channel)
    }
}

impl Contact {
    /// Whether the person may be called at this local date and time.
    pub fn reachable(&self, date: Date, time: Time) -> bool {
        let away = self.away.iter().any(|(first, last)| *first <= date && date <= *last);
        !away && (self.hours.is_empty() || self.hours.iter().any(|hours| hours.cover(time)))
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
}

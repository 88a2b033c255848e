//! What things are called inside: places in the plan's lists, numbers of records, and who said
//! something. Rule files and records use names; these stand below everything that uses them.

use serde::{Deserialize, Serialize};
use std::fmt;

/// The number of a record: counts up for the life of a site. What is planned by a record is known
/// by its number: an episode, a call-out, a page, a switching.
pub type Seq = u64;

/// Who did something, and by which way: `ines` by `socket`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct By {
    /// A contact's name, or what the person is known by.
    pub who: String,
    /// `socket`, `text`, `web` …
    pub via: String,
}

impl fmt::Display for By {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({})", self.who, way_in_words(&self.via))
    }
}

/// A way by which somebody answered, as people say it.
pub fn way_in_words(via: &str) -> &str {
    match via {
        "socket" => "at the watch's computer",
        "text" => "by text",
        "mail" => "by mail",
        "web" => "on the page in the house",
        "button" => "by a button",
        "MQTT" => "by a message to the broker",
        "check-in" => "by check-in",
        "rehearsal" => "in the rehearsal",
        other => other,
    }
}

macro_rules! ids {
    ($($(#[$doc:meta])* $name:ident),* $(,)?) => { $(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(pub u32);

        impl $name {
            /// The place in the plan's list.
            pub fn index(self) -> usize {
                self.0 as usize
            }
        }
    )* };
}

ids! {
    /// A tank's place in `Plan::tanks`.
    TankId,
    /// A sensor's place in `Plan::sensors`.
    SensorId,
    /// A relay's place in `Plan::relays`.
    RelayId,
    /// An alarm's place in `Plan::alarms`.
    AlarmId,
    /// A call-out policy's place in `Plan::callouts`.
    CalloutId,
    /// A watched site's place in `Plan::watched`.
    WatchedId,
    /// A battery's place in `Plan::batteries`.
    BatteryId,
}

/// One way to reach someone, as written in a step: `ines.push`, or `siren` for a channel that
/// belongs to nobody.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(into = "String", from = "String")]
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

impl From<Target> for String {
    fn from(target: Target) -> Self {
        target.to_string()
    }
}

impl From<String> for Target {
    fn from(text: String) -> Self {
        Self::parse(&text)
    }
}

/// The finaliser of SplitMix64 (Steele, Lea and Flood 2014): every input bit moves every
/// output bit.
pub(crate) fn mix(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

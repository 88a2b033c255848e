//! What stands in the house: tanks, sensors and what feeds them, gear, batteries, and the parts of
//! the watch itself. Conditions speak of these, and the plan is made of them; nothing here knows a
//! rule.

mod equipment;
mod feed;
mod help;
mod possible;

pub use equipment::{Air, Battery, Device, Gear};
pub use feed::{Feed, Source, SupplyReading, UpsReading};
pub use help::{Callee, Help, Phone, WithoutMains};
pub(crate) use possible::{lies_elsewhere, possible};

use crate::forecast::oxygen::Stocking;
use crate::ids::{BatteryId, RelayId, SensorId, TankId, Target};
use crate::reading::{Mapping, Value};
use crate::time::{Now, Span};
use crate::units::{Dimension, Scale};
use jiff::civil::Time;
use std::fmt;

/// What can be looked up of a house, by whoever words a condition.
pub trait Site {
    /// A tank of it.
    fn tank(&self, id: TankId) -> &Tank;
    /// A sensor of it.
    fn sensor(&self, id: SensorId) -> &Sensor;
    /// A battery of it.
    fn battery(&self, id: BatteryId) -> &Battery;
    /// The name of a relay.
    fn relay_name(&self, id: RelayId) -> &str;
    /// The same as people read it.
    fn relay_title(&self, id: RelayId) -> &str;
    /// Whether this sensor stands for another site's check-ins.
    fn is_for_watched(&self, id: SensorId) -> bool;
    /// Whatever has this name in the rule file, as people read it: a sensor with its tank.
    fn spoken(&self, name: &str) -> Option<String>;
}

/// A system of water.
#[derive(Clone, Debug, PartialEq)]
pub struct Tank {
    /// Unique in the site.
    pub name: String,
    /// As people read it: the key with spaces if nobody gave it one.
    pub title: String,
    /// m3, if given.
    pub volume: Option<f64>,
    /// ppt, if given.
    pub salinity: Option<f64>,
    /// How much lives in it.
    pub stocking: Stocking,
    /// When its lights are meant to be on, local time.
    pub photoperiod: Option<Hours>,
    /// What the forecasts know of its gear.
    pub gear: Gear,
    /// What a helper needs to know of it.
    pub help: Help,
}

/// A named measured quantity.
#[derive(Clone, Debug)]
pub struct Sensor {
    /// Unique in the site.
    pub name: String,
    /// As people read it: the key with spaces if nobody gave it one.
    pub title: String,
    /// Where its readings come from.
    pub feed: Feed,
    /// How its payloads are to be understood.
    pub mapping: Mapping,
    /// Where its sender says whether it is there, if it does.
    pub available: Option<Box<Availability>>,
    /// The tank it belongs to; site-wide if none.
    pub tank: Option<TankId>,
    /// What it measures.
    pub measure: Measure,
    /// How its numbers are shown.
    pub scale: Scale,
    /// How often it is meant to report.
    pub every: Span,
    /// Silent for longer than this is stale.
    pub stale_after: Span,
    /// Lowest and highest believable value, base units.
    pub plausible: Option<(f64, f64)>,
    /// Values that mean "nothing to say", base units.
    pub reject: Vec<f64>,
    /// The fastest believable change, base units per second.
    pub max_rate: Option<f64>,
    /// A value unmoved for this long is not believed.
    pub frozen_after: Option<Span>,
    /// The band that the animals should live in, base units; for the review.
    pub limits: Option<(f64, f64)>,
    /// The smallest step that its numbers show, base units.
    pub resolution: Option<f64>,
    /// The radio, board, bus or UPS server that carries several sensors and fails as one.
    pub gateway: Option<String>,
}

/// Where the sender of a sensor says whether it is there: usually a message that the broker keeps,
/// and says itself when the sender falls silent (MQTT 5.0, section 3.1.2.5: the Will Message).
#[derive(Clone, Debug, PartialEq)]
pub struct Availability {
    /// Its topic.
    pub topic: String,
    /// How it says so: the first word means that it is there, the second that it is not.
    pub mapping: Mapping,
}

impl Availability {
    /// Whether the sender is there, by this payload; none if it says neither.
    pub fn read(&self, payload: &[u8], now: &Now) -> Option<bool> {
        match self.mapping.read(payload, now).ok()?.value {
            Value::Word(place) => Some(place == 0),
            Value::Number(_) => None,
        }
    }
}

/// What a sensor measures: the quantity, and with it what work on a tank may pause.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Measure {
    /// As written after `measures`.
    pub name: &'static str,
    /// Of its numbers; [`Dimension::NUMBER`] for words.
    pub dimension: Dimension,
    /// Whether it says words (on, off) instead of numbers.
    pub words: bool,
}

/// Something that the watch rests on, and that can fail as one: most of it carries readings.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sight {
    /// All of MQTT: every sensor that a topic feeds.
    Broker,
    /// All sensors behind this gateway or source.
    Gateway(String),
    /// One sensor.
    Sensor(SensorId),
    /// A part of the agent itself.
    Part(Part),
}

/// A part of the agent itself, which can fail while the watch goes on.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// The journal: what happens is kept in memory only.
    Journal,
    /// The wall clock: times of day and dates may be wrong.
    Clock,
    /// Files that were not taken, and what they set up and can't be used: the watch goes on with
    /// what is sound.
    Settings,
    /// Alarms and relays that cause each other without an end.
    Rules,
    /// The mailbox in which answers arrive.
    Mailbox,
    /// One way to a person.
    Channel(Target),
}

impl fmt::Display for Part {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Journal => f.write_str("journal"),
            Self::Clock => f.write_str("clock"),
            Self::Settings => f.write_str("settings"),
            Self::Rules => f.write_str("rules"),
            Self::Mailbox => f.write_str("mailbox"),
            Self::Channel(target) => write!(f, "{target}"),
        }
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

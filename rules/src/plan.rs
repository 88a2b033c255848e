//! The checked plan: what a rule file and the people of the agent's configuration come to.
//! A rule file is read *as written* (every key with its place in the text), and becomes a
//! [`Plan`] only if nothing at all is wrong with it. A plan can't express anything half-valid:
//! names have become indices, quantities are in base units, conditions are typed. The engine
//! trusts it without looking back.

mod advice;
mod alarm;
mod asked;
mod callout;
mod card;
mod carries;
mod causes;
mod check;
mod context;
pub(crate) mod coverage;
mod drill;
mod equipment;
mod hazard;
mod health;
mod help;
mod loss_alarms;
mod loss_card;
mod measure;
mod output_check;
mod outputs;
mod people;
mod rationalise;
mod relay;
mod schema;
mod sensor;
mod sensor_mapping;
mod sensor_source;
mod shelf;
mod tank;
mod title;
mod watched;
pub mod ways;

pub use crate::diagnostic::{
    At, FINDINGS_VERSION, Finding, FindingView, FindingsView, PlaceView, Severity, render,
};
pub use carries::{CarriedForecast, FALSE_ALARMS, FalseAlarms, SeenOfTank};
pub use check::{Checked, RuleTexts, Surroundings, key_in_site};
pub(crate) use health::HEALTH;
pub use measure::usual_range;
pub use output_check::{clashes, clashes_in_words};
pub use outputs::{
    Clash, ClashKind, Output, Payloads, Publisher, Register, is_same_payload, means_the_opposite,
    output_topic_fault,
};
pub use people::{Absence, ChannelKind, Contact, Directory, HushButton, Quota, SirenLimits};
pub use schema::{schema, schema_text};
pub use shelf::{LONGEST_SHELF, LONGEST_SHELF_OF_CRITICAL};
pub(crate) use title::spoken;
pub use watched::{CHECK_INS, SILENT, is_site_name};

use crate::alarm::Priority;
use crate::card::Card;
use crate::condition::Condition;
use crate::time::Span;
use crate::units::Dimension;
use jiff::civil::{Time, Weekday};
use jiff::tz::TimeZone;
use std::borrow::Cow;
use std::collections::BTreeMap;

pub use crate::ids::{AlarmId, BatteryId, CalloutId, RelayId, SensorId, TankId, Target, WatchedId};
pub use crate::site::{
    Air, Battery, Callee, Device, Feed, Gear, Help, Hours, Measure, Part, Phone, Sensor, Sight, Site, Source,
    SupplyReading, Tank, UpsReading, WithoutMains,
};
pub use slackwater_forecast::oxygen::Stocking;

/// One site: what there is to watch, when to ring, whom to tell.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The site's name, as pages say it.
    pub site: String,
    /// What a helper needs to know of it.
    pub help: Help,
    /// How long its own gear goes on while the mains are out.
    pub without_mains: WithoutMains,
    /// Height above the sea, m; 0 if nobody said.
    pub altitude: f64,
    /// Shows whether the mains are on.
    pub mains: Option<SensorId>,
    /// The zone that times of day are meant in.
    pub zone: TimeZone,
    /// In the order of the file, as are all lists here.
    pub tanks: Vec<Tank>,
    /// All sensors.
    pub sensors: Vec<Sensor>,
    /// All relays.
    pub relays: Vec<Relay>,
    /// All batteries.
    pub batteries: Vec<Battery>,
    /// How long a loss of sight alone may last before people are told, if the keeper says so; by
    /// the danger that it hides if not.
    pub sight_pages_after: Option<Span>,
    /// The keeper's alarms, then those that the plan adds for lost sight and for the agent's own
    /// health.
    pub alarms: Vec<Alarm>,
    /// All call-out policies.
    pub callouts: Vec<Callout>,
    /// Kinds of work by name.
    pub works: BTreeMap<String, Work>,
    /// How often the way to people is tried.
    pub drill: Drill,
    /// Other sites that this watch is the witness of.
    pub watched: Vec<Watched>,
    /// Their places by name: there may be thousands, and each says something every minute.
    pub watched_names: BTreeMap<String, WatchedId>,
    /// Who can be told, from the agent's configuration.
    pub directory: Directory,
}

/// Something the agent can switch over MQTT.
#[derive(Clone, Debug)]
pub struct Relay {
    /// Unique in the site.
    pub name: String,
    /// As people read it: the key with spaces if nobody gave it one.
    pub title: String,
    /// Where commands go.
    pub topic: String,
    /// The payload that switches on.
    pub on: String,
    /// The payload that switches off.
    pub off: String,
    /// The words mean the opposite on purpose: a load that the device cuts by switching on.
    pub inverted: bool,
    /// What switching it on adds to a tank. Only air may ever be added by the agent itself.
    pub moves: Adds,
    /// The state that the agent leaves it in: on only for what adds nothing but air.
    pub safe: bool,
    /// What proves that it is on, and how soon.
    pub proof: Option<ProofRule>,
    /// Switched on only while this is known to be true.
    pub only_if: Option<Condition>,
    /// How long it stays as it is when no alarm wants it any more.
    pub hold: Option<Outlasting>,
    /// The shortest time between two switchings.
    pub pause: Span,
    /// The longest run of one stopgap.
    pub longest: Span,
}

/// How long a stopgap outlasts its alarms. Its longest run is a bound in any case.
#[derive(Clone, Debug)]
pub struct Outlasting {
    /// Until this has been seen to be true.
    pub until: Option<Condition>,
    /// No longer than this.
    pub at_most: Option<Span>,
}

/// What a relay adds to the water while it is on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Adds {
    /// An air pump: may be switched on and off.
    Air,
    /// A heater: may only be switched off.
    Heat,
    /// A top-off or dosing pump, or any pump that moves water: may only be switched off.
    Water,
    /// A light: may only be switched off.
    Light,
}

/// How a relay is known to have obeyed.
#[derive(Clone, Debug)]
pub struct ProofRule {
    /// True while the relay is really on.
    pub condition: Condition,
    /// How long it may take.
    pub within: Span,
}

/// A condition that calls for a person's timely response.
#[derive(Clone, Debug)]
pub struct Alarm {
    /// Unique in the site.
    pub name: String,
    /// What is wrong, as people read it: its own, its hazard's, or the key with spaces.
    pub title: String,
    /// The tank whose lives depend on it; site-wide if none.
    pub tank: Option<TankId>,
    /// Rings while this is true.
    pub condition: Condition,
    /// The condition as the keeper wrote it.
    pub written: String,
    /// While this is true too, it is worse: an acknowledged call-out resumes.
    pub worse: Option<Box<Condition>>,
    /// How far back inside its limits a value must come before it counts as returned:
    /// applied to comparisons of this dimension, base units.
    pub deadband: Option<(Dimension, f64)>,
    /// True for this long before it is raised.
    pub on_delay: Span,
    /// False for this long before it returns to normal.
    pub off_delay: Span,
    /// How much it matters.
    pub priority: Priority,
    /// Stays until a person resets it, although the condition has gone.
    pub latching: bool,
    /// For how long it may be shelved, if the keeper says so.
    pub longest_shelf: Option<Span>,
    /// What usually causes it.
    pub cause: Option<Cow<'static, str>>,
    /// What follows if nobody acts.
    pub consequence: Option<Cow<'static, str>>,
    /// What to do.
    pub response: Card,
    /// How long a person has to act.
    pub time_to_respond: Option<Span>,
    /// Who is told. An alarm without one is only recorded.
    pub callout: Option<CalloutId>,
    /// Alarms whose episode explains this one.
    pub consequence_of: Vec<AlarmId>,
    /// Those of them with which it comes as expected, so that it breaks no answer to them.
    pub expected: Vec<AlarmId>,
    /// What the agent itself does about it.
    pub stopgap: Option<Stopgap>,
    /// The hazard it was made from.
    pub hazard: Option<&'static str>,
    /// What it watches instead of readings, for the alarms that the plan adds.
    pub sight: Option<Sight>,
    /// The other site that it is about.
    pub watched: Option<WatchedId>,
}

/// Another site, of which this watch is the witness. Its alarms and sensors are in the plan's
/// lists.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Watched {
    /// As its check-ins name it: unique here.
    pub name: String,
    /// As pages say it.
    pub title: String,
    /// The public half of the key that its check-ins are signed with: base64url, 32 bytes.
    pub key: String,
    /// Says "here" with every check-in.
    pub sensor: SensorId,
    /// Says whether the site asks for help, if its alarms are handed on.
    pub asks: Option<SensorId>,
}

/// A relay command that buys time in an episode.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stopgap {
    /// What to switch.
    pub relay: RelayId,
    /// On or off.
    pub on: bool,
}

/// The timeline of who is told, how and when.
#[derive(Clone, Debug, PartialEq)]
pub struct Callout {
    /// Unique in the site.
    pub name: String,
    /// At least one, in order of time.
    pub steps: Vec<Rung>,
    /// The last step repeats this often until someone answers.
    pub again: Span,
    /// An answer holds this long while the alarm still stands.
    pub lease: Span,
    /// No answer holds longer, whatever time the person names: not shorter than the lease.
    pub longest_lease: Span,
    /// When an answer has run out, whoever gave it is asked alone for this long.
    pub renew: Span,
    /// Nothing in it has stood for this long before the all-clear goes out: what comes and
    /// goes within it is one call-out.
    pub settle: Span,
    /// Low-priority pages raised between these times of day wait for the second of them.
    pub quiet: Option<Hours>,
}

/// One rung of a call-out.
#[derive(Clone, Debug, PartialEq)]
pub struct Rung {
    /// Since the call-out began.
    pub after: Span,
    /// Told side by side.
    pub to: Vec<Target>,
}

/// How often the way to people is tried, so that it is known to work before the night.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Drill {
    /// When test pages go to everyone; not by themselves if none.
    pub pages: Option<Weekly>,
    /// A test page that is not answered within this has not proved its channel.
    pub within: Span,
    /// An outage drill older than this is due again; never if none.
    pub outage: Option<Span>,
}

/// A time of the week, local.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Weekly {
    /// The day.
    pub day: Weekday,
    /// The time of day.
    pub time: Time,
}

/// A declared spell of maintenance or feeding.
#[derive(Clone, Debug, PartialEq)]
pub struct Work {
    /// Names of measures whose alarms on the tank are suppressed meanwhile.
    pub pauses: Vec<String>,
    /// It ends by itself after this long at the latest.
    pub longest: Span,
    /// Buttons that begin it, and end it if it is going on.
    pub buttons: Vec<Button>,
}

/// A button beside a tank that says which work begins or ends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Button {
    /// The MQTT topic that it speaks on.
    pub topic: String,
    /// What it says when it is pressed; anything else means nothing.
    pub press: String,
    /// The tank that it stands at.
    pub tank: TankId,
}

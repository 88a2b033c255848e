//! What the engine knows, for people: everything `status` shows, and the reasons that
//! `explain` gives. Looking changes nothing.

mod explain;
mod house;
mod look;
mod self_report;

pub use house::{HouseView, OpenCall, OpenMatter, PutAside, RelayInHand, SeenReading, WaterAhead};

use super::drills::DrillsView;
use super::outage::OutageView;
use crate::alarm::Priority;
use crate::ids::Seq;
use crate::record::{Estimated, Purpose};
use crate::time::{Now, Span};
use serde::Serialize;

/// All of it, at one moment. A versioned form of its own, made to be printed and sent.
#[derive(Clone, Debug, Serialize)]
pub struct Status {
    /// The site.
    pub site: String,
    /// Its tanks as people read them, in the order of the plan.
    pub tanks: Vec<String>,
    /// When, in words of the site: `Saturday 24 October, 02:14`.
    pub time: String,
    /// When.
    pub at: Now,
    /// Why the broker can't be heard, if so.
    pub deaf: Option<String>,
    /// In the order of the plan.
    pub sensors: Vec<SensorView>,
    /// In the order of the plan.
    pub alarms: Vec<AlarmView>,
    /// The oldest first.
    pub calls: Vec<CallView>,
    /// Those under the agent's hand, and those for which the broker keeps a command.
    pub relays: Vec<RelayView>,
    /// Work going on: tank, kind, and how long it still may.
    pub works: Vec<(String, String, Span)>,
    /// What is foretold of tanks and batteries.
    pub estimates: Vec<Estimated>,
    /// The earliest first.
    pub deadlines: Vec<DeadlineView>,
    /// What test pages and outage drills have shown; none if there are none.
    pub drills: Option<DrillsView>,
    /// The outage drill that goes on, or the last one of this life.
    pub outage: Option<OutageView>,
}

/// A sensor.
#[derive(Clone, Debug, Serialize)]
pub struct SensorView {
    /// Its name.
    pub name: String,
    /// Its tank or the site.
    pub place: String,
    /// As people read it: `return flow`.
    pub title: String,
    /// Its tank as people read it; none if it is of the whole site.
    pub tank: Option<String>,
    /// What it says, for people: `24.4 °C`, `off`.
    pub shown: Option<String>,
    /// Where it goes, if that is worth a word: `falling 0.7 °C an hour`, `steady`.
    pub trend: Option<String>,
    /// The last believed value with its unit, or the word.
    pub value: Option<String>,
    /// `good`, `suspect`, `stale`, `old`, `absent`.
    pub quality: String,
    /// What speaks against it.
    pub why: Option<String>,
    /// Since the last live message.
    pub age: Option<Span>,
    /// Readings that were not believed, since the start.
    pub rejected: u64,
}

/// An alarm.
#[derive(Clone, Debug, Serialize)]
pub struct AlarmView {
    /// Its name.
    pub name: String,
    /// Its tank or the site.
    pub place: String,
    /// Where and what, as people read it: `Lagoon: the water is too cold`.
    pub title: String,
    /// What it rests on now, while it stands: `23.1 °C, limit 24 °C`; empty if there is nothing to
    /// say.
    pub reading: String,
    /// What the rule file says may be behind it.
    pub cause: Option<String>,
    /// How much it matters.
    pub priority: Priority,
    /// In the words of the standard.
    pub state: String,
    /// `true`, `false`, `unknown`.
    pub truth: &'static str,
    /// The open episode's code.
    pub code: Option<String>,
    /// How long it has stood.
    pub stood: Option<Span>,
    /// Since when, on the clock of the site: `01:10`.
    pub since: Option<String>,
    /// It keeps coming and going.
    pub chattering: bool,
    /// Who put it aside, why, and for how long still.
    pub aside: Option<String>,
}

/// A call-out.
#[derive(Clone, Debug, Serialize)]
pub struct CallView {
    /// Its number.
    pub id: Seq,
    /// The policy.
    pub policy: String,
    /// Why it runs.
    pub purpose: Purpose,
    /// What answers it.
    pub code: String,
    /// Alarms in it, each with what became of it, by their names.
    pub about: Vec<String>,
    /// The same as people read them.
    pub titles: Vec<String>,
    /// Whoever has it, until when: `Ines takes care of it until 02:32`.
    pub held: Option<String>,
    /// What comes next, in words.
    pub next: String,
    /// In how long.
    pub due: Option<Span>,
    /// Who was told, how, and what came of it.
    pub told: Vec<String>,
    /// Who answered lately, by which way, and when.
    pub answered: Vec<String>,
}

/// A relay under the agent's hand, or of which there is something to say.
#[derive(Clone, Debug, Serialize)]
pub struct RelayView {
    /// Its name.
    pub name: String,
    /// As people read it.
    pub title: String,
    /// What was commanded, and whether it is proved; nothing if the agent has no hand in it.
    pub state: Option<String>,
    /// The command that the broker keeps for it, if it does: a device that connects obeys it.
    pub kept: Option<String>,
}

/// A deadline.
#[derive(Clone, Debug, Serialize)]
pub struct DeadlineView {
    /// In how long.
    pub due: Span,
    /// Why, in words.
    pub reason: String,
}

/// Why an alarm rings or doesn't.
#[derive(Clone, Debug, Serialize)]
pub struct Explanation {
    /// The alarm as `status` shows it.
    pub alarm: AlarmView,
    /// As the keeper wrote it.
    pub written: String,
    /// The same by titles, as people read it.
    pub in_words: String,
    /// The condition's parts with their values: depth, words, truth.
    pub reasons: Vec<(usize, String, &'static str)>,
    /// The same of what makes it worse, and breaks through an answer; empty if nothing does.
    pub worse: Vec<(usize, String, &'static str)>,
    /// What would change it, and when.
    pub change: Vec<String>,
}

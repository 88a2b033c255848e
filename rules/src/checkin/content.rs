//! What there is to say: from the engine's status and the loop's own health to the lines of a
//! check-in, cut to a size that a witness takes.

use super::form::{CheckIn, Dark, LastReading, OpenAlarm, Planned};
use crate::engine::{Engine, Status};
use crate::time::{Now, Span};
use std::cmp::Reverse;

/// So many alarms and readings are told; of the rest, how many they are.
const MOST_ALARMS: usize = 8;
const MOST_READINGS: usize = 24;

/// How the site knows that it will go dark.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GoesDark {
    /// While this alarm stands.
    pub alarm: String,
    /// So long after its condition came true.
    pub after: Span,
}

/// What a check-in is made from.
#[derive(Debug)]
pub struct CheckinFacts<'a> {
    /// The watch.
    pub engine: &'a Engine,
    /// What is wrong with its parts, in words.
    pub troubles: Vec<String>,
    /// The watch is being stopped, and why.
    pub stopping: Option<&'a str>,
}

impl CheckinFacts<'_> {
    /// The part of a check-in that says how things are. `mains` is the sensor that says whether the
    /// house has power.
    pub fn tell(&self, mains: Option<&str>, dark: Option<&GoesDark>, now: &Now, form: CheckIn) -> CheckIn {
        let status = self.engine.status(*now);
        let mut open = open(&status);
        let more = open.len().saturating_sub(MOST_ALARMS);
        open.truncate(MOST_ALARMS);
        let good = status.sensors.iter().filter(|sensor| sensor.quality == "good").count();
        let silence = self.engine.silence_at(now.mono).map(|silence| Planned {
            left: silence.until - now.mono,
            why: silence.why.clone(),
            who: silence.by.who.clone(),
        });
        let stopping = || {
            let why = self.stopping?;
            Some(Dark { left: Span::ZERO, why: format!("its watch was stopped, {why}") })
        };
        CheckIn {
            mains: mains.and_then(|mains| word(&status, mains)),
            open,
            more,
            asks: self.engine.reaches_nobody(),
            sensors: (status.sensors.len(), good),
            readings: readings(&status, mains),
            troubles: self.troubles.clone(),
            silence,
            dark: stopping().or_else(|| dark.and_then(|dark| goes(&status, dark))),
            ..form
        }
    }
}

fn open(status: &Status) -> Vec<OpenAlarm> {
    let standing = status.alarms.iter().filter_map(|alarm| {
        Some(OpenAlarm {
            name: alarm.name.clone(),
            place: alarm.place.clone(),
            priority: alarm.priority,
            stood: alarm.stood?,
            answered: alarm.state == "acknowledged",
        })
    });
    let mut open: Vec<_> = standing.collect();
    open.sort_by_key(|alarm| (Reverse(alarm.priority), Reverse(alarm.stood)));
    open
}

/// What a sensor says now: nothing if that can't be believed.
fn word(status: &Status, name: &str) -> Option<String> {
    let sensor = status.sensors.iter().find(|sensor| sensor.name == name && sensor.quality == "good")?;
    sensor.value.clone()
}

fn readings(status: &Status, mains: Option<&str>) -> Vec<LastReading> {
    let told = status.sensors.iter().filter(|sensor| Some(sensor.name.as_str()) != mains);
    told.filter_map(|sensor| {
        Some(LastReading { sensor: sensor.name.clone(), value: sensor.value.clone()?, age: sensor.age? })
    })
    .take(MOST_READINGS)
    .collect()
}

fn goes(status: &Status, dark: &GoesDark) -> Option<Dark> {
    let stood = status.alarms.iter().find(|alarm| alarm.name == dark.alarm)?.stood?;
    Some(Dark { left: (dark.after - stood).max(Span::ZERO), why: dark.alarm.clone() })
}

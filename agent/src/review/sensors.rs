//! What the sensors said. Minutes of readings flow in, in order of time; one [`SensorReview`]
//! a sensor flows out. A believed value holds until the next, but no longer than the sensor's
//! own time to stale: what lies beyond is unknown, and no line is drawn over it.

use super::in_gaps::InGaps;
use super::{Extreme, Gap, Note, Outside, ReviewSpan, SensorReview, Stamp, Words};
use crate::journal::{Minute, Values};
use jiff::tz::TimeZone;
use slackwater_rules::plan::{Plan, Sensor};
use slackwater_rules::reading::Content;
use slackwater_rules::time::{Span, Wall};
use std::collections::BTreeMap;

/// How long a value holds if no plan says how often the sensor reports.
const HOLD: Span = Span::minutes(5);

const MINUTE: Span = Span::minutes(1);

pub(super) struct SensorTallies<'a> {
    plan: Option<&'a Plan>,
    window: ReviewSpan,
    zone: &'a TimeZone,
    gaps: &'a [Gap],
    seen: BTreeMap<String, SensorTrack<'a>>,
}

#[derive(Default)]
struct SensorTrack<'a> {
    sensor: Option<&'a Sensor>,
    readings: u64,
    rejected: u64,
    lowest: Option<(f64, Wall, bool)>,
    highest: Option<(f64, Wall, bool)>,
    known: Span,
    below: Span,
    above: Span,
    /// Until when time has been counted: dates that are not sure may overlap.
    counted: Wall,
    last: Option<(Wall, Values)>,
    changes: u64,
    in_gaps: InGaps,
}

impl<'a> SensorTallies<'a> {
    pub(super) fn new(
        plan: Option<&'a Plan>,
        window: ReviewSpan,
        zone: &'a TimeZone,
        gaps: &'a [Gap],
    ) -> Self {
        let planned = plan.iter().flat_map(|plan| &plan.sensors);
        let seen =
            planned.map(|s| (s.name.clone(), SensorTrack { sensor: Some(s), ..SensorTrack::default() }));
        Self { plan, window, zone, gaps, seen: seen.collect() }
    }

    pub(super) fn take(&mut self, name: &str, minute: &Minute) {
        let window = self.window;
        match self.seen.get_mut(name) {
            Some(track) => {
                if let Some(sensor) = track.sensor {
                    track.in_gaps.take(sensor, minute, self.gaps);
                }
                track.take(minute, window);
            }
            None => self.seen.entry(name.to_owned()).or_default().take(minute, window),
        }
    }

    /// What each said, and what was outside its limits while nobody saw it.
    pub(super) fn finish(mut self) -> (Vec<SensorReview>, Vec<Note>) {
        let mut notes = Vec::new();
        let mut order: Vec<String> = Vec::new();
        if let Some(plan) = self.plan {
            order.extend(plan.sensors.iter().map(|sensor| sensor.name.clone()));
        }
        order.extend(self.seen.iter().filter(|(_, t)| t.sensor.is_none()).map(|(name, _)| name.clone()));
        let mut reviews = Vec::new();
        for name in order {
            if let Some(mut track) = self.seen.remove(&name) {
                track.hold(self.window.until, self.window);
                if let Some(sensor) = track.sensor {
                    notes.extend(std::mem::take(&mut track.in_gaps).notes(sensor, self.gaps, self.zone));
                }
                reviews.push(track.review(name, self.plan, self.window, self.zone));
            }
        }
        (reviews, notes)
    }
}

impl SensorTrack<'_> {
    fn take(&mut self, minute: &Minute, window: ReviewSpan) {
        self.readings += u64::from(minute.count);
        self.rejected += u64::from(minute.rejected);
        let Some(values) = minute.values else { return };
        self.hold(minute.wall, window);
        match values {
            Values::Numbers { lowest, highest, .. } => {
                if self.lowest.is_none_or(|(known, ..)| lowest < known) {
                    self.lowest = Some((lowest, minute.wall, minute.sure));
                }
                if self.highest.is_none_or(|(known, ..)| highest > known) {
                    self.highest = Some((highest, minute.wall, minute.sure));
                }
            }
            Values::Words { first, changes, .. } => {
                let before = self.last.map(|(_, values)| values);
                let differs = matches!(before, Some(Values::Words { last, .. }) if last != first);
                self.changes += u64::from(changes) + u64::from(differs);
            }
        }
        self.last = Some((minute.wall, values));
    }

    /// Counts the time from the last believed minute until `next`, as far as its value holds.
    fn hold(&mut self, next: Wall, window: ReviewSpan) {
        let Some((from, values)) = self.last else { return };
        let stale = self.sensor.map_or(HOLD, |sensor| sensor.stale_after);
        let to = next.min(from + stale.max(MINUTE)).min(window.until);
        let span = to - from.max(window.since).max(self.counted);
        if span <= Span::ZERO {
            return;
        }
        self.counted = to;
        self.known = self.known + span;
        let limits = self.sensor.and_then(|sensor| sensor.limits);
        if let (Some((lower, upper)), Values::Numbers { mean, .. }) = (limits, values) {
            if mean < lower {
                self.below = self.below + span;
            } else if mean > upper {
                self.above = self.above + span;
            }
        }
    }

    fn review(self, name: String, plan: Option<&Plan>, window: ReviewSpan, zone: &TimeZone) -> SensorReview {
        let scale = self.sensor.map(|sensor| &sensor.scale);
        let show = |x: f64| scale.map_or_else(|| format!("{x:.3}"), |scale| scale.show(x));
        let extreme = |found: Option<(f64, Wall, bool)>| {
            found.map(|(base, wall, sure)| {
                let value = scale.map_or(base, |scale| scale.unit.from_base(base));
                // Nine digits hide what converting units leaves behind.
                let value = (value * 1e9).round() / 1e9;
                Extreme { value, shown: show(base), at: Stamp::new(wall, sure, zone) }
            })
        };
        let outside = self.sensor.and_then(|sensor| sensor.limits).map(|(lower, upper)| Outside {
            lower: show(lower),
            upper: show(upper),
            below: self.below,
            above: self.above,
            unknown: (window.until - window.since) - self.known,
        });
        let words = match self.last {
            Some((_, Values::Words { last, .. })) => {
                Some(Words { last: word(self.sensor, last), changes: self.changes })
            }
            Some((_, Values::Numbers { .. })) | None => None,
        };
        SensorReview {
            sensor: name,
            place: self.sensor.zip(plan).map(|(sensor, plan)| plan.place(sensor.tank).to_owned()),
            unit: scale.map(|scale| scale.name.clone()).filter(|name| !name.is_empty()),
            readings: self.readings,
            rejected: self.rejected,
            known: self.known,
            lowest: extreme(self.lowest),
            highest: extreme(self.highest),
            outside,
            words,
        }
    }
}

/// The name of a word by its place; the place itself if the plan at hand does not say.
fn word(sensor: Option<&Sensor>, place: u16) -> String {
    let content = sensor.map(|sensor| &sensor.mapping.content);
    match content {
        Some(Content::Words(words)) => {
            words.get(usize::from(place)).map_or_else(|| format!("word {place}"), |word| word.name.clone())
        }
        Some(Content::Number(_)) | None => format!("word {place}"),
    }
}

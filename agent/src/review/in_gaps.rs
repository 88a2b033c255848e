//! What was outside its limits while nobody saw it. Readings that came late, with the time at which
//! they were measured, flow in by minutes; a note for each gap and sensor flows out. It is a line
//! of the review and never a page: what is over can't be helped any more.

use super::{Gap, Note, Stamp};
use crate::journal::{Minute, Values};
use jiff::tz::TimeZone;
use slackwater_rules::plan::Sensor;
use slackwater_rules::time::{Span, Wall};
use std::collections::BTreeMap;

const MINUTE: Span = Span::minutes(1);

/// What one sensor said in gaps.
#[derive(Default)]
pub(super) struct InGaps {
    /// By the place of the gap: how many minutes it was outside, the first of them, the furthest
    /// value.
    outside: BTreeMap<usize, (u32, Wall, f64)>,
}

impl InGaps {
    /// Takes a minute of the sensor.
    pub(super) fn take(&mut self, sensor: &Sensor, minute: &Minute, gaps: &[Gap]) {
        let (Some((low, high)), Some(Values::Numbers { lowest, mean, highest, .. })) =
            (sensor.limits, minute.values)
        else {
            return;
        };
        let further = if mean < low { lowest } else { highest };
        if (low..=high).contains(&mean) {
            return;
        }
        let hides = |gap: &Gap| {
            let of = &*gap.of;
            let carries = matches!(of, "agent" | "broker") || of == sensor.name || is_gateway(of, sensor);
            let ends = gap.to.as_ref().is_some_and(|to| minute.wall + MINUTE <= to.unix_ms);
            carries && gap.from.unix_ms <= minute.wall && ends
        };
        if let Some(nth) = gaps.iter().position(hides) {
            let (minutes, _, furthest) = self.outside.entry(nth).or_insert((0, minute.wall, further));
            *minutes += 1;
            *furthest = if further < low { furthest.min(further) } else { furthest.max(further) };
        }
    }

    /// A note for each gap.
    pub(super) fn notes(self, sensor: &Sensor, gaps: &[Gap], zone: &TimeZone) -> Vec<Note> {
        let note = |(nth, (minutes, first, furthest)): (usize, (u32, Wall, f64))| {
            let gap = gaps.get(nth)?;
            let unseen = match gap.of.as_str() {
                "agent" => "the watch did not run".to_owned(),
                of => format!("{of} was out of sight"),
            };
            let text = format!(
                "{} was outside its limits for {} while {unseen}, up to {}: told afterwards",
                sensor.name,
                Span::minutes(minutes.into()),
                sensor.scale.show(furthest)
            );
            Some(Note { at: Stamp::new(first, true, zone), text })
        };
        self.outside.into_iter().filter_map(note).collect()
    }
}

fn is_gateway(of: &str, sensor: &Sensor) -> bool {
    of.strip_prefix("gateway ").is_some_and(|name| sensor.gateway.as_deref() == Some(name))
}

//! How far a reading went while its alarm stood. The readings that an alarm looks at flow in as it
//! is asked; the lowest or highest of them flows out into the record of its return, for all-clears
//! and the review. It lasts no longer than a life of the watch: after a restart it is that of what
//! was seen since.

use super::Alarms;
use crate::engine::context::Context;
use crate::engine::sensed::Sensed;
use crate::ids::AlarmId;
use crate::plan::Alarm;
use crate::reading::Value;
use crate::record::Farthest;
use crate::time::Moment;
use crate::words;

/// The reading that went farthest, in base units, and when.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Extreme {
    base: f64,
    at: Moment,
}

impl Extreme {
    /// The same or what is read now, whichever is farther; none if the alarm asks for no reading
    /// that goes one way, or this one can't be seen and was not before.
    pub(super) fn with(before: Option<Self>, alarm: &Alarm, world: &Sensed<'_>) -> Option<Self> {
        let (sensor, falls) = alarm.condition.goes_one_way()?;
        let Some(Value::Number(base)) = world.believed(sensor) else { return before };
        let is_farther = |before: &Self| if falls { base < before.base } else { base > before.base };
        let now = Self { base, at: world.now.mono };
        Some(before.filter(|before| !is_farther(before)).unwrap_or(now))
    }
}

impl Alarms {
    /// What the record of its return says.
    pub(super) fn farthest(&self, cx: &Context<'_>, id: AlarmId) -> Option<Farthest> {
        let (sensor, lowest) = cx.plan.alarm(id).condition.goes_one_way()?;
        let Extreme { base, at } = self.entries[id.index()].farthest?;
        let value = words::value(&cx.plan.sensor(sensor).scale, base);
        Some(Farthest { lowest, value, ago: cx.mono() - at })
    }
}

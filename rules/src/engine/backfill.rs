//! What the windows would know had the watch not been away: readings of the past flow in, as the
//! history kept them, and the windows that know nothing yet are filled. Nothing rings by it: only
//! what comes from now on is judged. Other state of readings stays lost on purpose; a fortnight's
//! median is worth nothing if each restart costs a fortnight.

use super::alarms::{Alarms, Recall};
use crate::condition::{Truth, World};
use crate::ids::{AlarmId, SensorId};
use crate::plan::{Plan, Sight};
use crate::reading::Value;
use crate::time::{Moment, Span};

/// Histories are told in minutes.
const MINUTE: Span = Span::minutes(1);

/// The past being told. Ends with [`Recollection::finish`].
#[derive(Debug)]
pub struct Recollection<'e> {
    plan: &'e Plan,
    alarms: &'e mut Alarms,
    open: Vec<(AlarmId, Recall)>,
    said: Vec<Option<(Value, Moment)>>,
    at: Moment,
    now: Moment,
}

impl<'e> Recollection<'e> {
    /// Begins to tell of the time since `since`.
    pub(super) fn begin(plan: &'e Plan, alarms: &'e mut Alarms, since: Moment, now: Moment) -> Self {
        let open = alarms.begin_recall(plan, since, now);
        let said = vec![None; plan.sensors.len()];
        Recollection { plan, alarms, open, said, at: since.min(now), now }
    }

    /// The sensor said this then. In order of time; what comes later than now is left out.
    pub fn hear(&mut self, at: Moment, sensor: SensorId, value: Value) {
        if at > self.now {
            return;
        }
        self.run_to(at);
        if let Some(said) = self.said.get_mut(sensor.index()) {
            *said = Some((value, at));
        }
    }

    /// Up to now nothing more was heard: from here on the windows go on by themselves.
    pub fn finish(mut self) {
        self.run_to(self.now);
        self.tell();
        for (id, recall) in self.open {
            self.alarms.recall(id, recall);
        }
    }

    fn run_to(&mut self, at: Moment) {
        while self.at < at {
            self.tell();
            self.at = (self.at + MINUTE).min(at);
        }
    }

    fn tell(&mut self) {
        let world = Then { plan: self.plan, said: &self.said, at: self.at };
        for (id, recall) in &mut self.open {
            let alarm = self.plan.alarm(*id);
            recall.when.tell(&alarm.condition, &world, self.at);
            if let Some(worse) = &alarm.worse {
                recall.worse.tell(worse, &world, self.at);
            }
        }
    }
}

/// The world as it was.
struct Then<'a> {
    plan: &'a Plan,
    said: &'a [Option<(Value, Moment)>],
    at: Moment,
}

impl World for Then<'_> {
    fn value(&self, sensor: SensorId) -> Option<Value> {
        let (value, said) = self.said[sensor.index()]?;
        // A minute's mean stands for its minute at least.
        let holds = self.plan.sensor(sensor).stale_after.max(MINUTE);
        (self.at - said <= holds).then_some(value)
    }

    fn heard(&self, sensor: SensorId) -> Moment {
        self.said[sensor.index()].map_or(self.at, |(_, said)| said)
    }

    fn good(&self, sensor: SensorId) -> Moment {
        self.heard(sensor)
    }

    fn blind(&self, _: &Sight) -> Truth {
        Truth::Unknown
    }
}

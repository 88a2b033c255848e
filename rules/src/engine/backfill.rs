//! What the windows would know had the watch not been away: readings of the past flow in, as the
//! history kept them, and the windows that know nothing yet are filled. Nothing rings by it: only
//! what comes from now on is judged. Other state of readings stays lost on purpose; a fortnight's
//! median is worth nothing if each restart costs a fortnight.

use super::Engine;
use super::alarms::Recall;
use crate::condition::{Memory, Truth, World};
use crate::plan::{AlarmId, Plan, SensorId, Sight};
use crate::reading::Value;
use crate::time::{Moment, Span};

/// Histories are told in minutes.
const MINUTE: Span = Span::minutes(1);

/// The past being told. Ends with [`Recollection::finish`].
#[derive(Debug)]
pub struct Recollection<'e> {
    engine: &'e mut Engine,
    alarms: Vec<(AlarmId, Recall)>,
    said: Vec<Option<(Value, Moment)>>,
    at: Moment,
}

impl Engine {
    /// How far back the windows reach that know nothing yet: all of them after a start, and those
    /// of changed conditions after another plan was adopted. None if there are none.
    pub fn wants_past(&self) -> Option<Span> {
        self.unremembered.iter().filter_map(|id| self.plan.alarm(*id).windows_reach()).max()
    }

    /// Begins to tell them of the time since `since`, on the present clock. Comes before the first
    /// [`Engine::step`], or right after [`Engine::adopt`].
    pub fn recollect(&mut self, since: Moment) -> Recollection<'_> {
        let (now, plan) = (self.now.mono, &self.plan);
        let told = |condition| Memory::told(condition, since.min(now), now);
        let alarms = std::mem::take(&mut self.unremembered).into_iter();
        let alarms = alarms.filter(|id| plan.alarm(*id).windows_reach().is_some()).map(|id| {
            let alarm = plan.alarm(id);
            let worse = alarm.worse.as_ref().map(told).unwrap_or_default();
            (id, Recall { when: told(&alarm.condition), worse })
        });
        let alarms = alarms.collect();
        Recollection { alarms, said: vec![None; self.plan.sensors.len()], at: since.min(now), engine: self }
    }
}

impl Recollection<'_> {
    /// The sensor said this then. In order of time; what comes later than now is left out.
    pub fn hear(&mut self, at: Moment, sensor: SensorId, value: Value) {
        if at > self.engine.now.mono {
            return;
        }
        self.run_to(at);
        if let Some(said) = self.said.get_mut(sensor.index()) {
            *said = Some((value, at));
        }
    }

    /// Up to now nothing more was heard: from here on the windows go on by themselves.
    pub fn finish(mut self) {
        self.run_to(self.engine.now.mono);
        self.tell();
        for (id, recall) in self.alarms {
            self.engine.recalls[id.index()] = recall;
        }
    }

    fn run_to(&mut self, at: Moment) {
        while self.at < at {
            self.tell();
            self.at = (self.at + MINUTE).min(at);
        }
    }

    fn tell(&mut self) {
        let world = Then { plan: &self.engine.plan, said: &self.said, at: self.at };
        for (id, recall) in &mut self.alarms {
            let alarm = self.engine.plan.alarm(*id);
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

//! What the windows would know had the watch not been away: readings of the past flow in, as the
//! history kept them, and the windows that know nothing yet are filled. Nothing rings by it: only
//! what comes from now on is judged. Other state of readings stays lost on purpose; a fortnight's
//! median is worth nothing if each restart costs a fortnight. What work disturbed then is left out,
//! as it would have been at the time.

use super::alarms::{Alarms, Recall};
use super::work;
use crate::condition::{Truth, World};
use crate::ids::{AlarmId, SensorId};
use crate::plan::{Plan, Sight};
use crate::reading::Value;
use crate::time::{Moment, Span};

/// Histories are told in minutes.
const MINUTE: Span = Span::minutes(1);

/// Work that went on, as the journal tells of it.
#[derive(Clone, Debug, PartialEq)]
pub struct PastWork {
    /// The tank's name.
    pub tank: String,
    /// Its kind.
    pub work: String,
    /// When it began, on the present clock.
    pub began: Moment,
    /// When it ended, or was to end by itself.
    pub ended: Moment,
}

/// The past being told. Ends with [`Recollection::finish`].
#[derive(Debug)]
pub struct Recollection<'e> {
    plan: &'e Plan,
    alarms: &'e mut Alarms,
    open: Vec<(AlarmId, Recall)>,
    said: Vec<Option<(Value, Moment)>>,
    works: &'e [PastWork],
    at: Moment,
    now: Moment,
}

impl<'e> Recollection<'e> {
    /// Begins to tell of the time since `since`.
    pub(super) fn begin(
        plan: &'e Plan,
        alarms: &'e mut Alarms,
        (since, now): (Moment, Moment),
        works: &'e [PastWork],
    ) -> Self {
        let open = alarms.begin_recall(plan, since, now);
        let said = vec![None; plan.sensors.len()];
        Recollection { plan, alarms, open, said, works, at: since.min(now), now }
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
        for (id, recall) in &mut self.open {
            let alarm = self.plan.alarm(*id);
            let disturbed = match self.works.is_empty() {
                true => Vec::new(),
                false => work::disturbed(self.plan, &alarm.condition, |sensor| {
                    let said = self.said.get(sensor.index()).copied().flatten().map(|(_, at)| at);
                    work_around(self.plan, self.works, sensor, said.unwrap_or(self.at), self.at)
                }),
            };
            let world = Then { plan: self.plan, said: &self.said, disturbed: &disturbed, at: self.at };
            recall.when.tell(&alarm.condition, &world, self.at);
            if let Some(worse) = &alarm.worse {
                recall.worse.tell(worse, &world, self.at);
            }
        }
    }
}

/// The kind of work that went on on a sensor's tank between what it said last and `at`. A minute in
/// which work began is told as a whole, and so is work's.
fn work_around<'w>(
    plan: &Plan,
    works: &'w [PastWork],
    sensor: SensorId,
    said: Moment,
    at: Moment,
) -> Option<&'w str> {
    let tank = plan.sensor(sensor).tank?;
    let around = |work: &&PastWork| work.began - MINUTE < at && said < work.ended;
    let work = works.iter().filter(|work| work.tank == plan.place(Some(tank))).find(around)?;
    Some(&work.work)
}

/// The world as it was.
struct Then<'a> {
    plan: &'a Plan,
    said: &'a [Option<(Value, Moment)>],
    disturbed: &'a [SensorId],
    at: Moment,
}

impl World for Then<'_> {
    fn value(&self, sensor: SensorId) -> Option<Value> {
        let (value, said) = self.said[sensor.index()].filter(|_| !self.disturbed.contains(&sensor))?;
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

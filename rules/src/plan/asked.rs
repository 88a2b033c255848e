//! What a plan answers about itself: what it listens to, what it remembers, how its parts are
//! called. Nothing here changes with time.

use super::{
    Alarm, AlarmId, Battery, BatteryId, Callout, CalloutId, Plan, Relay, RelayId, Sensor, SensorId, Sight,
    Tank, TankId, Watched, WatchedId,
};
use crate::condition::{Condition, Scope};
use crate::diagnostic::did_you_mean;
use crate::site::Site;
use crate::time::Span;
use std::collections::BTreeSet;

/// So many names can be read in an answer.
const NAMES_SHOWN: usize = 30;

impl Alarm {
    /// Whether the other's conditions are worded like these, so that what is known and remembered
    /// of one holds for the other. Words are compared and not ids: a sensor that is new in the
    /// file must not cost a fortnight's window.
    pub(crate) fn asks_alike(&self, other: &Alarm) -> bool {
        let worse = |alarm: &Alarm| alarm.worse.as_ref().map(|worse| worse.to_string());
        self.written == other.written && worse(self) == worse(other)
    }

    /// How far back the windows of its conditions reach; none if they have none.
    pub(crate) fn windows_reach(&self) -> Option<Span> {
        let worse = self.worse.as_deref().and_then(Condition::windows_reach);
        self.condition.windows_reach().max(worse)
    }

    /// How many bytes the memory of its conditions takes.
    pub fn bytes(&self) -> usize {
        self.condition.bytes() + self.worse.as_deref().map_or(0, Condition::bytes)
    }
}

impl Relay {
    /// Every condition that is asked of it, the proof first.
    pub(crate) fn conditions(&self) -> impl Iterator<Item = &Condition> {
        let proof = self.proof.as_ref().map(|proof| &proof.condition);
        let hold = self.hold.as_ref().and_then(|hold| hold.until.as_ref());
        [proof, self.only_if.as_ref(), hold].into_iter().flatten()
    }
}

impl Site for Plan {
    fn tank(&self, id: TankId) -> &Tank {
        Plan::tank(self, id)
    }

    fn sensor(&self, id: SensorId) -> &Sensor {
        Plan::sensor(self, id)
    }

    fn battery(&self, id: BatteryId) -> &Battery {
        Plan::battery(self, id)
    }

    fn relay_title(&self, id: RelayId) -> &str {
        &self.relay(id).title
    }

    fn relay_name(&self, id: RelayId) -> &str {
        &self.relay(id).name
    }

    fn is_for_watched(&self, id: SensorId) -> bool {
        self.watched.iter().any(|site| site.sensor == id)
    }

    fn spoken(&self, name: &str) -> Option<String> {
        let sensor = self.sensors.iter().find(|sensor| sensor.name == name);
        let tank = || self.tanks.iter().find(|tank| tank.name == name).map(|tank| &tank.title);
        let relay = || self.relays.iter().find(|relay| relay.name == name).map(|relay| &relay.title);
        match sensor {
            Some(sensor) => Some(self.title_of_sensor(sensor)),
            None => tank().or_else(relay).cloned(),
        }
    }
}

impl Plan {
    /// Everything of it that a condition can name.
    pub fn scope(&self) -> Scope<'_> {
        let relays = self.relays.iter().map(|relay| relay.name.as_str());
        Scope::of(&self.sensors).with(&self.tanks, &self.batteries, relays)
    }

    /// How many bytes the windows of all alarms take: known before a single reading has come.
    pub fn bytes(&self) -> usize {
        self.alarms.iter().map(Alarm::bytes).sum()
    }

    /// Every topic that the plan listens to, each once.
    pub fn topics(&self) -> BTreeSet<&str> {
        let sensors = self.sensors.iter().filter_map(|sensor| sensor.feed.topic());
        let said = self.sensors.iter().filter_map(|sensor| Some(sensor.available.as_ref()?.topic.as_str()));
        let buttons = self.works.values().flat_map(|work| &work.buttons).map(|button| button.topic.as_str());
        // A command that the broker keeps is heard by subscribing to it.
        let commands = self.relays.iter().map(|relay| relay.topic.as_str());
        let hush = self.directory.hush_buttons.iter().map(|button| button.topic.as_str());
        sensors.chain(said).chain(buttons).chain(commands).chain(hush).collect()
    }

    /// Whether two alarms ring for the same kind of thing, perhaps of different tanks: the same
    /// hazard, or else the same measures.
    pub fn is_of_kind(&self, one: &Alarm, other: &Alarm) -> bool {
        let measures = |alarm: &Alarm| -> BTreeSet<&str> {
            alarm.condition.sensors().into_iter().map(|id| self.sensor(id).measure.name).collect()
        };
        match (one.hazard, other.hazard) {
            (None, None) => !measures(one).is_empty() && measures(one) == measures(other),
            (one, other) => one == other,
        }
    }

    /// Whether what is seen this way comes through the broker.
    pub fn needs_broker(&self, sight: &Sight) -> bool {
        let topic = |sensor: &Sensor| sensor.feed.topic().is_some();
        match sight {
            Sight::Broker => true,
            Sight::Part(_) => false,
            Sight::Sensor(id) => topic(self.sensor(*id)),
            Sight::Gateway(name) => {
                self.sensors.iter().any(|sensor| sensor.gateway.as_ref() == Some(name) && topic(sensor))
            }
        }
    }

    /// The sensors that can't be heard while sight of this is lost.
    pub fn carried_by<'a>(&'a self, sight: &'a Sight) -> impl Iterator<Item = SensorId> + 'a {
        let some = match sight {
            Sight::Sensor(SensorId(of)) => *of as usize..*of as usize + 1,
            Sight::Broker | Sight::Gateway(_) | Sight::Part(_) => 0..self.sensors.len(),
        };
        let sensors = self.sensors.get(some.clone()).unwrap_or_default();
        let some = (some.start as u32..).map(SensorId).zip(sensors);
        let carried = some.filter(move |(id, sensor)| match sight {
            Sight::Broker => sensor.feed.topic().is_some(),
            Sight::Gateway(name) => sensor.gateway.as_ref() == Some(name),
            Sight::Sensor(of) => of == id,
            Sight::Part(_) => false,
        });
        carried.map(|(id, _)| id)
    }

    /// The tank's name, or the site's for what belongs to no tank.
    pub fn place(&self, tank: Option<TankId>) -> &str {
        tank.map_or(&self.site, |id| &self.tank(id).name)
    }

    /// What an alarm is about, as pages say it: the tank, this site, or another one.
    pub fn place_of(&self, alarm: &Alarm) -> &str {
        match alarm.watched {
            Some(id) => &self.watched_site(id).title,
            None => self.place(alarm.tank),
        }
    }

    /// The alarm with this name.
    pub fn alarm_named(&self, name: &str) -> Option<AlarmId> {
        self.alarms.iter().position(|alarm| alarm.name == name).map(|index| AlarmId(index as u32))
    }

    /// That there is no alarm of this name, with the one that may be meant.
    pub fn no_alarm(&self, name: &str) -> String {
        let near = did_you_mean(name, self.alarms.iter().map(|alarm| alarm.name.as_str()));
        format!("there is no alarm `{name}`; {}", near.unwrap_or_else(|| self.alarm_names()))
    }

    /// The keeper's alarms for who named none of them, as many as can be read.
    pub fn alarm_names(&self) -> String {
        let own: Vec<_> = self.alarms.iter().filter(|it| it.sight.is_none()).map(|it| &*it.name).collect();
        let (shown, more) = own.split_at(own.len().min(NAMES_SHOWN));
        match (shown, more.len()) {
            ([], _) => "the rule file declares none".to_owned(),
            (_, 0) => format!("there are: {}", shown.join(", ")),
            (_, more) => format!("there are: {} and {more} more", shown.join(", ")),
        }
    }

    /// The watched site of this name.
    pub fn watched_named(&self, name: &str) -> Option<&Watched> {
        self.watched_names.get(name).map(|id| self.watched_site(*id))
    }
}

/// What stands at a place of the plan's lists: each list by ids of its own kind. A plan gives out
/// no id that its lists don't have, and an id of one plan means nothing in another.
#[expect(clippy::indexing_slicing, reason = "ids are places in this plan's own lists")]
impl Plan {
    /// The tank of this id.
    pub fn tank(&self, id: TankId) -> &Tank {
        &self.tanks[id.index()]
    }

    /// The sensor of this id.
    pub fn sensor(&self, id: SensorId) -> &Sensor {
        &self.sensors[id.index()]
    }

    /// The relay of this id.
    pub fn relay(&self, id: RelayId) -> &Relay {
        &self.relays[id.index()]
    }

    /// The battery of this id.
    pub fn battery(&self, id: BatteryId) -> &Battery {
        &self.batteries[id.index()]
    }

    /// The alarm of this id.
    pub fn alarm(&self, id: AlarmId) -> &Alarm {
        &self.alarms[id.index()]
    }

    /// The call-out of this id.
    pub fn callout(&self, id: CalloutId) -> &Callout {
        &self.callouts[id.index()]
    }

    /// The watched site of this id.
    pub fn watched_site(&self, id: WatchedId) -> &Watched {
        &self.watched[id.index()]
    }
}

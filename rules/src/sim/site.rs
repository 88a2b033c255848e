//! A simulated site: sensors that speak at their own pace, channels that take pages or don't,
//! relays that do what they are told or don't, and a broker between. Rules say which; what left is
//! kept.

use super::SimWorld;
use super::signal::{Saying, SignalOrigin, SimSignal};
use crate::engine::{Arrival, Effect, Health, Input};
use crate::page::Page;
use crate::plan::{Part, Plan, SensorId, Target};
use crate::reading::Value;
use crate::record::Outcome;
use crate::time::{Moment, Now, Span};
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::ops::Deref;

/// Why something fails here.
const WHY: &str = "the story says so";

/// What a channel does with pages.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ChannelRule {
    /// Takes them.
    #[default]
    Works,
    /// Takes none now.
    Defers,
    /// Refuses them for good.
    Fails,
    /// Says nothing at all.
    Hangs,
}

/// What a relay does with commands.
#[derive(Clone, Debug, PartialEq)]
pub struct RelayRule {
    /// The payload that switches it on; any other switches it off.
    pub on: String,
    /// Whether it does what it is told.
    pub obeys: bool,
    /// What can be seen of it.
    pub shows: Vec<Shows>,
    /// How long after a command.
    pub after: Span,
}

/// What a sensor says of a relay.
#[derive(Clone, Debug, PartialEq)]
pub struct Shows {
    /// The sensor. One that is silent stays so.
    pub origin: SignalOrigin,
    /// What it says when the relay is on.
    pub on: Saying,
    /// And off.
    pub off: Saying,
}

/// A page that left.
#[derive(Clone, Debug)]
pub struct SentPage {
    /// When.
    pub at: Moment,
    /// To whom, as it is written: `ines.push`.
    pub to: String,
    /// What.
    pub page: Page,
}

impl Deref for SentPage {
    type Target = Page;

    fn deref(&self) -> &Page {
        &self.page
    }
}

/// A command that left for a relay.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SentCommand {
    /// When.
    pub at: Moment,
    /// Where to.
    pub topic: String,
    /// What.
    pub payload: String,
}

/// A site whose parts do as rules say. Everything works if nothing else is said.
#[derive(Debug)]
pub struct SimSite {
    signals: BTreeMap<SignalOrigin, SimSignal>,
    /// What sensors can say at all, base units.
    ranges: BTreeMap<SensorId, (f64, f64)>,
    /// What speaks without the broker.
    direct: BTreeSet<SignalOrigin>,
    /// Channels that don't simply work.
    pub channels: BTreeMap<Target, ChannelRule>,
    /// Relays that can be seen, by the topic of their commands.
    pub relays: BTreeMap<String, RelayRule>,
    /// Messages come from the broker.
    pub hears_broker: bool,
    /// The broker takes commands.
    pub commands_go: bool,
    /// Pages that left, the oldest first.
    pub sent: Vec<SentPage>,
    /// Commands that left, the oldest first.
    pub commands: Vec<SentCommand>,
}

impl SimSite {
    /// Nothing speaks yet, and everything works.
    pub fn new(plan: &Plan) -> Self {
        let sensors =
            (0..).map(SensorId).zip(&plan.sensors).filter(|(_, sensor)| sensor.feed.source().is_some());
        let ranges = (0..).map(SensorId).zip(&plan.sensors);
        let ranges = ranges.filter_map(|(id, sensor)| Some((id, sensor.plausible?))).collect();
        Self {
            signals: BTreeMap::new(),
            ranges,
            direct: sensors.map(|(id, _)| SignalOrigin::Sensor(id)).collect(),
            channels: BTreeMap::new(),
            relays: BTreeMap::new(),
            hears_broker: true,
            commands_go: true,
            sent: Vec::new(),
            commands: Vec::new(),
        }
    }

    /// From `now` on, and at `now` first.
    pub fn says(&mut self, now: Moment, origin: SignalOrigin, says: Saying, every: Span) {
        let count = match (self.signals.get(&origin), &origin) {
            (Some(before), _) => before.count,
            // Sensors don't all have the same noise.
            (None, SignalOrigin::Sensor(id)) => u64::from(id.0) << 32,
            (None, SignalOrigin::Topic(_)) => 0,
        };
        self.signals.insert(origin, SimSignal { says, every, next: now, count });
    }

    /// What it says of itself, if it speaks.
    pub fn signal(&self, origin: &SignalOrigin) -> Option<&SimSignal> {
        self.signals.get(origin)
    }

    /// It says nothing from now on.
    pub fn silence(&mut self, origin: &SignalOrigin) {
        self.signals.remove(origin);
    }

    /// Nothing says anything from now on.
    pub fn silence_all(&mut self) {
        self.signals.clear();
    }

    /// It goes on saying exactly what it would say now.
    pub fn freeze(&mut self, now: Moment, origin: &SignalOrigin) {
        if let Some(signal) = self.signals.get_mut(origin)
            && let Some(number) = signal.number(now)
        {
            signal.says = Saying::value(Value::Number(number));
        }
    }

    /// The relay is switched, by whomever: what shows it says so after `after`.
    pub fn switch(&mut self, now: Moment, topic: &str, payload: &str) {
        let Some(relay) = self.relays.get(topic) else { return };
        for Shows { origin, on, off } in &relay.shows {
            if let Some(signal) = self.signals.get_mut(origin) {
                signal.says = if payload == relay.on { on } else { off }.clone();
                signal.next = now + relay.after;
            }
        }
    }

    fn soonest(&self) -> Option<(Moment, &SignalOrigin)> {
        self.signals.iter().map(|(origin, signal)| (signal.next, origin)).min()
    }
}

impl SimWorld for SimSite {
    fn due(&self) -> Option<Moment> {
        self.soonest().map(|(at, _)| at)
    }

    fn happen(&mut self, now: &Now) -> Option<Input> {
        let (_, origin) = self.soonest().filter(|(at, _)| *at <= now.mono)?;
        let origin = origin.clone();
        let heard = self.hears_broker || self.direct.contains(&origin);
        let signal = self.signals.get_mut(&origin)?;
        signal.next = now.mono + signal.every;
        signal.count += 1;
        if !heard {
            return None;
        }
        let delivery = Arrival::Live;
        match (origin, &signal.says) {
            (SignalOrigin::Topic(topic), Saying::Payload(payload)) => {
                Some(Input::Message { topic, payload: payload.clone().into_bytes(), delivery })
            }
            (SignalOrigin::Sensor(sensor), Saying::Word(word)) => {
                Some(Input::Measured { sensor, value: Value::Word(*word), delivery })
            }
            (SignalOrigin::Sensor(sensor), Saying::Number { .. } | Saying::Cycle { .. }) => {
                let range = self.ranges.get(&sensor).copied();
                let value = Value::Number(signal.number_within(now.mono, range)?);
                Some(Input::Measured { sensor, value, delivery })
            }
            // A topic carries bytes, a sensor values.
            (SignalOrigin::Topic(_), Saying::Word(_) | Saying::Number { .. } | Saying::Cycle { .. }) => None,
            (SignalOrigin::Sensor(_), Saying::Payload(_)) => None,
        }
    }

    fn carry_out(&mut self, now: &Now, effect: Effect, reports: &mut VecDeque<Input>) {
        match effect {
            Effect::Send { target, page } => {
                let (id, to, why) = (page.id, target.to_string(), WHY.to_owned());
                self.sent.push(SentPage { at: now.mono, to, page: *page });
                let (health, outcome) = match self.channels.get(&target).copied().unwrap_or_default() {
                    ChannelRule::Works => (Health::Well, Outcome::Accepted { note: "taken".to_owned() }),
                    ChannelRule::Defers => (
                        Health::Fails { why: why.clone() },
                        Outcome::Deferred { why, may_have_arrived: false, again_in: None },
                    ),
                    ChannelRule::Fails => (Health::Fails { why: why.clone() }, Outcome::Failed { why }),
                    ChannelRule::Hangs => return,
                };
                // How the channel is comes first, as from the agent.
                reports.push_back(Input::Health { part: Part::Channel(target), health });
                reports.push_back(Input::Delivered { page: id, outcome });
            }
            // What is sent is on its way at once.
            Effect::Withdraw { .. } => {}
            Effect::Command { switching, topic, payload, .. } => {
                if self.commands_go && self.relays.get(&topic).is_some_and(|relay| relay.obeys) {
                    self.switch(now.mono, &topic, &payload);
                }
                self.commands.push(SentCommand { at: now.mono, topic, payload });
                let failed = (!self.commands_go).then(|| WHY.to_owned());
                reports.push_back(Input::Commanded { switching, failed });
            }
        }
    }

    fn hears(&self) -> bool {
        self.hears_broker
    }

    fn restarted(&mut self, now: &Now, shift: Span) {
        for signal in self.signals.values_mut() {
            signal.next = (signal.next + shift).max(now.mono);
        }
        for sent in &mut self.sent {
            sent.at = sent.at + shift;
        }
        for sent in &mut self.commands {
            sent.at = sent.at + shift;
        }
    }
}

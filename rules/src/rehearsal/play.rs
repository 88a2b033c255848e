//! Playing a story: sensors report at their own pace, deeds come at their times, and the clock
//! jumps from one thing to the next. What came is compared with what was expected.

use super::baseline;
use super::{Deed, Expectation, Story};
use crate::engine::{Link, OperatorCommand};
use crate::page::Page;
use crate::plan::{At, Plan, Relay, SensorId, Target};
use crate::reading::Value;
use crate::record::{Body, Purpose, Record};
use crate::sim::{RelayRule, Saying, SentPage, Shows, SignalOrigin, Sim, SimSite, Stuck};
use crate::time::{Moment, Now, Span, Wall};
use std::collections::BTreeMap;

/// The story begins when every sensor has reported for this long and nothing is new any more.
const WARM_UP: Span = Span::minutes(10);

/// The smallest noise of a number, as a share of it.
const LEAST_NOISE: f64 = 1e-5;

/// In calm water a thermostat heats for so long …
const HEATS: Span = Span::minutes(8);
/// … out of so long.
const CYCLE: Span = Span::minutes(20);

/// The monotonic clock at the beginning: far enough from zero to look back.
const BEGIN: Moment = Moment(1_000_000_000);

/// What came of a story.
#[derive(Clone, Debug)]
pub struct Played {
    /// Everything that was recorded, each with its time since the story began.
    pub timeline: Vec<(Span, Record)>,
    /// Every page that left, with its time since the story began and whom it went to.
    pub pages: Vec<(Span, String, Page)>,
    /// Expectations that were not met.
    pub misses: Vec<At<Miss>>,
    /// How many were.
    pub met: usize,
    /// Why it could not be played to its end.
    pub stuck: Option<Stuck>,
}

/// An expectation that was not met.
#[derive(Clone, Debug, PartialEq)]
pub struct Miss {
    /// What was expected.
    pub expected: Expectation,
    /// What came instead, in words.
    pub came: String,
}

/// A site in virtual time.
pub(super) struct Player<'a> {
    plan: &'a Plan,
    sim: Sim<SimSite>,
    begun: Moment,
    states: Vec<(At<Expectation>, String)>,
    /// Heaters that cycle as long as they have power and the story says nothing else of them.
    thermostats: Vec<(SensorId, f64)>,
}

impl Story {
    /// Plays it through a fresh engine on `plan`.
    pub fn play(&self, plan: &Plan) -> Played {
        let zoned = self.start.to_zoned_datetime(plan.zone.clone());
        let start = zoned.map_or(Wall(0), |zoned| Wall(zoned.timestamp().as_millisecond()));
        let mut player = Player::new(plan, start);
        let begun = player.begun;
        let mut deeds = self.deeds.iter().peekable();
        let mut looks: Vec<_> =
            self.expectations.iter().filter(|it| matches!(it.it, Expectation::State { .. })).collect();
        looks.sort_by_key(|expectation| expectation.it.until());
        let mut looks = looks.into_iter().peekable();
        loop {
            let deed = deeds.peek().map(|(at, _)| *at);
            let look = looks.peek().map(|expectation| expectation.it.until());
            let Some(at) = deed.into_iter().chain(look).min() else { break };
            player.run_to(begun + at);
            while let Some((_, deed)) = deeds.next_if(|(due, _)| *due <= at) {
                player.perform(deed);
            }
            // Looked at when all that happens at this moment has happened.
            player.run_to(begun + at);
            while let Some(expectation) = looks.next_if(|it| it.it.until() <= at) {
                player.look(expectation);
            }
        }
        player.run_to(begun + self.length);
        player.judge(&self.expectations)
    }
}

impl<'a> Player<'a> {
    pub(super) fn new(plan: &'a Plan, start: Wall) -> Self {
        let now = Now { mono: BEGIN, wall: start - WARM_UP, wall_trusted: true };
        let mut site = SimSite::new(plan);
        for relay in &plan.relays {
            // Of two that hear the same commands, the first is seen to obey.
            site.relays.entry(relay.topic.clone()).or_insert_with(|| rule(plan, relay));
        }
        let mut sim = Sim::new("rehearsal", plan.clone(), 1, now, site);
        let calm = baseline::values(plan);
        for (id, value) in &calm {
            report(&mut sim, plan, *id, *value, Span::ZERO, 0.0);
        }
        let thermostats = baseline::thermostats(plan, &calm);
        thermostats.iter().for_each(|(id, high)| cycle(&mut sim, plan, *id, *high));
        sim.start(Some(Span::ZERO));
        sim.run_to(BEGIN + WARM_UP);
        sim.records.clear();
        sim.world.sent.clear();
        Self { plan, sim, begun: BEGIN + WARM_UP, states: Vec::new(), thermostats }
    }

    /// When the story began.
    pub(super) fn begun(&self) -> Moment {
        self.begun
    }

    /// How long after that this alarm was first raised, if it was.
    pub(super) fn raised_after(&self, alarm: &str) -> Option<Span> {
        self.sim.first_raised(alarm).map(|at| at - self.begun)
    }

    /// These sensors report these values from now on, or come to them over a time.
    pub(super) fn report_all(&mut self, values: &BTreeMap<SensorId, Value>, over: Span) {
        values.iter().for_each(|(sensor, value)| self.report(*sensor, *value, over, 0.0));
    }

    /// The sensor reports nothing from now on.
    pub(super) fn silence(&mut self, sensor: SensorId) {
        self.sim.world.silence(&SignalOrigin::Sensor(sensor));
    }

    /// Lets time pass up to and including `end`.
    pub(super) fn run_to(&mut self, end: Moment) {
        self.sim.run_to(end);
    }

    fn report(&mut self, sensor: SensorId, to: Value, over: Span, noise: f64) {
        self.thermostats.retain(|(heater, _)| *heater != sensor);
        report(&mut self.sim, self.plan, sensor, to, over, noise);
        self.power_heaters(sensor, to);
    }

    /// A heater that hangs on what this sensor shows to be off draws nothing.
    fn power_heaters(&mut self, sensor: SensorId, to: Value) {
        let shows = self.plan.sensor(sensor);
        let Value::Word(word) = to else { return };
        let Some(word) = shows.words().get(usize::from(word)).filter(|_| shows.measure.name == "presence")
        else {
            return;
        };
        let fed = |id: SensorId| shows.tank.is_none() || shows.tank == self.plan.sensor(id).tank;
        for (id, high) in self.thermostats.iter().filter(|(id, _)| fed(*id)) {
            match word.name.as_str() {
                "on" => cycle(&mut self.sim, self.plan, *id, *high),
                _ => report(&mut self.sim, self.plan, *id, Value::Number(0.0), Span::ZERO, 0.0),
            }
        }
    }

    fn perform(&mut self, deed: &Deed) {
        let sim = &mut self.sim;
        match deed {
            Deed::Reports { sensor, value, over, noise } => self.report(*sensor, *value, *over, *noise),
            Deed::Silent(sensor) => self.silence(*sensor),
            Deed::Frozen(sensor) => sim.world.freeze(sim.now.mono, &SignalOrigin::Sensor(*sensor)),
            Deed::Broker(true) => sim.link(Link::Hears),
            Deed::Broker(false) => sim.link(Link::Lost { why: "no connection".to_owned() }),
            Deed::Channel(target, rule) => drop(sim.world.channels.insert(target.clone(), *rule)),
            Deed::Obeys(relay, obeys) => {
                let topic = self.plan.relays.get(relay.index()).map(|relay| &relay.topic);
                if let Some(rule) = topic.and_then(|topic| sim.world.relays.get_mut(topic)) {
                    rule.obeys = *obeys;
                }
            }
            Deed::Answers(who) => {
                let code = sim.world.sent.iter().rev().find(|sent| asks(sent)).map(|sent| sent.code.clone());
                sim.say(who, OperatorCommand::Acknowledge { code: code.unwrap_or_default(), length: None });
            }
            Deed::AnswersFor(who, alarm) => {
                let code = sim.records.iter().rev().find_map(|record| match &record.body {
                    Body::Raised { alarm: raised, code, .. } if raised == alarm => Some(code.clone()),
                    _ => None,
                });
                sim.say(who, OperatorCommand::Acknowledge { code: code.unwrap_or_default(), length: None });
            }
            Deed::Says(who, word) => sim.say(who, word.clone()),
            Deed::Restart { away, known } => sim.restart(*away, known.then_some(*away)),
        }
    }

    fn look(&mut self, expectation: &At<Expectation>) {
        if let Expectation::State { alarm, .. } = &expectation.it {
            self.states.push((expectation.clone(), self.sim.state(alarm).unwrap_or_default()));
        }
    }

    fn judge(self, expectations: &[At<Expectation>]) -> Played {
        let mut misses = Vec::new();
        for expectation in expectations {
            if let Some(came) = self.miss(expectation) {
                let expected = expectation.it.clone();
                misses.push(At::new(Miss { expected, came }, expectation.span.clone()));
            }
        }
        let met = expectations.len() - misses.len();
        let timeline =
            self.sim.records.into_iter().map(|record| (record.at.mono - self.begun, record)).collect();
        let pages =
            self.sim.world.sent.into_iter().map(|sent| (sent.at - self.begun, sent.to, sent.page)).collect();
        Played { timeline, pages, misses, met, stuck: self.sim.stuck }
    }

    /// What came instead; none if the expectation was met.
    fn miss(&self, expectation: &At<Expectation>) -> Option<String> {
        match &expectation.it {
            Expectation::Paged { from, to: until, target, about, saying, all_clear } => {
                let to = target.to_string();
                let right = |page: &&SentPage| {
                    page.to == to
                        && (page.purpose == Purpose::AllClear) == *all_clear
                        && page.purpose != Purpose::Taken
                        && about.as_ref().is_none_or(|about| *about == page.alarm)
                        && saying.as_ref().is_none_or(|words| page.body.contains(words.as_str()))
                };
                let mut fits = self.told().filter(right).peekable();
                if fits.clone().any(|page| (*from..=*until).contains(&self.since(page))) {
                    return None;
                }
                Some(match fits.peek() {
                    Some(page) => format!("it came at {}", self.since(page)),
                    None => format!("it never came; sent were: {}", self.sent_words(|_| true)),
                })
            }
            Expectation::NotPaged { from, to: until, target } => {
                let to = target.as_ref().map(Target::to_string);
                let wrong = |page: &SentPage| {
                    (*from..=*until).contains(&self.since(page))
                        && to.as_ref().is_none_or(|to| *to == page.to)
                };
                self.told().any(wrong).then(|| format!("sent were: {}", self.sent_words(wrong)))
            }
            Expectation::Count { from, to: until, target, count } => {
                let to = target.as_ref().map(Target::to_string);
                let counts = |page: &SentPage| {
                    (*from..=*until).contains(&self.since(page))
                        && to.as_ref().is_none_or(|to| *to == page.to)
                };
                let came = self.told().filter(|page| counts(page)).count();
                (came != *count)
                    .then(|| format!("{}: {}", crate::words::counted(came, "page"), self.sent_words(counts)))
            }
            Expectation::NotSaid { from, to, words } => {
                let says = |page: &SentPage| {
                    (*from..=*to).contains(&self.since(page))
                        && (page.body.contains(words.as_str()) || page.text().contains(words.as_str()))
                };
                self.told().any(says).then(|| format!("it is said in: {}", self.sent_words(says)))
            }
            Expectation::State { state, .. } => {
                let (_, came) = self.states.iter().find(|(seen, _)| seen.span == expectation.span)?;
                (came != state).then(|| format!("it was {came}"))
            }
        }
    }

    /// Pages of call-outs. A story is about alarms: test pages and notices are on the timeline and
    /// in nobody's expectations.
    fn told(&self) -> impl Iterator<Item = &SentPage> + Clone {
        self.sim.world.sent.iter().filter(|page| is_of_call_out(page))
    }

    fn since(&self, page: &SentPage) -> Span {
        page.at - self.begun
    }

    fn sent_words(&self, which: impl Fn(&SentPage) -> bool) -> String {
        let words = |page: &SentPage| {
            let why = page.purpose.towards(&page.to.to_string());
            format!("{} {} ({why}) about {}", self.since(page), page.to, page.alarm)
        };
        let words: Vec<_> = self.told().filter(|page| which(page)).take(12).map(words).collect();
        if words.is_empty() { "nothing".to_owned() } else { words.join("; ") }
    }
}

/// From now on the sensor comes to this value. Nothing measured is ever exactly the same twice.
fn report(sim: &mut Sim<SimSite>, plan: &Plan, sensor: SensorId, to: Value, over: Span, noise: f64) {
    let (origin, now) = (SignalOrigin::Sensor(sensor), sim.now.mono);
    let says = match to {
        Value::Word(word) => Saying::Word(word),
        Value::Number(to) => {
            let from = sim.world.signal(&origin).and_then(|before| before.number(now)).unwrap_or(to);
            Saying::Number { from, to, since: now, over, noise: noise.max(to.abs() * LEAST_NOISE) }
        }
    };
    sim.world.says(now, origin, says, plan.sensor(sensor).every);
}

/// From now on a heater goes on and off as its thermostat wants it in calm water.
fn cycle(sim: &mut Sim<SimSite>, plan: &Plan, heater: SensorId, high: f64) {
    let says = Saying::Cycle { high, on: HEATS, period: CYCLE, noise: high * LEAST_NOISE };
    sim.world.says(sim.now.mono, SignalOrigin::Sensor(heater), says, plan.sensor(heater).every);
}

/// A relay that obeys, and is proved.
fn rule(plan: &Plan, relay: &Relay) -> RelayRule {
    let seen = |on| relay.proof.iter().flat_map(move |proof| baseline::make(plan, &proof.condition, on));
    let off: BTreeMap<SensorId, Value> = seen(false).collect();
    let shown = seen(true).filter_map(|(id, on)| Some((id, on, *off.get(&id)?)));
    let noisy = |value: Value| match Saying::value(value) {
        Saying::Number { from, to, since, over, .. } => {
            Saying::Number { from, to, since, over, noise: to.abs() * LEAST_NOISE }
        }
        says @ (Saying::Word(_) | Saying::Payload(_) | Saying::Cycle { .. }) => says,
    };
    let shows =
        shown.map(|(id, on, off)| Shows { origin: SignalOrigin::Sensor(id), on: noisy(on), off: noisy(off) });
    RelayRule { on: relay.on.clone(), obeys: true, shows: shows.collect(), after: Span::ZERO }
}

fn is_of_call_out(page: &SentPage) -> bool {
    page.call != page.id
}

/// Whether it can be answered.
fn asks(page: &SentPage) -> bool {
    is_of_call_out(page) && !page.code.is_empty()
}

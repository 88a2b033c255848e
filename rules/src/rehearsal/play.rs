//! Playing a story: sensors report at their own pace, deeds come at their times, and the clock
//! jumps from one thing to the next. What came is compared with what was expected.

use super::baseline;
use super::{Deed, Expectation, Fate, Story};
use crate::engine::{Delivery, Effect, Engine, Input, Link, OperatorCommand};
use crate::plan::At;
use crate::plan::{Plan, RelayId, SensorId, Target};
use crate::reading::Value;
use crate::record::{By, Outcome, Purpose, Record, Seq};
use crate::time::{Moment, Now, Span, Wall};
use std::collections::{BTreeMap, VecDeque};

/// The story begins when every sensor has reported for this long and nothing is new any more.
const WARM_UP: Span = Span::minutes(10);

/// The smallest noise of a number, as a share of it.
const LEAST_NOISE: f64 = 1e-5;

/// The monotonic clock at the beginning: far enough from zero to look back.
const BEGIN: Moment = Moment(1_000_000_000);

/// What came of a story.
#[derive(Clone, Debug)]
pub struct Played {
    /// Everything that was recorded, each with its time since the story began.
    pub timeline: Vec<(Span, Record)>,
    /// Expectations that were not met.
    pub misses: Vec<At<Miss>>,
    /// How many were.
    pub met: usize,
}

/// An expectation that was not met.
#[derive(Clone, Debug, PartialEq)]
pub struct Miss {
    /// What was expected.
    pub expected: Expectation,
    /// What came instead, in words.
    pub came: String,
}

/// A page that left.
struct Left {
    at: Span,
    target: Target,
    purpose: Purpose,
    about: String,
    words: String,
    code: String,
}

/// What a sensor reports, and when next.
struct StoryFeed {
    from: f64,
    to: Value,
    since: Moment,
    over: Span,
    noise: f64,
    frozen: bool,
    next: Moment,
    count: u64,
}

impl StoryFeed {
    fn value(&self, now: Moment) -> Value {
        let Value::Number(to) = self.to else { return self.to };
        if self.frozen {
            return self.to;
        }
        let gone = (now - self.since).as_seconds();
        let share =
            if self.over > Span::ZERO { (gone / self.over.as_seconds()).clamp(0.0, 1.0) } else { 1.0 };
        // Nothing measured is ever exactly the same twice.
        let noise = self.noise.max(to.abs() * LEAST_NOISE);
        Value::Number(self.from + (to - self.from) * share + noise * scatter(self.count))
    }
}

/// The same sequence in every run, from -1 to 1.
fn scatter(nth: u64) -> f64 {
    let bits = crate::engine::mix(nth) >> 11;
    bits as f64 / (1_u64 << 52) as f64 - 1.0
}

/// A site in virtual time.
pub(super) struct Player<'a> {
    plan: &'a Plan,
    engine: Engine,
    begun: Moment,
    now: Now,
    feeds: BTreeMap<SensorId, StoryFeed>,
    fates: BTreeMap<Target, Fate>,
    disobedient: Vec<RelayId>,
    deaf: bool,
    records: Vec<Record>,
    left: Vec<Left>,
    states: Vec<(At<Expectation>, String)>,
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
        let engine = Engine::new(plan.clone(), 1, 1, now);
        let mut player = Self {
            plan,
            engine,
            begun: BEGIN + WARM_UP,
            now,
            feeds: BTreeMap::new(),
            fates: BTreeMap::new(),
            disobedient: Vec::new(),
            deaf: false,
            records: Vec::new(),
            left: Vec::new(),
            states: Vec::new(),
        };
        for (id, value) in baseline::values(plan) {
            player.report(id, value, Span::ZERO, 0.0);
        }
        player.step(Input::Started { version: "rehearsal".to_owned(), gap: Some(Span::ZERO) });
        player.step(Input::Link(Link::Hears));
        player.run_to(BEGIN + WARM_UP);
        player.records.clear();
        player.left.clear();
        player
    }

    /// When the story began.
    pub(super) fn begun(&self) -> Moment {
        self.begun
    }

    /// Everything recorded since.
    pub(super) fn records(&self) -> &[Record] {
        &self.records
    }

    /// These sensors report these values from now on, or come to them over a time.
    pub(super) fn report_all(&mut self, values: &BTreeMap<SensorId, Value>, over: Span) {
        values.iter().for_each(|(sensor, value)| self.report(*sensor, *value, over, 0.0));
    }

    /// The sensor reports nothing from now on.
    pub(super) fn silence(&mut self, sensor: SensorId) {
        self.feeds.remove(&sensor);
    }

    fn report(&mut self, sensor: SensorId, to: Value, over: Span, noise: f64) {
        let now = self.now.mono;
        let before = self.feeds.get(&sensor);
        let from = match (before.map(|feed| feed.value(now)), to) {
            (Some(Value::Number(from)), _) => from,
            (_, Value::Number(to)) => to,
            _ => 0.0,
        };
        let count = before.map_or(u64::from(sensor.0) << 32, |feed| feed.count);
        self.feeds
            .insert(sensor, StoryFeed { from, to, since: now, over, noise, frozen: false, next: now, count });
    }

    fn perform(&mut self, deed: &Deed) {
        match deed {
            Deed::Reports { sensor, value, over, noise } => self.report(*sensor, *value, *over, *noise),
            Deed::Silent(sensor) => self.silence(*sensor),
            Deed::Frozen(sensor) => {
                let now = self.now.mono;
                if let Some(feed) = self.feeds.get_mut(sensor) {
                    (feed.to, feed.over, feed.frozen) = (feed.value(now), Span::ZERO, true);
                }
            }
            Deed::Broker(heard) => {
                self.deaf = !heard;
                let why = "the story says so".to_owned();
                self.step(Input::Link(if *heard { Link::Hears } else { Link::Lost { why } }));
            }
            Deed::Channel(target, fate) => drop(self.fates.insert(target.clone(), *fate)),
            Deed::Obeys(relay, true) => self.disobedient.retain(|other| other != relay),
            Deed::Obeys(relay, false) => self.disobedient.push(*relay),
            Deed::Answers(who) => {
                let code =
                    self.left.iter().rev().find(|page| !page.code.is_empty()).map(|page| page.code.clone());
                let code = code.unwrap_or_default();
                self.say(who, OperatorCommand::Acknowledge { code });
            }
            Deed::Says(who, word) => self.say(who, word.clone()),
            Deed::Restart { away, known } => self.restart(*away, *known),
        }
    }

    fn say(&mut self, who: &str, word: OperatorCommand) {
        self.step(Input::Said { command: word, by: By { who: who.to_owned(), via: "rehearsal".to_owned() } });
    }

    fn restart(&mut self, away: Span, known: bool) {
        self.jump(self.now.mono + away);
        let next = self.records.last().map_or(1, |record| record.seq + 1);
        let horizon = self.engine.horizon();
        let mut engine = Engine::new(self.plan.clone(), 1, next, self.now);
        engine.restore(self.records.iter().filter(|record| record.seq >= horizon));
        self.engine = engine;
        for feed in self.feeds.values_mut() {
            feed.next = feed.next.max(self.now.mono);
        }
        self.step(Input::Started { version: "rehearsal".to_owned(), gap: known.then_some(away) });
        if !self.deaf {
            self.step(Input::Link(Link::Hears));
        }
    }

    /// Lets time pass up to and including `end`.
    pub(super) fn run_to(&mut self, end: Moment) {
        loop {
            let feed = self.feeds.iter().map(|(id, feed)| (feed.next, *id)).min();
            let deadline = self.engine.next_deadline().map(|(at, _)| at);
            let Some(next) =
                feed.map(|(at, _)| at).into_iter().chain(deadline).min().filter(|next| *next <= end)
            else {
                break;
            };
            self.jump(next);
            match feed.filter(|(at, _)| *at == next) {
                Some((_, sensor)) => self.send_reading(sensor),
                None => self.step(Input::Tick),
            }
        }
        self.jump(end);
    }

    fn jump(&mut self, to: Moment) {
        let ahead = Span((to - self.now.mono).0.max(0));
        self.now.mono = self.now.mono + ahead;
        self.now.wall = self.now.wall + ahead;
    }

    fn send_reading(&mut self, sensor: SensorId) {
        let now = self.now.mono;
        let every = self.plan.sensor(sensor).every;
        let Some(feed) = self.feeds.get_mut(&sensor) else { return };
        feed.next = now + every;
        feed.count += 1;
        let value = feed.value(now);
        if !self.deaf || self.plan.sensor(sensor).feed.source().is_some() {
            self.step(Input::Measured { sensor, value, delivery: Delivery::Live });
        }
    }

    fn step(&mut self, input: Input) {
        let mut open = VecDeque::from([input]);
        while let Some(input) = open.pop_front() {
            let turn = self.engine.step(self.now, input);
            self.records.extend(turn.records);
            open.extend(turn.effects.into_iter().filter_map(|effect| self.carry_out(effect)));
        }
    }

    fn carry_out(&mut self, effect: Effect) -> Option<Input> {
        match effect {
            Effect::Send { target, page } => {
                let outcome = match self.fates.get(&target).copied().unwrap_or(Fate::Works) {
                    Fate::Works => Some(Outcome::Accepted { note: String::new() }),
                    Fate::Defers => Some(Outcome::deferred("the story says so")),
                    Fate::Fails => Some(Outcome::Failed { why: "the story says so".to_owned() }),
                    Fate::Hangs => None,
                };
                let id: Seq = page.id;
                // A story is about alarms: test pages and notices, outside every call-out, are
                // on the timeline and in nobody's expectations.
                if page.call == id {
                    return outcome.map(|outcome| Input::Delivered { page: id, outcome });
                }
                self.left.push(Left {
                    at: self.now.mono - self.begun,
                    target,
                    purpose: page.purpose,
                    about: page.alarm,
                    words: page.body,
                    code: page.code,
                });
                outcome.map(|outcome| Input::Delivered { page: id, outcome })
            }
            Effect::Withdraw { .. } => None,
            Effect::Command { switching, topic, payload, .. } => {
                let relays = (0..).map(RelayId).zip(&self.plan.relays);
                let found = relays.into_iter().find(|(_, relay)| relay.topic == topic);
                if let Some((_, relay)) = found.filter(|(id, _)| !self.disobedient.contains(id)) {
                    let on = payload == relay.on;
                    let proof =
                        relay.proof.iter().flat_map(|proof| baseline::make(self.plan, &proof.condition, on));
                    for (sensor, value) in proof.collect::<Vec<_>>() {
                        self.report(sensor, value, Span::ZERO, 0.0);
                    }
                }
                Some(Input::Commanded { switching, failed: None })
            }
        }
    }

    fn look(&mut self, expectation: &At<Expectation>) {
        if let Expectation::State { alarm, .. } = &expectation.it {
            let status = self.engine.status(self.now);
            let state = status.alarms.into_iter().find(|view| view.name == *alarm).map(|view| view.state);
            self.states.push((expectation.clone(), state.unwrap_or_default()));
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
        let timeline = self.records.into_iter().map(|record| (record.at.mono - self.begun, record)).collect();
        Played { timeline, misses, met }
    }

    /// What came instead; none if the expectation was met.
    fn miss(&self, expectation: &At<Expectation>) -> Option<String> {
        match &expectation.it {
            Expectation::Paged { from, to, target, about, saying, all_clear } => {
                let right = |page: &&Left| {
                    page.target == *target
                        && (page.purpose == Purpose::AllClear) == *all_clear
                        && page.purpose != Purpose::Taken
                        && about.as_ref().is_none_or(|about| *about == page.about)
                        && saying.as_ref().is_none_or(|words| page.words.contains(words.as_str()))
                };
                let mut fits = self.left.iter().filter(right).peekable();
                if fits.clone().any(|page| (*from..=*to).contains(&page.at)) {
                    return None;
                }
                Some(match fits.peek() {
                    Some(page) => format!("it came at {}", page.at),
                    None => format!("it never came; sent were: {}", self.sent_words(|_| true)),
                })
            }
            Expectation::NotPaged { from, to, target } => {
                let wrong = |page: &Left| {
                    (*from..=*to).contains(&page.at)
                        && target.as_ref().is_none_or(|target| *target == page.target)
                };
                self.left.iter().any(wrong).then(|| format!("sent were: {}", self.sent_words(wrong)))
            }
            Expectation::State { state, .. } => {
                let (_, came) = self.states.iter().find(|(seen, _)| seen.span == expectation.span)?;
                (came != state).then(|| format!("it was {came}"))
            }
        }
    }

    fn sent_words(&self, which: impl Fn(&Left) -> bool) -> String {
        let words: Vec<_> = self
            .left
            .iter()
            .filter(|page| which(page))
            .take(12)
            .map(|page| format!("{} {} ({}) about {}", page.at, page.target, page.purpose, page.about))
            .collect();
        if words.is_empty() { "nothing".to_owned() } else { words.join("; ") }
    }
}

//! What is around the watch of the month: sensors that speak, dangers that come and go, ways and a
//! broker that fail, a clock that lies, floods. It also keeps count of who was told, and says in
//! the end of which danger somebody should have heard and did not, or heard for nothing.

use super::super::random::Random;
use super::site::{LIMIT, SENSORS, WAYS, topic, words};
use slackwater_rules::engine::{Arrival, Effect, Input, Link};
use slackwater_rules::record::{Outcome, Seq};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::collections::{BTreeMap, VecDeque};

/// For the first page, by the promise; and for the all-clear after what is over has settled.
const PROMISE: Span = Span::seconds(90);
const SETTLE: Span = Span::minutes(1);
/// The longest wait between two tries of a page.
const RETRY: Span = Span::minutes(10);

/// The faults of the month, one at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Trouble {
    /// A way refuses, defers, or hangs, by its place.
    Way(usize, u64),
    NoBroker,
    ClockBehind,
    ClockAhead,
    ClockUntrusted,
    Flood,
    Silence(usize),
}

/// What happens next.
pub(super) enum Thing {
    Input(Input),
    /// The watch is killed.
    Dies,
    /// Another plan, with one sensor less, or the whole one.
    Reload,
}

struct Danger {
    sensor: usize,
    from: Moment,
    until: Option<Moment>,
    /// The first page about it by each way.
    told: [Option<Moment>; 2],
    cleared: [Option<Moment>; 2],
}

pub(super) struct World {
    random: Random,
    /// Of the clock that the watch reads.
    wall_off: Span,
    trusted: bool,
    began: Moment,
    /// Between two messages.
    every: i64,
    next_message: Moment,
    count: u64,
    topics: Vec<String>,
    dangers: Vec<Danger>,
    begin: Moment,
    trouble: Option<(Trouble, Moment)>,
    next_trouble: Moment,
    next_death: Moment,
    next_reload: Moment,
    reloads: u64,
    /// Disturbed until then: a fault, a death, a reload.
    disturbed: Moment,
    hears: bool,
    ready: VecDeque<Thing>,
    reports: BTreeMap<(Moment, Seq), Outcome>,
    judged: u64,
    differences: Vec<String>,
}

const WALL: i64 = 1_772_452_800_000;

impl World {
    pub(super) fn new(random: Random, now: Moment, per_second: u32) -> Self {
        let every = 1_000 / i64::from(per_second.clamp(1, 1_000));
        let mut ready = VecDeque::new();
        ready.push_back(Thing::Input(Input::Link(Link::Hears)));
        Self {
            random,
            wall_off: Span::ZERO,
            trusted: true,
            began: now,
            every,
            next_message: now + Span(1),
            count: 0,
            topics: (0..SENSORS).map(topic).collect(),
            dangers: Vec::new(),
            begin: now + Span::minutes(20),
            trouble: None,
            next_trouble: now + Span::minutes(30),
            next_death: now + Span::hours(2),
            next_reload: now + Span::hours(5),
            reloads: 0,
            disturbed: now,
            hears: true,
            ready,
            reports: BTreeMap::new(),
            judged: 0,
            differences: Vec::new(),
        }
    }

    /// What the clocks of the board say at this moment.
    pub(super) fn clock(&self, mono: Moment) -> Now {
        let wall = Wall(WALL) + (mono - self.began) + self.wall_off;
        Now { mono, wall, wall_trusted: self.trusted }
    }

    /// When something happens next.
    pub(super) fn due(&self) -> Moment {
        let report = self.reports.first_key_value().map(|((at, _), _)| *at);
        let all = [self.begin, self.next_trouble, self.next_death, self.next_reload, self.next_message];
        let ready = (!self.ready.is_empty()).then_some(self.began);
        all.into_iter()
            .chain(report)
            .chain(ready)
            .chain(self.trouble.map(|(_, until)| until))
            .min()
            .unwrap_or(self.begin)
    }

    pub(super) fn reloads(&self) -> u64 {
        self.reloads
    }

    /// How long the watch stays dead.
    pub(super) fn is_away(&mut self) -> Span {
        Span::seconds(self.random.below(20) as i64)
    }

    /// Messages of a broker are not kept for a dead watch.
    pub(super) fn begins_again(&mut self, now: Moment) {
        self.reports.clear();
        self.next_message = self.next_message.max(now);
        self.disturbed = now;
        if self.hears {
            self.ready.push_back(Thing::Input(Input::Link(Link::Hears)));
        }
    }

    /// What happens at this moment, one thing after the other.
    pub(super) fn next(&mut self, now: Moment) -> Option<Thing> {
        if let Some(thing) = self.ready.pop_front() {
            return Some(thing);
        }
        if let Some((key, _)) = self.reports.first_key_value().filter(|((at, _), _)| *at <= now) {
            let key = *key;
            let outcome = self.reports.remove(&key)?;
            return Some(Thing::Input(Input::Delivered { page: key.1, outcome }));
        }
        self.change_danger(now);
        self.change_trouble(now);
        if self.next_death <= now {
            self.next_death = now + Span::minutes(60 + self.random.below(240) as i64);
            return Some(Thing::Dies);
        }
        if self.next_reload <= now {
            self.next_reload = now + Span::hours(3 + self.random.below(9) as i64);
            self.reloads += 1;
            self.disturbed = now;
            return Some(Thing::Reload);
        }
        if let Some(thing) = self.ready.pop_front() {
            return Some(thing);
        }
        self.message(now)
    }

    fn message(&mut self, now: Moment) -> Option<Thing> {
        while self.next_message <= now {
            let flood = matches!(self.trouble, Some((Trouble::Flood, _)));
            self.next_message = self.next_message + Span(if flood { 2 } else { self.every });
            let sensor = (self.count % SENSORS as u64) as usize;
            self.count += 1;
            if !self.hears || matches!(self.trouble, Some((Trouble::Silence(silent), _)) if silent == sensor)
            {
                continue;
            }
            let hot = self.dangers.iter().any(|danger| danger.sensor == sensor && danger.until.is_none());
            let tenths = (self.count / SENSORS as u64 / 7) % 9;
            let value = if hot { LIMIT + 1.0 } else { 25.0 + tenths as f64 / 10.0 };
            return Some(Thing::Input(Input::Message {
                topic: self.topics[sensor].clone(),
                payload: format!("{value:.1}").into_bytes(),
                delivery: Arrival::Live,
            }));
        }
        None
    }

    /// One danger at a time: minutes long, an hour apart.
    fn change_danger(&mut self, now: Moment) {
        if self.begin > now {
            return;
        }
        match self.dangers.last_mut().filter(|danger| danger.until.is_none()) {
            Some(danger) => {
                danger.until = Some(now);
                self.begin = now + Span::minutes(15 + self.random.below(60) as i64);
            }
            None => {
                self.judge(now);
                // The last is the one that a reload leaves out. What comes twice within three hours
                // settles for an hour: they take turns.
                let sensor = self.judged as usize % (SENSORS - 1);
                self.dangers.push(Danger {
                    sensor,
                    from: now,
                    until: None,
                    told: [None; 2],
                    cleared: [None; 2],
                });
                self.begin = now + Span::minutes(3 + self.random.below(40) as i64);
            }
        }
    }

    fn change_trouble(&mut self, now: Moment) {
        if let Some((trouble, _)) = self.trouble.filter(|(_, until)| *until <= now) {
            self.trouble = None;
            self.disturbed = now;
            match trouble {
                Trouble::NoBroker => {
                    self.hears = true;
                    self.ready.push_back(Thing::Input(Input::Link(Link::Hears)));
                }
                Trouble::ClockBehind | Trouble::ClockAhead | Trouble::ClockUntrusted => {
                    (self.wall_off, self.trusted) = (Span::ZERO, true);
                }
                Trouble::Way(..) | Trouble::Flood | Trouble::Silence(_) => {}
            }
        }
        if self.next_trouble > now || self.trouble.is_some() {
            return;
        }
        self.next_trouble = now + Span::minutes(30 + self.random.below(120) as i64);
        self.disturbed = now;
        let (trouble, seconds) = match self.random.below(8) {
            0..2 => (
                Trouble::Way(self.random.below(2) as usize, self.random.below(3)),
                60 + self.random.below(900),
            ),
            2 | 3 => (Trouble::NoBroker, 5 + self.random.below(280)),
            4 => (
                [Trouble::ClockBehind, Trouble::ClockAhead][self.random.below(2) as usize],
                60 + self.random.below(3_600),
            ),
            5 => (Trouble::ClockUntrusted, 60 + self.random.below(3_600)),
            6 => (Trouble::Flood, 60),
            _ => (Trouble::Silence(self.random.below(SENSORS as u64) as usize), 30 + self.random.below(200)),
        };
        match trouble {
            Trouble::NoBroker => {
                self.hears = false;
                let why = "connection refused".to_owned();
                self.ready.push_back(Thing::Input(Input::Link(Link::Lost { why })));
            }
            Trouble::ClockBehind => (self.wall_off, self.trusted) = (Span::minutes(-52), false),
            Trouble::ClockAhead => (self.wall_off, self.trusted) = (Span::hours(87_660), false),
            Trouble::ClockUntrusted => self.trusted = false,
            Trouble::Way(..) | Trouble::Flood | Trouble::Silence(_) => {}
        }
        self.trouble = Some((trouble, now + Span::seconds(seconds as i64)));
    }

    /// Does it, and says whether it was a page that left.
    pub(super) fn carry_out(&mut self, now: Moment, effect: Effect) -> bool {
        match effect {
            Effect::Send { target, page } => {
                let way = WAYS.iter().position(|way| target.to_string() == *way).unwrap_or(0);
                let failing = match self.trouble {
                    Some((Trouble::Way(of, how), _)) if of == way => Some(how),
                    _ => None,
                };
                let outcome = match failing {
                    None => Outcome::Accepted { note: String::new() },
                    Some(0) => Outcome::Failed { why: "refused".to_owned() },
                    Some(1) => Outcome::deferred("not now".to_owned()),
                    Some(_) => Outcome::deferred("no answer within 30 s".to_owned()),
                };
                let late = if failing == Some(2) { Span::seconds(30) } else { Span::millis(300) };
                if failing.is_none() {
                    self.arrives(now, way, &page.headline);
                }
                self.reports.insert((now + late, page.id), outcome);
                true
            }
            Effect::Withdraw { .. } | Effect::Command { .. } => false,
        }
    }

    fn arrives(&mut self, now: Moment, way: usize, headline: &str) {
        let clear = headline.contains("all clear") || headline.contains("came and went");
        let Some(danger) =
            self.dangers.iter_mut().rev().find(|danger| headline.contains(&words(danger.sensor)))
        else {
            if headline.contains(" hot") && !headline.contains("has answered") {
                self.differences.push(format!("at {now:?}: nobody called for this page: {headline}"));
            }
            return;
        };
        if clear && danger.until.is_none() {
            self.differences.push(format!("at {now:?}: called over while it stood: {headline}"));
        }
        let told = if clear { &mut danger.cleared } else { &mut danger.told };
        told[way] = told[way].or(Some(now));
    }

    /// Looks at the last danger before another begins.
    fn judge(&mut self, now: Moment) {
        let Some(danger) = self.dangers.pop() else { return };
        self.judged += 1;
        let until = danger.until.unwrap_or(now);
        let undisturbed = self.disturbed < danger.from && self.trouble.is_none();
        let name = words(danger.sensor);
        let mut missed = |what: String| {
            self.differences.push(format!("{name}, from {:?} to {until:?}: {what}", danger.from))
        };
        let first = danger.told.iter().flatten().min();
        // With a fault or a death beside it, it has the longest wait between two tries more, if it
        // stood that long.
        let bound = if undisturbed { PROMISE } else { PROMISE + RETRY + RETRY };
        match first {
            Some(first) if *first - danger.from > bound => {
                missed(format!("first told after {}", *first - danger.from))
            }
            None if until - danger.from > bound => missed("nobody was told".to_owned()),
            Some(_) | None => {}
        }
        for (way, told) in danger.told.iter().enumerate() {
            let over = danger.cleared[way].map(|at| at - until);
            let bound = if undisturbed { SETTLE + PROMISE } else { SETTLE + PROMISE + RETRY + RETRY };
            match (told, over) {
                (Some(_), Some(over)) if over > bound => {
                    missed(format!("{} heard of its end after {over}", WAYS[way]))
                }
                (Some(_), None) if now - until > bound => {
                    missed(format!("{} never heard of its end", WAYS[way]))
                }
                _ => {}
            }
        }
    }

    /// How many dangers were looked at, and what differs.
    pub(super) fn judged(self) -> (u64, Vec<String>) {
        (self.judged, self.differences)
    }
}

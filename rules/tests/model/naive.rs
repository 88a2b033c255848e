//! The naive account. It has the whole history in lists, works out every truth from scratch by
//! looking back through them, and says when each alarm must be raised, must return and must
//! settle. What people and work put aside is taken from the records: those have checks of their
//! own.

use crate::family::{Alarm, Cond, SENSORS, SIGHT_AFTER, STALE, alarm_name};
use crate::world::{When, World};
use slackwater_rules::alarm::{CHATTER_RAISES, CHATTER_WINDOW};
use slackwater_rules::record::Body;
use std::collections::VecDeque;

/// What an alarm rings for.
#[derive(Clone, Debug)]
enum Rings {
    When(Alarm),
    NoBroker,
    NoBoard,
    NoSensor(usize),
}

/// What happens to one alarm, in order.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Happens {
    /// Only time passes.
    Time,
    /// Something is heard, or the way to the broker changes.
    Heard,
    Start,
    Stop,
    PutAside,
    PutBack,
    /// What the work had put aside is watched again.
    WorkOver,
    /// It is in another call-out than before, whose people have not heard that it got worse.
    Elsewhere,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Move {
    Raised,
    Chattering,
    Worsened,
    Returned,
    Settled,
}

/// Kleene's three values, the third being none.
type Truth = Option<bool>;

fn and(a: Truth, b: Truth) -> Truth {
    match (a, b) {
        (Some(false), _) | (_, Some(false)) => Some(false),
        (Some(true), Some(true)) => Some(true),
        _ => None,
    }
}

fn not(a: Truth) -> Truth {
    a.map(|a| !a)
}

/// What could be known at a moment: everything up to it, since the last start.
struct View<'a> {
    world: &'a World,
    when: When,
    start: When,
}

impl View<'_> {
    fn live(&self, sensor: usize) -> impl Iterator<Item = &crate::world::Heard> {
        let since = self.world.heard.partition_point(|heard| heard.when < self.start);
        let until = self.world.heard.partition_point(|heard| heard.when <= self.when);
        self.world.heard[since..until].iter().rev().filter(move |heard| heard.sensor == sensor && heard.live)
    }

    fn value(&self, sensor: usize) -> Option<f64> {
        let last = self.live(sensor).find(|heard| heard.value.is_some())?;
        last.value.filter(|_| self.when.0 - last.when.0 <= STALE)
    }

    fn silence(&self, sensor: usize) -> i64 {
        self.when.0 - self.live(sensor).next().map_or(self.start.0, |heard| heard.when.0)
    }

    fn deaf(&self) -> bool {
        let since_start = |(when, _): &&(When, bool)| *when >= self.start && *when <= self.when;
        !self.world.links.iter().rev().find(since_start).is_some_and(|(_, hears)| *hears)
    }

    /// The first moment of the present or the last spell of hearing, or of not hearing after it had
    /// been heard: links may say twice what they have said.
    fn link_since(&self, hears: bool) -> Option<When> {
        let in_life = self.world.links.iter().filter(|(when, _)| *when >= self.start && *when <= self.when);
        let (mut since, mut heard) = (None, false);
        for (when, now) in in_life {
            if *now == hears && heard != hears {
                since = Some(*when);
            }
            heard = *now;
        }
        since
    }

    /// A sensor has its time again after an outage of the broker, unless it was lost before.
    fn lost(&self, sensor: usize) -> Truth {
        if self.value(sensor).is_some() {
            return Some(false);
        }
        let last = self.live(sensor).next();
        let doubted = last.is_some_and(|heard| heard.value.is_none() && self.when.0 - heard.when.0 <= STALE);
        if doubted {
            return (self.when.0 >= self.start.0 + STALE).then_some(true);
        }
        let since = self.link_since(true);
        if self.when.0 >= since.map_or(self.start.0, |since| since.0) + STALE {
            return Some(true);
        }
        let cut = since.and_then(|since| View { when: since, ..*self }.link_since(false));
        let before = cut.and_then(|cut| View { when: cut, ..*self }.lost(sensor));
        (before == Some(true)).then_some(true)
    }

    fn silent(&self, sensor: usize, length: i64) -> Truth {
        if self.silence(sensor) < length {
            return Some(false);
        }
        let listens = self.link_since(true).filter(|_| !self.deaf());
        listens.is_some_and(|since| self.when.0 - since.0 >= length).then_some(true)
    }

    fn truth(&self, rings: &Rings, standing: bool) -> Truth {
        let board = || match (self.lost(0), self.lost(1)) {
            (Some(false), _) | (_, Some(false)) => Some(false),
            (Some(true), Some(true)) => Some(true),
            _ => None,
        };
        match rings {
            Rings::When(alarm) => self.cond(&alarm.when, alarm, standing, true),
            Rings::NoBroker => Some(self.deaf()),
            _ if self.deaf() => None,
            Rings::NoBoard => board(),
            Rings::NoSensor(0 | 1) if self.world.family.board && board() == Some(true) => None,
            Rings::NoSensor(sensor) => self.lost(*sensor),
        }
    }

    /// While an alarm stands, limits give way by its deadband: outwards, and inwards under a
    /// `not`.
    fn cond(&self, cond: &Cond, alarm: &Alarm, standing: bool, upright: bool) -> Truth {
        let slack = |sensor: usize| {
            let unit = |at: usize| SENSORS[at].unit;
            let applies = alarm.when.compared().is_some_and(|of| unit(of) == unit(sensor));
            let slack = if applies && alarm.deadband && standing { SENSORS[sensor].deadband } else { 0.0 };
            if upright { slack } else { -slack }
        };
        let limit = |sensor: usize, high: bool| {
            let (low, top) = SENSORS[sensor].limits.expect("a number");
            if high { top } else { low }
        };
        let part = |cond: &Cond| self.cond(cond, alarm, standing, upright);
        match cond {
            Cond::Below(sensor, high) => {
                self.value(*sensor).map(|value| value < limit(*sensor, *high) + slack(*sensor))
            }
            Cond::Above(sensor, high) => {
                self.value(*sensor).map(|value| value > limit(*sensor, *high) - slack(*sensor))
            }
            Cond::Off(sensor) => self.value(*sensor).map(|value| value == 0.0),
            Cond::Silent(sensor, minutes) => self.silent(*sensor, minutes * 60_000),
            Cond::Not(inner) => not(self.cond(inner, alarm, standing, !upright)),
            Cond::And(left, right) => and(part(left), part(right)),
            Cond::Or(left, right) => not(and(not(part(left)), not(part(right)))),
        }
    }

    fn worse(&self, rings: &Rings) -> bool {
        let Rings::When(alarm) = rings else { return false };
        alarm.worse.as_ref().is_some_and(|worse| self.cond(worse, alarm, false, true) == Some(true))
    }
}

/// Everything that concerns the alarm, and every moment at which time alone may matter.
fn instants(world: &World, name: &str) -> Vec<(When, Happens)> {
    let mut list: Vec<(When, Happens)> = Vec::new();
    list.extend(world.heard.iter().map(|heard| (heard.when, Happens::Heard)));
    list.extend(world.links.iter().map(|(when, _)| (*when, Happens::Heard)));
    list.extend(world.starts.iter().map(|when| (*when, Happens::Start)));
    list.extend(world.stops.iter().map(|when| (*when, Happens::Stop)));
    let mut told_in = None;
    for (when, record) in &world.story {
        let (alarm, happens) = match &record.body {
            Body::Joined { call, alarm, .. } if alarm == name => {
                if told_in.replace(*call).is_none_or(|before| before == *call) {
                    continue;
                }
                (alarm, Happens::Elsewhere)
            }
            Body::Shelved { alarm, .. } | Body::TakenOut { alarm, .. } | Body::Suppressed { alarm } => {
                (alarm, Happens::PutAside)
            }
            Body::Unshelved { alarm, .. } | Body::PutBack { alarm, .. } => (alarm, Happens::PutBack),
            Body::Unsuppressed { alarm, .. } => (alarm, Happens::WorkOver),
            _ => continue,
        };
        if alarm == name {
            list.push((*when, happens));
        }
    }
    let begins = world.starts.iter().map(|when| when.0).chain(world.heard.iter().map(|heard| heard.when.0));
    let begins = begins.chain(world.links.iter().map(|(when, _)| when.0));
    for at in begins.collect::<Vec<_>>() {
        for after in [0, STALE, STALE + 1, 120_000, 300_000] {
            list.push(((at + after, 0), Happens::Time));
        }
    }
    let whole = list.iter().map(|((at, _), _)| ((*at, 0), Happens::Time)).collect::<Vec<_>>();
    list.extend(whole);
    list.push(((world.end, u64::MAX), Happens::Time));
    list.retain(|((at, _), _)| *at <= world.end);
    list.sort_by_key(|(when, happens)| (*when, *happens == Happens::Stop));
    list.dedup();
    list
}

/// The account of one alarm.
struct Account {
    rings: Rings,
    on: i64,
    off: i64,
    standing: bool,
    aside: bool,
    truth: Truth,
    /// For how long it has been known to be true, since it was last known to be false.
    held: i64,
    false_since: Option<i64>,
    raises: Vec<i64>,
    chattering: bool,
    /// What would make it worse is so; it has been said in this episode.
    worse_is_true: bool,
    worse: bool,
    /// When work that had paused it was over, if it was not known to be false since, nor raised.
    after_work: Option<i64>,
    /// Of each raising, whether an episode began by it: that also depends on answers, and is taken
    /// from the records.
    begins: VecDeque<bool>,
    moves: Vec<(i64, Move)>,
}

impl Account {
    /// When it is raised if it stays true from `now` on: not within half a minute of work.
    fn due_at(&self, now: i64) -> i64 {
        (now + self.on - self.held).max(self.after_work.map_or(i64::MIN, |ended| ended + 30_000))
    }

    /// What fell due between two instants.
    fn due(&mut self, from: i64, to: i64) {
        if self.truth == Some(true) && !self.standing && !self.aside {
            let at = self.due_at(from).max(from);
            if at < to {
                self.raise(at);
            }
        }
        self.fall(from, to - 1);
        if self.truth == Some(true) {
            self.held += to - from;
        }
    }

    fn raise(&mut self, at: i64) {
        (self.standing, self.after_work) = (true, None);
        self.moves.push((at, Move::Raised));
        self.raises.retain(|raise| at - raise < CHATTER_WINDOW.0);
        self.raises.push(at);
        if self.raises.len() >= CHATTER_RAISES && !self.chattering {
            self.chattering = true;
            self.moves.push((at, Move::Chattering));
        }
        self.worse &= !self.begins.pop_front().unwrap_or(false);
        self.worsen(at);
    }

    /// An alarm worsens once in an episode, for each call-out.
    fn worsen(&mut self, at: i64) {
        if self.standing && self.worse_is_true && !self.worse {
            self.moves.push((at, Move::Worsened));
            self.worse = true;
        }
    }

    /// Returns and settles if it has been false for long enough at `to`, but not before `from`.
    fn fall(&mut self, from: i64, to: i64) {
        let Some(since) = self.false_since.filter(|_| self.truth == Some(false) && !self.aside) else {
            return;
        };
        let off = if self.chattering { self.off.max(CHATTER_WINDOW.0) } else { self.off };
        let mut from = from;
        if self.standing && since + off <= to {
            from = from.max(since + off);
            self.moves.push((from, Move::Returned));
            self.standing = false;
        }
        if !self.standing && self.chattering && since + CHATTER_WINDOW.0 <= to {
            self.moves.push((from.max(since + CHATTER_WINDOW.0), Move::Settled));
            self.chattering = false;
            self.raises.clear();
        }
    }
}

fn account(world: &World, name: &str, rings: Rings) -> Vec<(i64, Move)> {
    let (on, off) = match &rings {
        Rings::When(alarm) => (alarm.on * 1_000, alarm.off * 1_000),
        _ => (SIGHT_AFTER, 0),
    };
    let mut it = Account {
        rings,
        on,
        off,
        standing: false,
        aside: false,
        truth: None,
        held: 0,
        false_since: None,
        raises: Vec::new(),
        chattering: false,
        worse_is_true: false,
        worse: false,
        after_work: None,
        begins: begins(world, name),
        moves: Vec::new(),
    };
    let mut start = world.starts[0];
    let mut before = start.0;
    let mut watching = false;
    let instants = instants(world, name);
    for (at, (when, happens)) in instants.iter().copied().enumerate() {
        if watching && when.0 > before {
            it.due(before, when.0);
        }
        before = when.0;
        match happens {
            Happens::Time | Happens::Heard => {}
            Happens::Start => (start, watching) = (when, true),
            Happens::Stop => {
                watching = false;
                (it.truth, it.held, it.false_since, it.worse_is_true) = (None, 0, None, false);
            }
            Happens::PutAside => {
                // Put aside while it stands, it stands no longer.
                (it.aside, it.standing) = (true, false);
            }
            Happens::PutBack => it.aside = false,
            Happens::WorkOver => (it.aside, it.held, it.after_work) = (false, 0, Some(when.0)),
            Happens::Elsewhere => it.worse &= it.moves.contains(&(when.0, Move::Worsened)),
        }
        // What one step does to it counts as a whole.
        let whole = instants.get(at + 1).is_none_or(|(next, what)| *next != when || *what == Happens::Stop);
        if watching && whole {
            look(&mut it, &View { world, when, start });
        }
    }
    it.moves
}

/// What was answered and comes back, a latch too, is news from its beginning.
fn begins(world: &World, name: &str) -> VecDeque<bool> {
    let mut answered = false;
    let begins = world.story.iter().filter_map(|(_, record)| match &record.body {
        Body::Acknowledged { alarm, .. } if alarm == name => {
            answered = true;
            None
        }
        Body::Raised { alarm, episode, .. } if alarm == name => {
            Some(std::mem::take(&mut answered) || *episode == record.seq)
        }
        _ => None,
    });
    begins.collect()
}

/// Works out the truth anew, and what follows at once.
fn look(it: &mut Account, view: &View<'_>) {
    let now = view.when.0;
    it.worse_is_true = view.worse(&it.rings);
    // Twice, since a limit gives way once the alarm stands.
    for _ in 0..2 {
        let truth = view.truth(&it.rings, it.standing);
        match truth {
            Some(false) => {
                (it.held, it.after_work) = (0, None);
                it.false_since = it.false_since.filter(|_| it.truth == Some(false)).or(Some(now));
            }
            Some(true) | None => it.false_since = None,
        }
        it.truth = truth;
        if truth == Some(true) && !it.standing && !it.aside && it.due_at(now) <= now {
            it.raise(now);
        }
        it.fall(now, now);
    }
    it.worsen(now);
}

/// Every alarm was raised, returned and settled when the naive account says, and at no other
/// time.
pub(crate) fn agrees(world: &World) {
    let family = &world.family;
    let mut all: Vec<(String, Rings)> = Vec::new();
    all.extend((0..).zip(&family.alarms).map(|(at, alarm)| (alarm_name(at), Rings::When(alarm.clone()))));
    let conditions = family.alarms.iter().flat_map(|alarm| [Some(&alarm.when), alarm.worse.as_ref()]);
    let mut used: Vec<_> = conditions.flatten().flat_map(Cond::sensors).collect();
    used.sort_unstable();
    used.dedup();
    all.push(("sight-broker".to_owned(), Rings::NoBroker));
    if family.board && used.iter().any(|sensor| *sensor < 2) {
        all.push(("sight-gateway-board".to_owned(), Rings::NoBoard));
    }
    all.extend(used.iter().map(|at| (format!("sight-{}", SENSORS[*at].name), Rings::NoSensor(*at))));

    for (name, rings) in all {
        let expected: Vec<_> = account(world, &name, rings.clone());
        let recorded: Vec<_> = world
            .story
            .iter()
            .filter_map(|((at, _), record)| match &record.body {
                Body::Raised { alarm, .. } if *alarm == name => Some((*at, Move::Raised)),
                Body::Returned { alarm, .. } if *alarm == name => Some((*at, Move::Returned)),
                Body::Chattering { alarm, .. } if *alarm == name => Some((*at, Move::Chattering)),
                Body::Worsened { alarm, .. } if *alarm == name => Some((*at, Move::Worsened)),
                Body::Settled { alarm } if *alarm == name => Some((*at, Move::Settled)),
                _ => None,
            })
            .collect();
        assert!(
            expected == recorded,
            "{name}: {rings:?}\nnaive:  {expected:?}\nengine: {recorded:?}\n{}\n{}",
            world.told(),
            family.written()
        );
    }
}

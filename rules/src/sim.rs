//! The engine in virtual time: the one loop under rehearsals, backtests, fuzzing and every test
//! that lets time pass. Inputs go in at the present moment; the clock jumps to whatever comes next
//! (a deadline of the engine, or something that happens around it); what the engine wants done is
//! answered by a [`SimWorld`], and the answers go back in, first in, first out, before time goes
//! on. What came of it is in [`Sim::records`] and in the world.
//!
//! [`SimSite`] is the world that most want: sensors that say the same again and again, channels and
//! relays that work or don't. Where both are due at one moment, the engine's deadline comes first,
//! as it does inside [`Engine::step`]. A loop that makes no headway ends: see [`Stuck`].

mod seen;
mod signal;
mod site;
#[cfg(test)]
mod tests;

pub use signal::{Saying, SignalOrigin, SimSignal};
pub use site::{ChannelRule, RelayRule, SentCommand, SentPage, Shows, SimSite};

use crate::engine::{Arrival, Effect, Engine, Input, Link, OperatorCommand, Turn};
use crate::plan::{Plan, SensorId};
use crate::reading::Value;
use crate::record::{By, Record, Seq};
use crate::time::{Moment, Now, Span};
use std::collections::VecDeque;
use std::fmt;

/// What has to be behind before turns are counted afresh.
const COUNTED_OVER: Span = Span::minutes(1);

/// So many turns that nothing from outside began, within [`COUNTED_OVER`], are a mistake. Deadlines
/// of one moment are met in one turn, so that even a thousand alarms come to a few thousand; a
/// deadline that is set anew for every next millisecond comes to 60 000.
const MOST_TURNS: u32 = 50_000;

/// Where the monotonic clock of a board stands when the watch begins after a reboot.
const AFTER_BOOT: Moment = Moment(500_000);

/// What is around the engine: what happens there by itself, and what comes of what the engine
/// wants.
pub trait SimWorld {
    /// When something happens next by itself, if anything does.
    fn due(&self) -> Option<Moment> {
        None
    }

    /// Lets one thing that is due at `now` happen; none if the engine hears nothing of it.
    fn happen(&mut self, now: &Now) -> Option<Input> {
        let _ = now;
        None
    }

    /// Does what the engine wants, and puts behind `reports` what the engine is to hear of it.
    fn carry_out(&mut self, now: &Now, effect: Effect, reports: &mut VecDeque<Input>);

    /// Whether the broker can be heard when the watch begins.
    fn hears(&self) -> bool {
        true
    }

    /// The watch begins again at `now`, on a clock that stands so much later than the old one
    /// would.
    fn restarted(&mut self, now: &Now, shift: Span) {
        let _ = (now, shift);
    }
}

/// Time would not go on: a mistake in the engine or in its world, told instead of hanging.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stuck {
    /// When.
    pub at: Moment,
    /// What was about to be done, in words.
    pub next: String,
}

impl fmt::Display for Stuck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { next, .. } = self;
        write!(
            f,
            "the watch went in circles: more than {MOST_TURNS} turns within {COUNTED_OVER}, the next for {next}"
        )
    }
}

/// An engine in virtual time.
#[derive(Debug)]
pub struct Sim<W> {
    /// The engine.
    pub engine: Engine,
    /// What is around it.
    pub world: W,
    /// The present. Who changes its wall time or its trust changes the board's clock.
    pub now: Now,
    /// Everything recorded so far, on the present clock; a restart reads it.
    pub records: Vec<Record>,
    /// Turns of the engine so far.
    pub turns: u64,
    /// Why time does not go on any more.
    pub stuck: Option<Stuck>,
    name: &'static str,
    seed: u64,
    /// Inputs that are still to be handed in at this moment.
    open: VecDeque<Input>,
    counted_since: Moment,
    counted: u32,
}

impl<W: SimWorld> Sim<W> {
    /// A watch over `plan` that has not begun yet. `name` is what it calls its version, and what
    /// people speak to it through; `seed` makes the codes of its pages.
    pub fn new(name: &'static str, plan: Plan, seed: u64, now: Now, world: W) -> Self {
        Self {
            engine: Engine::new(plan, seed, 1, now),
            world,
            now,
            records: Vec::new(),
            turns: 0,
            stuck: None,
            name,
            seed,
            open: VecDeque::new(),
            counted_since: now.mono,
            counted: 0,
        }
    }

    /// The watch begins, after a gap of so long if that is known.
    pub fn start(&mut self, gap: Option<Span>) {
        self.step(Input::Started { version: self.name.to_owned(), gap });
        if self.world.hears() {
            self.step(Input::Link(Link::Hears));
        }
    }

    /// This happens now, with all that follows from it at this moment.
    pub fn step(&mut self, input: Input) {
        if self.open.is_empty() {
            self.hand_in(input);
        } else {
            self.put(input);
        }
        while self.turn() {}
    }

    /// This happens now; [`Sim::turn`] hands it in.
    pub fn put(&mut self, input: Input) {
        self.open.push_back(input);
    }

    /// Hands in one of the inputs that are open; false if there was none.
    pub fn turn(&mut self) -> bool {
        let Some(input) = self.open.pop_front() else { return false };
        self.hand_in(input);
        true
    }

    fn hand_in(&mut self, input: Input) {
        let turn = self.engine.step(self.now, input);
        self.take(turn);
    }

    fn take(&mut self, turn: Turn) {
        self.turns += 1;
        self.records.extend(turn.records);
        if turn.effects.is_empty() {
            return;
        }
        for effect in turn.effects {
            self.world.carry_out(&self.now, effect, &mut self.open);
        }
        if self.goes_in_circles(|| "what its pages and commands came to".to_owned()) {
            self.open.clear();
        }
    }

    /// Does the next thing that comes up to and including `end`, in one turn at most; false if
    /// there is nothing, and then it is `end`.
    pub fn advance(&mut self, end: Moment) -> bool {
        if self.turn() {
            return true;
        }
        let deadline = self.engine.next_deadline();
        let due = self.world.due();
        let next = deadline.map(|(at, _)| at).into_iter().chain(due).min().filter(|next| *next <= end);
        let Some(next) = next.filter(|_| self.stuck.is_none()) else {
            self.jump(end);
            return false;
        };
        let moves = next > self.now.mono;
        self.jump(next);
        let input = match deadline.filter(|(at, _)| *at <= next) {
            Some((_, reason)) => {
                self.goes_in_circles(|| format!("{reason:?}"));
                Some(Input::Tick)
            }
            None => {
                if !moves {
                    self.goes_in_circles(|| "what happens around it".to_owned());
                }
                self.world.happen(&self.now)
            }
        };
        if let Some(input) = input {
            self.hand_in(input);
        }
        true
    }

    /// Lets time pass up to and including `end`.
    pub fn run_to(&mut self, end: Moment) {
        while self.advance(end) {}
    }

    /// Lets time pass.
    pub fn run(&mut self, length: Span) {
        self.run_to(self.now.mono + length);
    }

    /// It is later, and nobody looked on the way. Time never goes back.
    pub fn jump(&mut self, to: Moment) {
        let ahead = (to - self.now.mono).max(Span::ZERO);
        self.now.mono = self.now.mono + ahead;
        self.now.wall = self.now.wall + ahead;
    }

    /// Counts a turn that nothing from outside began; true if there are too many of them.
    fn goes_in_circles(&mut self, next: impl FnOnce() -> String) -> bool {
        let at = self.now.mono;
        if at - self.counted_since >= COUNTED_OVER {
            (self.counted_since, self.counted) = (at, 0);
        }
        self.counted += 1;
        if self.counted > MOST_TURNS && self.stuck.is_none() {
            self.stuck = Some(Stuck { at, next: next() });
        }
        self.stuck.is_some()
    }

    /// A message comes from the broker.
    pub fn hear(&mut self, topic: &str, payload: &str, delivery: Arrival) {
        self.step(Input::Message { topic: topic.to_owned(), payload: payload.as_bytes().to_vec(), delivery });
    }

    /// A sensor says this, with no payload to be read.
    pub fn measure(&mut self, sensor: SensorId, value: Value) {
        self.step(Input::Measured { sensor, value, delivery: Arrival::Live });
    }

    /// A person says this.
    pub fn say(&mut self, who: &str, word: OperatorCommand) {
        self.step(Input::Said { command: word, by: By { who: who.to_owned(), via: self.name.to_owned() } });
    }

    /// The keeper has changed the rule file.
    pub fn reload(&mut self, plan: Plan) {
        let turn = self.engine.adopt(self.now, plan);
        self.take(turn);
        while self.turn() {}
    }

    /// The program is away for so long and begins again on the same clock, from its records;
    /// afterwards it takes `gap` for the length of its absence.
    pub fn restart(&mut self, away: Span, gap: Option<Span>) {
        self.be_away(away, None);
        self.start(gap);
    }

    /// The same with the whole board: its monotonic clock begins anew.
    pub fn reboot(&mut self, away: Span, gap: Option<Span>) {
        self.power_off(away);
        self.start(gap);
    }

    /// The board is off for so long. [`Sim::start`] comes next.
    pub fn power_off(&mut self, away: Span) {
        self.be_away(away, Some(AFTER_BOOT));
    }

    fn be_away(&mut self, away: Span, clock: Option<Moment>) {
        let horizon = self.engine.horizon();
        self.open.clear();
        self.jump(self.now.mono + away);
        let shift = clock.map_or(Span::ZERO, |clock| clock - self.now.mono);
        self.now.mono = self.now.mono + shift;
        self.counted_since = self.counted_since + shift;
        if shift != Span::ZERO {
            for record in &mut self.records {
                record.at.mono = record.at.mono + shift;
            }
        }
        self.engine = self.reborn(horizon);
        self.world.restarted(&self.now, shift);
    }

    /// Another engine that knows what the records from `horizon` on tell: what a restart would
    /// begin with.
    pub fn reborn(&self, horizon: Seq) -> Engine {
        let plan = Plan::clone(self.engine.plan());
        let mut engine = Engine::new(plan, self.seed, self.engine.next_seq(), self.now);
        engine.restore(self.records.iter().filter(|record| record.seq >= horizon));
        engine
    }
}

impl Sim<SimSite> {
    /// From now on the sensor says this: at once, and then at its own pace.
    pub fn says(&mut self, origin: SignalOrigin, says: Saying, every: Span) {
        self.world.says(self.now.mono, origin, says, every);
        self.run(Span::ZERO);
    }

    /// The broker can be heard again, or can't for this reason: none of its messages come then.
    pub fn link(&mut self, link: Link) {
        self.world.hears_broker = link == Link::Hears;
        self.step(Input::Link(link));
    }
}

//! What a condition has to know of the past, kept beside it by whoever asks it. Each place of
//! the condition that looks back has a slot; one feeding before each question keeps all of them
//! up to date, and a condition that looks at the present only has none and costs nothing. A
//! restart begins with nothing known, but for what the windows are told of the time before.

use super::evaluate::Present;
mod truths;

use super::window::{Kept, bytes};
use super::{Condition, Formula, Operand, Test, Truth, Window, World};
use crate::reading::Value;
use crate::time::{Moment, Span};
use truths::{Sequence, TruthHistory};

/// The past, as far as one condition needs it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Memory {
    slots: Vec<Slot>,
}

#[derive(Clone, Debug, PartialEq)]
enum Slot {
    Window(Kept),
    Truths(TruthHistory),
    Sequence(Sequence),
}

/// From when on a window has to be told what there was since `since`: with the part that has begun,
/// and with what was said last before it.
fn begins(window: &Window, since: Moment, now: Moment) -> Moment {
    since.max(now - told_for(window.over + window.lag)).min(now)
}

/// For how long a window that reaches so far back has to be told of the past.
pub(crate) fn told_for(reach: Span) -> Span {
    // A part is a sixteenth at most, or shorter than the minutes.
    reach + Span(reach.0 / 16) + TOLD_BEFORE
}

/// Histories are told in minutes: what a window begins with was said within these.
const TOLD_BEFORE: Span = Span::minutes(5);

/// A place of a condition that looks back.
#[derive(Clone, Copy)]
enum Lookback<'c> {
    Window(&'c Window),
    Truths(&'c Condition),
    Sequence(&'c Condition, &'c Condition, Span),
}

impl Memory {
    /// A memory for this condition, in which nothing is known of the time before `now`.
    pub fn of(condition: &Condition, now: Moment) -> Self {
        Self::told(condition, now, now)
    }

    /// The same, but its windows will be told of the time since `since`, each as far as it reaches.
    pub(crate) fn told(condition: &Condition, since: Moment, now: Moment) -> Self {
        let mut slots = Vec::new();
        condition.lookbacks(&mut |slot, lookback| {
            // A formula may say the same window twice.
            if slot == slots.len() {
                slots.push(match lookback {
                    Lookback::Window(window) => Slot::Window(Kept::new(window, begins(window, since, now))),
                    Lookback::Truths(_) => Slot::Truths(TruthHistory::new(now)),
                    Lookback::Sequence(..) => Slot::Sequence(Sequence::new(now)),
                });
            }
        });
        Self { slots }
    }

    /// Takes in what the world says at `now`: what it said before held up to then. To be called
    /// whenever a reading that the condition needs has changed, and when its time has come.
    pub fn feed(&mut self, condition: &Condition, world: &impl World, now: Moment) {
        if self.slots.is_empty() {
            return;
        }
        // What looks back can't stand inside what looks back: the present is all they need.
        let nothing = Memory::default();
        let present = Present { world, memory: &nothing, now };
        let truth = |of: &Condition| of.evaluate(&present, None).truth;
        condition.lookbacks(&mut |slot, lookback| match (self.slots.get_mut(slot), lookback) {
            (Some(Slot::Window(kept)), Lookback::Window(window)) => {
                kept.feed(operand(&window.of, &present), now);
            }
            (Some(Slot::Truths(past)), Lookback::Truths(what)) => {
                past.see(truth(what), now);
            }
            (Some(Slot::Sequence(order)), Lookback::Sequence(first, second, within)) => {
                order.see(truth(first), truth(second), within, now);
            }
            (Some(Slot::Window(_) | Slot::Truths(_) | Slot::Sequence(_)) | None, _) => {}
        });
    }

    /// Tells its windows that reach so far back, and nothing else of it, what the world said at a
    /// time in the past.
    pub(crate) fn tell(&mut self, condition: &Condition, world: &impl World, then: Moment, now: Moment) {
        let nothing = Memory::default();
        let present = Present { world, memory: &nothing, now: then };
        condition.lookbacks(&mut |slot, lookback| {
            if let (Some(Slot::Window(kept)), Lookback::Window(window)) = (self.slots.get_mut(slot), lookback)
                && begins(window, then, now) == then
            {
                kept.feed(operand(&window.of, &present), then);
            }
        });
    }

    /// Takes over the windows of another memory of the same condition, and nothing else.
    pub(crate) fn take_windows(&mut self, told: Self) {
        if self.slots.len() != told.slots.len() {
            *self = told;
            return;
        }
        for (own, told) in self.slots.iter_mut().zip(told.slots) {
            match told {
                window @ Slot::Window(_) => *own = window,
                Slot::Truths(_) | Slot::Sequence(_) => {}
            }
        }
    }

    pub(super) fn window(&self, slot: usize) -> Option<&Kept> {
        match self.slots.get(slot)? {
            Slot::Window(kept) => Some(kept),
            Slot::Truths(_) | Slot::Sequence(_) => None,
        }
    }

    pub(super) fn past(&self, slot: usize) -> Option<&TruthHistory> {
        match self.slots.get(slot)? {
            Slot::Truths(past) => Some(past),
            Slot::Window(_) | Slot::Sequence(_) => None,
        }
    }

    pub(super) fn order(&self, slot: usize) -> Option<&Sequence> {
        match self.slots.get(slot)? {
            Slot::Sequence(order) => Some(order),
            Slot::Window(_) | Slot::Truths(_) => None,
        }
    }
}

fn operand<W: World>(of: &Operand, present: &Present<'_, W>) -> Option<f64> {
    match of {
        Operand::Value(formula) => formula.bounds(present).known(),
        Operand::Truth(condition) => match condition.evaluate(present, None).truth {
            Truth::True => Some(1.0),
            Truth::False => Some(0.0),
            Truth::Unknown => None,
        },
        Operand::Word(sensor) => match present.world.value(*sensor)? {
            Value::Word(word) => Some(f64::from(word)),
            Value::Number(_) => None,
        },
    }
}

impl Condition {
    /// How many bytes its memory takes: known from the plan, whatever the sensors send.
    pub fn bytes(&self) -> usize {
        let (mut found, mut next) = (0, 0);
        self.lookbacks(&mut |slot, lookback| {
            if slot == next {
                next += 1;
                found += size_of::<Slot>();
                if let Lookback::Window(window) = lookback {
                    found += bytes(window.over, window.lag);
                }
            }
        });
        found
    }

    /// Whether it looks back at all.
    pub fn looks_back(&self) -> bool {
        let mut found = false;
        self.lookbacks(&mut |_, _| found = true);
        found
    }

    /// How far back its windows reach; nothing if it has none.
    pub(crate) fn windows_reach(&self) -> Option<Span> {
        let mut reach = None;
        self.lookbacks(&mut |_, lookback| {
            if let Lookback::Window(window) = lookback {
                reach = reach.max(Some(window.over + window.lag));
            }
        });
        reach
    }

    /// Every place that looks back, in the order of the slots.
    fn lookbacks<'c>(&'c self, each: &mut impl FnMut(usize, Lookback<'c>)) {
        match self {
            Self::All(parts) | Self::Any(parts) => parts.iter().for_each(|part| part.lookbacks(each)),
            Self::Not(inner) => inner.lookbacks(each),
            Self::Says(test, _) => match test {
                Test::Compare { left, right, .. } => {
                    left.windows(each);
                    right.windows(each);
                }
                Test::Range { value, low, high, .. } => {
                    value.windows(each);
                    low.windows(each);
                    high.windows(each);
                }
                Test::HasBeen { slot, what, .. } | Test::After { slot, what, .. } => {
                    each(*slot, Lookback::Truths(what));
                }
                Test::Then { slot, first, second, within } => {
                    each(*slot, Lookback::Sequence(first, second, *within));
                }
                Test::Is(..)
                | Test::Lapse(..)
                | Test::Commanded(..)
                | Test::Time(_)
                | Test::Day(_)
                | Test::Until(_)
                | Test::Shows(..)
                | Test::Holds { .. }
                | Test::Blind(_) => {}
            },
        }
    }
}

impl Formula {
    fn windows<'c>(&'c self, each: &mut impl FnMut(usize, Lookback<'c>)) {
        match self {
            Self::Constant(_) | Self::Sensor(_) => {}
            Self::Sum(left, right) | Self::Difference(left, right) | Self::Ratio(left, right) => {
                left.windows(each);
                right.windows(each);
            }
            Self::Scaled(_, inner) => inner.windows(each),
            Self::Window(window) => each(window.slot, Lookback::Window(window)),
        }
    }
}

//! What a condition rests on: the sensors, relays, tanks and forecasts that can change its truth.
//! The engine's index and the checking are made from it.

use super::{Condition, Formula, Operand, Test};
use crate::condition::query::{Question, UntilWhat};
use crate::ids::{RelayId, SensorId, TankId, mix};
use crate::units::Dimension;
use std::collections::BTreeSet;

impl Condition {
    /// Every sensor whose readings the condition needs.
    pub fn sensors(&self) -> BTreeSet<SensorId> {
        let mut found = BTreeSet::new();
        self.visit(&mut |test| {
            let sensors = test.formulas().into_iter().flatten().flat_map(Formula::in_order);
            found.extend(sensors.chain(test.sensor()));
            found.extend(test.foretold_from());
        });
        found
    }

    /// Whether it can still come true while nothing is known of the sensors that are `lost`.
    pub(crate) fn can_come_without(&self, lost: &dyn Fn(SensorId) -> bool) -> bool {
        self.can_be(true, lost)
    }

    fn can_be(&self, upright: bool, lost: &dyn Fn(SensorId) -> bool) -> bool {
        let mut each = |part: &Self| part.can_be(upright, lost);
        match (self, upright) {
            (Self::All(parts), true) | (Self::Any(parts), false) => parts.iter().all(each),
            (Self::Any(parts), true) | (Self::All(parts), false) => parts.iter().any(&mut each),
            (Self::Not(inner), _) => inner.can_be(!upright, lost),
            (Self::Says(..), _) => !self.sensors().into_iter().any(lost),
        }
    }

    /// Every tank whose model the condition asks.
    pub fn foretells(&self) -> BTreeSet<TankId> {
        let mut found = BTreeSet::new();
        self.visit(&mut |test| {
            found.extend(match test {
                Test::Until(foretold) => match foretold.asked.until {
                    UntilWhat::Water(tank, ..) | UntilWhat::Oxygen(tank, _) => Some(tank),
                    UntilWhat::Battery(_) => None,
                },
                Test::Shows(tank, ..) => Some(*tank),
                Test::Holds { holding, .. } => Some(holding.tank),
                _ => None,
            });
        });
        found
    }

    /// Every forecast that it asks for.
    pub(crate) fn asked(&self, each: &mut impl FnMut(&Question)) {
        self.visit(&mut |test| {
            if let Test::Until(foretold) = test {
                each(&foretold.asked);
            }
        });
    }

    /// Every relay whose commands the condition needs.
    pub fn relays(&self) -> BTreeSet<RelayId> {
        let mut found = BTreeSet::new();
        self.visit(&mut |test| {
            if let Test::Commanded(relay, _) = test {
                found.insert(*relay);
            }
        });
        found
    }

    /// Whether a deadband of this quantity would change anything.
    pub fn compares(&self, dimension: Dimension) -> bool {
        match self {
            Self::All(parts) | Self::Any(parts) => parts.iter().any(|part| part.compares(dimension)),
            Self::Not(inner) => inner.compares(dimension),
            Self::Says(Test::Compare { dimension: of, .. } | Test::Range { dimension: of, .. }, _) => {
                of.difference() == dimension.difference()
            }
            Self::Says(..) => false,
        }
    }

    /// Every single statement in it, also of what it remembers.
    pub(crate) fn visit(&self, each: &mut impl FnMut(&Test)) {
        match self {
            Self::All(parts) | Self::Any(parts) => parts.iter().for_each(|part| part.visit(each)),
            Self::Not(inner) => inner.visit(each),
            Self::Says(test, _) => {
                each(test);
                match test {
                    Test::HasBeen { what, .. } | Test::After { what, .. } => what.visit(each),
                    Test::Then { first, second, .. } => {
                        first.visit(each);
                        second.visit(each);
                    }
                    _ => test.formulas().into_iter().flatten().for_each(|formula| formula.visit(each)),
                }
            }
        }
    }
}

impl Test {
    /// The sensor it speaks of, if it isn't a comparison.
    pub(crate) fn sensor(&self) -> Option<SensorId> {
        match self {
            Self::Is(sensor, _) | Self::Lapse(_, sensor, _) => Some(*sensor),
            Self::Compare { .. }
            | Self::Range { .. }
            | Self::Commanded(..)
            | Self::Time(_)
            | Self::Day(_)
            | Self::HasBeen { .. }
            | Self::After { .. }
            | Self::Then { .. }
            | Self::Until(_)
            | Self::Shows(..)
            | Self::Holds { .. }
            | Self::Blind(_) => None,
        }
    }

    /// The sensors that a forecast in it rests on.
    pub(super) fn foretold_from(&self) -> &[SensorId] {
        match self {
            Self::Until(foretold) => &foretold.rests_on,
            Self::Shows(_, _, rests_on) | Self::Holds { rests_on, .. } => rests_on,
            _ => &[],
        }
    }

    /// The formulas it compares.
    pub(crate) fn formulas(&self) -> [Option<&Formula>; 3] {
        match self {
            Self::Compare { left, right, .. } => [Some(left), Some(right), None],
            Self::Range { value, low, high, .. } => [Some(value), Some(low), Some(high)],
            _ => [None; 3],
        }
    }
}

impl Formula {
    /// Its sensors in the order they are written.
    pub(super) fn in_order(&self) -> Vec<SensorId> {
        match self {
            Self::Constant(_) => Vec::new(),
            Self::Sensor(id) => vec![*id],
            Self::Sum(left, right) | Self::Difference(left, right) | Self::Ratio(left, right) => {
                let mut found = left.in_order();
                found.extend(right.in_order());
                found
            }
            Self::Scaled(_, inner) => inner.in_order(),
            Self::Window(window) => match &window.of {
                Operand::Value(formula) => formula.in_order(),
                Operand::Truth(condition) => condition.sensors().into_iter().collect(),
                Operand::Word(id) => vec![*id],
            },
        }
    }

    /// Goes on with a number that is the same after formulas that are the same, and seldom else. A
    /// window counts by its sensors alone.
    pub(crate) fn likeness(&self, so_far: u64) -> u64 {
        match self {
            // What equals nought has one sign.
            Self::Constant(number) => mix(so_far ^ (number + 0.0).to_bits()),
            Self::Sensor(id) => mix(so_far ^ id.index() as u64),
            Self::Sum(left, right) | Self::Difference(left, right) | Self::Ratio(left, right) => {
                right.likeness(left.likeness(so_far))
            }
            Self::Scaled(factor, inner) => inner.likeness(mix(so_far ^ (factor + 0.0).to_bits())),
            Self::Window(_) => {
                self.in_order().into_iter().fold(so_far, |all, id| mix(all ^ id.index() as u64))
            }
        }
    }

    fn visit(&self, each: &mut impl FnMut(&Test)) {
        match self {
            Self::Constant(_) | Self::Sensor(_) => {}
            Self::Sum(left, right) | Self::Difference(left, right) | Self::Ratio(left, right) => {
                left.visit(each);
                right.visit(each);
            }
            Self::Scaled(_, inner) => inner.visit(each),
            Self::Window(window) => match &window.of {
                Operand::Truth(condition) => condition.visit(each),
                Operand::Value(_) | Operand::Word(_) => {}
            },
        }
    }
}

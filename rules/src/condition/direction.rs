//! Which way a reading has to move to make a condition true. A condition flows in, and each sensor
//! in it flows out with its [`Direction`]. Work that cools the water must not pause what rings when
//! it gets too warm, so whoever puts alarms aside asks here what the work can have caused.

use super::query::{Symptom, UntilWhat};
use super::{Aggregate, Comparison, Condition, Foretold, Formula, Operand, Test};
use crate::forecast::faults::Fault;
use crate::forecast::thermal::Side;
use crate::ids::SensorId;

/// Which way a reading moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Direction {
    Up,
    Down,
    /// Either way, or nobody can say.
    Any,
}

impl Direction {
    fn turned(self) -> Self {
        match self {
            Self::Up => Self::Down,
            Self::Down => Self::Up,
            Self::Any => Self::Any,
        }
    }

    /// The same under a `not`, or on the other side of a sign.
    fn turned_if(self, turned: bool) -> Self {
        if turned { self.turned() } else { self }
    }
}

impl Condition {
    /// Whether it may come true because this sensor's reading falls.
    pub(crate) fn may_come_by_a_fall(&self, sensor: SensorId) -> bool {
        let mut found = false;
        self.ways(true, &mut |of, way| found |= of == sensor && way != Direction::Up);
        found
    }

    /// The one sensor whose reading goes one way as this comes true, and whether it falls; none if
    /// there are several, or none.
    pub(crate) fn goes_one_way(&self) -> Option<(SensorId, bool)> {
        let mut found = None;
        let mut several = false;
        self.ways(true, &mut |of, way| {
            let falls = match way {
                Direction::Any => return,
                Direction::Up => false,
                Direction::Down => true,
            };
            several |= found.is_some_and(|before| before != (of, falls));
            found = Some((of, falls));
        });
        found.filter(|_| !several)
    }

    /// Whether this comes true by `own` moving the same way as `theirs` does for the other
    /// condition.
    pub(crate) fn comes_like(&self, own: SensorId, other: &Self, theirs: SensorId) -> bool {
        let ways_of = |condition: &Self, sensor| {
            let mut found = Vec::new();
            condition.ways(true, &mut |of, way| found.extend((of == sensor).then_some(way)));
            found
        };
        let (own, theirs) = (ways_of(self, own), ways_of(other, theirs));
        let alike = |one: &Direction, other: &Direction| {
            one == other || *one == Direction::Any || *other == Direction::Any
        };
        own.iter().any(|one| theirs.iter().any(|other| alike(one, other)))
    }

    fn ways(&self, upright: bool, each: &mut dyn FnMut(SensorId, Direction)) {
        match self {
            Self::All(parts) | Self::Any(parts) => parts.iter().for_each(|part| part.ways(upright, each)),
            Self::Not(inner) => inner.ways(!upright, each),
            Self::Says(test, _) => test.ways(upright, each),
        }
    }
}

impl Test {
    fn ways(&self, upright: bool, each: &mut dyn FnMut(SensorId, Direction)) {
        match self {
            Self::Compare { left, order, right, .. } => {
                let way = match order {
                    Comparison::Less | Comparison::AtMost => Direction::Down,
                    Comparison::Greater | Comparison::AtLeast => Direction::Up,
                };
                let way = way.turned_if(!upright);
                left.ways(way, each);
                right.ways(way.turned(), each);
            }
            Self::Range { value, low, high, .. } => {
                [value, low, high].into_iter().for_each(|formula| formula.ways(Direction::Any, each));
            }
            Self::HasBeen { what, .. } | Self::After { what, .. } => what.ways(upright, each),
            Self::Then { first, second, .. } => {
                first.ways(upright, each);
                second.ways(upright, each);
            }
            Self::Until(foretold) => foretold.ways(upright, each),
            Self::Shows(_, symptom, rests_on) => {
                // Warmth that no heater explains, or that no cooler takes, is what a fall can't
                // look like.
                let way = match symptom {
                    Symptom::Fault(
                        Fault::HeatWithoutHeater | Fault::CoolerSilent | Fault::CoolerOverwhelmed,
                    )
                    | Symptom::CoolingMissing => Direction::Up.turned_if(!upright),
                    Symptom::Fault(_) | Symptom::Parted | Symptom::HeatMissing => Direction::Any,
                };
                rests_on.iter().for_each(|sensor| each(*sensor, way));
            }
            Self::Holds { rests_on, .. } => rests_on.iter().for_each(|sensor| each(*sensor, Direction::Any)),
            Self::Is(sensor, _) | Self::Lapse(_, sensor, _) => each(*sensor, Direction::Any),
            Self::Commanded(..) | Self::Time(_) | Self::Day(_) | Self::Blind(_) => {}
        }
    }
}

impl Foretold {
    fn ways(&self, upright: bool, each: &mut dyn FnMut(SensorId, Direction)) {
        let way = match self.asked.until {
            UntilWhat::Water(_, Side::Above, _) => Direction::Up,
            UntilWhat::Water(_, Side::Below, _) => Direction::Down,
            UntilWhat::Oxygen(..) | UntilWhat::Battery(_) => Direction::Any,
        };
        let way = way.turned_if(self.over == upright);
        self.rests_on.iter().for_each(|sensor| each(*sensor, way));
    }
}

impl Formula {
    /// `way` is where the formula itself has to go.
    fn ways(&self, way: Direction, each: &mut dyn FnMut(SensorId, Direction)) {
        match self {
            Self::Constant(_) => {}
            Self::Sensor(sensor) => each(*sensor, way),
            Self::Sum(one, other) => {
                one.ways(way, each);
                other.ways(way, each);
            }
            Self::Difference(one, other) => {
                one.ways(way, each);
                other.ways(way.turned(), each);
            }
            // Below nothing a ratio turns round.
            Self::Ratio(one, other) => {
                one.ways(Direction::Any, each);
                other.ways(Direction::Any, each);
            }
            Self::Scaled(factor, inner) => inner.ways(way.turned_if(*factor < 0.0), each),
            Self::Window(window) => {
                let follows = match window.what {
                    Aggregate::Mean
                    | Aggregate::Median
                    | Aggregate::Lowest
                    | Aggregate::Highest
                    | Aggregate::Slope
                    | Aggregate::Total
                    | Aggregate::Duty
                    | Aggregate::Longest => true,
                    Aggregate::Swing | Aggregate::Changes | Aggregate::Spells => false,
                };
                let way = if follows { way } else { Direction::Any };
                match (&window.of, way) {
                    (Operand::Value(formula), way) => formula.ways(way, each),
                    (Operand::Truth(condition), Direction::Any) => {
                        condition.sensors().into_iter().for_each(|sensor| each(sensor, Direction::Any));
                    }
                    (Operand::Truth(condition), way) => condition.ways(way == Direction::Up, each),
                    (Operand::Word(sensor), _) => each(*sensor, Direction::Any),
                }
            }
        }
    }
}

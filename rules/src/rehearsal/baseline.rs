//! Values at which nothing rings, and values that make a condition hold. A plan's conditions
//! flow in; one value for each sensor flows out. The values worth trying for a sensor lie
//! between the limits that conditions name, so a search over a handful of candidates, one
//! sensor after the other until nothing gets better, finds them.

use crate::condition::{Aggregate, Comparison, Condition, Formula, Operand, Test, Window};
use crate::plan::{Measure, Plan, SensorId};
use crate::reading::Value;
use crate::time::Span;
use crate::units::Quantity;
use std::collections::{BTreeMap, BTreeSet};

/// Rounds of the search; each looks at every sensor once.
const ROUNDS: usize = 6;

/// One value for each sensor.
type TriedValues = BTreeMap<SensorId, Value>;

/// A value for every sensor, at which as few alarms ring as can be.
pub(super) fn values(plan: &Plan) -> TriedValues {
    let quiet: Vec<&Condition> = plan
        .alarms
        .iter()
        .filter(|alarm| alarm.sight.is_none())
        .flat_map(|alarm| [Some(&alarm.condition), alarm.worse.as_deref()])
        .chain(plan.relays.iter().map(|relay| relay.proof.as_ref().map(|proof| &proof.condition)))
        .flatten()
        .collect();
    let sensors = (0..).map(SensorId).take(plan.sensors.len());
    let choices: BTreeMap<_, _> = sensors.map(|id| (id, candidates(plan, id))).collect();
    let first = choices.iter().filter_map(|(id, choices)| Some((*id, *choices.first()?)));
    // In calm water nothing stands against a stopgap, and nothing would hold one.
    let met: Vec<&Condition> = plan
        .relays
        .iter()
        .flat_map(|relay| [relay.only_if.as_ref(), relay.hold.as_ref().and_then(|hold| hold.until.as_ref())])
        .flatten()
        .collect();
    search(first.collect(), &choices, |values| {
        quiet.iter().filter(|it| steady(it, values) != Some(false)).count()
            + met.iter().filter(|it| steady(it, values) != Some(true)).count()
    })
}

/// Heaters that can cycle in the calm without raising anything: the sensor of the power that each
/// draws, and how much. Only the first of a tank: the spare one waits.
pub(super) fn thermostats(plan: &Plan, calm: &TriedValues) -> Vec<(SensorId, f64)> {
    let first = plan.tanks.iter().filter_map(|tank| tank.gear.heaters.into_iter().flatten().next());
    let heaters = first.filter_map(|heater| Some((heater.sensor?, heater.power?)));
    let conditions = || plan.alarms.iter().map(|alarm| &alarm.condition);
    let rings = |values: &TriedValues| conditions().filter(|it| steady(it, values) == Some(true)).count();
    let quiet = |sensor: SensorId, watts: f64| {
        let mut values = calm.clone();
        values.insert(sensor, Value::Number(watts));
        rings(&values) <= rings(calm)
    };
    heaters
        .filter(|(id, watts)| {
            let sensor = plan.sensor(*id);
            let believable = sensor.plausible.is_none_or(|(low, high)| low <= 0.0 && *watts <= high);
            sensor.measure.name == "power" && believable && quiet(*id, *watts) && quiet(*id, 0.0)
        })
        .collect()
}

/// Values for the sensors of `condition` that make it hold, or not hold, for good; the others
/// are left out. As near as the search comes.
pub(super) fn make(plan: &Plan, condition: &Condition, holds: bool) -> TriedValues {
    let choices: BTreeMap<_, _> =
        condition.sensors().into_iter().map(|id| (id, candidates(plan, id))).collect();
    let first = choices.iter().filter_map(|(id, choices)| Some((*id, *choices.first()?)));
    search(first.collect(), &choices, |values| usize::from(steady(condition, values) != Some(holds)))
}

fn search(
    mut values: TriedValues,
    choices: &BTreeMap<SensorId, Vec<Value>>,
    cost: impl Fn(&TriedValues) -> usize,
) -> TriedValues {
    let mut best = cost(&values);
    for _ in 0..ROUNDS {
        let before = best;
        for (sensor, choices) in choices {
            for choice in choices {
                if best == 0 {
                    return values;
                }
                let old = values.insert(*sensor, *choice);
                let now = cost(&values);
                if now < best {
                    best = now;
                } else if let Some(old) = old {
                    values.insert(*sensor, old);
                }
            }
        }
        if best == before {
            break;
        }
    }
    values
}

/// Values worth trying for a sensor, the likeliest first: the middle of its limits, then what
/// lies between and beyond all numbers that conditions compare it with.
fn candidates(plan: &Plan, id: SensorId) -> Vec<Value> {
    let sensor = plan.sensor(id);
    if sensor.measure.words || !sensor.words().is_empty() {
        return (0..sensor.words().len() as u16).map(Value::Word).collect();
    }
    let mut marks = BTreeSet::new();
    let mut mark = |value: f64| marks.insert(LimitMark(value));
    let conditions = plan.alarms.iter().flat_map(|alarm| [Some(&alarm.condition), alarm.worse.as_deref()]);
    let of_relays = plan.relays.iter().flat_map(|relay| relay.conditions());
    let all = conditions.flatten().chain(of_relays);
    for condition in all.filter(|condition| condition.sensors().contains(&id)) {
        constants(condition, &mut |value| {
            mark(value);
        });
    }
    for (low, high) in sensor.limits.iter().chain(&sensor.plausible) {
        mark(*low);
        mark(*high);
    }
    let marks: Vec<f64> = marks.into_iter().map(|mark| mark.0).collect();
    let believable = |value: &f64| {
        let plausible = sensor.plausible.is_none_or(|(low, high)| low <= *value && *value <= high);
        plausible && !sensor.reject.iter().any(|reject| (reject - value).abs() < 1e-9)
    };
    let middle = |(low, high): (f64, f64)| (low + high) / 2.0;
    let between = marks.iter().zip(marks.iter().skip(1)).map(|(low, high)| middle((*low, *high)));
    let step = |value: f64| value.abs().max(1e-3) * 0.5;
    let beyond = [marks.first().map(|low| low - step(*low)), marks.last().map(|high| high + step(*high))];
    let usual = sensor.tank.and_then(|_| usual(sensor.measure));
    let likely = sensor.limits.map(middle).or(usual).into_iter();
    let all = likely
        .chain(between)
        .chain(beyond.into_iter().flatten())
        .chain(marks.iter().copied())
        .chain([0.0, 1.0]);
    all.filter(believable).map(Value::Number).collect()
}

/// What calm water measures where the file names no `limits`: common practice, no source.
const USUAL: [(&str, &str); 4] =
    [("temperature", "25.5 degC"), ("ph", "8.2 pH"), ("salinity", "35 ppt"), ("oxygen", "6.5 mg/L")];

fn usual(measure: Measure) -> Option<f64> {
    let (_, text) = USUAL.iter().find(|(name, _)| *name == measure.name)?;
    Quantity::parse(text).and_then(|quantity| quantity.base(measure.dimension)).ok()
}

/// Numbers in order.
#[derive(Clone, Copy, PartialEq)]
struct LimitMark(f64);

impl Eq for LimitMark {}

impl PartialOrd for LimitMark {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for LimitMark {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.total_cmp(&other.0)
    }
}

/// Every number that stands in the condition.
fn constants(condition: &Condition, found: &mut dyn FnMut(f64)) {
    match condition {
        Condition::All(parts) | Condition::Any(parts) => parts.iter().for_each(|part| constants(part, found)),
        Condition::Not(inner) => constants(inner, found),
        Condition::Says(test, _) => match test {
            Test::Compare { left, right, .. } => {
                numbers(left, found);
                numbers(right, found);
            }
            Test::Range { value, low, high, .. } => {
                [value, low, high].into_iter().for_each(|it| numbers(it, found))
            }
            Test::HasBeen { what, .. } | Test::After { what, .. } => constants(what, found),
            Test::Then { first, second, .. } => {
                constants(first, found);
                constants(second, found);
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

fn numbers(formula: &Formula, found: &mut dyn FnMut(f64)) {
    match formula {
        Formula::Constant(value) => found(*value),
        Formula::Sensor(_) => {}
        Formula::Sum(one, other) | Formula::Difference(one, other) | Formula::Ratio(one, other) => {
            numbers(one, found);
            numbers(other, found);
        }
        Formula::Scaled(_, inner) => numbers(inner, found),
        Formula::Window(window) => match &window.of {
            Operand::Value(inner) => numbers(inner, found),
            Operand::Truth(condition) => constants(condition, found),
            Operand::Word(_) => {}
        },
    }
}

/// What a condition comes to if nothing ever changes; none if that depends on the time of day
/// or on what is not there.
fn steady(condition: &Condition, values: &TriedValues) -> Option<bool> {
    match condition {
        Condition::All(parts) => parts.iter().map(|part| steady(part, values)).fold(Some(true), both),
        Condition::Any(parts) => {
            let none =
                parts.iter().map(|part| steady(part, values).map(|truth| !truth)).fold(Some(true), both);
            none.map(|none| !none)
        }
        Condition::Not(inner) => steady(inner, values).map(|truth| !truth),
        Condition::Says(test, _) => steady_test(test, values),
    }
}

fn both(one: Option<bool>, other: Option<bool>) -> Option<bool> {
    match (one, other) {
        (Some(false), _) | (_, Some(false)) => Some(false),
        (Some(true), Some(true)) => Some(true),
        _ => None,
    }
}

fn steady_test(test: &Test, values: &TriedValues) -> Option<bool> {
    match test {
        Test::Compare { left, order, right, .. } => {
            let (left, right) = (steady_number(left, values)?, steady_number(right, values)?);
            Some(match order {
                Comparison::Less => left < right,
                Comparison::AtMost => left <= right,
                Comparison::Greater => left > right,
                Comparison::AtLeast => left >= right,
            })
        }
        Test::Range { value, low, high, outside, .. } => {
            let value = steady_number(value, values)?;
            let inside = steady_number(low, values)? <= value && value <= steady_number(high, values)?;
            Some(inside != *outside)
        }
        Test::Is(sensor, word) => Some(*values.get(sensor)? == Value::Word(*word)),
        Test::HasBeen { what, .. } => steady(what, values),
        // What came true long ago has not just come true.
        Test::Lapse(..) | Test::Commanded(..) | Test::After { .. } | Test::Then { .. } | Test::Blind(_) => {
            Some(false)
        }
        Test::Time(_) | Test::Day(_) | Test::Until(_) | Test::Shows(..) | Test::Holds { .. } => None,
    }
}

fn steady_number(formula: &Formula, values: &TriedValues) -> Option<f64> {
    let of = |inner: &Formula| steady_number(inner, values);
    match formula {
        Formula::Constant(value) => Some(*value),
        Formula::Sensor(sensor) => match values.get(sensor)? {
            Value::Number(value) => Some(*value),
            Value::Word(_) => None,
        },
        Formula::Sum(one, other) => Some(of(one)? + of(other)?),
        Formula::Difference(one, other) => Some(of(one)? - of(other)?),
        Formula::Ratio(one, other) => Some(of(one)? / of(other)?),
        Formula::Scaled(factor, inner) => Some(factor * of(inner)?),
        Formula::Window(window) => steady_window(window, values),
    }
}

fn steady_window(window: &Window, values: &TriedValues) -> Option<f64> {
    let value = match &window.of {
        Operand::Value(inner) => steady_number(inner, values)?,
        // What is compared with a share of the past is compared with a calm one.
        Operand::Truth(_) if window.lag > Span::ZERO => 0.0,
        Operand::Truth(condition) => f64::from(u8::from(steady(condition, values)?)),
        Operand::Word(_) => 0.0,
    };
    Some(match window.what {
        Aggregate::Mean | Aggregate::Median | Aggregate::Lowest | Aggregate::Highest | Aggregate::Duty => {
            value
        }
        Aggregate::Swing | Aggregate::Slope | Aggregate::Changes => 0.0,
        Aggregate::Total | Aggregate::Longest => value * window.over.as_seconds(),
        Aggregate::Spells => value.min(1.0),
    })
}

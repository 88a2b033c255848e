//! Can an alarm ring at all, and does a blip leave it quiet? For each alarm of a plan the
//! smallest story that should raise it is made up and played, and one that should not.

use super::baseline;
use super::play::Player;
use crate::condition::{Condition, Formula, Operand, Test, Window};
use crate::plan::{Alarm, AlarmId, Plan, SensorId};
use crate::reading::Value;
use crate::time::{Span, Wall};
use std::collections::BTreeMap;

/// What was found out about an alarm.
#[derive(Clone, Debug, PartialEq)]
pub struct Probe {
    /// The alarm.
    pub alarm: String,
    /// How it was raised, and how long that took; none if no story raised it.
    pub raised: Option<(String, Span)>,
    /// Whether it asks a forecast, which may take hours of an outage or days of learning: then a
    /// short story may not do.
    pub foretells: bool,
    /// Whether the same for less than its on-delay left it quiet; none if it has hardly any.
    pub blip_is_quiet: Option<bool>,
}

/// Ways to make a condition come true, the simplest first.
#[derive(Clone, Copy, Debug)]
enum WayToHold {
    Hold,
    Ramp,
    Silence,
    Flap,
}

const WAYS: [WayToHold; 4] = [WayToHold::Hold, WayToHold::Ramp, WayToHold::Silence, WayToHold::Flap];

/// Stories begin on a Monday at noon; one that waits for an hour of the day finds it.
const START: Wall = Wall(1_772_452_800_000);

/// Probes every alarm that the keeper wrote.
pub fn probe(plan: &Plan) -> Vec<Probe> {
    let alarms = (0..).map(AlarmId).zip(&plan.alarms).filter(|(_, alarm)| alarm.sight.is_none());
    alarms.map(|(_, alarm)| probe_alarm(plan, alarm)).collect()
}

fn probe_alarm(plan: &Plan, alarm: &Alarm) -> Probe {
    let patience =
        alarm.on_delay + reach(&alarm.condition) + slowest(plan, alarm).times(4) + Span::minutes(5);
    let mut raised = None;
    for way in WAYS {
        if let Some(after) = play(plan, alarm, way, patience, patience) {
            raised = Some((way, after));
            break;
        }
    }
    let blip = alarm.on_delay - slowest(plan, alarm).times(2);
    let blip_is_quiet =
        raised.filter(|_| blip > Span::ZERO).map(|(way, _)| play(plan, alarm, way, blip, patience).is_none());
    let words = |way| match way {
        WayToHold::Hold => "its values held",
        WayToHold::Ramp => "its values moved",
        WayToHold::Silence => "its sensors silent",
        WayToHold::Flap => "its values coming and going",
    };
    let mut foretells = !alarm.condition.foretells().is_empty();
    alarm.condition.asked(&mut |_| foretells = true);
    Probe {
        alarm: alarm.name.clone(),
        raised: raised.map(|(way, after)| (words(way).to_owned(), after)),
        foretells,
        blip_is_quiet,
    }
}

/// Plays one way for `length`, then calm again until `patience` is over: when the alarm was raised.
fn play(plan: &Plan, alarm: &Alarm, way: WayToHold, length: Span, patience: Span) -> Option<Span> {
    let mut player = Player::new(plan, START);
    let calm = baseline::values(plan);
    let wanted = baseline::make(plan, &alarm.condition, true);
    let back: BTreeMap<SensorId, Value> =
        wanted.keys().filter_map(|id| Some((*id, *calm.get(id)?))).collect();
    let begun = player.begun();
    match way {
        WayToHold::Hold => player.report_all(&wanted, Span::ZERO),
        WayToHold::Ramp => player.report_all(&moved(&calm, &alarm.condition, &wanted), length),
        WayToHold::Silence => alarm.condition.sensors().into_iter().for_each(|id| player.silence(id)),
        WayToHold::Flap => {
            let half = (slowest(plan, alarm).times(2)).max(Span::minutes(1));
            let mut at = Span::ZERO;
            while at < length {
                player.report_all(&wanted, Span::ZERO);
                player.run_to(begun + at + half);
                player.report_all(&back, Span::ZERO);
                player.run_to(begun + at + half + half);
                at = at + half + half;
            }
        }
    }
    player.run_to(begun + length);
    player.report_all(&back, Span::ZERO);
    player.run_to(begun + patience.max(length));
    player.raised_after(&alarm.name)
}

/// For what looks at changes: every number goes far from where it is calm.
fn moved(
    calm: &BTreeMap<SensorId, Value>,
    condition: &Condition,
    wanted: &BTreeMap<SensorId, Value>,
) -> BTreeMap<SensorId, Value> {
    let far = |id: SensorId| match (wanted.get(&id), calm.get(&id)) {
        (Some(Value::Number(wanted)), Some(Value::Number(calm))) if wanted == calm => {
            Some(Value::Number(calm - calm.abs().max(1.0) * 0.3))
        }
        (Some(wanted), _) => Some(*wanted),
        (None, _) => None,
    };
    condition.sensors().into_iter().filter_map(|id| Some((id, far(id)?))).collect()
}

/// The slowest of the alarm's sensors.
fn slowest(plan: &Plan, alarm: &Alarm) -> Span {
    alarm.condition.sensors().into_iter().map(|id| plan.sensor(id).every).max().unwrap_or(Span::ZERO)
}

/// How far back, or how far into the day, a condition looks.
pub(crate) fn reach(condition: &Condition) -> Span {
    match condition {
        Condition::All(parts) | Condition::Any(parts) => parts.iter().map(reach).max().unwrap_or(Span::ZERO),
        Condition::Not(inner) => reach(inner),
        Condition::Says(test, _) => match test {
            Test::Compare { left, right, .. } => of(left).max(of(right)),
            Test::Range { value, low, high, .. } => of(value).max(of(low)).max(of(high)),
            Test::Lapse(_, _, length) => *length,
            Test::HasBeen { what, length, .. } => reach(what) + *length,
            Test::After { what, within, .. } => reach(what) + *within,
            Test::Then { first, second, within, .. } => reach(first) + reach(second) + *within,
            Test::Time(_) => Span::hours(25),
            Test::Day(_) => Span::hours(8 * 24),
            Test::Is(..)
            | Test::Commanded(..)
            | Test::Until(_)
            | Test::Shows(..)
            | Test::Holds { .. }
            | Test::Blind(_) => Span::ZERO,
        },
    }
}

fn of(formula: &Formula) -> Span {
    match formula {
        Formula::Constant(_) | Formula::Sensor(_) => Span::ZERO,
        Formula::Sum(one, other) | Formula::Difference(one, other) | Formula::Ratio(one, other) => {
            of(one).max(of(other))
        }
        Formula::Scaled(_, inner) => of(inner),
        Formula::Window(window) => window.over.times(2) + window.lag + inside(window),
    }
}

fn inside(window: &Window) -> Span {
    match &window.of {
        Operand::Value(inner) => of(inner),
        Operand::Truth(condition) => reach(condition),
        Operand::Word(_) => Span::ZERO,
    }
}

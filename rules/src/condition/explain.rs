//! A condition in words for people: the whole tree with current values and how far each is
//! from its limit, or in short the readings that its truth rests on.

use super::evaluate::slack;
use super::{Condition, Formula, Hold, Order, Truth, World};
use crate::plan::{Plan, Sensor, SensorId, Sight};
use crate::reading::Value;
use crate::time::Moment;
use crate::units::{Dimension, Scale, Unit};

/// One line of an explanation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reason {
    /// How deep it stands in the tree; 0 is the condition itself.
    pub depth: usize,
    /// `lagoon-temp < 22 degC: false: 24.6 degC, 2.6 K above the limit`
    pub text: String,
    /// What this part says.
    pub truth: Truth,
}

impl Condition {
    /// The tree with current values: what is true, false or unknown, and why.
    pub fn explain(&self, plan: &Plan, world: &impl World, now: Moment, hold: Hold) -> Vec<Reason> {
        let mut reasons = Vec::new();
        self.reasons(&Told { plan, world, now, hold }, 0, true, &mut reasons);
        reasons
    }

    /// The readings that its truth rests on, in short: `mains off, lagoon-temp 23.1 degC`.
    pub fn because(&self, plan: &Plan, world: &impl World, now: Moment) -> String {
        let mut parts = Vec::new();
        self.rests_on(&Told { plan, world, now, hold: None }, &mut parts);
        parts.join(", ")
    }

    fn reasons<W: World>(&self, told: &Told<'_, W>, depth: usize, upright: bool, into: &mut Vec<Reason>) {
        let truth = self.judge(told.world, told.now, told.hold, upright).truth;
        let (what, why) = match self {
            Self::All(_) => ("all of these".to_owned(), None),
            Self::Any(_) => ("at least one of these".to_owned(), None),
            Self::Not(_) => ("not".to_owned(), None),
            Self::Compare { left, order, right, dimension } => (
                format!(
                    "{} {order} {}",
                    told.formula(left, right, *dimension),
                    told.formula(right, left, *dimension)
                ),
                Some(told.distance(left, *order, right, *dimension, upright)),
            ),
            Self::Is(id, word) => {
                let sensor = told.plan.sensor(*id);
                (format!("{} is {}", sensor.name, said(sensor, *word)), Some(told.reading(*id)))
            }
            Self::Silent(id, length) => {
                let silence = told.now - told.world.heard(*id);
                let name = &told.plan.sensor(*id).name;
                (format!("{name} is silent for {length}"), Some(format!("last heard {silence} ago")))
            }
            Self::Blind(sight) => (format!("{} is out of sight", told.sight(sight)), None),
        };
        let text = match why {
            Some(why) => format!("{what}: {truth}: {why}"),
            None => format!("{what}: {truth}"),
        };
        into.push(Reason { depth, text, truth });
        match self {
            Self::All(parts) | Self::Any(parts) => {
                parts.iter().for_each(|part| part.reasons(told, depth + 1, upright, into));
            }
            Self::Not(inner) => inner.reasons(told, depth + 1, !upright, into),
            Self::Compare { .. } | Self::Is(..) | Self::Silent(..) | Self::Blind(_) => {}
        }
    }

    fn rests_on<W: World>(&self, told: &Told<'_, W>, into: &mut Vec<String>) {
        let mut add = |text: String| {
            if !into.contains(&text) {
                into.push(text);
            }
        };
        match self {
            // Of several parts only those count that made the whole what it is.
            Self::All(parts) | Self::Any(parts) => {
                let truth_of = |part: &Condition| part.evaluate(told.world, told.now, told.hold).truth;
                let whole = truth_of(self);
                parts
                    .iter()
                    .filter(|part| truth_of(part) == whole)
                    .for_each(|part| part.rests_on(told, into));
            }
            Self::Not(inner) => inner.rests_on(told, into),
            Self::Compare { left, right, .. } => {
                for id in left.in_order().into_iter().chain(right.in_order()) {
                    add(format!("{} {}", told.plan.sensor(id).name, told.reading(id)));
                }
            }
            Self::Is(id, _) => add(format!("{} {}", told.plan.sensor(*id).name, told.reading(*id))),
            Self::Silent(id, _) => {
                let silence = told.now - told.world.heard(*id);
                add(format!("{} silent for {silence}", told.plan.sensor(*id).name));
            }
            Self::Blind(sight) => {
                let sees = match told.world.blind(sight) {
                    Truth::True => "out of sight",
                    Truth::False => "in sight",
                    Truth::Unknown => "may be out of sight",
                };
                add(format!("{} {sees}", told.sight(sight)));
            }
        }
    }
}

/// All that the words are made from.
struct Told<'a, W> {
    plan: &'a Plan,
    world: &'a W,
    now: Moment,
    hold: Hold,
}

impl<W: World> Told<'_, W> {
    /// `23.1 degC`, `off`, `unknown (stale for 5 min)`.
    fn reading(&self, id: SensorId) -> String {
        let sensor = self.plan.sensor(id);
        match self.world.value(id) {
            Some(Value::Number(value)) => sensor.scale.show(value),
            Some(Value::Word(word)) => said(sensor, word).to_owned(),
            None => match self.world.doubt(id) {
                Some(why) => format!("unknown ({why})"),
                None => "unknown".to_owned(),
            },
        }
    }

    /// How a comparison stands: the values and how far they are from each other.
    fn distance(
        &self,
        left: &Formula,
        order: Order,
        right: &Formula,
        of: Dimension,
        upright: bool,
    ) -> String {
        let (Some(first), Some(second)) = (left.value(self.world), right.value(self.world)) else {
            let missing = left.in_order().into_iter().chain(right.in_order());
            let missing = missing.filter(|id| self.world.value(*id).is_none());
            let parts: Vec<_> =
                missing.map(|id| format!("{} {}", self.plan.sensor(id).name, self.reading(id))).collect();
            return parts.join(", ");
        };
        let Some(scale) = self.scale(left, right) else { return String::new() };
        let moved = order.relaxed(slack(self.hold, of), upright);
        let held = if moved == 0.0 { "" } else { " that the deadband holds" };
        // Seen from the side that varies; a limit on the left is the same limit.
        let (value, limit, limit_varies) = match (left, right) {
            (Formula::Constant(_), _) => (second, first - moved, false),
            (_, Formula::Constant(_)) => (first, second + moved, false),
            _ => (first, second + moved, true),
        };
        let side = if value < limit { "below" } else { "above" };
        let gap = show(&scale, of.difference(), (value - limit).abs());
        let value = show(&scale, of, value);
        match (limit_varies, gap.starts_with("0 ") || gap == "0") {
            (true, _) => format!("{value} against {}, {gap} {side}", show(&scale, of, limit)),
            (false, true) => format!("{value}, at the limit{held}"),
            (false, false) => format!("{value}, {gap} {side} the limit{held}"),
        }
    }

    /// A formula as the rule file would say it, beside `other`.
    fn formula(&self, formula: &Formula, other: &Formula, of: Dimension) -> String {
        match formula {
            Formula::Sensor(id) => self.plan.sensor(*id).name.clone(),
            Formula::Constant(value) => match self.scale(formula, other) {
                Some(scale) => show(&scale, of, *value),
                None => value.to_string(),
            },
            Formula::Difference(left, right) => {
                // A point less a difference is a point; both sides of a difference are alike.
                let (first, second) = if of.is_point() {
                    (of, of.difference())
                } else {
                    let alike = self.scale(left, right).map_or(of, |scale| scale.unit.dimension);
                    (alike, alike)
                };
                let second = match **right {
                    Formula::Difference(..) => format!("({})", self.formula(right, left, second)),
                    Formula::Sensor(_) | Formula::Constant(_) => self.formula(right, left, second),
                };
                format!("{} - {second}", self.formula(left, right, first))
            }
        }
    }

    /// The unit of the first sensor in the formulas.
    fn scale(&self, left: &Formula, right: &Formula) -> Option<Scale> {
        let first = left.in_order().into_iter().chain(right.in_order()).next()?;
        Some(self.plan.sensor(first).scale.clone())
    }

    fn sight(&self, sight: &Sight) -> String {
        match sight {
            Sight::Broker => "the broker".to_owned(),
            Sight::Gateway(name) => format!("gateway {name}"),
            Sight::Sensor(id) => self.plan.sensor(*id).name.clone(),
        }
    }
}

impl Formula {
    /// Its sensors in the order they are written.
    fn in_order(&self) -> Vec<SensorId> {
        match self {
            Self::Constant(_) => Vec::new(),
            Self::Sensor(id) => vec![*id],
            Self::Difference(left, right) => {
                let mut found = left.in_order();
                found.extend(right.in_order());
                found
            }
        }
    }
}

/// A number of this dimension in the sensor's unit; differences of degC are said in K.
pub(super) fn show(scale: &Scale, of: Dimension, base: f64) -> String {
    match Unit::named("K") {
        _ if of.is_point() || !scale.unit.dimension.is_point() => scale.show(base),
        Some(kelvin) if scale.name == "degC" => Scale { unit: kelvin, name: "K".to_owned() }.show(base),
        Some(_) | None => scale.show_difference(base),
    }
}

fn said(sensor: &Sensor, word: u16) -> &str {
    sensor.words().get(usize::from(word)).map_or("an undeclared word", |word| &word.name)
}

//! The types of formulas: what each part of a comparison measures, and which values believable
//! readings can make of it. A quantity such as `2 degF` has no type of its own until the other
//! side says whether a point of the scale is meant or a difference.

use super::check::{Checker, words};
use super::explain::show;
use super::{Formula, Order, Written};
use crate::plan::nearest::nearest_unit;
use crate::plan::{At, Finding, Sensor};
use crate::units::{Dimension, Quantity, Unit};

/// A formula whose type is known, or a quantity whose type the other side decides.
pub(super) enum Term<'s> {
    Typed(Typed<'s>),
    Literal(Quantity),
}

pub(super) struct Typed<'s> {
    pub(super) formula: Formula,
    pub(super) dimension: Dimension,
    /// The lowest and highest value that believable readings can make of it.
    pub(super) range: Option<(f64, f64)>,
    /// A sensor in it, for its unit.
    pub(super) like: &'s Sensor,
}

impl<'s> Checker<'s> {
    pub(super) fn term(&mut self, written: &At<Written>) -> Option<Term<'s>> {
        match &written.it {
            Written::Name(name) => {
                let (id, sensor) = self.sensor(name, &written.span)?;
                if sensor.measure.words {
                    let title = format!("`{name}` says words, not numbers");
                    let help = format!("write `{name} is …` with one of its words: {}", words(sensor));
                    return self.note(
                        Finding::error(written.span.clone(), title, "a number is wanted here").help(help),
                    );
                }
                Some(Term::Typed(Typed {
                    formula: Formula::Sensor(id),
                    dimension: sensor.scale.unit.dimension,
                    range: sensor.plausible,
                    like: sensor,
                }))
            }
            Written::Quantity { number, unit } => {
                Some(Term::Literal(Quantity { number: *number, unit: self.unit(written, *number, unit)? }))
            }
            Written::Difference(left, right) => {
                let (first, second) = (self.term(left), self.term(right));
                self.difference(written, left, first?, right, second?).map(Term::Typed)
            }
            Written::All(_)
            | Written::Any(_)
            | Written::Not(_)
            | Written::Compare { .. }
            | Written::Is { .. }
            | Written::Silent { .. } => {
                let title = format!("`{}` is a condition, not a value", written.it);
                let label = "a sensor's name or a quantity is wanted here";
                self.note(Finding::error(written.span.clone(), title, label))
            }
        }
    }

    fn difference(
        &mut self,
        whole: &At<Written>,
        left: &At<Written>,
        first: Term<'s>,
        right: &At<Written>,
        second: Term<'s>,
    ) -> Option<Typed<'s>> {
        let (first, second, dimension) = match (first, second) {
            (Term::Typed(first), Term::Typed(second)) => {
                let dimension = if first.dimension == second.dimension {
                    first.dimension.difference()
                } else if first.dimension.difference() == second.dimension {
                    first.dimension
                } else {
                    return self.clash("reduced by", left, first.dimension, right, second.dimension);
                };
                (first, second, dimension)
            }
            (Term::Typed(first), Term::Literal(quantity)) => {
                // 1 K less than a temperature is a temperature; 1 degC less than one is how
                // far it is from that point of the scale.
                let (wanted, dimension) = match first.dimension {
                    of if quantity.unit.dimension == of => (of, of.difference()),
                    of => (of.difference(), of),
                };
                let Ok(base) = quantity.base(wanted) else {
                    return self.misfit("reduced by", left, &first, right, quantity);
                };
                let second = Typed { dimension: wanted, ..constant(base, &first) };
                (first, second, dimension)
            }
            (Term::Literal(quantity), Term::Typed(second)) => {
                let of = quantity.unit.dimension;
                let (wanted, dimension) = match second.dimension {
                    other if of != other && of.difference() == other => (of, of),
                    other => (other, other.difference()),
                };
                let Ok(base) = quantity.base(wanted) else {
                    return self.misfit("subtracted from", right, &second, left, quantity);
                };
                (Typed { dimension: wanted, ..constant(base, &second) }, second, dimension)
            }
            (Term::Literal(_), Term::Literal(_)) => {
                let label = "no sensor has a part in it";
                let title = format!("`{}` never changes", whole.it);
                return self.note(Finding::error(whole.span.clone(), title, label).help("write its result"));
            }
        };
        let range = first.range.zip(second.range).map(|(a, b)| (a.0 - b.1, a.1 - b.0));
        let formula = Formula::Difference(Box::new(first.formula), Box::new(second.formula));
        Some(Typed { formula, dimension, range, like: first.like })
    }

    pub(super) fn unit(&mut self, written: &At<Written>, number: f64, unit: &str) -> Option<Unit> {
        if let Some(known) = Unit::named(unit) {
            return Some(known);
        }
        let help = nearest_unit(unit).map(|unit| format!("did you mean `{number} {unit}`?"));
        let finding = Finding::error(written.span.clone(), format!("`{unit}` is not a unit"), "unknown unit");
        self.note(finding.maybe_help(help))
    }

    /// Two typed sides that don't go together.
    pub(super) fn clash<T>(
        &mut self,
        verb: &str,
        left: &At<Written>,
        first: Dimension,
        right: &At<Written>,
        second: Dimension,
    ) -> Option<T> {
        let title = format!("{} can't be {verb} {}", first.words(), second.words());
        let finding = Finding::error(right.span.clone(), title, format!("this is {}", second.words()));
        let finding = finding.also(left.span.clone(), format!("this is {}", first.words()));
        self.note(finding.maybe_help(points_and_differences(first, second)))
    }

    /// A typed side and a quantity that doesn't fit it.
    pub(super) fn misfit<T>(
        &mut self,
        verb: &str,
        typed: &At<Written>,
        of: &Typed<'_>,
        literal: &At<Written>,
        quantity: Quantity,
    ) -> Option<T> {
        let found = quantity.unit.dimension;
        let unit = &of.like.scale.name;
        if found == Dimension::NUMBER && !unit.is_empty() {
            let title = format!("`{}` needs a unit", literal.it);
            let label = format!("a plain number beside {}", of.dimension.words());
            let help = format!("for instance `{} {unit}`", quantity.number);
            return self.note(Finding::error(literal.span.clone(), title, label).help(help));
        }
        self.clash(verb, typed, of.dimension, literal, found)
    }

    /// A comparison that believable readings can't change.
    pub(super) fn pointless<T>(
        &mut self,
        whole: &At<Written>,
        always: bool,
        first: &Typed<'_>,
        second: &Typed<'_>,
    ) -> Option<T> {
        let says = if always { "is always true" } else { "can never be true" };
        let title = format!("`{}` {says}", whole.it);
        let varying = if matches!(first.formula, Formula::Constant(_)) { second } else { first };
        let show = |base: f64| show(&varying.like.scale, varying.dimension, base);
        let label = match (&varying.formula, varying.range) {
            (Formula::Sensor(_), Some((low, high))) => {
                format!("readings outside {} to {} are not believed", show(low), show(high))
            }
            (_, Some((low, high))) => {
                format!("believable readings differ by {} to {}", show(low), show(high))
            }
            (_, None) => String::new(),
        };
        let help = format!("move the limit, or widen `plausible` of `{}`", varying.like.name);
        self.note(Finding::error(whole.span.clone(), title, label).help(help))
    }
}

/// A constant beside `other`, of its type.
pub(super) fn constant<'s>(base: f64, other: &Typed<'s>) -> Typed<'s> {
    Typed {
        formula: Formula::Constant(base),
        dimension: other.dimension,
        range: Some((base, base)),
        like: other.like,
    }
}

/// What the comparison says for every value in the ranges, if it says the same for all.
pub(super) fn decided(order: Order, left: (f64, f64), right: (f64, f64)) -> Option<bool> {
    match order {
        Order::Less if left.1 < right.0 => Some(true),
        Order::Less if left.0 >= right.1 => Some(false),
        Order::AtMost if left.1 <= right.0 => Some(true),
        Order::AtMost if left.0 > right.1 => Some(false),
        Order::Less | Order::AtMost => None,
        Order::Greater => decided(Order::Less, right, left),
        Order::AtLeast => decided(Order::AtMost, right, left),
    }
}

fn points_and_differences(first: Dimension, second: Dimension) -> Option<String> {
    (first.difference() == second.difference())
        .then(|| "degC and degF are points on a scale; a difference is written in K".to_owned())
}

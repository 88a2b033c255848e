//! The types of formulas: what each part of a comparison measures, and which values believable
//! readings can make of it. A quantity such as `2 degF` has no type of its own until the other
//! side says whether a point of the scale is meant or a difference.

use super::check::{Checker, ComparedPart, words};
use super::scale::{scale, show_of};
use super::window::CheckedWindow;
use super::{Comparison, Formula, Written};
use crate::diagnostic::Finding;
use crate::site::Sensor;
use crate::units::{Dimension, Quantity, Unit, near_unit};

/// A formula whose type is known, or a quantity whose type the other side decides.
pub(super) enum Term<'s> {
    Typed(Typed<'s>),
    Literal(Quantity),
}

#[derive(Clone)]
pub(super) struct Typed<'s> {
    pub(super) formula: Formula,
    pub(super) dimension: Dimension,
    /// The lowest and highest value that believable readings can make of it.
    pub(super) range: Option<(f64, f64)>,
    /// A sensor in it, for its unit.
    pub(super) like: Option<&'s Sensor>,
}

impl<'s> Checker<'s> {
    pub(super) fn term(&mut self, written: &ComparedPart) -> Option<Term<'s>> {
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
                    range: sensor.reach(),
                    like: Some(sensor),
                }))
            }
            Written::Quantity { .. } => self.quantity(written).map(Term::Literal),
            Written::Volume(name) => {
                let tank = self.tank(name)?;
                let Some(volume) = tank.volume else {
                    let title = format!("`{}` declares no volume", name.it);
                    let help = "in its table: `volume = \"420 L\"`";
                    return self.note(
                        Finding::error(name.span.clone(), title, "how large it is is not known").help(help),
                    );
                };
                Some(Term::Typed(Typed {
                    formula: Formula::Constant(volume),
                    dimension: Dimension::VOLUME,
                    range: Some((volume, volume)),
                    like: None,
                }))
            }
            Written::Aggregate { what, of, over, lag } => {
                let past = self.window(written, *what, of, over, lag.as_deref())?;
                let CheckedWindow { formula, dimension, range, like, .. } = past;
                Some(Term::Typed(Typed { formula, dimension, range, like }))
            }
            Written::Sum(left, right) => {
                let (first, second) = self.terms(left, right);
                self.sum(written, left, first?, right, second?).map(Term::Typed)
            }
            Written::Difference(left, right) => {
                let (first, second) = self.terms(left, right);
                self.difference(written, left, first?, right, second?).map(Term::Typed)
            }
            Written::Ratio(left, right) => {
                let (first, second) = (self.term(left), self.term(right));
                self.ratio(written, left, first?, right, second?).map(Term::Typed)
            }
            Written::All(_)
            | Written::Any(_)
            | Written::Not(_)
            | Written::Then { .. }
            | Written::After { .. }
            | Written::HasBeen { .. }
            | Written::Compare { .. }
            | Written::Range { .. }
            | Written::Baseline { .. }
            | Written::Moves { .. }
            | Written::Is { .. }
            | Written::Lapse { .. }
            | Written::Commanded { .. }
            | Written::Photoperiod(_)
            | Written::Time { .. }
            | Written::Day(_)
            | Written::Until { .. }
            | Written::Shows { .. }
            | Written::Holds { .. } => {
                let title = format!("`{}` is a condition, not a value", written.it);
                let label = "a sensor's name or a quantity is wanted here";
                self.note(Finding::error(written.span.clone(), title, label))
            }
        }
    }

    /// Two sides that belong together: the one that has a kind of its own is looked at first.
    pub(super) fn terms(
        &mut self,
        left: &ComparedPart,
        right: &ComparedPart,
    ) -> (Option<Term<'s>>, Option<Term<'s>>) {
        let is_quantity = |part: &ComparedPart| matches!(part.it, Written::Quantity { .. });
        if is_quantity(left) && !is_quantity(right) {
            let second = self.term(right);
            let first = self.term_beside(second.as_ref(), left);
            return (first, second);
        }
        let first = self.term(left);
        let second = self.term_beside(first.as_ref(), right);
        (first, second)
    }

    /// A part that stands beside this one.
    pub(super) fn term_beside(&mut self, other: Option<&Term<'s>>, part: &ComparedPart) -> Option<Term<'s>> {
        let kind = match other {
            Some(Term::Typed(typed)) => Some(typed.dimension),
            Some(Term::Literal(_)) | None => None,
        };
        let before = std::mem::replace(&mut self.beside, kind);
        let found = self.term(part);
        self.beside = before;
        found
    }

    pub(super) fn unit(&mut self, written: &ComparedPart, number: f64, unit: &str) -> Option<Unit> {
        if let Some(known) = Unit::named(unit) {
            return Some(known);
        }
        let beside = self.beside;
        let fits = |of: Dimension| {
            beside.is_none_or(|wanted| of == wanted || of.difference() == wanted.difference())
        };
        let help = near_unit(unit, &fits).map(|near| near.ask(|unit| format!("`{number} {unit}`")));
        let finding = Finding::error(written.span.clone(), format!("`{unit}` is not a unit"), "unknown unit");
        self.note(finding.maybe_help(help))
    }

    /// Two typed sides that don't go together.
    pub(super) fn clash<T>(
        &mut self,
        verb: &str,
        left: &ComparedPart,
        first: Dimension,
        right: &ComparedPart,
        second: Dimension,
    ) -> Option<T> {
        let title = format!("{} can't be {verb} {}", first.words(), second.words());
        let finding = Finding::error(right.span.clone(), title, format!("this is {}", second.words()));
        let finding = finding.also(left.span.clone(), format!("this is {}", first.words()));
        let hint = || second.hint(first).strip_prefix(": ").map(str::to_owned);
        self.note(finding.maybe_help(points_and_differences(first, second).or_else(hint)))
    }

    /// A typed side and a quantity that doesn't fit it.
    pub(super) fn misfit<T>(
        &mut self,
        verb: &str,
        typed: &ComparedPart,
        of: &Typed<'_>,
        literal: &ComparedPart,
        quantity: Quantity,
    ) -> Option<T> {
        let found = quantity.unit.dimension;
        let unit = scale(of.dimension, of.like).name;
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
        whole: &ComparedPart,
        always: bool,
        first: &Typed<'_>,
        second: &Typed<'_>,
    ) -> Option<T> {
        let says = if always { "is always true" } else { "can never be true" };
        let title = format!("`{}` {says}", whole.it);
        let varying = if matches!(first.formula, Formula::Constant(_)) { second } else { first };
        let show = |base: f64| show_of(&varying.formula, base, varying.dimension, varying.like);
        let label = match (&varying.formula, varying.range) {
            (Formula::Sensor(_), Some((low, high))) => {
                match varying.like.is_some_and(|sensor| sensor.plausible == varying.range) {
                    true => format!("readings outside {} to {} are not believed", show(low), show(high)),
                    false if high == f64::INFINITY => format!("there is nothing below {}", show(low)),
                    false => format!("it always lies within {} to {}", show(low), show(high)),
                }
            }
            (Formula::Difference(..), Some((low, high))) => {
                format!("believable readings differ by {} to {}", show(low), show(high))
            }
            (_, Some((low, f64::INFINITY))) => format!("it is never less than {}", show(low)),
            (_, Some((low, high))) => format!("it lies between {} and {}", show(low), show(high)),
            (_, None) => String::new(),
        };
        let finding = Finding::error(whole.span.clone(), title, label);
        let help = varying.like.map_or_else(
            || "move the limit".to_owned(),
            |sensor| match sensor.plausible {
                Some(_) => format!("move the limit, or widen `plausible` of `{}`", sensor.name),
                None => "move the limit; is the unit right?".to_owned(),
            },
        );
        self.note(finding.help(help))
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
pub(super) fn decided(order: Comparison, left: (f64, f64), right: (f64, f64)) -> Option<bool> {
    match order {
        Comparison::Less if left.1 < right.0 => Some(true),
        Comparison::Less if left.0 >= right.1 => Some(false),
        Comparison::AtMost if left.1 <= right.0 => Some(true),
        Comparison::AtMost if left.0 > right.1 => Some(false),
        Comparison::Less | Comparison::AtMost => None,
        Comparison::Greater => decided(Comparison::Less, right, left),
        Comparison::AtLeast => decided(Comparison::AtMost, right, left),
    }
}

fn points_and_differences(first: Dimension, second: Dimension) -> Option<String> {
    (first.difference() == second.difference())
        .then(|| "degC and degF are points on a scale; a difference is written in K".to_owned())
}

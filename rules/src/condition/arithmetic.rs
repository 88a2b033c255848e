//! Sums, differences and ratios: which dimensions go together, what comes out, and where it can
//! lie. Points of a scale with a zero of its own can be subtracted, and nothing else.

use super::Formula;
use super::check::{Checker, ComparedPart};
use super::term::{Term, Typed, constant};
use crate::diagnostic::Finding;
use crate::units::Quantity;

impl<'s> Checker<'s> {
    pub(super) fn sum(
        &mut self,
        whole: &ComparedPart,
        left: &ComparedPart,
        first: Term<'s>,
        right: &ComparedPart,
        second: Term<'s>,
    ) -> Option<Typed<'s>> {
        let (first, second) = match (first, second) {
            (Term::Typed(first), Term::Typed(second)) => (first, second),
            (Term::Typed(first), Term::Literal(quantity)) => {
                let Ok(base) = quantity.base(first.dimension.difference()) else {
                    return self.misfit("added to", left, &first, right, quantity);
                };
                let second = Typed { dimension: first.dimension.difference(), ..constant(base, &first) };
                (first, second)
            }
            (Term::Literal(quantity), Term::Typed(second)) => {
                let Ok(base) = quantity.base(second.dimension.difference()) else {
                    return self.misfit("added to", right, &second, left, quantity);
                };
                let first = Typed { dimension: second.dimension.difference(), ..constant(base, &second) };
                (first, second)
            }
            (Term::Literal(_), Term::Literal(_)) => return self.unchanging(whole),
        };
        if first.dimension.is_point() && second.dimension.is_point() {
            let title = "two temperatures can't be added".to_owned();
            let label = "the zero of their scale is arbitrary";
            let help = "a difference in K can be added to one; of two, take the difference";
            return self.note(Finding::error(whole.span.clone(), title, label).help(help));
        }
        if first.dimension.difference() != second.dimension.difference() {
            return self.clash("added to", left, first.dimension, right, second.dimension);
        }
        let dimension = if second.dimension.is_point() { second.dimension } else { first.dimension };
        let range = first.range.zip(second.range).map(|(a, b)| (a.0 + b.0, a.1 + b.1));
        let formula = Formula::Sum(Box::new(first.formula), Box::new(second.formula));
        Some(Typed { formula, dimension, range, like: first.like.or(second.like) })
    }

    pub(super) fn difference(
        &mut self,
        whole: &ComparedPart,
        left: &ComparedPart,
        first: Term<'s>,
        right: &ComparedPart,
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
            (Term::Literal(_), Term::Literal(_)) => return self.unchanging(whole),
        };
        let range = first.range.zip(second.range).map(|(a, b)| (a.0 - b.1, a.1 - b.0));
        let formula = Formula::Difference(Box::new(first.formula), Box::new(second.formula));
        Some(Typed { formula, dimension, range, like: first.like.or(second.like) })
    }

    pub(super) fn ratio(
        &mut self,
        whole: &ComparedPart,
        left: &ComparedPart,
        first: Term<'s>,
        right: &ComparedPart,
        second: Term<'s>,
    ) -> Option<Typed<'s>> {
        // A quantity by itself: of a temperature scale only a difference can be meant.
        let literal = |quantity: Quantity| {
            let dimension = quantity.unit.dimension.difference();
            let base = quantity.base(dimension).ok()?;
            let formula = Formula::Constant(base);
            Some(Typed { formula, dimension, range: Some((base, base)), like: None })
        };
        let (first, second) = match (first, second) {
            (Term::Literal(_), Term::Literal(_)) => return self.unchanging(whole),
            (Term::Typed(first), Term::Typed(second)) => (first, second),
            (Term::Typed(first), Term::Literal(second)) => (first, literal(second)?),
            (Term::Literal(first), Term::Typed(second)) => (literal(first)?, second),
        };
        for (part, typed) in [(left, &first), (right, &second)] {
            if typed.dimension.is_point() {
                let title = format!("{} can't be divided", typed.dimension.words());
                let label = "the zero of its scale is arbitrary";
                let help = "a difference can: `(a - b) / 2 K`";
                return self.note(Finding::error(part.span.clone(), title, label).help(help));
            }
        }
        if second.formula == Formula::Constant(0.0) {
            return self.note(Finding::error(right.span.clone(), "nothing can be divided by 0", "always 0"));
        }
        let dimension = first.dimension.per(second.dimension);
        let range = first.range.zip(second.range).filter(|(_, by)| by.0 > 0.0 && by.1.is_finite());
        let range = range.map(|(a, b)| {
            let all = [a.0 / b.0, a.0 / b.1, a.1 / b.0, a.1 / b.1];
            (all.into_iter().fold(f64::INFINITY, f64::min), all.into_iter().fold(f64::NEG_INFINITY, f64::max))
        });
        let formula = Formula::Ratio(Box::new(first.formula), Box::new(second.formula));
        Some(Typed { formula, dimension, range, like: first.like.or(second.like) })
    }

    pub(super) fn unchanging<T>(&mut self, whole: &ComparedPart) -> Option<T> {
        let label = "no sensor has a part in it";
        let title = format!("`{}` never changes", whole.it);
        self.note(Finding::error(whole.span.clone(), title, label).help("write its result"))
    }
}

//! Comparisons, checked like types: of two values, with a range, with a rate, with a sensor's own
//! past. Those that believable readings can't change are mistakes too.

use super::check::{Checker, ComparedPart};
use super::term::{Term, Typed, constant, decided};
use super::{Aggregate, Comparison, Formula, Test, Written};
use crate::diagnostic::Finding;
use crate::units::Dimension;

impl<'s> Checker<'s> {
    pub(super) fn compare(
        &mut self,
        whole: &ComparedPart,
        left: &ComparedPart,
        order: Comparison,
        right: &ComparedPart,
    ) -> Option<Test> {
        let (first, second) = self.terms(left, right);
        let (first, second) = self.alike(whole, (left, first?), (right, second?))?;
        if let (Some(low), Some(high)) = (first.range, second.range)
            && let Some(always) = decided(order, low, high)
        {
            return self.pointless(whole, always, &first, &second);
        }
        let dimension = first.dimension;
        Some(Test::Compare { left: first.formula, order, right: second.formula, dimension })
    }

    /// Two sides of the same dimension, at least one of which varies.
    pub(super) fn alike(
        &mut self,
        whole: &ComparedPart,
        (left, first): (&ComparedPart, Term<'s>),
        (right, second): (&ComparedPart, Term<'s>),
    ) -> Option<(Typed<'s>, Typed<'s>)> {
        match (first, second) {
            (Term::Typed(first), Term::Typed(second)) => {
                if first.dimension != second.dimension {
                    return self.clash("compared with", left, first.dimension, right, second.dimension);
                }
                Some((first, second))
            }
            (Term::Typed(first), Term::Literal(quantity)) => {
                let Ok(base) = quantity.base(first.dimension) else {
                    return self.misfit("compared with", left, &first, right, quantity);
                };
                let second = constant(base, &first);
                Some((first, second))
            }
            (Term::Literal(quantity), Term::Typed(second)) => {
                let Ok(base) = quantity.base(second.dimension) else {
                    return self.misfit("compared with", right, &second, left, quantity);
                };
                Some((constant(base, &second), second))
            }
            (Term::Literal(_), Term::Literal(_)) => {
                let title = format!("`{}` never changes", whole.it);
                self.note(Finding::error(whole.span.clone(), title, "no sensor has a part in it"))
            }
        }
    }

    pub(super) fn range(
        &mut self,
        whole: &ComparedPart,
        subject: &ComparedPart,
        low: &ComparedPart,
        high: &ComparedPart,
        outside: bool,
    ) -> Option<Test> {
        let value = self.term(subject);
        let first = self.term_beside(value.as_ref(), low);
        let second = self.term_beside(value.as_ref(), high);
        let Term::Typed(value) = value? else {
            let title = format!("`{}` never changes", subject.it);
            return self.note(Finding::error(subject.span.clone(), title, "a sensor is wanted here"));
        };
        let (value, first) = self.alike(whole, (subject, Term::Typed(value)), (low, first?))?;
        let (value, second) = self.alike(whole, (subject, Term::Typed(value)), (high, second?))?;
        if let (Some(low), Some(high)) = (first.range, second.range)
            && low.0 >= high.1
        {
            let title = "a range goes from lowest to highest";
            return self.note(Finding::error(whole.span.clone(), title, "the first is not below the second"));
        }
        if let (Some(value_range), Some(low), Some(high)) = (value.range, first.range, second.range) {
            let above = decided(Comparison::AtLeast, value_range, low);
            let below = decided(Comparison::AtMost, value_range, high);
            let within = match (above, below) {
                (Some(false), _) | (_, Some(false)) => Some(false),
                (Some(true), Some(true)) => Some(true),
                _ => None,
            };
            if let Some(within) = within {
                return self.pointless(whole, within != outside, &value, &first);
            }
        }
        let dimension = value.dimension;
        let (value, low, high) = (value.formula, first.formula, second.formula);
        Some(Test::Range { value, low, high, outside, dimension })
    }

    pub(super) fn moves(
        &mut self,
        whole: &ComparedPart,
        subject: &ComparedPart,
        rises: bool,
        rate: &ComparedPart,
        over: &ComparedPart,
    ) -> Option<Test> {
        let window = self.window(whole, Aggregate::Slope, subject, over, None);
        let quantity = match &window {
            Some(window) => self.quantity_of(window.dimension, rate),
            None => self.quantity(rate),
        };
        let (window, quantity) = (window?, quantity?);
        let Ok(base) = quantity.base(window.dimension) else {
            let verb = if rises { "rise" } else { "fall" };
            let of = window.of.words();
            let title = format!("{of} can't {verb} by {}", quantity.unit.dimension.words());
            let label = format!("{} is wanted here", window.dimension.words());
            let scale = super::scale::scale(window.dimension, window.like);
            let help = format!("for instance `1 {}`", scale.name);
            return self.note(Finding::error(rate.span.clone(), title, label).help(help));
        };
        if base <= 0.0 {
            let title = "what rises or falls does so by more than nothing";
            return self.note(Finding::error(rate.span.clone(), title, "must be more than this"));
        }
        let dimension = window.dimension;
        let left = window.formula;
        Some(match rises {
            true => {
                Test::Compare { left, order: Comparison::Greater, right: Formula::Constant(base), dimension }
            }
            false => {
                Test::Compare { left, order: Comparison::Less, right: Formula::Constant(-base), dimension }
            }
        })
    }

    pub(super) fn baseline(
        &mut self,
        whole: &ComparedPart,
        subject: &ComparedPart,
        by: &ComparedPart,
        above: bool,
        (what, over, lag): (Aggregate, &ComparedPart, Option<&ComparedPart>),
    ) -> Option<Test> {
        if !matches!(what, Aggregate::Mean | Aggregate::Median | Aggregate::Lowest | Aggregate::Highest) {
            let title = format!("the {what} of the past is no baseline");
            let label = "`mean`, `median`, `lowest` or `highest` is wanted here";
            return self.note(Finding::error(whole.span.clone(), title, label));
        }
        // `mean of x over 1 h is 30 % below its median`: the past is that of x.
        let own = match &subject.it {
            Written::Aggregate { of, .. } => of,
            _ => subject,
        };
        let value = self.term(subject);
        let past = self.window(whole, what, own, over, lag);
        let quantity = self.quantity(by);
        let (Term::Typed(value), past) = (value?, past?) else {
            return self.value(subject);
        };
        let quantity = quantity?;
        if value.dimension != past.dimension {
            return self.clash("compared with", subject, value.dimension, whole, past.dimension);
        }
        let dimension = value.dimension;
        let sign = if above { 1.0 } else { -1.0 };
        let right = if quantity.unit.dimension == Dimension::NUMBER {
            if dimension.is_point() {
                let title = format!("{} {} of {} means nothing", quantity.number, '%', dimension.words());
                let label = "the zero of its scale is arbitrary";
                let unit = super::scale::scale(dimension.difference(), value.like).name;
                let help = format!("write a difference, for instance `1 {unit}`");
                return self.note(Finding::error(by.span.clone(), title, label).help(help));
            }
            let share = quantity.number * quantity.unit.to_base(1.0);
            if !(0.0..=1.0).contains(&share) && !above || share < 0.0 {
                let title = format!("`{}` can't be so far from its past", subject.it);
                return self.note(Finding::error(by.span.clone(), title, "expected 0 % to 100 %"));
            }
            Formula::Scaled(1.0 + sign * share, Box::new(past.formula))
        } else {
            let Ok(base) = quantity.base(dimension.difference()) else {
                return self.misfit("compared with", subject, &value, by, quantity);
            };
            Formula::Sum(Box::new(past.formula), Box::new(Formula::Constant(sign * base)))
        };
        let order = if above { Comparison::AtLeast } else { Comparison::AtMost };
        Some(Test::Compare { left: value.formula, order, right, dimension })
    }
}

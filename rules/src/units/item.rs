//! Quantities in files: what an [`Item`] gives when it is asked for one, and what it says if it
//! has none.

use super::{Dimension, Quantity, QuantityError, Scale, UNITS, Unit, near_unit};
use crate::diagnostic::Item;
use crate::time::Span;

/// Longer than any delay that means something to a tank.
const LONGEST: Span = Span::hours(366 * 24);

/// Asks for quantities. Those that give nothing have noted why.
pub trait QuantityItem: Sized {
    /// A quantity of any kind.
    fn any_quantity(self) -> Option<Quantity>;
    /// A quantity of this kind, in base units.
    fn quantity(self, wanted: Dimension) -> Option<f64>;
    /// The same; where it is wrong, what would be right is said in the unit of this scale.
    fn quantity_like(self, wanted: Dimension, like: Option<&Scale>) -> Option<f64>;
    /// A length of time, from none to a year.
    fn duration(self) -> Option<Span>;
    /// A length of time that is not nothing.
    fn some_duration(self) -> Option<Span>;
}

impl QuantityItem for Item<'_> {
    fn any_quantity(self) -> Option<Quantity> {
        read(self, None, None)
    }

    fn quantity(self, wanted: Dimension) -> Option<f64> {
        self.quantity_like(wanted, None)
    }

    fn quantity_like(self, wanted: Dimension, like: Option<&Scale>) -> Option<f64> {
        let quantity = read(self, Some(wanted), like)?;
        let Ok(base) = quantity.base(wanted) else {
            let found = quantity.unit.dimension;
            let is_bare = found == Dimension::NUMBER && !self.raw().contains('%');
            let label =
                if is_bare { "this has no unit".to_owned() } else { format!("this is {}", found.words()) };
            let help = example(quantity.number, wanted, like);
            return self.wrong(format!("`{}` must be {}", self.name(), wanted.words()), label, help);
        };
        Some(base)
    }

    fn duration(self) -> Option<Span> {
        let seconds = self.quantity(Dimension::TIME)?;
        if seconds < 0.0 {
            return self.wrong(format!("`{}` is less than no time", self.name()), "negative", None);
        }
        if seconds > LONGEST.as_seconds() {
            return self.wrong(format!("`{}` is longer than a year", self.name()), "too long", None);
        }
        Some(Span((seconds * 1_000.0).round() as i64))
    }

    fn some_duration(self) -> Option<Span> {
        match self.duration()? {
            Span::ZERO => {
                self.wrong(format!("`{}` is no time at all", self.name()), "must be more than this", None)
            }
            span => Some(span),
        }
    }
}

fn read(item: Item<'_>, wanted: Option<Dimension>, like: Option<&Scale>) -> Option<Quantity> {
    let Some(text) = item.shown_text() else {
        let number = item.raw().parse::<f64>().ok();
        let help = number.zip(wanted).and_then(|(number, wanted)| example(number, wanted, like));
        return item.wrong_type("a quantity with its unit, in quotes", help);
    };
    let why = match Quantity::parse(text) {
        Ok(quantity) => return Some(quantity),
        Err(why) => why,
    };
    match &why {
        QuantityError::UnknownUnit(unit) if unit.starts_with(',') => {
            let help = "write the decimal sign as a point".to_owned();
            item.wrong(format!("`{text}` is not a quantity"), "a comma in a number", Some(help))
        }
        QuantityError::UnknownUnit(unit) => {
            let fits = |of: Dimension| wanted.is_none_or(|wanted| of == wanted || of.difference() == wanted);
            let near = near_unit(unit, &fits);
            let near = near.map(|near| near.ask(|name| format!("\"{}\"", text.replace(unit.as_str(), name))));
            let number = || text[..super::number_length(text)].parse().ok();
            let help = near.or_else(|| example(number()?, wanted?, like));
            item.wrong(format!("`{unit}` is not a unit"), "unknown unit", help)
        }
        QuantityError::NoNumber | QuantityError::NotFinite | QuantityError::WrongDimension { .. } => {
            let help = wanted.and_then(|wanted| example(10.0, wanted, like));
            item.wrong(format!("`{}` must be a quantity", item.name()), why.to_string(), help)
        }
    }
}

/// A quantity of this kind that would do.
fn example(number: f64, wanted: Dimension, like: Option<&Scale>) -> Option<String> {
    let simple = UNITS.iter().map(|(name, _)| (*name).to_owned());
    let rates = UNITS.iter().flat_map(|(name, _)| ["h", "min"].map(|per| format!("{name}/{per}")));
    let fits = |name: &String| Unit::named(name).is_some_and(|unit| unit.dimension == wanted);
    // A bare number of milliseconds is never what was meant.
    let usable = |name: &String| !name.is_empty() && name != "ms";
    let own = like.into_iter().flat_map(|like| [like.name.clone(), format!("{}/h", like.name)]);
    let differs = |name: &String| Unit::named(name).is_some_and(|unit| unit.dimension.difference() == wanted);
    let mut own = own.filter(|name| !name.is_empty() && (fits(name) || differs(name)));
    let unit = own.next().or_else(|| simple.chain(rates).filter(usable).find(fits))?;
    Some(format!("for instance \"{number} {unit}\""))
}

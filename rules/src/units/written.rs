//! A quantity as a person writes it on a command line: its base value and the scale that the person
//! thinks in flow out, or why not, with the question that would help.

use super::{Dimension, Quantity, QuantityError, Scale, near_unit, number_length};

/// Reads `78 degF` where `wanted` is wanted: the number in base units, and its unit as written.
///
/// # Errors
/// If it is no such quantity: why not, and which unit was probably meant. A name with several
/// meanings is asked about: `gal`, `SG`.
pub fn written(text: &str, wanted: Dimension) -> Result<(f64, Scale), String> {
    let quantity = Quantity::parse(text).map_err(|why| match &why {
        QuantityError::UnknownUnit(unit) if unit.starts_with(',') => {
            format!("`{text}`: write the decimal sign as a point")
        }
        QuantityError::UnknownUnit(unit) => {
            let fits = |of: Dimension| of == wanted || of.difference() == wanted;
            let near = near_unit(unit, &fits).map(|near| near.ask(|name| format!("`{name}`")));
            near.map_or_else(|| why.to_string(), |question| format!("{why}; {question}"))
        }
        QuantityError::NoNumber | QuantityError::NotFinite | QuantityError::WrongDimension { .. } => {
            why.to_string()
        }
    })?;
    let base = quantity.base(wanted).map_err(|why| why.to_string())?;
    let text = text.trim();
    let name = text.get(number_length(text)..).unwrap_or_default().trim();
    Ok((base, Scale { unit: quantity.unit, name: name.to_owned() }))
}

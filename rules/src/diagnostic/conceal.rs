//! What findings must not show. A line that is underlined is shown whole, and on it may stand a
//! password at the wrong place; so in a file that has secrets near it, only values that a reader
//! asked for as ones that may be seen stay as they are.

use super::Sheet;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Stands for each byte that is not shown.
const MASK: u8 = b'*';

impl Sheet<'_> {
    /// The text with every value of these trees, and each of the `others`, starred out that was not
    /// read as one that may be seen. It is as long as before, so that places stay.
    pub fn concealed(
        &self,
        trees: &[&DeTable<'_>],
        others: impl IntoIterator<Item = Range<usize>>,
    ) -> String {
        let Some(shown) = &self.shown else { return self.text.to_owned() };
        let shown = shown.borrow();
        let mut text = self.text.as_bytes().to_vec();
        let mut hide = |leaf: Range<usize>| {
            if shown.range(leaf.clone()).next().is_none() {
                text.get_mut(leaf).into_iter().for_each(mask);
            }
        };
        trees.iter().for_each(|tree| each_leaf(tree, &mut hide));
        others.into_iter().for_each(hide);
        String::from_utf8(text).unwrap_or_default()
    }
}

/// The same for a text that is no TOML, of which nobody knows what is a value: what follows a key,
/// and lines that have none, lose their letters and digits. Signs stay, since what is wrong is
/// among them.
pub fn concealed_by_lines(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for line in text.split_inclusive('\n') {
        let begun = line.trim_start();
        let open = match (begun.starts_with('#') || begun.starts_with('['), line.find('=')) {
            (true, _) => line.len(),
            (false, Some(sign)) => sign,
            (false, None) => 0,
        };
        out.push_str(&line[..open]);
        for c in line[open..].chars() {
            match c.is_alphanumeric() {
                true => out.extend(std::iter::repeat_n('*', c.len_utf8())),
                false => out.push(c),
            }
        }
    }
    out
}

/// All bytes but quotes at its two ends.
fn mask(value: &mut [u8]) {
    let quote = |byte: Option<&u8>| byte.is_some_and(|byte| b"\"'".contains(byte));
    let first = usize::from(quote(value.first()));
    let last = value.len() - usize::from(value.len() > 1 && quote(value.last()));
    for byte in value.get_mut(first..last).into_iter().flatten() {
        if *byte != b'\n' {
            *byte = MASK;
        }
    }
}

fn each_leaf(table: &DeTable<'_>, found: &mut impl FnMut(Range<usize>)) {
    table.values().for_each(|value| leaves(value, found));
}

fn leaves(value: &Spanned<DeValue<'_>>, found: &mut impl FnMut(Range<usize>)) {
    match value.get_ref() {
        DeValue::Table(table) => each_leaf(table, found),
        DeValue::Array(parts) => parts.iter().for_each(|part| leaves(part, found)),
        DeValue::String(_)
        | DeValue::Integer(_)
        | DeValue::Float(_)
        | DeValue::Boolean(_)
        | DeValue::Datetime(_) => found(value.span()),
    }
}

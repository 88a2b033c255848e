//! How a sensor's messages are to be understood: where in the payload its value stands (`pointer`,
//! `field`, `senml`, or all of it), what of it stands beside the value (`unit-at`, `measured-at`),
//! and how what is sent becomes the number that is meant (`scale`, `offset`).

use super::sensor::topic;
use crate::diagnostic::{Finding, Item, Table, listed};
use crate::reading::{
    Content, FieldPlace, Linear, Mapping, PlacedValue, PointerError, ValuePlace, Word, parse_pointer,
};
use crate::site::Availability;
use crate::units::Scale;
use std::sync::Arc;

/// Every key of a mapping, for whoever has to refuse them.
pub(super) const KEYS: [&str; 7] = ["pointer", "field", "senml", "unit-at", "measured-at", "scale", "offset"];

/// More columns than any device sends.
const MOST_COLUMNS: i64 = 1_000;

pub(super) fn read(table: &Table<'_>, words: Option<Vec<Word>>, scale: Option<&Scale>) -> Option<Mapping> {
    let (pointer, field, senml) = (table.get("pointer"), table.get("field"), table.get("senml"));
    let numbers = words.is_none();
    let content = match (words, scale) {
        (Some(words), _) => Some(Content::Words(words.into())),
        (None, Some(scale)) => Some(Content::Number(scale.clone())),
        (None, None) => None,
    };
    for key in ["unit-at", "scale", "offset"].into_iter().filter(|_| !numbers) {
        if let Some(item) = table.get(key) {
            item.note(format!("`{key}` is for sensors that say numbers"), "this one says words", None);
        }
    }
    let value = match (pointer, field, senml) {
        (None, None, None) => Some(FieldPlace::Whole),
        (Some(item), None, None) => pointer_tokens(item).map(FieldPlace::Pointer),
        (None, Some(item), None) => place_of_field(item),
        (None, None, Some(item)) => {
            for key in ["unit-at", "measured-at"] {
                if let Some(beside) = table.get(key) {
                    beside.note(format!("`{key}` is not for SenML"), "a pack says that by itself", None);
                }
            }
            table.get("scale").into_iter().chain(table.get("offset")).for_each(|item| {
                item.note(format!("`{}` is not for SenML", item.name()), "a pack has real numbers", None);
            });
            return Some(Mapping { found: ValuePlace::Senml(item.text()?.it), content: content? });
        }
        (first, second, third) => {
            // The other keys are known all the same.
            for key in KEYS {
                table.get(key);
            }
            let given: Vec<&str> = [first, second, third].iter().flatten().map(|item| item.name()).collect();
            let title = format!("`{}` has both {}", table.name, listed(&given));
            let last = [third, second, first].into_iter().flatten().next()?;
            return last.wrong(title, "a value stands in one place", None);
        }
    };
    let beside = |key| table.get(key).and_then(|item| beside(item, value.as_ref()?));
    let (unit, time) = (beside("unit-at").filter(|_| numbers), beside("measured-at"));
    let line = line(table);
    let measured = PlacedValue { value: value?, unit, time, line };
    Some(Mapping { found: ValuePlace::At(Arc::new(measured)), content: content? })
}

/// `{ topic = "lagoon/board/status", on = ["online"], off = ["offline"] }`.
pub(super) fn availability(item: Item<'_>) -> Option<Availability> {
    let table = item.table()?;
    let topic = table.need("topic", "\"lagoon/board/status\"").and_then(topic);
    let word = |name: &'static str, usual: &str| {
        let spellings = match table.get(name) {
            Some(item) => item.texts()?.into_iter().map(|text| text.it).collect(),
            None => vec![usual.to_owned()],
        };
        Some(Word { name: name.to_owned(), spellings })
    };
    let (on, off) = (word("on", "online"), word("off", "offline"));
    let mapping = read(&table, Some(vec![on?, off?]), None);
    if let Some(item) = table.get("on").or_else(|| table.get("off"))
        && let Some(Mapping { content: Content::Words(words), .. }) = &mapping
        && let [on, off] = &words[..]
    {
        if let Some(both) = on.spellings.iter().find(|on| off.spellings.contains(on)) {
            return item.wrong(
                format!("\"{both}\" means both `on` and `off`"),
                "one payload, one word",
                None,
            );
        }
        if on.spellings.is_empty() || off.spellings.is_empty() {
            let help = "list what the sender says, or leave the key out".to_owned();
            return item.wrong("`available` has a word without a spelling", "nothing here", Some(help));
        }
    }
    table.finish();
    Some(Availability { topic: topic?, mapping: mapping? })
}

/// `field = 3`, `field = "temp"`, `field = { in = "/sensors", key = "id", is = "probe-2", value =
/// "celsius" }`.
fn place_of_field(item: Item<'_>) -> Option<FieldPlace> {
    if item.is_table() {
        let table = item.table()?;
        let list = match table.get("in") {
            Some(item) => pointer_tokens(item),
            None => Some(Vec::new()),
        };
        let text = |item: Option<Item<'_>>| Some(item?.text()?.it);
        let key = if table.has("key") { text(table.get("key")) } else { Some("id".to_owned()) };
        let is = text(table.need("is", "\"probe-2\""));
        let value = text(table.need("value", "\"celsius\""));
        table.finish();
        return Some(FieldPlace::Member { list: list?, key: key?, is: is?, value: value? });
    }
    if item.is_text() {
        return item.text().map(|name| FieldPlace::Field(name.it));
    }
    column(item)
}

fn column(item: Item<'_>) -> Option<FieldPlace> {
    let number = item.whole(1..=MOST_COLUMNS)?;
    usize::try_from(number).ok().map(FieldPlace::Column)
}

/// A place in the same payload, said in the way of the value's own.
fn beside(item: Item<'_>, value: &FieldPlace) -> Option<FieldPlace> {
    match value {
        FieldPlace::Pointer(_) => pointer_tokens(item).map(FieldPlace::Pointer),
        FieldPlace::Member { list, key, is, .. } => {
            let (list, key, is) = (list.clone(), key.clone(), is.clone());
            item.text().map(|value| FieldPlace::Member { list, key, is, value: value.it })
        }
        FieldPlace::Field(_) => item.text().map(|name| FieldPlace::Field(name.it)),
        FieldPlace::Column(_) => column(item),
        FieldPlace::Whole => {
            let title = format!("`{}` needs `pointer` or `field`", item.name());
            let help = "say where in the payload the value stands".to_owned();
            item.wrong(title, "the whole payload is the value, nothing stands beside it", Some(help))
        }
    }
}

fn line(table: &Table<'_>) -> Linear {
    let scale = table.get("scale").and_then(|item| match item.number()? {
        0.0 => item.wrong("`scale` must not be 0", "everything would read the same", None),
        scale => Some(scale),
    });
    let offset = table.get("offset").and_then(Item::number);
    Linear { scale: scale.unwrap_or(1.0), offset: offset.unwrap_or(0.0) }
}

/// RFC 6901; nothing for the whole document.
fn pointer_tokens(item: Item<'_>) -> Option<Vec<String>> {
    if item.is_text() && item.raw().trim_matches(['"', '\'']).is_empty() {
        return Some(Vec::new());
    }
    let text = item.text()?.it;
    match parse_pointer(&text) {
        Ok(tokens) => Some(tokens),
        Err(PointerError::NoSlash(_)) => {
            let help = format!("\"/{}\"", text.replace('.', "/"));
            item.wrong("a JSON Pointer begins with `/`", "RFC 6901", Some(help))
        }
        Err(PointerError::BadEscape { .. }) => {
            item.wrong("in a JSON Pointer `~` is written `~0`, and `/` in a name `~1`", "RFC 6901", None)
        }
    }
}

/// Findings about a source, which speaks for itself.
pub(super) fn refuse(table: &Table<'_>) {
    for key in KEYS.into_iter().chain(["on", "off", "words", "gateway"]) {
        if let Some(item) = table.get(key) {
            let title = format!("`{key}` is for topics");
            let finding = Finding::error(item.span(), title, "a source speaks for itself");
            item.find(finding.help(format!("leave `{key}` out")));
        }
    }
}

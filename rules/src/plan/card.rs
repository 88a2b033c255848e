//! The keeper's own cards: a step is a text, or a table that says more of it, as the built-in cards
//! do.

use crate::card::{Act, Card, CardLine, Harm, LineKind, TEXT_LETTERS, Who, is_plain};
use crate::diagnostic::{Item, Table};

/// One card; without lines if it is wrong.
pub(super) fn read(table: Table<'_>) -> Card {
    let lines = table.need("steps", "[\"Unplug the heater.\"]").and_then(|item| {
        let steps = item.list()?;
        if steps.is_empty() {
            return item.wrong("a card has steps", "nothing here", None);
        }
        Some(steps.into_iter().filter_map(line).collect())
    });
    table.finish();
    Card { lines: lines.unwrap_or_default() }
}

fn line(item: Item<'_>) -> Option<CardLine> {
    if item.is_text() {
        return Some(CardLine::plain(item.text()?.it));
    }
    let table = item.table()?;
    let words = table.need("do", "\"Unplug the heater, at a dry plug.\"").and_then(Item::text);
    let text = table.get("text").and_then(short);
    let who = table.get("for").and_then(|item| item.one_of(&Who::ALL));
    let kind = table.get("kind").and_then(|item| item.one_of(&LineKind::ALL));
    let act = table.get("act").and_then(|item| item.one_of(&Act::ALL));
    let needs = table.get("needs").and_then(|item| item.one_of(&Harm::ALL));
    let heater_plug = table.get("heater-plug").and_then(Item::flag).unwrap_or_default();
    table.finish();
    let (who, kind) = (who.unwrap_or_default(), kind.unwrap_or_default());
    Some(CardLine { text, who, kind, act, needs, heater_plug, ..CardLine::plain(words?.it) })
}

/// A step for texts: it has to fit whole, beside what is wrong.
fn short(item: Item<'_>) -> Option<String> {
    let text = item.text()?.it;
    if is_plain(&text) {
        return Some(text);
    }
    let letters = text.chars().count();
    let label = match letters > TEXT_LETTERS {
        true => format!("this has {letters}"),
        false => "plain letters, digits and signs: no accents, brackets or degree signs".to_owned(),
    };
    item.wrong(format!("a step for texts has at most {TEXT_LETTERS} plain letters"), label, None)
}

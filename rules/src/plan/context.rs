//! What readers of one part need to know of the others: all names in the file, whether the
//! things behind them are right or not, so that a wrong sensor is reported once and not again
//! by everything that uses it.

use super::{Directory, Relay, RelayId, TankId};
use crate::card::{self, Card, CardLine};
use crate::condition::{Condition, Scope, is_name};
use crate::diagnostic::{At, Finding, Findings, Item, NamedTable, did_you_mean, listed};
use jiff::civil::Date;
use std::cell::Cell;
use std::collections::BTreeMap;

/// The names of one kind of thing, in the order of the file.
pub(super) struct NameIndex {
    /// As its tables are headed.
    heading: &'static str,
    /// As people say it.
    kind: &'static str,
    names: Vec<String>,
    /// Where each name is among them.
    places: BTreeMap<String, u32>,
    /// Whether it has been said that there are none at all, which once is enough for.
    said_none: Cell<bool>,
}

impl NameIndex {
    /// Takes the names of the tables, and notes those that no condition could spell.
    pub(super) fn of(heading: &'static str, kind: &'static str, tables: &[NamedTable<'_>]) -> Self {
        for table in tables.iter().filter(|table| !is_name(&table.name.it)) {
            let name = &table.name;
            let title = format!("`{}` can't be a name", name.it);
            let finding = Finding::error(name.span.clone(), title, "conditions could not spell it");
            table.note(finding.help("a letter, then letters, digits, `-` or `_`; not a word like `and`"));
        }
        let names: Vec<_> = tables.iter().map(|table| table.name.it.clone()).collect();
        let places = names.iter().cloned().zip(0..).collect();
        Self { heading, kind, names, places, said_none: Cell::new(false) }
    }

    /// The place of this name in the file's list.
    pub(super) fn get(&self, name: &str) -> Option<u32> {
        self.places.get(name).copied()
    }

    /// The same; that it is not there is noted.
    pub(super) fn find(&self, name: &At<String>, findings: &Findings) -> Option<u32> {
        if let Some(index) = self.get(&name.it) {
            return Some(index);
        }
        if self.names.is_empty() && self.said_none.replace(true) {
            return None;
        }
        let title = format!("there is no {} `{}`", self.kind, name.it);
        let help = findings.has_room().then(|| self.remedy(&name.it)).flatten();
        findings.push(Finding::error(name.span.clone(), title, "not a known name").maybe_help(help));
        None
    }

    fn remedy(&self, name: &str) -> Option<String> {
        let known: Vec<&str> = self.names.iter().map(String::as_str).collect();
        did_you_mean(name, known.iter().copied()).or_else(|| match known.len() {
            0 => Some(format!("the file has no `[{}.…]` at all", self.heading)),
            1..=8 => Some(format!("known: {}", listed(&known))),
            _ => None,
        })
    }

    pub(super) fn into_names(self) -> Vec<String> {
        self.names
    }

    pub(super) fn names(&self) -> &[String] {
        &self.names
    }
}

/// More cards than this are not listed: twice those that come with the watch.
const MOST_LISTED: usize = 40;

/// All that is known while the parts are read.
pub(super) struct CheckContext<'a> {
    pub(super) findings: &'a Findings,
    /// Who can be told; not known while the agent's own file is wrong.
    pub(super) people: Option<&'a Directory>,
    /// The day that absences are looked at from; not at all if none.
    pub(super) today: Option<Date>,
    pub(super) tanks: NameIndex,
    pub(super) sensors: NameIndex,
    pub(super) relays: NameIndex,
    pub(super) callouts: NameIndex,
    /// The file's own cards.
    pub(super) cards: BTreeMap<String, Card>,
}

impl CheckContext<'_> {
    /// How many mistakes have been noted so far.
    pub(super) fn errors(&self) -> usize {
        self.findings.errors()
    }

    pub(super) fn tank(&self, name: &At<String>) -> Option<TankId> {
        self.tanks.find(name, self.findings).map(TankId)
    }

    pub(super) fn relay(&self, name: &At<String>) -> Option<RelayId> {
        self.relays.find(name, self.findings).map(RelayId)
    }

    /// The condition that is this part of the item's text.
    pub(super) fn condition(&self, item: Item<'_>, text: &str, scope: &Scope<'_>) -> Option<Condition> {
        match Condition::parse(text, scope) {
            Ok(condition) => Some(condition),
            Err(findings) => {
                findings.into_iter().for_each(|finding| item.find(finding.moved(|span| item.place(span))));
                None
            }
        }
    }

    /// The lines of a response: text, a card's lines, or a list of both.
    pub(super) fn response(&self, item: Item<'_>) -> Option<Card> {
        let lines = if item.is_text() { vec![item.text()?] } else { item.texts()? };
        let mut response = Card::default();
        for line in lines {
            let Some(name) = line.it.strip_prefix("card:").map(str::trim) else {
                response.lines.push(CardLine::plain(line.it));
                continue;
            };
            match self.cards.get(name).or_else(|| card::find(name)) {
                Some(card) => response.lines.extend(card.lines.iter().cloned()),
                None => {
                    let mut known: Vec<&str> = self.cards.keys().map(String::as_str).collect();
                    for name in card::names() {
                        known.push(name);
                    }
                    let near = || did_you_mean(name, known.iter().copied());
                    let help = self.findings.has_room().then(near).flatten();
                    let help = help.unwrap_or_else(|| match known.len() {
                        0..=MOST_LISTED => format!("known: {}", listed(&known)),
                        many => format!("{many} others are known"),
                    });
                    let title = format!("there is no card `{name}`");
                    let finding = Finding::error(line.span, title, "not a known card").help(help);
                    item.find(finding);
                }
            }
        }
        // One line is the usual thing, and a list makes room for four.
        response.lines.shrink_to_fit();
        Some(response)
    }
}

/// The relays whose own tables are right, by their place in the file.
pub(super) type CheckedRelays = Vec<Option<Relay>>;

//! The tables of a rule file, found and named before any of them is read: a part may lean on one
//! that stands further down.

use crate::diagnostic::{Findings, Item, NamedTable, Table, TextPieces};
use crate::plan::context::{CheckContext, NameIndex};
use crate::plan::{Directory, card};
use jiff::civil::Date;

/// Kinds of tables that have names of the keeper's own.
pub(super) const NAMED: [&str; 9] =
    ["tank", "sensor", "relay", "battery", "alarm", "callout", "work", "card", "watched"];

/// All tables of the file.
pub(super) struct Tables<'t> {
    pub(super) site: Option<Table<'t>>,
    pub(super) tanks: Vec<NamedTable<'t>>,
    pub(super) sensors: Vec<NamedTable<'t>>,
    pub(super) relays: Vec<NamedTable<'t>>,
    pub(super) batteries: Vec<NamedTable<'t>>,
    pub(super) alarms: Vec<NamedTable<'t>>,
    pub(super) callouts: Vec<NamedTable<'t>>,
    pub(super) works: Vec<NamedTable<'t>>,
    cards: Vec<NamedTable<'t>>,
    pub(super) sight: Option<Table<'t>>,
    pub(super) drill: Option<Table<'t>>,
    pub(super) health: Option<Table<'t>>,
    pub(super) watched: Vec<NamedTable<'t>>,
}

impl<'t> Tables<'t> {
    /// Finds them. Whatever else stands in the file is a mistake.
    pub(super) fn of(root: Table<'t>, pieces: &TextPieces<'t>) -> Self {
        let named = |kind| root.named_tables(kind, pieces);
        let single = |key| root.get(key).and_then(Item::table);
        let tables = Self {
            site: single("site"),
            tanks: named("tank"),
            sensors: named("sensor"),
            relays: named("relay"),
            batteries: named("battery"),
            alarms: named("alarm"),
            callouts: named("callout"),
            works: named("work"),
            cards: named("card"),
            sight: single("sight"),
            drill: single("drill"),
            health: single("health"),
            watched: named("watched"),
        };
        root.finish();
        tables
    }

    /// What is known while they are read: names, and the file's own cards, which are read with
    /// that.
    pub(super) fn context<'a>(
        &mut self,
        findings: &'a Findings,
        people: Option<&'a Directory>,
        today: Option<Date>,
    ) -> CheckContext<'a> {
        let cards = std::mem::take(&mut self.cards);
        CheckContext {
            findings,
            people,
            today,
            tanks: NameIndex::of("tank", "tank", &self.tanks),
            sensors: NameIndex::of("sensor", "sensor", &self.sensors),
            relays: NameIndex::of("relay", "relay", &self.relays),
            callouts: NameIndex::of("callout", "call-out", &self.callouts),
            cards: cards.into_iter().map(|card| (card.name.it.clone(), card.open(card::read))).collect(),
        }
    }
}

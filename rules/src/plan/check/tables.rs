//! The tables of a rule file, found and named before any of them is read: a part may lean on one that stands
//! further down.

use crate::diagnostic::{At, Findings, Item, Table};
use crate::plan::context::{CheckContext, NameIndex};
use crate::plan::{Directory, card};
use jiff::civil::Date;

/// Tables with their names.
type NamedTables<'t> = Vec<(At<String>, Table<'t>)>;

/// All tables of the file.
pub(super) struct Tables<'t> {
    pub(super) site: Option<Table<'t>>,
    pub(super) tanks: NamedTables<'t>,
    pub(super) sensors: NamedTables<'t>,
    pub(super) relays: NamedTables<'t>,
    pub(super) batteries: NamedTables<'t>,
    pub(super) alarms: NamedTables<'t>,
    pub(super) callouts: NamedTables<'t>,
    pub(super) works: NamedTables<'t>,
    cards: NamedTables<'t>,
    pub(super) sight: Option<Table<'t>>,
    pub(super) drill: Option<Table<'t>>,
    pub(super) health: Option<Table<'t>>,
    pub(super) watched: NamedTables<'t>,
}

impl<'t> Tables<'t> {
    /// Finds them. Whatever else stands in the file is a mistake.
    pub(super) fn of(root: Table<'t>) -> Self {
        let single = |key| root.get(key).and_then(Item::table);
        let tables = Self {
            site: single("site"),
            tanks: root.tables("tank"),
            sensors: root.tables("sensor"),
            relays: root.tables("relay"),
            batteries: root.tables("battery"),
            alarms: root.tables("alarm"),
            callouts: root.tables("callout"),
            works: root.tables("work"),
            cards: root.tables("card"),
            sight: single("sight"),
            drill: single("drill"),
            health: single("health"),
            watched: root.tables("watched"),
        };
        root.finish();
        tables
    }

    /// What is known while they are read: names, and the file's own cards, which are read with that.
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
            cards: cards.into_iter().map(|(name, table)| (name.it, card::read(table))).collect(),
        }
    }
}

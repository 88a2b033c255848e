//! The short tables: the site, its tanks, and kinds of work on them.

use super::callout::hours;
use super::context::CheckContext;
use super::equipment::{self, GearParts};
use super::measure::KINDS;
use super::{Button, Help, SensorId, Stocking, Tank, TankId, WithoutMains, Work, help, title};
use crate::diagnostic::At;
use crate::diagnostic::{Item, Table};
use crate::time::Span;
use crate::units::Dimension;
use crate::units::QuantityItem as _;
use std::collections::BTreeMap;

/// What the file says of the site as a whole.
pub(super) struct SiteTable {
    /// `site` if nobody gave a name.
    pub(super) name: String,
    pub(super) altitude: f64,
    /// How long its gear goes on without mains.
    pub(super) without_mains: WithoutMains,
    pub(super) mains: Option<SensorId>,
    pub(super) help: Help,
}

/// The `[site]` table, or what holds without one.
pub(super) fn site(table: Option<Table<'_>>, parts: &GearParts<'_>) -> SiteTable {
    let get = |key| table.as_ref().and_then(|table| table.get(key));
    let name = get("name").and_then(Item::text);
    let altitude = get("altitude").and_then(equipment::altitude);
    let mains = parts.mains(get("mains"));
    let help = table.as_ref().map(help::of_site).unwrap_or_default();
    let without_mains = table.as_ref().map(help::without_mains).unwrap_or_default();
    if let Some(table) = table {
        table.finish();
    }
    let name = name.map_or_else(|| "site".to_owned(), |name| name.it);
    SiteTable { name, altitude: altitude.unwrap_or(0.0), without_mains, mains, help }
}

/// What tanks hold, m³: from a jar to the largest that anybody shows.
const VOLUMES: std::ops::RangeInclusive<f64> = 0.001..=20_000.0;

/// One tank.
pub(super) fn read(id: TankId, name: &At<String>, table: Table<'_>, parts: &GearParts<'_>) -> Tank {
    let volume = table.get("volume").and_then(|item| match item.quantity(Dimension::VOLUME)? {
        volume if VOLUMES.contains(&volume) => Some(volume),
        _ => item.wrong("no tank is of this size", "expected 1 L to 20000 m3", None),
    });
    let salinity = table.get("salinity").and_then(|item| match item.quantity(Dimension::SALINITY)? {
        salinity if (0.0..=100.0).contains(&salinity) => Some(salinity),
        _ => item.wrong("no sea is like that", "expected 0 ppt to 100 ppt", None),
    });
    let choices = [("light", Stocking::Light), ("moderate", Stocking::Moderate), ("heavy", Stocking::Heavy)];
    let stocking = table.get("stocking").and_then(|item| item.one_of(&choices));
    let photoperiod = table.get("photoperiod").and_then(hours);
    let gear = equipment::read(&table, id, parts);
    let title = title::read(&table, &name.it);
    let help = help::of_tank(&table);
    table.finish();
    Tank {
        name: name.it.clone(),
        title,
        help,
        volume,
        salinity,
        stocking: stocking.unwrap_or_default(),
        photoperiod,
        gear,
    }
}

/// Kinds of work that need no declaring. What they pause are the measures that the work itself
/// disturbs; the longest is common practice.
pub(super) fn usual_works() -> BTreeMap<String, Work> {
    let work = |pauses: &[&str], longest| Work {
        pauses: pauses.iter().map(|&name| name.to_owned()).collect(),
        longest,
        buttons: Vec::new(),
    };
    BTreeMap::from([
        ("feeding".to_owned(), work(&["flow", "level"], Span::minutes(30))),
        ("water-change".to_owned(), work(&["flow", "level", "temperature", "salinity"], Span::hours(2))),
    ])
}

/// One kind of work; what the file leaves out stays as `usual`.
pub(super) fn work(table: Table<'_>, usual: Option<&Work>, context: &CheckContext<'_>) -> Option<Work> {
    let (pauses, longest) = if usual.is_some() {
        (table.get("pauses"), table.get("longest"))
    } else {
        (table.need("pauses", "[\"flow\", \"level\"]"), table.need("longest", "\"2 h\""))
    };
    let measures: Vec<_> = KINDS.iter().map(|kind| (kind.name, kind.name)).collect();
    let pauses = pauses.and_then(Item::list).map(|items| {
        let paused = |item: Item<'_>| match item.one_of(&measures)? {
            name @ ("presence" | "leak") => {
                let title = format!("work never pauses {name}");
                item.wrong(title, "a power cut or a flood during work is the one to hear of", None)
            }
            name => Some(name.to_owned()),
        };
        items.into_iter().filter_map(paused).collect()
    });
    let longest = longest.and_then(Item::some_duration);
    let buttons = table.get("buttons");
    let read = buttons.and_then(Item::list).map(|items| {
        items.into_iter().map(|item| button(item.table()?, context)).collect::<Option<Vec<_>>>()
    });
    table.finish();
    if buttons.is_some() && !matches!(read, Some(Some(_))) {
        return None;
    }
    Some(Work {
        buttons: read.flatten().unwrap_or_default(),
        pauses: pauses.or_else(|| usual.map(|usual| usual.pauses.clone()))?,
        longest: longest.or_else(|| usual.map(|usual| usual.longest))?,
    })
}

fn button(table: Table<'_>, context: &CheckContext<'_>) -> Option<Button> {
    let topic = table.need("topic", "\"lagoon/button\"").and_then(super::sensor::topic);
    let press = table.need("press", "\"pressed\"").and_then(Item::text);
    let tank = table.need("tank", "\"lagoon\"").and_then(Item::text).and_then(|name| context.tank(&name));
    table.finish();
    Some(Button { topic: topic?, press: press?.it, tank: tank? })
}

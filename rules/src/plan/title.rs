//! What people read instead of a key: a `title`, or the key with spaces.

use super::{Alarm, Plan, Sensor, TankId, Target};
use crate::diagnostic::{Item, Table};
use crate::words;

/// Letters: a text has to hold it beside all else.
const LONGEST: usize = 40;

/// The key as people read it: `lagoon-return-stopped` is `lagoon return stopped`.
pub(crate) fn spoken(key: &str) -> String {
    let words = key.split(['-', '_']).map(|word| match word {
        "ph" => "pH",
        "orp" => "ORP",
        "ups" => "UPS",
        word => word,
    });
    words.collect::<Vec<_>>().join(" ")
}

/// The table's own title, if it has one.
pub(super) fn given(table: &Table<'_>) -> Option<String> {
    table.get("title").and_then(title)
}

/// The table's title, or its name in words.
pub(super) fn read(table: &Table<'_>, name: &str) -> String {
    given(table).unwrap_or_else(|| spoken(name))
}

fn title(item: Item<'_>) -> Option<String> {
    let text = item.text()?.it;
    let letters = text.chars().count();
    if letters <= LONGEST && !text.contains(char::is_control) {
        return Some(text);
    }
    let label = if letters > LONGEST { format!("this has {letters}") } else { "a line break".to_owned() };
    item.wrong(format!("a title is one line of at most {LONGEST} letters"), label, None)
}

impl Plan {
    /// What an alarm is about as people read it: the tank, this site, or another one.
    pub fn title_of_place(&self, alarm: &Alarm) -> &str {
        match alarm.watched {
            Some(id) => &self.watched_site(id).title,
            None => self.title(alarm.tank),
        }
    }

    /// A sensor where its tank is not plain from elsewhere: `lagoon return flow`.
    pub fn title_of_sensor(&self, sensor: &Sensor) -> String {
        match sensor.tank.map(|tank| self.title(Some(tank))) {
            Some(tank) => format!("{tank} {}", words::without_place(&sensor.title, tank)),
            None => sensor.title.clone(),
        }
    }

    /// A way to a person, or the thing that makes a noise: `Ines by push`, `siren`.
    pub fn way_in_words(&self, target: &Target) -> String {
        let way = spoken(&target.channel);
        match &target.contact {
            Some(who) => format!("{} by {way}", self.person(who)),
            None => way,
        }
    }

    /// A person's name, by the name of rule files.
    pub fn person<'n>(&'n self, who: &'n str) -> &'n str {
        self.directory.contacts.get(who).map_or(who, |contact| &contact.name)
    }

    /// The tank as people read it, or the site.
    pub fn title(&self, tank: Option<TankId>) -> &str {
        tank.and_then(|tank| self.tanks.get(tank.index())).map_or(&self.site, |tank| &tank.title)
    }
}

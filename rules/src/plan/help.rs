//! What a helper needs who has never been here: where things are, whom to call, what helpers may
//! do. It goes out on pages, which lie in mailboxes and on other people's screens; so what opens a
//! door is refused.

use super::title::spoken;
use crate::diagnostic::{Finding, Item, Table};
use crate::plan::Plan;
use crate::site::{Callee, Help, Phone, Tank, WithoutMains};
use crate::units::QuantityItem as _;
use std::ops::Range;

/// So much fits on a page beside what is wrong.
const PLACES: usize = 12;
const CALLED: usize = 4;
const ALLOWED: usize = 8;
/// Letters of one entry.
const LONGEST: usize = 80;

/// ITU-T E.164 allows 15 digits (from memory); local numbers may be short.
const PHONE_DIGITS: (usize, usize) = (3, 15);
/// 112, 911, 000, 1122.
const EMERGENCY_DIGITS: (usize, usize) = (2, 6);

/// Words that tell how to get in, in some languages. Whole words only: a keyboard is no key.
const OPENS_DOORS: [&str; 22] = [
    "key",
    "keys",
    "keybox",
    "keysafe",
    "keypad",
    "lockbox",
    "code",
    "codes",
    "passcode",
    "password",
    "combination",
    "schlüssel",
    "schluessel",
    "chave",
    "chaves",
    "llave",
    "llaves",
    "clé",
    "clef",
    "código",
    "codigo",
    "sleutel",
];
/// A row of so many digits is a code too.
const CODE_DIGITS: usize = 4;

/// `without-mains = { watch = "2 h", router = "30 min", modem = "4 h" }`
pub(super) fn without_mains(table: &Table<'_>) -> WithoutMains {
    let Some(table) = table.get("without-mains").and_then(Item::table) else {
        return WithoutMains::default();
    };
    let span = |name| table.get(name).and_then(Item::duration);
    let found = WithoutMains { watch: span("watch"), router: span("router"), modem: span("modem") };
    table.finish();
    found
}

/// What the site's table says.
pub(super) fn of_site(table: &Table<'_>) -> Help {
    Help {
        call: table.get("call").map(called).unwrap_or_default(),
        emergency: table.get("emergency").and_then(|item| phone(item, EMERGENCY_DIGITS)),
        ..of_both(table)
    }
}

/// What a tank's table says.
pub(super) fn of_tank(table: &Table<'_>) -> Help {
    Help { looks: table.get("place").and_then(entry), ..of_both(table) }
}

/// What either may say.
fn of_both(table: &Table<'_>) -> Help {
    Help {
        places: table.get("where").and_then(places).unwrap_or_default(),
        may: table.get("helpers-may").and_then(allowed).unwrap_or_default(),
        ..Help::default()
    }
}

/// `{ battery-pump = "hall cupboard, upper shelf" }`
fn places(item: Item<'_>) -> Option<Vec<(String, String)>> {
    let table = item.table()?;
    let all = table.all();
    if all.len() > PLACES {
        let label = format!("this has {}", all.len());
        return item.wrong(format!("`where` has at most {PLACES} places"), label, None);
    }
    let place = |(name, item): (crate::diagnostic::At<String>, Item<'_>)| {
        // A key in quotes is said as it stands.
        let thing = if name.it.contains(' ') { name.it.clone() } else { spoken(&name.it) };
        if let Some(word) = opens_a_door(&thing) {
            return refused(item, &word);
        }
        Some((thing, entry(item)?))
    };
    Some(all.into_iter().filter_map(place).collect())
}

fn allowed(item: Item<'_>) -> Option<Vec<String>> {
    let list = item.list()?;
    if list.len() > ALLOWED {
        let label = format!("this has {}", list.len());
        return item.wrong(format!("`helpers-may` has at most {ALLOWED} lines"), label, None);
    }
    Some(list.into_iter().filter_map(entry).collect())
}

/// Some words on one line, that open no door.
fn entry(item: Item<'_>) -> Option<String> {
    let text = item.text()?.it;
    if let Some(word) = opens_a_door(&text) {
        return refused(item, &word);
    }
    let letters = text.chars().count();
    if letters > LONGEST || text.contains(char::is_control) {
        let label = if letters > LONGEST { format!("this has {letters}") } else { "a line break".to_owned() };
        return item.wrong(format!("one line of at most {LONGEST} letters"), label, None);
    }
    Some(text)
}

fn refused<T>(item: Item<'_>, word: &str) -> Option<T> {
    let help = "tell it in person, and write here whom to `call`".to_owned();
    let title = "keys and codes of doors have no place in a rule file";
    let label = format!("`{word}`: pages lie in mailboxes and on other people's screens");
    item.wrong(title, label, Some(help))
}

/// The first word that tells how to get in.
fn opens_a_door(text: &str) -> Option<String> {
    let mut words = text.split(|sign: char| !sign.is_alphanumeric()).filter(|word| !word.is_empty());
    let tells = |word: &&str| {
        let digits = word.chars().filter(char::is_ascii_digit).count();
        digits >= CODE_DIGITS || OPENS_DOORS.contains(&word.to_lowercase().as_str())
    };
    words.find(tells).map(str::to_owned)
}

/// What a helper is told of and can't find: which of several tanks is meant, and the plugs of the
/// heaters that a page says to unplug.
pub(super) fn lost_helpers(plan: &Plan, places: &[Range<usize>]) -> Vec<Finding> {
    let mut found = Vec::new();
    let tanks = || plan.tanks.iter().zip(places);
    let unknown: Vec<_> = tanks().filter(|(tank, _)| tank.help.looks.is_none()).collect();
    if let [(first, place), more @ ..] = unknown.as_slice()
        && plan.tanks.len() > 1
    {
        let more = if more.is_empty() { String::new() } else { format!(", nor {} more", more.len()) };
        let title = format!("a helper does not know which tank `{}` is{more}", first.title);
        let help = "say where it stands or how it looks: `place = \"hall, the tall one\"`";
        let label = "pages name it by its title alone";
        found.push(Finding::warning((*place).clone(), title, label).help(help));
    }
    let says = |help: &Help| help.places.iter().any(|(thing, _)| thing.to_lowercase().contains("heater"));
    let heated = |tank: &Tank| tank.gear.heaters.iter().any(Option::is_some);
    let lost = tanks().find(|(tank, _)| heated(tank) && !says(&tank.help) && !says(&plan.help));
    if let Some((tank, place)) = lost {
        let title = format!("a helper does not know the plugs of the heaters of `{}`", tank.title);
        let help = "`where = { heater-plugs = \"left behind the stand, marked H\" }`; mark the plugs too";
        let label = "pages may say to unplug them";
        found.push(Finding::warning(place.clone(), title, label).help(help));
    }
    found
}

fn called(item: Item<'_>) -> Vec<Callee> {
    let Some(list) = item.list() else { return Vec::new() };
    if list.len() > CALLED {
        let label = format!("this has {}", list.len());
        item.note(format!("`call` names at most {CALLED} people"), label, None);
    }
    let one = |item: Item<'_>| {
        let table = item.table()?;
        let name = table.need("name", "\"Ines\"").and_then(entry);
        let phone = table.need("phone", "\"+351 200 000 000\"").and_then(|item| phone(item, PHONE_DIGITS));
        let who = table.get("who").and_then(entry);
        table.finish();
        Some(Callee { name: name?, who, phone: phone? })
    };
    list.into_iter().filter_map(one).collect()
}

fn phone(item: Item<'_>, (least, most): (usize, usize)) -> Option<Phone> {
    let text = item.text()?.it;
    let digits = text.chars().filter(char::is_ascii_digit).count();
    let dialled = |(at, sign): (usize, char)| {
        sign.is_ascii_digit() || " -()/.".contains(sign) || (sign == '+' && at == 0)
    };
    if (least..=most).contains(&digits) && text.char_indices().all(dialled) && text.len() <= 2 * most {
        return Some(Phone(text));
    }
    let title = "this is not a telephone number";
    item.wrong(title, format!("expected {least} to {most} digits, as they are dialled"), None)
}

#[cfg(test)]
mod tests {
    use super::{Phone, opens_a_door};

    #[test]
    fn what_opens_a_door_is_known_by_its_words_and_by_rows_of_digits() {
        for text in [
            "spare key under the pot",
            "Code: see fridge",
            "door 4711",
            "Schlüssel beim Nachbarn",
            "keypad left",
        ] {
            assert!(opens_a_door(text).is_some(), "{text}");
        }
        for text in [
            "hall cupboard, upper shelf",
            "cellar, breaker 12, left of the stairs",
            "keyboard drawer",
            "B 112",
        ] {
            assert_eq!(opens_a_door(text), None, "{text}");
        }
    }

    #[test]
    fn no_log_shows_a_telephone_number() {
        assert_eq!(format!("{:?}", Phone("+351 200 000 000".to_owned())), "Phone(…)");
    }
}

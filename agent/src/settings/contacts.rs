//! `[contact.…]` and `[channel.…]`: the people with their hours and absences, and the sirens,
//! which belong to nobody.

use super::channels::{ChannelSettings, channel};
use super::tree::{Item, Table};
use jiff::civil::{Date, Time};
use slackwater_rules::plan::{Absence, Contact, Hours, Target};
use std::collections::BTreeMap;

type People = (BTreeMap<String, Contact>, BTreeMap<Target, ChannelSettings>);

/// Reads `[contact.…]` with the channels in it, and the sirens of `[channel.…]`.
pub(super) fn read(root: &mut Table<'_>) -> Option<People> {
    let mut channels = BTreeMap::new();
    let contacts = root.or("contact", Vec::new(), |item| {
        each(item, |name, item| contact(name, item).map(|found| (name.to_owned(), found)))
    });
    let sirens = root.or("channel", Vec::new(), |item| {
        each(item, |name, item| {
            let target = Target { contact: None, channel: name.to_owned() };
            channel(item, false).map(|found| (target, found))
        })
    });
    let mut people = BTreeMap::new();
    for (name, (contact, theirs)) in contacts? {
        channels.extend(
            theirs
                .into_iter()
                .map(|(channel, settings)| (Target { contact: Some(name.clone()), channel }, settings)),
        );
        people.insert(name, contact);
    }
    channels.extend(sirens?);
    let wrong = sitters(&people, &channels);
    match wrong.is_empty() {
        true => Some((people, channels)),
        false => wrong.into_iter().fold(None, |_, what| root.wrong("contact", what)),
    }
}

/// What is wrong with those who stand in: nobody stands in by a name alone.
fn sitters(people: &BTreeMap<String, Contact>, channels: &BTreeMap<Target, ChannelSettings>) -> Vec<String> {
    let absences =
        people.iter().flat_map(|(name, contact)| contact.away.iter().map(move |away| (name, away)));
    let wrong = absences.filter_map(|(name, absence)| {
        let sitter = absence.sitter.as_ref()?;
        let stands_in =
            format!("{sitter} can't stand in for {name} from {} to {}", absence.first, absence.last);
        let Some(contact) = people.get(sitter) else {
            let known: Vec<_> = people.keys().filter(|known| *known != name).map(String::as_str).collect();
            return Some(format!(
                "{stands_in}: there is no contact `{sitter}`; there are: {}",
                known.join(", ")
            ));
        };
        if sitter == name {
            return Some(format!("{stands_in}: that is the one who is away"));
        }
        if let Some(other) = contact.away.iter().find(|other| other.meets(absence)) {
            return Some(format!("{stands_in}: away too, from {} to {}", other.first, other.last));
        }
        let has_channel = channels.keys().any(|target| target.contact.as_ref() == Some(sitter));
        (!has_channel).then(|| format!("{stands_in}: has no channel"))
    });
    wrong.collect()
}

/// A channel without the section that it goes through would fail at night.
pub(super) fn want(
    root: &Table<'_>,
    section: &'static str,
    kind: &str,
    channels: &BTreeMap<Target, ChannelSettings>,
    needs: impl Fn(&ChannelSettings) -> bool,
) -> Option<()> {
    match channels.iter().find(|(_, channel)| needs(channel)) {
        Some((target, _)) => {
            root.wrong(section, format!("it is missing, but `{target}` is a {kind} channel"))
        }
        None => Some(()),
    }
}

/// All entries of a table with names of the keeper's choice; every one is looked at.
pub(super) fn each<'a, T>(
    item: &Item<'a>,
    mut read: impl FnMut(&str, &Item<'a>) -> Option<T>,
) -> Option<Vec<T>> {
    let named = item.table()?.named();
    let found: Vec<Option<T>> = named
        .iter()
        .map(|(name, item)| {
            let good = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
            let found = read(name, item);
            if name.is_empty() || !name.bytes().all(good) {
                return item.wrong(format!(
                    "`{name}` can't be a name: small letters a to z, digits and hyphens are expected"
                ));
            }
            found
        })
        .collect();
    found.into_iter().collect()
}

fn contact(name: &str, item: &Item<'_>) -> Option<(Contact, Vec<(String, ChannelSettings)>)> {
    let mut table = item.table()?;
    let shown = table.or("name", name.to_owned(), Item::text);
    let hours = table.or("hours", Vec::new(), |item| all(item, hours));
    let away = table.or("away", Vec::new(), |item| all(item, absence));
    let channels = table.or("channel", Vec::new(), |item| {
        each(item, |name, item| channel(item, true).map(|found| (name.to_owned(), found)))
    });
    Some((Contact { name: shown?, hours: hours?, away: away? }, channels?))
}

/// All items of a list; every one is looked at.
fn all<'a, T>(item: &Item<'a>, read: impl FnMut(&Item<'a>) -> Option<T>) -> Option<Vec<T>> {
    let found: Vec<Option<T>> = item.list()?.iter().map(read).collect();
    found.into_iter().collect()
}

fn hours(item: &Item<'_>) -> Option<Hours> {
    let text = item.text()?;
    let time = |text: &str| {
        let (hour, minute) = text.trim().split_once(':')?;
        let number = |text: &str| if text.len() == 2 { text.parse().ok() } else { None };
        Time::new(number(hour)?, number(minute)?, 0, 0).ok()
    };
    let pair = text.split_once('-').and_then(|(from, until)| Some((time(from)?, time(until)?)));
    match pair {
        Some((from, until)) if from != until => Some(Hours { from, until }),
        _ => item.wrong(format!(
            "`{text}` is not a stretch of the day: two different times like \"07:00-23:00\" are expected \
             (00:00 to 23:59; over midnight is possible; leave `hours` out for the whole day)"
        )),
    }
}

fn absence(item: &Item<'_>) -> Option<Absence> {
    let mut table = item.table()?;
    let date = |item: &Item<'_>| {
        let text = item.text()?;
        text.parse::<Date>()
            .ok()
            .or_else(|| item.wrong(format!("`{text}` is not a date: one like \"2026-12-20\" is expected")))
    };
    let (from, until) = (table.need("from", date), table.need("until", date));
    let sitter = table.may("sitter", Item::text);
    let (from, until) = (from?, until?);
    if until < from {
        return table.wrong("until", format!("{until} is before {from}, the first day away"));
    }
    Some(Absence { first: from, last: until, sitter: sitter? })
}

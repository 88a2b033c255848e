//! `[contact.…]` and `[channel.…]`: the people with their hours and absences, and the sirens,
//! which belong to nobody.

use super::Settings;
use super::channels::{ChannelSettings, channel};
use super::files::Files;
use super::reader::{is_name, line};
use crate::modem::Number;
use jiff::civil::{Date, Time};
use slackwater_rules::diagnostic::{Finding, Item, Table, did_you_mean, listed};
use slackwater_rules::plan::ways::Skill;
use slackwater_rules::plan::{Absence, ChannelKind, Contact, Hours, Target, Weekly};
use std::collections::BTreeMap;
use std::ops::Range;

/// Who can be told and by what, with places in the file.
#[derive(Default)]
pub(super) struct People {
    pub(super) contacts: BTreeMap<String, Contact>,
    pub(super) channels: BTreeMap<Target, ChannelSettings>,
    /// Where the channels are named.
    places: BTreeMap<Target, Range<usize>>,
    /// Every absence of someone with a sitter, and where the sitter is named.
    sitters: Vec<(String, Absence, Range<usize>)>,
    /// Who wants a report every week, and where that stands.
    weekly: Vec<(String, Range<usize>)>,
    /// Who answers on the topic of answers, and where that stands.
    on_topic: Vec<(String, Range<usize>)>,
}

/// Reads `[contact.…]` with the channels in it, and the sirens of `[channel.…]`.
pub(super) fn read(root: &Table<'_>, files: &Files<'_>) -> People {
    let before = root.errors();
    let mut people = People::default();
    for (name, table) in root.tables("contact") {
        is_name(&name, &table);
        let contact = people.contact(&name.it, table, files);
        people.contacts.insert(name.it, contact);
    }
    for (name, table) in root.tables("channel") {
        is_name(&name, &table);
        let target = Target { contact: None, channel: name.it };
        if let Some((found, _)) = channel(table, files, false) {
            people.places.insert(target.clone(), name.span);
            people.channels.insert(target, found);
        }
    }
    if root.errors() == before {
        people.check_sitters(root);
        people.check_reports(root);
    }
    people
}

impl People {
    fn contact(&mut self, name: &str, table: Table<'_>, files: &Files<'_>) -> Contact {
        let shown = table.get("name").and_then(line);
        let helper = table.get("helper").and_then(Item::flag).unwrap_or(false);
        let skill = |item: Item<'_>| item.one_of(&Skill::ALL);
        let skills: Option<Vec<Skill>> = table.get("answers-by").map(|item| each(item, skill));
        if skills.as_ref().is_some_and(|skills| skills.contains(&Skill::Broker)) {
            self.on_topic.push((name.to_owned(), table.key_span("answers-by")));
        }
        if helper && skills.as_ref().is_some_and(|skills| !skills.is_empty()) {
            let title = format!("`{name}` is a helper, whom no page sends to a broker or a computer");
            let finding = Finding::error(table.key_span("answers-by"), title, "this would never be said");
            table.note(finding.help("leave out `answers-by` or `helper`"));
        }
        let hours = table.get("hours").map(|item| each(item, hours)).unwrap_or_default();
        let kinds = [("critical", false), ("never", true)];
        let outside = table.get("outside-hours");
        if outside.is_some() && !table.has("hours") {
            let title = format!("`{name}` has no `hours` to be outside of");
            let finding = Finding::error(table.key_span("outside-hours"), title, "says nothing");
            table.note(finding.help("for instance `hours = [\"07:00-23:00\"]`"));
        }
        let never_woken = outside.and_then(|item| item.one_of(&kinds)).unwrap_or(false);
        let away = table.get("away").map(|item| each(item, absence)).unwrap_or_default();
        let report = table.get("report").and_then(|item| Some((Weekly::read(item)?, item.span())));
        let mut quotas = BTreeMap::new();
        for (channel_name, table) in table.tables("channel") {
            is_name(&channel_name, &table);
            let Some((found, quota)) = channel(table, files, true) else { continue };
            quotas.extend(quota.map(|quota| (channel_name.it.clone(), quota)));
            let target = Target { contact: Some(name.to_owned()), channel: channel_name.it };
            self.places.insert(target.clone(), channel_name.span);
            self.channels.insert(target, found);
        }
        table.finish();
        for (absence, place) in &away {
            self.sitters.push((name.to_owned(), absence.clone(), place.clone()));
        }
        let away = away.into_iter().map(|(absence, _)| absence).collect();
        if let Some((_, place)) = &report {
            self.weekly.push((name.to_owned(), place.clone()));
        }
        let report = report.map(|(weekly, _)| weekly);
        Contact {
            name: shown.unwrap_or_else(|| name.to_owned()),
            helper,
            skills,
            hours,
            never_woken,
            away,
            report,
            quotas,
        }
    }

    /// Notes what is wrong with those who stand in: nobody stands in by a name alone.
    fn check_sitters(&self, root: &Table<'_>) {
        for (name, absence, place) in &self.sitters {
            let Some(sitter) = &absence.sitter else { continue };
            let (label, help) = match self.contacts.get(sitter) {
                None => {
                    let known: Vec<_> = self.contacts.keys().filter(|known| *known != name).collect();
                    let known: Vec<_> = known.into_iter().map(String::as_str).collect();
                    let help = did_you_mean(sitter, known.iter().copied());
                    let all = || (!known.is_empty()).then(|| format!("there are {}", listed(&known)));
                    (format!("there is no contact `{sitter}`"), help.or_else(all))
                }
                Some(_) if sitter == name => ("that is the one who is away".to_owned(), None),
                Some(contact) => match contact.away.iter().find(|other| other.meets(absence)) {
                    Some(other) => (format!("away too, from {} to {}", other.first, other.last), None),
                    None if self.channels.keys().any(|target| target.contact.as_ref() == Some(sitter)) => {
                        continue;
                    }
                    None => (format!("has no `[contact.{sitter}.channel.…]`"), None),
                },
            };
            let title =
                format!("`{sitter}` can't stand in for `{name}` from {} to {}", absence.first, absence.last);
            root.note(Finding::error(place.clone(), title, label).maybe_help(help));
        }
    }

    /// Notes a report that nothing can carry.
    fn check_reports(&self, root: &Table<'_>) {
        for (name, place) in &self.weekly {
            let is_mail = |(target, channel): (&Target, &ChannelSettings)| {
                target.contact.as_ref() == Some(name) && channel.kind() == ChannelKind::Mail
            };
            if !self.channels.iter().any(is_mail) {
                let title = format!("nothing carries the report to `{name}`");
                let finding =
                    Finding::error(place.clone(), title, "a report goes by mail, and there is none here");
                root.note(
                    finding.help(format!("set up `[contact.{name}.channel.mail]`, or leave `report` out")),
                );
            } else if self.contacts.get(name).is_some_and(|contact| contact.helper) {
                let title = format!("`{name}` is a helper, and reports are for keepers");
                let finding = Finding::error(place.clone(), title, "this would never be sent");
                root.note(finding.help("leave out `report` or `helper`"));
            }
        }
    }

    /// Notes an answer on a topic that there is not: a page would not name it.
    pub(super) fn check_skills(&self, root: &Table<'_>, there_is_a_topic: bool) {
        for (name, place) in self.on_topic.iter().filter(|_| !there_is_a_topic) {
            let title = format!("`{name}` can't answer by the broker");
            let finding = Finding::error(place.clone(), title, "there is no topic of answers");
            root.note(finding.help("set up `[answers]` with a `topic`, or leave \"broker\" out"));
        }
    }

    /// Notes a ring of somebody whom no other channel tells why.
    pub(super) fn check_rings(&self, root: &Table<'_>) {
        let rings = self.channels.iter().filter(|(_, channel)| matches!(channel, ChannelSettings::Ring(_)));
        for (target, _) in rings {
            let says = |(other, channel): (&Target, &ChannelSettings)| {
                other.contact == target.contact && !matches!(channel, ChannelSettings::Ring(_))
            };
            if !self.channels.iter().any(says) {
                let place = self.places.get(target).cloned().unwrap_or_default();
                let title = format!("`{target}` wakes somebody whom nothing tells why");
                let finding = Finding::error(place, title, "a ring says nothing");
                root.note(finding.help("give this contact a text too, and name both in one step"));
            }
        }
    }

    /// Notes a channel without the section that it goes through: it would fail at night.
    pub(super) fn want(
        &self,
        root: &Table<'_>,
        section: &'static str,
        needs: impl Fn(&ChannelSettings) -> bool,
    ) {
        let first = self.channels.iter().find(|(_, channel)| needs(channel));
        let Some((target, _)) = first.filter(|_| !root.has(section)) else { return };
        let place = self.places.get(target).cloned().unwrap_or_default();
        let title = format!("`{target}` has nothing to go through");
        let label = format!("it needs `[{section}]`, which is missing");
        let help = match section {
            "mail" => {
                "for instance `[mail]` with `host = \"mail.example.org\"` and `from = \"watch@example.org\"`"
            }
            _ => "for instance `[modem]` with `device = \"/dev/ttyUSB2\"`",
        };
        root.note(Finding::error(place, title, label).help(help));
    }
}

impl People {
    /// Channels that go through a section which can't be used can't be used either.
    pub(super) fn go_without(
        &mut self,
        section: &str,
        unusable: &BTreeMap<String, String>,
        needs: impl Fn(&ChannelSettings) -> bool,
    ) {
        let Some(why) = unusable.get(section) else { return };
        for channel in self.channels.values_mut().filter(|channel| needs(channel)) {
            *channel = channel.unusable(format!("[{section}]: {why}"));
        }
    }
}

/// All items of a list; every one is looked at.
fn each<'t, T>(item: Item<'t>, read: impl FnMut(Item<'t>) -> Option<T>) -> Vec<T> {
    item.list().into_iter().flatten().filter_map(read).collect()
}

fn hours(item: Item<'_>) -> Option<Hours> {
    let text = line(item)?;
    let time = |text: &str| {
        let (hour, minute) = text.trim().split_once(':')?;
        let number = |text: &str| if text.len() == 2 { text.parse().ok() } else { None };
        Time::new(number(hour)?, number(minute)?, 0, 0).ok()
    };
    let pair = text.split_once('-').and_then(|(from, until)| Some((time(from)?, time(until)?)));
    match pair {
        Some((from, until)) if from != until => Some(Hours { from, until }),
        _ => {
            let help = "for instance \"07:00-23:00\"; over midnight is possible; leave `hours` out for the whole day";
            let label = "expected two different times, 00:00 to 23:59";
            item.wrong(format!("`{text}` is not a stretch of the day"), label, Some(help.to_owned()))
        }
    }
}

/// An absence, and where its sitter is named.
fn absence(item: Item<'_>) -> Option<(Absence, Range<usize>)> {
    let table = item.table()?;
    let from = table.need("from", "\"2026-12-20\"").and_then(day_and_time);
    let until = table.need("until", "\"2026-12-31 18:00\"").and_then(day_and_time);
    let sitter = table.get("sitter");
    let place = sitter.map_or_else(|| item.span(), Item::span);
    let sitter = sitter.and_then(line);
    let ends = table.key_span("until");
    table.finish();
    let ((from, leaves), (until, back)) = (from?, until?);
    if until < from || (until == from && back.is_some_and(|back| back <= leaves.unwrap_or(Time::midnight())))
    {
        let title = format!("an absence until {until} is over before it begins");
        item.find(Finding::error(ends, title, format!("the first day away is {from}")));
        return None;
    }
    Some((Absence { first: from, last: until, leaves, back, sitter }, place))
}

/// A day, in quotes or without, perhaps with a time of day.
fn day_and_time(item: Item<'_>) -> Option<(Date, Option<Time>)> {
    let text = match item.date() {
        Some(date) => date,
        None => line(item)?,
    };
    let read = || {
        let (day, time) = match text.split_once([' ', 'T']) {
            Some((day, time)) => (day, Some(time)),
            None => (text.as_str(), None),
        };
        let day: Date = day.parse().ok()?;
        match time {
            Some(time) => Some((day, Some(time.parse::<Time>().ok()?))),
            None => Some((day, None)),
        }
    };
    read().or_else(|| {
        let help = "for instance \"2026-12-20\" or \"2026-12-20 18:00\"".to_owned();
        item.wrong(
            format!("`{text}` is not a date"),
            "expected YEAR-MONTH-DAY, perhaps with HOUR:MINUTE",
            Some(help),
        )
    })
}

impl Settings {
    /// Whose addresses answers by mail may come from, in small letters, by the names that rule
    /// files use.
    pub fn addresses(&self) -> BTreeMap<String, String> {
        let theirs = |(target, channel): (&Target, &ChannelSettings)| match (&target.contact, channel) {
            (Some(contact), ChannelSettings::Mail(to)) => {
                Some((to.email.to_string().to_lowercase(), contact.clone()))
            }
            _ => None,
        };
        self.channels.iter().filter_map(theirs).collect()
    }

    /// Whose numbers texts may come from, by the names that rule files use.
    pub fn numbers(&self) -> Vec<(Number, String)> {
        let theirs = |(target, channel): (&Target, &ChannelSettings)| match (&target.contact, channel) {
            (Some(contact), ChannelSettings::Text(number)) => Some((number.clone(), contact.clone())),
            _ => None,
        };
        self.channels.iter().filter_map(theirs).collect()
    }

    /// People whose every way needs the router: as pages say their names.
    pub fn cut_off_without_router(&self) -> Vec<&str> {
        let cut_off = |name: &String| {
            let mut theirs =
                self.channels.iter().filter(|(target, _)| target.contact.as_ref() == Some(name)).peekable();
            theirs.peek().is_some() && theirs.all(|(_, channel)| channel.needs_router())
        };
        self.contacts
            .iter()
            .filter(|(name, _)| cut_off(name))
            .map(|(_, contact)| contact.name.as_str())
            .collect()
    }
}

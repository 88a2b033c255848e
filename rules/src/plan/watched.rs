//! Other sites that this watch is the witness of. Each `[watched.…]` table becomes what the
//! engine knows already: a sensor that its check-ins feed, and an alarm for the loss of its
//! sight, with its own people and its own words. So a silent site is found by the very rules by
//! which a silent thermometer is, and nothing is said of any while the way to the broker is lost.

use super::alarm::{self, Explained, PRIORITIES, Read};
use super::context::CheckContext;
use super::title::spoken;
use super::{Alarm, Feed, Measure, Sensor, SensorId, Sight, Watched, WatchedId};
use crate::alarm::Priority;
use crate::card::{Card, is_plain};
use crate::condition::{Condition, Test};
use crate::diagnostic::{At, Finding, Item, NamedTable, Table};
use crate::reading::{Content, Mapping, Word};
use crate::time::Span;
use crate::units::QuantityItem as _;
use crate::units::{Dimension, Scale, Unit};

/// What the names of topics with check-ins begin with; the site's own name follows.
pub const CHECK_INS: &str = "slackwater/check-in/";

/// The longest name of a site.
const LONGEST_NAME: usize = 64;

/// Whether a site can be called so: a small letter, then small letters a to z, digits and hyphens.
pub fn is_site_name(text: &str) -> bool {
    let good = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
    text.len() <= LONGEST_NAME && text.starts_with(|c: char| c.is_ascii_lowercase()) && text.bytes().all(good)
}

/// As reviews show it; no kind that a keeper can write, so that no other sensor has it.
pub(super) const MEASURE: &str = "check-in";

/// Check-ins come this often unless the file says otherwise, and a site is silent after so many.
const EVERY: Span = Span::minutes(1);
const MISSED: i64 = 5;

/// So many make a site silent at least: one may be lost, two rarely are.
const LEAST: i64 = 3;

/// What the names of the two alarms end with; of the second, its sensor's too.
pub const SILENT: &str = "-silent";
const ASKS: &str = "-asks";

/// A site's own channels may have just this one hiccup.
const ASKED_FOR: Span = Span::minutes(1);

/// An Ed25519 public key (RFC 8032) is 32 bytes: 43 characters of base64url (RFC 4648, 5).
const KEY_LENGTH: usize = 43;

/// One site, and what it comes to in the plan.
pub(super) struct WatchedParts {
    pub(super) watched: Watched,
    pub(super) sensors: Vec<Sensor>,
    pub(super) alarms: Vec<Read>,
}

/// How the sensors of all sites are read.
struct SiteMappings {
    here: Mapping,
    asks: Mapping,
}

/// All sites of the file; none for one that is mistaken. Their sensors come after the `sensors`
/// that the file declares.
pub(super) fn read(
    tables: Vec<NamedTable<'_>>,
    sensors: usize,
    context: &CheckContext<'_>,
) -> Vec<Option<WatchedParts>> {
    let mut sites = Vec::with_capacity(tables.len());
    let mut next = sensors as u32;
    let mappings = SiteMappings { here: mapping(&["here"]), asks: mapping(&["yes", "no"]) };
    for (id, table) in (0..).map(WatchedId).zip(tables) {
        let site = table.open(|keys| one(&table.name, keys, (id, next), &mappings, context));
        next += site.as_ref().map_or(0, |site| site.sensors.len() as u32);
        sites.push(site);
    }
    sites
}

fn one(
    name: &At<String>,
    table: Table<'_>,
    (id, next): (WatchedId, u32),
    mappings: &SiteMappings,
    context: &CheckContext<'_>,
) -> Option<WatchedParts> {
    let before = context.errors();
    if context.sensors.get(&name.it).is_some() {
        let title = format!("`{}` is a sensor already", name.it);
        table.note(Finding::error(name.span.clone(), title, "a watched site and a sensor share their names"));
    }
    let title = table.get("name").and_then(Item::text).map_or_else(|| name.it.clone(), |title| title.it);
    let key = table.need("key", "\"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo\"").and_then(key);
    let every = table.get("every").and_then(Item::some_duration).unwrap_or(EVERY);
    let silent_after = table.get("silent-after").and_then(|item| match item.some_duration()? {
        span if span >= every.times(LEAST) => Some(span),
        _ => {
            let help = format!("at least {}, so that a lost message wakes nobody", every.times(LEAST));
            item.wrong("a site is not silent so soon", format!("it checks in every {every}"), Some(help))
        }
    });
    let silent_after = silent_after.unwrap_or(every.times(MISSED));
    let priority = table.get("priority").and_then(|item| item.one_of(&PRIORITIES)).unwrap_or(Priority::High);
    let response = table.get("response").and_then(|item| context.response(item));
    let callout = alarm::callout(&table, context);
    let hand_on = table.get("hand-on").and_then(Item::flag).unwrap_or(false);
    table.finish();

    let mut site = WatchedParts {
        watched: Watched { name: name.it.clone(), title, key: key?, sensor: SensorId(next), asks: None },
        // Of many thousands of sites: no room for more than there will be.
        sensors: Vec::with_capacity(1 + usize::from(hand_on)),
        alarms: Vec::with_capacity(1 + usize::from(hand_on)),
    };
    // The wait has two parts: until sight is lost, and the on-delay after that. The second is what
    // a site has to speak again once this watch hears its broker again.
    let on_delay = Span(silent_after.0 / 5 * 2);
    let common = |alarm: Alarm| Alarm { callout, priority, watched: Some(id), ..alarm };
    site.sensors.push(sensor(&name.it, "", &mappings.here, every, silent_after - on_delay)?);
    let silent = silent(&site.watched, on_delay, silent_after, response);
    site.alarms.push(added(common(silent), name));
    if hand_on {
        let id = SensorId(next + 1);
        site.watched.asks = Some(id);
        site.sensors.push(sensor(&name.it, ASKS, &mappings.asks, every, silent_after)?);
        site.alarms.push(added(common(asks(&site.watched, id)), name));
    }
    (context.errors() == before).then_some(site)
}

fn added(alarm: Alarm, name: &At<String>) -> Read {
    Read { alarm, explained: Explained { place: name.span.clone(), ..Explained::default() } }
}

fn key(item: Item<'_>) -> Option<String> {
    let text = item.text()?.it;
    let good = |byte: u8| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'_';
    if text.len() == KEY_LENGTH && text.bytes().all(good) {
        return Some(text);
    }
    let help = "`slackwater witness key` on the site's board makes a key and prints its public half";
    let label = format!("expected {KEY_LENGTH} letters, digits, `-` or `_`");
    item.wrong("this is not the public half of a check-in key", label, Some(help.to_owned()))
}

fn mapping(words: &[&str]) -> Mapping {
    let word = |&name: &&str| Word { name: name.to_owned(), spellings: vec![name.to_owned()] };
    Mapping::whole(Content::Words(words.iter().map(word).collect()))
}

fn sensor(site: &str, ending: &str, mapping: &Mapping, every: Span, stale_after: Span) -> Option<Sensor> {
    Some(Sensor {
        name: format!("{site}{ending}"),
        title: spoken(&format!("{site}{ending}")),
        feed: Feed::Topic(format!("{CHECK_INS}{site}")),
        mapping: mapping.clone(),
        available: None,
        tank: None,
        measure: Measure { name: MEASURE, dimension: Dimension::NUMBER, words: true },
        scale: Scale { unit: Unit::named("")?, name: String::new() },
        every,
        stale_after,
        plausible: None,
        reject: Vec::new(),
        max_rate: None,
        frozen_after: None,
        limits: None,
        resolution: None,
        gateway: None,
    })
}

fn silent(site: &Watched, on_delay: Span, silent_after: Span, response: Option<Card>) -> Alarm {
    let usual = || {
        let mut card = Card::plain([
            format!("Ring {}. Nobody there? Go, or send the neighbour.", site.title),
            "No power there: start the battery air pump first. Fish need air before they need heat."
                .to_owned(),
            "Power is on: switch the router off and on, then the watch's board.".to_owned(),
        ]);
        let text = format!("Ring {}, or go there.", site.title);
        if let Some(first) = card.lines.first_mut() {
            first.text = Some(text).filter(|text| is_plain(text));
        }
        card
    };
    Alarm {
        cause: Some("its power, its router, its line, or the watch's own board".into()),
        consequence: Some("nobody watches its tanks, and nobody there may know".into()),
        response: response.unwrap_or_else(usual),
        on_delay,
        sight: Some(Sight::Sensor(site.sensor)),
        title: "it is silent".to_owned(),
        ..blank(
            format!("{}{SILENT}", site.name),
            Test::Blind(Sight::Sensor(site.sensor)),
            format!("{} has not checked in for {silent_after}", site.name),
        )
    }
}

fn asks(site: &Watched, asks: SensorId) -> Alarm {
    Alarm {
        cause: Some("its mail, its push gateway or its line".into()),
        consequence: Some("an alarm is open there, and its own pages reach nobody".into()),
        response: Card::plain([format!("Ring {}, and tell them what is open there.", site.title)]),
        on_delay: ASKED_FOR,
        title: "it asks for help".to_owned(),
        ..blank(
            format!("{}{ASKS}", site.name),
            Test::Is(asks, 0),
            format!("{} asks for help: its own pages reach nobody", site.name),
        )
    }
}

fn blank(name: String, test: Test, written: String) -> Alarm {
    Alarm {
        title: spoken(&name),
        name,
        tank: None,
        condition: Condition::Says(test, written.as_str().into()),
        written,
        worse: None,
        deadband: None,
        on_delay: Span::ZERO,
        off_delay: Span::ZERO,
        priority: Priority::High,
        latching: false,
        longest_shelf: None,
        cause: None,
        consequence: None,
        response: Card::default(),
        time_to_respond: None,
        callout: None,
        consequence_of: Vec::new(),
        expected: Vec::new(),
        stopgap: None,
        hazard: None,
        sight: None,
        watched: None,
    }
}

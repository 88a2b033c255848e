//! Sensors: where their readings come from, how payloads are understood, and what is believed.

use super::context::CheckContext;
use super::measure::{KINDS, MeasureKind};
use super::sensor_mapping;
use super::sensor_source::{self, Gives};
use super::{Measure, Sensor, title};
use crate::condition::{is_name, is_word};
use crate::diagnostic::{At, Finding};
use crate::diagnostic::{Item, Table};
use crate::reading::{Content, Word};
use crate::site::{Feed, lies_elsewhere, possible};
use crate::time::Span;
use crate::units::QuantityItem as _;
use crate::units::{Dimension, Scale, Unit, near_unit};
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::ops::Range;

/// Periods without a message after which a sensor is stale, unless the file says otherwise:
/// one may be lost, two rarely are.
const PERIODS: i64 = 3;

/// A source is not asked more often: a 1-Wire thermometer alone takes most of this.
const SHORTEST_ROUND: Span = Span::seconds(1);

impl Sensor {
    /// The words it can say, if it says words.
    pub fn words(&self) -> &[Word] {
        match &self.mapping.content {
            Content::Words(words) => words,
            Content::Number(_) => &[],
        }
    }
}

/// One sensor; nothing if what it is stays unclear. A sensor with a lesser mistake is still
/// good enough to check conditions against, so that they show theirs at once.
pub(super) fn read(name: &At<String>, table: Table<'_>, context: &CheckContext<'_>) -> Option<Sensor> {
    if name.it == "broker" || name.it.starts_with("gateway-") {
        let title = format!("a sensor can't be named `{}`", name.it);
        let label = "the alarm for its loss of sight would have the name of another";
        table.note(Finding::error(name.span.clone(), title, label));
    }
    let feed = sensor_source::read(&table);
    let gives = feed.as_ref().and_then(Feed::source).map(|source| source.gives());
    if table.has("source") {
        sensor_mapping::refuse(&table);
    }
    let tank = table.get("tank").and_then(Item::text).and_then(|tank| context.tank(&tank));
    let kind = match &gives {
        Some(gives) => given_kind(&table, gives),
        None if table.has("source") => table.get("measures").and_then(kind),
        None => table.need("measures", "\"temperature\"").and_then(kind),
    };
    let says_words = match &gives {
        Some(gives) => gives.scale().is_none(),
        None => ["on", "off", "words"].iter().any(|key| table.has(key)),
    };
    let words = match &gives {
        Some(gives) => gives.words(),
        None => words(&table, kind),
    };
    let scale = match (kind, &gives) {
        (Some(kind), Some(gives)) if !says_words => given_scale(&table, kind, gives),
        (Some(kind), None) if !says_words && !table.has("source") => scale(&table, kind),
        _ => {
            table.get("unit");
            says_words.then_some(Scale { unit: Unit::named("")?, name: String::new() })
        }
    };
    let title = title::read(&table, &name.it);
    let every = table.need("every", "\"30 s\"").and_then(Item::some_duration);
    if let (Some(item), Some(_)) = (table.get("every"), every.filter(|every| *every < SHORTEST_ROUND))
        && table.has("source")
    {
        item.note("a source is asked each second at most", format!("less than {SHORTEST_ROUND}"), None);
    }
    let stale_after = stale_after(&table, every);
    let gateway = table.get("gateway").and_then(Item::text).filter(|gateway| named(&table, gateway));
    let gateway = match feed.as_ref().and_then(Feed::source) {
        Some(source) => Some(source.gateway()),
        None => gateway.map(|gateway| gateway.it),
    };

    let dimension = scale.as_ref().map(|scale| scale.unit.dimension);
    let number_keys = ["plausible", "reject", "max-rate", "frozen-after", "limits", "resolution"];
    for key in number_keys.into_iter().filter(|_| says_words) {
        if let Some(item) = table.get(key) {
            let label = format!("`{}` says words", name.it);
            item.note(format!("`{key}` is for sensors that say numbers"), label, None);
        }
    }
    let dimension = dimension.filter(|_| !says_words);
    let like = scale.as_ref();
    let plausible = range(&table, "plausible", dimension, like);
    let limits = range(&table, "limits", dimension, like);
    if let (Some(inner), Some(outer)) = (limits, plausible)
        && let Some(scale) = &scale
        && (inner.0 < outer.0 || inner.1 > outer.1)
    {
        let title = format!("`limits` of `{}` reach outside what is plausible", name.it);
        let label =
            format!("readings outside {} to {} are not believed", scale.show(outer.0), scale.show(outer.1));
        table.note(
            Finding::error(table.key_span("limits"), title, label).also(table.key_span("plausible"), ""),
        );
    }
    let possible = kind.zip(dimension).and_then(|(kind, of)| possible(kind.name, of, tank.is_some()));
    for (key, given) in [("limits", limits), ("plausible", plausible)] {
        if let (Some((low, high)), Some(possible), Some(scale)) = (given, possible, &scale) {
            // What is believed may be wider than what is possible, but not lie elsewhere.
            let wrong = match key {
                "limits" => low < possible.0 || high > possible.1,
                _ => lies_elsewhere((low, high), possible, dimension),
            };
            if wrong {
                impossible(&table, key, &name.it, possible, scale);
            }
        }
    }
    let reject = table.get("reject").zip(dimension).and_then(|(item, of)| {
        Some(item.list()?.into_iter().filter_map(|value| value.quantity_like(of, like)).collect())
    });
    let max_rate = max_rate(&table, kind, dimension, like);
    let frozen_after = table.get("frozen-after").and_then(Item::some_duration);
    let resolution = table.get("resolution").zip(dimension).and_then(|(item, of)| {
        match item.quantity_like(of.difference(), like)? {
            step if step > 0.0 => Some(step),
            _ => {
                item.wrong("a resolution is the smallest step a sensor shows", "must be more than this", None)
            }
        }
    });
    let mapping = sensor_mapping::read(&table, words, scale.as_ref().filter(|_| !says_words));
    let available = table.get("available").map(|item| match table.has("source") {
        true => {
            item.wrong("`available` is for sensors with a topic", "a source says itself that it fails", None)
        }
        false => sensor_mapping::availability(item),
    });
    table.finish();

    let kind = kind?;
    let scale = scale?;
    Some(Sensor {
        name: name.it.clone(),
        title,
        feed: feed?,
        mapping: mapping?,
        available: match available {
            Some(said) => Some(Box::new(said?)),
            None => None,
        },
        tank,
        measure: Measure { name: kind.name, dimension: scale.unit.dimension, words: says_words },
        scale,
        every: every?,
        stale_after: stale_after?,
        plausible,
        reject: reject.unwrap_or_default(),
        max_rate,
        frozen_after,
        limits,
        resolution,
        gateway,
    })
}

/// What a source measures; a file that says it too must say the same.
fn given_kind(table: &Table<'_>, gives: &Gives) -> Option<&'static MeasureKind> {
    let given = gives.kind()?;
    match table.get("measures") {
        Some(item) if kind(item)?.name != given.name => {
            let help = format!("leave `measures` out, or write \"{}\"", given.name);
            item.wrong("`measures` contradicts the source", format!("it is {}", given.name), Some(help))
        }
        _ => Some(given),
    }
}

/// How a source's numbers are shown: in its own unit, or another of the same kind.
fn given_scale(table: &Table<'_>, kind: &MeasureKind, gives: &Gives) -> Option<Scale> {
    let given = gives.scale()?;
    if !table.has("unit") {
        return Some(given);
    }
    let wanted = scale(table, kind)?;
    if wanted.unit.dimension == given.unit.dimension {
        return Some(wanted);
    }
    let title = format!("`{}` is no unit of what the source says", wanted.name);
    table.get("unit")?.wrong(title, format!("it is {}", given.unit.dimension.words()), None)
}

/// Warnings of sensors that read the very same value: a copied table of which the topic was
/// not changed.
pub(super) fn twins(sensors: &[Option<Sensor>], places: &[Range<usize>]) -> Vec<Finding> {
    let mut found = Vec::new();
    let mut seen: BTreeMap<String, (&Sensor, &Range<usize>)> = BTreeMap::new();
    for (sensor, place) in sensors.iter().zip(places) {
        let Some(sensor) = sensor else { continue };
        // What is the same is written the same in the form for programmers, and that can be looked
        // up.
        match seen.entry(format!("{:?} {:?}", sensor.feed, sensor.mapping)) {
            Entry::Occupied(found_before) => {
                let (other, first) = found_before.get();
                let title = format!("`{}` and `{}` read the same value", other.name, sensor.name);
                let label = match sensor.feed {
                    Feed::Topic(_) => "the same topic, read the same way",
                    Feed::Source(_) => "the same source",
                };
                let finding = Finding::warning(place.clone(), title, label);
                found.push(finding.also((*first).clone(), ""));
            }
            Entry::Vacant(free) => drop(free.insert((sensor, place))),
        }
    }
    found
}

/// An MQTT topic name: no filter. MQTT 5.0, section 4.7.
pub(super) fn topic(item: Item<'_>) -> Option<String> {
    let text = item.text()?.it;
    if text.contains(['+', '#']) {
        let title = "a topic here can't have `+` or `#`";
        return item.wrong(
            title,
            "this names many topics",
            Some("one topic for each sensor and relay".to_owned()),
        );
    }
    if text.contains(char::is_control) || text.len() > 65_535 {
        let label = "it has a sign that is not seen, like a NUL, or is longer than 65535 bytes";
        return item.wrong("this can't be an MQTT topic", label, None);
    }
    if text.starts_with("$share/") {
        let help = "messages that are shared out come to one listener each: take the topic itself".to_owned();
        return item.wrong("this is a shared subscription, not a topic", "begins with `$share/`", Some(help));
    }
    Some(text)
}

fn kind(item: Item<'_>) -> Option<&'static MeasureKind> {
    let choices: Vec<_> = KINDS.iter().map(|kind| (kind.name, kind)).collect();
    item.one_of(&choices)
}

fn scale(table: &Table<'_>, kind: &MeasureKind) -> Option<Scale> {
    if kind.dimensions.is_empty() {
        let title = format!("`{}` measures {}, which is said in words", table.name, kind.name);
        let help =
            "for instance `on = [\"on\", \"1\"]` and `off = [\"off\", \"0\"]`, as the sensor sends them";
        let finding = Finding::error(table.span.clone(), title, "lacks `on` and `off`, or `words`");
        table.note(finding.help(help));
        if let Some(item) = table.get("unit") {
            return item.wrong("words have no unit", format!("not for {}", kind.name), None);
        }
        return None;
    }
    let item = table.need("unit", "\"degC\"")?;
    let name = item.text()?.it;
    let Some(unit) = Unit::named(name.trim()) else {
        let near = near_unit(&name, &|dimension| kind.dimensions.contains(&dimension));
        let help = near.map(|near| near.ask(|unit| format!("`{unit}`")));
        return item.wrong(format!("`{name}` is not a unit"), "unknown unit", help);
    };
    if !kind.dimensions.contains(&unit.dimension) {
        let title = format!("`{name}` is no unit of {}", kind.name);
        let wanted = kind.dimensions.first().copied();
        let hint = wanted.map(|wanted| unit.dimension.hint(wanted).trim_start_matches(": ").to_owned());
        let help = hint.filter(|hint| !hint.is_empty());
        return item.wrong(title, format!("this is the unit of {}", unit.dimension.words()), help);
    }
    Some(Scale { unit, name: name.trim().to_owned() })
}

/// The declared words: `on` and `off`, and any others under `words`.
fn words(table: &Table<'_>, kind: Option<&MeasureKind>) -> Option<Vec<Word>> {
    let mut found = Vec::new();
    for name in ["on", "off"] {
        if let Some(item) = table.get(name) {
            found.push((At::new(name.to_owned(), table.key_span(name)), item));
        }
    }
    if let Some(more) = table.get("words").and_then(Item::table) {
        found.extend(more.all());
    }
    if found.is_empty() {
        return None;
    }
    if let Some(item) = table.get("unit").filter(|_| kind.is_some_and(|kind| !kind.dimensions.is_empty())) {
        let title = format!("`{}` says either words or numbers", table.name);
        item.note(title, "a unit is for numbers, but words are declared too", None);
    }
    let mut words: Vec<Word> = Vec::new();
    for (name, item) in found {
        if !is_word(&name.it) || name.it == "silent" || words.iter().any(|word| word.name == name.it) {
            let title = format!("`{}` can't be a declared word", name.it);
            table.note(Finding::error(name.span, title, "taken, or not one word"));
            continue;
        }
        let spellings: Vec<String> = item.texts()?.into_iter().map(|text| text.it).collect();
        if spellings.is_empty() {
            let title = format!("`{}` has no spelling", name.it);
            return item.wrong(title, "nothing here", Some("list what the sensor sends".to_owned()));
        }
        if let Some((other, spelling)) = words.iter().find_map(|word| {
            let shared = word.spellings.iter().find(|spelling| spellings.contains(spelling))?;
            Some((&word.name, shared))
        }) {
            let title = format!("\"{spelling}\" means both `{other}` and `{}`", name.it);
            return item.wrong(title, "one payload, one word", None);
        }
        words.push(Word { name: name.it, spellings });
    }
    Some(words)
}

fn stale_after(table: &Table<'_>, every: Option<Span>) -> Option<Span> {
    let Some(item) = table.get("stale-after") else { return every.map(|every| every.times(PERIODS)) };
    let stale = item.some_duration()?;
    match every {
        Some(every) if stale <= every => {
            let title = format!("`{}` would be stale between any two of its reports", table.name);
            let help = format!("leave it out for {}, or write more than {every}", every.times(PERIODS));
            item.wrong(title, format!("it reports every {every}"), Some(help))
        }
        Some(_) | None => Some(stale),
    }
}

fn range(
    table: &Table<'_>,
    key: &'static str,
    dimension: Option<Dimension>,
    like: Option<&Scale>,
) -> Option<(f64, f64)> {
    let item = table.get(key)?;
    let of = dimension?;
    let [low, high] = item.pair()?;
    let (low, high) = (low.quantity_like(of, like), high.quantity_like(of, like));
    let (low, high) = (low?, high?);
    if low < high {
        return Some((low, high));
    }
    item.wrong(format!("`{key}` goes from lowest to highest"), "the first is not below the second", None)
}

/// A range that no such sensor could see.
fn impossible(table: &Table<'_>, key: &'static str, name: &str, (low, high): (f64, f64), scale: &Scale) {
    let title = format!("`{key}` of `{name}` is beyond what it can read");
    let label = match high == f64::INFINITY {
        true => format!("there is nothing below {}", scale.show(low)),
        false => format!("a sensor of this kind reads {} to {}", scale.show(low), scale.show(high)),
    };
    table.note(Finding::error(table.key_span(key), title, label).help("is the unit right?"));
}

fn max_rate(
    table: &Table<'_>,
    kind: Option<&MeasureKind>,
    dimension: Option<Dimension>,
    like: Option<&Scale>,
) -> Option<f64> {
    let Some(item) = table.get("max-rate") else {
        return kind.filter(|_| dimension.is_some()).and_then(|kind| kind.max_rate);
    };
    let of = dimension?;
    if item.is_text() && item.text()?.it == "none" {
        return None;
    }
    let rate = item.quantity_like(of.difference().per(Dimension::TIME), like)?;
    if rate > 0.0 {
        return Some(rate);
    }
    item.wrong(
        "`max-rate` must be more than nothing",
        "no reading could ever change",
        Some("\"none\" switches the check off".to_owned()),
    )
}

/// Whether a gateway's name can be part of an alarm's name.
fn named(table: &Table<'_>, name: &At<String>) -> bool {
    if sensor_source::is_of_a_source(&name.it) {
        let title = format!("`{}` can't be a gateway's name", name.it);
        table.note(Finding::error(name.span.clone(), title, "sources are called so"));
        return false;
    }
    let good = is_name(&name.it);
    if !good {
        let title = format!("`{}` can't be a gateway's name", name.it);
        table.note(Finding::error(name.span.clone(), title, "a letter, then letters, digits, `-` or `_`"));
    }
    good
}

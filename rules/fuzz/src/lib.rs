//! What must hold for any bytes at all: a rule file is refused or runs, a condition prints as
//! text that reads back as the same, a payload never becomes a number that is none. The fuzz
//! targets call these with what they make up; `rules/tests/corpus.rs` calls them with what is
//! committed in `corpus`, so that a found input stays found.

#[path = "../../tests/fixtures/mod.rs"]
mod fixtures;
mod site;
mod watch;

use jiff::tz::TimeZone;
use site::surroundings;
use slackwater_rules::checkin::Sites;
use slackwater_rules::condition::{Condition, LONGEST, Written};
use slackwater_rules::engine::{Engine, Input};
use slackwater_rules::plan::{Finding, Plan, Severity, render};
use slackwater_rules::reading::{Content, FieldPlace, Mapping, Value, Word};
use slackwater_rules::record::{Body, Record};
use slackwater_rules::rehearsal::Story;
use slackwater_rules::time::{Moment, Now, Span, Wall};
use slackwater_rules::units::{Scale, Unit};
use std::sync::LazyLock;

/// Stands alone on a line between a rule file and the story that comes with it.
const BORDER: &str = "\n%%\n";
/// No story is played that takes more readings than this.
const MOST_READINGS: i64 = 1_000;

/// No watch of these begins with more.
const MOST_RECORDS: usize = 90;

static SITE: LazyLock<Plan> = LazyLock::new(site::halyard);

const NOW: Now = Now { mono: Moment(1_000_000_000), wall: Wall(1_772_445_600_000), wall_trusted: true };

/// Bytes as a rule file, and what stands behind the border as a story and as what happens.
pub fn rules(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let (file, rest) = text.split_once(BORDER).unwrap_or((&text, ""));
    let checked = Plan::check("site.toml", file, &surroundings());
    let wrong = checked.findings.iter().any(|finding| finding.severity == Severity::Error);
    assert_eq!(checked.plan.is_none(), wrong, "no plan without a mistake said: {}", checked.report);
    assert_eq!(checked.report.is_empty(), checked.findings.is_empty());
    placed(file, &checked.findings);
    let Some(plan) = checked.plan else { return };
    let happens = if rest.is_empty() { tail(bytes) } else { rest.as_bytes() };
    watch::over(&plan, happens, NOW);
    match Story::parse(rest, &plan) {
        Ok(story) if readings(&plan, story.length) <= MOST_READINGS => drop(story.play(&plan)),
        Ok(_) => {}
        Err(findings) => {
            placed(rest, &findings);
            assert!(!render("story.txt", rest, &findings).is_empty());
        }
    }
}

/// Bytes as a condition on the invented site.
pub fn condition(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let scope = SITE.scope();
    let condition = Condition::parse(&text, &scope);
    let written = match Written::parse(&text) {
        Ok(written) => written,
        Err(finding) => {
            assert!(condition.is_err(), "`{text}` is checked, but can't be read");
            return placed(&text, &[finding]);
        }
    };
    let printed = written.it.to_string();
    // `1e300` prints with all its digits.
    if printed.len() <= LONGEST {
        let again = Written::parse(&printed);
        let again = again.unwrap_or_else(|why| panic!("`{printed}` can't be read again: {}", why.title));
        assert_eq!(again, written, "`{printed}` reads differently");
        assert_eq!(again.it.to_string(), printed);
        assert_eq!(Condition::parse(&printed, &scope).is_ok(), condition.is_ok(), "`{printed}`");
    }
    match condition {
        Ok(condition) => {
            if printed.len() <= LONGEST {
                assert_eq!(Condition::parse(&printed, &scope).as_ref(), Ok(&condition), "`{printed}`");
            }
            let mut plan = SITE.clone();
            if let Some(first) = plan.alarms.first_mut() {
                (first.condition, first.written) = (condition, text.to_string());
            }
            watch::over(&plan, tail(bytes), NOW);
        }
        Err(findings) => placed(&text, &findings),
    }
}

/// Bytes as what a journal keeps, a record a line: what can be read can be said in words, and a
/// watch can begin with it.
pub fn record(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let bodies = text.lines().filter_map(|line| serde_json::from_str::<Body>(line).ok());
    let records: Vec<Record> = (1..)
        .zip(bodies.take(MOST_RECORDS))
        .map(|(seq, body)| {
            let at = Now { mono: NOW.mono - Span::seconds(100 - seq as i64), ..NOW };
            Record { seq, at, body }
        })
        .collect();
    for record in &records {
        assert!(!record.body.in_words(&SITE).is_empty());
        assert!(serde_json::to_string(record).is_ok());
    }
    let mut engine = Engine::new(SITE.clone(), 7, 1, NOW);
    engine.restore(&records);
    engine.step(NOW, Input::Started { version: "fuzz".to_owned(), gap: None });
    let _ = engine.status(NOW);
}

/// Bytes as what a check-in says once it is known to be from its site: believed or refused in
/// words.
pub fn checkin(bytes: &[u8]) {
    let mut sites = Sites::default();
    let Some(site) = SITE.watched.first() else { return };
    match sites.take(&site.name, bytes, false, &SITE, &NOW, |_, payload| Ok(payload.to_vec())) {
        Ok(believed) => {
            let again = sites.take(&site.name, bytes, false, &SITE, &NOW, |_, payload| Ok(payload.to_vec()));
            assert!(again.is_err(), "the same is no news: {believed:?}");
        }
        Err(refusal) => assert!(!refusal.to_string().is_empty()),
    }
}

/// Bytes as the payload of every kind of sensor.
pub fn payload(bytes: &[u8]) {
    static MAPPINGS: LazyLock<Vec<Mapping>> = LazyLock::new(mappings);
    for mapping in MAPPINGS.iter() {
        match mapping.read(bytes, &NOW) {
            Ok(reading) => {
                match reading.value {
                    Value::Number(number) => assert!(number.is_finite(), "{number} of {mapping:?}"),
                    Value::Word(word) => assert!(usize::from(word) < WORDS.len(), "{word} of {mapping:?}"),
                }
                assert!(reading.measured.is_none_or(|at| at <= NOW.mono), "{reading:?} of {mapping:?}");
            }
            Err(bad) => assert!(!bad.to_string().is_empty()),
        }
    }
}

const WORDS: [(&str, &[&str]); 2] = [("on", &["on", "1", "true"]), ("off", &["off", "0", "false", "ß"])];

/// Every way to find a value, with every kind of value.
fn mappings() -> Vec<Mapping> {
    let word = |(name, spellings): &(&str, &[&str])| Word {
        name: (*name).to_owned(),
        spellings: spellings.iter().map(|&spelling| spelling.to_owned()).collect(),
    };
    let number = |unit: &str| {
        Unit::named(unit).map(|found| Content::Number(Scale { unit: found, name: unit.to_owned() }))
    };
    let numbers = ["", "degC", "degF", "L/h", "kWh", "mg/L", "%"].into_iter().filter_map(number);
    let contents = numbers.chain([Content::Words(WORDS.iter().map(word).collect())]);
    let everywhere = |content: Content| {
        let at = |tokens: &[&str]| tokens.iter().map(|&token| token.to_owned()).collect();
        [
            Mapping::whole(content.clone()),
            Mapping::at(FieldPlace::Pointer(at(&[])), content.clone()),
            Mapping::at(FieldPlace::Pointer(at(&["flow", "rate"])), content.clone()),
            Mapping::at(FieldPlace::Pointer(at(&["0"])), content.clone()),
            Mapping::senml("a".to_owned(), content.clone()),
            Mapping::senml("urn:dev:ow:10e2073a01080063".to_owned(), content),
        ]
    };
    contents.flat_map(everywhere).collect()
}

/// Every finding says something, at a place that there is.
fn placed(text: &str, findings: &[Finding]) {
    for finding in findings {
        let places = finding.more.iter().map(|(place, _)| place).chain([&finding.span]);
        for place in places {
            // An end of the text is underlined one beyond it.
            assert!(place.start <= place.end && place.end <= text.len() + 1, "{finding:?} in {text:?}");
        }
        assert!(!finding.title.is_empty());
    }
}

/// How many readings come in a rehearsal of this length.
fn readings(plan: &Plan, length: Span) -> i64 {
    let whole = length + Span::minutes(10);
    plan.sensors.iter().map(|sensor| whole.0 / sensor.every.0.max(1)).fold(0, i64::saturating_add)
}

/// What is left to be made into happenings, if nothing was set apart for it.
fn tail(bytes: &[u8]) -> &[u8] {
    &bytes[bytes.len().saturating_sub(16)..]
}

/// The zone of the sample site: one with summer time, and no data files.
fn zone() -> TimeZone {
    TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap_or(TimeZone::UTC)
}

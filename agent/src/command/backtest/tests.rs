use super::history::{Past, Playing};
use super::progress::BacktestProgress;
use super::{csv, lead_in, report, sweep, sweep_limit};
use crate::journal::{BootId, Journal, JournalLimits, JournalLog};
use crate::review::{ReviewSpan, parse_when};
use jiff::tz::TimeZone;
use slackwater_rules::alarm::Priority;
use slackwater_rules::engine::Sample;
use slackwater_rules::plan::{Plan, Surroundings, render};
use slackwater_rules::quality::Quality;
use slackwater_rules::reading::Value;
use slackwater_rules::record::{Body, By, Record, Seq, Verdict};
use slackwater_rules::time::{Moment, Now, Span, Wall};

const RULES: &str = r#"
[site]
name = "Halyard House"

[tank.lagoon]
volume = "420 L"

[sensor.lagoon-temp]
topic = "lagoon/temperature"
tank = "lagoon"
measures = "temperature"
unit = "degC"
every = "30 s"
plausible = ["5 degC", "45 degC"]

[sensor.mains]
topic = "house/mains"
measures = "presence"
on = ["on"]
off = ["off"]
every = "30 s"

[alarm.too-warm]
tank = "lagoon"
when = "lagoon-temp > 27 degC"
on-delay = "2 min"
off-delay = "2 min"
priority = "high"
consequence = "oxygen falls"
response = "Open a window."

[alarm.power-lost]
when = "mains is off"
on-delay = "20 s"
priority = "critical"
consequence = "no heat"
response = "card:no-power"
"#;

fn plan() -> Plan {
    let around = Surroundings { directory: Default::default(), zone: TimeZone::UTC, today: None };
    let checked = Plan::check("rules.toml", RULES, &around);
    checked.plan.unwrap_or_else(|| panic!("{}", render("rules.toml", RULES, &checked.findings)))
}

fn wall(text: &str) -> Wall {
    parse_when(text, Wall(0), &TimeZone::UTC).unwrap()
}

fn window() -> ReviewSpan {
    ReviewSpan { since: wall("2026-08-02"), until: wall("2026-08-03") }
}

fn read(text: &str) -> Result<csv::CsvFile, String> {
    csv::parse("august.csv", text, &[], &mut plan(), Wall(0), &TimeZone::UTC)
}

/// A day of a reading a minute: warm to 27.6 degC from 02:00 to 03:00, and to 28.5 degC from 14:00
/// to 14:30. Then, an alarm at 28 degC rang for the second and, of what is not in the readings,
/// at 20:00.
fn journal(folder: &tempfile::TempDir) -> JournalLog {
    let path = folder.path().join("journal.db");
    let (mut journal, _) =
        Journal::open(&path, BootId("first".to_owned()), JournalLimits::default()).unwrap();
    let begin = wall("2026-08-01T22:00:00Z");
    let now = |at: Wall| Now { mono: Moment((at - begin).0), wall: at, wall_trusted: true };
    for minute in 0..26 * 60 {
        let celsius = match minute - 120 {
            120..180 => 27.6,
            840..870 => 28.5,
            _ => 25.5,
        };
        for half in 0..2 {
            let at = now(begin + Span::seconds(minute * 60 + half * 30)).mono;
            let value = Some(Value::Number(celsius + if half == 0 { 0.05 } else { -0.05 }));
            let quality = Quality::Good;
            journal.sample(&[
                Sample { sensor: "lagoon-temp".into(), at, value, quality },
                Sample { sensor: "mains".into(), at, value: Some(Value::Word(0)), quality },
                Sample { sensor: "gone".into(), at, value, quality },
            ]);
        }
    }
    let by = || By { who: "ines".to_owned(), via: "socket".to_owned() };
    let raised = |episode: Seq| Body::Raised {
        alarm: "too-warm".to_owned(),
        episode,
        code: "K7QF".to_owned(),
        place: "lagoon".to_owned(),
        priority: Priority::High,
        since: Span::minutes(2),
        because: String::new(),
        after_work: None,
    };
    let returned = |episode: Seq, stood| Body::Returned {
        alarm: "too-warm".to_owned(),
        episode,
        stood,
        because: String::new(),
        farthest: None,
    };
    // Its end is not on record: the shelf must not last into the stretch.
    let shelf =
        Body::Shelved { alarm: "too-warm".to_owned(), length: Span::hours(24), by: by(), why: String::new() };
    let story = [
        ("2026-08-01 22:05", shelf),
        ("2026-08-02 14:02", raised(1)),
        ("2026-08-02 14:32", returned(1, Span::minutes(30))),
        ("2026-08-02 20:00", raised(3)),
        ("2026-08-02 20:10", returned(3, Span::minutes(10))),
        (
            "2026-08-03 09:00",
            Body::Marked { episode: 1, verdict: Verdict::Real, note: String::new(), by: by() },
        ),
        (
            "2026-08-03 09:00",
            Body::Marked { episode: 3, verdict: Verdict::False, note: String::new(), by: by() },
        ),
    ];
    for (seq, (at, body)) in (1..).zip(story) {
        journal.commit(&[Record { seq, at: now(wall(at)), body }], 1).unwrap();
    }
    journal.flush(&now(wall("2026-08-03 09:00"))).unwrap();
    JournalLog::open(&path).unwrap()
}

#[test]
fn what_would_have_rung_stands_beside_what_did() {
    let folder = tempfile::tempdir().unwrap();
    let mut plan = plan();
    let past = Past::journal(journal(&folder), &mut plan, window()).unwrap();
    let start = window().since - lead_in(&plan);
    let mut playing = Playing::new(&past, vec![plan.clone()], start, window());
    past.play(&mut playing, (start, window().until), &mut BacktestProgress::on_terminal(&TimeZone::UTC))
        .unwrap();
    let report = report::of(playing, &past, &plan, window(), &TimeZone::UTC);
    insta::assert_snapshot!(report::words(&report, &TimeZone::UTC));
}

#[test]
fn a_limit_at_many_values_is_held_against_what_people_marked() {
    let folder = tempfile::tempdir().unwrap();
    let mut plan = plan();
    let past = Past::journal(journal(&folder), &mut plan, window()).unwrap();
    let range = sweep::range("limit=27..29 step 0.5").unwrap();
    let said = sweep_limit(
        (&past, &mut BacktestProgress::on_terminal(&TimeZone::UTC)),
        &plan,
        window(),
        "too-warm",
        &range,
        false,
    )
    .unwrap();
    insta::assert_snapshot!(said);
}

#[test]
fn a_limit_or_an_alarm_that_is_not_there_is_said() {
    let past = Past::file(read("time,sensor,value\n2026-08-02T00:00:00Z,mains,on\n").unwrap(), false);
    let sweep = |alarm: &str, text: &str| {
        let range = sweep::range(text).unwrap();
        sweep_limit(
            (&past, &mut BacktestProgress::on_terminal(&TimeZone::UTC)),
            &plan(),
            window(),
            alarm,
            &range,
            false,
        )
        .unwrap_err()
    };
    let said = [
        sweep("too-hot", "limit=27..29 step 0.5"),
        sweep("power-lost", "limit=27..29 step 0.5"),
        sweep("too-warm", "high=27..29 step 0.5"),
        sweep("too-warm", "limit=44..48 step 2"),
    ];
    insta::assert_snapshot!(said.join("\n"));
    for wrong in
        ["limit=24..26", "24..26 step 1", "limit=26..24 step 1", "limit=1..2 step 0", "limit=0..9 step 0.001"]
    {
        assert!(sweep::range(wrong).is_err(), "{wrong}");
    }
    assert_eq!(sweep::range("limit=24..25 step 0.1").unwrap().values.len(), 11);
}

#[test]
fn bad_lines_of_a_file_are_told_with_their_numbers() {
    let bad = "time,sensor,value,unit\n\
        2026-08-02T00:00:00Z,lagoon-temp,25.5,degC\n\
        yesterday,lagoon-temp,25.5,degC\n\
        2026-13-02T00:00:00Z,lagoon-temp,25.5\n\
        2026-08-02 00:01,lagoon-temp\n\
        \n\
        2026-08-02 00:02,lagoon-temp,warm\n\
        2026-08-02 00:03,lagoon-temp,25.5,L/h\n\
        2026-08-02 00:04,mains,,perhaps\n";
    let said = [read(bad), read("when,what\n"), read("time,sensor,value\n2026-08-02,other,1\n"), read("")];
    let said = said.map(|read| read.unwrap_err());
    insta::assert_snapshot!(said.join("\n---\n"));
}

#[test]
fn a_column_in_another_unit_than_its_sensors_is_told_with_that_unit() {
    let fahrenheit = RULES
        .replace("unit = \"degC\"", "unit = \"degF\"")
        .replace("plausible = [\"5 degC\", \"45 degC\"]", "");
    let around = Surroundings { directory: Default::default(), zone: TimeZone::UTC, today: None };
    let mut plan = Plan::check("rules.toml", &fahrenheit, &around).plan.unwrap();
    let mut read = |text: &str| csv::parse("august.csv", text, &[], &mut plan, Wall(0), &TimeZone::UTC);
    let why = read("time,lagoon-temp\n2026-08-02 00:00,25.5\n2026-08-02 00:01,25.6\n").unwrap_err();
    assert!(why.contains("In degC all of them could be") && why.contains("`lagoon-temp [degC]`"), "{why}");
    let told = read("time,lagoon-temp [degC]\n2026-08-02 00:00,25.5\n2026-08-02 00:01,25.6\n");
    assert!(told.unwrap().notes.iter().all(|note| !note.contains("believed")));
}

#[test]
fn readings_that_the_rules_will_not_believe_are_counted_in_a_note() {
    let file = read("time,lagoon-temp\n2026-08-02 00:00,25.5\n2026-08-02 00:01,61\n").unwrap();
    let wanted =
        "lagoon-temp: 1 of 2 readings are not believed: 61 degC is outside the plausible 5 degC to 45 degC";
    assert!(file.notes.iter().any(|note| note == wanted), "{:?}", file.notes);
}

#[test]
fn a_file_of_one_moment_is_told_what_it_lacks() {
    let text = "time,lagoon-temp,mains\n2026-08-02 00:00,25.5,on\n";
    let why = read(text).unwrap().of_one_time("august.csv", &TimeZone::UTC);
    assert!(
        why.starts_with("august.csv: all its 2 readings are of one moment, 2026-08-02 00:00:00"),
        "{why}"
    );
}

#[test]
fn a_file_is_read_in_its_units_words_and_times_whatever_its_order() {
    let text = "time,sensor,value,unit\n2026-08-02 00:10,mains,,off\n2026-08-02T02:00:00+02:00,lagoon-temp,77,degF\n";
    let file = read(text).unwrap();
    let at = |nth: usize| (file.readings[nth].0, file.readings[nth].2);
    assert_eq!(at(1), (wall("2026-08-02 00:10"), Value::Word(1)));
    let (when, value) = at(0);
    assert_eq!(when, wall("2026-08-02 00:00"));
    assert!(matches!(value, Value::Number(celsius) if (celsius - 25.0).abs() < 1e-9), "{value:?}");
}

#[test]
fn a_wide_file_with_semicolons_and_decimal_commas_is_read_by_a_mapping() {
    let columns = ["Wasser=lagoon-temp", "Zeit=time"].map(|text| csv::column(text).unwrap());
    let text = "Zeit;Wasser [degF];mains;Notiz\n2026-08-02 00:10;77,9;on;\n2026-08-02 00:11;;off;Licht\n";
    let file = csv::parse("august.csv", text, &columns, &mut plan(), Wall(0), &TimeZone::UTC).unwrap();
    let values: Vec<_> = file.readings.iter().map(|(_, _, value)| *value).collect();
    assert_eq!(values.len(), 3, "{values:?}");
    assert!(
        values.iter().any(|value| matches!(value, Value::Number(celsius) if (celsius - 25.5).abs() < 1e-9))
    );
    assert!(file.notes.iter().any(|note| note.contains("`Notiz`")), "{:?}", file.notes);
    let short = csv::parse(
        "august.csv",
        "Zeit;Wasser\n2026-08-02 00:10\n",
        &columns,
        &mut plan(),
        Wall(0),
        &TimeZone::UTC,
    );
    assert_eq!(short.unwrap_err(), "august.csv:2: 1 columns, and not 2: `2026-08-02 00:10`");
    assert!(csv::column("no sign").is_err());
}

#[test]
fn a_file_that_tells_more_rarely_than_the_rules_expect_is_not_silent_in_between() {
    let mut plan = plan();
    let line = |nth: i64| {
        let celsius = if (10..20).contains(&nth) { 28.0 } else { 25.0 };
        format!("2026-08-02 {:02}:{:02},lagoon-temp,{celsius}\n", nth / 4, nth % 4 * 15)
    };
    let text = "time,sensor,value\n".to_owned() + &(0..40).map(line).collect::<String>();
    let file = csv::parse("august.csv", &text, &[], &mut plan, Wall(0), &TimeZone::UTC).unwrap();
    let (first, last) = file.ends();
    let (past, window) = (Past::file(file, false), ReviewSpan { since: first, until: last });
    let mut playing = Playing::new(&past, vec![plan.clone()], first, window);
    past.play(&mut playing, (first, last), &mut BacktestProgress::on_terminal(&TimeZone::UTC)).unwrap();
    insta::assert_snapshot!(report::words(
        &report::of(playing, &past, &plan, window, &TimeZone::UTC),
        &TimeZone::UTC
    ));
}

#[test]
fn a_file_in_which_nothing_is_heard_is_a_watch_away_or_silence_as_the_keeper_says() {
    let line = |minute: i64| format!("2026-08-02 {:02}:{:02},mains,on\n", minute / 60, minute % 60);
    let text = "time,sensor,value\n".to_owned() + &(0..60).chain(180..240).map(line).collect::<String>();
    let rings = |all_silence: bool| {
        let mut plan = plan();
        let file = csv::parse("august.csv", &text, &[], &mut plan, Wall(0), &TimeZone::UTC).unwrap();
        let (first, last) = file.ends();
        let (past, window) = (Past::file(file, all_silence), ReviewSpan { since: first, until: last });
        let mut playing = Playing::new(&past, vec![plan.clone()], first, window);
        past.play(&mut playing, (first, last), &mut BacktestProgress::on_terminal(&TimeZone::UTC)).unwrap();
        report::words(&report::of(playing, &past, &plan, window, &TimeZone::UTC), &TimeZone::UTC)
    };
    let (away, silent) = (rings(false), rings(true));
    assert!(away.contains("Played as a watch that was away, once:\n    from 2026-08-02"), "{away}");
    assert!(!away.contains("mains-silent: would"), "{away}");
    assert!(!silent.contains("away, once"), "{silent}");
    assert!(
        silent.lines().any(|line| line.contains("mains") && line.contains("would have rung once")),
        "{silent}"
    );
    assert!(silent.contains("    rings 2026-08-02 01:"), "{silent}");
}

#[test]
fn the_journal_knows_when_the_watch_was_away_and_when_a_sensor_was_silent() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.db");
    let (mut journal, _) =
        Journal::open(&path, BootId("first".to_owned()), JournalLimits::default()).unwrap();
    let begin = wall("2026-08-02T00:00:00Z");
    let now = |at: Wall| Now { mono: Moment((at - begin).0), wall: at, wall_trusted: true };
    // Heard until 04:00 and from 05:00 on, though the watch ran; away from 10:00 to 12:00.
    for minute in (0..240).chain(300..600).chain(720..1_000) {
        let at = now(begin + Span::minutes(minute)).mono;
        let value = Some(Value::Word(0));
        journal.sample(&[Sample { sensor: "mains".into(), at, value, quality: Quality::Good }]);
    }
    let started = |gap| Body::Started { version: "1".to_owned(), gap };
    let story = [
        (0, started(None)),
        (600, Body::Stopped { why: "asked to".to_owned() }),
        (720, started(Some(Span::hours(2)))),
        (1_000, Body::Stopped { why: "asked to".to_owned() }),
    ];
    for (seq, (minute, body)) in (1..).zip(story) {
        journal.commit(&[Record { seq, at: now(begin + Span::minutes(minute)), body }], 1).unwrap();
    }
    journal.flush(&now(begin + Span::minutes(1_000))).unwrap();
    let mut plan = plan();
    let window = ReviewSpan { since: begin, until: begin + Span::minutes(1_000) };
    let past = Past::journal(JournalLog::open(&path).unwrap(), &mut plan, window).unwrap();
    let mut playing = Playing::new(&past, vec![plan.clone()], begin, window);
    past.play(&mut playing, (begin, window.until), &mut BacktestProgress::on_terminal(&TimeZone::UTC))
        .unwrap();
    let (outcomes, _) = playing.finish();
    assert_eq!(outcomes[0].away, [(wall("2026-08-02T10:00:00Z"), wall("2026-08-02T12:00:00Z"))]);
    let silent: Vec<_> = outcomes[0].spells.iter().filter(|spell| spell.alarm.contains("mains")).collect();
    assert_eq!(silent.len(), 1, "{silent:?}");
    assert!(silent[0].from > wall("2026-08-02T04:00:00Z") && silent[0].to < wall("2026-08-02T05:10:00Z"));
}

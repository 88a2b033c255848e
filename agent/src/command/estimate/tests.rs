//! Asked as a keeper asks: on the command line.

use super::*;
use clap::Parser;

#[derive(Parser)]
struct Asked {
    #[command(flatten)]
    estimate: EstimateArgs,
}

fn asked(arguments: &str) -> EstimateArgs {
    let quoted = arguments.split('\'').enumerate().flat_map(|(i, part)| {
        if i % 2 == 1 { vec![part.to_owned()] } else { part.split_whitespace().map(str::to_owned).collect() }
    });
    Asked::parse_from(std::iter::once("estimate".to_owned()).chain(quoted)).estimate
}

fn refused(arguments: &str) -> String {
    let (paper, quoted) = (asked(arguments).paper(None), arguments);
    paper.err().unwrap_or_else(|| panic!("{quoted} is understood"))
}

fn page(arguments: &str) -> String {
    let (paper, units) = asked(arguments).paper(None).unwrap();
    page::words(&PaperAnswers::of(&paper, &units, None))
}

const LAGOON: &str = "--volume '420 L' --salinity '35 ppt' --water '25.5 degC' --room '16 degC' --heater '200 W' \
     --heater '200 W' --air '3 L/min' --battery '7 Ah' --volts '12 V' --kind agm --load '5 W' --flow '3000 L/h' \
     --reservoir '25 L' --light '300 umol/m2/s' --lit '10 h'";

#[test]
fn a_tank_on_paper_has_an_answer_to_everything() {
    insta::assert_snapshot!(page(LAGOON));
}

#[test]
fn what_is_unknown_is_said_with_what_it_would_answer() {
    insta::assert_snapshot!(page(
        "--box '48 x 24 x 22 in' --water '78 degF' --room '60 degF' --stocking heavy"
    ));
}

#[test]
fn with_nothing_known_nothing_is_answered() {
    let (paper, units) = asked("").paper(None).unwrap();
    assert!(PaperAnswers::of(&paper, &units, None).nothing_known());
}

#[test]
fn scripts_get_numbers_in_the_keepers_unit_and_what_they_rest_on() {
    let (paper, units) = asked("--volume '110 US gal' --water '78 degF' --room '60 degF' --heater '300 W'")
        .paper(None)
        .unwrap();
    let answers = serde_json::to_value(PaperAnswers::of(&paper, &units, None)).unwrap();
    let heat = answers["topics"].as_array().unwrap().iter().find(|topic| topic["topic"] == "heat").unwrap();
    let coldest = &heat["answers"].as_array().unwrap()[1];
    assert_eq!(coldest["question"], "coldest-room");
    assert_eq!(coldest["range"]["unit"], "degF");
    let likely = coldest["range"]["likely"].as_f64().unwrap();
    assert!((40.0..75.0).contains(&likely), "{coldest}");
    assert_eq!(coldest["rests_on"][0]["origin"], "given");
}

#[test]
fn what_can_not_be_meant_is_refused_with_what_would_help() {
    assert_eq!(refused("--volume '100 L' --battery '7 Ah' --kind agm"), "a capacity in Ah needs --volts");
    assert!(refused("--battery '84 Wh'").starts_with("--battery needs --kind"));
    assert!(refused("--light '300 umol/m2/s'").contains("--lit"));
    for wrong in [
        "--volume '420 degC'",
        "--volume '-420 L'",
        "--box '120 x 60 cm'",
        "--box '1 x 2 x 3'",
        "--heater hot",
    ] {
        let words = std::iter::once("estimate".to_owned())
            .chain(wrong.splitn(2, ' ').map(|w| w.trim_matches('\'').to_owned()));
        assert!(Asked::try_parse_from(words).is_err(), "{wrong} is understood");
    }
}

/// What somebody answers who types this.
fn typed(option: &str, value: &str) -> String {
    let words = ["estimate", option, value].map(str::to_owned);
    Asked::try_parse_from(words).map_or_else(|why| why.to_string(), |_| "understood".to_owned())
}

#[test]
fn a_unit_with_several_meanings_is_asked_about_as_in_the_rule_file() {
    for (option, value, question) in [
        ("--volume", "110 gal", "which of them: `US gal` or `imp gal`?"),
        ("--flow", "800 gph", "which of them: `US gal/h` or `imp gal/h`?"),
        ("--salinity", "1.026 sg", "which of them: `SG@25C` or `SG@20C` or `SG@60F`?"),
        ("--volume", "110 liters", "did you mean `L`?"),
    ] {
        assert!(typed(option, value).contains(question), "{value}: {}", typed(option, value));
    }
}

#[test]
fn what_no_tank_is_like_is_refused_in_the_unit_that_was_written() {
    for (option, value, said) in [
        ("--altitude", "20 km", "expected -0.43 km to 5 km"),
        ("--water", "82 degC", "expected 0 degC to 40 degC"),
        ("--water", "-300 degC", "expected 0 degC to 40 degC"),
        ("--water", "150 degF", "expected 32 degF to 104 degF"),
        ("--room", "-300 degC", "expected -40 degC to 60 degC"),
        ("--salinity", "350 ppt", "expected 0 ppt to 42 ppt"),
        ("--volume", "0 L", "expected 5 L to 20000 L"),
        ("--volume", "-5 L", "expected 5 L to 20000 L"),
        ("--volume", "1e9 L", "expected 5 L to 20000 L"),
        ("--heater", "0 W", "expected 0.1 W to 100000 W"),
        ("--heater", "2000 kW", "kW to 100 kW"),
        ("--box", "1200 x 500 x 500 m", "expected 0.05 m to 20 m"),
        ("--lit", "30 h", "expected 0 h to 24 h"),
    ] {
        assert!(typed(option, value).contains(said), "{value}: {}", typed(option, value));
    }
    for (option, value) in [("--water", "82 degF"), ("--box", "48 in x 24 in x 22 in"), ("--volume", "4e2 L")]
    {
        assert_eq!(typed(option, value), "understood", "{value}");
    }
}

/// Of an energy the voltage has no part in the time: 84 Wh are 7 Ah at 12 V.
#[test]
fn a_battery_in_watt_hours_lasts_as_long_as_the_same_in_ampere_hours() {
    let lasts = |arguments: &str| asked(arguments).paper(None).unwrap().0.battery().unwrap().range;
    let by_charge = lasts("--battery '7 Ah' --volts '12 V' --kind gel --load '6 W'");
    let by_energy = lasts("--battery '84 Wh' --kind gel --load '6 W'");
    let by_other_volts = lasts("--battery '84 Wh' --volts '24 V' --kind gel --load '6 W'");
    for other in [by_energy, by_other_volts] {
        assert!((by_charge.low - other.low).abs() < 1e-9 && (by_charge.high - other.high).abs() < 1e-9);
    }
}

#[test]
fn the_picture_is_well_formed_and_names_what_it_shows() {
    let (paper, units) = asked(LAGOON).paper(None).unwrap();
    let svg = plot::outage(&paper, &units).unwrap();
    assert!(!svg.contains("NaN") && !svg.contains("inf"), "no coordinate is missing");
    for words in ["Water without heat", "Oxygen with all pumps off", "too cold", "survival at risk: 2.3"] {
        assert!(svg.contains(words), "{words}");
    }
    assert!(!svg.contains("hottest room"), "nobody asked for it");
    let (paper, units) = asked(&format!("{LAGOON} --hot-room '35 degC'")).paper(None).unwrap();
    let svg = plot::outage(&paper, &units).unwrap();
    for words in ["Water without power in the hottest room", "from dry air to damp", "too warm"] {
        assert!(svg.contains(words), "{words}");
    }
    assert!(!svg.contains("NaN") && !svg.contains("inf"), "no coordinate is missing");
    for tag in ["svg", "g", "text", "clipPath"] {
        let (opened, closed) =
            (svg.matches(&format!("<{tag}")).count(), svg.matches(&format!("</{tag}>")).count());
        assert_eq!(opened, closed, "{tag}");
    }
    assert!(plot::outage(&asked("").paper(None).unwrap().0, &units).is_err(), "nothing known, nothing drawn");
}

const RULES: &str = r#"
[tank.lagoon]
volume = "250 L"
salinity = "35 ppt"
stocking = "light"
heater = { sensor = "heater", power = "200 W" }
spare = { power = "100 W" }
air = { delivers = "3 L/min", depth = "40 cm" }

[battery.air]
voltage = "12 V"
capacity = "7 Ah"
load = "5 W"

[sensor.lagoon-temp]
topic = "lagoon/temperature"
tank = "lagoon"
measures = "temperature"
unit = "degF"
every = "30 s"
plausible = ["41 degF", "113 degF"]
limits = ["73 degF", "82 degF"]

[sensor.room]
topic = "room"
measures = "temperature"
unit = "degC"
every = "60 s"

[sensor.heater]
topic = "lagoon/heater"
tank = "lagoon"
measures = "power"
unit = "W"
every = "30 s"

[sensor.mains]
topic = "house/mains"
measures = "presence"
on = ["on"]
off = ["off"]
every = "30 s"

[alarm.power-lost]
when = "mains is off"
on-delay = "20 s"
priority = "critical"
consequence = "no heat"
response = "card:no-power"

[alarm.cold]
tank = "lagoon"
when = "lagoon-temp < 73 degF"
priority = "high"
consequence = "too cold"
response = "card:too-cold"

[alarm.room-or-heater]
when = "room > 40 degC or heater > 400 W"
priority = "low"
consequence = "none"
response = "Look."
"#;

fn plan() -> Plan {
    use slackwater_rules::plan::{Surroundings, render};
    let around = Surroundings { directory: Default::default(), zone: jiff::tz::TimeZone::UTC, today: None };
    let checked = Plan::check("rules.toml", RULES, &around);
    checked.plan.unwrap_or_else(|| panic!("{}", render("rules.toml", RULES, &checked.findings)))
}

#[test]
fn a_tank_of_the_rule_file_brings_what_it_is_known_by() {
    let plan = plan();
    let (paper, units) = asked("--tank lagoon --room '59 degF'").paper(Some(&plan)).unwrap();
    assert_eq!((paper.volume, paper.heaters.as_slice()), (Some(0.25), &[200.0, 100.0][..]));
    assert!((paper.cold - 22.777).abs() < 0.01 && paper.supply.is_some() && paper.air.is_some());
    assert_eq!((units.degrees(), units.measures()), ("degF", "L"));
    let (changed, _) = asked("--tank lagoon --volume '300 L' --heater '150 W'").paper(Some(&plan)).unwrap();
    assert_eq!((changed.volume, changed.heaters.as_slice()), (Some(0.3), &[150.0][..]));
    let unknown = asked("--tank lagun").paper(Some(&plan)).unwrap_err();
    assert_eq!(unknown, "the rule file has no tank `lagun`; it has lagoon");
}

/// Four days under a thermostat, then a power cut: the picture shows what was forecast as it began.
#[test]
fn what_was_forecast_in_a_power_cut_is_drawn_under_what_came() {
    use crate::journal::{Minute, Values};
    use slackwater_rules::time::Wall;
    let plan = plan();
    let minute = |n: i64| Wall(n * 60_000);
    let cut = 4 * 1_440;
    let window = ReviewSpan { since: minute(cut + 5), until: minute(cut + 8 * 60) };
    let mut past = past::ForecastPast::of(&plan, "lagoon", window).unwrap();
    let (mut water, mut on) = (25.5, false);
    for n in 0..cut + 8 * 60 {
        let room = 18.0 + 1.5 * (n as f64 / 1_440.0 * std::f64::consts::TAU).sin();
        let mains = n < cut;
        on = if water < 25.4 {
            true
        } else if water > 25.6 {
            false
        } else {
            on
        };
        let heat = if on && mains { 200.0 } else { 0.0 } + if mains { 25.0 } else { 0.0 };
        water += (heat - 25.0 * (water - room)) * 60.0 / 1.0233e6;
        let mut say = |sensor: &str, values| {
            past.take(
                sensor,
                &Minute { wall: minute(n), sure: true, count: 2, rejected: 0, values: Some(values) },
            );
        };
        let numbers = |mean: f64| Values::Numbers { lowest: mean, mean, highest: mean, last: mean };
        say("lagoon-temp", numbers((water * 16.0).round() / 16.0));
        say("room", numbers(room));
        say("heater", numbers(if on && mains { 200.0 } else { 0.0 }));
        let word = u16::from(!mains);
        say("mains", Values::Words { first: word, last: word, changes: 0 });
    }
    let svg = past.picture(&jiff::tz::TimeZone::UTC).unwrap();
    for words in [
        "Forecast of 1970-01-05 00:05",
        "if the power stays away",
        "what came",
        "degF",
        "too cold",
        "Said then: about",
    ] {
        assert!(svg.contains(words), "{words} is not in {svg}");
    }
    assert!(!svg.contains("NaN"), "{svg}");
    if let Some(file) = std::env::var_os("SLACKWATER_PICTURE") {
        std::fs::write(file, svg).unwrap();
    }
}

#[test]
fn water_and_coldest_room_are_the_journals_if_nobody_gives_them() {
    use crate::journal::{BootId, Journal, JournalLimits};
    use slackwater_rules::engine::Sample;
    use slackwater_rules::forecast::Origin;
    use slackwater_rules::quality::Quality;
    use slackwater_rules::reading::Value;
    use slackwater_rules::time::{Moment, Now};
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.db");
    let (mut journal, _) =
        Journal::open(&path, BootId("first".to_owned()), JournalLimits::default()).unwrap();
    let end = Clock::system(Trust::System).now().wall;
    let begin = end - Span::hours(30);
    for minute in 0..30 * 60 {
        // One night hour at 14 degC; a minute at 3 is a door left open, and no hour.
        let room = if (600..660).contains(&minute) {
            14.0
        } else if minute == 900 {
            3.0
        } else {
            20.0
        };
        for (sensor, celsius) in [("lagoon-temp", 25.0), ("room", room)] {
            let at = Moment(minute * 60_000);
            let value = Some(Value::Number(celsius));
            journal.sample(&[Sample { sensor: sensor.into(), at, value, quality: Quality::Good }]);
        }
    }
    journal.flush(&Now { mono: Moment((end - begin).0), wall: end, wall_trusted: true }).unwrap();
    let plan = plan();
    let (mut paper, _) = asked("--tank lagoon").paper(Some(&plan)).unwrap();
    lately::fill(&mut paper, &plan, "lagoon", &path);
    assert!((paper.water.unwrap() - 25.0).abs() < 1e-9, "{:?}", paper.water);
    assert!((14.0..17.1).contains(&paper.room.unwrap()), "{:?}", paper.room);
    assert_eq!(paper.origins, [Origin::Measured; 3]);
    assert!((paper.hot_room.unwrap() - 20.0).abs() < 1e-9, "{:?}", paper.hot_room);
    let (mut told, _) = asked("--tank lagoon --room '10 degC'").paper(Some(&plan)).unwrap();
    lately::fill(&mut told, &plan, "lagoon", &path);
    assert_eq!((told.room, told.origins), (Some(10.0), [Origin::Measured, Origin::Given, Origin::Measured]));
    let (mut none, _) = asked("--tank lagoon").paper(Some(&plan)).unwrap();
    lately::fill(&mut none, &plan, "lagoon", &folder.path().join("nowhere.db"));
    assert_eq!((none.water, none.room), (None, None));
}

/// So many hours of a tank under a thermostat, ending now, in a journal of its own.
fn journal_of(folder: &tempfile::TempDir, hours: i64) -> PathBuf {
    use crate::journal::{BootId, Journal, JournalLimits};
    use slackwater_rules::engine::Sample;
    use slackwater_rules::quality::Quality;
    use slackwater_rules::reading::Value;
    use slackwater_rules::time::{Moment, Now};
    let path = folder.path().join(format!("{hours}.db"));
    let (mut journal, _) =
        Journal::open(&path, BootId("first".to_owned()), JournalLimits::default()).unwrap();
    let end = Clock::system(Trust::System).now().wall;
    let (mut water, mut on) = (25.5, false);
    for minute in 0..hours * 60 {
        let room = 18.0 + 1.5 * (minute as f64 / 1_440.0 * std::f64::consts::TAU).sin();
        on = water < 25.4 || on && water < 25.6;
        let heat = if on { 200.0 } else { 0.0 };
        water += (heat + 25.0 - 25.0 * (water - room)) * 60.0 / 1.0233e6;
        let at = Moment(minute * 60_000);
        for (sensor, value) in [("lagoon-temp", water), ("room", room), ("heater", heat)] {
            let value = Some(Value::Number(value));
            journal.sample(&[Sample { sensor: sensor.into(), at, value, quality: Quality::Good }]);
        }
    }
    journal.flush(&Now { mono: Moment(hours * 3_600_000), wall: end, wall_trusted: true }).unwrap();
    path
}

#[test]
fn a_tank_is_answered_for_from_what_it_showed_and_from_minutes_with_wider_ranges() {
    let plan = plan();
    let folder = tempfile::tempdir().unwrap();
    let says = |hours: i64| {
        let path = journal_of(&folder, hours);
        let (mut paper, units) = asked("--tank lagoon --room '12 degC'").paper(Some(&plan)).unwrap();
        lately::fill(&mut paper, &plan, "lagoon", &path);
        let tank = LearnedTank::read(&mut paper, &plan, "lagoon", &path).expect("it was seen");
        let utc = jiff::tz::TimeZone::UTC;
        let cold = tank.cold(&paper).unwrap().range;
        let on_paper = paper.cold_without_heat().unwrap().range;
        let page = page::words(&PaperAnswers::of(&paper, &units, Some((&tank, &utc))));
        (tank, cold, on_paper, page)
    };
    let (known, cold, on_paper, page) = says(4 * 24);
    assert!(known.since().is_some() && (known.days() - 4.0).abs() < 0.1);
    // 25.5 to 22.78 degC in a room of 12 degC at 25 W/K in 1.0233 MJ/K, no pumps: 2.6 h.
    assert!(cold.low < 2.7 && 2.4 < cold.high, "{cold:?}");
    assert!(cold.high - cold.low < 0.8 * (on_paper.high - on_paper.low), "{cold:?} {on_paper:?}");
    // Of 200 W, 25 W/K above a room of 18 degC, less 25 W: 81 %.
    let duty = known.duty()[0].unwrap();
    assert!((0.75..0.87).contains(&duty), "{duty}");
    for words in
        ["The tank itself", "its own loss and heaters count since", "heater 1 was on", "% of the time"]
    {
        let unwrapped = page.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(unwrapped.contains(words), "{words}: {page}");
    }
    let (begun, wide, on_paper, page) = says(1);
    assert!(begun.since().is_none());
    assert!(wide.low <= on_paper.low && on_paper.high <= wide.high, "{wide:?} {on_paper:?}");
    assert!(wide.high - wide.low > cold.high - cold.low, "{wide:?} {cold:?}");
    let unwrapped = page.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(unwrapped.contains("after a day of readings"), "{page}");
}

#[test]
fn a_hot_room_and_a_lid_are_answered_for() {
    let page = page(&format!("{LAGOON} --hot-room '35 degC' --lid"));
    assert!(page.contains("above 29 °C in a room of 35 °C"), "{page}");
    assert!(page.contains("hottest room 35 °C, a lid"), "{page}");
    let open = self::page(LAGOON);
    assert!(open.contains("for want of hottest room (--hot-room)"), "{open}");
}

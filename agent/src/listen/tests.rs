//! Tables of topics, and what is made of them.

use super::*;
use jiff::tz::TimeZone;
use slackwater_rules::plan::{ChannelKind, Contact, Directory, Plan, Surroundings, Target};
use slackwater_rules::time::Span;

/// One topic: its payloads, live every so many seconds from the given one on; a pace of 0 is
/// retained.
type Line<'t> = (&'t str, &'t [&'t str], i64, i64);

fn hear(lines: &[Line<'_>]) -> Observations {
    let mut heard = Observations::default();
    for (topic, payloads, every, from) in lines {
        match every {
            0 => payloads.iter().for_each(|payload| heard.hear(Span::ZERO, topic, payload.as_bytes(), true)),
            every => {
                for (number, at) in
                    (0..).zip((*from..60_000).step_by(usize::try_from(every * 1_000).unwrap()))
                {
                    let payload = payloads[number % payloads.len()];
                    heard.hear(Span::millis(at), topic, payload.as_bytes(), false);
                }
            }
        }
    }
    heard
}

/// Two boards, a UPS box and a radio gateway, as they speak in an invented house.
const HOUSE: &[Line<'_>] = &[
    ("reef/board1/lagoon/temperature", &["25.4", "25.5"], 10, 100),
    ("reef/board1/lagoon/flow", &["1830", "1822"], 10, 130),
    ("reef/board1/lagoon/ph", &["8.12"], 10, 160),
    ("reef/board1/status", &["online"], 0, 0),
    ("reef/board1/rssi", &["-61"], 10, 190),
    (
        "reef/board2/harbour",
        &[r#"{"water":{"temp":78.1,"unit":"F"},"heater_power":{"value":102.5},"id":"b2"}"#],
        15,
        4_000,
    ),
    ("reef/board2/room", &[r#"{"airTemp":21.2,"humidity":48}"#], 15, 4_900),
    ("house/mains", &["utility"], 5, 2_345),
    ("house/floor/leak", &["dry"], 30, 7_700),
    (
        "room2/pack",
        &[r#"[{"bn":"urn:dev:room2:","n":"sump-temp","u":"Cel","v":25.9},{"n":"batt","u":"%RH","v":71}]"#],
        20,
        900,
    ),
    ("house/note", &["Please call the plumber before Friday, thank you"], 0, 0),
];

fn guessed(heard: &Observations) -> Vec<String> {
    let line = |sensed: &HeardValue<'_>| {
        let place = sensed.place.names();
        let guess = sensed.guess.as_ref().map_or("-".to_owned(), |guess| {
            let words =
                guess.words.as_ref().map_or(String::new(), |words| format!(" {}/{}", words.on, words.off));
            format!("{} {}{words} {}", guess.measures, guess.unit.as_deref().unwrap_or_default(), guess.sure)
        });
        format!("{}{place}: {guess}", sensed.topic)
    };
    heard.sensed().iter().map(line).collect()
}

#[test]
fn quantities_units_and_words_are_guessed_with_how_sure_it_is() {
    insta::assert_snapshot!(guessed(&hear(HOUSE)).join("\n"));
}

fn directory() -> Directory {
    let target =
        |contact: &str, channel: &str| Target { contact: Some(contact.into()), channel: channel.into() };
    Directory {
        contacts: [("ines", "Ines"), ("tom", "Tom")]
            .map(|(key, name)| {
                let name = name.to_owned();
                (key.to_owned(), Contact { name, ..Contact::default() })
            })
            .into(),
        channels: [(target("ines", "push"), ChannelKind::Push), (target("tom", "mail"), ChannelKind::Mail)]
            .into(),
        ..Directory::default()
    }
}

fn checked(text: &str) -> Plan {
    let around = Surroundings { directory: directory(), zone: TimeZone::UTC, today: None };
    let checked = Plan::check("rules.toml", text, &around);
    // A file of ours passes its own check without a word; what is said of the people in it is not
    // ours.
    let said: Vec<_> = checked.report.lines().filter(|line| line.starts_with("warning: ")).collect();
    let of_people = |line: &&&str| line.contains("while the mains are off") || line.contains("at night");
    assert!(said.iter().all(|line| of_people(&line)), "{}\n{text}", checked.report);
    checked.plan.unwrap_or_else(|| panic!("{}\n{text}", checked.report))
}

fn proposed(heard: &Observations) -> String {
    propose(heard, &["ines.push".to_owned(), "tom.mail".to_owned()], &[]).text
}

#[test]
fn a_proposal_is_a_rule_file_that_passes_the_check() {
    let text = proposed(&hear(HOUSE));
    let plan = checked(&text);
    assert_eq!(plan.sensors.len(), 11, "{text}");
    let names: Vec<_> =
        plan.alarms.iter().filter(|alarm| alarm.sight.is_none()).map(|alarm| alarm.name.as_str()).collect();
    assert!(names.contains(&"power-lost"), "{names:?}");
    insta::assert_snapshot!(text);
}

#[test]
fn sensors_of_one_board_share_a_gateway_and_those_of_others_don_t() {
    let plan = checked(&proposed(&hear(HOUSE)));
    let of =
        |name: &str| plan.sensors.iter().find(|sensor| sensor.name == name).and_then(|it| it.gateway.clone());
    assert_eq!(of("lagoon-flow").as_deref(), Some("reef-board1-lagoon"));
    assert_eq!(of("lagoon-flow"), of("lagoon-ph"));
    assert_eq!(of("mains"), None);
}

#[test]
fn boards_that_speak_in_the_same_moment_are_no_one_sender_unless_their_topics_are_neighbours() {
    let together = hear(&[
        ("reef/board1/lagoon/temp", &["25"], 10, 100),
        ("reef/board1/lagoon/flow", &["1800"], 10, 110),
        ("reef/board2/harbour", &["{\"temp\":25}"], 10, 120),
        ("house/mains", &["on", "off"], 10, 130),
    ]);
    let plan = checked(&proposed(&together));
    let gateways: Vec<_> = plan.sensors.iter().map(|sensor| sensor.gateway.as_deref()).collect();
    assert_eq!(gateways, [None, Some("reef-board1-lagoon"), Some("reef-board1-lagoon"), None]);
}

#[test]
fn a_device_that_describes_itself_is_taken_at_its_word() {
    let description = r#"{"homie":"5.0","name":"Reef box","version":7,"nodes":{"display":{"name":"Lagoon display",
        "properties":{"t1":{"name":"Water temperature","datatype":"float","unit":"°C"},
                      "mains":{"name":"Mains","datatype":"boolean"}}}}}"#;
    let heard = hear(&[
        ("homie/5/reef-box/$description", &[description], 0, 0),
        ("homie/5/reef-box/$state", &["ready"], 0, 0),
        ("homie/5/reef-box/display/t1", &["25.31"], 0, 0),
        ("homie/5/reef-box/display/mains", &["true"], 0, 0),
    ]);
    let said = guessed(&heard);
    assert_eq!(
        said,
        [
            "homie/5/reef-box/display/mains: presence  true/false perhaps",
            "homie/5/reef-box/display/t1: temperature degC told",
        ]
    );
    let plan = checked(&proposed(&heard));
    assert!(plan.sensors.iter().all(|sensor| sensor.gateway.as_deref() == Some("homie-5-reef-box-display")));
}

#[test]
fn nothing_that_a_network_can_send_gives_a_file_that_is_no_rule_file() {
    let deep = "[".repeat(500);
    let long = "x".repeat(40_000);
    let hostile: &[Line<'_>] = &[
        ("a\"b/temp", &["25"], 5, 0),
        ("broker", &["on", "off"], 5, 1_000),
        ("gateway-x", &["on", "off"], 5, 1_000),
        ("\u{202e}/\u{1f420}/temperature", &["25"], 5, 0),
        ("x/temperature", &["NaN", "inf", "1e400", "25"], 5, 0),
        ("x/deep", &[&deep], 5, 0),
        ("x/long", &[&long], 5, 0),
        ("x/json", &[r#"{"temp~/x\"y":25,"a":{"b":{"c":{"d":{"e":{"f":{"temp":1}}}}}}}"#], 5, 0),
        ("x/mains", &["o\"n\\", "off"], 5, 0),
        ("", &["1"], 5, 0),
        ("///", &["25 °C"], 5, 0),
        ("x/leak", &["\u{7}bell"], 5, 0),
    ];
    checked(&proposed(&hear(hostile)));
}

#[test]
fn a_mad_network_stays_within_bounds() {
    let mut heard = Observations::default();
    for number in 0..10_000 {
        heard.hear(Span::millis(number), &format!("t/{number}"), b"25", false);
    }
    assert_eq!(heard.counts().1, 2_000);
    assert!(table(&heard, 10).contains("were not looked at"), "{}", table(&heard, 10));
}

#[test]
fn what_no_ready_made_alarm_fits_is_told_when_it_falls_silent_and_not_sooner() {
    for (every, length) in [(10, "15 min"), (0, "40 min")] {
        let heard =
            hear(&[("house/mains", &["on", "off"], 10, 130), ("house/humidity", &["48", "49"], every, 100)]);
        let text = proposed(&heard);
        assert!(text.contains("[alarm.humidity-silent]\nhazard  = \"sensor-silent\"\n"), "{text}");
        assert!(text.contains(&format!("length  = \"{length}\"")), "{text}");
        checked(&text);
    }
}

#[test]
fn two_that_see_the_mains_are_one_page() {
    let heard = hear(&[
        ("hall/mains", &["on", "off"], 10, 130),
        ("hall/ups", &[r#"{"status":"utility"}"#], 10, 160),
        ("house/mains", &["on", "off"], 10, 3_000),
    ]);
    let text = proposed(&heard);
    assert_eq!(text.matches("hazard  = \"power-lost\"").count(), 3, "{text}");
    assert_eq!(text.matches("consequence-of = [\"power-lost\"]").count(), 2, "{text}");
    let plan = checked(&text);
    let followers = plan.alarms.iter().filter(|alarm| alarm.name.starts_with("power-lost-"));
    assert!(followers.map(|alarm| alarm.consequence_of.len()).eq([1, 1]), "{text}");
}

#[test]
fn an_empty_house_gives_a_file_that_says_so_by_having_no_sensor() {
    let proposal = propose(&Observations::default(), &["ines.push".to_owned()], &[]);
    assert_eq!((proposal.sensors, proposal.alarms), (0, 0));
}

/// One value for each shape that devices send, and the key that a rule file needs for it. What is
/// proposed is read by the rules' own reader, from the very payload.
#[test]
fn each_shape_of_payload_is_proposed_as_the_rule_file_reads_it() {
    let shapes: [(&str, &[&str]); 10] = [
        ("25.4", &[]),
        ("\"25.4\"", &["pointer   = \"\""]),
        ("{\"temp\": 25.4, \"unit\": \"C\"}", &["pointer   = \"/temp\"", "unit-at   = \"/unit\""]),
        (
            "{\"water\": {\"temp\": 25.4, \"ts\": 1795914900}}",
            &["pointer   = \"/water/temp\"", "measured-at = \"/water/ts\""],
        ),
        (
            "{\"at\": \"2026-11-30T08:00:00Z\", \"temp\": 25.4}",
            &["pointer   = \"/temp\"", "measured-at = \"/at\""],
        ),
        (
            "{\"probes\": [{\"id\": \"p1\", \"temp\": 25.4}, {\"id\": \"p2\", \"temp\": 25.9}]}",
            &["field     = { in = \"/probes\", key = \"id\", is = \"p1\", value = \"temp\" }"],
        ),
        (
            "[{\"name\": \"lagoon\", \"temp\": 25.4, \"units\": \"°C\"}]",
            &["field     = { key = \"name\", is = \"lagoon\", value = \"temp\" }", "unit-at   = \"units\""],
        ),
        ("temp=25,4; flow=1830", &["field     = \"temp\""]),
        ("temp=25.4 time=1795914900", &["field     = \"temp\"", "measured-at = \"time\""]),
        ("1795914900;25,4", &["field     = 2", "measured-at = 1"]),
    ];
    let now = slackwater_rules::time::Now {
        mono: slackwater_rules::time::Moment(0),
        wall: slackwater_rules::time::Wall(1_795_914_900_000),
        wall_trusted: true,
    };
    for (payload, keys) in shapes {
        let heard = hear(&[
            ("reef/lagoon/temperature", &[payload], 10, 100),
            ("house/mains", &["on", "off"], 10, 130),
        ]);
        let text = proposed(&heard);
        for key in keys {
            assert!(text.lines().any(|line| line.starts_with(key)), "{payload}: {key:?} is not in\n{text}");
        }
        let plan = checked(&text);
        let read = plan.sensors.iter().filter(|sensor| sensor.measure.name == "temperature");
        let read: Vec<_> = read.map(|sensor| sensor.mapping.read(payload.as_bytes(), &now)).collect();
        assert!(!read.is_empty(), "{payload}: no thermometer in\n{text}");
        let first = read[0].as_ref().unwrap_or_else(|bad| panic!("{payload}: {bad}\n{text}"));
        assert_eq!(first.value, slackwater_rules::reading::Value::Number(25.4), "{payload}");
    }
    for text in ["Please call 12, thanks", "12:30", "Room 12", "http://x.example/a", "a=b c=d"] {
        let heard = hear(&[("house/note", &[text], 10, 100)]);
        let in_pieces = |sensed: &HeardValue<'_>| sensed.place.key().is_some();
        assert!(!heard.sensed().iter().any(in_pieces), "{text:?}");
    }
}

#[test]
fn the_one_tank_that_is_known_has_boards_of_other_names() {
    let heard = hear(&[
        ("cabinet/temp", &["25.4"], 5, 100),
        ("cabinet/return", &[r#"{"flow":{"rate":1830,"unit":"L/h"}}"#], 5, 130),
        ("shelf/water", &["24.9 degC"], 5, 2_000),
        ("room/temp", &["20.9"], 5, 2_400),
    ]);
    let tanks = |known: &[&str]| -> Vec<String> {
        let known: Vec<String> = known.iter().map(|name| (*name).to_owned()).collect();
        let text = propose(&heard, &["ines.push".to_owned()], &known).text;
        let name = |line: &str| Some(line.strip_prefix("[tank.")?.strip_suffix(']')?.to_owned());
        text.lines().filter_map(name).collect()
    };
    assert_eq!(tanks(&[]), ["cabinet", "shelf"]);
    assert_eq!(tanks(&["lagoon"]), ["lagoon"]);
    assert_eq!(tanks(&["lagoon", "harbour"]), ["cabinet", "shelf"], "which of them nobody can tell");
    assert_eq!(tanks(&["cabinet"]), ["cabinet", "shelf"], "one is called by its name, the other is another");
    let text = propose(&heard, &["ines.push".to_owned()], &["lagoon".to_owned()]).text;
    let of_lagoon = text.lines().filter(|line| line.starts_with("tank      = \"lagoon\""));
    assert_eq!(of_lagoon.count(), 3, "the room is no water: {text}");
}

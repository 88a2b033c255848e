//! What a right rule file comes to: values in base units, defaults, and what the plan adds.

use crate::site::{HALYARD, away, check, check_in, surroundings};
use jiff::civil::{date, time};
use slackwater_rules::alarm::Priority;
use slackwater_rules::card::GATE;
use slackwater_rules::plan::{Alarm, Plan, Sensor, Severity, Sight, TankId};
use slackwater_rules::reading::{FieldPlace, PlacedValue, ValuePlace};
use slackwater_rules::time::Span;
use slackwater_rules::units::Dimension;

fn halyard() -> Plan {
    check(HALYARD).plan.expect("the sample is right")
}

fn sensor(plan: &Plan, name: &str) -> Sensor {
    plan.sensors.iter().find(|sensor| sensor.name == name).expect(name).clone()
}

fn alarm(plan: &Plan, name: &str) -> Alarm {
    plan.alarm(plan.alarm_named(name).expect(name)).clone()
}

#[track_caller]
fn near(found: Option<f64>, expected: f64) {
    let found = found.expect("a number");
    assert!((found - expected).abs() < 1e-9, "{found} is not {expected}");
}

#[test]
fn a_rule_file_that_uses_everything_becomes_a_plan_without_a_finding() {
    let checked = check(HALYARD);
    assert_eq!(checked.report, "");
    let plan = checked.plan.expect("no findings, so a plan");
    assert_eq!(plan.site, "Halyard House");
    assert_eq!(plan.sensors.len(), 7);
    assert_eq!(plan.relays.len(), 2);
}

#[test]
fn a_file_in_which_nothing_stands_is_no_plan_and_one_that_awaits_its_sensors_is() {
    for nothing in ["", "\n# being written\n", "[site]\nname = \"Halyard House\"\n"] {
        let checked = check(nothing);
        let mistake = "error: there is no sensor and no alarm: nothing would be watched\n";
        assert!(checked.report.starts_with(mistake), "{}", checked.report);
        assert!(checked.plan.is_none());
    }
    let checked = check("[callout.household]\nsteps = [{ after = \"0 s\", to = [\"ines.push\"] }]\n");
    let warning = "warning: there is no sensor and no alarm: nothing would be watched\n";
    assert!(checked.report.contains(warning), "{}", checked.report);
    assert_eq!(checked.plan.expect("somebody to be told").alarms.len(), 0);
}

#[test]
fn line_ends_of_other_systems_change_nothing() {
    let checked = check(&HALYARD.replace('\n', "\r\n"));
    assert_eq!(checked.report, "");
    assert!(checked.plan.is_some());
}

#[test]
fn things_keep_the_order_of_the_file() {
    let plan = halyard();
    let sensors: Vec<_> = plan.sensors.iter().map(|sensor| sensor.name.as_str()).collect();
    let in_file = [
        "lagoon-temp",
        "sump-temp",
        "mains",
        "return-flow",
        "air-pump-current",
        "heater-power",
        "drain-valve",
    ];
    assert_eq!(sensors, in_file);
    let alarms: Vec<_> = plan.alarms.iter().map(|alarm| alarm.name.as_str()).collect();
    assert_eq!(
        alarms,
        [
            "power-lost",
            "return-stopped",
            "too-warm",
            "probes-disagree",
            "drain-open",
            "sight-broker",
            "sight-gateway-shelf",
            "sight-lagoon-temp",
            "sight-sump-temp",
            "sight-mains",
            "sight-return-flow",
            "sight-drain-valve",
            "health-journal",
            "health-clock",
            "health-settings",
            "health-rules",
            "health-ines.push",
            "health-ines.text",
            "health-neighbour.mail",
            "health-neighbour.text",
        ]
    );
}

#[test]
fn quantities_are_in_base_units_whatever_they_were_written_in() {
    let plan = halyard();
    near(plan.tanks[0].volume, 0.42);
    let sump = sensor(&plan, "sump-temp");
    // 41 degF is 5 degC and 113 degF is 45 degC, exactly; 2 degF/min is 10/9 K/min.
    near(sump.plausible.map(|range| range.0), 5.0);
    near(sump.plausible.map(|range| range.1), 45.0);
    near(sump.max_rate, 10.0 / 9.0 / 60.0);
    let stopped = alarm(&plan, "return-stopped");
    assert_eq!(stopped.deadband.map(|deadband| deadband.0), Some(Dimension::FLOW));
    near(stopped.deadband.map(|deadband| deadband.1), 0.05 / 3_600.0);
    assert_eq!(stopped.time_to_respond, Some(Span::minutes(30)));
}

#[test]
fn what_is_left_out_has_the_usual_value() {
    let plan = halyard();
    assert_eq!(sensor(&plan, "lagoon-temp").stale_after, Span::seconds(90));
    // 1 K/min: SCIENCE.md, section h.
    near(sensor(&plan, "lagoon-temp").max_rate, 1.0 / 60.0);
    assert_eq!(sensor(&plan, "return-flow").max_rate, None);
    let lost = alarm(&plan, "power-lost");
    assert_eq!((lost.off_delay, lost.latching, lost.deadband), (Span::ZERO, false, None));
    // The only call-out there is.
    assert_eq!(alarm(&plan, "return-stopped").callout, lost.callout);
    assert_eq!(plan.works["feeding"].pauses, ["flow", "level"]);
    assert_eq!(plan.works["feeding"].longest, Span::minutes(20));
    assert_eq!(plan.works["water-change"].longest, Span::hours(2));
}

#[test]
fn a_rate_check_can_be_switched_off() {
    let text = HALYARD.replace("\"2 degF/min\"", "\"none\"");
    assert_eq!(sensor(&check(&text).plan.expect("right"), "sump-temp").max_rate, None);
}

#[test]
fn a_json_pointer_is_parsed_into_its_unescaped_tokens() {
    // RFC 6901, section 5: "/a~1b" names the member "a/b", and "/m~0n" the member "m~n".
    let text = HALYARD.replace("\"/flow/rate\"", "\"/a~1b/m~0n/~01\"");
    let sensor = sensor(&check(&text).plan.expect("right"), "return-flow");
    let ValuePlace::At(placed) = sensor.mapping.found else { panic!("not at a place") };
    let PlacedValue { value: FieldPlace::Pointer(tokens), .. } = &*placed else { panic!("not a pointer") };
    assert_eq!(*tokens, ["a/b", "m~n", "~1"]);
}

#[test]
fn a_response_takes_the_lines_of_cards() {
    let plan = halyard();
    let warm = alarm(&plan, "too-warm").response;
    assert!(warm.lines.len() > 3);
    assert_eq!(warm.words().last(), Some(&"Then tell Ines."));
    assert_eq!(
        alarm(&plan, "probes-disagree").response.words(),
        ["Swap the two probes.", "Write down which one moved."]
    );
}

#[test]
fn lost_sight_is_as_urgent_as_what_it_blinds_but_no_more_than_its_cap() {
    let plan = halyard();
    let priority = |name| alarm(&plan, name).priority;
    assert_eq!(priority("sight-mains"), Priority::High);
    assert_eq!(priority("sight-lagoon-temp"), Priority::High);
    assert_eq!(priority("sight-drain-valve"), Priority::Medium);
    assert_eq!(priority("sight-broker"), Priority::High);
}

#[test]
fn only_sensors_that_an_alarm_uses_are_missed() {
    let plan = halyard();
    assert_eq!(plan.alarm_named("sight-air-pump-current"), None);
}

#[test]
fn lost_sight_says_what_cannot_ring_and_what_to_look_at() {
    let plan = halyard();
    let shelf = alarm(&plan, "sight-gateway-shelf");
    assert_eq!(shelf.sight, Some(Sight::Gateway("shelf".to_owned())));
    assert_eq!(plan.place(shelf.tank), "lagoon");
    assert_eq!(shelf.on_delay, Span::minutes(3));
    assert_eq!(
        shelf.consequence.as_deref(),
        Some("nobody would notice now, if one of these came: too warm; probes disagree")
    );
    assert_eq!(
        shelf.response.words(),
        [
            GATE,
            "Read another thermometer in the tank: good is 24 to 27 °C. None there? Feel the glass: good is neither \
             hot nor colder than the room.",
            "Water too warm? Unplug the heaters. Good or cold? Leave them plugged in.",
            "See whether gateway shelf has power and network.",
            "Something was wrong? Look again every half hour. All was well? Every two hours.",
        ]
    );
    assert_eq!(shelf.consequence_of, [plan.alarm_named("power-lost").expect("it is there")]);
    assert_eq!(
        alarm(&plan, "sight-mains").response.words(),
        [
            GATE,
            "Is there power in the house? If not, every tank needs air.",
            "See whether the sensor has power and sits where it should.",
            "It should report every 30 s to room2/mains.",
        ]
    );
}

#[test]
fn an_alarm_may_be_explained_by_one_that_the_plan_adds() {
    let plan = halyard();
    let drain = alarm(&plan, "drain-open");
    assert_eq!(drain.consequence_of, [plan.alarm_named("sight-gateway-shelf").expect("it is there")]);
}

#[test]
fn absences_that_leave_nobody_are_named_by_their_days() {
    let mut around = surroundings();
    away(&mut around, "ines", date(2026, 11, 27), date(2026, 12, 1));
    away(&mut around, "neighbour", date(2026, 11, 28), date(2026, 11, 29));
    let checked = check_in(HALYARD, &around);
    assert!(checked.plan.is_some());
    let titles: Vec<_> =
        checked.findings.iter().map(|finding| (finding.severity, finding.title.as_str())).collect();
    let expected = "nobody can be reached from Sat 2026-11-28 to Sun 2026-11-29, all day";
    assert_eq!(titles, [(Severity::Warning, expected)]);
}

#[test]
fn nights_that_an_absence_leaves_uncovered_are_folded_into_one_line() {
    let mut around = surroundings();
    around.directory.contacts.get_mut("neighbour").expect("there").hours =
        vec![crate::site::hours(time(8, 0, 0, 0), time(22, 0, 0, 0))];
    away(&mut around, "ines", date(2026, 12, 20), date(2026, 12, 31));
    let titles = |around: &_| -> Vec<String> {
        check_in(HALYARD, around).findings.into_iter().map(|finding| finding.title).collect()
    };
    assert_eq!(
        titles(&around),
        ["nobody can be reached from Sun 2026-12-20 to Thu 2026-12-31, daily 22:00-08:00"]
    );
    // Far ahead is looked at too; and a day alone is not folded over midnight.
    let ines = around.directory.contacts.get_mut("ines").expect("there");
    ines.away.clear();
    away(&mut around, "ines", date(2027, 8, 1), date(2027, 8, 1));
    assert_eq!(titles(&around), ["nobody can be reached on Sun 2027-08-01, 00:00-08:00 and 22:00-24:00"]);
}

#[test]
fn a_sitter_covers_what_the_absence_leaves_open() {
    let mut around = surroundings();
    around.directory.contacts.get_mut("neighbour").expect("there").hours =
        vec![crate::site::hours(time(8, 0, 0, 0), time(22, 0, 0, 0))];
    let absence = slackwater_rules::plan::Absence {
        first: date(2026, 12, 20),
        last: date(2026, 12, 31),
        sitter: Some("tom".to_owned()),
        leaves: None,
        back: None,
    };
    around.directory.contacts.get_mut("ines").expect("there").away.push(absence);
    let titles: Vec<_> =
        check_in(HALYARD, &around).findings.into_iter().map(|finding| finding.title).collect();
    assert_eq!(titles, ["nobody can be reached from Sun 2026-12-20 to Thu 2026-12-31, daily 02:00-06:00"]);
}

#[test]
fn hours_that_leave_a_gap_over_midnight_are_one_stretch() {
    let mut around = surroundings();
    for name in ["ines", "neighbour"] {
        let person = around.directory.contacts.get_mut(name).expect(name);
        person.hours = vec![crate::site::hours(time(6, 30, 0, 0), time(23, 0, 0, 0))];
    }
    let checked = check_in(HALYARD, &around);
    let titles: Vec<_> = checked.findings.iter().map(|finding| finding.title.as_str()).collect();
    assert_eq!(titles, ["nobody can be reached between 23:00 and 06:30"]);
}

#[test]
fn everything_has_a_title_its_own_or_its_key_with_spaces() {
    let text = HALYARD.replace("[tank.lagoon]\n", "[tank.lagoon]\ntitle = \"the reef\"\n");
    let text = text.replace("[alarm.too-warm]\n", "[alarm.too-warm]\ntitle = \"too warm for corals\"\n");
    let plan = check(&text).plan.expect("right");
    assert_eq!(plan.title(plan.tanks.first().map(|_| TankId(0))), "the reef");
    assert_eq!(plan.title(None), plan.site);
    assert_eq!(sensor(&plan, "lagoon-temp").title, "lagoon temp");
    assert_eq!(alarm(&plan, "too-warm").title, "too warm for corals");
    assert_eq!(alarm(&plan, "return-stopped").title, "return stopped");
    assert_eq!(alarm(&plan, "sight-lagoon-temp").title, "the lagoon temp sensor can't be relied on");
    assert_eq!(alarm(&plan, "health-clock").title, "the watch's clock is not set");
}

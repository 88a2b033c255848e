//! What is asked of a model that has learned its tank for days, and of one that has not.

use crate::fixtures::{MODELLED, UTC, around_in, plan_of};
use crate::rig::Rig;
use crate::simulator::Faults;
use slackwater_rules::engine::{Arrival, HouseView, Input, OperatorCommand};
use slackwater_rules::forecast::thermal::Side;
use slackwater_rules::record::Body;
use slackwater_rules::time::{Moment, Span};

const DAYS: Span = Span::hours(4 * 24);

const OUTAGE: &str = "
[alarm.power-lost]
tank     = \"lagoon\"
when     = \"mains is off\"
on-delay = \"2 min\"
priority = \"critical\"
response = [\"Start the battery air pump.\", \"Feed nothing.\"]
stopgap = { relay = \"air-pump\", state = \"on\" }

[alarm.cooling-fast]
tank     = \"lagoon\"
when     = \"time until lagoon-temp < 22 degC is under 12 h\"
priority = \"high\"
response = \"Wrap the tank.\"
consequence-of = [\"power-lost\"]

[alarm.what-if]
tank     = \"lagoon\"
when     = \"time until lagoon-temp < 22 degC without power is under 24 h\"
priority = \"low\"
response = \"Plan for it.\"
callout  = \"none\"

[alarm.cold-room]
tank     = \"lagoon\"
when     = \"time until lagoon-temp < 22 degC without heat in a room of 5 degC is under 6 h\"
priority = \"low\"
response = \"Plan for it.\"
callout  = \"none\"

[alarm.stuck]
tank     = \"lagoon\"
when     = \"time until lagoon-temp > 28 degC with the heater stuck on is under 24 h\"
priority = \"low\"
response = \"Plan for it.\"
callout  = \"none\"

[alarm.still]
tank     = \"lagoon\"
when     = \"time until oxygen of lagoon < 2.3 mg/L without circulation is under 12 h\"
priority = \"low\"
response = \"Plan for it.\"
callout  = \"none\"

[alarm.box-empty]
tank     = \"lagoon\"
when     = \"time until box is empty is under 30 min\"
priority = \"high\"
response = \"Change the battery of the air pump.\"
";

/// The simulator's word for a cut is `power`.
fn dark() -> Faults {
    Faults { power: true, ..Faults::default() }
}

#[test]
fn a_model_that_was_never_fed_can_not_say() {
    let rig = Rig::new(OUTAGE);
    for alarm in ["cooling-fast", "what-if", "stuck", "still"] {
        assert_eq!(rig.truth(alarm), "unknown", "{}", rig.explained(alarm));
    }
    assert!(rig.explained("cooling-fast").contains("cannot say: no water temperature"));
}

#[test]
fn while_a_thermostat_holds_nothing_is_soon_and_what_if_is_answered_all_the_same() {
    let mut rig = Rig::new(OUTAGE);
    rig.run(DAYS);
    let told: Vec<_> =
        ["cooling-fast", "what-if", "cold-room", "stuck", "still"].map(|name| (name, rig.truth(name))).into();
    assert_eq!(
        told,
        [
            ("cooling-fast", "false"),
            ("what-if", "true"),
            ("cold-room", "true"),
            ("stuck", "true"),
            ("still", "true")
        ],
        "{}",
        rig.explained("cold-room")
    );
    assert!(rig.explained("what-if").contains("without power"), "{}", rig.explained("what-if"));
    assert!(
        rig.explained("what-if").contains("learned: the tank's heat loss"),
        "{}",
        rig.explained("what-if")
    );
    // The mains are on: nothing draws on the battery.
    assert_eq!(rig.truth("box-empty"), "false");
}

#[test]
fn a_page_in_a_power_cut_says_how_long_there_is() {
    let mut rig = Rig::new(OUTAGE);
    rig.run(DAYS);
    rig.faults(dark()).run(Span::minutes(3));
    let page = rig.world.pages.last().expect("it was paged").clone();
    insta::assert_snapshot!(page.body);
    assert!(page.text().chars().count() <= 160, "{}", page.text());
    assert!(page.text().contains("No air seen"), "{}", page.text());
}

#[test]
fn what_was_foretold_as_the_power_failed_is_kept_for_the_review() {
    let mut rig = Rig::new(OUTAGE);
    rig.run(DAYS);
    rig.faults(dark()).run(Span::minutes(5));
    let foretold = rig.records.iter().find_map(|record| match &record.body {
        Body::Foretold { alarm, estimates, .. } if alarm == "power-lost" => Some(estimates.clone()),
        _ => None,
    });
    let cold = foretold.expect("kept").into_iter().find(|it| it.words.contains("°C")).expect("of the water");
    let (low, likely) = (cold.low_h.expect("soon"), cold.likely_h.expect("likely"));
    assert!(low <= likely && cold.high_h.is_none_or(|high| likely <= high), "{cold:?}");
    assert!(cold.rests_on.contains("measured: "), "{cold:?}");
}

/// The truth is the simulator's: two nodes and a published law of evaporation.
#[test]
fn the_range_foretold_half_an_hour_into_a_cut_holds_what_comes() {
    let mut rig = Rig::new(OUTAGE);
    rig.run(DAYS);
    rig.faults(dark()).run(Span::minutes(30));
    let cold = rig.status().estimates.into_iter().find(|it| it.words.contains("22 °C")).expect("foretold");
    let (low, high) = (cold.low_h.expect("soon"), cold.high_h.unwrap_or(f64::INFINITY));
    let mut hours = 0.0;
    while rig.world.tank.truth() > 22.0 && hours < 72.0 {
        rig.minute();
        hours += 1.0 / 60.0;
    }
    assert!((low..=high).contains(&hours), "came after {hours} h, foretold {low} to {high}");
}

#[test]
fn the_battery_runs_down_and_rings_before_its_end() {
    let mut rig = Rig::new(OUTAGE);
    rig.run(Span::hours(2));
    rig.faults(dark()).run(Span::hours(10));
    let empty = rig.raised("box-empty").expect("it rang");
    let dark_for = rig.now.mono - empty;
    // 7 Ah, 12 V, 4 W, half of it usable, 0.7 of new: 7.4 h at the earliest (checked by hand).
    assert!(dark_for > Span::hours(2) && dark_for < Span::hours(4), "{dark_for}");
}

#[test]
fn a_silent_thermometer_makes_every_forecast_of_its_water_unknown() {
    let mut rig = Rig::new(OUTAGE);
    rig.run(Span::hours(30));
    assert_ne!(rig.truth("what-if"), "unknown");
    for _ in 0..20 {
        rig.silent_minute();
        rig.hear("room", "20");
    }
    assert_eq!(rig.truth("what-if"), "unknown", "{}", rig.explained("what-if"));
}

#[test]
fn a_retained_reading_teaches_nothing() {
    let mut rig = Rig::new(OUTAGE);
    for _ in 0..600 {
        rig.silent_minute();
        rig.step(Input::Message {
            topic: "lagoon/temperature".to_owned(),
            payload: b"21.0".to_vec(),
            delivery: Arrival::Retained,
        });
    }
    assert_eq!(rig.truth("what-if"), "unknown");
    rig.hear("lagoon/temperature", "25.0");
    let explained = rig.explained("what-if");
    assert!(explained.contains("22 °C"), "{explained}");
}

#[test]
fn what_was_learned_outlives_a_restart_in_one_record_and_a_reload() {
    let mut rig = Rig::new(OUTAGE);
    rig.run(DAYS);
    let learned = |rig: &Rig| {
        let of = |record: &&slackwater_rules::record::Record| matches!(record.body, Body::Learned { .. });
        rig.records.iter().filter(of).count()
    };
    let daily = learned(&rig);
    assert!((3..=4).contains(&daily), "once a day: {daily}");
    let before = rig.explained("what-if");
    assert!(before.contains("learned: the tank's heat loss"), "{before}");
    rig.restart();
    assert_eq!(learned(&rig), daily + 1, "and at an orderly end");
    rig.run(Span::minutes(30));
    let after = rig.explained("what-if");
    assert!(after.contains("learned: the tank's heat loss"), "{after}");
    rig.reload(crate::rig::plan(&OUTAGE.replace("12 h", "11 h")));
    rig.run(Span::minutes(2));
    assert!(rig.explained("what-if").contains("learned: the tank's heat loss"));
    // Another tank under the same name knows nothing.
    let other = format!("{MODELLED}{OUTAGE}").replace("300 L", "900 L");
    rig.reload(plan_of(&other, &around_in(UTC, &["ines.text"])));
    rig.run(Span::minutes(20));
    assert!(rig.explained("what-if").contains("assumed: heat loss"), "{}", rig.explained("what-if"));
}

#[test]
fn declared_work_keeps_cold_water_out_of_the_model() {
    let mut rig = Rig::new(OUTAGE);
    rig.run(DAYS);
    let before = rig.explained("what-if");
    let (tank, work) = ("lagoon".to_owned(), "water-change".to_owned());
    rig.say(OperatorCommand::BeginWork { tank: tank.clone(), work, length: Some(Span::hours(2)) });
    rig.world.tank.display -= 2.0;
    rig.run(Span::hours(1));
    rig.say(OperatorCommand::EndWork { tank });
    rig.run(Span::hours(3));
    assert!(before.contains("learned"), "{before}");
    assert_eq!(rig.truth("what-if"), "true");
}

#[test]
fn after_a_restart_in_the_dark_nobody_claims_to_know_how_full_the_battery_is() {
    let mut rig = Rig::new(OUTAGE);
    rig.run(Span::hours(2));
    rig.faults(dark()).run(Span::hours(1));
    rig.restart();
    rig.run(Span::minutes(5));
    let battery = rig.status().estimates.into_iter().find(|it| it.words.contains("box")).expect("foretold");
    assert_eq!(battery.low_h, Some(0.0), "{}", battery.words);
    assert!(rig.raised("box-empty").is_some_and(|at| at > Moment(0)));
}

const PROBE: &str = "
[sensor.oxygen]
topic    = \"lagoon/oxygen\"
tank     = \"lagoon\"
measures = \"oxygen\"
unit     = \"mg/L\"
every    = \"1 min\"
max-rate = \"none\"
";

/// Three nights with the pumps off for an hour, where the oxygen falls by 0.8 mg/L; days between.
/// The simulator knows nothing of oxygen; its lamp is on from 10 to 20 h.
fn three_pauses(rig: &mut Rig, run: fn(&mut Rig)) {
    rig.world.tank.starts_at_h = 0.0;
    for _ in 0..3 {
        for minute in 0..24 * 60 {
            let pause = minute < 60;
            rig.faults(Faults { pump: pause, ..Faults::default() });
            rig.minute();
            run(rig);
            let mg_l = if pause { 6.0 - 0.8 * f64::from(minute) / 60.0 } else { 6.3 };
            rig.hear("lagoon/oxygen", &format!("{mg_l:.2}"));
        }
    }
}

#[test]
fn a_probe_that_saw_three_pauses_at_night_teaches_what_the_tank_uses_and_a_restart_keeps_it() {
    let mut rig = Rig::new(&format!("{OUTAGE}{PROBE}"));
    three_pauses(&mut rig, |_| ());
    let before = rig.explained("still");
    assert!(before.contains("learned: oxygen consumption, 3 declines"), "{before}");
    assert!(before.contains("measured: oxygen"), "{before}");
    rig.restart();
    rig.run(Span::minutes(5));
    let after = rig.explained("still");
    assert!(after.contains("learned: oxygen consumption, 3 declines"), "{after}");
}

#[test]
fn pauses_in_the_light_teach_nothing_of_oxygen() {
    let mut rig = Rig::new(&format!("{OUTAGE}{PROBE}"));
    three_pauses(&mut rig, |rig| rig.hear("lagoon/lamp", "on"));
    assert!(rig.explained("still").contains("assumed: oxygen consumption by stocking"));
}

/// Limits that the page in the house draws: of which side, at which temperature, not before how
/// many hours.
fn ahead(rig: &Rig) -> Vec<(Side, f64, f64, f64)> {
    let view = HouseView::of(&rig.engine);
    view.ahead.iter().map(|water| (water.side, water.limit, water.range.low, water.range.high)).collect()
}

#[test]
fn the_page_is_told_which_limits_the_water_may_meet_and_not_before_when() {
    let mut rig = Rig::new(OUTAGE);
    assert!(ahead(&rig).is_empty(), "a model that was never fed says nothing: {:?}", ahead(&rig));
    rig.run(DAYS);
    let calm = ahead(&rig);
    assert!(calm.iter().all(|(.., low, _)| *low > 1.0), "while a thermostat holds nothing is soon: {calm:?}");
    rig.faults(dark());
    rig.run(Span::hours(1));
    let early = ahead(&rig);
    let below = |found: &[(Side, f64, f64, f64)]| {
        let found = found.iter().find(|(side, ..)| *side == Side::Below);
        let (_, limit, low, high) = *found.unwrap_or_else(|| panic!("no limit below: {early:?}"));
        assert!(low.is_finite() && low <= high, "{low} to {high}");
        (limit, low)
    };
    let (limit, first) = below(&early);
    rig.run(Span::hours(1));
    let late = ahead(&rig);
    let (same, second) = below(&late);
    assert!((limit - same).abs() < 1e-9 && second < first, "it comes nearer: {first} h, then {second} h");
    // What is not seen has no future.
    for _ in 0..60 {
        rig.silent_minute();
    }
    assert!(
        ahead(&rig).iter().all(|(side, ..)| *side != Side::Below) || ahead(&rig).is_empty(),
        "{:?}",
        ahead(&rig)
    );
}

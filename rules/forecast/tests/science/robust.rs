//! What a model meets in a year: gaps, garbage, clocks that stand, hands in the tank.

use crate::identification::{at, minute, prior};
use crate::simulator::{Random, Simulator, Tank};
use proptest::prelude::*;
use slackwater_forecast::faults::{Apart, Fault, Faults};
use slackwater_forecast::thermal::{Heater, Prior, Scenario, Side, Thermal, ThermalInput};
use slackwater_forecast::wording;
use slackwater_time::Moment;

fn learned(seed: u64, days: i64) -> (Simulator, Thermal) {
    let mut random = Random::new(seed);
    let mut tank = Tank::any(&mut random);
    tank.gaps_per_day = 0.0;
    let mut model = Thermal::new(prior(&tank));
    let mut simulator = Simulator::new(tank, random);
    while simulator.minute < days * 1_440 {
        minute(&mut simulator, &mut model, 0);
    }
    (simulator, model)
}

#[test]
fn the_state_of_a_tank_is_under_six_kibibytes() {
    let size = size_of::<Thermal>() + size_of::<Faults>() + size_of::<Apart>();
    assert!(size < 6_144, "{size} bytes");
    println!("thermal {} faults {} pair {}", size_of::<Thermal>(), size_of::<Faults>(), size_of::<Apart>());
}

#[test]
fn a_forecast_reads_aloud_and_names_what_it_rests_on() {
    let (simulator, mut model) = learned(11, 3);
    let mut lines = Vec::new();
    let mut say = |what: &str, model: &Thermal, side, limit: f64, what_if: &Scenario| {
        let answer = model.time_to(side, limit, what_if);
        let rests_on = answer.as_ref().map_or(String::new(), wording::rests_on);
        lines.push(format!("{}\n  ({rests_on})", wording::until(&answer, what, "")));
    };
    let now = simulator.truth();
    say("2 K colder, no heat", &model, Side::Below, now - 2.0, &Scenario::no_heat());
    say("2 K colder, no power", &model, Side::Below, now - 2.0, &Scenario::no_power());
    say("2 K colder as it is", &model, Side::Below, now - 2.0, &Scenario::now());
    say("2 K warmer, heater stuck", &model, Side::Above, now + 2.0, &Scenario::heater_stuck());
    let cold = Scenario { room: Some(10.0), ..Scenario::no_heat() };
    say("2 K colder, no heat and 10 degC outside", &model, Side::Below, now - 2.0, &cold);
    say("far colder than any room", &model, Side::Below, 1.0, &Scenario::no_heat());
    say("already there", &model, Side::Below, now + 1.0, &Scenario::now());
    model.lost(at(simulator.minute), ThermalInput::Room);
    say("2 K colder, no heat, no room sensor", &model, Side::Below, now - 2.0, &Scenario::no_heat());
    let fresh = Thermal::new(Prior::unknown());
    say("nothing heard", &fresh, Side::Below, 22.0, &Scenario::now());
    insta::assert_snapshot!(lines.join("\n"));
}

#[test]
fn a_water_change_that_nobody_announced_moves_the_constants_little() {
    let (mut simulator, mut model) = learned(12, 5);
    let before = model.constants();
    simulator.display -= 1.0;
    simulator.sump -= 1.0;
    for _ in 0..12 * 60 {
        minute(&mut simulator, &mut model, 0);
    }
    let after = model.constants();
    let moved =
        |of: fn(&slackwater_forecast::thermal::Constants) -> f64| (of(&after) / of(&before) - 1.0).abs();
    assert!(moved(|c| c.loss.likely) < 0.25, "{before:?} {after:?}");
    assert!(moved(|c| c.heaters[0].likely) < 0.15, "{before:?} {after:?}");
}

#[test]
fn work_on_the_tank_teaches_nothing_and_a_gap_is_no_line() {
    let (mut simulator, mut model) = learned(13, 3);
    let before = model.constants();
    let day_later = simulator.minute + 1_440;
    model.disturbed(at(day_later));
    while simulator.minute < day_later {
        simulator.display += 0.02;
        minute(&mut simulator, &mut model, 0);
    }
    assert_eq!(model.constants().loss, before.loss);
    // Three days of silence, and the water 3 K colder afterwards.
    simulator.display -= 3.0;
    simulator.minute += 3 * 1_440;
    for _ in 0..5 {
        minute(&mut simulator, &mut model, 0);
    }
    assert_eq!(model.constants().loss, before.loss);
    assert_eq!(model.slope(&Scenario::no_heat()), None);
}

#[test]
fn two_heaters_that_take_turns_are_told_apart() {
    let (mut simulator, _) = learned(14, 1);
    let mut model = Thermal::new(prior(&simulator.tank));
    let start = simulator.minute;
    while simulator.minute < start + 8 * 1_440 {
        // The same heater, plugged in as the second on odd days, and there at half its power.
        let second = (simulator.minute / 1_440) % 2 == 1;
        simulator.faults.heater = if second { 0.6 } else { 1.0 };
        let heard = simulator.run();
        let on = f64::from(u8::from(heard.heater > 0.0));
        let now = at(simulator.minute);
        model.input(now, ThermalInput::Heater(Heater::First), if second { 0.0 } else { on });
        model.input(now, ThermalInput::Heater(Heater::Second), if second { on } else { 0.0 });
        model.input(now, ThermalInput::Lamp, heard.lamp);
        model.input(now, ThermalInput::Room, heard.room);
        if let Some(water) = heard.water {
            model.temperature(now, water);
        }
    }
    let constants = model.constants();
    let [first, second] = constants.heaters.map(|heater| heater.likely);
    assert!((second / first - 0.6).abs() < 0.12, "{first} {second}");
    let held =
        slackwater_forecast::margin::Held { constants: &constants, set: simulator.tank.set, lamp: 0.0 };
    let coldest = |rate: f64| held.coldest_room(rate).unwrap().range.likely;
    assert!(coldest(first) < coldest(second), "the weaker spare holds only a warmer room");
}

/// SCIENCE c: D = (a (set - room) - q - l s)/r, room_min = set - (r + q + l s)/a; against the
/// tank's own watts.
#[test]
fn the_learned_margin_is_that_of_the_tank() {
    let (simulator, model) = learned(15, 10);
    let constants = model.constants();
    let tank = &simulator.tank;
    let held =
        slackwater_forecast::margin::Held { constants: &constants, set: tank.set + tank.offset, lamp: 0.0 };
    let coldest = held.coldest_room(constants.heaters[0].likely).unwrap();
    let vapour = |t: f64| 0.61078 * (17.27 * t / (t + 237.3)).exp();
    let need = |room: f64| {
        tank.walls * (tank.set - room)
            + tank.surface * 65.5 * (0.981 * vapour(tank.set) - tank.humidity * vapour(room))
            - tank.pumps_w
    };
    let mut room = tank.set;
    while need(room) < tank.heater_w {
        room -= 0.01;
    }
    println!("coldest room: true {room:.2}, {}", wording::value(coldest.range, "degC"));
    assert!(coldest.range.low - 2.0 <= room && room <= coldest.range.high + 2.0, "{room} {coldest:?}");
    let duty = held.duty(constants.heaters[0].likely, tank.room_mean);
    let true_duty = need(tank.room_mean) / tank.heater_w;
    assert!((duty.likely - true_duty).abs() < 0.12, "{duty:?} {true_duty}");
}

#[test]
fn probes_in_sump_and_display_part_when_the_flow_between_them_stops() {
    let (mut simulator, _) = learned(16, 1);
    let mut pair = Apart::default();
    let mut cell = |simulator: &mut Simulator| {
        let (mut sump, mut display) = (0.0, 0.0);
        for _ in 0..5 {
            simulator.run();
            sump += simulator.sump / 5.0;
            display += simulator.display / 5.0;
        }
        pair.cell(sump, display)
    };
    for _ in 0..600 {
        assert!(!cell(&mut simulator));
    }
    simulator.faults.pump = true;
    let found = (0..72).position(|_| cell(&mut simulator));
    assert!(found.is_some_and(|cells| cells <= 36), "{found:?}");
}

/// For the number only: what a reading costs. The aim is 5 microseconds.
#[test]
#[ignore = "measures, checks nothing"]
fn what_one_reading_costs() {
    let mut random = Random::new(18);
    let tank = Tank::any(&mut random);
    let (mut model, mut faults) = (Thermal::new(prior(&tank)), Faults::new(1.0));
    let mut simulator = Simulator::new(tank, random);
    let heard: Vec<_> = (0..30 * 1_440).map(|_| simulator.run()).collect();
    let (mut readings, mut slowest) = (0u32, 0);
    let start = std::time::Instant::now();
    for (i, heard) in heard.iter().enumerate() {
        let now = at(i as i64);
        let before = std::time::Instant::now();
        let ended = model.input(now, ThermalInput::Heater(Heater::First), heard.heater);
        if let Some(cell) = ended {
            faults.cell(&mut model, &cell);
        }
        slowest = slowest.max(before.elapsed().as_nanos());
        model.input(now, ThermalInput::Room, heard.room);
        model.input(now, ThermalInput::Lamp, heard.lamp);
        if let Some(water) = heard.water {
            model.temperature(now, water);
        }
        readings += 4;
    }
    let all = start.elapsed().as_nanos() as f64;
    let asked = std::time::Instant::now();
    for i in 0..1_000 {
        let limit = 20.0 + f64::from(i) * 1e-3;
        std::hint::black_box(model.time_to(Side::Below, limit, &Scenario::no_heat())).ok();
    }
    let forecast = asked.elapsed().as_nanos() / 1_000;
    println!(
        "{:.0} ns a reading, {slowest} ns the slowest, {forecast} ns a forecast",
        all / f64::from(readings)
    );
}

/// Unknown is not off: a relay that fell silent with colder water afterwards is no dead heater.
#[test]
fn a_heater_whose_state_is_lost_is_not_taken_for_a_silent_one() {
    let (mut simulator, mut model) = learned(20, 6);
    let mut faults = Faults::new(0.3);
    let start = simulator.minute;
    for lost in [false, true] {
        while simulator.minute < start + if lost { 5 } else { 4 } * 1_440 {
            let heard = simulator.run();
            let now = at(simulator.minute);
            let heater = ThermalInput::Heater(Heater::First);
            let ended = if lost { model.lost(now, heater) } else { model.input(now, heater, heard.heater) };
            model.input(now, ThermalInput::Room, heard.room);
            model.input(now, ThermalInput::Lamp, heard.lamp);
            if let Some(water) = heard.water {
                model.temperature(now, if lost { water - 0.8 } else { water });
            }
            if let Some(cell) = ended {
                faults.cell(&mut model, &cell);
            }
        }
        assert_eq!(faults.standing().count(), 0, "{:?}", faults.standing().collect::<Vec<_>>());
    }
}

/// Without a plug that measures, an outage still has an answer: with the power gone the heater is
/// known to be off.
#[test]
fn an_outage_tells_the_state_of_a_heater_that_nobody_saw() {
    let mut random = Random::new(21);
    let mut tank = Tank::any(&mut random);
    tank.gaps_per_day = 0.0;
    let mut model = Thermal::new(prior(&tank));
    let mut simulator = Simulator::new(tank, random);
    let run = |simulator: &mut Simulator, model: &mut Thermal, minutes: i64| {
        for _ in 0..minutes {
            minute(simulator, model, crate::identification::NO_HEATER_STATE);
        }
    };
    run(&mut simulator, &mut model, 1_440);
    let limit = simulator.truth() - 2.0;
    assert!(model.time_to(Side::Below, limit, &Scenario::no_power()).is_err());
    simulator.faults.power = true;
    let now = at(simulator.minute);
    model.input(now, ThermalInput::Heater(Heater::First), 0.0);
    model.pumps(now, false);
    run(&mut simulator, &mut model, 45);
    let range = model.time_to(Side::Below, limit, &Scenario::no_power()).unwrap().range;
    let asked = simulator.minute;
    while simulator.truth() > limit {
        simulator.run();
    }
    let truth = (simulator.minute - asked) as f64 / 60.0;
    assert!(range.holds(truth), "{range:?} does not hold {truth}");
}

#[test]
fn a_probe_that_drifts_away_from_the_thermostat_is_found_within_two_days() {
    let (mut simulator, mut model) = learned(19, 1);
    let mut faults = Faults::new(0.3);
    let mut found = None;
    let mut drifts_from = i64::MAX;
    while found.is_none() && simulator.minute < 20 * 1_440 {
        if simulator.minute == 14 * 1_440 {
            simulator.faults.probe_drift = 0.03;
            drifts_from = simulator.minute;
        }
        let heard = simulator.run();
        let now = at(simulator.minute);
        let ended = model.input(now, ThermalInput::Heater(Heater::First), heard.heater);
        model.input(now, ThermalInput::Room, heard.room);
        model.input(now, ThermalInput::Lamp, heard.lamp);
        if let Some(water) = heard.water {
            model.temperature(now, water);
        }
        if let Some(cell) = ended {
            faults.cell(&mut model, &cell);
        }
        let new = faults.standing().map(|finding| finding.fault).next();
        found = new.map(|fault| (fault, simulator.minute));
    }
    let (fault, minute) = found.expect("0.03 K/h is 0.7 K a day");
    assert_eq!(fault, Fault::ProbeShifted, "{:?}", faults.standing().collect::<Vec<_>>());
    assert!((drifts_from..drifts_from + 2 * 1_440).contains(&minute), "{minute}");
}

#[test]
fn the_same_readings_give_the_same_bytes() {
    let state = |seed| format!("{:?}", learned(seed, 2).1);
    assert_eq!(state(17), state(17));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// Nothing panics, every interval is in order, the early end is never later than the straight
    /// line.
    #[test]
    fn no_reading_breaks_the_model(
        readings in prop::collection::vec(
            (0..4u8, prop_oneof![-1_000i64..2_000_000, Just(i64::MAX), Just(i64::MIN), Just(0)], prop_oneof![
                10.0..35.0f64, 0.0..1.0f64, Just(f64::NAN), Just(f64::INFINITY), Just(-1e300), any::<f64>()
            ]),
            1..200,
        ),
        limit in -20.0..50.0f64,
    ) {
        let mut model = Thermal::new(Prior::unknown());
        let mut faults = Faults::new(1.0);
        let mut now = 0i64;
        for (kind, step, value) in readings {
            now = now.saturating_add(step);
            let input = match kind {
                0 => None,
                1 => Some(ThermalInput::Room),
                2 => Some(ThermalInput::Heater(Heater::First)),
                _ => Some(ThermalInput::Lamp),
            };
            let ended = match input {
                None => model.temperature(Moment(now), value),
                Some(input) => model.input(Moment(now), input, value),
            };
            if let Some(cell) = ended {
                faults.cell(&mut model, &cell);
            }
        }
        for what_if in [Scenario::now(), Scenario::no_heat(), Scenario::no_power(), Scenario::heater_stuck()] {
            for side in [Side::Below, Side::Above] {
                match model.time_to(side, limit, &what_if) {
                    Ok(estimate) => {
                        let range = estimate.range;
                        prop_assert!(range.low <= range.likely && range.likely <= range.high && range.low >= 0.0, "{range:?}");
                        wording::time(range);
                    }
                    Err(why) => prop_assert!(why.to_string().starts_with("cannot say")),
                }
            }
        }
    }
}

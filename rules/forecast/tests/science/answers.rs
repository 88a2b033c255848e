//! Answers as a keeper meets them: wide where little is known, open where the end is open, and in
//! words without a digit too many.

use slackwater_forecast::battery::{self, BatteryModel, Chemistry};
use slackwater_forecast::circulation;
use slackwater_forecast::geometry::Geometry;
use slackwater_forecast::margin;
use slackwater_forecast::oxygen::Stocking;
use slackwater_forecast::oxygen::{self, AirPump, Before};
use slackwater_forecast::water::{SeaWater, pressure_at};
use slackwater_forecast::{CannotSay, Interval, wording};

fn lagoon() -> oxygen::TankOxygen {
    oxygen::TankOxygen {
        volume: 0.25,
        surface: 0.6,
        water: SeaWater::new(26.0, 35.0).unwrap(),
        celsius: 26.0,
        pressure_hpa: 1_013.25,
        stocking: Stocking::Moderate,
        learned: None,
        measured: None,
    }
}

#[test]
fn a_time_is_worded_on_steps_that_hold_the_truth() {
    const NEVER: f64 = f64::INFINITY;
    let words = [
        (5.2, 6.4, 7.9),
        (0.36, 0.5, 0.63),
        (0.9, 1.1, 1.4),
        (0.0, 0.4, 1.7),
        (6.3, 9.0, NEVER),
        (6.3, NEVER, NEVER),
        (NEVER, NEVER, NEVER),
        (80.0, 90.0, 100.0),
        (40.0, 50.0, 60.0),
        (4.0, 4.0, 4.0),
        (0.0, 0.0, 0.0),
        (0.0, 3.0, NEVER),
        (0.95, 2.0, 4.2),
    ]
    .map(|(low, likely, high)| wording::time(Interval::new(low, likely, high)));
    insta::assert_snapshot!(words.join("\n"));
}

#[test]
fn a_value_is_worded_without_digits_that_are_not_known() {
    let words = [
        wording::value(Interval::new(15.83, 16.4, 17.72), "degC"),
        wording::value(Interval::new(132.3, 201.0, 388.0), "W"),
        wording::value(Interval::exact(6.657), "mg/L"),
        wording::value(Interval::new(0.35, 0.9, 2.3), "mg/(L h)"),
        wording::value(Interval::new(-0.2, 0.0, 0.2), "K"),
        wording::value(Interval::new(12.0, 14.0, f64::INFINITY), "degC"),
    ];
    insta::assert_snapshot!(words.join("\n"));
}

#[test]
fn a_missing_figure_is_named_instead_of_guessed() {
    let words = [
        CannotSay::Missing("room temperature").to_string(),
        CannotSay::TooEarly { seen_h: 6.0, needed_h: 22.0 }.to_string(),
        SeaWater::new(85.0, 35.0).unwrap_err().to_string(),
        Geometry::of(0.0, 35.0, None).unwrap_err().to_string(),
    ];
    insta::assert_snapshot!(words.join("\n"));
}

/// A whole answer, with what it rests on.
#[test]
fn an_answer_says_what_it_rests_on() {
    let answer = lagoon().time_to(oxygen::ACUTE_MG_L, Before::Night, None);
    let rests_on = wording::rests_on(answer.as_ref().unwrap());
    let line = wording::until(&answer, "oxygen is below 2.3 mg/L", "if the pumps stay off");
    insta::assert_snapshot!(format!("{line}\n{rests_on}"));
}

#[test]
fn without_a_probe_the_oxygen_answer_spans_what_is_published() {
    let chronic = lagoon().time_to(oxygen::CHRONIC_MG_L, Before::Night, None).unwrap().range;
    let acute = lagoon().time_to(oxygen::ACUTE_MG_L, Before::Night, None).unwrap().range;
    // SCIENCE, worked example: R 2.3 reaches 2.3 mg/L after 1.9 h from 95 %, R 0.35 after 21.6 h.
    assert!(chronic.low < 0.68 && chronic.high > 2.0, "{chronic:?}");
    assert!(acute.low < 1.9 && acute.high > 15.0, "{acute:?}");
    assert!(acute.low >= chronic.low && acute.high >= chronic.high);
}

#[test]
fn night_leaves_less_time_than_day_and_air_gives_more() {
    let tank = lagoon();
    let stone =
        AirPump { air_l_min: 3.0, depth_m: 0.4, share_per_m: Interval::new(0.03, 0.06, 0.08), alpha: 0.8 };
    let time = |before, air: Option<&AirPump>| tank.time_to(oxygen::CHRONIC_MG_L, before, air).unwrap().range;
    let (night, day, aired) =
        (time(Before::Night, None), time(Before::Day, None), time(Before::Night, Some(&stone)));
    assert!(night.low < day.low && night.likely < day.likely);
    assert!(aired.low > night.low && aired.high.is_infinite(), "{aired:?}");
}

#[test]
fn heavy_stocking_and_heat_shorten_the_time() {
    let base = lagoon();
    let heavy = oxygen::TankOxygen { stocking: Stocking::Heavy, ..base };
    let hot = oxygen::TankOxygen { celsius: 30.0, water: SeaWater::new(30.0, 35.0).unwrap(), ..base };
    let likely = |tank: &oxygen::TankOxygen| {
        tank.time_to(oxygen::ACUTE_MG_L, Before::Night, None).unwrap().range.likely
    };
    assert!(likely(&heavy) < 0.6 * likely(&base));
    assert!(likely(&hot) < likely(&base));
}

#[test]
fn pressure_falls_with_height_as_in_the_standard_atmosphere() {
    // ICAO standard atmosphere, from memory: 1000 m 898.7 hPa, 2000 m 795.0 hPa.
    assert!((pressure_at(0.0) - 1_013.25).abs() < 1e-9);
    assert!((pressure_at(1_000.0) - 898.7).abs() < 0.1);
    assert!((pressure_at(2_000.0) - 795.0).abs() < 0.1);
}

#[test]
fn a_battery_never_lasts_longer_than_its_rating() {
    let battery = BatteryModel {
        volts: 12.0,
        rated_ah: 100.0,
        rated_h: 20.0,
        chemistry: Chemistry::LeadFlooded,
        converter: Interval::exact(1.0),
        idle_w: 0.0,
    };
    // 2 A, below the rated 5 A: Peukert's law alone says 60 h and more, the rating says 50.
    let runtime = battery.runtime(24.0, 1.0, true).unwrap();
    assert!(runtime.range.high <= 50.0 && runtime.range.low < 20.0, "{:?}", runtime.range);
    assert!(battery.runtime(24.0, 0.0, true).unwrap().range.high == 0.0);
    assert!(battery.runtime(0.0, 1.0, true).is_err());
    assert!(battery::from_ups(0.5).range.low < 0.5);
    assert_eq!(battery::from_test(5.0, 5.0).range, Interval::exact(0.0));
}

#[test]
fn an_inverters_own_draw_can_halve_an_air_pumps_time() {
    let battery = |idle_w| BatteryModel {
        volts: 12.0,
        rated_ah: 7.0,
        rated_h: 20.0,
        chemistry: Chemistry::LeadAgm,
        converter: Interval::new(0.8, 0.85, 0.9),
        idle_w,
    };
    let likely = |idle_w| battery(idle_w).runtime(5.0, 1.0, false).unwrap().range.likely;
    assert!(likely(6.0) < 0.55 * likely(0.0));
}

#[test]
fn a_stuck_top_off_dilutes_at_worst_by_its_whole_reservoir() {
    let after = circulation::after_fresh_water(35.0, 0.25, 0.025).unwrap().range;
    assert!((after.high - 35.0 / 1.1).abs() < 1e-9);
    assert!((after.low - 35.0 * (-0.1f64).exp()).abs() < 1e-9);
    let back = circulation::after_evaporation(after.high, 0.275, 0.025).unwrap();
    assert!((back - 35.0).abs() < 1e-9, "what came in and evaporated leaves the salt where it was");
    assert!((circulation::replaced(1.0) - 0.632).abs() < 1e-3);
}

#[test]
fn a_heater_is_sized_for_the_coldest_room_with_a_third_in_hand() {
    let tank = Geometry::of(0.25, 35.0, Some(0.6)).unwrap();
    let size = margin::heater_size(&tank, 25.5, 16.0, false).unwrap().range;
    // SCIENCE: 20 W/K for a tank of this size, and 52 to 116 W of evaporation: 240 to 310 W, times
    // 4/3.
    assert!(size.holds(320.0) && size.holds(410.0), "{size:?}");
    assert!(size.low > 100.0 && size.high < 900.0, "{size:?}");
}

#[test]
fn a_tanks_size_gives_a_heat_loss_near_the_worked_example() {
    // SCIENCE c: 120 x 50 x 50 cm has 20 W/K without evaporation (0.6 m2 surface, 300 L).
    let tank = Geometry::of(0.3, 35.0, Some(0.6)).unwrap();
    assert!((tank.walls.likely - 20.0).abs() < 2.0, "{:?}", tank.walls);
    // 250 L with 25 W/K and evaporation has 11.4 h.
    let tau = Geometry::of(0.25, 35.0, Some(0.6)).unwrap().tau_h();
    assert!(tau.holds(11.4) && tau.likely > 8.0 && tau.likely < 16.0, "{tau:?}");
}

#[test]
fn duty_that_creeps_up_in_the_same_room_is_a_trend_and_a_cold_week_is_none() {
    let mut trend = margin::DutyTrend::default();
    for day in 0..13 {
        trend.day(0.4 + 0.01 * f64::from(day), 5.0);
    }
    assert!(trend.per_week().is_err(), "two weeks are needed");
    let mut cold = trend.clone();
    for day in 0..28u32 {
        trend.day(0.5 * 1.02f64.powf(f64::from(day) / 7.0), 5.0);
        // Room 3 to 8 K below: duty follows it.
        let gap = 3.0 + f64::from(day % 6);
        cold.day(0.09 * gap, gap);
    }
    assert!(trend.per_week().unwrap().range.likely > 0.0);
    assert!(cold.per_week().unwrap().range.likely.abs() < 0.05);
}

//! The worked examples that the notes on the science print, each computed anew.

use slackwater_forecast::cooling::Drift;
use slackwater_forecast::evaporation::Surface;
use slackwater_forecast::oxygen::{Budget, resting_fish_mg_h, schmidt, transfer_cm_h};
use slackwater_forecast::water::SeaWater;
use slackwater_forecast::{Interval, light::LightBand};

#[track_caller]
fn is(found: f64, wanted: f64, tolerance: f64) {
    assert!((found - wanted).abs() <= tolerance, "{found} is not {wanted}");
}

/// 26 degC, 35 psu: 203.364 umol/kg, 6.657 mg/L, at 950 hPa 6.229; 1023.033 kg/m3, 3998.4 J/(kg K).
#[test]
fn a_reef_at_26_degrees_holds_6_657_mg_of_oxygen() {
    let water = SeaWater::new(26.0, 35.0).unwrap();
    is(water.oxygen_umol_kg(), 203.364, 5e-4);
    is(water.oxygen_mg_l(1_013.25), 6.657, 5e-4);
    is(water.oxygen_mg_l(950.0), 6.229, 2e-3);
    is(water.density(), 1_023.033, 5e-4);
    is(water.specific_heat(), 3_998.4, 0.05);
    // About -1 % per -10 hPa; saturation is 1 where it should be.
    is(water.oxygen_mg_l(1_003.25) / water.oxygen_mg_l(1_013.25), 0.990, 2e-3);
    is(water.oxygen_saturation(6.657, 1_013.25), 1.0, 1e-3);
}

/// 250 L, UA 25 W/K: tau 11.37 h; 25.5 to 22 degC at 18 degC 7.15 h, with 30 W of pumps 9.22 h, at
/// 22.5 degC never, to 18.05 degC 57 h. Sensitivities 1.33 h/K, 0.629, 1.52 h/K, -2.84 h/K.
#[test]
fn a_250_litre_tank_cools_as_in_the_worked_example() {
    let capacity = 1.023_28e6;
    let drift = |room: f64, watts: f64| Drift::of(capacity, 25.0, room, watts);
    let still = drift(18.0, 0.0);
    is(still.tau_h, 11.37, 5e-3);
    is(still.time_to(25.5, 22.0), 7.15, 5e-3);
    is(drift(18.0, 30.0).time_to(25.5, 22.0), 9.22, 5e-3);
    assert!(drift(22.5, 0.0).time_to(25.5, 22.0).is_infinite());
    is(still.time_to(25.5, 18.05), 57.0, 0.1);
    let step = 1e-4;
    let by = |changed: f64| (changed - still.time_to(25.5, 22.0)) / step;
    is(by(Drift { settles: 18.0 + step, ..still }.time_to(25.5, 22.0)), 1.33, 5e-3);
    is(by(Drift { tau_h: still.tau_h + step, ..still }.time_to(25.5, 22.0)), 0.629, 5e-4);
    is(by(still.time_to(25.5 + step, 22.0)), 1.52, 5e-3);
    is(by(still.time_to(25.5, 22.0 + step)), -2.84, 5e-3);
    // On the wrong side, or where it is already: never, and at once.
    assert!(still.time_to(25.5, 26.0).is_infinite() && still.time_to(17.0, 16.0).is_infinite());
    is(still.time_to(22.0, 22.0), 0.0, 0.0);
}

/// Schmidt number 568 at 20, 424 at 26 degC (Wanninkhof 2014); 10 g and 50 g of fish at 26 degC 3.0
/// and 10.9 mg/h; 0.6 m2 at 2.46 cm/h 15 L/h.
#[test]
fn oxygen_figures_are_those_of_the_worked_example() {
    is(schmidt(20.0), 568.0, 0.5);
    is(schmidt(26.0), 424.0, 0.5);
    is(resting_fish_mg_h(26.0, 10.0), 3.0, 0.05);
    is(resting_fish_mg_h(26.0, 50.0), 10.9, 0.05);
    is(transfer_cm_h(2.07, 26.0), 2.46, 5e-3);
    let tank = |consumption| Budget { saturated: 6.6587, exchange: 14.772 / 250.0, consumption };
    let start = 0.95 * 6.6587;
    is(tank(0.8).time_to(start, 4.8), 2.1, 0.05);
    is(tank(0.8).time_to(start, 2.3), 6.2, 0.05);
    is(tank(2.3).time_to(start, 4.8), 0.68, 5e-3);
    is(tank(2.3).time_to(start, 2.3), 1.9, 0.05);
    is(tank(0.35).time_to(start, 2.3), 21.6, 0.05);
}

/// The five models span a factor of two: 87 to 174 W/m2 at 25.5 degC water, 21 degC air, 50 %.
#[test]
fn published_evaporation_differs_by_a_factor_of_two() {
    let range = Surface { water: 25.5, salinity: 35.0, air: 21.0, humidity: 0.5 }.range();
    is(range.low, 87.0, 0.5);
    is(range.likely, 118.0, 0.5);
    is(range.high, 174.0, 0.5);
}

#[test]
fn intervals_hold_every_result_of_what_they_hold() {
    let (a, b) = (Interval::new(-1.0, 2.0, 3.0), Interval::new(0.5, 1.0, 4.0));
    for x in [a.low, a.likely, a.high] {
        for y in [b.low, b.likely, b.high] {
            assert!((a + b).holds(x + y) && (a - b).holds(x - y) && (a * b).holds(x * y));
            assert!(a.over(b).holds(x / y));
        }
    }
    assert!(b.over(a).holds(1e300), "a divisor that may be zero leaves everything open");
    assert_eq!(Interval::new(5.0, 9.0, 3.0), Interval { low: 3.0, likely: 5.0, high: 5.0 });
    let open = Interval::spread([3.0, f64::INFINITY, f64::INFINITY, 4.0]).unwrap();
    assert!(open.low == 3.0 && open.high.is_infinite() && open.likely.is_infinite());
    assert_eq!(Interval::spread([1.0, f64::NAN]), None);
    assert_eq!(Interval::spread([]), None);
}

/// Common practice of the trade: soft and large-polyp corals 50-100, small-polyp 250-350 umol/(m2
/// s).
#[test]
fn light_falls_into_the_bands_of_the_trade() {
    let bands = [20.0, 80.0, 180.0, 300.0, 500.0].map(LightBand::of);
    assert_eq!(
        bands,
        [
            LightBand::Dim,
            LightBand::SoftAndLargePolyp,
            LightBand::Between,
            LightBand::SmallPolyp,
            LightBand::Bright
        ]
    );
}

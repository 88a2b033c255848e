//! A tank on paper against solvers, against published examples, and against simulated tanks of
//! which only what a keeper knows is told.

use crate::identification::Score;
use crate::simulator::{Faults, Random, Simulator, Tank};
use crate::table::Table;
use slackwater_forecast::battery::{BatteryModel, Chemistry};
use slackwater_forecast::oxygen::{ACUTE_MG_L, AirPump, Before, CHRONIC_MG_L};
use slackwater_forecast::planner::{Cooling, End, Holds, Light, Paper, Supply};
use slackwater_forecast::{CannotSay, Interval};

fn lagoon() -> Paper {
    Paper {
        volume: Some(0.25),
        surface: Some(0.6),
        salinity: Some(35.0),
        water: Some(25.5),
        room: Some(18.0),
        heaters: vec![200.0, 200.0],
        ..Paper::blank(22.0, 29.0)
    }
}

fn pump() -> AirPump {
    AirPump { air_l_min: 3.0, depth_m: 0.4, share_per_m: Interval::new(0.02, 0.03, 0.087), alpha: 0.85 }
}

fn supply(load_w: f64) -> Supply {
    let battery = BatteryModel {
        volts: 12.0,
        rated_ah: 7.0,
        rated_h: 20.0,
        chemistry: Chemistry::LeadAgm,
        converter: Interval::exact(1.0),
        idle_w: 0.0,
    };
    Supply { battery, load_w: Some(load_w) }
}

/// scipy 1.17.1 DOP853, the rows of `cooling_scenarios.csv` with evaporation by the weakest and the
/// strongest of the published models. Ours is the lowest or highest of all at every moment: for the
/// strongest the same (2 min), for the weakest another model's near the end, which makes it up to a
/// twentieth later.
#[test]
fn a_tank_that_evaporates_cools_as_the_solver_says() {
    let mut seen = 0;
    for row in Table::read(include_str!("../data/cooling_scenarios.csv")).rows() {
        let evaporates = match row.text("evap") {
            "ashrae_half" => 0,
            "ashrae_full" => 2,
            _ => continue,
        };
        let case = Cooling {
            lid: false,
            capacity: row.get("c_j_k"),
            walls: row.get("ua_w_k"),
            evaporates,
            surface: row.get("area_m2"),
            salinity: row.get("sp"),
            humidity: row.get("rh"),
            room: row.get("ta_end_c"),
            watts: row.get("watts"),
        };
        let hours = case.time_to(row.get("t0_c"), row.get("thr_c"));
        let tolerance = if evaporates == 2 { 120.0 } else { 0.05 * row.get("scipy_s") };
        row.is_or_never("scipy_s", hours * 3_600.0, tolerance);
        seen += 1;
    }
    assert!(seen >= 2, "{seen} rows");
}

/// SCIENCE c, from the solver: 250 L, 0.6 m², 21 degC at 50 %: 7.4 to 11.1 h from 25.5 to 22 degC,
/// where Newton's law without evaporation claims 22.5. On paper the walls are unknown too.
#[test]
fn the_time_on_paper_holds_the_worked_example() {
    let paper = Paper { room: Some(21.0), ..lagoon() };
    let time = paper.cold_without_heat().unwrap().range;
    assert!(time.low < 7.4 && time.high > 11.1, "{time:?}");
    assert!(time.likely > 6.0 && time.likely < 13.0, "{time:?}");
}

/// SCIENCE f: 200 umol/(m2 s) for 12 h are 8.64 mol/m²; a half sine is 2/pi of it.
#[test]
fn a_days_light_on_paper_is_that_of_the_formula() {
    let paper = Paper { light: Some(Light { ppfd: 200.0, hours: 12.0 }), ..lagoon() };
    let dose = paper.daily_light().unwrap().range;
    assert!((dose.high - 8.64).abs() < 1e-9 && (dose.low - 8.64 * 2.0 / std::f64::consts::PI).abs() < 1e-9);
}

/// SCIENCE g: 400 US gal/h through 75 US gal are 5.333 an hour.
#[test]
fn turnover_on_paper_is_flow_over_volume() {
    let gallon = 3.785_411_784e-3;
    let paper = Paper { volume: Some(75.0 * gallon), flow: Some(400.0 * gallon), ..lagoon() };
    assert!((paper.turnover().unwrap().range.likely - 5.333).abs() < 1e-3);
}

/// Of each simulated tank only volume, room and water are told: what a keeper knows. Its power
/// fails.
#[test]
fn simulated_tanks_cool_within_what_paper_says() {
    let mut score = Score::default();
    for seed in 30_000..30_100 {
        let mut random = Random::new(seed);
        let tank = Tank { room_swing: 0.3, ..Tank::any(&mut random) };
        let mut simulator = Simulator::new(tank, random);
        for _ in 0..1_440 {
            simulator.run();
        }
        let mut dead = simulator.clone();
        dead.faults = Faults { power: true, ..Faults::default() };
        for _ in 0..240 {
            dead.run();
        }
        let paper = Paper {
            volume: Some((simulator.tank.litres + simulator.tank.sump_litres) / 1_000.0),
            water: Some(simulator.display),
            room: Some(simulator.room),
            ..Paper::blank(dead.display, 30.0)
        };
        score.take(paper.cold_without_heat().map(|estimate| estimate.range), 4.0);
    }
    score.print("on paper, 4 h without power");
    assert!(score.coverage() >= 90.0, "a tank of which nothing was measured: {score:?}");
}

#[test]
fn a_spare_is_a_spare_only_if_it_holds_alone() {
    let mild = Paper { room: Some(24.0), ..lagoon() };
    assert_eq!(mild.holds(300.0), Ok(Holds::Yes));
    let cold = Paper { room: Some(5.0), ..lagoon() };
    assert_eq!(cold.holds(50.0), Ok(Holds::No));
    let coldest = |watts| lagoon().coldest_room(watts).unwrap().range;
    assert!(coldest(400.0).likely < coldest(200.0).likely, "more watts hold a colder room");
    // What sizes a heater and what says whether it holds agree: the size with a third in hand holds
    // likely.
    let size = lagoon().heater_size().unwrap().range;
    assert!(matches!(lagoon().holds(size.likely), Ok(Holds::Yes | Holds::Likely)), "{size:?}");
    assert_eq!(lagoon().holds(size.high), Ok(Holds::Yes));
}

#[test]
fn a_stuck_heater_warms_faster_the_stronger_it_is() {
    let warm = |watts| Paper { heaters: vec![watts], ..lagoon() }.warm_with_heater_stuck().unwrap().range;
    assert!(warm(400.0).likely < warm(200.0).likely && warm(400.0).low < warm(200.0).low);
    // 200 W into 1.023 MJ/K warm by 0.704 K/h at most: 3.5 K take 4.97 h at least.
    assert!((warm(200.0).low - 4.97).abs() < 0.02, "{:?}", warm(200.0));
    assert!(matches!(
        Paper { heaters: vec![], ..lagoon() }.warm_with_heater_stuck(),
        Err(CannotSay::Missing("heater"))
    ));
}

/// Air buys the battery's time, not more; and never less than no air.
#[test]
fn an_air_pump_helps_for_as_long_as_its_battery() {
    let still = lagoon().oxygen(ACUTE_MG_L, Before::Night, false).unwrap().range;
    let aired = |load| {
        Paper { air: Some(pump()), supply: Some(supply(load)), ..lagoon() }
            .oxygen_in_an_outage()
            .unwrap()
            .range
    };
    let (long, short) = (aired(3.0), aired(40.0));
    assert!(long.likely >= short.likely && short.likely >= still.likely, "{long:?} {short:?} {still:?}");
    let for_ever =
        Paper { air: Some(pump()), ..lagoon() }.oxygen(ACUTE_MG_L, Before::Night, true).unwrap().range;
    assert!(for_ever.likely >= long.likely);
    // Without a battery the mains' air pump stands too.
    let no_battery = Paper { air: Some(pump()), ..lagoon() }.oxygen_in_an_outage().unwrap().range;
    assert_eq!(no_battery, still);
}

/// The budget in pieces: an hour with air, then still, each by its closed form.
#[test]
fn oxygen_goes_on_from_where_the_air_left_it() {
    let tank = lagoon().oxygen_tank().unwrap();
    let aired = tank.after(Before::Night, Some(&pump()), 1.0).unwrap();
    let still = tank.after(Before::Night, None, 1.0).unwrap();
    assert!(aired.low >= still.low && aired.likely > still.likely);
    let one = tank.time_to_if_air_ends(CHRONIC_MG_L, Before::Night, &pump(), Interval::exact(0.0)).unwrap();
    assert_eq!(one.range, tank.time_to(CHRONIC_MG_L, Before::Night, None).unwrap().range);
}

#[test]
fn an_outage_ends_with_what_comes_first() {
    let heavy =
        Paper { stocking: slackwater_forecast::oxygen::Stocking::Heavy, room: Some(24.0), ..lagoon() };
    assert_eq!(heavy.outage().unwrap().first, Some(End::Oxygen));
    let freezing = Paper { room: Some(-10.0), air: Some(pump()), supply: Some(supply(3.0)), ..lagoon() };
    let outage = freezing.outage().unwrap();
    assert_eq!(outage.first, Some(End::Cold));
    assert!(outage.lasts.range.likely <= freezing.cold_without_heat().unwrap().range.likely);
    // Without a room the cold can't be told, and is said to be left out.
    let no_room = Paper { room: None, ..lagoon() }.outage().unwrap();
    assert_eq!(no_room.without, vec![(End::Cold, CannotSay::Missing("room temperature"))]);
    assert!(matches!(Paper::blank(22.0, 29.0).outage(), Err(CannotSay::Missing(_))));
}

#[test]
fn what_makes_no_tank_is_refused_and_nothing_panics() {
    let odd = [f64::NAN, f64::INFINITY, -1.0, 0.0, 1e12];
    for value in odd {
        let paper = Paper {
            volume: Some(value),
            surface: Some(value),
            water: Some(value),
            room: Some(value),
            heaters: vec![value],
            air: Some(AirPump { air_l_min: value, ..pump() }),
            supply: Some(supply(value)),
            reservoir: Some(value),
            flow: Some(value),
            light: Some(Light { ppfd: value, hours: value }),
            ..lagoon()
        };
        assert!(paper.cold_without_heat().is_err() && paper.outage().is_err(), "{value}");
        for answer in [
            paper.heater_size(),
            paper.warm_with_heater_stuck(),
            paper.coldest_room(value),
            paper.oxygen(ACUTE_MG_L, Before::Day, true),
            paper.evaporation(),
            paper.salinity_after_reservoir(),
            paper.salinity_without_top_off(7.0),
        ] {
            assert!(answer.is_err(), "{value}: {answer:?}");
        }
        let _ = (paper.battery(), paper.turnover(), paper.daily_light());
    }
}

#[test]
fn a_hot_room_ends_an_outage_and_a_cooler_one_never_does() {
    let hot = |room: f64| Paper { hot_room: Some(room), ..lagoon() }.warm_without_power().unwrap().range;
    let (mild, warm, hotter) = (hot(28.0), hot(33.0), hot(38.0));
    // The limit is 29 degC: a room below it can't warm the water past it, whatever the air's damp.
    assert_eq!(mild.low, f64::INFINITY);
    assert!(
        warm.low.is_finite() && hotter.low < warm.low && hotter.likely <= warm.likely,
        "{warm:?} {hotter:?}"
    );
    // Dry air keeps the water below its room: the late end may be never.
    assert_eq!(warm.high, f64::INFINITY);
    let outage = Paper { hot_room: Some(38.0), room: None, water: Some(28.5), ..lagoon() }.outage().unwrap();
    assert!(outage.lasts.range.low <= hotter.low);
    let unknown = lagoon().warm_without_power().unwrap_err();
    assert_eq!(unknown.to_string(), "cannot say: no hottest room");
}

#[test]
fn a_lid_keeps_heat_and_water() {
    let (open, under) = (lagoon(), Paper { lid: true, ..lagoon() });
    let less = |of: fn(&Paper) -> Result<slackwater_forecast::Estimate, CannotSay>| {
        let (open, under) = (of(&open).unwrap().range, of(&under).unwrap().range);
        assert!(
            under.low < open.low && under.likely < open.likely && under.high < open.high,
            "{open:?} {under:?}"
        );
    };
    less(Paper::evaporation);
    less(Paper::heater_size);
    let cold = |paper: &Paper| paper.cold_without_heat().unwrap().range;
    assert!(cold(&under).low > cold(&open).low && cold(&under).likely > cold(&open).likely);
}

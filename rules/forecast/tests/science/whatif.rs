//! Suppositions against what a simulated tank then does: a heater stuck on, a cold room, a chiller
//! or a fan that dies. The tanks are the simulator's; nothing here was used to set a constant.

use crate::identification::{Score, minute, prior};
use crate::simulator::{Cooler, Faults, Random, Simulator, Tank};
use slackwater_forecast::thermal::{Scenario, Side, Thermal};

/// A tank watched for four days, and the model that watched it.
fn watched(seed: u64, change: impl Fn(&mut Tank)) -> (Simulator, Thermal) {
    let mut random = Random::new(seed);
    let mut tank = Tank::any(&mut random);
    tank.gaps_per_day = 0.0;
    change(&mut tank);
    let mut model = Thermal::new(prior(&tank));
    let mut simulator = Simulator::new(tank, random);
    while simulator.minute < 4 * 1_440 + (seed as i64 * 37) % 1_440 {
        minute(&mut simulator, &mut model, 0);
    }
    (simulator, model)
}

/// What a tank's water will be `hours` from now under these faults.
fn later(simulator: &Simulator, faults: &Faults, hours: i64) -> f64 {
    let mut future = simulator.clone();
    future.faults = faults.clone();
    for _ in 0..hours * 60 {
        future.run();
    }
    future.truth()
}

/// Asks for the limit that the tank will meet in `hours`, and scores the answer against them.
fn ask(score: &mut Score, model: &Thermal, side: Side, limit: f64, what_if: &Scenario, hours: i64) {
    let now = model.water().unwrap();
    let far = match side {
        Side::Below => now - limit,
        Side::Above => limit - now,
    };
    // A limit within the probe's own steps is no question.
    if far > 0.3 {
        let answer = model.time_to(side, limit, what_if).map(|estimate| estimate.range);
        score.take(answer, hours as f64);
    }
}

#[test]
fn a_heater_that_never_switches_off_warms_the_tank_when_the_forecast_says() {
    let mut score = Score::default();
    for seed in 20_000..20_040 {
        let (simulator, model) = watched(seed, |_| {});
        let stuck = Faults { stuck_on: true, ..Faults::default() };
        for hours in [2, 4] {
            let limit = later(&simulator, &stuck, hours);
            ask(&mut score, &model, Side::Above, limit, &Scenario::heater_stuck(), hours);
        }
    }
    score.print("heater stuck on");
    assert!(score.asked >= 40 && score.coverage() >= 70.0, "{score:?}");
}

#[test]
fn a_room_that_is_supposed_to_be_cold_cools_the_tank_as_it_then_does() {
    let mut score = Score::default();
    for seed in 20_100..20_140 {
        let (simulator, model) = watched(seed, |_| {});
        let supposed = simulator.room - 8.0;
        let cold = Faults { room: 8.0, heater: 0.0, ..Faults::default() };
        let what_if = Scenario { room: Some(supposed), ..Scenario::no_heat() };
        for hours in [2, 5] {
            let limit = later(&simulator, &cold, hours);
            ask(&mut score, &model, Side::Below, limit, &what_if, hours);
        }
    }
    score.print("a room 8 K colder, no heat");
    assert!(score.asked >= 60 && score.coverage() >= 65.0, "{score:?}");
}

/// Summer: a room warmer than the tank is kept, and what cools it on its own thermostat. Its rate
/// is learned, and its death forecast.
#[test]
fn a_chiller_and_a_fan_are_learned_and_their_death_is_forecast() {
    type Size = fn(&Tank) -> Cooler;
    let coolers: [(&str, Size); 2] = [
        ("chiller", |tank| Cooler::Chiller(0.8 * tank.walls * 6.0 + tank.pumps_w)),
        ("fan", |_| Cooler::Fan(3.0)),
    ];
    for (what, size) in coolers {
        let (mut score, mut rates) = (Score::default(), Vec::new());
        for seed in 20_200..20_240 {
            let (simulator, model) = watched(seed, |tank| {
                tank.room_mean = tank.set + 2.5;
                tank.humidity = 0.5;
                tank.heater_w = 200.0;
                tank.cooler = size(tank);
            });
            if let Cooler::Chiller(watts) = simulator.tank.cooler {
                let capacity = 4_090.0 * (simulator.tank.litres + simulator.tank.sump_litres);
                rates.push((-model.constants().chiller / (watts * 3_600.0 / capacity) - 1.0).abs());
            }
            let dead = Faults { no_cooler: true, ..Faults::default() };
            let what_if = Scenario { chiller: Some(0.0), ..Scenario::now() };
            for hours in [3, 6] {
                let limit = later(&simulator, &dead, hours);
                ask(&mut score, &model, Side::Above, limit, &what_if, hours);
            }
        }
        score.print(what);
        if !rates.is_empty() {
            rates.sort_by(f64::total_cmp);
            println!("chiller's rate: median error {:.0} %", 100.0 * rates[rates.len() / 2]);
            assert!(rates[rates.len() / 2] < 0.25, "{rates:?}");
        }
        assert!(score.asked >= 20 && score.coverage() >= 60.0, "{what}: {score:?}");
    }
}

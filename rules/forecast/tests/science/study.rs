//! The one simulated tank of `identification.csv` and `early_forecast.csv`, as the head of
//! `identify_study.py` specifies it: one node, evaporation, thermostat, daily room, lamp, sensor
//! noise. Other random numbers, so percentiles agree within what a hundred runs leave open.

use crate::identification::percentiles;
use crate::simulator::Random;
use crate::table::Table;
use slackwater_forecast::regression::Regression;
use slackwater_forecast::thermal::{Heater, Prior, Scenario, Side, Thermal, ThermalInput};
use slackwater_time::Moment;

const CAPACITY: f64 = 1.0233e6;
const STEP_S: f64 = 10.0;

fn vapour(celsius: f64) -> f64 {
    0.61078 * (17.27 * celsius / (celsius + 237.3)).exp()
}

fn loss(water: f64, room: f64) -> f64 {
    19.0 * (water - room) + 0.6 * 44.5 * (0.981 * vapour(water) - 0.5 * vapour(room))
}

fn probe(random: &mut Random, celsius: f64) -> f64 {
    ((celsius + 0.03 * random.normal()) / 0.0625).round() * 0.0625
}

/// One minute as the study samples it: the water at its end, means of the rest.
struct Sample {
    water: f64,
    heater: f64,
    room: f64,
    lamp: f64,
}

fn a_while(random: &mut Random, hours: i64) -> Vec<Sample> {
    let mut water = 25.5 + random.between(-0.15, 0.15);
    let (mut on, mut wander) = (random.chance(0.4), 0.2 * random.normal());
    let start = random.between(0.0, 24.0);
    let keep = (-STEP_S / 3_600.0f64).exp();
    let steps = (60.0 / STEP_S) as i64;
    (0..hours * 60)
        .map(|minute| {
            let (mut heater, mut room, mut lamp) = (0.0, 0.0, 0.0);
            for step in 0..steps {
                let hour = (start + (minute * steps + step) as f64 * STEP_S / 3_600.0) % 24.0;
                wander = keep * wander + (1.0 - keep * keep).sqrt() * 0.2 * random.normal();
                let now = 20.5 + 1.5 * (std::f64::consts::TAU * (hour - 15.0) / 24.0).cos() + wander;
                let seen = water + 0.02 * random.normal();
                on = if seen < 25.35 {
                    true
                } else if seen > 25.65 {
                    false
                } else {
                    on
                };
                let lit = (10.0..20.0).contains(&hour);
                let heat = 200.0 * f64::from(u8::from(on)) + 25.0 + 30.0 * f64::from(u8::from(lit));
                water += STEP_S / CAPACITY * (heat - loss(water, now));
                heater += f64::from(u8::from(on)) / steps as f64;
                room += now / steps as f64;
                lamp += f64::from(u8::from(lit)) / steps as f64;
            }
            Sample { water: probe(random, water + 0.3), heater, room, lamp }
        })
        .collect()
}

/// The study's block regression: blocks of `m` minutes, triangular weights for minute-end samples.
fn blocks(samples: &[Sample], m: usize, with_lamp: bool) -> [f64; 4] {
    let mut regression = Regression::new([(1e6, 0.0); 4], 1.0, 1.0);
    for pair in (0..samples.len() / m - 1).map(|block| &samples[block * m..(block + 2) * m]) {
        let mean = |part: &[Sample]| part.iter().map(|sample| sample.water).sum::<f64>() / m as f64;
        let mut x = [0.0; 4];
        for (i, sample) in pair.iter().enumerate() {
            let weight = if i <= m { i } else { 2 * m - i } as f64 / (m * m) as f64;
            let lamp = if with_lamp { sample.lamp } else { 0.0 };
            let row = [sample.room - sample.water, sample.heater, 1.0, lamp];
            x.iter_mut().zip(row).for_each(|(x, value)| *x += weight * value);
        }
        regression.learn(&x, (mean(&pair[m..]) - mean(&pair[..m])) * 60.0 / m as f64, 1.0);
    }
    regression.constants()
}

/// What a plain least squares on raw minutes does: noise in the regressor.
fn minutes(samples: &[Sample]) -> [f64; 4] {
    let mut regression = Regression::new([(1e6, 0.0); 4], 1.0, 1.0);
    for pair in samples.windows(2) {
        let x = [pair[1].room - pair[0].water, pair[1].heater, 1.0, 0.0];
        regression.learn(&x, (pair[1].water - pair[0].water) * 60.0, 1.0);
    }
    regression.constants()
}

/// Slope of heater-on less slope of heater-off phases with the lamp off, K/h: the first five
/// minutes of each left out, at least fifteen, weighted by the cube of their length.
fn heater_rate_by_phases(samples: &[Sample]) -> f64 {
    let slope = |on: f64| {
        let (mut sum, mut weight) = (0.0, 0.0);
        let fits = |sample: &Sample| (sample.heater - on).abs() < 1e-9 && sample.lamp == 0.0;
        for phase in samples.chunk_by(|one, other| fits(one) == fits(other)).filter(|phase| fits(&phase[0])) {
            if phase.len() >= 20 {
                let points: Vec<(f64, f64)> = phase[5..]
                    .iter()
                    .enumerate()
                    .map(|(i, sample)| (i as f64 / 60.0, sample.water))
                    .collect();
                let n = (points.len() as f64).powi(3);
                sum += line(&points).1 * n;
                weight += n;
            }
        }
        sum / weight
    };
    slope(1.0) - slope(0.0)
}

/// The least-squares line: its value at 0 and its slope.
fn line(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len() as f64;
    let (x, y) = points.iter().fold((0.0, 0.0), |(x, y), point| (x + point.0 / n, y + point.1 / n));
    let (square, product) = points
        .iter()
        .fold((0.0, 0.0), |(s, p), point| (s + (point.0 - x).powi(2), p + (point.0 - x) * (point.1 - y)));
    (y - product / square * x, product / square)
}

/// numpy, 100 runs a row. The same estimators on our own random numbers, within what a hundred runs
/// leave open: their own scatter over repeated studies is 1 to 3 points from a day on, and a
/// multiple of it in six hours.
#[test]
fn each_method_errs_as_the_study_found() {
    let slope = (loss(25.51, 20.0) - loss(25.49, 20.0)) / 0.02;
    let (tau, rate) = (CAPACITY / slope / 3_600.0, 200.0 / CAPACITY * 3_600.0);
    assert!((tau - 11.808).abs() < 0.002 && (rate - 0.7036).abs() < 1e-4, "{tau} {rate}");
    let table = Table::read(include_str!("../data/identification.csv"));
    type Method = (&'static str, fn(&[Sample]) -> [f64; 4]);
    let methods: [Method; 4] = [
        ("arx_1min", minutes),
        ("arx_30min", |samples| blocks(samples, 30, false)),
        ("arx_60min", |samples| blocks(samples, 60, false)),
        ("arx_30min_light", |samples| blocks(samples, 30, true)),
    ];
    let mut seen = 0;
    for hours in [6, 24, 72] {
        let mut random = Random::new(1_000 + hours as u64);
        let runs: Vec<Vec<Sample>> = (0..100).map(|_| a_while(&mut random, hours)).collect();
        let row = |method: &str| {
            let of = |row: &crate::table::Row<'_>| {
                row.text("method") == method && row.get("window_h") == hours as f64
            };
            table.rows().find(of)
        };
        let compare =
            |row: &crate::table::Row<'_>, columns: [&str; 3], mut errors: Vec<f64>, tolerance: f64| {
                let [low, _, middle, _, high] = percentiles(&mut errors);
                row.is(columns[1], middle as f64, tolerance);
                if hours > 6 {
                    row.is(columns[0], low as f64, tolerance);
                    row.is(columns[2], high as f64, tolerance);
                }
            };
        for (method, fit) in methods {
            let Some(row) = row(method) else { continue };
            let found: Vec<[f64; 4]> = runs.iter().map(|run| fit(run)).collect();
            let taus = found.iter().map(|c| 100.0 * (1.0 / c[0] / tau - 1.0)).collect();
            let rates = found.iter().map(|c| 100.0 * (c[1] / rate - 1.0)).collect();
            compare(&row, ["tau_p5", "tau_p50", "tau_p95"], taus, if hours > 6 { 5.0 } else { 12.0 });
            compare(&row, ["rate_p5", "rate_p50", "rate_p95"], rates, if hours > 6 { 4.0 } else { 5.0 });
            seen += 1;
        }
        let row = row("phase_slope_linear").unwrap();
        let rates = runs.iter().map(|run| 100.0 * (heater_rate_by_phases(run) / rate - 1.0));
        let rates: Vec<f64> = rates.filter(|error| error.is_finite()).collect();
        compare(&row, ["rate_p5", "rate_p50", "rate_p95"], rates, 4.0);
        seen += 1;
    }
    assert_eq!(seen, 14, "rows of the table");
}

/// What a free exponential says of the hours until 22 degC: three constants fitted to the points,
/// its rate over all that is possible; infinite if it bends the wrong way or settles above.
fn free_exponential(points: &[(f64, f64)]) -> f64 {
    // For each rate the other two constants are a line in exp(-k x).
    let fit = |k: f64| {
        let bent: Vec<(f64, f64)> = points.iter().map(|(x, y)| (((-k * x).exp() - 1.0) / -k, *y)).collect();
        let (start, slope) = line(&bent);
        let error = bent.iter().map(|(x, y)| (y - start - slope * x).powi(2)).sum::<f64>();
        (error, start, slope)
    };
    let best_of = |from: f64, step: f64, count: i32| {
        let rates = (0..count).map(|i| from + f64::from(i) * step);
        rates.map(|k| (fit(k).0, k)).min_by(|one, other| one.0.total_cmp(&other.0)).unwrap().1
    };
    let coarse = best_of(-2.975, 0.05, 240);
    let best = best_of(coarse - 0.0475, 0.005, 20);
    let (_, start, slope) = fit(best);
    // T = start + slope (1 - exp(-k x)) / k
    let settles = start + slope / best;
    if best <= 0.0 || settles >= 22.0 || slope >= 0.0 {
        return f64::INFINITY;
    }
    ((start - settles) / (22.0 - settles)).ln() / best
}

/// Hours until 22 degC, three ways, from the first `minutes` of an outage at 25.5 degC.
struct Early {
    line: f64,
    to_room: f64,
    free: f64,
    ours: (f64, f64),
}

fn early(random: &mut Random, room: impl Fn(f64) -> f64, minutes: i64) -> Early {
    let mut model = Thermal::new(Prior::unknown());
    let (mut water, mut points) = (25.5, Vec::new());
    let at = |minute: i64| Moment(minute * 60_000);
    model.input(at(0), ThermalInput::Heater(Heater::First), 0.0);
    model.input(at(0), ThermalInput::Room, room(0.0));
    for minute in 1..=minutes {
        for step in 0..6 {
            let hours = (minute - 1) as f64 / 60.0 + f64::from(step) * STEP_S / 3_600.0;
            water -= STEP_S / CAPACITY * loss(water, room(hours));
        }
        let seen = probe(random, water);
        model.input(at(minute), ThermalInput::Room, room(minute as f64 / 60.0));
        model.temperature(at(minute), seen);
        points.push((minute as f64 / 60.0, seen));
    }
    let (from, rate) = line(&points);
    let gone = minutes as f64 / 60.0;
    let range =
        model.time_to(Side::Below, 22.0, &Scenario::no_power()).map(|estimate| estimate.range).unwrap();
    Early {
        line: (22.0 - from) / rate,
        to_room: (from - 18.0) / -rate * ((from - 18.0) / 4.0).ln(),
        free: free_exponential(&points),
        ours: (gone + range.low, gone + range.high),
    }
}

/// numpy, 100 runs a row; the straight line and the exponential to the room reproduced within 0.25
/// h, the free exponential after two hours within 0.4 h and before in that its late end is "never".
/// (Its fit has several minima; scipy's stops in one of them, ours looks at all, so the table's
/// other percentiles are not compared.) Our early end, from a model that knows nothing of the tank,
/// is early in at least 95 % of runs from 60 min on.
#[test]
fn early_in_an_outage_the_straight_line_is_early_and_so_is_our_early_end() {
    type Room = fn(f64) -> f64;
    let rooms: [(&str, Room); 2] = [
        ("room_constant_18", |_| 18.0),
        ("room_falls_18_to_8_in_20h", |hours| 8.0 + 10.0 * (-hours / 20.0).exp()),
    ];
    let table = Table::read(include_str!("../data/early_forecast.csv"));
    for (case, room) in rooms {
        for minutes in [30, 60, 120] {
            let mut random = Random::new(7 + minutes as u64);
            let runs: Vec<Early> = (0..60).map(|_| early(&mut random, room, minutes)).collect();
            let row = |method: &str| {
                let of = table.rows().find(|row| {
                    row.text("case") == case
                        && row.text("method") == method
                        && row.get("minutes_seen") == minutes as f64
                });
                of.unwrap()
            };
            let middle = |of: fn(&Early) -> f64| {
                let mut all: Vec<f64> = runs.iter().map(of).collect();
                all.sort_by(f64::total_cmp);
                all[all.len() / 2]
            };
            row("linear").is("p50_h", middle(|run| run.line), 0.25);
            row("room_asymptote").is("p50_h", middle(|run| run.to_room), 0.25);
            // The free exponential fails as the study found: in the first hour its late end is
            // "never".
            let mut free: Vec<f64> = runs.iter().map(|run| run.free).collect();
            free.sort_by(f64::total_cmp);
            let at = |share: usize| free[(free.len() * share / 100).min(free.len() - 1)];
            println!("{case} {minutes} min: free exponential {:.2} {:.2} {:.2} h", at(5), at(50), at(95));
            match minutes {
                120 => row("free_exponential").is("p50_h", at(50), 0.4),
                _ => assert!(at(95).is_infinite() && row("free_exponential").get("p95_h") == 999.0),
            }
            let truth = row("linear").get("true_h");
            let early = runs.iter().filter(|run| run.ours.0 <= truth).count();
            let held = runs.iter().filter(|run| run.ours.0 <= truth && truth <= run.ours.1).count();
            println!("{case} {minutes} min: early end early in {early} of 60, truth inside in {held}");
            assert!(minutes < 60 || early >= 57, "{case} {minutes} min: early in {early} of 60");
            assert!(held >= 42, "{case} {minutes} min: inside in {held} of 60");
        }
    }
}

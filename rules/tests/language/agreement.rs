//! Random conditions over random histories: the engine and the naive evaluator say the same at
//! every moment at which the engine asked, three-valued results included.

use crate::naive::{Cond, History, Of, Val, truth};
use crate::site::{START, Site};
use std::fmt::Write;

/// SplitMix64: the same seed gives the same night.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % sides
    }

    fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.roll(of.len() as u64) as usize]
    }
}

const SPANS: [i64; 7] = [60_000, 90_000, 300_000, 600_000, 1_800_000, 3_600_000, 14_400_000];

/// A number of watts that looks at the present.
fn watts(dice: &mut Dice, depth: u32) -> Val {
    let sensor = Val::Sensor(dice.roll(2) as usize);
    if depth == 0 {
        return sensor;
    }
    match dice.roll(4) {
        0 => Val::Sum(Box::new(watts(dice, depth - 1)), Box::new(sensor)),
        1 => Val::Difference(Box::new(watts(dice, depth - 1)), Box::new(sensor)),
        _ => sensor,
    }
}

/// A condition that looks at the present.
fn present(dice: &mut Dice, depth: u32) -> Cond {
    let limit = 5.0 + 10.0 * dice.roll(4) as f64;
    let part = |dice: &mut Dice| present(dice, depth - 1);
    match dice.roll(if depth == 0 { 4 } else { 9 }) {
        0 => Cond::Is(2 + dice.roll(2) as usize, dice.roll(2) == 0),
        1 => Cond::Less(watts(dice, 1), limit, "W"),
        2 => Cond::More(watts(dice, 1), 10.0 * dice.roll(4) as f64, "W"),
        3 => Cond::Between(watts(dice, 1), 10.0, limit + 10.0, "W"),
        4 | 5 => Cond::All(vec![part(dice), part(dice)]),
        6 => Cond::Any(vec![part(dice), part(dice)]),
        7 => {
            let ratio = Val::Ratio(Box::new(watts(dice, 1)), Box::new(watts(dice, 0)));
            Cond::More(ratio, 0.5 + dice.roll(3) as f64 / 2.0, "")
        }
        _ => Cond::Not(Box::new(part(dice))),
    }
}

/// A comparison of a window.
fn window(dice: &mut Dice) -> Cond {
    let over = dice.pick(&SPANS);
    let lag = if dice.roll(4) == 0 { over * (1 + dice.roll(3) as i64) / 2 } else { 0 };
    let seconds = over as f64 / 1_000.0;
    let share = (1 + dice.roll(9)) as f64 / 10.0;
    let number = dice.pick(&["mean", "median", "lowest", "highest", "swing", "slope", "total"]);
    let truth = dice.pick(&["duty", "total", "count of changes", "count of spells", "longest spell"]);
    let (what, of, limit, unit) = match dice.roll(5) {
        0 | 1 => {
            let (limit, unit) = match number {
                "total" => (30.0 * share * seconds, "J"),
                "slope" => (300.0 * (share - 0.45), "W/h"),
                _ => (30.0 * share, "W"),
            };
            (number, Of::Val(watts(dice, 1)), limit, unit)
        }
        2 => ("count of changes", Of::Word(2 + dice.roll(2) as usize), 1.0 + dice.roll(6) as f64, ""),
        _ => {
            let (limit, unit) = match truth {
                "duty" => (100.0 * share, "%"),
                "total" | "longest spell" => (share * seconds, "s"),
                _ => (1.0 + dice.roll(6) as f64, ""),
            };
            (truth, Of::Cond(present(dice, 1)), limit, unit)
        }
    };
    let val = Val::Window { what, of: Box::new(of), over, lag };
    if dice.roll(2) == 0 { Cond::Less(val, limit, unit) } else { Cond::More(val, limit, unit) }
}

fn any(dice: &mut Dice, depth: u32) -> Cond {
    let length = dice.pick(&SPANS);
    let boxed = |dice: &mut Dice| Box::new(present(dice, 1));
    match dice.roll(if depth == 0 { 9 } else { 12 }) {
        0 | 1 => window(dice),
        2 => Cond::HasBeen(boxed(dice), length),
        3 => Cond::After(boxed(dice), length),
        4 => Cond::Then(boxed(dice), boxed(dice), length),
        5 => match dice.roll(4) {
            0 => Cond::Silent(dice.roll(4) as usize, length),
            1 => Cond::Frozen(dice.roll(2) as usize, length),
            2 => Cond::NotGood(dice.roll(4) as usize, length),
            _ => Cond::Time(dice.roll(1_440) as i64, dice.roll(1_440) as i64),
        },
        6 => Cond::Below {
            sensor: dice.roll(2) as usize,
            // Never a limit that a mean could meet but for rounding.
            percent: 7 + 10 * dice.roll(9) as i64,
            what: dice.pick(&["mean", "median", "lowest", "highest"]),
            over: length,
            lag: if dice.roll(2) == 0 { length } else { 0 },
        },
        7 | 8 => present(dice, 2),
        9 => Cond::Not(Box::new(any(dice, depth - 1))),
        10 => Cond::All(vec![any(dice, depth - 1), any(dice, depth - 1)]),
        _ => Cond::Any(vec![any(dice, depth - 1), any(dice, depth - 1)]),
    }
}

fn name(sensor: usize) -> &'static str {
    crate::site::SENSORS[sensor]
}

fn say_val(val: &Val) -> String {
    match val {
        Val::Sensor(sensor) => name(*sensor).to_owned(),
        Val::Sum(a, b) => format!("({} + {})", say_val(a), say_val(b)),
        Val::Difference(a, b) => format!("({} - {})", say_val(a), say_val(b)),
        Val::Ratio(a, b) => format!("{} / {}", say_val(a), say_val(b)),
        Val::Window { what, of, over, lag } => {
            let of = match &**of {
                Of::Val(val) => say_val(val),
                Of::Cond(cond) => format!("({})", say(cond)),
                Of::Word(sensor) => name(*sensor).to_owned(),
            };
            format!("{what} of {of} over {over} ms{}", say_lag(*lag))
        }
    }
}

fn say_lag(lag: i64) -> String {
    if lag == 0 { String::new() } else { format!(", lagged {lag} ms") }
}

fn say(cond: &Cond) -> String {
    let join = |parts: &[Cond], joint: &str| {
        let parts: Vec<_> = parts.iter().map(|part| format!("({})", say(part))).collect();
        parts.join(joint)
    };
    match cond {
        Cond::All(parts) => join(parts, " and "),
        Cond::Any(parts) => join(parts, " or "),
        Cond::Not(inner) => format!("not ({})", say(inner)),
        Cond::Less(val, limit, unit) => format!("{} < {limit} {unit}", say_val(val)),
        Cond::More(val, limit, unit) => format!("{} > {limit} {unit}", say_val(val)),
        Cond::Between(val, low, high, unit) => {
            format!("{} is between {low} {unit} and {high} {unit}", say_val(val))
        }
        Cond::Is(sensor, on) => format!("{} is {}", name(*sensor), if *on { "on" } else { "off" }),
        Cond::Silent(sensor, length) => format!("{} is silent for {length} ms", name(*sensor)),
        Cond::Frozen(sensor, length) => format!("{} is frozen for {length} ms", name(*sensor)),
        Cond::NotGood(sensor, length) => format!("{} is not good for {length} ms", name(*sensor)),
        Cond::HasBeen(what, length) => format!("({}) has been true for {length} ms", say(what)),
        Cond::After(what, within) => format!("within {within} ms after ({})", say(what)),
        Cond::Then(first, second, within) => {
            format!("({}) then ({}) within {within} ms", say(first), say(second))
        }
        Cond::Below { sensor, percent, what, over, lag } => {
            let lag = say_lag(*lag);
            format!("{} is {percent} % below its {what} over {over} ms{lag}", name(*sensor))
        }
        Cond::Time(from, until) => {
            let clock = |minutes: i64| format!("{:02}:{:02}", minutes % 1_440 / 60, minutes % 60);
            format!("time is between {} and {}", clock(*from), clock(*until))
        }
    }
}

/// Sensors that a condition needs, so that a reading of one of them makes the engine ask.
fn needs(cond: &Cond, sensor: usize) -> bool {
    let text = say(cond);
    text.split(|c: char| !c.is_alphanumeric()).any(|word| word == name(sensor))
}

/// Plays one night, and says how often engine and evaluator were compared and found true,
/// false, unknown.
fn night(seed: u64, events: usize) -> [usize; 3] {
    let mut dice = Dice(seed);
    let conditions: Vec<Cond> = (0..5).map(|_| any(&mut dice, 1)).collect();
    let conditions: Vec<Cond> = conditions
        .into_iter()
        .filter(|cond| match Site::new(&[say(cond)]) {
            Ok(_) => true,
            // What can never change is refused, rightly.
            Err(report) => {
                let known = ["is always true", "can never be true", "different times"];
                assert!(known.iter().any(|known| report.contains(known)), "{report}");
                false
            }
        })
        .collect();
    let texts: Vec<String> = conditions.iter().map(say).collect();
    let mut site = Site::new(&texts).expect("each of them is right");
    let mut history: History = Vec::new();
    let mut seen = [0; 3];
    let mut at = START;
    let mut pace = 20_000;
    let mut word = |site: &Site, history: &History, at: i64, index: usize| {
        let naive = truth(history, &conditions[index], at);
        let (place, expected) = match naive {
            Some(true) => (0, "true"),
            Some(false) => (1, "false"),
            None => (2, "unknown"),
        };
        seen[place] += 1;
        if site.truth(index) != expected {
            let mut said = String::new();
            for (time, sensor, value) in history.iter().rev().take(12).rev() {
                let _ = writeln!(said, "{} ms ago {} said {value:?}", at - time, name(*sensor));
            }
            panic!(
                "seed {seed}, {} s after the start: `{}` should be {expected}\n{}{said}",
                (at - START) as f64 / 1_000.0,
                texts[index],
                site.explain(index)
            );
        }
    };
    for _ in 0..events {
        if dice.roll(12) == 0 {
            pace = dice.pick(&[5_000, 20_000, 60_000, 150_000]);
        }
        at += 1 + dice.roll(pace) as i64;
        site.pass(at, |site, when, index| word(site, &history, when, index));
        let sensor = dice.roll(4) as usize;
        let value = match dice.roll(15) {
            0 => None,
            _ if sensor < 2 => Some(10.0 * dice.roll(4) as f64),
            _ => Some(dice.roll(2) as f64),
        };
        let payload = match value {
            None => "?".to_owned(),
            Some(value) if sensor < 2 => value.to_string(),
            Some(value) => if value == 1.0 { "on" } else { "off" }.to_owned(),
        };
        history.push((at, sensor, value));
        site.hear(sensor, &payload);
        for index in (0..texts.len()).filter(|index| needs(&conditions[*index], sensor)) {
            word(&site, &history, at, index);
        }
    }
    seen
}

#[test]
fn the_engine_agrees_with_an_evaluator_that_keeps_the_whole_history() {
    let mut seen = [0; 3];
    for seed in 0..80 {
        let night = night(seed, 90);
        seen = [seen[0] + night[0], seen[1] + night[1], seen[2] + night[2]];
    }
    // Each of the three must have had its say, or nothing was shown.
    assert!(seen.iter().all(|count| *count > 2_000), "true, false, unknown: {seen:?}");
}

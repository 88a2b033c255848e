//! The naive evaluator: the whole history in a list, every question answered by walking through
//! all of it. Written from the reference, not from the engine; slow on purpose. Forecasts stand
//! outside of it: their answers are a model's, held against simulated tanks in
//! `forecast/tests/science` and `tests/forecasts`.

use crate::site::{STALE, START};

/// What a sensor said, and when: a number (words: 1 on, 0 off), or something unreadable.
pub(crate) type History = Vec<(i64, usize, Option<f64>)>;

/// A number.
#[derive(Clone, Debug)]
pub(crate) enum Val {
    Sensor(usize),
    Sum(Box<Val>, Box<Val>),
    Difference(Box<Val>, Box<Val>),
    Ratio(Box<Val>, Box<Val>),
    Window { what: &'static str, of: Box<Of>, over: i64, lag: i64 },
}

/// What a window looks at.
#[derive(Clone, Debug)]
pub(crate) enum Of {
    Val(Val),
    Cond(Cond),
    Word(usize),
}

/// A condition.
#[derive(Clone, Debug)]
pub(crate) enum Cond {
    All(Vec<Cond>),
    Any(Vec<Cond>),
    Not(Box<Cond>),
    Less(Val, f64, &'static str),
    More(Val, f64, &'static str),
    Between(Val, f64, f64, &'static str),
    Is(usize, bool),
    Silent(usize, i64),
    Frozen(usize, i64),
    NotGood(usize, i64),
    HasBeen(Box<Cond>, i64),
    After(Box<Cond>, i64),
    Then(Box<Cond>, Box<Cond>, i64),
    Below { sensor: usize, percent: i64, what: &'static str, over: i64, lag: i64 },
    Time(i64, i64),
}

type Truth = Option<bool>;

/// Of what size a number is known to be.
type Bounds = (f64, f64);
const UNKNOWN: Bounds = (f64::NEG_INFINITY, f64::INFINITY);

/// The value in force.
fn reading(history: &History, sensor: usize, at: i64) -> Option<f64> {
    let last =
        history.iter().rev().find(|(time, of, value)| *time <= at && *of == sensor && value.is_some())?;
    (at - last.0 <= STALE).then_some(last.2?)
}

fn val(history: &History, it: &Val, at: i64) -> Bounds {
    let exact = |value: Option<f64>| value.map_or(UNKNOWN, |value| (value, value));
    let both = |a: &Val, b: &Val| (val(history, a, at), val(history, b, at));
    match it {
        Val::Sensor(sensor) => exact(reading(history, *sensor, at)),
        Val::Sum(a, b) => {
            let (a, b) = both(a, b);
            (a.0 + b.0, a.1 + b.1)
        }
        Val::Difference(a, b) => {
            let (a, b) = both(a, b);
            (a.0 - b.1, a.1 - b.0)
        }
        Val::Ratio(a, b) => match both(a, b) {
            (a, b) if a.0 == a.1 && b.0 == b.1 && b.0 != 0.0 => (a.0 / b.0, a.0 / b.0),
            _ => UNKNOWN,
        },
        Val::Window { what, of, over, lag } => window(history, what, of, *over, *lag, at),
    }
}

/// Everything that `of` was, from the start until `at`: since when, and what.
fn steps(history: &History, of: &Of, at: i64) -> Vec<(i64, Option<f64>)> {
    let mut times = vec![START];
    for (time, _, _) in history.iter().filter(|(time, ..)| *time <= at) {
        times.extend([*time, time + STALE + 1].into_iter().filter(|time| *time <= at));
    }
    times.sort_unstable();
    times.dedup();
    let value = |time: i64| match of {
        Of::Val(it) => Some(val(history, it, time)).filter(|(low, high)| low == high).map(|bounds| bounds.0),
        Of::Cond(it) => truth(history, it, time).map(|truth| if truth { 1.0 } else { 0.0 }),
        Of::Word(sensor) => reading(history, *sensor, time),
    };
    times.into_iter().map(|time| (time, value(time))).collect()
}

fn window(history: &History, what: &str, of: &Of, over: i64, lag: i64, at: i64) -> Bounds {
    // Reference, "Windows": 240 parts, below an hour of 15 s, never fewer than 12.
    let grain = (over / 240).max(15_000.min(over / 12));
    let edge = at.div_euclid(grain) * grain;
    let parts = (over + grain - 1) / grain;
    let end = edge - (lag + grain - 1) / grain * grain;
    let (first, last) = (end - parts * grain, if lag == 0 { at } else { end });
    let all = steps(history, of, at);
    let pieces: Vec<(i64, i64, Option<f64>)> = all
        .iter()
        .enumerate()
        .map(|(index, (since, value))| {
            let until = all.get(index + 1).map_or(at, |next| next.0);
            ((*since).clamp(first, last), until.clamp(first, last), *value)
        })
        .collect();
    let length = (last - first) as f64;
    let known: i64 = pieces.iter().filter(|piece| piece.2.is_some()).map(|piece| piece.1 - piece.0).sum();
    let missing = length - known as f64;
    let enough = known > 0 && missing <= 0.25 * length;
    let integral: f64 =
        pieces.iter().filter_map(|(from, to, value)| Some((to - from) as f64 / 1_000.0 * (*value)?)).sum();
    // Of what was in force at any time in it.
    let inside = |index: usize| {
        let until = all.get(index + 1).map_or(i64::MAX, |next| next.0);
        until > first && if lag == 0 { true } else { all[index].0 < last }
    };
    let values: Vec<f64> =
        all.iter().enumerate().filter(|(index, _)| inside(*index)).filter_map(|(_, step)| step.1).collect();
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let exactly = |value: f64| (value, value);
    let at_least = |value: f64| if enough { exactly(value) } else { (value, f64::INFINITY) };
    let in_window = |time: i64| first <= time && if lag == 0 { time <= last } else { time < last };

    match what {
        "mean" | "duty" if enough => exactly(integral / (known as f64 / 1_000.0)),
        "mean" => UNKNOWN,
        "duty" => (integral * 1_000.0 / length, (integral * 1_000.0 + missing) / length),
        "total" if enough => exactly(integral),
        "total" if matches!(of, Of::Cond(_)) => (integral, integral + missing / 1_000.0),
        "total" => UNKNOWN,
        "lowest" if enough => exactly(low),
        "lowest" => (f64::NEG_INFINITY, low),
        "highest" if enough => exactly(high),
        "highest" => (high, f64::INFINITY),
        "swing" if values.is_empty() => (0.0, f64::INFINITY),
        "swing" => at_least(high - low),
        "count of changes" => {
            let mut before = None;
            let mut count = 0;
            for (time, value) in all.iter().filter_map(|(time, value)| Some((*time, (*value)?))) {
                count += usize::from(before.is_some_and(|before| before != value) && in_window(time));
                before = Some(value);
            }
            at_least(count as f64)
        }
        "count of spells" => {
            let (mut before, mut count) = (None, 0);
            for (time, value) in all.iter().filter_map(|(time, value)| Some((*time, (*value)?))) {
                count +=
                    usize::from(before.is_none_or(|before| before == 0.0) && value == 1.0 && in_window(time));
                before = Some(value);
            }
            // One that had begun before.
            let opened = all.iter().rev().find(|(time, _)| *time < first).and_then(|step| step.1);
            at_least((count + usize::from(opened == Some(1.0))) as f64)
        }
        "longest spell" => {
            let (mut run, mut longest) = (0, 0);
            for (from, to, value) in &pieces {
                run = if *value == Some(1.0) { run + to - from } else { 0 };
                longest = longest.max(run);
            }
            at_least(longest as f64 / 1_000.0)
        }
        "median" | "slope" if !enough => UNKNOWN,
        "median" | "slope" => {
            let part = |index: i64| {
                let (from, to) = (end - (parts - index) * grain, end - (parts - index - 1) * grain);
                let cut =
                    pieces.iter().map(|piece| (piece.0.clamp(from, to), piece.1.clamp(from, to), piece.2));
                let cut: Vec<_> = cut.filter_map(|(a, b, value)| Some(((b - a) as f64, value?))).collect();
                let weight: f64 = cut.iter().map(|cut| cut.0).sum();
                (weight > 0.0).then(|| {
                    (index as f64, cut.iter().map(|cut| cut.0 * cut.1).sum::<f64>() / weight, weight)
                })
            };
            let means: Vec<_> = (0..parts).filter_map(part).collect();
            let centre = if what == "median" { median(means) } else { slope(&means, grain) };
            centre.map_or(UNKNOWN, exactly)
        }
        other => panic!("no aggregate {other}"),
    }
}

fn median(mut means: Vec<(f64, f64, f64)>) -> Option<f64> {
    means.sort_by(|a, b| a.1.total_cmp(&b.1));
    let all: f64 = means.iter().map(|mean| mean.2).sum();
    let mut below = 0.0;
    for (index, (_, mean, weight)) in means.iter().enumerate() {
        below += weight;
        if below * 2.0 == all && index + 1 < means.len() {
            return Some((mean + means[index + 1].1) / 2.0);
        }
        if below * 2.0 >= all {
            return Some(*mean);
        }
    }
    None
}

/// By the normal equations, instead of deviations from the means.
fn slope(means: &[(f64, f64, f64)], grain: i64) -> Option<f64> {
    let sum = |of: fn(&(f64, f64, f64)) -> f64| means.iter().map(of).sum::<f64>();
    let (w, x, y) = (sum(|m| m.2), sum(|m| m.2 * m.0), sum(|m| m.2 * m.1));
    let (xx, xy) = (sum(|m| m.2 * m.0 * m.0), sum(|m| m.2 * m.0 * m.1));
    let below = w * xx - x * x;
    (means.len() > 1).then(|| (w * xy - x * y) / below / (grain as f64 / 1_000.0))
}

/// Watts, joules and seconds are base units; the others are not.
fn base(limit: f64, unit: &str) -> f64 {
    match unit {
        "%" => limit / 100.0,
        "W/h" => limit / 3_600.0,
        _ => limit,
    }
}

fn holds(less: bool, left: Bounds, right: Bounds) -> Truth {
    let (a, b) = if less { (left, right) } else { (right, left) };
    if a.1 < b.0 {
        Some(true)
    } else if a.0 >= b.1 {
        Some(false)
    } else {
        None
    }
}

fn and(a: Truth, b: Truth) -> Truth {
    if a == Some(false) || b == Some(false) { Some(false) } else { a.zip(b).map(|(a, b)| a && b) }
}

fn all(parts: impl Iterator<Item = Truth>) -> Truth {
    let mut so_far = Some(true);
    for part in parts {
        so_far = and(so_far, part);
    }
    so_far
}

/// Every truth of a condition from the start until `at`.
fn truths(history: &History, it: &Cond, at: i64) -> Vec<(i64, Truth)> {
    let steps = steps(history, &Of::Cond(it.clone()), at);
    steps.into_iter().map(|(time, value)| (time, value.map(|value| value == 1.0))).collect()
}

/// Whether it was so at any time after `then` and until `at`; before the start it was unknown.
fn was(steps: &[(i64, Truth)], truth: Truth, then: i64, at: i64) -> bool {
    let until = |index: usize| steps.get(index + 1).map_or(i64::MAX, |next| next.0);
    let so = |index: usize| steps[index].1 == truth && until(index) > then && steps[index].0 <= at;
    (truth.is_none() && START > then) || (0..steps.len()).any(so)
}

/// When it came true: from false, perhaps through unknown.
fn onsets(steps: &[(i64, Truth)]) -> Vec<i64> {
    let mut before = None;
    let mut found = Vec::new();
    for (time, truth) in steps.iter().filter_map(|(time, truth)| Some((*time, (*truth)?))) {
        if truth && before == Some(false) {
            found.push(time);
        }
        before = Some(truth);
    }
    found
}

pub(crate) fn truth(history: &History, it: &Cond, at: i64) -> Truth {
    let point = |value: f64| (value, value);
    match it {
        Cond::All(parts) => all(parts.iter().map(|part| truth(history, part, at))),
        Cond::Any(parts) => {
            let none = all(parts.iter().map(|part| truth(history, part, at).map(|truth| !truth)));
            none.map(|none| !none)
        }
        Cond::Not(inner) => truth(history, inner, at).map(|truth| !truth),
        Cond::Less(left, right, unit) => holds(true, val(history, left, at), point(base(*right, unit))),
        Cond::More(left, right, unit) => holds(false, val(history, left, at), point(base(*right, unit))),
        Cond::Between(value, low, high, _) => {
            let value = val(history, value, at);
            let no_less = holds(true, value, point(*low)).map(|less| !less);
            and(no_less, holds(false, value, point(*high)).map(|more| !more))
        }
        Cond::Is(sensor, on) => reading(history, *sensor, at).map(|said| (said == 1.0) == *on),
        Cond::Silent(sensor, length) => {
            let heard = history.iter().rev().find(|(time, of, _)| *of == *sensor && *time <= at);
            Some(at - heard.map_or(START, |heard| heard.0) >= *length)
        }
        Cond::NotGood(sensor, length) => {
            let good = |(time, of, value): &&(i64, usize, Option<f64>)| {
                *of == *sensor && *time <= at && value.is_some()
            };
            Some(at - history.iter().rev().find(good).map_or(START, |good| good.0) >= *length)
        }
        Cond::Frozen(sensor, length) => {
            let said: Vec<_> = history
                .iter()
                .filter(|(time, of, value)| *of == *sensor && *time <= at && value.is_some())
                .collect();
            let last = said.last().filter(|last| at - last.0 <= STALE)?;
            let mut since = last.0;
            for pair in said.windows(2).rev() {
                if pair[0].2 != pair[1].2 || pair[1].0 - pair[0].0 > STALE {
                    break;
                }
                since = pair[0].0;
            }
            Some(at - since >= *length)
        }
        Cond::HasBeen(what, length) => {
            let steps = truths(history, what, at);
            if was(&steps, Some(false), at - length, at) {
                Some(false)
            } else {
                (!was(&steps, None, at - length, at)).then_some(true)
            }
        }
        Cond::After(what, within) => {
            let steps = truths(history, what, at);
            if onsets(&steps).last().is_some_and(|onset| *onset > at - within) {
                Some(true)
            } else {
                (!was(&steps, None, at - within, at)).then_some(false)
            }
        }
        Cond::Then(first, second, within) => {
            let (first, second) = (truths(history, first, at), truths(history, second, at));
            if second.last()?.1? {
                let came = *onsets(&second).last()?;
                if second.iter().any(|(time, truth)| *time > came && *truth == Some(false)) {
                    return None;
                }
                let before = onsets(&first).into_iter().rev().find(|onset| *onset <= came);
                match before {
                    Some(onset) if came - onset <= *within => Some(true),
                    _ if was(&first, None, came - within, came) => None,
                    _ => Some(false),
                }
            } else {
                Some(false)
            }
        }
        Cond::Below { sensor, percent, what, over, lag } => {
            let (low, high) = window(history, what, &Of::Val(Val::Sensor(*sensor)), *over, *lag, at);
            let factor = 1.0 - *percent as f64 / 100.0;
            let limit =
                if low.is_finite() || high.is_finite() { (low * factor, high * factor) } else { UNKNOWN };
            let value = val(history, &Val::Sensor(*sensor), at);
            // At most: not more.
            holds(false, value, limit).map(|more| !more)
        }
        Cond::Time(from, until) => {
            // 10:00 at the start, in minutes of the day.
            let now = (600 + (at - START) / 60_000) % 1_440;
            Some(if from < until { (*from..*until).contains(&now) } else { now >= *from || now < *until })
        }
    }
}

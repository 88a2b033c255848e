//! An estimate in words for people: `about 5 to 8 h`, `between 6 h and never`. The early end
//! is rounded down and the late end up, on steps that widen with the value, so that no digit
//! is shown that is not known. Everything that is shown to people goes through here.

use super::interval::{CannotSay, Estimate, Interval, Origin};

/// Times past this read as "more than 3 days": no model here holds longer.
pub const HORIZON_H: f64 = 72.0;

/// A time in hours: `about 5 to 8 h`, `about 20 to 40 min`, `between 6 h and never`, `never`.
pub fn time(range: Interval) -> String {
    if range.low > HORIZON_H {
        return if range.low.is_finite() { "more than 3 days".to_owned() } else { "never".to_owned() };
    }
    let (low, low_unit) = step(range.low, f64::floor);
    if range.high > HORIZON_H {
        let late = if range.likely.is_finite() { "more than 3 days" } else { "never" };
        return if range.low <= 0.0 {
            format!("between now and {late}")
        } else {
            format!("between {low} {low_unit} and {late}")
        };
    }
    let (high, high_unit) = step(range.high, f64::ceil);
    if range.high <= 0.0 {
        "now".to_owned()
    } else if range.low <= 0.0 || low == "0" {
        format!("at most {high} {high_unit}")
    } else if low_unit != high_unit {
        format!("about {low} {low_unit} to {high} {high_unit}")
    } else if low == high {
        format!("about {high} {high_unit}")
    } else {
        format!("about {low} to {high} {high_unit}")
    }
}

/// When something will come, as people say it behind the thing: `in about 2.5 to 8 h`, `at any
/// time, in 23 h at the latest`, `not before 3 h from now`. None if that says nothing, or that it
/// does not come.
pub fn ahead(range: Interval) -> Option<String> {
    if range.low > HORIZON_H || (range.low <= 0.0 && range.high > HORIZON_H) {
        return None;
    }
    let (low, low_unit) = step(range.low, f64::floor);
    if range.high > HORIZON_H {
        return (low != "0").then(|| format!("not before {low} {low_unit} from now"));
    }
    let (high, high_unit) = step(range.high, f64::ceil);
    Some(match range.high <= 0.0 {
        true => "now".to_owned(),
        false if range.low <= 0.0 || low == "0" => {
            format!("at any time, in {high} {high_unit} at the latest")
        }
        false => format!("in {}", time(range)),
    })
}

/// A time with where it most likely lies: `about 5 to 8 h, most likely 6 h`.
pub fn time_and_likely(range: Interval) -> String {
    let whole = time(range);
    if range.low == range.high || range.likely > HORIZON_H || range.low > HORIZON_H || range.likely <= 0.0 {
        return whole;
    }
    let (likely, unit) = step(range.likely, f64::round);
    format!("{whole}, most likely {likely} {unit}")
}

/// The steps a time is shown in: 5 min below an hour, half hours to 3 h, then hours, then days.
fn step(hours: f64, round: fn(f64) -> f64) -> (String, &'static str) {
    let hours = hours.max(0.0);
    let to = |value: f64, step: f64| {
        // A value that stands on a step stays there in spite of its last bits.
        let steps = value / step;
        if (steps - steps.round()).abs() < 1e-6 { steps.round() * step } else { round(steps) * step }
    };
    let minutes = to(hours * 60.0, 5.0);
    if minutes < 60.0 {
        return (format!("{minutes:.0}"), "min");
    }
    let (hours, unit) = match hours {
        h if h < 3.0 => (to(h, 0.5), "h"),
        h if h < 36.0 => (to(h, 1.0), "h"),
        h => (to(h / 24.0, 1.0), "days"),
    };
    (if hours.fract() == 0.0 { format!("{hours:.0}") } else { format!("{hours:.1}") }, unit)
}

/// A value with its unit, on a step no finer than a quarter of the range's width, the low end
/// rounded down and the high end up: `about 15.5 to 18 degC`. The unit may be empty.
pub fn value(range: Interval, unit: &str) -> String {
    let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    let tenth = |value: f64| step_under(value.abs() / 10.0);
    match (range.low.is_finite(), range.high.is_finite()) {
        (true, true) => {}
        (true, false) => {
            return format!("at least {}{unit}", on_step(range.low, tenth(range.low), f64::floor));
        }
        (false, true) => {
            return format!("at most {}{unit}", on_step(range.high, tenth(range.high), f64::ceil));
        }
        (false, false) => return "anything".to_owned(),
    }
    let step = value_step(range);
    if range.high - range.low < step {
        return format!("about {}{unit}", on_step(range.likely, step, f64::round));
    }
    let (low, high) = (on_step(range.low, step, f64::floor), on_step(range.high, step, f64::ceil));
    format!("about {low} to {high}{unit}")
}

/// A value with where it most likely lies: `about 15.5 to 18 degC, most likely 16.5`.
pub fn value_and_likely(range: Interval, unit: &str) -> String {
    let whole = value(range, unit);
    let step = value_step(range);
    if !(range.low.is_finite() && range.high.is_finite()) || range.high - range.low < step {
        return whole;
    }
    format!("{whole}, most likely {}", on_step(range.likely, step, f64::round))
}

/// The step a finite range is shown on: no finer than two parts in a hundred of the value, since no
/// figure here is better known than that.
fn value_step(range: Interval) -> f64 {
    let width = (range.high - range.low).max(range.likely.abs() * 0.02);
    step_under(width / 4.0)
}

/// The largest of 1, 2, 5 times a power of ten that is not over `most`.
fn step_under(most: f64) -> f64 {
    if most.is_nan() || most <= 0.0 {
        return 1.0;
    }
    let power = 10f64.powf(most.log10().floor());
    [5.0, 2.0, 1.0].into_iter().map(|size| size * power).find(|step| *step <= most).unwrap_or(power)
}

fn on_step(value: f64, step: f64, round: fn(f64) -> f64) -> String {
    let places = (-step.log10().floor()).max(0.0) as usize;
    let steps = value / step;
    let steps = if (steps - steps.round()).abs() < 1e-6 { steps.round() } else { round(steps) };
    // Adding zero turns a negative zero into a plain one.
    format!("{:.places$}", steps * step + 0.0)
}

/// What it rests on, in one line: `measured: room temperature; assumed: evaporation`.
pub fn rests_on(estimate: &Estimate) -> String {
    let mut text = String::new();
    let mut last: Option<Origin> = None;
    for basis in &estimate.rests_on {
        if last == Some(basis.origin) {
            text.push_str(", ");
        } else {
            if last.is_some() {
                text.push_str("; ");
            }
            text.push_str(&format!("{}: ", basis.origin));
        }
        text.push_str(basis.what);
        last = Some(basis.origin);
    }
    text
}

/// A whole line about a time: `about 5 to 8 h until 22 degC if nothing changes`, or why not.
pub fn until(answer: &Result<Estimate, CannotSay>, what: &str, condition: &str) -> String {
    match answer {
        Ok(estimate) if estimate.range.high <= 0.0 => format!("{what} now"),
        Ok(estimate) if estimate.range.low.is_infinite() => format!("never {what} {condition}"),
        Ok(estimate) => format!("{} until {what} {condition}", time(estimate.range)),
        Err(reason) => reason.to_string(),
    }
}

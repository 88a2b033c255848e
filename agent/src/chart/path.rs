//! Paths in as few letters as they need: whole units, one after the other by their differences.

use std::fmt::Write as _;

/// The units of a path's height; its width is its own.
pub(super) const HIGH: f64 = 400.0;

/// A line through points of whole units.
pub(super) fn line(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let mut path = String::new();
    let mut last: Option<(i64, i64)> = None;
    let mut first_step = true;
    for (x, y) in points {
        let (x, y) = (x.round() as i64, y.round() as i64);
        match last {
            None => {
                let _ = write!(path, "M{x} {y}");
            }
            Some((before_x, before_y)) => {
                let (dx, dy) = (x - before_x, y - before_y);
                if dx == 0 && dy == 0 {
                    continue;
                }
                path.push(if std::mem::take(&mut first_step) { 'l' } else { ' ' });
                // A minus sign parts two numbers as well as a blank does.
                let _ = if dy < 0 { write!(path, "{dx}{dy}") } else { write!(path, "{dx} {dy}") };
            }
        }
        last = Some((x, y));
    }
    // A single point is a dot: a line of no length has round ends.
    if first_step && last.is_some() {
        path.push_str("h1");
    }
    path
}

/// From value to value without a slope.
pub(super) fn steps(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let mut path = String::new();
    let mut last: Option<(i64, i64)> = None;
    for (x, y) in points {
        let (x, y) = (x.round() as i64, y.round() as i64);
        let _ = match last {
            None => write!(path, "M{x} {y}"),
            Some((_, before)) if before == y => Ok(()),
            Some(_) => write!(path, "H{x}V{y}"),
        };
        last = Some((x, y));
    }
    if let Some((x, _)) = last {
        let _ = write!(path, "H{}", x + 1);
    }
    path
}

/// An area between two lines.
pub(super) fn area(upper: impl IntoIterator<Item = (f64, f64)>, lower: Vec<(f64, f64)>) -> String {
    let around = upper.into_iter().chain(lower.into_iter().rev());
    line(around) + "z"
}

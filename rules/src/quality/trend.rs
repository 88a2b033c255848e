//! Where a sensor's number is going: a mark every few minutes of the last hour flows in, and how
//! much it moves in an hour flows out. For people who look; nothing is decided by it.

use crate::time::{Moment, Span};

/// Between two marks.
const STEP: Span = Span::minutes(5);
/// So many marks are kept: the last hour.
const MARKS: usize = 13;
/// What was seen for less than this shows no trend yet.
const LEAST: Span = Span::minutes(15);
/// Marks that are further apart than this are not of one stretch.
const GAP: Span = Span::minutes(15);

/// The marks, the oldest first.
#[derive(Clone, Debug, Default)]
pub(super) struct Trend {
    marks: Vec<(Moment, f64)>,
}

impl Trend {
    /// A good reading.
    pub(super) fn note(&mut self, at: Moment, value: f64) {
        match self.marks.last() {
            Some((last, _)) if at - *last < STEP => return,
            Some((last, _)) if at - *last > GAP => self.marks.clear(),
            Some(_) | None => {}
        }
        if self.marks.len() >= MARKS {
            self.marks.remove(0);
        }
        self.marks.push((at, value));
    }

    /// How much it moves in an hour, base units: from the mean of the older half to that of the
    /// younger, so that a thermostat's swing is no trend. None if too little was seen.
    pub(super) fn per_hour(&self, now: (Moment, f64)) -> Option<f64> {
        let marks: Vec<(Moment, f64)> = self.marks.iter().copied().chain([now]).collect();
        let ((first, _), (last, _)) = (*marks.first()?, *marks.last()?);
        let newest = self.marks.last()?.0;
        if last - first < LEAST || last - newest > GAP {
            return None;
        }
        let (older, younger) = marks.split_at(marks.len() / 2);
        let middle = |half: &[(Moment, f64)]| {
            let count = half.len() as f64;
            let hours = half.iter().map(|(at, _)| (*at - first).as_seconds() / 3_600.0).sum::<f64>();
            (hours / count, half.iter().map(|(_, value)| value).sum::<f64>() / count)
        };
        let ((before, low), (after, high)) = (middle(older), middle(younger));
        (after > before).then(|| (high - low) / (after - before))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(minutes: std::ops::Range<i64>, value: impl Fn(f64) -> f64) -> Option<f64> {
        let mut trend = Trend::default();
        let at = |minute: i64| Moment(0) + Span::minutes(minute);
        let last = minutes.end;
        for minute in minutes {
            trend.note(at(minute), value(minute as f64));
        }
        trend.per_hour((at(last), value(last as f64)))
    }

    #[test]
    fn water_that_cools_evenly_shows_its_rate() {
        let rate = seen(0..60, |minute| 25.0 - 0.7 * minute / 60.0).expect("a trend");
        assert!((rate + 0.7).abs() < 1e-9, "{rate}");
    }

    #[test]
    fn ten_minutes_show_no_trend_and_a_gap_begins_anew() {
        assert_eq!(seen(0..10, |_| 25.0), None);
        let mut trend = Trend::default();
        (0..12).for_each(|five| trend.note(Moment(0) + Span::minutes(five * 5), 25.0));
        let late = Moment(0) + Span::minutes(120);
        trend.note(late, 20.0);
        assert_eq!(trend.per_hour((late, 20.0)), None);
    }

    #[test]
    fn a_thermostats_swing_is_hardly_a_trend() {
        let swing = |minute: f64| 25.0 + 0.15 * (minute / 10.0 * std::f64::consts::TAU).sin();
        let rate = seen(0..60, swing).expect("a trend");
        assert!(rate.abs() < 0.2, "{rate}");
    }
}

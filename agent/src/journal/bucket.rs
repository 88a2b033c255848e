//! One minute of one sensor: what readings add up to, and how two parts of the same minute become
//! one.

use slackwater_rules::reading::Value;

/// What believed readings said in a minute.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Values {
    /// Numbers, base units.
    Numbers {
        /// The lowest.
        lowest: f64,
        /// The mean of the readings, each counting the same.
        mean: f64,
        /// The highest.
        highest: f64,
        /// The last.
        last: f64,
    },
    /// Words, by their place in the sensor's mapping.
    Words {
        /// The first.
        first: u16,
        /// The last.
        last: u16,
        /// How often a word differed from the one before, within the minute.
        changes: u32,
    },
}

/// A minute of the boot's monotonic clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Bucket {
    /// Since the clock began.
    pub(super) minute: i64,
    /// How many readings were believed.
    pub(super) count: u32,
    /// How many were not.
    pub(super) rejected: u32,
    pub(super) values: Option<Values>,
}

impl Bucket {
    pub(super) fn new(minute: i64) -> Self {
        Self { minute, count: 0, rejected: 0, values: None }
    }

    pub(super) fn add(&mut self, value: Value) {
        let values = match value {
            Value::Number(x) => Values::Numbers { lowest: x, mean: x, highest: x, last: x },
            Value::Word(word) => Values::Words { first: word, last: word, changes: 0 },
        };
        self.complete(&Self { count: 1, rejected: 0, values: Some(values), ..*self });
    }

    /// Adds what was said later in the same minute.
    pub(super) fn complete(&mut self, later: &Self) {
        self.rejected = self.rejected.saturating_add(later.rejected);
        let Some(added) = later.values else { return };
        let (count, whole) = (self.count, self.count.saturating_add(later.count));
        (self.count, self.values) = match (self.values, added) {
            (
                Some(Values::Numbers { lowest, mean, highest, .. }),
                Values::Numbers { lowest: low, mean: middle, highest: high, last },
            ) => {
                let mean = match later.count {
                    1 => mean + (middle - mean) / f64::from(whole),
                    _ => (mean * f64::from(count) + middle * f64::from(later.count)) / f64::from(whole),
                };
                (
                    whole,
                    Some(Values::Numbers { lowest: lowest.min(low), mean, highest: highest.max(high), last }),
                )
            }
            (
                Some(Values::Words { first, last: before, changes }),
                Values::Words { first: next, last, changes: more },
            ) => {
                let changes = changes.saturating_add(more).saturating_add(u32::from(before != next));
                (whole, Some(Values::Words { first, last, changes }))
            }
            // The first of the minute, or of a sensor that a new plan reads in another way.
            (None, _)
            | (Some(Values::Numbers { .. }), Values::Words { .. })
            | (Some(Values::Words { .. }), Values::Numbers { .. }) => (later.count, Some(added)),
        };
    }
}

/// All of them in order of time, each minute once: what stands later in the list was said later.
pub(super) fn in_order(mut buckets: Vec<Bucket>) -> Vec<Bucket> {
    buckets.sort_by_key(|bucket| bucket.minute);
    buckets.dedup_by(|later, first| {
        let same = later.minute == first.minute;
        if same {
            first.complete(later);
        }
        same
    });
    buckets
}

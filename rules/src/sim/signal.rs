//! What a simulated sensor says: the same again and again, or a number on its way to another, with
//! as much noise as is asked for. The noise is the same in every run.

use crate::plan::SensorId;
use crate::reading::Value;
use crate::time::{Moment, Span};

/// Who speaks.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum SignalOrigin {
    /// A sensor of the plan; its values need no reading.
    Sensor(SensorId),
    /// A topic; its payloads are read by whatever listens to it.
    Topic(String),
}

/// What is said.
#[derive(Clone, Debug, PartialEq)]
pub enum Saying {
    /// These bytes, for a topic.
    Payload(String),
    /// This word, by its place among the sensor's words.
    Word(u16),
    /// A number, base units, that comes from `from` to `to`.
    Number {
        /// Where it begins.
        from: f64,
        /// Where it comes to.
        to: f64,
        /// When it begins.
        since: Moment,
        /// How long it takes; nothing is a step.
        over: Span,
        /// Largest deviation, base units.
        noise: f64,
    },
    /// A number that goes up and down as a thermostat switches: nothing, and this much.
    Cycle {
        /// While it is on, base units.
        high: f64,
        /// For how long of each period.
        on: Span,
        /// How long both last together.
        period: Span,
        /// Largest deviation, base units.
        noise: f64,
    },
}

impl Saying {
    /// This value from now on.
    pub fn value(value: Value) -> Self {
        match value {
            Value::Word(word) => Self::Word(word),
            Value::Number(to) => {
                Self::Number { from: to, to, since: Moment(0), over: Span::ZERO, noise: 0.0 }
            }
        }
    }
}

/// A sensor that speaks by itself.
#[derive(Clone, Debug)]
pub struct SimSignal {
    /// What it says.
    pub says: Saying,
    /// How often.
    pub every: Span,
    /// When next.
    pub next: Moment,
    /// How often it has spoken: where its noise stands.
    pub count: u64,
}

impl SimSignal {
    /// The number that it comes to at this time, noise included; none if it says words or bytes.
    pub fn number(&self, now: Moment) -> Option<f64> {
        self.number_within(now, None)
    }

    /// The same, with noise that stays within what the sensor can say, if what it comes to does.
    pub(super) fn number_within(&self, now: Moment, range: Option<(f64, f64)>) -> Option<f64> {
        let (level, noise) = match self.says {
            Saying::Number { from, to, since, over, noise } => {
                let gone = now - since;
                let part = gone.as_seconds() / over.as_seconds();
                (if gone >= over { to } else { from + (to - from) * part }, noise)
            }
            Saying::Cycle { high, on, period, noise } => {
                let at = Span((now - Moment(0)).0.rem_euclid(period.0.max(1)));
                (if at < on { high } else { 0.0 }, noise)
            }
            Saying::Payload(_) | Saying::Word(_) => return None,
        };
        let said = if noise > 0.0 { level + noise * scatter(self.count) } else { level };
        Some(match range.filter(|(low, high)| (*low..=*high).contains(&level)) {
            Some((low, _)) if said < low => (2.0 * low - said).min(level.max(low)),
            Some((_, high)) if said > high => (2.0 * high - said).max(level.min(high)),
            Some(_) | None => said,
        })
    }
}

/// The same sequence in every run, from -1 to 1.
fn scatter(nth: u64) -> f64 {
    let bits = crate::ids::mix(nth) >> 11;
    bits as f64 / (1_u64 << 52) as f64 - 1.0
}

//! Another number for a limit of an alarm's condition, in the unit that the keeper wrote: the
//! condition as written comes in, the condition checked anew comes out. So no value is tried that
//! a rule file could not hold.

use crate::condition::{Condition, Written};
use crate::plan::{Alarm, At, Plan};
use std::fmt;

/// Why there is no such condition.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LimitError {
    /// Nothing in it is compared with a number.
    None {
        /// The condition.
        when: String,
    },
    /// There are several, or none of this name.
    Which {
        /// What was asked for.
        asked: String,
        /// What there is: `lagoon-temp` and `26 degC`.
        known: Vec<(String, String)>,
    },
    /// The condition with this number is mistaken.
    Wrong {
        /// The condition.
        when: String,
        /// What is wrong with it.
        why: String,
    },
}

impl fmt::Display for LimitError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::None { when } => write!(f, "`{when}` compares nothing with a number: it has no limit"),
            Self::Which { asked, known } => {
                let known: Vec<_> = known.iter().map(|(name, value)| format!("`{name}` ({value})")).collect();
                write!(f, "`{asked}` is not one limit of this alarm; its limits are: {}", known.join(", "))
            }
            Self::Wrong { when, why } => write!(f, "`{when}` can't be a condition: {why}"),
        }
    }
}

impl std::error::Error for LimitError {}

/// The alarm with another number as its limit. `name` is `limit` for the only one; else what is
/// compared (`lagoon-temp`), for a range followed by the end (`lagoon-temp low`).
pub fn with_limit(plan: &Plan, alarm: &Alarm, name: &str, number: f64) -> Result<Alarm, LimitError> {
    let wrong = |when: String, why: String| LimitError::Wrong { when, why };
    let mut written =
        Written::parse(&alarm.written).map_err(|finding| wrong(alarm.written.clone(), finding.title))?;
    let mut known = Vec::new();
    each(&mut written, &mut |name, limit| known.push((name, limit.to_string())));
    if known.is_empty() {
        return Err(LimitError::None { when: alarm.written.clone() });
    }
    let fits = known.iter().enumerate().filter(|(_, (known, _))| name == "limit" || known == name);
    let fits: Vec<usize> = fits.map(|(at, _)| at).collect();
    let [fit] = fits[..] else { return Err(LimitError::Which { asked: name.to_owned(), known }) };
    let mut at = 0;
    each(&mut written, &mut |_, limit| {
        if let (true, Written::Quantity { number: old, .. }) = (at == fit, limit) {
            *old = number;
        }
        at += 1;
    });
    let text = written.it.to_string();
    let condition = Condition::parse(&text, &plan.scope()).map_err(|findings| {
        let said = findings.into_iter().map(|it| format!("{} ({})", it.title, it.label));
        wrong(text.clone(), said.collect::<Vec<_>>().join("; "))
    })?;
    Ok(Alarm { condition, written: text, ..alarm.clone() })
}

/// Every number that something is compared with, with a name for it, in the order of the text.
fn each(part: &mut At<Written>, take: &mut dyn FnMut(String, &mut Written)) {
    let number = |part: &At<Written>| matches!(part.it, Written::Quantity { .. });
    match &mut part.it {
        Written::All(parts) | Written::Any(parts) => parts.iter_mut().for_each(|part| each(part, take)),
        Written::Not(inner) => each(inner, take),
        Written::Then { first, second, .. } => {
            each(first, take);
            each(second, take);
        }
        Written::After { what, .. } | Written::HasBeen { what, .. } => each(what, take),
        Written::Compare { left, right, .. } => match (number(left), number(right)) {
            (false, true) => take(left.it.to_string(), &mut right.it),
            (true, false) => take(right.it.to_string(), &mut left.it),
            (true, true) | (false, false) => {}
        },
        Written::Range { subject, low, high, .. } => {
            for (end, name) in [(low, "low"), (high, "high")] {
                if number(end) {
                    take(format!("{} {name}", subject.it), &mut end.it);
                }
            }
        }
        // What is compared here is a rate, a share or a length of time, and not a value.
        Written::Baseline { .. }
        | Written::Moves { .. }
        | Written::Is { .. }
        | Written::Lapse { .. }
        | Written::Commanded { .. }
        | Written::Photoperiod(_)
        | Written::Time { .. }
        | Written::Day(_)
        | Written::Until { .. }
        | Written::Shows { .. }
        | Written::Holds { .. }
        | Written::Sum(..)
        | Written::Difference(..)
        | Written::Ratio(..)
        | Written::Aggregate { .. }
        | Written::Volume(_)
        | Written::Name(_)
        | Written::Quantity { .. } => {}
    }
}

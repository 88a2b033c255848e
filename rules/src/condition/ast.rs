//! A condition as written: a tree that keeps the place of every part and says nothing yet about
//! what the names mean. It prints as text that reads back as the same tree.

use super::{Aggregate, Comparison, Lapse, Supposed, WrittenSubject};
use crate::diagnostic::At;
use crate::site::Hours;
use crate::time::Span;
use std::fmt;

/// A condition, or a part of one, as written.
#[derive(Clone, Debug, PartialEq)]
pub enum Written {
    /// `… and …`
    All(Vec<At<Written>>),
    /// `… or …`
    Any(Vec<At<Written>>),
    /// `not …`
    Not(Box<At<Written>>),
    /// `… then … within 5 min`
    Then {
        /// What comes first.
        first: Box<At<Written>>,
        /// What follows.
        second: Box<At<Written>>,
        /// How soon.
        within: Box<At<Written>>,
    },
    /// `within 10 min after …`
    After {
        /// How long it counts.
        within: Box<At<Written>>,
        /// What came true.
        what: Box<At<Written>>,
    },
    /// `… has been off for 10 min`
    HasBeen {
        /// What has held.
        what: Box<At<Written>>,
        /// For how long.
        length: Box<At<Written>>,
    },
    /// `… < …`
    Compare {
        /// Left of the sign.
        left: Box<At<Written>>,
        /// The sign.
        order: Comparison,
        /// Right of the sign.
        right: Box<At<Written>>,
    },
    /// `… is between … and …`, or `… is outside … to …`
    Range {
        /// What is compared.
        subject: Box<At<Written>>,
        /// The lower end.
        low: Box<At<Written>>,
        /// The upper end.
        high: Box<At<Written>>,
        /// Outside instead of between.
        outside: bool,
    },
    /// `… is 30 % below its median over 14 d, lagged 1 week`
    Baseline {
        /// What is compared with its own past.
        subject: Box<At<Written>>,
        /// By how much.
        by: Box<At<Written>>,
        /// Above instead of below.
        above: bool,
        /// What of its past.
        what: Aggregate,
        /// Over how long.
        over: Box<At<Written>>,
        /// How long ago the window ends.
        lag: Option<Box<At<Written>>>,
    },
    /// `… rises faster than 1 K/h over 30 min`
    Moves {
        /// What moves.
        subject: Box<At<Written>>,
        /// Up instead of down.
        rises: bool,
        /// How fast.
        rate: Box<At<Written>>,
        /// Over how long.
        over: Box<At<Written>>,
    },
    /// `… is on`
    Is {
        /// What is said to be so.
        subject: Box<At<Written>>,
        /// The word.
        word: At<String>,
    },
    /// `… is silent for 5 min`, `… is frozen for 2 h`, `… is not good for 5 min`
    Lapse {
        /// In which way it says nothing.
        lapse: Lapse,
        /// What says nothing.
        subject: Box<At<Written>>,
        /// For how long.
        length: Box<At<Written>>,
    },
    /// `… is commanded on`
    Commanded {
        /// The relay.
        subject: Box<At<Written>>,
        /// On or off.
        word: At<String>,
    },
    /// `… is in its photoperiod`
    Photoperiod(Box<At<Written>>),
    /// `time is between 22:00 and 07:30`, or `time is outside 22:00 to 07:30`
    Time {
        /// The stretch.
        hours: Hours,
        /// Outside instead of between.
        outside: bool,
    },
    /// `day is saturday`
    Day(At<String>),
    /// `time until … is under 6 h`
    Until {
        /// Until when.
        subject: WrittenSubject,
        /// What to suppose.
        supposing: Vec<Supposed>,
        /// Over instead of under.
        over: bool,
        /// How soon.
        length: Box<At<Written>>,
    },
    /// `lagoon shows no-heat`
    Shows {
        /// The tank.
        subject: Box<At<Written>>,
        /// What it shows.
        sign: At<String>,
    },
    /// `lagoon can hold 24 degC in a room of 15 degC on its spare`
    Holds {
        /// The tank.
        subject: Box<At<Written>>,
        /// What is held.
        set: Box<At<Written>>,
        /// How cold the room is.
        room: Box<At<Written>>,
        /// On which heater alone.
        on: Option<At<String>>,
    },
    /// `… + …`
    Sum(Box<At<Written>>, Box<At<Written>>),
    /// `… - …`
    Difference(Box<At<Written>>, Box<At<Written>>),
    /// `… / …`
    Ratio(Box<At<Written>>, Box<At<Written>>),
    /// `mean of … over 1 h`
    Aggregate {
        /// What is made of it.
        what: Aggregate,
        /// Of what.
        of: Box<At<Written>>,
        /// Over how long.
        over: Box<At<Written>>,
        /// How long ago the window ends.
        lag: Option<Box<At<Written>>>,
    },
    /// `volume of lagoon`
    Volume(At<String>),
    /// A sensor's name.
    Name(String),
    /// `22 degC`
    Quantity {
        /// The number.
        number: f64,
        /// The unit; may be empty, and may be no unit at all.
        unit: String,
    },
}

/// The grammar's levels, the loosest first.
const ALL: u8 = 1;
const NOT: u8 = 2;
const THEN: u8 = 3;
pub(super) const RELATION: u8 = 4;
const SUM: u8 = 5;
const RATIO: u8 = 6;
const PART: u8 = 7;

impl Written {
    /// How tightly the parts hold together.
    pub(super) fn level(&self) -> u8 {
        match self {
            Self::Any(_) => 0,
            Self::All(_) => ALL,
            Self::Not(inner) if inner.it.is().is_some() => RELATION,
            Self::Not(_) => NOT,
            Self::Then { .. } => THEN,
            Self::After { .. }
            | Self::HasBeen { .. }
            | Self::Compare { .. }
            | Self::Range { .. }
            | Self::Baseline { .. }
            | Self::Moves { .. }
            | Self::Is { .. }
            | Self::Lapse { .. }
            | Self::Commanded { .. }
            | Self::Photoperiod(_)
            | Self::Time { .. }
            | Self::Day(_)
            | Self::Until { .. }
            | Self::Shows { .. }
            | Self::Holds { .. } => RELATION,
            Self::Sum(..) | Self::Difference(..) => SUM,
            Self::Ratio(..) => RATIO,
            Self::Aggregate { .. } | Self::Volume(_) | Self::Name(_) | Self::Quantity { .. } => PART,
        }
    }

    /// What stands before `is` and behind it, for what is denied by `is not`.
    fn is(&self) -> Option<(String, String)> {
        let (subject, said) = match self {
            Self::Is { subject, word } => (subject, word.it.clone()),
            Self::Range { subject, low, high, outside } => (subject, range(low, high, *outside)),
            Self::Baseline { subject, by, above, what, over, lag } => {
                let side = if *above { "above" } else { "below" };
                let lag = lagged(lag.as_deref());
                (subject, format!("{} {side} its {what} over {}{lag}", by.it, over.it))
            }
            // What is denied already can't be denied by `is not` once more.
            Self::Lapse { lapse: Lapse::NotGood, .. } => return None,
            Self::Lapse { lapse, subject, length } => (subject, format!("{lapse} for {}", length.it)),
            Self::Commanded { subject, word } => (subject, format!("commanded {}", word.it)),
            Self::Photoperiod(subject) => (subject, "in its photoperiod".to_owned()),
            Self::Day(word) => return Some(("day".to_owned(), word.it.clone())),
            _ => return None,
        };
        Some((Held(subject, SUM).to_string(), said))
    }

    /// The subject and what is said of it, for what `has been` can say without parentheses.
    fn predicate(&self) -> Option<(String, String)> {
        match self {
            // `(…) has been true` speaks of a condition.
            Self::Is { subject, word } if word.it == "true" && !matches!(subject.it, Self::Name(_)) => None,
            Self::Compare { left, order, right } => {
                Some((Held(left, SUM).to_string(), format!("{order} {}", Held(right, SUM))))
            }
            Self::Is { .. } | Self::Range { .. } | Self::Commanded { .. } | Self::Photoperiod(_) => self.is(),
            Self::Not(inner) => match inner.it.predicate() {
                Some((subject, said)) if !matches!(inner.it, Self::Not(_)) => {
                    Some((subject, format!("not {said}")))
                }
                _ if matches!(inner.it, Self::Name(_)) => None,
                _ => Some((format!("({})", inner.it), "not true".to_owned())),
            },
            _ => None,
        }
    }
}

/// A part that gets parentheses unless it holds together at least this tightly.
struct Held<'w>(&'w At<Written>, u8);

impl fmt::Display for Held<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self(part, least) = self;
        if part.it.level() < *least { write!(f, "({})", part.it) } else { write!(f, "{}", part.it) }
    }
}

fn range(low: &At<Written>, high: &At<Written>, outside: bool) -> String {
    let (low, high) = (Held(low, SUM), Held(high, SUM));
    if outside { format!("outside {low} to {high}") } else { format!("between {low} and {high}") }
}

fn lagged(lag: Option<&At<Written>>) -> String {
    lag.map_or(String::new(), |lag| format!(", lagged {}", lag.it))
}

fn join(f: &mut fmt::Formatter<'_>, parts: &[At<Written>], joint: &str, least: u8) -> fmt::Result {
    for (index, part) in parts.iter().enumerate() {
        if index > 0 {
            write!(f, " {joint} ")?;
        }
        write!(f, "{}", Held(part, least))?;
    }
    Ok(())
}

impl fmt::Display for Written {
    /// Text that reads back as the same tree, with no more parentheses than it takes.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Any(parts) => join(f, parts, "or", ALL),
            Self::All(parts) => join(f, parts, "and", NOT),
            Self::Not(inner) => match inner.it.is() {
                Some((subject, said)) => write!(f, "{subject} is not {said}"),
                None => write!(f, "not {}", Held(inner, NOT)),
            },
            Self::Then { first, second, within } => {
                write!(f, "{} then {} within {}", Held(first, RELATION), Held(second, RELATION), within.it)
            }
            Self::After { within, what } => {
                write!(f, "within {} after {}", within.it, Held(what, RELATION))
            }
            Self::HasBeen { what, length } => match what.it.predicate() {
                Some((subject, said)) => write!(f, "{subject} has been {said} for {}", length.it),
                None => write!(f, "({}) has been true for {}", what.it, length.it),
            },
            Self::Compare { left, order, right } => {
                write!(f, "{} {order} {}", Held(left, SUM), Held(right, SUM))
            }
            Self::Moves { subject, rises, rate, over } => {
                let verb = if *rises { "rises" } else { "falls" };
                write!(f, "{} {verb} faster than {} over {}", Held(subject, SUM), rate.it, over.it)
            }
            Self::Lapse { lapse: lapse @ Lapse::NotGood, subject, length } => {
                write!(f, "{} is {lapse} for {}", Held(subject, SUM), length.it)
            }
            Self::Is { .. }
            | Self::Range { .. }
            | Self::Baseline { .. }
            | Self::Lapse { .. }
            | Self::Commanded { .. }
            | Self::Photoperiod(_)
            | Self::Day(_) => {
                let (subject, said) = self.is().unwrap_or_default();
                write!(f, "{subject} is {said}")
            }
            Self::Time { hours, outside } => {
                let clock = |time: jiff::civil::Time| format!("{:02}:{:02}", time.hour(), time.minute());
                let (from, until) = (clock(hours.from), clock(hours.until));
                match outside {
                    true => write!(f, "time is outside {from} to {until}"),
                    false => write!(f, "time is between {from} and {until}"),
                }
            }
            Self::Until { subject, supposing, over, length } => {
                write!(f, "time until {subject}")?;
                for supposed in supposing {
                    write!(f, " {supposed}")?;
                }
                write!(f, " is {} {}", if *over { "over" } else { "under" }, length.it)
            }
            Self::Shows { subject, sign } => write!(f, "{} shows {}", Held(subject, SUM), sign.it),
            Self::Holds { subject, set, room, on } => {
                write!(f, "{} can hold {} in a room of {}", Held(subject, SUM), set.it, room.it)?;
                on.as_ref().map_or(Ok(()), |on| write!(f, " on its {}", on.it))
            }
            Self::Sum(left, right) => write!(f, "{} + {}", Held(left, SUM), Held(right, RATIO)),
            Self::Difference(left, right) => write!(f, "{} - {}", Held(left, SUM), Held(right, RATIO)),
            Self::Ratio(left, right) => write!(f, "{} / {}", Held(left, RATIO), Held(right, PART)),
            Self::Aggregate { what, of, over, lag } => {
                write!(f, "{what} of {} over {}", Held(of, RELATION), over.it)?;
                f.write_str(&lagged(lag.as_deref()))
            }
            Self::Volume(tank) => write!(f, "volume of {}", tank.it),
            Self::Name(name) => f.write_str(name),
            Self::Quantity { number, unit } if unit.is_empty() => write!(f, "{number}"),
            Self::Quantity { number, unit } => write!(f, "{number} {unit}"),
        }
    }
}

impl fmt::Display for Comparison {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Less => "<",
            Self::AtMost => "<=",
            Self::Greater => ">",
            Self::AtLeast => ">=",
        })
    }
}

impl fmt::Display for Aggregate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Mean => "mean",
            Self::Median => "median",
            Self::Lowest => "lowest",
            Self::Highest => "highest",
            Self::Swing => "swing",
            Self::Slope => "slope",
            Self::Total => "total",
            Self::Duty => "duty",
            Self::Changes => "count of changes",
            Self::Spells => "count of spells",
            Self::Longest => "longest spell",
        })
    }
}

/// A span as a quantity that the language reads: `90 s`, `2 h`.
pub(super) fn quantity(span: Span) -> String {
    let units = [(86_400_000, "d"), (3_600_000, "h"), (60_000, "min"), (1_000, "s")];
    let unit = units.into_iter().find(|(length, _)| span.0 != 0 && span.0 % length == 0);
    unit.map_or_else(|| format!("{} ms", span.0), |(length, name)| format!("{} {name}", span.0 / length))
}

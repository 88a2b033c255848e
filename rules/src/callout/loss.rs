//! Loss of sight: sensors that fall silent together are one loss, and how long a loss may wait
//! depends on what it hides. Silence alone is no danger; it pages when the danger it might hide
//! would have had a good part of its time.

use crate::time::{Moment, Span};

/// A loss of sight pages after this share of the time its danger would need.
const SHARE: i64 = 4;
/// But not sooner than this.
pub const PATIENCE_LEAST: Span = Span::minutes(15);
/// And not later than this.
pub const PATIENCE_MOST: Span = Span::hours(2);

/// How long a loss of sight alone waits before it pages, by the time that the danger it may hide
/// would need; the least if nobody knows.
pub fn patience(danger: Option<Span>) -> Span {
    danger.map_or(PATIENCE_LEAST, |danger| Span(danger.0 / SHARE).max(PATIENCE_LEAST).min(PATIENCE_MOST))
}

/// A sensor that fell silent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Silent<'a> {
    /// Where it spoke, if over MQTT.
    pub topic: Option<&'a str>,
    /// The gateway it came through.
    pub gateway: Option<&'a str>,
    /// When it said something good last.
    pub last: Moment,
    /// How often it is meant to speak.
    pub every: Span,
}

/// Whether two sensors fell silent by one loss: they share a gateway; or what they said last came
/// within the shorter of their intervals, and they spoke on one topic, under the same topic up to
/// the last `/`, or under a longer common beginning. `speaks` says whether anything else under such
/// a beginning has been heard since: then it does not count.
pub fn is_one(one: &Silent<'_>, other: &Silent<'_>, speaks: impl Fn(&str) -> bool) -> bool {
    if one.gateway.is_some() && one.gateway == other.gateway {
        return true;
    }
    let apart = (one.last - other.last).0.saturating_abs();
    if apart > one.every.min(other.every).0 {
        return false;
    }
    let (Some(one), Some(other)) = (one.topic, other.topic) else { return false };
    if one == other {
        return true;
    }
    match (parent(one), parent(other)) {
        (Some(one), Some(other)) if one == other => true,
        (Some(one), Some(other)) => common(one, other).is_some_and(|beginning| !speaks(beginning)),
        (_, _) => false,
    }
}

fn parent(topic: &str) -> Option<&str> {
    topic.rsplit_once('/').map(|(parent, _)| parent)
}

/// The longest common beginning of two topics, by whole levels.
fn common<'a>(one: &'a str, other: &str) -> Option<&'a str> {
    let mut end = 0;
    for (level, same) in one.split('/').zip(other.split('/')) {
        if level != same {
            break;
        }
        end += level.len() + usize::from(end > 0);
    }
    one.get(..end).filter(|beginning| !beginning.is_empty())
}

//! Loss of sight: sensors that fall silent together are one loss, and how long a loss may wait
//! depends on what it hides. Silence alone is no danger; it pages when the danger it might hide
//! would have had a good part of its time.

use crate::time::{Moment, Span};
use std::collections::BTreeMap;

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
    /// Its name.
    pub sensor: &'a str,
    /// Where it spoke, if over MQTT.
    pub topic: Option<&'a str>,
    /// The gateway it came through.
    pub gateway: Option<&'a str>,
    /// When it was heard last.
    pub last: Moment,
    /// How often it is meant to speak.
    pub every: Span,
}

/// Sorts what is silent into losses: what shares a gateway, or spoke under the same topic up to the
/// last `/` and was heard last within the shorter of the two intervals. `speaks` says whether
/// anything else under a longer common beginning still speaks: only if nothing does it counts.
pub fn losses<'a>(silent: &[Silent<'a>], speaks: impl Fn(&str) -> bool) -> Vec<Vec<&'a str>> {
    let mut loss_of: Vec<usize> = (0..silent.len()).collect();
    for (at, one) in silent.iter().enumerate() {
        for (before, other) in silent.iter().enumerate().take(at) {
            if belong_together(one, other, &speaks) {
                let (from, into) = (find(&loss_of, at), find(&loss_of, before));
                loss_of.iter_mut().filter(|loss| **loss == from).for_each(|loss| *loss = into);
            }
        }
    }
    let mut losses: BTreeMap<usize, Vec<&'a str>> = BTreeMap::new();
    for (loss, one) in loss_of.into_iter().zip(silent) {
        losses.entry(loss).or_default().push(one.sensor);
    }
    losses.into_values().collect()
}

fn find(loss_of: &[usize], at: usize) -> usize {
    loss_of.get(at).copied().unwrap_or(at)
}

fn belong_together(one: &Silent<'_>, other: &Silent<'_>, speaks: impl Fn(&str) -> bool) -> bool {
    if one.gateway.is_some() && one.gateway == other.gateway {
        return true;
    }
    let apart = (one.last - other.last).0.saturating_abs();
    if apart > one.every.min(other.every).0 {
        return false;
    }
    let (Some(one), Some(other)) = (one.topic, other.topic) else { return false };
    let (one, other) = (parent(one), parent(other));
    match (one, other) {
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

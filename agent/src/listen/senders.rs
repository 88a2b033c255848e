//! Sensors that share one sender: values of one message, topics of one described device, and
//! neighbouring topics whose messages come together again and again. If the sender dies, that is to
//! be one page.

use super::homie::Described;
use super::observed::TopicHeard;
use slackwater_rules::time::Span;
use std::collections::BTreeMap;

/// Messages of one sender's round come within this.
const TOGETHER: Span = Span::millis(250);

/// So many rounds must have been seen before it is no chance.
const ROUNDS: usize = 3;

/// The sender of each topic, by a number; topics that send alone have none.
pub(super) fn senders(
    topics: &[(&str, &TopicHeard)],
    told: &BTreeMap<String, Described>,
) -> BTreeMap<String, usize> {
    let mut of: Vec<usize> = (0..topics.len()).collect();
    for (one, (topic, heard)) in topics.iter().enumerate() {
        for (other, (another, too)) in topics.iter().enumerate().skip(one + 1) {
            let device = |topic: &str| told.get(topic).map(|described| described.device.as_str());
            let described = device(topic).is_some_and(|named| device(another) == Some(named));
            if described || are_neighbours(topic, another) && come_together(heard, too) {
                join(&mut of, one, other);
            }
        }
    }
    let mut sizes: BTreeMap<usize, usize> = BTreeMap::new();
    of.iter().for_each(|sender| *sizes.entry(*sender).or_default() += 1);
    let several = |sender: &usize| sizes.get(sender).is_some_and(|size| *size > 1);
    let named = topics.iter().zip(&of).filter(|(_, sender)| several(sender));
    named.map(|((topic, _), sender)| ((*topic).to_owned(), *sender)).collect()
}

fn join(of: &mut [usize], one: usize, other: usize) {
    let (Some(keep), Some(drop)) = (of.get(one).copied(), of.get(other).copied()) else { return };
    of.iter_mut().filter(|sender| **sender == drop).for_each(|sender| *sender = keep);
}

/// Whether two topics may be one device's: they differ in what stands at the end. Two boards that
/// happen to speak in the same second are no one sender.
fn are_neighbours(one: &str, other: &str) -> bool {
    let same = one.split('/').zip(other.split('/')).take_while(|(one, other)| one == other).count();
    let levels = one.split('/').count().min(other.split('/').count());
    same > 0 && same + 1 >= levels
}

/// Whether nearly every message of each has one of the other beside it.
fn come_together(one: &TopicHeard, other: &TopicHeard) -> bool {
    let beside = |these: &[Span], those: &[Span]| {
        let near = |at: &&Span| those.iter().any(|other| (**at - *other).0.abs() <= TOGETHER.0);
        these.iter().filter(near).count()
    };
    let (these, those) = (&one.live, &other.live);
    these.len() >= ROUNDS
        && those.len() >= ROUNDS
        // One that speaks all the time is beside everything.
        && one.interval().zip(other.interval()).is_some_and(|(one, other)| one.min(other) > TOGETHER.times(4))
        && beside(these, those) * 10 >= these.len() * 9
        && beside(those, these) * 10 >= those.len() * 9
}

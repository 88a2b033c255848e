//! What a broker says, understood: the heart of `slackwater listen`, without any I/O. Messages flow
//! in, each with its time; out flow a table of what was heard and a proposed rule file. Every guess
//! is marked as one, with how sure it is and why; what a device tells of itself by an open
//! description (Homie 5, SenML of RFC 8428) is taken at its word. A keeper reads and mends; nothing
//! here decides for him.

mod guess;
mod hazards;
mod homie;
mod observed;
mod payload;
mod propose;
mod senders;
mod table;
#[cfg(test)]
mod tests;

pub use guess::{Guess, Sure};
pub use observed::Observations;
pub use propose::{Proposal, propose};
pub use table::{rows, table};

use crate::plain_text::is_deceptive;
use observed::{ObservedValue, TopicHeard};
use payload::PayloadPlace;

/// One value that some topic carries, with what it may be.
#[derive(Clone, Debug)]
pub struct HeardValue<'o> {
    /// Where it comes.
    pub topic: &'o str,
    place: &'o PayloadPlace,
    heard: &'o TopicHeard,
    seen: &'o ObservedValue,
    /// What it is taken for; nothing if it looks like no sensor.
    pub guess: Option<Guess>,
}

impl Observations {
    /// Every value, in the order of topics, each with what it is taken for.
    pub fn sensed(&self) -> Vec<HeardValue<'_>> {
        let told = homie::descriptions(self);
        let mut found = Vec::new();
        for (topic, heard) in self.topics() {
            // A rule file has no sensor on a topic that looks like another one.
            if topic.is_empty() || topic.contains(is_deceptive) || homie::is_of_device(topic) {
                continue;
            }
            for (place, seen) in heard.values() {
                let guess = guess::guess(topic, place, seen, told.get(topic));
                found.push(HeardValue { topic, place, heard, seen, guess });
            }
        }
        found
    }
}

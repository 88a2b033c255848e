//! Acknowledgements that the broker is owed, in the order of its messages.
//!
//! A client sends them in the order in which the messages came (MQTT 5.0, 4.6.0-2 and 4.6.0-3), and
//! a broker that looks closes the connection of one that doesn't. Ours would not: a reading is
//! acknowledged once it is in the journal, our own message at once. So each message takes its place
//! here when it comes, and what may go leaves from the front only.

use std::collections::VecDeque;

use super::Ack;

/// One message of QoS 1 or 2 that is not acknowledged yet.
struct OwedAck {
    packet: u16,
    exactly_once: bool,
    /// Its message is safe: the acknowledgement may leave once it is the first.
    ready: bool,
}

/// What one connection owes. The broker's own window bounds it: more than that does not come.
#[derive(Default)]
pub(super) struct OwedAcks(VecDeque<OwedAck>);

impl OwedAcks {
    /// A message came that wants to be acknowledged.
    pub(super) fn came(&mut self, ack: &Ack) {
        self.0.push_back(OwedAck { packet: ack.packet, exactly_once: ack.exactly_once, ready: false });
    }

    /// Its message is safe, or of no use to anybody.
    pub(super) fn ready(&mut self, ack: &Ack) {
        let first = self.0.iter_mut().find(|owed| owed.packet == ack.packet && !owed.ready);
        if let Some(owed) = first {
            owed.ready = true;
        }
    }

    /// The next one that may leave: its packet, and whether it is of QoS 2.
    pub(super) fn next(&mut self) -> Option<(u16, bool)> {
        let owed = self.0.front().filter(|first| first.ready).map(|owed| (owed.packet, owed.exactly_once));
        if owed.is_some() {
            self.0.pop_front();
        }
        owed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ack(packet: u16) -> Ack {
        Ack { generation: 1, packet, exactly_once: packet == 3 }
    }

    fn leaving(owed: &mut OwedAcks) -> Vec<(u16, bool)> {
        std::iter::from_fn(|| owed.next()).collect()
    }

    #[test]
    fn what_is_safe_early_waits_for_what_came_before_it() {
        let mut owed = OwedAcks::default();
        for packet in 1..=3 {
            owed.came(&ack(packet));
        }
        owed.ready(&ack(2));
        assert_eq!(leaving(&mut owed), [], "message 1 is not safe yet");
        owed.ready(&ack(1));
        assert_eq!(leaving(&mut owed), [(1, false), (2, false)]);
        owed.ready(&ack(3));
        assert_eq!(leaving(&mut owed), [(3, true)]);
    }

    #[test]
    fn an_acknowledgement_that_nobody_owes_changes_nothing() {
        let mut owed = OwedAcks::default();
        owed.came(&ack(1));
        owed.ready(&ack(9));
        assert_eq!(leaving(&mut owed), []);
        owed.ready(&ack(1));
        owed.ready(&ack(1));
        assert_eq!(leaving(&mut owed), [(1, false)]);
    }
}

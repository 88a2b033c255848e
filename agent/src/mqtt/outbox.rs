//! Publications on their way, kept until the broker has them.
//!
//! The client library forgets what it was handed when a connection breaks and the broker has no
//! session. So entries stay here until the broker's acknowledgement; a new connection starts again
//! from the oldest. Only a window of them is handed over at a time, smaller than the library's own
//! limit: at that limit it would stop reading its requests, acknowledgements of incoming messages
//! among them.

use std::collections::VecDeque;

use bytes::Bytes;
use tokio::sync::OwnedSemaphorePermit;

/// What the library is told as its limit. Its default allocates 14 MB.
pub(super) const LIBRARY_WINDOW: u16 = 20;
/// Leaves place for our own status and loop-back messages.
const WINDOW: u16 = LIBRARY_WINDOW - 4;

/// A publication that its owner waits for.
pub(super) struct OutboxEntry {
    pub(super) id: u64,
    pub(super) topic: String,
    pub(super) payload: Bytes,
    pub(super) retain: bool,
    /// What whoever asked for it will know it by.
    pub(super) correlation: Option<Bytes>,
    /// For the connection that it meets, and for no other.
    pub(super) now_only: bool,
    /// Its place among those that may wait, free when the entry is dropped.
    pub(super) room: Option<OwnedSemaphorePermit>,
}

/// What a publication in the library's hands was for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Purpose {
    /// The entry with this id.
    Entry(u64),
    /// "online", or our own message going around: repeated by other means.
    Passing,
    /// "offline": the last thing to say.
    Farewell,
}

struct OnWire {
    /// The library says it when it writes the packet.
    packet: Option<u16>,
    purpose: Purpose,
}

pub(super) struct Outbox {
    /// Oldest first. The first `handed` of them are on the wire.
    entries: VecDeque<OutboxEntry>,
    handed: usize,
    /// In the order of the hand-over, which is the order of the library's writing.
    wire: VecDeque<OnWire>,
    window: usize,
}

impl Outbox {
    pub(super) fn new() -> Self {
        Self { entries: VecDeque::new(), handed: 0, wire: VecDeque::new(), window: 0 }
    }

    pub(super) fn push(&mut self, entry: OutboxEntry) {
        self.entries.push_back(entry);
    }

    /// A new connection: nothing is on its wire yet.
    pub(super) fn connected(&mut self, broker_window: u16) {
        self.window = WINDOW.min(broker_window).into();
        self.handed = 0;
        self.wire.clear();
    }

    /// The connection is gone: what was for it alone leaves, with whether it was on the wire.
    pub(super) fn lapse(&mut self) -> Vec<(u64, bool)> {
        let handed = self.handed;
        let lapsed = self.entries.iter().enumerate().filter(|(_, entry)| entry.now_only);
        let lapsed = lapsed.map(|(at, entry)| (entry.id, at < handed)).collect();
        self.entries.retain(|entry| !entry.now_only);
        self.handed = 0;
        self.wire.clear();
        lapsed
    }

    /// The next entry to hand over, if the window has room. It counts as handed over from now on.
    pub(super) fn hand_over(&mut self) -> Option<&OutboxEntry> {
        if self.handed >= self.window {
            return None;
        }
        let entry = self.entries.get(self.handed)?;
        self.handed += 1;
        self.wire.push_back(OnWire { packet: None, purpose: Purpose::Entry(entry.id) });
        Some(entry)
    }

    /// Takes out the first entry that fails the test and is not on the wire yet.
    pub(super) fn remove_unfit(&mut self, fits: impl Fn(&OutboxEntry) -> bool) -> Option<OutboxEntry> {
        let at = (self.handed..self.entries.len()).find(|at| !self.entries.get(*at).is_some_and(&fits))?;
        self.entries.remove(at)
    }

    /// A message of our own was handed over.
    pub(super) fn handed_over(&mut self, purpose: Purpose) {
        self.wire.push_back(OnWire { packet: None, purpose });
    }

    /// The library wrote the next publication, as this packet.
    pub(super) fn written(&mut self, packet: u16) {
        if let Some(next) = self.wire.iter_mut().find(|on_wire| on_wire.packet.is_none()) {
            next.packet = Some(packet);
        }
    }

    /// The broker answered a packet: whatever it said, this publication is settled.
    pub(super) fn settled(&mut self, packet: u16) -> Option<Purpose> {
        let at = self.wire.iter().position(|on_wire| on_wire.packet == Some(packet))?;
        let purpose = self.wire.remove(at)?.purpose;
        if let Purpose::Entry(id) = purpose
            && let Some(at) = self.entries.iter().take(self.handed).position(|entry| entry.id == id)
        {
            self.entries.remove(at);
            self.handed -= 1;
        }
        Some(purpose)
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use tokio::sync::Semaphore;

    use super::*;

    fn outbox(ids: impl IntoIterator<Item = u64>) -> Outbox {
        let room = Arc::new(Semaphore::new(100));
        let mut outbox = Outbox::new();
        for id in ids {
            let permit = Arc::clone(&room).try_acquire_owned().expect("room");
            let now_only = id >= 100;
            outbox.push(OutboxEntry {
                id,
                topic: "a".into(),
                payload: Bytes::new(),
                retain: false,
                correlation: None,
                now_only,
                room: Some(permit),
            });
        }
        outbox
    }

    fn handed(outbox: &mut Outbox) -> Vec<u64> {
        std::iter::from_fn(|| outbox.hand_over().map(|entry| entry.id)).collect()
    }

    #[test]
    fn a_broken_connection_starts_again_from_the_oldest_that_the_broker_has_not_answered() {
        let mut outbox = outbox(1..=20);
        outbox.connected(100);
        assert_eq!(
            handed(&mut outbox),
            (1..=16).collect::<Vec<_>>(),
            "the window is smaller than the library's"
        );
        for packet in 1..=16 {
            outbox.written(packet);
        }
        assert_eq!(outbox.settled(1), Some(Purpose::Entry(1)));
        assert_eq!(outbox.settled(3), Some(Purpose::Entry(3)));
        assert_eq!(outbox.settled(3), None, "an answer to nothing settles nothing");
        assert_eq!(handed(&mut outbox), [17, 18]);

        outbox.connected(4);
        assert_eq!(handed(&mut outbox), [2, 4, 5, 6], "the broker's own window counts too");
    }

    #[test]
    fn what_was_for_one_connection_alone_leaves_with_it_and_is_told_whether_it_was_under_way() {
        let mut outbox = outbox([1, 100, 2, 101, 3]);
        outbox.connected(3);
        assert_eq!(handed(&mut outbox), [1, 100, 2]);
        assert_eq!(outbox.lapse(), [(100, true), (101, false)]);
        outbox.connected(100);
        assert_eq!(handed(&mut outbox), [1, 2, 3]);
    }

    #[test]
    fn our_own_messages_keep_their_place_among_the_packets() {
        let mut outbox = outbox([7]);
        outbox.connected(100);
        outbox.handed_over(Purpose::Passing);
        assert_eq!(handed(&mut outbox), [7]);
        outbox.written(1);
        outbox.written(2);
        assert_eq!(outbox.settled(2), Some(Purpose::Entry(7)));
        assert_eq!(outbox.settled(1), Some(Purpose::Passing));
    }

    #[test]
    fn what_does_not_fit_the_broker_is_taken_out_and_the_rest_goes() {
        let mut outbox = outbox(1..=3);
        outbox.connected(100);
        assert_eq!(outbox.remove_unfit(|entry| entry.id != 2).map(|entry| entry.id), Some(2));
        assert!(outbox.remove_unfit(|entry| entry.id != 2).is_none());
        assert_eq!(handed(&mut outbox), [1, 3]);
    }
}

//! The agent's own message, around through the broker.
//!
//! A connection can be alive while nothing arrives: a lost subscription, a changed access list, a
//! broker that answers pings and delivers nothing. So a small message with a number that only this
//! run knows goes out every keep-alive, and either comes back in time or the agent knows that it is
//! deaf.

use std::time::Duration;

use tokio::time::Instant;

use super::retry::random;

pub(super) struct LoopBack {
    /// Tells our message from that of another run or another agent with the same topic.
    run: u64,
    sequence: u64,
    sent: Instant,
    outstanding: bool,
    last_heard: Instant,
    deaf: bool,
}

/// What to do now.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Due {
    Nothing,
    /// Time for the next message.
    Send,
    /// Time for the next message, and the last one is missing for the first time.
    Deaf {
        silent_for: Duration,
    },
    /// Time for the next message, and still deaf.
    StillDeaf,
}

impl LoopBack {
    pub(super) fn new(now: Instant) -> Self {
        Self { run: random(), sequence: 0, sent: now, outstanding: false, last_heard: now, deaf: false }
    }

    /// The payload to publish now. Only the newest one counts.
    pub(super) fn send(&mut self, now: Instant) -> String {
        self.sequence += 1;
        self.sent = now;
        self.outstanding = true;
        self.expected()
    }

    fn expected(&self) -> String {
        format!("{:016x}-{}", self.run, self.sequence)
    }

    /// The round trip, if this is the message we wait for.
    pub(super) fn hear(&mut self, payload: &[u8], now: Instant) -> Option<Duration> {
        if !self.outstanding || payload != self.expected().as_bytes() {
            return None;
        }
        self.outstanding = false;
        self.deaf = false;
        self.last_heard = now;
        Some(now - self.sent)
    }

    pub(super) fn due(&mut self, now: Instant, every: Duration) -> Due {
        if now - self.sent < every {
            Due::Nothing
        } else if !self.outstanding {
            Due::Send
        } else if self.deaf {
            Due::StillDeaf
        } else {
            self.deaf = true;
            Due::Deaf { silent_for: now - self.last_heard }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const EVERY: Duration = Duration::from_secs(30);

    #[test]
    fn a_message_that_comes_back_proves_the_path_once() {
        let start = Instant::now();
        let mut loopback = LoopBack::new(start);
        let payload = loopback.send(start);
        let later = start + Duration::from_millis(20);
        assert_eq!(loopback.hear(payload.as_bytes(), later), Some(Duration::from_millis(20)));
        assert_eq!(loopback.hear(payload.as_bytes(), later), None, "a second copy proves nothing new");
        assert_eq!(loopback.due(later, EVERY), Due::Nothing);
        assert_eq!(loopback.due(start + EVERY, EVERY), Due::Send);
    }

    #[test]
    fn a_missing_message_makes_deaf_once_and_the_next_heard_one_heals() {
        let start = Instant::now();
        let mut loopback = LoopBack::new(start);
        let first = loopback.send(start);
        let second_at = start + EVERY;
        assert_eq!(loopback.due(second_at, EVERY), Due::Deaf { silent_for: EVERY });
        let second = loopback.send(second_at);
        assert_eq!(loopback.hear(first.as_bytes(), second_at), None, "too late to be in time");
        assert_eq!(loopback.due(second_at + EVERY, EVERY), Due::StillDeaf);
        assert_eq!(loopback.hear(second.as_bytes(), second_at + EVERY), Some(EVERY));
        assert_eq!(loopback.due(second_at + EVERY, EVERY), Due::Send);
    }

    #[test]
    fn the_message_of_another_run_is_not_ours() {
        let now = Instant::now();
        let (mut ours, mut theirs) = (LoopBack::new(now), LoopBack::new(now));
        let _ = ours.send(now);
        assert_eq!(ours.hear(theirs.send(now).as_bytes(), now), None);
    }
}

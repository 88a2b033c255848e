//! The site's side: which numbers of its journal are to be sent next. What the journal has, what
//! was sent and what the receiver says flow in; packs to make flow out. The records themselves stay
//! where they are: this only counts, so that a backlog of any length takes no memory.
//!
//! It begins by asking how far everything is stored, sends from there in a window of packs, and
//! asks again, ever less often, when it hears nothing: nothing but such a question is sent to a
//! receiver that is not there. Time is milliseconds of any clock that only goes forward.

use crate::pack::EventReceipt;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Packs that may be under way at once: half a megabyte.
const WINDOW: usize = 8;

/// So long a receipt may take before it is asked for.
const PATIENCE: u64 = 20_000;

/// Between two questions that are not answered: the first time, and at most.
const SOONEST: u64 = 5_000;
const LATEST: u64 = 60_000;

/// What is asked for once more within this time is on its way already.
const UNDERWAY: u64 = 2_000;

/// What a site remembers over a restart.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct EventProgress {
    /// The journal's own random number.
    pub journal: u64,
    /// The life of that journal.
    pub epoch: String,
    /// The first number that is told in it.
    pub begins: u64,
    /// Up to here everything is stored.
    pub stored: u64,
    /// Of that record; empty if it is none.
    pub digest: String,
}

/// What is known of the journal at the moment.
pub trait Records {
    /// Its highest number; 0 if it is empty.
    fn newest(&self) -> u64;
    /// Of a record; none if it has no such record.
    fn digest(&self, number: u64) -> Option<String>;
}

/// What there is to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SendNext {
    /// Send a pack that covers nothing, and asks for a receipt.
    Ask,
    /// Send a pack that begins with this number.
    Pack {
        /// The first number.
        first: u64,
    },
    /// Wait until this time, or until there is news.
    Wait {
        /// None if only news can change it.
        until: Option<u64>,
    },
}

/// What followed from a receipt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Heard {
    /// It is not about this life of the journal.
    Other,
    /// How far everything is stored is known.
    Stored,
    /// The receiver has other records under our numbers: the journal has gone back in time.
    WentBack,
}

/// How far the sending is.
#[derive(Clone, Debug)]
pub struct EventSending {
    progress: EventProgress,
    /// The last number that is under way or stored.
    sent: u64,
    /// The last numbers of the packs that are under way.
    underway: VecDeque<u64>,
    /// The receiver answers.
    heard: bool,
    /// When the next question is due: while it does not answer, or when it takes too long.
    due: u64,
    pause: u64,
    /// Where was begun anew because the receiver asked, and when.
    rewound: Option<(u64, u64)>,
}

impl EventProgress {
    /// Of a journal of which nothing has been sent.
    pub fn new(journal: u64, epoch: String, begins: u64) -> Self {
        let stored = begins.saturating_sub(1);
        Self { journal, epoch, begins: begins.max(1), stored, digest: String::new() }
    }

    /// Whether the journal has what it says.
    pub fn holds_in(&self, journal: &impl Records) -> bool {
        // An old record may have left the journal: what is there must be the same.
        let same = journal.digest(self.stored).is_none_or(|own| own == self.digest);
        self.digest.is_empty() || (self.stored <= journal.newest() && same)
    }

    /// From which number on another life of the same journal has to tell: from what is known to
    /// have been stored, if that is still true of it, or everything.
    pub fn diverges(&self, journal: &impl Records) -> u64 {
        match self.holds_in(journal) && self.stored <= journal.newest() {
            true => self.stored + 1,
            false => 1,
        }
    }
}

impl EventSending {
    /// Goes on from there.
    pub fn new(progress: EventProgress, now: u64) -> Self {
        let sent = progress.stored;
        Self {
            progress,
            sent,
            underway: VecDeque::new(),
            heard: false,
            due: now,
            pause: SOONEST,
            rewound: None,
        }
    }

    /// What is to be remembered.
    pub fn progress(&self) -> &EventProgress {
        &self.progress
    }

    /// Whether the receiver answers.
    pub fn is_heard(&self) -> bool {
        self.heard
    }

    /// What to do now, with a journal up to `newest`.
    pub fn next(&mut self, newest: u64, now: u64) -> SendNext {
        if self.heard && !self.underway.is_empty() && now >= self.due {
            (self.heard, self.pause) = (false, SOONEST);
        }
        if !self.heard {
            if now < self.due {
                return SendNext::Wait { until: Some(self.due) };
            }
            self.start_over();
            self.due = now + self.pause;
            self.pause = (self.pause * 2).min(LATEST);
            return SendNext::Ask;
        }
        if self.sent < newest && self.underway.len() < WINDOW {
            return SendNext::Pack { first: self.sent + 1 };
        }
        SendNext::Wait { until: (!self.underway.is_empty()).then_some(self.due) }
    }

    /// A pack up to this number is on its way.
    pub fn sent(&mut self, last: u64, now: u64) {
        self.sent = self.sent.max(last);
        self.underway.push_back(last);
        self.due = now + PATIENCE;
    }

    /// The connection is there again, or another one: what was under way may be lost.
    pub fn reconnected(&mut self, now: u64) {
        (self.heard, self.due, self.pause) = (false, now, SOONEST);
    }

    /// What the receiver says.
    pub fn hear(&mut self, receipt: &EventReceipt, journal: &impl Records, now: u64) -> Heard {
        let EventProgress { epoch, begins, .. } = &self.progress;
        if receipt.epoch != *epoch || receipt.stored + 1 < *begins {
            return Heard::Other;
        }
        let theirs = receipt.stored >= *begins;
        let said = EventProgress {
            stored: receipt.stored,
            digest: if theirs { receipt.digest.clone() } else { String::new() },
            ..self.progress.clone()
        };
        if receipt.stored > journal.newest() || !said.holds_in(journal) {
            return Heard::WentBack;
        }
        self.progress = said;
        let stored = receipt.stored;
        while self.underway.front().is_some_and(|last| *last <= stored) {
            self.underway.pop_front();
        }
        let again = self.rewound.is_some_and(|(at, when)| at == stored && now < when + UNDERWAY);
        let asks = receipt.asks && !again;
        if !self.heard || self.sent < stored || asks {
            self.start_over();
        }
        if asks {
            self.rewound = Some((stored, now));
        }
        (self.heard, self.due, self.pause) = (true, now + PATIENCE, SOONEST);
        Heard::Stored
    }

    /// Another life of the journal.
    pub fn begin(&mut self, progress: EventProgress, now: u64) {
        *self = Self::new(progress, now);
    }

    fn start_over(&mut self) {
        self.sent = self.progress.stored;
        self.underway.clear();
    }
}

#[cfg(test)]
mod tests;

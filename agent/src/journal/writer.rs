//! The journal as the event loop uses it: always there, sometimes not working. Records flow in
//! and are safe on return, or owed: kept in memory, said, and written once the disk takes
//! them again. Pages go out all the same. What matters still is remembered too, so that a journal
//! that turns out to be damaged, and has to begin anew, begins with what stands.
//!
//! What a journal can't know of itself the pulse beside it tells: until when the watch lived, and
//! whether records are missing at its end. On a full disk records of alarms and call-outs go where
//! room was set aside for them; a disk that takes no writes is read.

mod full_disk;
mod opening;
mod sites;

use crate::journal::pulse::{self, Pulse};
use crate::journal::reserve::Reserve;
use crate::journal::{BootId, Journal, JournalError, JournalLimits};
use slackwater_rules::engine::Sample;
use slackwater_rules::record::{Record, Seq};
use slackwater_rules::time::{Moment, Now, Span};
use std::collections::VecDeque;
use std::fs::File;
use std::path::PathBuf;

/// Owed records beyond this many are lost, the oldest first.
const OWED_AT_MOST: usize = 20_000;

/// How long after a failure the disk is tried again.
const RETRY: Span = Span::seconds(30);

/// So long it is said that the journal has lost its end: once, and long enough to be heard.
const NOTICED: Span = Span::minutes(15);

/// The journal, or what stands in for it.
#[derive(Debug)]
pub struct Keeper {
    path: PathBuf,
    boot: BootId,
    limits: JournalLimits,
    site: String,
    journal: Option<Journal>,
    /// Keeps every other watch from writing; none if the disk could not even do that.
    claim: Option<File>,
    owed: Vec<Record>,
    lost: u64,
    /// What matters still, as far as it has been kept: a journal that has to begin anew begins
    /// with it.
    matters: VecDeque<Record>,
    /// What keeps records from being written.
    trouble: Option<String>,
    /// What keeps readings from being written.
    readings: Option<String>,
    /// A damaged journal was set aside here: told until a person has moved it away.
    damaged: Option<(PathBuf, String)>,
    /// The file was found not to be sound after it was opened: it is to be set aside.
    unsound: Option<String>,
    /// What was seen to be missing, and until when that is told.
    noticed: Option<(String, Moment)>,
    /// The disk is full: only what there is room set aside for is kept.
    full: Option<String>,
    retry: Option<Moment>,
    /// The journal that was written to, by its random number; none before any was.
    seed: Option<u64>,
    /// The highest number that it has kept.
    kept: Seq,
    pulse: Option<Pulse>,
    /// When it beats next.
    beat: Option<Moment>,
    reserve: Option<Reserve>,
}

/// What an earlier life left.
#[derive(Debug)]
pub struct Inheritance {
    /// To be applied by the engine.
    pub records: Vec<Record>,
    /// How long nobody watched.
    pub gap: Option<Span>,
    /// The number of the next record.
    pub next_seq: Seq,
    /// The site's own random number.
    pub seed: u64,
}

impl Keeper {
    /// Opens the journal and reads what it left. A disk that can't be written now is read; one that
    /// can't be used at all is no reason not to watch either: the keeper then begins with nothing,
    /// and numbers records so that they come after all that may be in the file.
    ///
    /// # Errors
    /// A journal that another watch writes to.
    pub fn open(
        path: PathBuf,
        boot: BootId,
        limits: JournalLimits,
        site: &str,
        now: &Now,
    ) -> Result<(Self, Inheritance), JournalError> {
        let last_beat = pulse::read(&path);
        let mut keeper = Self {
            path,
            boot,
            limits,
            site: site.to_owned(),
            journal: None,
            claim: None,
            owed: Vec::new(),
            lost: 0,
            matters: VecDeque::new(),
            trouble: None,
            readings: None,
            damaged: None,
            unsound: None,
            noticed: None,
            full: None,
            retry: None,
            seed: last_beat.as_ref().map(|beat| beat.seed),
            kept: last_beat.as_ref().map_or(0, |beat| beat.last),
            pulse: None,
            beat: None,
            reserve: None,
        };
        let opened = keeper.try_open(now);
        let restored = match (&keeper.journal, opened) {
            (Some(journal), Ok(())) => journal.restore(now),
            (_, Err(error @ JournalError::InUse { .. })) => return Err(error),
            (_, Err(error)) => {
                keeper.fail(&error, now);
                let read = Journal::restore_reading(&keeper.path, &keeper.boot, now);
                if read.is_ok() {
                    tracing::warn!("the journal can only be read: what it says is gone on from");
                }
                read
            }
            (None, Ok(())) => Journal::restore_reading(&keeper.path, &keeper.boot, now),
        };
        let restored = restored.map_err(|error| keeper.fail(&error, now)).ok();
        if let (Some(journal), Some(beat)) = (&mut keeper.journal, &last_beat)
            && let Err(error) = journal.note_alive(beat)
        {
            tracing::warn!("journal: {error}");
        }
        keeper.reserve = Some(Reserve::set_aside(&keeper.path));
        keeper.set_aside_within();
        let inheritance = keeper.inherit(restored, now);
        Ok((keeper, inheritance))
    }

    /// Keeps the records of finished turns. They are on the disk when this returns, unless
    /// [`Keeper::trouble`] says otherwise.
    pub fn keep(&mut self, records: Vec<Record>, horizon: impl FnOnce() -> Seq, now: &Now) {
        if records.is_empty() && self.owed.is_empty() {
            return;
        }
        self.owed.extend(records);
        if self.retry.is_some_and(|retry| now.mono < retry) {
            return self.bound();
        }
        if self.full.is_some() {
            self.spare_room();
        }
        let horizon = horizon();
        let mut result = self.commit(horizon, now);
        if let Err(JournalError::Damaged { why, .. }) = &result {
            // What stands there now is looked at, and what matters written again, at once.
            tracing::error!("journal: {why}");
            self.let_go();
            result = self.commit(horizon, now);
        }
        if let Err(error @ JournalError::Full { .. }) = &result {
            let error = error.clone();
            result = self.commit_in_reserve(horizon, error, now);
        }
        match result {
            Ok(()) => self.kept(horizon, now),
            Err(error) => self.fail(&error, now),
        }
    }

    fn commit(&mut self, horizon: Seq, now: &Now) -> Result<(), JournalError> {
        if self.journal.is_none() {
            self.try_open(now)?;
        }
        match &mut self.journal {
            Some(journal) => journal.commit(&self.owed, horizon),
            None => Ok(()),
        }
    }

    /// All that was owed is on the disk.
    fn kept(&mut self, horizon: Seq, now: &Now) {
        if self.trouble.take().is_some() {
            tracing::info!(records = self.owed.len(), "the journal can be written again");
        }
        self.kept = self.owed.last().map_or(self.kept, |newest| newest.seq.max(self.kept));
        self.matters.extend(self.owed.drain(..));
        while self.matters.front().is_some_and(|record| record.seq < horizon) {
            self.matters.pop_front();
        }
        self.retry = None;
        self.beat(now, false);
    }

    fn beat(&mut self, now: &Now, sync: bool) {
        let (Some(pulse), Some(seed)) = (&mut self.pulse, self.seed) else { return };
        if let Err(error) = pulse.beat(&self.boot, now, seed, self.kept, sync) {
            tracing::warn!("the journal's pulse: {error}");
            // Opened again with the journal.
            self.pulse = None;
        }
    }

    /// Closes files that are not ours any more.
    fn let_go(&mut self) {
        if let Some(journal) = self.journal.take() {
            journal.abandon();
        }
    }

    /// Takes readings for the history.
    pub fn sample(&mut self, samples: &[Sample]) {
        if let Some(journal) = &mut self.journal {
            journal.sample(samples);
        }
    }

    /// Does what is due.
    pub fn tend(&mut self, now: &Now) {
        if now.mono >= *self.beat.get_or_insert(now.mono) {
            self.beat(now, true);
            self.beat = Some(now.mono + if self.full.is_some() { RETRY } else { pulse::EVERY });
            if self.noticed.as_ref().is_some_and(|(_, until)| now.mono >= *until) {
                self.noticed = None;
            }
            self.look_for_room();
            self.look_at_check(now);
        }
        if self.full.is_some() {
            // Readings would take the room that is for alarms.
            return;
        }
        let due = self.journal.as_ref().and_then(Journal::due).is_some_and(|due| due <= now.mono);
        match self.journal.as_mut().map(|journal| journal.tend(now)) {
            Some(Ok(pruned)) => {
                if due {
                    self.readings = None;
                    self.look_after_damaged();
                }
                let said = pruned.to_string();
                if !said.is_empty() {
                    tracing::info!("journal: {said}");
                }
            }
            Some(Err(error)) => {
                self.readings = Some(error.to_string());
                if let error @ JournalError::Full { .. } = &error {
                    self.begin_to_save_room(error);
                }
                if is_lost(&error) {
                    self.fail(&error, now);
                }
            }
            None => {}
        }
    }

    fn look_after_damaged(&mut self) {
        if self.damaged.as_ref().is_some_and(|(path, _)| !path.exists()) {
            self.damaged = None;
        }
    }

    /// Writes all that is in memory: before the program ends.
    pub fn close(&mut self, horizon: impl FnOnce() -> Seq, now: &Now) {
        self.retry = None;
        self.keep(Vec::new(), horizon, now);
        self.flush(now);
    }

    /// Writes the readings that are in memory.
    pub fn flush(&mut self, now: &Now) {
        if let Some(Err(error)) = self.journal.as_mut().map(|journal| journal.flush(now)) {
            tracing::error!("journal: {error}");
        }
    }

    /// When something is due.
    pub fn due(&self) -> Option<Moment> {
        let journal = self.journal.as_ref().and_then(Journal::due);
        let journal = journal.filter(|_| self.full.is_none());
        journal.into_iter().chain(self.retry).chain(self.beat).min()
    }

    /// The first record that the disk has not taken.
    pub fn owed_since(&self) -> Option<Seq> {
        self.owed.first().map(|record| record.seq)
    }

    /// What is wrong, if anything is, with how much is owed.
    pub fn trouble(&self) -> Option<String> {
        let lost = if self.lost > 0 { format!(", {} lost", self.lost) } else { String::new() };
        let owed = self.trouble.as_ref().map(|why| format!("{why} ({} records owed{lost})", self.owed.len()));
        owed.or_else(|| self.ailment().map(str::to_owned))
    }

    /// What is wrong, if anything is, in words that stay the same while it does.
    pub fn ailment(&self) -> Option<&str> {
        let damaged = self.damaged.as_ref().map(|(_, said)| said);
        let noticed = self.noticed.as_ref().map(|(said, _)| said);
        let (trouble, full) = (self.trouble.as_ref(), self.full.as_ref());
        trouble.or(full).or(self.readings.as_ref()).or(damaged).or(noticed).map(String::as_str)
    }

    fn fail(&mut self, error: &JournalError, now: &Now) {
        let text = error.to_string();
        if self.trouble.as_ref() != Some(&text) {
            tracing::error!("journal: {text}; the watch goes on without it");
            self.trouble = Some(text);
        }
        if is_lost(error) {
            // Opening it again sets a damaged file aside.
            self.let_go();
        }
        self.retry = Some(now.mono + RETRY);
        self.bound();
    }

    fn bound(&mut self) {
        let over = self.owed.len().saturating_sub(OWED_AT_MOST);
        self.owed.drain(..over);
        self.lost += over as u64;
    }
}

/// Whether the file has to be opened anew.
fn is_lost(error: &JournalError) -> bool {
    match error {
        JournalError::Damaged { .. } | JournalError::Other { .. } => true,
        JournalError::Full { .. }
        | JournalError::ReadOnly { .. }
        | JournalError::Foreign { .. }
        | JournalError::Version { .. }
        | JournalError::InUse { .. }
        | JournalError::Order { .. } => false,
    }
}

#[cfg(test)]
mod tests;

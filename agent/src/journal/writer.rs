//! The journal as the event loop uses it: always there, sometimes not working. Records flow in
//! and are safe on return, or owed: kept in memory, said, and written once the disk takes
//! them again. Pages go out all the same. What matters still is remembered too, so that a journal
//! that turns out to be damaged, and has to begin anew, begins with what stands.

use crate::journal::{BootId, Journal, JournalError, Limits, Opened, claim};
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

/// The journal, or what stands in for it.
#[derive(Debug)]
pub struct Keeper {
    path: PathBuf,
    boot: BootId,
    limits: Limits,
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
    retry: Option<Moment>,
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
    /// Opens the journal and reads what it left. A disk that can't be used now is no reason not
    /// to watch: the keeper then begins with nothing, and numbers records so that they come
    /// after all that may be in the file.
    ///
    /// # Errors
    /// A file that belongs to another program or a newer version: a mistake in the configuration.
    /// Or one that another watch writes to.
    pub fn open(
        path: PathBuf,
        boot: BootId,
        limits: Limits,
        site: &str,
        now: &Now,
    ) -> Result<(Self, Inheritance), JournalError> {
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
            retry: None,
        };
        match keeper.try_open() {
            Ok(()) => {}
            Err(
                error @ (JournalError::Foreign { .. }
                | JournalError::Version { .. }
                | JournalError::InUse { .. }),
            ) => return Err(error),
            Err(error) => keeper.fail(&error, now),
        }
        let restored = keeper.journal.as_ref().map(|journal| journal.restore(now)).transpose();
        let restored = restored.unwrap_or_else(|error| {
            keeper.fail(&error, now);
            None
        });
        let inheritance = match restored {
            Some(restored) => {
                for seq in &restored.unreadable {
                    tracing::error!(seq, "a record of the journal can't be read and is left out");
                }
                // Nobody watched before there was a journal; what a damaged one knew is lost.
                let first = restored.next_seq == 1 && keeper.damaged.is_none();
                let gap = if first { Some(Span::ZERO) } else { restored.gap };
                keeper.matters = restored.records.iter().cloned().collect();
                Inheritance {
                    records: restored.records,
                    gap,
                    next_seq: restored.next_seq,
                    seed: restored.seed,
                }
            }
            // Milliseconds since 1970 are more than any count of records.
            None => Inheritance {
                records: Vec::new(),
                gap: None,
                next_seq: now.wall.0.max(1).cast_unsigned(),
                seed: now.wall.0.cast_unsigned(),
            },
        };
        Ok((keeper, inheritance))
    }

    fn try_open(&mut self) -> Result<(), JournalError> {
        if self.claim.is_none() {
            self.claim = Some(claim(&self.path)?);
        }
        let (mut journal, opened) = Journal::open(&self.path, self.boot.clone(), self.limits)?;
        match &opened {
            Opened::SetAside { path, .. } => {
                tracing::error!("{opened}");
                self.damaged = Some((path.clone(), opened.to_string()));
                let owed = std::mem::take(&mut self.owed);
                self.owed = std::mem::take(&mut self.matters).into_iter().chain(owed).collect();
            }
            Opened::Created | Opened::Current | Opened::Migrated { .. } => tracing::info!("{opened}"),
        }
        journal.name_site(&self.site)?;
        self.journal = Some(journal);
        Ok(())
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
        let opened = if self.journal.is_some() { Ok(()) } else { self.try_open() };
        let horizon = horizon();
        let result = opened.and_then(|()| match &mut self.journal {
            Some(journal) => journal.commit(&self.owed, horizon),
            None => Ok(()),
        });
        match result {
            Ok(()) => {
                if self.trouble.take().is_some() {
                    tracing::info!(records = self.owed.len(), "the journal can be written again");
                }
                self.matters.extend(self.owed.drain(..));
                while self.matters.front().is_some_and(|record| record.seq < horizon) {
                    self.matters.pop_front();
                }
                self.retry = None;
            }
            Err(error) => self.fail(&error, now),
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
        journal.into_iter().chain(self.retry).min()
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
        self.trouble.as_ref().or(self.readings.as_ref()).or(damaged).map(String::as_str)
    }

    fn fail(&mut self, error: &JournalError, now: &Now) {
        let text = error.to_string();
        if self.trouble.as_ref() != Some(&text) {
            tracing::error!("journal: {text}; the watch goes on without it");
            self.trouble = Some(text);
        }
        if is_lost(error) {
            // Opening it again sets a damaged file aside.
            self.journal = None;
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

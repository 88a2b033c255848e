//! How the keeper begins, and begins again: the file is opened, what it lacks against what was kept
//! is noticed, and what matters is owed to it once more. What an earlier life left flows out.

use super::{Inheritance, Keeper, NOTICED};
use crate::journal::pulse::{self, Pulse};
use crate::journal::{Journal, JournalError, Opened, Restored, claim};
use slackwater_rules::time::{Now, Span};

impl Keeper {
    pub(super) fn inherit(&mut self, restored: Option<Restored>, now: &Now) -> Inheritance {
        // Milliseconds since 1970 are more than any count of records.
        let Some(restored) = restored else {
            return Inheritance {
                records: Vec::new(),
                gap: pulse::read(&self.path).and_then(|beat| beat.ago(&self.boot, now)),
                next_seq: now.wall.0.max(1).cast_unsigned().max(self.kept.saturating_add(1)),
                seed: now.wall.0.cast_unsigned(),
            };
        };
        for seq in &restored.unreadable {
            tracing::error!(seq, "a record of the journal can't be read and is left out");
        }
        // Nobody watched before there was a journal; what a damaged one knew is lost.
        let first = restored.next_seq == 1 && self.damaged.is_none() && self.kept == 0;
        let gap = if first { Some(Span::ZERO) } else { restored.gap };
        self.matters = restored.records.iter().cloned().collect();
        // What was lost keeps its numbers: pages that went out bear them.
        let next_seq = restored.next_seq.max(self.kept.saturating_add(1));
        self.kept = next_seq.saturating_sub(1);
        Inheritance { records: restored.records, gap, next_seq, seed: restored.seed }
    }

    pub(super) fn try_open(&mut self, now: &Now) -> Result<(), JournalError> {
        if self.claim.is_none() {
            self.claim = Some(claim(&self.path)?);
        }
        let (mut journal, mut opened) = Journal::open(&self.path, self.boot.clone(), self.limits)?;
        let another = self.seed.is_some_and(|seed| seed != journal.seed());
        if another && self.owed.first().is_some_and(|first| journal.last() >= first.seq) {
            let why = "another journal was put in the place of the one that was written to";
            (journal, opened) = journal.replace("replaced", why)?;
        }
        if let Some(why) = self.unsound.take() {
            (journal, opened) = journal.replace("damaged", &format!("the journal was damaged ({why})"))?;
        }
        match &opened {
            Opened::SetAside { path, .. } => {
                tracing::error!("{opened}");
                self.damaged = Some((path.clone(), opened.to_string()));
            }
            Opened::Created | Opened::Current | Opened::Migrated { .. } => {
                tracing::info!("{opened}");
                self.compare(&journal, another, now);
            }
        }
        // What matters and is not in it is owed to it, before what came since.
        let last = journal.last();
        let missing = self.matters.drain(..).filter(|record| record.seq > last);
        self.owed = missing.chain(std::mem::take(&mut self.owed)).collect();
        journal.name_site(&self.site)?;
        self.seed = Some(journal.seed());
        self.journal = Some(journal);
        if self.pulse.is_none() {
            let pulse = Pulse::open(&self.path);
            self.pulse = pulse.inspect_err(|error| tracing::warn!("the journal's pulse: {error}")).ok();
        }
        Ok(())
    }

    /// A file whose readings turn out not to be sound is set aside; a new one begins with what
    /// matters.
    pub(super) fn look_at_check(&mut self, now: &Now) {
        let Some(why) = self.journal.as_mut().and_then(Journal::unsound) else { return };
        tracing::error!("journal: its readings are damaged: {why}");
        self.unsound = Some(why);
        self.let_go();
        match self.try_open(now) {
            // What matters is owed to the new one, and written at once.
            Ok(()) => self.retry = Some(now.mono),
            Err(error) => self.fail(&error, now),
        }
    }

    /// Notices what was kept and is not there any more.
    pub(super) fn compare(&mut self, journal: &Journal, another: bool, now: &Now) {
        let (found, kept) = (journal.last(), self.kept);
        let what = if found >= kept && !another || kept == 0 {
            return;
        } else if found == 0 {
            format!("the journal was emptied or begun anew: its records up to number {kept} are lost")
        } else if another {
            format!("another journal stands in the place of the one that was written to until record {kept}")
        } else {
            let first = found.saturating_add(1);
            let which = if first == kept {
                format!("record {kept} is")
            } else {
                format!("records {first} to {kept} are")
            };
            format!(
                "{which} missing at the journal's end: it was changed from outside, or its disk lost them"
            )
        };
        tracing::error!("{what}");
        self.noticed = Some((what, now.mono + NOTICED));
    }
}

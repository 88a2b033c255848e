//! How readings are written: finished minutes of memory go to the file beside the database at every
//! flush, from there into packs every six hours, and the journal is kept within its bounds. What an
//! older version wrote is packed in between.

use super::folding::{Added, Packs};
use super::migrating::{self, CopyStep};
use super::{Journal, JournalError, Pruned, minute_log, prune, schema};
use rusqlite::params;
use slackwater_rules::engine::Sample;
use slackwater_rules::time::{Moment, Now, Span};

/// After a failed write of readings, the next try comes after this long.
const RETRY: Span = Span::minutes(1);

/// What packs take at most of what lies in the file beside the database, with their share of upper
/// pages.
const GROWS: u64 = 2;

impl Journal {
    /// Takes samples into the minutes in memory. Nothing is written, and nothing is allocated
    /// for a sensor that is known and a minute that is open.
    pub fn sample(&mut self, samples: &[Sample]) {
        for sample in samples {
            self.minutes.add(sample);
        }
    }

    /// Does what is due, and costs next to nothing if nothing is: writes the finished minutes and a
    /// sign of life every [`JournalLimits::every`](super::JournalLimits::every), and prunes. To be
    /// called once a turn.
    ///
    /// # Errors
    /// What could not be written is kept in memory (within a bound) and tried again in a minute.
    pub fn tend(&mut self, now: &Now) -> Result<Pruned, JournalError> {
        if self.migrating.as_mut().is_some_and(|migrating| migrating.is_due(now.mono)) {
            self.migrate(now)?;
        }
        let due = *self.due.get_or_insert(now.mono + self.limits.every);
        let early = self.minutes.are_many() && !self.behind;
        if now.mono < due && !early {
            return Ok(Pruned::default());
        }
        let result = self.write_minutes(now, false).and_then(|made_room| self.prune(now, made_room));
        self.behind = result.is_err();
        self.due = Some(now.mono + if self.behind { RETRY } else { self.limits.every });
        result
    }

    /// When [`Journal::tend`] has something to do next, once it has been called.
    pub fn due(&self) -> Option<Moment> {
        self.due.into_iter().chain(self.migrating.as_ref().and_then(migrating::Migrating::due)).min()
    }

    /// Writes all that is in memory, unfinished minutes too: before the program ends.
    pub fn flush(&mut self, now: &Now) -> Result<(), JournalError> {
        self.write_minutes(now, true).map(drop)
    }

    /// Returns how many old minutes had to go for the new ones.
    fn write_minutes(&mut self, now: &Now, all: bool) -> Result<u64, JournalError> {
        self.still_ours()?;
        self.minutes.finish(if all { None } else { Some(now.mono) });
        let mut dropped = 0;
        if self.block_is_over(now) {
            dropped += self.fold(now)?;
        }
        let boot = self.name_all(now)?;
        let finished = self.minutes.finished();
        let mut append = || {
            let io = |error: std::io::Error| self.place.io(&error);
            self.latest.append(boot, now.mono, &finished).map_err(io)
        };
        if !append()? {
            dropped += self.fold(now)?;
            let io = |error: std::io::Error| self.place.io(&error);
            self.latest.append(boot, now.mono, &finished).map_err(io)?;
        }
        self.minutes.written();
        Ok(dropped)
    }

    /// Whether what lies beside the database belongs to a block that is over.
    fn block_is_over(&self, now: &Now) -> bool {
        let block = |moment: Moment| schema::block_of(moment.0.div_euclid(super::minutes::MINUTE));
        self.latest.began().is_some_and(|(boot, at)| {
            block(at) != block(now.mono) || self.row.is_some_and(|row| row.id != boot)
        })
    }

    /// The present boot's row, and rows of the sensors that have something to say: readers need
    /// them.
    fn name_all(&mut self, now: &Now) -> Result<i64, JournalError> {
        if let Some(row) = self.row
            && (row.trusted || !now.wall_trusted)
            && !self.minutes.has_new_sensors()
        {
            return Ok(row.id);
        }
        let mut minutes = std::mem::take(&mut self.minutes);
        let result = self.write(now, |tx, _| minutes.name_sensors(tx));
        if result.is_err() {
            minutes.refused();
        }
        self.minutes = minutes;
        let row = result?;
        self.row = Some(row);
        Ok(row.id)
    }

    /// Takes what lies beside the database into it. Returns how many old minutes had to go for it.
    pub(super) fn fold(&mut self, now: &Now) -> Result<u64, JournalError> {
        let chunks = self.latest.chunks();
        if chunks.is_empty() {
            self.latest.lost();
            return Ok(0);
        }
        let mut packer = std::mem::take(&mut self.packer);
        let (generation, length, limits) = (self.latest.generation(), self.latest.length(), self.limits);
        let mut dropped = 0;
        let result = self.write(now, |tx, _| {
            dropped = prune::make_room(tx, &limits, length * GROWS)?;
            let mut packs = Packs::default();
            for chunk in chunks {
                tx.execute(
                    "UPDATE boots SET alive = max(ifnull(alive, ?2), ?2) WHERE id = ?1",
                    params![chunk.boot, chunk.alive.0],
                )?;
                for (sensor, buckets) in chunk.minutes {
                    packs.add(chunk.boot, sensor, buckets);
                }
            }
            packs.write(tx, &mut packer, Added::Later)?;
            tx.execute("UPDATE meta SET value = ? WHERE key = 'folded'", [generation.cast_signed()])?;
            Ok(())
        });
        self.packer = packer;
        self.row = Some(result?);
        self.latest.folded();
        Ok(dropped)
    }

    fn prune(&mut self, now: &Now, made_room: u64) -> Result<Pruned, JournalError> {
        let keep_from = self.horizon.min(self.last);
        let mut pruned =
            prune::prune(&self.db, &self.limits, now, keep_from).map_err(|error| self.place.error(error))?;
        pruned.readings += made_room;
        pruned.unwritten = self.minutes.take_lost();
        self.on_disk = super::file::OnDisk::look(&self.place.0);
        Ok(pruned)
    }

    /// One step towards packs.
    pub(super) fn migrate(&mut self, now: &Now) -> Result<(), JournalError> {
        let Some(migrating) = &mut self.migrating else { return Ok(()) };
        if migrating.look_after_copy(&self.place.0, now.mono) == CopyStep::Waits {
            return Ok(());
        }
        let mut packer = std::mem::take(&mut self.packer);
        let mut moved = 0;
        let result = self.write(now, |tx, _| {
            moved = migrating::move_rows(tx, &mut packer)?;
            Ok(())
        });
        self.packer = packer;
        self.row = Some(result?);
        if moved > 0 {
            return Ok(());
        }
        let more = migrating::give_room_back(&self.db).map_err(|error| self.place.error(error))?;
        self.on_disk = super::file::OnDisk::look(&self.place.0);
        if !more {
            migrating::finished(&self.place.0);
            self.migrating = None;
        }
        Ok(())
    }
}

const _: () = assert!(minute_log::MOST < 4 << 20, "what is folded at once must be little");

//! The pulse: one small file beside the journal that says, to a minute, until when the watch lived
//! and which record it kept last. It is written in place, so it needs no room on a full disk and
//! one sector a minute of a card; by turns in two places, so that a torn write leaves the other. A
//! journal that has lost its end can't know that; this file tells.

use super::sectors::{SECTOR, SectorFile};
use super::{BootId, beside};
use serde::{Deserialize, Serialize};
use slackwater_rules::record::Seq;
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::Path;

/// How often the pulse beats.
pub const EVERY: Span = Span::minutes(1);

/// One beat in bytes; and how far the two lie apart: a block of most disks and cards.
const LENGTH: usize = SECTOR;
const APART: u64 = 4096;

/// A sign of life.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Beat {
    /// Rises by one with every beat.
    count: u64,
    boot: String,
    mono: i64,
    wall: i64,
    trusted: bool,
    /// The journal's own random number: another one is another journal.
    pub seed: u64,
    /// The highest number that the journal had kept.
    pub last: Seq,
}

impl Beat {
    /// In which boot.
    pub fn boot(&self) -> BootId {
        BootId(self.boot.clone())
    }

    /// When.
    pub fn at(&self) -> Now {
        Now { mono: Moment(self.mono), wall: Wall(self.wall), wall_trusted: self.trusted }
    }

    /// How long ago that was, if both clocks can be compared.
    pub fn ago(&self, boot: &BootId, now: &Now) -> Option<Span> {
        let ago = match self.boot == boot.0 {
            true => now.mono - Moment(self.mono),
            false if self.trusted && now.wall_trusted => now.wall - Wall(self.wall),
            false => return None,
        };
        (ago >= Span::ZERO).then_some(ago)
    }
}

/// The last beat that the journal at `path` left; none if there is none that is whole.
pub fn read(path: &Path) -> Option<Beat> {
    let file = File::open(beside(path, "-pulse")).ok()?;
    let one = |place| {
        let mut bytes = [0; LENGTH];
        file.read_exact_at(&mut bytes, place).ok()?;
        let text = std::str::from_utf8(&bytes).ok()?;
        let (sum, rest) = text.trim_end().split_once(' ')?;
        (sum == format!("{:016x}", fnv(rest.as_bytes()))).then_some(())?;
        serde_json::from_str::<Beat>(rest).ok()
    };
    [one(0), one(APART)].into_iter().flatten().max_by_key(|beat| beat.count)
}

/// The writing end.
#[derive(Debug)]
pub struct Pulse {
    file: SectorFile,
    count: u64,
}

impl Pulse {
    /// Opens the file for the journal at `path`, or makes it with all the room it will ever need.
    ///
    /// # Errors
    /// What the disk says.
    pub fn open(path: &Path) -> io::Result<Self> {
        let count = read(path).map_or(0, |beat| beat.count);
        let file = SectorFile::open(&beside(path, "-pulse"), APART + LENGTH as u64)?;
        Ok(Self { file, count })
    }

    /// Beats. Only with `sync` does it outlast a power cut; the end of the process it outlasts
    /// anyway.
    ///
    /// # Errors
    /// What the disk says.
    pub fn beat(&mut self, boot: &BootId, now: &Now, seed: u64, last: Seq, sync: bool) -> io::Result<()> {
        self.count += 1;
        let beat = Beat {
            count: self.count,
            boot: boot.0.clone(),
            mono: now.mono.0,
            wall: now.wall.0,
            trusted: now.wall_trusted,
            seed,
            last,
        };
        let text = serde_json::to_string(&beat)?;
        let line = format!("{:016x} {text}", fnv(text.as_bytes()));
        if line.len() > LENGTH {
            return Err(io::Error::other("a beat longer than its place"));
        }
        let place = if self.count.is_multiple_of(2) { 0 } else { APART };
        match sync {
            true => self.file.write_synced(place, line.as_bytes()),
            false => self.file.write(place, line.as_bytes()),
        }
    }
}

/// FNV-1a, 64 bits (RFC 9923): enough to tell a torn or a flipped beat from a whole one.
pub(super) fn fnv(bytes: &[u8]) -> u64 {
    bytes
        .iter()
        .fold(0xcbf2_9ce4_8422_2325, |sum, byte| (sum ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3))
}

//! The latest minutes, on their way into the database: a small file beside it, written in place. A
//! flush of all sensors appends one chunk of a sector or three here; every few hours they are
//! folded into the database as packs ([`super::folding`]), and the file begins anew. So a card
//! takes a few sectors a flush instead of a page of the database, one of its log of writes, and
//! both again.
//!
//! A chunk bears the database's random number, a generation, and a checksum. Generations up to the
//! one that the database says it has folded are of no use any more; so nothing is counted twice and
//! nothing lost, whatever instant the power fails at.

use super::beside;
use super::bucket::Bucket;
use super::packing::{self, Means, Packer, Unpacked, put_number, take_number};
use super::pulse::fnv;
use super::sectors::{SECTOR, SectorFile};
use slackwater_rules::time::Moment;
use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// The room that it is made with, in bytes: six hours of some fifty sensors.
const ROOM: u64 = 64 << 10;

/// It is folded before it grows beyond this, in bytes.
pub(super) const MOST: u64 = 1 << 20;

const MAGIC: [u8; 8] = *b"SlkWmin1";

/// Magic, seed, generation, boot, moment, length, checksum.
const HEAD: usize = 8 + 8 + 8 + 8 + 8 + 8 + 8;

/// What one flush left.
#[derive(Debug)]
pub(super) struct Chunk {
    generation: u64,
    /// The boot's row.
    pub(super) boot: i64,
    /// The watch lived then.
    pub(super) alive: Moment,
    /// Finished minutes, with the sensors' rows.
    pub(super) minutes: Vec<(i64, Vec<Bucket>)>,
}

/// All that is in the file and not yet in the database whose random number is `seed`, and which has
/// folded generations up to `folded`. Nothing if there is no such file, or another journal's.
pub(super) fn read(path: &Path, seed: i64, folded: u64) -> Vec<Chunk> {
    let Ok(octets) = fs::read(beside(path, "-minutes")) else { return Vec::new() };
    let (mut packer, mut chunks) = (Packer::default(), Vec::new());
    for_each(&octets, seed, |Head { generation, boot, alive }, squeezed| {
        let minutes = if generation > folded { minutes(squeezed, &mut packer) } else { None };
        let known = minutes.map(|minutes| chunks.push(Chunk { generation, boot, alive, minutes }));
        known.is_some()
    });
    chunks
}

/// Those that a database which has folded so much lacks.
pub(super) fn newer(mut chunks: Vec<Chunk>, folded: u64) -> Vec<Chunk> {
    chunks.retain(|chunk| chunk.generation > folded);
    chunks
}

impl Chunk {
    /// The first and last minute in it.
    pub(super) fn ends(&self) -> Option<(i64, i64)> {
        let minutes = || self.minutes.iter().flat_map(|(_, buckets)| buckets).map(|bucket| bucket.minute);
        minutes().min().zip(minutes().max())
    }
}

/// The latest sign of life of each boot's row that is in the file, by the same bounds.
pub(super) fn alive(path: &Path, seed: i64, folded: u64) -> BTreeMap<i64, Moment> {
    let mut found: BTreeMap<i64, Moment> = BTreeMap::new();
    let Ok(octets) = fs::read(beside(path, "-minutes")) else { return found };
    for_each(&octets, seed, |head, _| {
        let newer = head.generation > folded;
        if newer {
            let known = found.entry(head.boot).or_insert(head.alive);
            *known = head.alive.max(*known);
        }
        newer
    });
    found
}

/// What a chunk says of itself.
#[derive(Clone, Copy, Debug)]
struct Head {
    generation: u64,
    boot: i64,
    alive: Moment,
}

/// Gives each whole chunk of the generation with which the file begins to `take`, until it says
/// false; and says where they end.
fn for_each(octets: &[u8], seed: i64, mut take: impl FnMut(Head, &[u8]) -> bool) -> usize {
    let (mut at, mut generation) = (0, None);
    while let Some((head, squeezed)) = octets.get(at..).and_then(|rest| whole(rest, seed)) {
        if *generation.get_or_insert(head.generation) != head.generation || !take(head, squeezed) {
            break;
        }
        at += (HEAD + squeezed.len()).next_multiple_of(SECTOR);
    }
    at
}

/// The chunk that begins here, if it is whole and of this journal.
fn whole(octets: &[u8], seed: i64) -> Option<(Head, &[u8])> {
    let head = octets.get(..HEAD)?;
    let field = |nth: usize| {
        let octets = head.get(8 * nth..8 * (nth + 1))?.try_into().ok()?;
        Some(u64::from_le_bytes(octets))
    };
    let length = usize::try_from(field(5)?).ok().filter(|length| *length <= octets.len())?;
    let squeezed = octets.get(HEAD..HEAD.checked_add(length)?)?;
    let sound = head.get(..8)? == MAGIC
        && field(1)? == seed.cast_unsigned()
        && field(6)? == fnv(head.get(..HEAD - 8)?) ^ fnv(squeezed);
    let head =
        Head { generation: field(2)?, boot: field(3)?.cast_signed(), alive: Moment(field(4)?.cast_signed()) };
    sound.then_some((head, squeezed))
}

/// The minutes of a chunk by their sensors' rows.
fn minutes(squeezed: &[u8], packer: &mut Packer) -> Option<Vec<(i64, Vec<Bucket>)>> {
    let plain = packer.loosen(squeezed)?;
    let (mut at, mut minutes) = (0, Vec::new());
    while at < plain.len() {
        let sensor = take_number(&plain, &mut at)?;
        let from = take_number(&plain, &mut at)?;
        let length = usize::try_from(take_number(&plain, &mut at)?).ok()?;
        let columns = plain.get(at..at.checked_add(length)?)?;
        at += length;
        let unpacked = Unpacked::new(from.cast_signed(), columns.to_vec())?;
        minutes.push((sensor.cast_signed(), unpacked.collect()));
    }
    Some(minutes)
}

/// The writing end.
#[derive(Debug)]
pub(super) struct MinuteLog {
    path: PathBuf,
    seed: i64,
    file: Option<SectorFile>,
    generation: u64,
    /// Where the next chunk goes.
    end: u64,
    /// Of the first chunk that is in it: whose boot, and when.
    began: Option<(i64, Moment)>,
    packer: Packer,
}

impl MinuteLog {
    /// Goes on where the file ends. It is made by the first chunk.
    pub(super) fn open(path: &Path, seed: i64, folded: u64) -> Self {
        let kept = read(path, seed, folded);
        let mut log = Self {
            path: path.to_owned(),
            seed,
            file: None,
            generation: kept.first().map_or(folded + 1, |first| first.generation),
            end: 0,
            began: kept.first().map(|first| (first.boot, first.alive)),
            packer: Packer::default(),
        };
        if !kept.is_empty() {
            let octets = fs::read(beside(path, "-minutes")).unwrap_or_default();
            log.end = for_each(&octets, seed, |_, _| true) as u64;
        }
        log
    }

    /// Keeps what is finished, on the disk when this returns. False if there is no room left before
    /// what is in it has been folded.
    ///
    /// # Errors
    /// What the disk says.
    pub(super) fn append(
        &mut self,
        boot: i64,
        alive: Moment,
        minutes: &[(i64, Vec<Bucket>)],
    ) -> io::Result<bool> {
        let mut plain = Vec::new();
        for (sensor, buckets) in minutes {
            let Some(first) = buckets.first() else { continue };
            let columns = packing::columns(first.minute, buckets, Means::Rounded);
            put_number(&mut plain, sensor.cast_unsigned());
            put_number(&mut plain, first.minute.cast_unsigned());
            put_number(&mut plain, columns.len() as u64);
            plain.extend(columns);
        }
        let squeezed = self.packer.squeeze(&plain);
        let mut octets = MAGIC.to_vec();
        let fields = [
            self.seed.cast_unsigned(),
            self.generation,
            boot.cast_unsigned(),
            alive.0.cast_unsigned(),
            squeezed.len() as u64,
        ];
        fields.iter().for_each(|field| octets.extend(field.to_le_bytes()));
        let sum = fnv(&octets) ^ fnv(&squeezed);
        octets.extend(sum.to_le_bytes());
        octets.extend(squeezed);
        let length = octets.len().next_multiple_of(SECTOR) as u64;
        if self.end > 0 && self.end + length > MOST {
            return Ok(false);
        }
        if self.file.as_ref().is_some_and(|file| !file.is_there()) {
            // What was in it is lost with it; what comes is not.
            (self.file, self.end, self.began) = (None, 0, None);
        }
        let file = match &mut self.file {
            Some(file) => file,
            none => none.insert(SectorFile::open(&beside(&self.path, "-minutes"), ROOM)?),
        };
        file.write_synced(self.end, &octets)?;
        self.end += length;
        self.began.get_or_insert((boot, alive));
        Ok(true)
    }

    /// What is in it and not in the database.
    pub(super) fn chunks(&self) -> Vec<Chunk> {
        read(&self.path, self.seed, self.generation - 1)
    }

    /// The generation that is being written.
    pub(super) fn generation(&self) -> u64 {
        self.generation
    }

    /// How much is in it, in bytes.
    pub(super) fn length(&self) -> u64 {
        self.end
    }

    /// What was in it is gone: somebody has removed the file.
    pub(super) fn lost(&mut self) {
        (self.end, self.began) = (0, None);
    }

    /// What is in it is in the database too.
    pub(super) fn folded(&mut self) {
        self.generation += 1;
        (self.end, self.began) = (0, None);
    }

    /// Of the first chunk that is in it: whose boot, and when.
    pub(super) fn began(&self) -> Option<(i64, Moment)> {
        self.began
    }
}

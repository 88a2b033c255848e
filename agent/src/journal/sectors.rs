//! A small file that is written in place, sector by sector, past the page cache where the disk
//! allows it: a sign of life of a few octets a minute then costs a card one sector of 512 octets,
//! not a page of eight. Its room is taken when it is made, so a full disk takes nothing from it and
//! no other block of the disk has to be written with it.

use rustix::fs::OFlags;
use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::{FileExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

/// What disks write at once, in bytes.
pub(super) const SECTOR: usize = 512;

#[derive(Debug)]
pub(super) struct SectorFile {
    path: PathBuf,
    file: File,
    /// Past the page cache; none where the file system or the disk does not take that.
    direct: Option<File>,
}

impl SectorFile {
    /// Opens it, or makes it with all the room it will need, for its owner only.
    ///
    /// # Errors
    /// What the disk says.
    pub(super) fn open(path: &Path, room: u64) -> io::Result<Self> {
        let file =
            OpenOptions::new().read(true).write(true).create(true).truncate(false).mode(0o600).open(path)?;
        let has = file.metadata()?.len();
        if has < room {
            let lacking = usize::try_from(room - has).unwrap_or(0);
            file.write_all_at(&vec![b' '; lacking], has)?;
            file.sync_all()?;
        }
        let flags = OFlags::DIRECT.bits().cast_signed();
        let direct = OpenOptions::new().write(true).custom_flags(flags).open(path).ok();
        Ok(Self { path: path.to_owned(), file, direct })
    }

    /// Writes from a sector's beginning on; what is left of the last sector is filled with blanks.
    /// It outlasts a power cut when this returns.
    ///
    /// # Errors
    /// What the disk says.
    pub(super) fn write_synced(&mut self, place: u64, octets: &[u8]) -> io::Result<()> {
        let whole = octets.len().next_multiple_of(SECTOR);
        // Past the page cache the memory, too, has to begin where a sector could.
        let mut buffer: Vec<u8> = Vec::with_capacity(whole + SECTOR);
        let from = buffer.as_ptr().align_offset(SECTOR).min(SECTOR);
        buffer.resize(from, b' ');
        buffer.extend_from_slice(octets);
        buffer.resize(from + whole, b' ');
        let sectors = buffer.get(from..).unwrap_or_default();
        if let Some(direct) = &self.direct {
            match direct.write_all_at(sectors, place).and_then(|()| direct.sync_data()) {
                // Larger sectors than ours, or a file system that has a page cache and nothing
                // else.
                Err(error) if error.raw_os_error() == Some(libc::EINVAL) => self.direct = None,
                other => return other,
            }
        }
        self.file.write_all_at(sectors, place)?;
        self.file.sync_data()
    }

    /// The same, but it outlasts only the end of the process.
    ///
    /// # Errors
    /// What the disk says.
    pub(super) fn write(&mut self, place: u64, octets: &[u8]) -> io::Result<()> {
        let mut sectors = octets.to_vec();
        sectors.resize(octets.len().next_multiple_of(SECTOR), b' ');
        self.file.write_all_at(&sectors, place)
    }

    /// Whether its name still leads to it.
    pub(super) fn is_there(&self) -> bool {
        let same = |ours: std::fs::Metadata| {
            std::fs::metadata(&self.path).is_ok_and(|it| (it.dev(), it.ino()) == (ours.dev(), ours.ino()))
        };
        self.file.metadata().is_ok_and(same)
    }
}

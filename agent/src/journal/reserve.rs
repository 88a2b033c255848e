//! Room that is set aside at start, 1 MiB, so that a disk which others have filled still takes what
//! matters: records of alarms and call-outs. Half of it lies within the journal's own file
//! ([`Journal::set_aside`](super::Journal::set_aside)), where nobody else can take it. This is the
//! other half, a file of its own for the log of writes: given up in steps, each only when a write
//! has found no room, since whoever filled the disk may take what becomes free; and taken back when
//! the disk has room again.

use super::beside;
use rustix::fs::{FallocateFlags, fallocate, statvfs};
use std::fs::{self, File, OpenOptions};
use std::io;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// So much is set aside, in bytes.
const WHOLE: u64 = 512 << 10;

/// So much is given up at a time.
const STEP: u64 = 64 << 10;

/// The disk has room again if so much is free beside what is taken back.
const BREATH: u64 = 2 << 20;

/// What is set aside.
#[derive(Debug)]
pub struct Reserve {
    path: PathBuf,
    /// How much of it is left, in bytes.
    left: u64,
}

impl Reserve {
    /// For the journal at `path`. What can't be set aside now is tried again by [`Reserve::renew`].
    pub fn set_aside(path: &Path) -> Self {
        let mut reserve = Self { path: beside(path, "-reserve"), left: 0 };
        if let Err(error) = reserve.fill() {
            tracing::warn!("no room can be set aside for records on a full disk: {error}");
        }
        reserve
    }

    fn fill(&mut self) -> io::Result<()> {
        let options = || OpenOptions::new().write(true).create(true).truncate(false).mode(0o600).clone();
        let file = options().open(&self.path)?;
        let result = fallocate(&file, FallocateFlags::empty(), 0, WHOLE).map_err(io::Error::from);
        let result = result.and_then(|()| file.set_len(WHOLE)).and_then(|()| file.sync_all());
        self.left = if result.is_ok() { WHOLE } else { 0 };
        if result.is_err() {
            // Half of it is nothing to count on, and takes room from others.
            let _ = fs::remove_file(&self.path);
        }
        result
    }

    /// Gives up a step of it; false if there is nothing left.
    pub fn give(&mut self) -> bool {
        if self.left == 0 {
            return false;
        }
        self.left = self.left.saturating_sub(STEP);
        let shorter = |file: File| {
            file.set_len(self.left)?;
            // Blocks are free only once the file system has written down that they are.
            file.sync_all()
        };
        let given = OpenOptions::new().write(true).open(&self.path).and_then(shorter);
        if let Err(error) = &given {
            tracing::error!("the room that was set aside can't be given up: {error}");
        }
        given.is_ok()
    }

    /// Whether nothing is left on the disk but what is set aside: known before a write finds it
    /// out.
    pub fn is_disk_full(&self) -> bool {
        self.free().is_some_and(|free| free < STEP)
    }

    /// What the disk still takes, in bytes.
    fn free(&self) -> Option<u64> {
        let folder = self.path.parent().filter(|folder| !folder.as_os_str().is_empty());
        let disk = statvfs(folder.unwrap_or(Path::new("."))).ok()?;
        Some(disk.f_bavail.saturating_mul(disk.f_frsize))
    }

    /// Takes all of it back if the disk has room for that and more; whether there is both now.
    pub fn renew(&mut self) -> bool {
        let wanted = (WHOLE - self.left) + BREATH;
        self.free().is_some_and(|free| free >= wanted) && (self.left == WHOLE || self.fill().is_ok())
    }
}

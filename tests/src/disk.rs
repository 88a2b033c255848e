//! A small disk of a test's own, for what happens when one is full or takes no writes: a file
//! system in memory.

use std::fs::{self, OpenOptions};
use std::io::{self, ErrorKind, Write as _};
use std::path::{Path, PathBuf};
use std::process::Command;

/// A file system of 8 MiB in memory; gone when dropped.
pub struct MemoryDisk(PathBuf);

impl MemoryDisk {
    /// A new folder with the disk in it. Nothing where that is not permitted, which is said with
    /// what is left out for that.
    ///
    /// # Panics
    /// When the folder can't be made.
    pub fn mount(folder: &Path, left_out: &str) -> Option<Self> {
        fs::create_dir(folder).expect("a folder");
        let mut mount = Command::new("mount");
        let mount = mount.args(["-t", "tmpfs", "-o", "size=8m", "tmpfs"]).arg(folder);
        if !mount.output().is_ok_and(|output| output.status.success()) {
            eprintln!("LEFT OUT: a disk can't be mounted here (that takes root), so {left_out}");
            return None;
        }
        Some(Self(folder.to_owned()))
    }

    /// Mounts it anew with this option.
    ///
    /// # Panics
    /// When it can't be.
    pub fn remount(&self, how: &str) {
        let options = format!("remount,{how}");
        let status = Command::new("mount").args(["-o", &options]).arg(&self.0).status();
        assert!(status.expect("it runs").success(), "{how}");
    }

    /// Somebody else takes all room that is left, to the last byte; says how much that was.
    ///
    /// # Errors
    /// Anything but that no room is left.
    pub fn fill(&self) -> io::Result<usize> {
        let mut file = OpenOptions::new().create(true).append(true).open(self.filler())?;
        let mut taken = 0;
        for size in [64 << 10, 4 << 10, 1] {
            let bytes = vec![b'x'; size];
            loop {
                match file.write(&bytes) {
                    Ok(0) => break,
                    Ok(written) => taken += written,
                    Err(error) if error.kind() == ErrorKind::StorageFull => break,
                    Err(error) => return Err(error),
                }
            }
        }
        Ok(taken)
    }

    /// What [`Self::fill`] took is given back.
    ///
    /// # Errors
    /// When it can't be removed.
    pub fn empty(&self) -> io::Result<()> {
        fs::remove_file(self.filler())
    }

    fn filler(&self) -> PathBuf {
        self.0.join("somebody-elses")
    }
}

impl Drop for MemoryDisk {
    fn drop(&mut self) {
        // The folder goes with the test's; a mount would outlive it.
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

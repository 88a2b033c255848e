//! The kernel's small files, read without holding anything up. Opening a thermometer's file waits
//! for the conversion, 750 ms when all is well and without end when a driver hangs, in a way that
//! no runtime can break off. So each reading is a thread of its own that may be left behind, and
//! never more than one for a file.

use std::fs::File;
use std::io::{self, Read};
use std::path::PathBuf;
use std::thread;
use std::time::Duration;
use tokio::sync::oneshot;
use tokio::time::timeout;

/// Far more than any of these files has: the kernel gives a page at most.
const LONGEST: u64 = 4096;

/// How long one file may take: several conversions of the slowest thermometer.
const PATIENCE: Duration = Duration::from_secs(4);

/// A file in sysfs.
#[derive(Debug)]
pub(super) struct KernelFile {
    path: PathBuf,
    /// A reading that has not come back yet.
    open: Option<oneshot::Receiver<io::Result<String>>>,
}

/// Why it gives nothing.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Unread {
    /// It isn't there.
    Missing,
    /// It is there, and can't be read: why.
    Failed(String),
}

impl KernelFile {
    pub(super) fn new(path: PathBuf) -> Self {
        Self { path, open: None }
    }

    /// Its text without the last line's end.
    pub(super) async fn read(&mut self) -> Result<String, Unread> {
        if let Some(earlier) = &mut self.open {
            // What came late is of no use: it was measured long ago.
            if let Err(oneshot::error::TryRecvError::Empty) = earlier.try_recv() {
                return Err(self.hangs());
            }
        }
        let (to, mut from) = oneshot::channel();
        let path = self.path.clone();
        let started = thread::Builder::new().name("kernel-file".to_owned()).spawn(move || {
            // Nobody may be waiting any more.
            let _ = to.send(read(path));
        });
        if let Err(error) = started {
            return Err(Unread::Failed(format!("no thread to read {}: {error}", self.path.display())));
        }
        let came = timeout(PATIENCE, &mut from).await;
        match came {
            Ok(Ok(Ok(text))) => Ok(text.trim_end().to_owned()),
            Ok(Ok(Err(error))) if error.kind() == io::ErrorKind::NotFound => Err(Unread::Missing),
            Ok(Ok(Err(error))) => {
                Err(Unread::Failed(format!("{} can't be read: {error}", self.path.display())))
            }
            Ok(Err(_)) => Err(Unread::Failed(format!("reading {} broke off", self.path.display()))),
            Err(_) => {
                self.open = Some(from);
                Err(self.hangs())
            }
        }
    }

    fn hangs(&self) -> Unread {
        let seconds = PATIENCE.as_secs();
        Unread::Failed(format!("the kernel has not answered for {seconds} s: {}", self.path.display()))
    }
}

fn read(path: PathBuf) -> io::Result<String> {
    let mut bytes = Vec::new();
    File::open(path)?.take(LONGEST).read_to_end(&mut bytes)?;
    String::from_utf8(bytes).map_err(|_| io::Error::new(io::ErrorKind::InvalidData, "it is not text"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_file_that_hangs_is_waited_for_once_and_left_alone_until_it_comes_back() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("temperature");
        // Opening a pipe waits for its other end, as opening a thermometer waits for the bus.
        rustix::fs::mkfifoat(rustix::fs::CWD, &path, rustix::fs::Mode::RUSR | rustix::fs::Mode::WUSR)
            .expect("a pipe");
        let mut file = KernelFile::new(path.clone());
        let begun = std::time::Instant::now();
        assert!(matches!(file.read().await, Err(Unread::Failed(why)) if why.contains("has not answered")));
        assert!(begun.elapsed() >= PATIENCE);
        let begun = std::time::Instant::now();
        assert!(matches!(file.read().await, Err(Unread::Failed(_))));
        assert!(begun.elapsed() < PATIENCE, "no second thread waits for it");
        // The hanging reading ends, and its late answer is thrown away.
        std::fs::write(&path, "late").expect("its other end");
        std::fs::remove_file(&path).expect("removed");
        std::fs::write(&path, "25062\n").expect("written");
        let text = loop {
            match file.read().await {
                Ok(text) => break text,
                Err(_) => assert!(begun.elapsed() < PATIENCE),
            }
            tokio::task::yield_now().await;
        };
        assert_eq!(text, "25062");
    }

    #[tokio::test]
    async fn a_file_that_is_not_there_is_told_from_one_that_can_not_be_read() {
        let folder = tempfile::tempdir().expect("a folder");
        assert_eq!(KernelFile::new(folder.path().join("none")).read().await, Err(Unread::Missing));
        let unreadable = KernelFile::new(folder.path().to_owned()).read().await;
        assert!(matches!(unreadable, Err(Unread::Failed(why)) if why.contains("can't be read")));
    }
}

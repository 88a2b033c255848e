//! Whether something stays as it was: figures of the first and of the last part of a long run, side
//! by side, and where a process's memory and a journal's disk are read.

use std::fmt;
use std::fs;
use std::path::Path;
use std::time::Duration;

/// Times in buckets a twelfth of an octave wide: millions of them in a few hundred numbers.
#[derive(Clone, Debug)]
pub struct Times {
    buckets: Vec<u64>,
    most: Duration,
    count: u64,
}

const STEPS: f64 = 12.0;

impl Default for Times {
    fn default() -> Self {
        Self { buckets: vec![0; 48 * 12], most: Duration::ZERO, count: 0 }
    }
}

impl Times {
    /// One more.
    pub fn push(&mut self, took: Duration) {
        let nanos = took.as_nanos().max(1) as f64;
        let at = ((nanos.log2() * STEPS) as usize).min(self.buckets.len() - 1);
        self.buckets[at] += 1;
        self.most = self.most.max(took);
        self.count += 1;
    }

    /// So many of a million are no longer than this, to 6 %.
    pub fn of_a_million(&self, share: u64) -> Duration {
        let wanted =
            u64::try_from(u128::from(self.count) * u128::from(share) / 1_000_000).unwrap_or(self.count);
        let mut seen = 0;
        for (at, count) in self.buckets.iter().enumerate() {
            seen += count;
            if seen > wanted {
                return Duration::from_nanos(((at + 1) as f64 / STEPS).exp2() as u64).min(self.most);
            }
        }
        self.most
    }

    /// The longest.
    pub fn most(&self) -> Duration {
        self.most
    }

    /// How many.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// All of both.
    pub fn add(&mut self, other: &Self) {
        self.buckets.iter_mut().zip(&other.buckets).for_each(|(mine, theirs)| *mine += theirs);
        self.most = self.most.max(other.most);
        self.count += other.count;
    }
}

impl fmt::Display for Times {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ms = |took: Duration| took.as_secs_f64() * 1e3;
        write!(
            f,
            "{:.3} ms (median), {:.3} (999 of 1,000), {:.1} (longest) of {}",
            ms(self.of_a_million(500_000)),
            ms(self.of_a_million(999_000)),
            ms(self.most),
            self.count
        )
    }
}

/// A line of `/proc/PID/status` in MiB.
///
/// # Panics
/// When there is no such process, or no such line.
pub fn mebibytes(pid: &str, key: &str) -> f64 {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).expect("it runs");
    let line = status.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix(':'));
    let kib = line.and_then(|line| line.trim().strip_suffix(" kB")?.parse::<f64>().ok());
    kib.unwrap_or_else(|| panic!("no {key} in:\n{status}")) / 1024.0
}

/// What a journal takes of the disk with all that stands beside it, in MiB.
pub fn on_disk(folder: &Path) -> f64 {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let sizes = entries.filter(|entry| entry.file_name().to_string_lossy().starts_with("journal"));
    sizes.filter_map(|entry| entry.metadata().ok()).map(|metadata| metadata.len()).sum::<u64>() as f64
        / f64::from(1 << 20)
}

/// What keeps the machine busy, beside which a time is to be read.
pub fn load() -> String {
    let load = fs::read_to_string("/proc/loadavg").unwrap_or_default();
    load.split(' ').take(3).collect::<Vec<_>>().join(" ")
}

//! The file in which a witness keeps what it knows of each site over a restart. It is written now
//! and then and not with each check-in, so a crash forgets the last half hour: what could be
//! replayed of that is late for a witness whose clock is set, and late check-ins are no sign of
//! life.

use slackwater_rules::checkin::Known;
use slackwater_rules::time::{Moment, Span};
use std::collections::BTreeMap;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// Between two writings, unless something must not be forgotten.
const EVERY: Span = Span::minutes(30);

/// Far more than hundreds of sites need.
const LARGEST: u64 = 16 << 20;

/// The file, and whether what is in it is still true.
#[derive(Debug)]
pub(super) struct SiteMemory {
    path: PathBuf,
    written: Moment,
    stale: bool,
    trouble: bool,
}

impl SiteMemory {
    /// Reads what an earlier life left. A file that can't be read is said, and begun anew.
    pub(super) fn open(path: PathBuf, now: Moment) -> (Self, BTreeMap<String, Known>) {
        let known = match read(&path) {
            Ok(known) => known,
            Err(why) => {
                tracing::error!("{}: {why}; what was known of watched sites is lost", path.display());
                BTreeMap::new()
            }
        };
        (Self { path, written: now, stale: false, trouble: false }, known)
    }

    /// Something is known that the file doesn't have.
    pub(super) fn touch(&mut self) {
        self.stale = true;
    }

    /// Writes if it is time, or if it can't wait.
    pub(super) fn tend(&mut self, known: &BTreeMap<String, Known>, now: Moment, at_once: bool) {
        if !self.stale || !(at_once || now - self.written >= EVERY) {
            return;
        }
        self.written = now;
        match write(&self.path, known) {
            Ok(()) => (self.stale, self.trouble) = (false, false),
            Err(why) => {
                if !std::mem::replace(&mut self.trouble, true) {
                    tracing::error!("{}: {why}; it is tried again", self.path.display());
                }
            }
        }
    }
}

fn read(path: &Path) -> Result<BTreeMap<String, Known>, String> {
    match fs::metadata(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(BTreeMap::new()),
        Err(error) => return Err(error.to_string()),
        Ok(about) if about.len() > LARGEST => {
            return Err(format!("{} bytes are more than {LARGEST}", about.len()));
        }
        Ok(_) => {}
    }
    let text = fs::read(path).map_err(|error| error.to_string())?;
    serde_json::from_slice(&text).map_err(|error| error.to_string())
}

/// Whole or not at all: a new file takes the old one's name.
fn write(path: &Path, known: &BTreeMap<String, Known>) -> Result<(), String> {
    let text = serde_json::to_vec(known).map_err(|error| error.to_string())?;
    let beside = path.with_extension("json.new");
    let write = || {
        let mut file = fs::File::create(&beside)?;
        file.write_all(&text)?;
        file.sync_all()?;
        fs::rename(&beside, path)
    };
    write().map_err(|error| error.to_string())
}

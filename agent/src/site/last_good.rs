//! The last good copy of the rule file, beside the journal. A rule file that was taken flows in; at
//! a start whose rule file is broken it flows out again, so that a slip of the editor or of the
//! card before a power cut does not leave the tanks unwatched.

use crate::settings::read_text;
use std::fs::{self, OpenOptions};
use std::io::{self, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

/// Its name, in the journal's folder.
const NAME: &str = "last-good-rules.toml";

/// Where the copy of a site with this journal is.
pub fn place(journal: &Path) -> PathBuf {
    journal.with_file_name(NAME)
}

/// Keeps the text of a rule file that was taken: whole or not at all, and only if it is another
/// one.
///
/// # Errors
/// Why it can't be written.
pub fn keep(journal: &Path, rules: &str) -> io::Result<()> {
    let place = place(journal);
    if fs::read(&place).is_ok_and(|kept| kept == rules.as_bytes()) {
        return Ok(());
    }
    let new = place.with_extension("toml.new");
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&new)?;
    file.write_all(rules.as_bytes())?;
    file.sync_all()?;
    drop(file);
    fs::rename(new, place)
}

/// Keeps the text of a rule file that was taken, if it was that file, and lets go of it: it may be
/// large. The watch goes on without a copy.
pub fn keep_taken(journal: &Path, rules: Option<String>) {
    if let Some(Err(error)) = rules.map(|rules| keep(journal, &rules)) {
        tracing::warn!("no copy of the rule file is kept: {error}");
    }
}

/// The copy, if there is one that can be read.
pub(super) fn read(journal: &Path) -> Option<(PathBuf, String)> {
    let place = place(journal);
    let text = read_text(&place, "the last good copy").ok()?;
    Some((place, text))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_copy_is_whole_and_the_newest_one_taken() {
        let folder = tempfile::tempdir().unwrap();
        let journal = folder.path().join("journal.sqlite");
        assert_eq!(read(&journal), None);
        for text in ["[site]\n", "[site]\nname = \"Halyard House\"\n", "[site]\n"] {
            keep(&journal, text).unwrap();
            assert_eq!(read(&journal).map(|(_, kept)| kept).as_deref(), Some(text));
        }
        let names: Vec<_> =
            fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        assert_eq!(names, [NAME]);
    }

    #[test]
    fn a_disk_that_takes_no_writes_is_told_of() {
        let folder = tempfile::tempdir().unwrap();
        assert!(keep(&folder.path().join("missing/journal.sqlite"), "").is_err());
    }
}

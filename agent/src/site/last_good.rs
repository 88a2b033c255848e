//! The last good copies of both files, beside the journal. Files that were taken flow in; at a
//! start with a broken one they flow out again, so that a slip of the editor or of the card before
//! a power cut does not leave the tanks unwatched.

use super::{SiteFiles, WrongConfiguration};
use crate::settings::{
    Environment, Settings, UnusableFile, keep_settings, kept_settings, read_text, write_whole,
};
use slackwater_rules::plan::FindingsView;
use std::io;
use std::path::{Path, PathBuf};

/// The name of the rules' copy, in the journal's folder.
const NAME: &str = "last-good-rules.toml";

/// Where the copy of the rules of a site with this journal is.
pub fn place(journal: &Path) -> PathBuf {
    journal.with_file_name(NAME)
}

/// Keeps the text of a rule file that was taken: whole or not at all, and only if it is another
/// one.
///
/// # Errors
/// Why it can't be written.
pub fn keep(journal: &Path, rules: &str) -> io::Result<()> {
    write_whole(&place(journal), rules, 0o600)
}

/// Texts of files that were taken, to be kept; nothing of a file whose copy is what runs.
#[derive(Debug, Default)]
pub struct TakenTexts {
    /// The rule file's.
    pub rules: Option<String>,
    /// The agent's own file's.
    pub settings: Option<String>,
}

/// Keeps the texts that were taken, and lets go of them: they may be large. The watch goes on
/// without copies.
pub fn keep_taken(config: &Path, journal: &Path, taken: TakenTexts) {
    if let Some(Err(error)) = taken.rules.map(|rules| keep(journal, &rules)) {
        tracing::warn!("no copy of the rule file is kept: {error}");
    }
    if let Some(Err(error)) = taken.settings.map(|text| keep_settings(config, journal, &text)) {
        tracing::warn!("no copy of {} is kept: {error}", config.display());
    }
}

/// The copy of the rules, if there is one that can be read.
pub(super) fn read(journal: &Path) -> Option<(PathBuf, String)> {
    let place = place(journal);
    let text = read_text(&place, "the last good copy").ok()?;
    Some((place, text))
}

/// The site by the last good copy of the agent's own file, if that makes one where the file itself
/// does not.
pub(super) fn by_kept_settings(
    config: &Path,
    environment: &Environment,
    journal: Option<&Path>,
    wrong: &WrongConfiguration,
) -> Option<SiteFiles> {
    let text = kept_settings(config, journal, environment)?;
    let read = Settings::read_text(config, text, environment, UnusableFile::Sound);
    let mut site = SiteFiles::of(read, UnusableFile::Sound).ok()?;
    site.taken.settings = None;
    let name = config.file_name().unwrap_or(config.as_os_str()).to_string_lossy().into_owned();
    site.unusable.insert(name, why_kept(config, wrong));
    Some(site)
}

/// Why the copy runs, with the first mistake.
fn why_kept(config: &Path, wrong: &WrongConfiguration) -> String {
    let file = config.display().to_string();
    let rest = "the last good copy of it is in force; `slackwater check` says all of it";
    let rules = wrong.rules.as_ref().and_then(FindingsView::first_mistake);
    match (wrong.agent.first_mistake(), rules) {
        // What can't be read says so, and which file.
        (Some(first), _) if first.contains(&file) => format!("{first}: {rest}"),
        (Some(first), _) => format!("{file} has mistakes ({first}): {rest}"),
        (None, Some(first)) => {
            format!("{file} and the rule file don't go together ({first}): {rest}")
        }
        (None, None) => format!("{file} can't be used: {rest}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

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

//! The last good copy of the agent's own file, in the journal's folder. A file that was taken flows
//! in; at a start whose file is broken or gone it flows out again, and to whoever asks the watch
//! that runs by it.
//!
//! What `…-file` keys name is not copied: a secret stays in one place. The copy is as open as the
//! file is, at most for its group to read. Its first line says whose copy it is, so that no site
//! ever runs by another's.

use super::places::state_folder;
use super::reader::read_text;
use super::source::Environment;
use std::fs::{self, OpenOptions, Permissions};
use std::io::{self, Write as _};
use std::os::unix::fs::{OpenOptionsExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

/// Its name, in the journal's folder.
const NAME: &str = "last-good-agent.toml";

/// Where the units keep their journals, for whoever asks from outside of them.
const USUAL: [&str; 2] = ["/var/lib/slackwater", "/var/lib/slackwater-witness"];

/// For the owner to read and write, and for the group to read: never more.
const WIDEST: u32 = 0o640;
const OWNER: u32 = 0o600;

/// Keeps the text of an agent's file that was taken.
///
/// # Errors
/// Why it can't be written.
pub fn keep_settings(config: &Path, journal: &Path, text: &str) -> io::Result<()> {
    let mode = fs::metadata(config).map_or(OWNER, |about| about.permissions().mode() & WIDEST | OWNER);
    write_whole(&journal.with_file_name(NAME), &format!("{}\n{text}", first_line(config)), mode)
}

/// The copy of this file, if there is one that can be read: in the folder of `journal`, as far as
/// the broken file still names it, or where a journal usually is.
pub fn kept_settings(config: &Path, journal: Option<&Path>, environment: &Environment) -> Option<String> {
    let own = journal.map(|journal| journal.with_file_name(NAME));
    let folders = [state_folder(environment), config.parent()?.to_owned()];
    let usual = folders.into_iter().chain(USUAL.map(PathBuf::from)).map(|folder| folder.join(NAME));
    let whose = first_line(config);
    own.into_iter().chain(usual).find_map(|place| {
        let text = read_text(&place, "the last good copy").ok()?;
        text.split_once('\n').filter(|(first, _)| *first == whose).map(|(_, copy)| copy.to_owned())
    })
}

fn first_line(config: &Path) -> String {
    let whole = std::path::absolute(config).unwrap_or_else(|_| config.to_owned());
    format!("# The last good copy of {}, kept for a start with a broken one.", whole.display())
}

/// Writes a text so that it is there whole or not at all, and only if another one is there.
///
/// # Errors
/// Why it can't be written.
pub fn write_whole(place: &Path, text: &str, mode: u32) -> io::Result<()> {
    let same = |file: &fs::File| file.metadata().is_ok_and(|it| it.permissions().mode() & 0o7777 == mode);
    if fs::read(place).is_ok_and(|kept| kept == text.as_bytes())
        && fs::File::open(place).is_ok_and(|it| same(&it))
    {
        return Ok(());
    }
    let new = place.with_extension("toml.new");
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(OWNER).open(&new)?;
    file.set_permissions(Permissions::from_mode(mode))?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    drop(file);
    fs::rename(new, place)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn site(folder: &Path) -> (PathBuf, PathBuf) {
        let config = folder.join("agent.toml");
        fs::write(&config, "[site]\n").unwrap();
        (config, folder.join("state/journal.sqlite"))
    }

    #[test]
    fn a_copy_is_found_by_the_journal_and_by_the_folder_of_the_unit() {
        let folder = tempfile::tempdir().unwrap();
        let (config, journal) = site(folder.path());
        fs::create_dir(folder.path().join("state")).unwrap();
        let none = Environment::default();
        assert_eq!(kept_settings(&config, Some(&journal), &none), None);
        keep_settings(&config, &journal, "[site]\nzone = \"UTC\"\n").unwrap();
        let unit: Environment =
            [("STATE_DIRECTORY", folder.path().join("state").display().to_string())].into_iter().collect();
        for (journal, environment) in [(Some(&journal), &none), (None, &unit)] {
            let kept = kept_settings(&config, journal.map(PathBuf::as_path), environment);
            assert_eq!(kept.as_deref(), Some("[site]\nzone = \"UTC\"\n"));
        }
    }

    #[test]
    fn a_copy_is_no_other_site_s() {
        let folder = tempfile::tempdir().unwrap();
        let (config, journal) = site(folder.path());
        fs::create_dir(folder.path().join("state")).unwrap();
        keep_settings(&folder.path().join("other.toml"), &journal, "[site]\n").unwrap();
        assert_eq!(kept_settings(&config, Some(&journal), &Environment::default()), None);
    }

    #[test]
    fn a_copy_is_no_more_open_than_its_file() {
        let folder = tempfile::tempdir().unwrap();
        let (config, journal) = site(folder.path());
        fs::create_dir(folder.path().join("state")).unwrap();
        for (file, copy) in [(0o644, 0o640), (0o640, 0o640), (0o600, 0o600), (0o400, 0o600)] {
            fs::set_permissions(&config, Permissions::from_mode(file)).unwrap();
            keep_settings(&config, &journal, "[site]\n").unwrap();
            let kept = fs::metadata(journal.with_file_name(NAME)).unwrap().permissions().mode();
            assert_eq!(kept & 0o7777, copy, "{file:o}");
        }
    }
}

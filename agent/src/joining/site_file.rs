//! A site's file in the witness's folder of sites: the table `[watched.NAME]` and nothing else,
//! read by the same code as the rule file. Written when a site joins; what its keeper adds to it
//! later stays when the key is changed.

use slackwater_rules::plan::key_in_site;
use std::fs::{self, DirBuilder};
use std::io;
use std::os::unix::fs::DirBuilderExt as _;
use std::path::{Path, PathBuf};

/// How the names of these files end.
pub const ENDING: &str = "toml";

/// For the watch to write, and for its group to read.
pub const MODE: u32 = 0o640;

/// Where the file of a site is.
pub fn place(folder: &Path, site: &str) -> PathBuf {
    folder.join(format!("{site}.{ENDING}"))
}

/// The file of a site that joins.
pub fn written(site: &str, title: Option<&str>, key: &str, callout: Option<&str>, heading: &str) -> String {
    let line = |name: &str, text: &str| format!("{name:<7} = {}\n", quoted(text));
    let title = title.map(|title| line("name", title)).unwrap_or_default();
    let callout = callout.map(|callout| line("callout", callout)).unwrap_or_default();
    format!("# {heading}\n[watched.{site}]\n{title}{}{callout}", line("key", key))
}

/// The same text with another key; nothing if it has none.
pub fn with_key(text: &str, site: &str, key: &str) -> Option<String> {
    let place = key_in_site(site, text)?;
    let mut changed = text.to_owned();
    changed.replace_range(place, &quoted(key));
    Some(changed)
}

/// As TOML has a text: JSON's strings are such (TOML 1.0, "Basic strings").
pub fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string().replace('\u{7f}', "\\u007F")
}

/// Makes the folder, if it isn't there.
///
/// # Errors
/// Why it can't be made.
pub fn make_folder(folder: &Path) -> io::Result<()> {
    DirBuilder::new().recursive(true).mode(0o750).create(folder)
}

/// Puts the file of a site that was withdrawn aside: what its keeper wrote into it is not lost.
///
/// # Errors
/// Why it can't be moved.
pub fn put_aside(file: &Path) -> io::Result<PathBuf> {
    let aside = file.with_extension("toml.withdrawn");
    fs::rename(file, &aside)?;
    Ok(aside)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_changed_key_leaves_all_else_as_its_keeper_wrote_it() {
        let text = written("halyard", Some("Ines's \"reef\""), "OLD", Some("tom"), "Joined today.");
        assert_eq!(
            text,
            "# Joined today.\n[watched.halyard]\nname    = \"Ines's \\\"reef\\\"\"\nkey     = \"OLD\"\ncallout = \"tom\"\n"
        );
        let theirs = format!("{text}# the neighbour has the key\nresponse = [\"Ring.\"]\n");
        let changed = with_key(&theirs, "halyard", "NEW").expect("it has one");
        assert_eq!(changed, theirs.replace("\"OLD\"", "\"NEW\""));
        for broken in ["", "[watched.halyard]\n", "[watched.nursery]\nkey = \"x\"\n", "key = \"x\n"] {
            assert_eq!(with_key(broken, "halyard", "NEW"), None, "{broken}");
        }
    }
}

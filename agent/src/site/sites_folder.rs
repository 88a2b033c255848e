//! The folder of watched sites: one file each, called by the site's name. The folder flows in, and
//! out flows the rule file's text with theirs behind it, in the order of their names.

use crate::joining::site_file::ENDING;
use crate::settings::read_text;
use slackwater_rules::plan::{RuleTexts, is_site_name};
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// The text with those of the folder's files behind it. What is called otherwise than a site's file
/// is left alone.
///
/// # Errors
/// What can't be read.
pub(super) fn with_sites(mut texts: RuleTexts, folder: &Path) -> Result<RuleTexts, String> {
    for (name, file) in files(folder)? {
        let text = read_text(&file, "a site's file")?;
        texts = texts.and_site(&file.display().to_string(), &name, &text);
    }
    Ok(texts)
}

/// The folder's files by the names of their sites. A folder that isn't there has none.
fn files(folder: &Path) -> Result<Vec<(String, PathBuf)>, String> {
    let wrong = |error: std::io::Error| format!("the folder of sites {}: {error}", folder.display());
    let entries = match fs::read_dir(folder) {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Vec::new()),
        entries => entries.map_err(wrong)?,
    };
    let mut found = Vec::new();
    for entry in entries {
        let path = entry.map_err(wrong)?.path();
        if path.extension().is_none_or(|ending| ending != ENDING) {
            continue;
        }
        let name = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        if !is_site_name(&name) {
            return Err(format!(
                "{}: a site's file is called by its name: small letters, digits and hyphens",
                path.display()
            ));
        }
        found.push((name, path));
    }
    found.sort();
    Ok(found)
}

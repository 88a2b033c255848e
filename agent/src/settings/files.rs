//! Keys that name files: paths relative to the configuration, secrets, certificates, bodies of
//! push messages. Files are opened here, so that a missing one is a mistake of the
//! configuration and not a page that fails at night.
//!
//! A secret is named by a `…-file` key. Under systemd a relative name is looked up among the
//! unit's credentials (`LoadCredential=`), which nobody else can read; elsewhere the file must
//! be its owner's alone.

use super::reader::line;
use super::source::Environment;
use crate::plain_text::is_deceptive;
use crate::secret::Secret;
use slackwater_rules::diagnostic::Item;
use std::fmt;
use std::fs::{self, File};
use std::io::Read as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use zeroize::Zeroizing;

/// Far more than any password, token, template or list of certificates has.
const LARGEST_FILE: u64 = 1 << 20;

/// Access for the group or for everybody.
const OTHERS: u32 = 0o077;

/// Where files are looked for.
pub(super) struct Files<'f> {
    /// The agent's own file: relative paths start at its folder.
    pub(super) file: &'f Path,
    pub(super) environment: &'f Environment,
}

impl Files<'_> {
    /// A path; relative ones start at the configuration file's folder.
    pub(super) fn path(&self, item: Item<'_>) -> Option<PathBuf> {
        let path = PathBuf::from(line(item)?);
        Some(self.file.parent().unwrap_or(Path::new("")).join(path))
    }

    /// The secret in the named file.
    pub(super) fn secret(&self, item: Item<'_>) -> Option<Secret> {
        if self.environment.is_dry() {
            return Some(Secret::new("not asked for"));
        }
        let credentials = self.environment.get("CREDENTIALS_DIRECTORY").map(Path::new);
        let path = match credentials {
            Some(folder) => folder.join(line(item)?),
            None => self.path(item)?,
        };
        let shown = path.display();
        let shared = credentials.is_some_and(|folder| path.starts_with(folder));
        if shared && !path.exists() {
            let help = "the unit must name it: `LoadCredential=NAME:/PATH`".to_owned();
            return item.wrong(format!("`{shown}` is not there"), "no such credential", Some(help));
        }
        let text = match read(&path, |mode| shared || mode & OTHERS == 0) {
            Ok(text) => text,
            Err(Unread::TooOpen(mode)) => {
                let title = format!("`{shown}` has mode {mode:04o}");
                return item.wrong(title, "others can read the secret", Some(format!("`chmod 600 {shown}`")));
            }
            Err(Unread::Other(label)) => return item.wrong(format!("`{shown}` can't be used"), label, None),
        };
        let line = text.strip_suffix('\n').unwrap_or(&text);
        let line = line.strip_suffix('\r').unwrap_or(line);
        if line.is_empty() {
            return item.wrong(format!("`{shown}` is empty"), "a secret is one line", None);
        }
        if line.contains(is_deceptive) {
            let label = "more than one line, or control characters";
            return item.wrong(format!("`{shown}` holds no secret"), label, None);
        }
        Some(Secret::new(line))
    }

    /// A file with PEM certificates.
    pub(super) fn certificates(&self, item: Item<'_>) -> Option<PathBuf> {
        if self.environment.is_dry() {
            return self.path(item);
        }
        let (path, text) = self.contents(item)?;
        if !text.contains("-----BEGIN CERTIFICATE-----") {
            let title = format!("`{}` holds no PEM certificate", path.display());
            return item.wrong(title, "no `-----BEGIN CERTIFICATE-----` in it", None);
        }
        Some(path)
    }

    /// The text of the named file.
    pub(super) fn body(&self, item: Item<'_>) -> Option<String> {
        Some(self.contents(item)?.1.to_string())
    }

    fn contents(&self, item: Item<'_>) -> Option<(PathBuf, Zeroizing<String>)> {
        let path = self.path(item)?;
        match read(&path, |_| true) {
            Ok(text) => Some((path, text)),
            Err(why) => item.wrong(format!("`{}` can't be used", path.display()), why.to_string(), None),
        }
    }
}

/// Why a file's text is not used.
enum Unread {
    /// Its mode lets others read it.
    TooOpen(u32),
    Other(String),
}

impl fmt::Display for Unread {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooOpen(mode) => write!(f, "it has mode {mode:04o}"),
            Self::Other(why) => f.write_str(why),
        }
    }
}

/// Reads what was checked: the mode is asked of the opened file, so that none can be put in its
/// place meanwhile. It may be a secret: what is read is wiped when it is dropped.
fn read(path: &Path, allowed: impl FnOnce(u32) -> bool) -> Result<Zeroizing<String>, Unread> {
    let failed = |error| Unread::Other(format!("it can't be read: {error}"));
    if !fs::metadata(path).map_err(failed)?.is_file() {
        return Err(Unread::Other("it is not a file".to_owned()));
    }
    let file = File::open(path).map_err(failed)?;
    let about = file.metadata().map_err(failed)?;
    let mode = about.permissions().mode();
    if !allowed(mode) {
        return Err(Unread::TooOpen(mode & 0o7777));
    }
    // Room for all of it from the start: a text that grows leaves copies behind.
    let room = about.len().min(LARGEST_FILE) as usize + 1;
    let mut bytes = Zeroizing::new(Vec::with_capacity(room));
    file.take(LARGEST_FILE + 1).read_to_end(&mut bytes).map_err(failed)?;
    if bytes.len() as u64 > LARGEST_FILE {
        return Err(Unread::Other(format!("it has more than {LARGEST_FILE} bytes")));
    }
    let text = String::from_utf8(std::mem::take(&mut *bytes));
    text.map(Zeroizing::new).map_err(|_| Unread::Other("it is not UTF-8".to_owned()))
}

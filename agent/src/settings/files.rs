//! Keys that name files: paths relative to the configuration, secrets, certificates, bodies of
//! push messages. Files are opened here, so that a missing one is a mistake of the
//! configuration and not a page that fails at night.
//!
//! A secret is named by a `…-file` key. Under systemd a relative name is looked up among the
//! unit's credentials (`LoadCredential=`), which nobody else can read; elsewhere the file must
//! be its owner's alone.

use super::tree::Item;
use crate::plain_text::is_deceptive;
use crate::secret::Secret;
use std::fs::{self, File};
use std::io::Read as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use zeroize::Zeroizing;

/// Far more than any password, token, template or list of certificates has.
const LARGEST_FILE: u64 = 1 << 20;

/// Access for the group or for everybody.
const OTHERS: u32 = 0o077;

impl Item<'_> {
    /// A path; relative ones start at the configuration file's folder.
    pub(super) fn path(&self) -> Option<PathBuf> {
        let path = PathBuf::from(self.text()?);
        Some(self.context.file.parent().unwrap_or(Path::new("")).join(path))
    }

    /// The secret in the named file.
    pub(super) fn secret(&self) -> Option<Secret> {
        let credentials = self.context.environment.get("CREDENTIALS_DIRECTORY").map(Path::new);
        let path = match credentials {
            Some(folder) => folder.join(self.text()?),
            None => self.path()?,
        };
        let shared = credentials.is_some_and(|folder| path.starts_with(folder));
        if shared && !path.exists() {
            return self.wrong(format!(
                "`{}` is not there: the unit must name it (`LoadCredential=NAME:/PATH`)",
                path.display()
            ));
        }
        let text = self.contents(&path, |mode| match mode & OTHERS {
            0 => Ok(()),
            _ if shared => Ok(()),
            _ => Err(format!(
                "`{}` has mode {:04o}, so that others can read the secret: `chmod 600` it",
                path.display(),
                mode & 0o7777
            )),
        })?;
        let line = text.strip_suffix('\n').unwrap_or(&text);
        let line = line.strip_suffix('\r').unwrap_or(line);
        if line.is_empty() {
            return self.wrong(format!("`{}` is empty", path.display()));
        }
        if line.contains(is_deceptive) {
            return self.wrong(format!(
                "`{}` has more than one line, or control characters: a secret is one line",
                path.display()
            ));
        }
        Some(Secret::new(line))
    }

    /// A file with PEM certificates.
    pub(super) fn certificates(&self) -> Option<PathBuf> {
        let path = self.path()?;
        let text = self.contents(&path, |_| Ok(()))?;
        if !text.contains("-----BEGIN CERTIFICATE-----") {
            return self.wrong(format!("`{}` holds no PEM certificate", path.display()));
        }
        Some(path)
    }

    /// The text of the named file.
    pub(super) fn body(&self) -> Option<String> {
        let path = self.path()?;
        self.contents(&path, |_| Ok(())).map(|text| text.to_string())
    }

    fn contents(
        &self,
        path: &Path,
        allowed: impl FnOnce(u32) -> Result<(), String>,
    ) -> Option<Zeroizing<String>> {
        read(path, allowed).map_or_else(|what| self.wrong(what), Some)
    }
}

/// Reads what was checked: the mode is asked of the opened file, so that none can be put in its
/// place meanwhile. It may be a secret: what is read is wiped when it is dropped.
fn read(path: &Path, allowed: impl FnOnce(u32) -> Result<(), String>) -> Result<Zeroizing<String>, String> {
    let failed = |error| format!("`{}` can't be read: {error}", path.display());
    if !fs::metadata(path).map_err(failed)?.is_file() {
        return Err(format!("`{}` is not a file", path.display()));
    }
    let file = File::open(path).map_err(failed)?;
    let about = file.metadata().map_err(failed)?;
    allowed(about.permissions().mode())?;
    // Room for all of it from the start: a text that grows leaves copies behind.
    let room = about.len().min(LARGEST_FILE) as usize + 1;
    let mut bytes = Zeroizing::new(Vec::with_capacity(room));
    file.take(LARGEST_FILE + 1).read_to_end(&mut bytes).map_err(failed)?;
    if bytes.len() as u64 > LARGEST_FILE {
        return Err(format!("`{}` has more than {LARGEST_FILE} bytes", path.display()));
    }
    let text = String::from_utf8(std::mem::take(&mut *bytes));
    text.map(Zeroizing::new).map_err(|_| format!("`{}` is not UTF-8", path.display()))
}

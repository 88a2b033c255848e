//! Keys that name files: paths relative to the configuration, secrets, certificates, bodies of
//! push messages. Files are opened here, so that a missing one is a mistake of the
//! configuration and not a page that fails at night.
//!
//! A secret is named by a `…-file` key. Under systemd a relative name is looked up among the
//! unit's credentials (`LoadCredential=`), which nobody else can read; then, and elsewhere, beside
//! the configuration and in the folder `secrets` there, where the file must be its owner's alone.
//!
//! A watch that starts leaves out what a file keeps from being used ([`UnusableFile::Sound`]), and
//! says so; whoever checks is told of it as of any other mistake.

use super::channels::together;
use super::reader::line;
use super::source::Environment;
use crate::plain_text::is_deceptive;
use crate::secret::Secret;
use crate::tls::ClientIdentity;
use slackwater_rules::diagnostic::{Item, Table};
use std::cell::RefCell;
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

/// The folder beside the configuration that secrets are looked for in.
const SECRETS: &str = "secrets";

/// What becomes of a key whose file can't be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum UnusableFile {
    /// It is a mistake: for `check`, and for a reload.
    Whole,
    /// What needs it is left out, and that is noted: for a watch that starts, and for whoever needs
    /// no secret at all.
    Sound,
}

/// A file that some key names, as it was opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamedFile {
    /// Where it is.
    pub path: PathBuf,
    /// Only its owner may read it.
    pub secret: bool,
}

/// Where files are looked for.
pub(super) struct Files<'f> {
    /// The agent's own file: relative paths start at its folder.
    pub(super) file: &'f Path,
    pub(super) environment: &'f Environment,
    reading: UnusableFile,
    named: RefCell<Vec<NamedFile>>,
    unusable: RefCell<Vec<String>>,
}

/// A file that can't be used: the mistake's three texts.
struct Unusable {
    title: String,
    label: String,
    help: Option<String>,
}

impl Unusable {
    fn new(title: String, label: impl Into<String>) -> Self {
        Self { title, label: label.into(), help: None }
    }
}

impl<'f> Files<'f> {
    pub(super) fn new(file: &'f Path, environment: &'f Environment, reading: UnusableFile) -> Self {
        Self { file, environment, reading, named: RefCell::default(), unusable: RefCell::default() }
    }

    /// Every file that was opened for a key.
    pub(super) fn into_named(self) -> Vec<NamedFile> {
        self.named.into_inner()
    }

    /// What `read` returns, and which files kept it from being whole, in words.
    pub(super) fn noting<T>(&self, read: impl FnOnce() -> T) -> (T, Option<String>) {
        let before = std::mem::take(&mut *self.unusable.borrow_mut());
        let value = read();
        let found = std::mem::replace(&mut *self.unusable.borrow_mut(), before);
        (value, (!found.is_empty()).then(|| found.join("; ")))
    }

    /// A path; relative ones start at the configuration file's folder.
    pub(super) fn path(&self, item: Item<'_>) -> Option<PathBuf> {
        Some(self.beside(&line(item)?))
    }

    fn beside(&self, name: &str) -> PathBuf {
        self.file.parent().unwrap_or(Path::new("")).join(name)
    }

    /// Whether secrets are left unread, so that their contents can't be judged.
    pub(super) fn is_dry(&self) -> bool {
        self.environment.is_dry()
    }

    /// The secret in the named file.
    pub(super) fn secret(&self, item: Item<'_>) -> Option<Secret> {
        if self.environment.is_dry() {
            return Some(Secret::new("not asked for"));
        }
        let name = line(item)?;
        self.used(item, self.read_secret(&name))
    }

    /// The value, or nothing and what that means for whoever reads.
    fn used<T>(&self, item: Item<'_>, value: Result<T, Unusable>) -> Option<T> {
        match (value, self.reading) {
            (Ok(value), _) => Some(value),
            (Err(why), UnusableFile::Whole) => item.wrong(why.title, why.label, why.help),
            (Err(why), UnusableFile::Sound) => {
                self.unusable.borrow_mut().push(format!("{}: {}", why.title.replace('`', ""), why.label));
                None
            }
        }
    }

    fn read_secret(&self, name: &str) -> Result<Secret, Unusable> {
        let (path, shared) = self.secret_place(name)?;
        secret_in(&path, shared)
    }

    /// Where a secret is found, and whether others were handed it too.
    fn secret_place(&self, name: &str) -> Result<(PathBuf, bool), Unusable> {
        let credentials = self.environment.get("CREDENTIALS_DIRECTORY").map(Path::new);
        let credential = credentials.map(|folder| folder.join(name));
        let places = [self.beside(name), self.beside(SECRETS).join(name)];
        let first = places.first().cloned().unwrap_or_default();
        let found = credential.iter().chain(&places).find(|path| path.exists());
        let Some(path) = found.cloned().or_else(|| credential.is_none().then_some(first)) else {
            let title = format!("`{}` is not there", credential.unwrap_or_default().display());
            let help = "the unit must name it: `LoadCredential=NAME:/PATH`".to_owned();
            return Err(Unusable { title, label: "no such credential".to_owned(), help: Some(help) });
        };
        let shared = credentials.is_some_and(|folder| path.starts_with(folder));
        self.named.borrow_mut().push(NamedFile { path: path.clone(), secret: true });
        Ok((path, shared))
    }

    /// A file with PEM certificates. Its path is of use even if it can't be read now: whoever
    /// connects looks again.
    pub(super) fn certificates(&self, item: Item<'_>) -> Option<PathBuf> {
        let path = self.path(item)?;
        if self.environment.is_dry() {
            return Some(path);
        }
        let text = self.contents(&path).and_then(|text| match text.contains("-----BEGIN CERTIFICATE-----") {
            true => Ok(()),
            false => {
                let title = format!("`{}` holds no PEM certificate", path.display());
                Err(Unusable::new(title, "no `-----BEGIN CERTIFICATE-----` in it"))
            }
        });
        match (self.used(item, text), self.reading) {
            (Some(()), _) | (None, UnusableFile::Sound) => Some(path),
            (None, UnusableFile::Whole) => None,
        }
    }

    /// Who we are to a server that asks: `client-certificate` with `client-key-file`.
    pub(super) fn identity(&self, table: &Table<'_>) -> Option<ClientIdentity> {
        together(table, "client-certificate", "client-key-file");
        let certificate = table.get("client-certificate").and_then(|item| self.certificates(item));
        let key = table.get("client-key-file").and_then(|item| self.key(item));
        Some(ClientIdentity { certificate: certificate?, key: key? })
    }

    /// A file with a private key, which only its owner may read.
    fn key(&self, item: Item<'_>) -> Option<PathBuf> {
        let name = line(item)?;
        if self.environment.is_dry() {
            return Some(self.beside(&name));
        }
        let place = self.secret_place(&name).and_then(|(path, shared)| {
            let text = read(&path, |mode| shared || mode & OTHERS == 0).map_err(|why| unread(&path, why))?;
            match text.contains("PRIVATE KEY-----") {
                true => Ok(path),
                false => Err(Unusable::new(
                    format!("`{}` holds no PEM key", path.display()),
                    "no private key in it",
                )),
            }
        });
        self.used(item, place)
    }

    /// The text of the named file.
    pub(super) fn body(&self, item: Item<'_>) -> Option<String> {
        let path = self.path(item)?;
        self.used(item, self.contents(&path)).map(|text| text.to_string())
    }

    fn contents(&self, path: &Path) -> Result<Zeroizing<String>, Unusable> {
        self.named.borrow_mut().push(NamedFile { path: path.to_owned(), secret: false });
        read(path, |_| true)
            .map_err(|why| Unusable::new(format!("`{}` can't be used", path.display()), why.to_string()))
    }
}

/// The one line of a file that only its owner, or whoever it was handed to, may read.
fn secret_in(path: &Path, shared: bool) -> Result<Secret, Unusable> {
    let shown = path.display();
    let text = read(path, |mode| shared || mode & OTHERS == 0).map_err(|why| unread(path, why))?;
    let line = text.strip_suffix('\n').unwrap_or(&text);
    let line = line.strip_suffix('\r').unwrap_or(line);
    if line.is_empty() {
        return Err(Unusable::new(format!("`{shown}` is empty"), "a secret is one line"));
    }
    if line.contains(is_deceptive) {
        let label = "more than one line, or control characters";
        return Err(Unusable::new(format!("`{shown}` holds no secret"), label));
    }
    Ok(Secret::new(line))
}

/// Why a secret's file is not used, for whoever looks at the key that names it.
fn unread(path: &Path, why: Unread) -> Unusable {
    let shown = path.display();
    match why {
        Unread::TooOpen(mode) => {
            let title = format!("`{shown}` has mode {mode:04o}");
            let help = Some(format!("`chmod 600 {shown}`"));
            Unusable { title, label: "others can read the secret".to_owned(), help }
        }
        Unread::Other(label) => Unusable::new(format!("`{shown}` can't be used"), label),
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

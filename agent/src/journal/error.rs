//! What can go wrong with the journal, told apart by what a person or the agent can do about
//! it. SQLite's codes come in, a [`JournalError`] that names the file goes out.

use rusqlite::{Error, ErrorCode, ffi};
use slackwater_rules::record::Seq;
use std::fmt;
use std::path::PathBuf;

/// Why the journal could not do what was asked. Nothing was half done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum JournalError {
    /// The disk, or what the journal may use of it, is full. It may be tried again.
    Full {
        /// The file.
        path: PathBuf,
    },
    /// The file or its disk can't be written or reached. It may be tried again.
    ReadOnly {
        /// The file.
        path: PathBuf,
        /// What was seen.
        why: String,
    },
    /// The file is not sound. Opening it again sets it aside.
    Damaged {
        /// The file.
        path: PathBuf,
        /// What was seen.
        why: String,
    },
    /// The file belongs to another program.
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// The file was written by another version of this program.
    Version {
        /// The file.
        path: PathBuf,
        /// The version of its tables.
        found: i64,
        /// The version that this program knows.
        known: i64,
    },
    /// Another watch writes to it.
    InUse {
        /// The file.
        path: PathBuf,
    },
    /// A record's number does not rise: a mistake in the caller.
    Order {
        /// The number given.
        seq: Seq,
        /// The highest kept so far.
        last: Seq,
    },
    /// Anything else. It may be tried again.
    Other {
        /// The file.
        path: PathBuf,
        /// What was seen.
        why: String,
    },
}

/// The file that an error is about.
#[derive(Clone, Debug)]
pub(super) struct Place(pub(super) PathBuf);

impl Place {
    pub(super) fn error(&self, error: Error) -> JournalError {
        let (path, why) = (self.0.clone(), error.to_string());
        let Error::SqliteFailure(code, _) = error else { return JournalError::Other { path, why } };
        match (code.code, code.extended_code) {
            // The shared memory file could not be given its size: no room for it.
            (ErrorCode::DiskFull, _) | (_, ffi::SQLITE_IOERR_SHMSIZE) => JournalError::Full { path },
            (ErrorCode::ReadOnly | ErrorCode::PermissionDenied | ErrorCode::CannotOpen, _) => {
                JournalError::ReadOnly { path, why }
            }
            (ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase, _) => JournalError::Damaged { path, why },
            _ => JournalError::Other { path, why },
        }
    }

    pub(super) fn io(&self, error: &std::io::Error) -> JournalError {
        let (path, why) = (self.0.clone(), error.to_string());
        match error.kind() {
            std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded => {
                JournalError::Full { path }
            }
            std::io::ErrorKind::ReadOnlyFilesystem | std::io::ErrorKind::PermissionDenied => {
                JournalError::ReadOnly { path, why }
            }
            _ => JournalError::Other { path, why },
        }
    }
}

impl fmt::Display for JournalError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Full { path } => write!(f, "no room left for the journal {}", path.display()),
            Self::ReadOnly { path, why } => {
                write!(f, "the journal {} can't be opened or written: {why}", path.display())
            }
            Self::Damaged { path, why } => write!(f, "the journal {} is damaged: {why}", path.display()),
            Self::Foreign { path } => {
                write!(f, "{} is a database of another program; it is left as it is", path.display())
            }
            Self::Version { path, found, known } if found > known => write!(
                f,
                "the journal {} has version {found}, this program knows versions up to {known}: \
                 run the newer program, or move the file away",
                path.display()
            ),
            Self::Version { path, found, known } => write!(
                f,
                "the journal {} has version {found}, version {known} is wanted: \
                 start the daemon once, it brings the file up to date",
                path.display()
            ),
            Self::InUse { path } => write!(
                f,
                "another agent writes to the journal {}: two may not watch one site",
                path.display()
            ),
            Self::Order { seq, last } => {
                write!(f, "record {seq} can't follow record {last} in the journal: numbers must rise")
            }
            Self::Other { path, why } => write!(f, "the journal {}: {why}", path.display()),
        }
    }
}

impl std::error::Error for JournalError {}

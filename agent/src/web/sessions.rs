//! Who is signed in. An invitation is good once and for ten minutes; what a browser gets for it is
//! 256 random bits, of which only the hash is kept, beside the journal. Everybody's sessions can be
//! listed and withdrawn. An invitation that nobody used dies with the process; a session outlives
//! it.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ring::digest::{SHA256, digest};
use ring::rand::{SecureRandom as _, SystemRandom};
use serde::{Deserialize, Serialize};
use std::io;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// The file beside the journal.
const FILE: &str = "web-sessions.json";

/// An invitation is good for so long …
const INVITED_FOR: Duration = Duration::from_secs(600);
/// … and at most so many are open.
const MOST_INVITATIONS: usize = 16;

/// At most so many are signed in; the one that was not used for longest goes first.
const MOST_SESSIONS: usize = 64;
/// A session that is not used for so long is over: 180 days.
const UNUSED_S: u64 = 180 * 86_400;
/// When a session was used is noted no more often than this.
const NOTED_EVERY_S: u64 = 3_600;

/// The file is never this large.
const LARGEST: u64 = 64 << 10;

/// Somebody's browser.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq, Eq)]
pub(super) struct Session {
    /// The contact, by the name that rule files use.
    pub(super) who: String,
    /// The hash of what the browser shows, in hexadecimal.
    hash: String,
    /// Seconds since 1970.
    pub(super) made: u64,
    /// The same, of its last use.
    pub(super) used: u64,
    /// What the browser calls itself, in short.
    pub(super) device: String,
}

impl Session {
    /// Enough of the hash to name it by.
    pub(super) fn mark(&self) -> &str {
        self.hash.get(..8).unwrap_or(&self.hash)
    }
}

struct Invitation {
    hash: String,
    who: String,
    until: Instant,
}

/// Everybody who is signed in, and who may sign in.
pub(super) struct Sessions {
    file: PathBuf,
    known: Vec<Session>,
    invited: Vec<Invitation>,
}

fn seconds() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs())
}

pub(super) fn hash(token: &str) -> String {
    digest(&SHA256, token.as_bytes()).as_ref().iter().map(|octet| format!("{octet:02x}")).collect()
}

/// 256 random bits; none if the system has no randomness to give.
pub(super) fn token() -> Option<String> {
    let mut octets = [0_u8; 32];
    SystemRandom::new().fill(&mut octets).ok()?;
    Some(URL_SAFE_NO_PAD.encode(octets))
}

impl Sessions {
    /// Those of before, as far as the file beside the journal can be read.
    pub(super) fn open(journal: &Path) -> Self {
        let file = journal.with_file_name(FILE);
        let known = match read(&file) {
            Ok(known) => known,
            Err(error) if error.kind() == io::ErrorKind::NotFound => Vec::new(),
            Err(error) => {
                tracing::warn!("{}: {error}: everybody has to sign in again", file.display());
                Vec::new()
            }
        };
        Self { file, known, invited: Vec::new() }
    }

    /// A secret that signs this contact in, once, within ten minutes.
    pub(super) fn invite(&mut self, who: &str) -> Option<String> {
        let now = Instant::now();
        self.invited.retain(|invitation| invitation.until > now);
        if self.invited.len() >= MOST_INVITATIONS {
            self.invited.remove(0);
        }
        let token = token()?;
        self.invited.push(Invitation { hash: hash(&token), who: who.to_owned(), until: now + INVITED_FOR });
        Some(token)
    }

    /// For whom an invitation is, without using it.
    pub(super) fn invited(&self, token: &str) -> Option<&str> {
        let (hash, now) = (hash(token), Instant::now());
        let found = self.invited.iter().find(|invitation| invitation.hash == hash && invitation.until > now);
        found.map(|invitation| invitation.who.as_str())
    }

    /// Uses an invitation up: what the browser is to show from now on. It is made here and never
    /// taken from the browser.
    pub(super) fn accept(&mut self, invitation: &str, device: &str) -> Option<(String, String)> {
        self.invited(invitation)?;
        let used = hash(invitation);
        let at = self.invited.iter().position(|invitation| invitation.hash == used)?;
        let Invitation { who, .. } = self.invited.remove(at);
        let token = self.sign_in(&who, device)?;
        Some((token, who))
    }

    /// Signs somebody in: what the browser is to show from now on.
    pub(super) fn sign_in(&mut self, who: &str, device: &str) -> Option<String> {
        let token = token()?;
        let now = seconds();
        while self.known.len() >= MOST_SESSIONS {
            let oldest = (0..).zip(&self.known).min_by_key(|(_, session)| session.used).map(|(at, _)| at)?;
            self.known.remove(oldest);
        }
        let device = device.chars().filter(|sign| !sign.is_control()).take(80).collect();
        self.known.push(Session { who: who.to_owned(), hash: hash(&token), made: now, used: now, device });
        self.keep();
        Some(token)
    }

    /// Who shows this.
    pub(super) fn who(&mut self, token: &str) -> Option<Session> {
        let (hash, now) = (hash(token), seconds());
        let session = self.known.iter_mut().find(|session| session.hash == hash)?;
        if now > session.used + UNUSED_S {
            return None;
        }
        if now > session.used + NOTED_EVERY_S {
            session.used = now;
            let session = session.clone();
            self.keep();
            return Some(session);
        }
        Some(session.clone())
    }

    /// Everybody who is signed in.
    pub(super) fn all(&self) -> &[Session] {
        &self.known
    }

    /// Signs out what this names: a session by its mark's beginning, or all of a contact. How many
    /// those were.
    pub(super) fn withdraw(&mut self, which: &str) -> usize {
        let before = self.known.len();
        let by_mark = which.len() >= 6;
        self.known.retain(|session| !(session.who == which || (by_mark && session.hash.starts_with(which))));
        self.invited.retain(|invitation| invitation.who != which);
        let gone = before - self.known.len();
        if gone > 0 {
            self.keep();
        }
        gone
    }

    fn keep(&self) {
        if let Err(error) = write(&self.file, &self.known) {
            tracing::warn!("{}: {error}: sessions last until a restart only", self.file.display());
        }
    }
}

fn read(file: &Path) -> io::Result<Vec<Session>> {
    if std::fs::metadata(file)?.len() > LARGEST {
        return Err(io::Error::other(format!("more than {LARGEST} bytes")));
    }
    let mut known: Vec<Session> = serde_json::from_slice(&std::fs::read(file)?)?;
    known.truncate(MOST_SESSIONS);
    Ok(known)
}

/// For the watch's own eyes, and whole or not at all.
fn write(file: &Path, known: &[Session]) -> io::Result<()> {
    let part = file.with_extension("part");
    let mut to =
        std::fs::OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&part)?;
    io::Write::write_all(&mut to, &serde_json::to_vec(known)?)?;
    to.sync_all()?;
    std::fs::rename(part, file)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn desk() -> (tempfile::TempDir, Sessions) {
        let folder = tempfile::tempdir().expect("a folder");
        let sessions = Sessions::open(&folder.path().join("journal.sqlite"));
        (folder, sessions)
    }

    #[test]
    fn an_invitation_is_good_once() {
        let (_folder, mut sessions) = desk();
        let invitation = sessions.invite("ines").expect("random");
        assert_eq!(sessions.invited(&invitation), Some("ines"));
        let (token, who) = sessions.accept(&invitation, "a phone").expect("good");
        assert_eq!(who, "ines");
        assert_eq!(sessions.accept(&invitation, "another"), None);
        assert_eq!(sessions.who(&token).map(|session| session.who), Some("ines".to_owned()));
        assert_eq!(sessions.who(&invitation), None);
    }

    #[test]
    fn only_the_hash_is_kept_and_a_restart_knows_it() {
        let (folder, mut sessions) = desk();
        let invitation = sessions.invite("ines").expect("random");
        let (token, _) = sessions.accept(&invitation, "a phone").expect("good");
        let file = folder.path().join(FILE);
        let text = std::fs::read_to_string(&file).expect("kept");
        assert!(!text.contains(&token) && !text.contains(&invitation), "{text}");
        let mode =
            std::os::unix::fs::PermissionsExt::mode(&std::fs::metadata(&file).expect("there").permissions());
        assert_eq!(mode & 0o777, 0o600);
        let mut again = Sessions::open(&folder.path().join("journal.sqlite"));
        assert!(again.who(&token).is_some());
        assert_eq!(again.withdraw("ines"), 1);
        assert!(Sessions::open(&folder.path().join("journal.sqlite")).who(&token).is_none());
    }

    #[test]
    fn sessions_and_invitations_are_bounded() {
        let (_folder, mut sessions) = desk();
        let first = sessions.invite("ines").expect("random");
        for _ in 0..MOST_INVITATIONS {
            sessions.invite("tom").expect("random");
        }
        assert_eq!(sessions.invited(&first), None);
        for _ in 0..MOST_SESSIONS + 5 {
            let invitation = sessions.invite("ines").expect("random");
            sessions.accept(&invitation, &"x".repeat(500)).expect("good");
        }
        assert_eq!(sessions.all().len(), MOST_SESSIONS);
        assert!(sessions.all().iter().all(|session| session.device.len() <= 80));
    }
}

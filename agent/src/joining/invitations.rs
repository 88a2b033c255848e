//! Who may join: the invitations of a witness, kept beside its journal so that a restart between
//! invitation and use changes nothing. Somebody at the control socket makes one, for one name and a
//! day; requests from the broker flow in, and out flows the key that one of them proves, or why it
//! proves none. Of an invitation its public half is kept and nothing with which anybody could join.
//! How many are open, how many are remembered and how often anybody is answered is bounded.

use super::proof::{self, LARGEST, Unproved};
use crate::checkin::{SiteKey, print};
use crate::secret::Secret;
use crate::settings::write_whole;
use serde::{Deserialize, Serialize};
use slackwater_rules::checkin::Refusals;
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::fmt;
use std::fs::{self, OpenOptions};
use std::io::{self, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

/// The files beside the journal: the invitations, and the witness's own key.
const FILE: &str = "invitations.json";
const KEY_FILE: &str = "witness-key";

/// An invitation is good for so long.
pub const GOOD_FOR: Span = Span::hours(24);

/// So many may be open at once …
const MOST_OPEN: usize = 16;
/// … and so many are remembered that are used or over, so that who comes late hears why.
const MOST_OVER: usize = 64;

/// The file is never this large: each of them takes half a KiB.
const LARGEST_FILE: u64 = 1 << 20;

/// Within a minute so many requests are answered. Whoever may write to the broker can send some.
const ANSWERS: u32 = 30;
const WITHIN: Span = Span::minutes(1);

/// What has become of an invitation.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum InvitationStage {
    /// Nothing yet.
    Open,
    /// A site that is watched has proved another key, and not yet used it.
    Proved(String),
    /// A site has joined with this key.
    Used(String),
}

/// One invitation.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SiteInvitation {
    /// The site's name.
    pub site: String,
    /// As pages say it, if that is another.
    pub title: Option<String>,
    /// Who is told if it is silent; as the rule file has it if none.
    pub callout: Option<String>,
    /// It is for another key of a site that is watched already.
    pub again: bool,
    /// Who made it.
    pub by: String,
    /// When it is over.
    pub until: Wall,
    /// The public half of its key.
    public: String,
    stage: InvitationStage,
}

/// What somebody wants an invitation to say.
#[derive(Clone, Debug)]
pub struct Wanted {
    /// The site's name.
    pub site: String,
    /// As pages say it, if that is another.
    pub title: Option<String>,
    /// Who is told if it is silent.
    pub callout: Option<String>,
    /// For another key of a site that is watched already.
    pub again: bool,
    /// Who wants it.
    pub by: String,
}

/// Why a request lets nobody join.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum JoinRefusal {
    /// Longer than any request.
    TooLarge(usize),
    /// The broker kept it: whoever asked for that, no site does.
    Retained,
    /// Nobody is invited under this name.
    Uninvited,
    /// It proves nothing.
    Unproved(Unproved),
    /// The invitation's day is over.
    Over,
    /// It was used already, with the key that begins so.
    Used(String),
    /// Nobody here can tell whether a day is over.
    NoClock,
    /// A site of this name is watched, and the invitation is not for another key of it.
    Watched,
    /// It is right, and could not be put in force.
    NotTaken,
}

impl JoinRefusal {
    /// What is counted as one cause.
    pub fn cause(&self) -> &'static str {
        match self {
            Self::TooLarge(_) => "too large",
            Self::Retained => "retained",
            Self::Uninvited => "uninvited",
            Self::Unproved(Unproved::Garbled) => "garbled",
            Self::Unproved(Unproved::Forged) => "forged",
            Self::Unproved(Unproved::Version(_)) => "version",
            Self::Over => "over",
            Self::Used(_) => "used",
            Self::NoClock => "no clock",
            Self::Watched => "watched",
            Self::NotTaken => "not taken",
        }
    }

    /// Whether whoever sent it may be a keeper with a link, who should hear why.
    pub fn is_answered(&self) -> bool {
        !matches!(self, Self::TooLarge(_) | Self::Retained | Self::Unproved(Unproved::Garbled))
    }
}

impl fmt::Display for JoinRefusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooLarge(length) => {
                write!(f, "{length} bytes are too many: a request to join has at most {LARGEST}")
            }
            Self::Retained => f.write_str("the broker had kept it, so nobody asks for it now"),
            Self::Uninvited => f.write_str(
                "no link is open for this site: it was withdrawn, or is so old that nothing is known of it",
            ),
            Self::Unproved(why) => write!(f, "{why}"),
            Self::Over => f.write_str("the link is over: it is good for a day. Ask for another"),
            Self::Used(key) => {
                write!(
                    f,
                    "the link has been used, by a site with the key {key}: it is good once. Ask for another"
                )
            }
            Self::NoClock => f.write_str("the witness's clock is not set: try again when it is"),
            Self::Watched => f.write_str(
                "a site of this name is watched already. For another key of it, ask for a link of \
                 `slackwater witness enrol --again`",
            ),
            Self::NotTaken => f.write_str(
                "the witness's own files keep it from taking any site: its keeper finds why in its status",
            ),
        }
    }
}

/// A request that is right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Admitted {
    /// The invitation it was made with.
    pub invitation: SiteInvitation,
    /// The site's public key.
    pub key: String,
    /// It was taken before, and is sent again.
    pub known: bool,
}

/// All invitations, and the witness's key.
#[derive(Debug)]
pub struct Invitations {
    file: PathBuf,
    key_file: PathBuf,
    known: Vec<SiteInvitation>,
    key: Option<SiteKey>,
    refusals: Refusals,
    /// When the minute began, and how many were answered in it.
    answered: (Option<Moment>, u32),
}

impl Invitations {
    /// Those of before, as far as the files beside the journal can be read.
    pub fn open(journal: &Path) -> Self {
        let (file, key_file) = (journal.with_file_name(FILE), journal.with_file_name(KEY_FILE));
        let said = |path: &Path, error: &io::Error, lost: &str| {
            if error.kind() != io::ErrorKind::NotFound {
                tracing::error!("{}: {error}: {lost}", path.display());
            }
        };
        let known = read(&file).unwrap_or_else(|error| {
            said(&file, &error, "all links are of no use any more");
            Vec::new()
        });
        let key = read_key(&key_file);
        if let Err(error) = &key {
            said(&key_file, error, "no site can know this witness's answers");
        }
        Self { file, key_file, known, key: key.ok(), refusals: Refusals::default(), answered: (None, 0) }
    }

    /// Those that nobody has used and whose day is not over, or that wait for the first check-in.
    pub fn pending(&self, now: &Now) -> impl Iterator<Item = &SiteInvitation> {
        self.known
            .iter()
            .filter(move |one| one.is_open(now) || matches!(one.stage, InvitationStage::Proved(_)))
    }

    /// Makes an invitation: its key as the line of a key file, and the public half of the
    /// witness's. One that was made for the same name before is of no use any more.
    ///
    /// # Errors
    /// Why there can't be one.
    pub fn invite(&mut self, wanted: Wanted, now: &Now) -> Result<(Secret, String), String> {
        if !now.wall_trusted {
            return Err("the clock is not set, so nobody could tell when a link's day is over".to_owned());
        }
        if self.known.iter().filter(|one| one.site != wanted.site && one.is_open(now)).count() >= MOST_OPEN {
            return Err(format!(
                "{MOST_OPEN} links are open: withdraw one, or wait until one is used or over"
            ));
        }
        let witness = self.witness_key()?.public();
        let (own, line) = SiteKey::make()?;
        let Wanted { site, title, callout, again, by } = wanted;
        let until = now.wall + GOOD_FOR;
        let made = SiteInvitation {
            site,
            title,
            callout,
            again,
            by,
            until,
            public: own.public(),
            stage: InvitationStage::Open,
        };
        let before = self.known.clone();
        self.known.retain(|one| one.site != made.site);
        self.known.push(made);
        self.forget_the_oldest(now);
        self.keep().inspect_err(|_| self.known = before)?;
        Ok((line, witness))
    }

    /// What a request under the name of `site` proves. `watched` is the key by which a site of this
    /// name is watched, if one is.
    ///
    /// # Errors
    /// Why it lets nobody join.
    pub fn admit(
        &self,
        site: &str,
        payload: &[u8],
        retained: bool,
        watched: Option<&str>,
        now: &Now,
    ) -> Result<Admitted, JoinRefusal> {
        if payload.len() > LARGEST {
            return Err(JoinRefusal::TooLarge(payload.len()));
        }
        if retained {
            return Err(JoinRefusal::Retained);
        }
        let one = self.known.iter().find(|one| one.site == site).ok_or(JoinRefusal::Uninvited)?;
        let witness = self.key.as_ref().ok_or(JoinRefusal::Uninvited)?.public();
        let key = proof::proved(payload, site, &witness, &one.public).map_err(JoinRefusal::Unproved)?;
        let admitted = |known| Ok(Admitted { invitation: one.clone(), key: key.clone(), known });
        match &one.stage {
            InvitationStage::Proved(before) | InvitationStage::Used(before) if *before == key => {
                return admitted(true);
            }
            InvitationStage::Proved(before) | InvitationStage::Used(before) => {
                return Err(JoinRefusal::Used(print(before)));
            }
            InvitationStage::Open => {}
        }
        match watched {
            // It was put in force, and the watch ended before it was noted.
            Some(watched) if watched == key => admitted(false),
            _ if !now.wall_trusted => Err(JoinRefusal::NoClock),
            _ if now.wall > one.until => Err(JoinRefusal::Over),
            Some(_) if !one.again => Err(JoinRefusal::Watched),
            Some(_) | None => admitted(false),
        }
    }

    /// The invitation for `site` was used: its key is in force, or waits for the first check-in.
    pub fn used(&mut self, site: &str, key: &str, waits: bool) {
        let Some(one) = self.known.iter_mut().find(|one| one.site == site) else { return };
        one.stage = if waits {
            InvitationStage::Proved(key.to_owned())
        } else {
            InvitationStage::Used(key.to_owned())
        };
        if let Err(why) = self.keep() {
            tracing::error!("{why}: a link that was used may be good again after a restart");
        }
    }

    /// The key that a watched site has proved and not yet used.
    pub fn waiting_key(&self, site: &str) -> Option<&str> {
        self.known.iter().find_map(|one| match &one.stage {
            InvitationStage::Proved(key) if one.site == site => Some(key.as_str()),
            InvitationStage::Proved(_) | InvitationStage::Open | InvitationStage::Used(_) => None,
        })
    }

    /// Forgets what was for this site; whether there was something that somebody could still use.
    ///
    /// # Errors
    /// If that can't be kept.
    pub fn withdraw(&mut self, site: &str, now: &Now) -> Result<bool, String> {
        let was = self.pending(now).any(|one| one.site == site);
        let before = self.known.clone();
        self.known.retain(|one| one.site != site);
        if self.known.len() != before.len() {
            self.keep().inspect_err(|_| self.known = before)?;
        }
        Ok(was)
    }

    /// Counts a refusal; how many to speak of, if it is time to speak of them.
    pub fn refused(&mut self, refusal: &JoinRefusal, now: &Now) -> Option<u64> {
        self.refusals.count(refusal.cause(), now.mono)
    }

    /// What is said to a request, unless too many have been answered lately.
    pub fn answer(&mut self, request: &[u8], verdict: Result<(), &str>, now: &Now) -> Option<String> {
        let key = self.key.as_ref()?;
        match &mut self.answered {
            (Some(since), count) if now.mono - *since < WITHIN => *count += 1,
            begun => *begun = (Some(now.mono), 1),
        }
        (self.answered.1 <= ANSWERS).then(|| proof::answer(key, request, verdict))
    }

    /// Made once, with the first invitation.
    fn witness_key(&mut self) -> Result<&SiteKey, String> {
        if self.key.is_none() {
            let (key, line) = SiteKey::make()?;
            let wrong = |error: io::Error| format!("{}: {error}", self.key_file.display());
            let mut file = OpenOptions::new()
                .write(true)
                .create_new(true)
                .mode(0o600)
                .open(&self.key_file)
                .map_err(wrong)?;
            writeln!(file, "{}", line.expose()).and_then(|()| file.sync_all()).map_err(wrong)?;
            self.key = Some(key);
        }
        self.key.as_ref().ok_or_else(|| "the witness has no key".to_owned())
    }

    /// What can be used is never forgotten.
    fn forget_the_oldest(&mut self, now: &Now) {
        let over =
            |one: &SiteInvitation| !one.is_open(now) && !matches!(one.stage, InvitationStage::Proved(_));
        while self.known.iter().filter(|one| over(one)).count() > MOST_OVER {
            let oldest = (0..).zip(&self.known).filter(|(_, one)| over(one)).min_by_key(|(_, one)| one.until);
            let Some((at, _)) = oldest else { return };
            self.known.remove(at);
        }
    }

    fn keep(&self) -> Result<(), String> {
        let wrong = |error: io::Error| format!("{}: {error}", self.file.display());
        let text = serde_json::to_string(&self.known).map_err(|error| wrong(error.into()))?;
        write_whole(&self.file, &text, 0o600).map_err(wrong)
    }
}

impl SiteInvitation {
    fn is_open(&self, now: &Now) -> bool {
        self.stage == InvitationStage::Open && now.wall <= self.until
    }

    /// Whether it was used for a key that waits for its first check-in.
    pub fn waits(&self) -> bool {
        matches!(self.stage, InvitationStage::Proved(_))
    }
}

fn read(file: &Path) -> io::Result<Vec<SiteInvitation>> {
    if fs::metadata(file)?.len() > LARGEST_FILE {
        return Err(io::Error::other(format!("more than {LARGEST_FILE} bytes")));
    }
    Ok(serde_json::from_slice(&fs::read(file)?)?)
}

fn read_key(file: &Path) -> io::Result<SiteKey> {
    if fs::metadata(file)?.len() > 1024 {
        return Err(io::Error::other("it holds no key"));
    }
    SiteKey::read(&fs::read_to_string(file)?).ok_or_else(|| io::Error::other("it holds no key"))
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Desk {
        folder: tempfile::TempDir,
        desk: Invitations,
        now: Now,
    }

    impl Desk {
        fn new() -> Self {
            let folder = tempfile::tempdir().expect("a folder");
            let desk = Invitations::open(&folder.path().join("journal.sqlite"));
            let now = Now { mono: Moment(1_000), wall: Wall(1_798_078_440_000), wall_trusted: true };
            Self { folder, desk, now }
        }

        fn restart(&mut self) {
            self.desk = Invitations::open(&self.folder.path().join("journal.sqlite"));
        }

        fn invite(&mut self, site: &str, again: bool) -> Result<(SiteKey, String), String> {
            let wanted =
                Wanted { site: site.to_owned(), title: None, callout: None, again, by: "tom".to_owned() };
            let (line, witness) = self.desk.invite(wanted, &self.now)?;
            Ok((SiteKey::read(line.expose()).expect("a key"), witness))
        }

        fn ask(
            &self,
            (invitation, witness): &(SiteKey, String),
            key: &SiteKey,
            watched: Option<&str>,
        ) -> Result<Admitted, JoinRefusal> {
            let asked = proof::request("halyard", witness, invitation, key);
            self.desk.admit("halyard", asked.as_bytes(), false, watched, &self.now)
        }

        fn pass(&mut self, span: Span) {
            (self.now.mono, self.now.wall) = (self.now.mono + span, self.now.wall + span);
        }
    }

    fn key() -> SiteKey {
        SiteKey::make().expect("randomness").0
    }

    #[test]
    fn an_invitation_is_good_once_and_for_a_day_over_a_restart() {
        let mut desk = Desk::new();
        let (link, own) = (desk.invite("halyard", false).expect("one"), key());
        desk.restart();
        desk.pass(Span::hours(23));
        let admitted = desk.ask(&link, &own, None).expect("in time");
        assert_eq!((admitted.key, admitted.known), (own.public(), false));
        desk.desk.used("halyard", &own.public(), false);
        desk.restart();
        desk.pass(Span::hours(7 * 24));
        assert!(desk.ask(&link, &own, Some(&own.public())).expect("sent again").known);
        assert_eq!(desk.ask(&link, &key(), Some(&own.public())), Err(JoinRefusal::Used(own.print())));

        let link = desk.invite("halyard", true).expect("another");
        desk.pass(GOOD_FOR + Span::millis(1));
        assert_eq!(desk.ask(&link, &key(), Some(&own.public())), Err(JoinRefusal::Over));
    }

    #[test]
    fn another_key_of_a_watched_site_takes_a_link_that_says_so_and_waits_for_its_use() {
        let mut desk = Desk::new();
        let (old, new) = (key(), key());
        let link = desk.invite("halyard", false).expect("one");
        assert_eq!(desk.ask(&link, &new, Some(&old.public())), Err(JoinRefusal::Watched));
        let link = desk.invite("halyard", true).expect("another");
        assert!(!desk.ask(&link, &new, Some(&old.public())).expect("right").known);
        desk.desk.used("halyard", &new.public(), true);
        desk.restart();
        assert_eq!(desk.desk.waiting_key("halyard"), Some(new.public().as_str()));
        desk.desk.used("halyard", &new.public(), false);
        assert_eq!(desk.desk.waiting_key("halyard"), None);
    }

    #[test]
    fn what_was_withdrawn_or_made_anew_or_is_another_witness_s_lets_nobody_in() {
        let mut desk = Desk::new();
        let first = desk.invite("halyard", false).expect("one");
        let second = desk.invite("halyard", false).expect("another");
        assert_eq!(desk.ask(&first, &key(), None), Err(JoinRefusal::Unproved(Unproved::Forged)));
        let mut other = Desk::new();
        let theirs = other.invite("halyard", false).expect("one");
        assert_eq!(desk.ask(&theirs, &key(), None), Err(JoinRefusal::Unproved(Unproved::Forged)));
        assert_eq!(desk.desk.withdraw("halyard", &desk.now), Ok(true));
        desk.restart();
        assert_eq!(desk.ask(&second, &key(), None), Err(JoinRefusal::Uninvited));
        assert_eq!(desk.desk.withdraw("halyard", &desk.now), Ok(false));
    }

    #[test]
    fn nothing_that_is_kept_lets_anybody_join() {
        let mut desk = Desk::new();
        let wanted = Wanted {
            site: "halyard".to_owned(),
            title: None,
            callout: None,
            again: false,
            by: "tom".to_owned(),
        };
        let (line, _) = desk.desk.invite(wanted, &desk.now).expect("one");
        let kept = fs::read_to_string(desk.folder.path().join(FILE)).expect("kept");
        assert!(!kept.contains(line.expose()), "{kept}");
    }

    #[test]
    fn open_links_and_those_that_are_over_are_bounded() {
        let mut desk = Desk::new();
        for n in 0..MOST_OPEN {
            desk.invite(&format!("site-{n}"), false).expect("room");
        }
        assert!(desk.invite("halyard", false).is_err_and(|why| why.contains("16 links are open")));
        desk.invite("site-3", false).expect("in place of the one before");
        for round in 0..10 {
            desk.pass(GOOD_FOR + Span::millis(1));
            for n in 0..MOST_OPEN {
                desk.invite(&format!("round-{round}-{n}"), false).expect("room");
            }
        }
        assert!(desk.desk.known.len() <= MOST_OPEN + MOST_OVER, "{}", desk.desk.known.len());
    }

    #[test]
    fn an_unset_clock_neither_makes_links_nor_takes_them() {
        let mut desk = Desk::new();
        let link = desk.invite("halyard", false).expect("one");
        desk.now.wall_trusted = false;
        assert_eq!(desk.ask(&link, &key(), None), Err(JoinRefusal::NoClock));
        assert!(desk.invite("nursery", false).is_err_and(|why| why.contains("clock")));
    }

    #[test]
    fn what_is_oversized_or_retained_is_not_looked_at_and_answers_are_bounded() {
        let mut desk = Desk::new();
        desk.invite("halyard", false).expect("one");
        let look = |payload: &[u8], retained| desk.desk.admit("halyard", payload, retained, None, &desk.now);
        assert_eq!(look(&[b'A'; LARGEST + 1], false), Err(JoinRefusal::TooLarge(LARGEST + 1)));
        assert_eq!(look(b"x", true), Err(JoinRefusal::Retained));
        assert_eq!(look(b"x", false), Err(JoinRefusal::Unproved(Unproved::Garbled)));
        let now = desk.now;
        let answers = (0..100).filter(|_| desk.desk.answer(b"x", Err("no"), &now).is_some()).count();
        assert_eq!(answers, ANSWERS as usize);
        desk.pass(WITHIN);
        assert!(desk.desk.answer(b"x", Err("no"), &desk.now).is_some());
    }
}

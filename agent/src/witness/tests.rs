//! What a witness proves by signatures, and what its file keeps.

use super::Roster;
use crate::checkin::{SiteKey, seal};
use crate::journal::writer::Keeper;
use crate::journal::{BootId, JournalLimits};
use jiff::tz::TimeZone;
use slackwater_rules::checkin::{CheckIn, CheckinRefusal, Dark, VERSION};
use slackwater_rules::plan::{Directory, Plan, Surroundings};
use slackwater_rules::record::{Body, Record};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use tempfile::TempDir;

/// 2026-12-24T02:14:00Z.
const NIGHT: Wall = Wall(1_798_078_440_000);

struct Shed {
    folder: TempDir,
    key: SiteKey,
    plan: Plan,
    keeper: Keeper,
    roster: Roster,
    now: Now,
}

fn plan(key: &SiteKey) -> Plan {
    checked(&format!(
        "[site]\nname = \"Tom's shed\"\n[watched.halyard]\nname = \"Halyard House\"\nkey = \"{}\"\n",
        key.public()
    ))
}

fn checked(rules: &str) -> Plan {
    let around = Surroundings { directory: Directory::default(), zone: TimeZone::UTC, today: None };
    let checked = Plan::check("rules.toml", rules, &around);
    checked.plan.unwrap_or_else(|| panic!("{}", checked.report))
}

impl Shed {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let (key, _) = SiteKey::make().expect("a key");
        let now = Now { mono: Moment(1_000_000), wall: NIGHT, wall_trusted: true };
        let (keeper, roster) = opened(&folder, "one", &now);
        Self { plan: plan(&key), keeper, roster, now, folder, key }
    }

    fn tend(&mut self, later: Span) {
        self.now = Now { mono: self.now.mono + later, wall: self.now.wall + later, ..self.now };
        self.roster.tend(&mut self.keeper, &self.now);
    }

    /// What a kill at this moment would leave.
    fn killed(mut self) -> Self {
        self.now.mono = Moment(5_000);
        let Self { folder, key, plan, keeper, roster, now } = self;
        drop((keeper, roster));
        let (keeper, roster) = opened(&folder, "two", &now);
        Self { folder, key, plan, keeper, roster, now }
    }

    /// The witness is restarted in good order.
    fn restart(&mut self) {
        self.roster.close(&mut self.keeper, &self.now);
        *self = std::mem::replace(self, Self::new()).killed();
    }

    fn words(&self) -> Vec<String> {
        self.roster.notes(&self.plan).map(|(_, note)| note.words.to_string()).collect()
    }

    fn take(&mut self, check_in: &CheckIn) -> Result<bool, CheckinRefusal> {
        let sealed = sealed(&self.key, check_in);
        self.take_bytes("halyard", sealed.as_bytes())
    }

    fn take_bytes(&mut self, name: &str, bytes: &[u8]) -> Result<bool, CheckinRefusal> {
        self.roster.take(name, bytes, false, &self.plan, &self.now).map(|believed| believed.live)
    }
}

fn opened(folder: &TempDir, boot: &str, now: &Now) -> (Keeper, Roster) {
    let path = folder.path().join("journal.sqlite");
    let opened =
        Keeper::open(path.clone(), BootId(boot.to_owned()), JournalLimits::default(), "Tom's shed", now);
    let (keeper, _) = opened.expect("a journal");
    let roster = Roster::open(&keeper, &path, now);
    (keeper, roster)
}

fn sealed(key: &SiteKey, check_in: &CheckIn) -> String {
    seal(key, &serde_json::to_vec(check_in).expect("JSON"))
}

fn check_in(count: u64) -> CheckIn {
    CheckIn {
        version: VERSION,
        site: "halyard".to_owned(),
        journal: "aaaa".to_owned(),
        start: 10,
        count,
        at: NIGHT,
        at_trusted: true,
        boot: "boot 1".to_owned(),
        next: Span::minutes(1),
        software: "0.1.0".to_owned(),
        mains: Some("on".to_owned()),
        open: Vec::new(),
        more: 0,
        asks: false,
        sensors: (4, 4),
        readings: Vec::new(),
        troubles: Vec::new(),
        silence: None,
        dark: None,
    }
}

#[test]
fn what_was_heard_is_known_after_a_restart_of_the_witness() {
    let mut shed = Shed::new();
    shed.take(&check_in(7)).expect("taken");
    shed.restart();
    let notes: Vec<_> = shed.roster.notes(&shed.plan).map(|(site, note)| (&site.name, note.words)).collect();
    assert_eq!(notes.len(), 1);
    assert!(notes[0].1.contains("mains on; no alarm open"), "{notes:?}");
    assert!(matches!(shed.take(&check_in(7)), Err(CheckinRefusal::Replayed(_))));
    assert_eq!(shed.take(&check_in(8)), Ok(true));
}

#[test]
fn a_kill_forgets_half_an_hour_of_check_ins_and_nothing_that_was_announced() {
    let mut shed = Shed::new();
    shed.take(&check_in(7)).expect("taken");
    shed.tend(Span::minutes(1));
    let mut shed = shed.killed();
    assert_eq!(shed.words(), [""; 0], "nothing that calls for haste");
    shed.take(&check_in(7)).expect("taken");
    shed.tend(Span::minutes(30));
    let mut shed = shed.killed();
    assert!(shed.words()[0].contains("no alarm open"), "{:?}", shed.words());
    let dark = Some(Dark { left: Span::minutes(40), why: "its battery is low".to_owned() });
    shed.take(&CheckIn { dark, ..check_in(8) }).expect("taken");
    shed.tend(Span::ZERO);
    let shed = shed.killed();
    let notes: Vec<_> = shed.roster.notes(&shed.plan).map(|(_, note)| note.likely).collect();
    assert!(notes[0].contains("go dark"), "{notes:?}");
}

#[test]
fn a_journal_that_begins_anew_is_told_of_every_site_again() {
    let mut shed = Shed::new();
    shed.take(&check_in(7)).expect("taken");
    shed.tend(Span::minutes(30));
    for name in ["journal.sqlite", "journal.sqlite-wal", "journal.sqlite-shm"] {
        std::fs::remove_file(shed.folder.path().join(name)).expect("removed");
    }
    // Noticed by the next record.
    let record = Record { seq: 1, at: shed.now, body: Body::Settled { alarm: "halyard-silent".to_owned() } };
    shed.keeper.keep(vec![record], || 1, &shed.now);
    shed.tend(Span::seconds(1));
    let shed = shed.killed();
    assert!(shed.words()[0].contains("no alarm open"), "{:?}", shed.words());
}

#[test]
fn many_sites_are_kept_some_hundreds_at_a_time() {
    let mut shed = Shed::new();
    let mut rules = "[site]\nname = \"Tom's shed\"\n".to_owned();
    for nth in 0..1_200 {
        rules.push_str(&format!("[watched.site-{nth}]\nkey = \"{}\"\n", shed.key.public()));
    }
    shed.plan = checked(&rules);
    for nth in 0..1_200 {
        let check_in = CheckIn { site: format!("site-{nth}"), ..check_in(7) };
        let sealed = sealed(&shed.key, &check_in);
        shed.take_bytes(&check_in.site, sealed.as_bytes()).expect("taken");
    }
    let kept = |shed: &Shed| shed.keeper.sites().expect("read").len();
    shed.tend(Span::minutes(30));
    assert_eq!(kept(&shed), 500);
    let due = shed.roster.due().expect("more waits");
    shed.tend(Span::ZERO);
    assert_eq!(kept(&shed), 500, "not at once");
    shed.tend(due - shed.now.mono);
    assert_eq!(kept(&shed), 1_000);
    shed.roster.close(&mut shed.keeper, &shed.now);
    assert_eq!(kept(&shed), 1_200, "all of it before the end");
}

#[test]
fn a_broken_row_is_that_site_s_alone_and_begun_anew() {
    let mut shed = Shed::new();
    shed.take(&check_in(7)).expect("taken");
    shed.roster.close(&mut shed.keeper, &shed.now);
    let broken = [("halyard".to_owned(), "{ broken".to_owned())];
    shed.keeper.keep_sites(&broken, &shed.now).expect("written");
    let mut shed = shed.killed();
    assert_eq!(shed.words(), [""; 0]);
    assert_eq!(shed.take(&check_in(1)), Ok(true));
}

#[test]
fn the_file_of_an_earlier_version_is_still_known() {
    let shed = Shed::new();
    let known = format!(
        r#"{{"halyard":{{"key":"{}","mark":{{"journal":"aaaa","start":10,"count":7,"at":1798078440000}},"life":{{"boot":"boot 1","journal":"aaaa","start":10}},"note":{{"words":"last at 02:14: mains on","likely":"no sign beforehand"}},"announced":false}}}}"#,
        shed.key.public()
    );
    let file = shed.folder.path().join("check-ins.json");
    std::fs::write(&file, &known).expect("written");
    let mut shed = shed.killed();
    assert!(file.exists(), "until it is in the journal");
    shed.tend(Span::ZERO);
    assert!(!file.exists());
    let mut shed = shed.killed();
    assert!(shed.roster.notes(&shed.plan).any(|(_, note)| &*note.words == "last at 02:14: mains on"));
    assert!(matches!(shed.take(&check_in(7)), Err(CheckinRefusal::Replayed(_))));
}

#[test]
fn the_forged_and_the_garbled_are_turned_away_before_they_are_parsed() {
    let mut shed = Shed::new();
    let (other, _) = SiteKey::make().expect("a key");
    let good = sealed(&shed.key, &check_in(1));
    let forged = sealed(&other, &check_in(1));
    assert_eq!(shed.take_bytes("halyard", forged.as_bytes()), Err(CheckinRefusal::Forged));
    for garbled in [&b""[..], b"{}", b"\xff\xfe", &good.as_bytes()[3..]] {
        assert!(
            matches!(shed.take_bytes("halyard", garbled), Err(CheckinRefusal::Garbled(_))),
            "{garbled:?}"
        );
    }
    let no_form = seal(&shed.key, br#"{"version": 1}"#);
    assert!(matches!(shed.take_bytes("halyard", no_form.as_bytes()), Err(CheckinRefusal::Garbled(_))));
    assert_eq!(shed.take_bytes("halyard", good.as_bytes()), Ok(true), "nothing of it counted");
}

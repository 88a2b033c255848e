//! What a witness proves by signatures, and what its file keeps.

use super::Roster;
use crate::checkin::{SiteKey, seal};
use jiff::tz::TimeZone;
use slackwater_rules::checkin::{CheckIn, CheckinRefusal, VERSION};
use slackwater_rules::plan::{Directory, Plan, Surroundings};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use tempfile::TempDir;

/// 2026-12-24T02:14:00Z.
const NIGHT: Wall = Wall(1_798_078_440_000);

struct Shed {
    folder: TempDir,
    key: SiteKey,
    plan: Plan,
    roster: Roster,
    now: Now,
}

fn plan(key: &SiteKey) -> Plan {
    let around = Surroundings { directory: Directory::default(), zone: TimeZone::UTC, today: None };
    let rules = format!(
        "[site]\nname = \"Tom's shed\"\n[watched.halyard]\nname = \"Halyard House\"\nkey = \"{}\"\n",
        key.public()
    );
    let checked = Plan::check("rules.toml", &rules, &around);
    checked.plan.unwrap_or_else(|| panic!("{}", checked.report))
}

impl Shed {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let (key, _) = SiteKey::make().expect("a key");
        let now = Now { mono: Moment(1_000_000), wall: NIGHT, wall_trusted: true };
        let roster = Roster::open(&folder.path().join("journal.sqlite"), &now);
        Self { plan: plan(&key), roster, now, folder, key }
    }

    /// The witness is restarted in good order.
    fn restart(&mut self) {
        self.roster.close(&self.now);
        self.now.mono = Moment(5_000);
        self.roster = Roster::open(&self.folder.path().join("journal.sqlite"), &self.now);
    }

    fn take(&mut self, check_in: &CheckIn) -> Result<bool, CheckinRefusal> {
        let sealed = sealed(&self.key, check_in);
        self.take_bytes("halyard", sealed.as_bytes())
    }

    fn take_bytes(&mut self, name: &str, bytes: &[u8]) -> Result<bool, CheckinRefusal> {
        self.roster.take(name, bytes, false, &self.plan, &self.now).map(|believed| believed.live)
    }
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

    std::fs::write(shed.folder.path().join("check-ins.json"), "{ broken").expect("written");
    let roster = Roster::open(&shed.folder.path().join("journal.sqlite"), &shed.now);
    assert_eq!(roster.notes(&shed.plan).count(), 0, "begun anew, and said in the log");
}

#[test]
fn the_file_of_an_earlier_version_is_still_known() {
    let mut shed = Shed::new();
    let known = format!(
        r#"{{"halyard":{{"key":"{}","mark":{{"journal":"aaaa","start":10,"count":7,"at":1798078440000}},"life":{{"boot":"boot 1","journal":"aaaa","start":10}},"note":{{"words":"last at 02:14: mains on","likely":"no sign beforehand"}},"announced":false}}}}"#,
        shed.key.public()
    );
    let file = shed.folder.path().join("check-ins.json");
    std::fs::write(&file, &known).expect("written");
    shed.roster = Roster::open(&shed.folder.path().join("journal.sqlite"), &shed.now);
    assert!(shed.roster.notes(&shed.plan).any(|(_, note)| note.words == "last at 02:14: mains on"));
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

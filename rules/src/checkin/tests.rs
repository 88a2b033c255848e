//! What a witness believes and what it turns away, with clocks and counters as they come.

use super::words;
use super::{Refusal, Roster};
use crate::checkin::{CheckIn, Dark, OpenAlarm, Planned, Said, SiteKey, VERSION, seal};
use jiff::tz::TimeZone;
use slackwater_rules::alarm::Priority;
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

    fn pass(&mut self, span: Span) {
        self.now.mono = self.now.mono + span;
        self.now.wall = self.now.wall + span;
    }

    fn take(&mut self, check_in: &CheckIn) -> Result<bool, Refusal> {
        let sealed = sealed(&self.key, check_in);
        self.take_bytes("halyard", sealed.as_bytes())
    }

    fn take_bytes(&mut self, name: &str, bytes: &[u8]) -> Result<bool, Refusal> {
        self.roster.take(name, bytes, false, &self.plan, &self.now).map(|taken| taken.live)
    }
}

fn sealed(key: &SiteKey, check_in: &CheckIn) -> String {
    seal(key, &serde_json::to_vec(check_in).expect("JSON"))
}

/// The `count`th of the life that began with record `start`, at this time of a clock that is right.
fn check_in(start: u64, count: u64, at: Wall) -> CheckIn {
    CheckIn {
        version: VERSION,
        site: "halyard".to_owned(),
        journal: "aaaa".to_owned(),
        start,
        count,
        at,
        at_trusted: true,
        boot: "boot 1".to_owned(),
        next: Span::minutes(1),
        software: "0.1.0".to_owned(),
        mains: Some("on".to_owned()),
        open: Vec::new(),
        more: 0,
        asks: false,
        sensors: (4, 4),
        readings: vec![Said {
            sensor: "lagoon-temp".to_owned(),
            value: "24.1 degC".to_owned(),
            age: Span::seconds(3),
        }],
        troubles: Vec::new(),
        silence: None,
        dark: None,
    }
}

#[test]
fn a_check_in_counts_once_and_older_ones_never_again() {
    let mut shed = Shed::new();
    assert_eq!(shed.take(&check_in(10, 1, NIGHT)), Ok(true));
    assert_eq!(shed.take(&check_in(10, 2, NIGHT)), Ok(true), "the count is enough, the time the same");
    for again in [check_in(10, 2, NIGHT), check_in(10, 1, NIGHT), check_in(9, 99, NIGHT - Span::hours(1))] {
        assert!(matches!(shed.take(&again), Err(Refusal::Replayed(_))), "{again:?}");
    }
    shed.pass(Span::minutes(1));
    let now = shed.now.wall;
    assert_eq!(shed.take(&check_in(25, 1, now)), Ok(true), "the watch was restarted: its count begins anew");
}

#[test]
fn what_was_heard_is_known_after_a_restart_of_the_witness() {
    let mut shed = Shed::new();
    shed.take(&check_in(10, 7, NIGHT)).expect("taken");
    shed.restart();
    let notes: Vec<_> =
        shed.roster.notes(&shed.plan).map(|(site, note)| (site.name.as_str(), &note.words)).collect();
    assert_eq!(notes.len(), 1);
    assert!(notes[0].1.contains("lagoon-temp 24.1 degC"), "{notes:?}");
    assert!(matches!(shed.take(&check_in(10, 7, NIGHT)), Err(Refusal::Replayed(_))));
    assert_eq!(shed.take(&check_in(10, 8, NIGHT)), Ok(true));

    std::fs::write(shed.folder.path().join("check-ins.json"), "{ broken").expect("written");
    let roster = Roster::open(&shed.folder.path().join("journal.sqlite"), &shed.now);
    assert_eq!(roster.notes(&shed.plan).count(), 0, "begun anew, and said in the log");
}

#[test]
fn a_clock_that_is_wrong_or_jumps_shuts_no_site_out_while_its_journal_counts_on() {
    let mut shed = Shed::new();
    shed.take(&check_in(10, 1, NIGHT)).expect("taken");
    // The board has rebooted without a network: its clock is 52 minutes behind, and it knows that.
    let behind = CheckIn { at_trusted: false, ..check_in(20, 1, NIGHT - Span::minutes(52)) };
    assert_eq!(shed.take(&behind), Ok(true), "an untrusted time says nothing of how old it is");
    let ahead = check_in(20, 2, NIGHT + Span::hours(24 * 365 * 10));
    assert_eq!(shed.take(&ahead), Ok(true));
    assert_eq!(shed.take(&check_in(20, 3, NIGHT)), Ok(true), "and back again");
    // The ten years are not remembered, so a new journal is taken in the present.
    shed.pass(Span::minutes(1));
    let now = shed.now.wall;
    assert_eq!(shed.take(&CheckIn { journal: "bbbb".to_owned(), ..check_in(1, 1, now) }), Ok(true));
}

#[test]
fn a_board_that_lost_its_journal_comes_back_once_its_clock_is_set() {
    let mut shed = Shed::new();
    shed.take(&check_in(10, 500, NIGHT)).expect("taken");
    shed.pass(Span::hours(1));
    let now = shed.now.wall;
    let new =
        |count, at, at_trusted| CheckIn { journal: "bbbb".to_owned(), at_trusted, ..check_in(1, count, at) };
    let unset = shed.take(&new(1, NIGHT - Span::hours(24 * 300), false));
    assert!(
        matches!(&unset, Err(Refusal::Replayed(why)) if why.contains("its clock is not set")),
        "{unset:?}"
    );
    assert_eq!(shed.take(&new(2, now, true)), Ok(true));
    assert_eq!(shed.take(&new(3, NIGHT - Span::hours(1), false)), Ok(true), "from now on it counts");
    // What was recorded of the old board is of no use any more.
    for old in [check_in(10, 501, NIGHT), CheckIn { at_trusted: false, ..check_in(99, 1, now) }] {
        assert!(matches!(shed.take(&old), Err(Refusal::Replayed(_))), "{old:?}");
    }
}

#[test]
fn what_is_late_is_known_but_is_no_sign_of_life() {
    let mut shed = Shed::new();
    shed.take(&check_in(10, 1, NIGHT)).expect("taken");
    shed.pass(Span::minutes(30));
    assert_eq!(
        shed.take(&check_in(10, 2, NIGHT + Span::minutes(1))),
        Ok(false),
        "held back for half an hour"
    );
    shed.now.wall_trusted = false;
    assert_eq!(shed.take(&check_in(10, 3, NIGHT + Span::minutes(2))), Ok(true), "who knows what time it is");
}

#[test]
fn the_forged_the_garbled_and_the_misplaced_are_turned_away_before_they_are_parsed() {
    let mut shed = Shed::new();
    let (other, _) = SiteKey::make().expect("a key");
    let good = sealed(&shed.key, &check_in(10, 1, NIGHT));
    let forged = sealed(&other, &check_in(10, 1, NIGHT));
    assert_eq!(shed.take_bytes("halyard", forged.as_bytes()), Err(Refusal::Forged));
    assert_eq!(shed.take_bytes("lagoon", good.as_bytes()), Err(Refusal::Unknown));
    let misplaced = CheckIn { site: "nursery".to_owned(), ..check_in(10, 1, NIGHT) };
    assert_eq!(shed.take(&misplaced), Err(Refusal::Misplaced { site: "nursery".to_owned() }));
    let kept = shed.roster.take("halyard", good.as_bytes(), true, &shed.plan, &shed.now);
    assert_eq!(kept.err(), Some(Refusal::Retained));
    let large = vec![b'A'; 20_000];
    assert!(matches!(shed.take_bytes("halyard", &large), Err(Refusal::TooLarge { length: 20_000, .. })));
    for garbled in [&b""[..], b"{}", b"\xff\xfe", &good.as_bytes()[3..]] {
        assert!(matches!(shed.take_bytes("halyard", garbled), Err(Refusal::Garbled(_))), "{garbled:?}");
    }
    let no_form = seal(&shed.key, br#"{"version": 1}"#);
    assert!(matches!(shed.take_bytes("halyard", no_form.as_bytes()), Err(Refusal::Garbled(_))));
    let newer = CheckIn { version: 2, ..check_in(10, 1, NIGHT) };
    let refused = shed.take(&newer);
    assert!(matches!(&refused, Err(Refusal::Garbled(why)) if why.contains("version 2")), "{refused:?}");
    assert_eq!(shed.take_bytes("halyard", good.as_bytes()), Ok(true), "nothing of it counted");
}

#[test]
fn a_flood_of_one_cause_is_said_once_an_hour_with_its_number() {
    let mut shed = Shed::new();
    let mut said = Vec::new();
    for _ in 0..10_000 {
        said.extend(shed.roster.refused(&Refusal::Forged, &shed.now));
    }
    said.extend(shed.roster.refused(&Refusal::Unknown, &shed.now));
    shed.pass(Span::hours(1));
    said.extend(shed.roster.refused(&Refusal::Forged, &shed.now));
    assert_eq!(said, [1, 1, 10_000]);
    let (_, totals) = shed.roster.totals();
    assert_eq!(totals.get("forged"), Some(&10_001));
}

#[test]
fn a_new_key_makes_a_new_beginning() {
    let mut shed = Shed::new();
    shed.take(&check_in(10, 500, NIGHT)).expect("taken");
    (shed.key, _) = SiteKey::make().expect("a key");
    shed.plan = plan(&shed.key);
    assert_eq!(shed.roster.notes(&shed.plan).count(), 0);
    let anew = CheckIn { journal: "bbbb".to_owned(), at_trusted: false, ..check_in(1, 1, Wall(0)) };
    assert_eq!(shed.take(&anew), Ok(true));
}

#[test]
fn the_note_says_what_was_known_and_what_may_be_the_cause() {
    let calm = check_in(10, 1, NIGHT);
    let lost = CheckIn {
        mains: Some("off".to_owned()),
        open: vec![
            OpenAlarm {
                name: "power-lost".to_owned(),
                place: "lagoon".to_owned(),
                priority: Priority::Critical,
                stood: Span::minutes(2),
                answered: false,
            },
            OpenAlarm {
                name: "return-stopped".to_owned(),
                place: "lagoon".to_owned(),
                priority: Priority::High,
                stood: Span::seconds(40),
                answered: true,
            },
        ],
        ..calm.clone()
    };
    let dark = |left| CheckIn { dark: Some(Dark { left, why: "battery-low".to_owned() }), ..lost.clone() };
    let planned = CheckIn {
        silence: Some(Planned {
            left: Span::hours(2),
            why: "the rack\nis moved".to_owned(),
            who: "ines".to_owned(),
        }),
        ..calm.clone()
    };
    let troubled = CheckIn {
        troubles: vec!["its broker can't be heard: no route".to_owned()],
        sensors: (4, 1),
        ..calm.clone()
    };
    let notes: Vec<_> = [calm, lost.clone(), dark(Span::minutes(8)), dark(Span::ZERO), planned, troubled]
        .iter()
        .map(|check_in| words::note(check_in, NIGHT, &TimeZone::UTC))
        .map(|note| format!("{}\n  {}", note.words, note.likely))
        .collect();
    insta::assert_snapshot!(notes.join("\n"));
}

#[test]
fn a_site_that_is_back_says_what_went_on_meanwhile() {
    let mut shed = Shed::new();
    shed.take(&check_in(10, 1, NIGHT)).expect("taken");
    let mut back = |check_in: CheckIn| {
        shed.pass(Span::minutes(90));
        let at = shed.now.wall;
        let sealed = sealed(&shed.key, &CheckIn { at, ..check_in });
        let taken = shed.roster.take("halyard", sealed.as_bytes(), false, &shed.plan, &shed.now);
        taken.expect("taken").note.words.split(';').next().map(str::to_owned)
    };
    let said = |text: &str| Some(text.to_owned());
    assert_eq!(
        back(check_in(10, 91, NIGHT)),
        said("back after 1 h 30 min: its watch has gone on all along, so only the way here was cut")
    );
    assert_eq!(
        back(check_in(30, 1, NIGHT)),
        said("back after 1 h 30 min: its watch has started anew, its board has not")
    );
    assert_eq!(
        back(CheckIn { boot: "boot 2".to_owned(), ..check_in(50, 1, NIGHT) }),
        said("back after 1 h 30 min: its board has started anew, as after a loss of power")
    );
}

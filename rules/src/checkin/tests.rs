//! What a witness believes and what it turns away, with clocks and counters as they come.
//! Signatures are the agent's: here every payload counts as signed.

use super::words;
use super::*;
use crate::alarm::Priority;
use crate::plan::{Directory, Plan, Surroundings};
use crate::time::{Moment, Now, Span, Wall};
use jiff::tz::TimeZone;

/// 2026-12-24T02:14:00Z.
const NIGHT: Wall = Wall(1_798_078_440_000);

/// RFC 8037, appendix A.2 (from memory), and another: any public key of the right form will do.
const KEY: &str = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo";
const OTHER: &str = "PUAXw-hDiVqStwqnTRt-vJyYLM8uxJaMwM1V8Sr0Zgw";

struct Shed {
    plan: Plan,
    sites: Sites,
    now: Now,
}

fn plan(key: &str) -> Plan {
    let around = Surroundings { directory: Directory::default(), zone: TimeZone::UTC, today: None };
    let rules = format!(
        "[site]\nname = \"Tom's shed\"\n[watched.halyard]\nname = \"Halyard House\"\nkey = \"{key}\"\n"
    );
    let checked = Plan::check("rules.toml", &rules, &around);
    checked.plan.unwrap_or_else(|| panic!("{}", checked.report))
}

impl Shed {
    fn new() -> Self {
        let now = Now { mono: Moment(1_000_000), wall: NIGHT, wall_trusted: true };
        Self { plan: plan(KEY), sites: Sites::default(), now }
    }

    /// The witness is restarted, and remembers what was kept.
    fn restart(&mut self) {
        let kept = serde_json::to_string(self.sites.known()).expect("JSON");
        self.now.mono = Moment(5_000);
        self.sites = Sites::remembering(serde_json::from_str(&kept).expect("what was kept"));
    }

    fn pass(&mut self, span: Span) {
        self.now.mono = self.now.mono + span;
        self.now.wall = self.now.wall + span;
    }

    fn take(&mut self, check_in: &CheckIn) -> Result<bool, CheckinRefusal> {
        self.believe(check_in).map(|believed| believed.live)
    }

    fn believe(&mut self, check_in: &CheckIn) -> Result<Believed, CheckinRefusal> {
        self.take_bytes("halyard", &serde_json::to_vec(check_in).expect("JSON"))
    }

    fn take_bytes(&mut self, name: &str, bytes: &[u8]) -> Result<Believed, CheckinRefusal> {
        self.sites.take(name, bytes, false, &self.plan, &self.now, |_, bytes| Ok(bytes.to_vec()))
    }
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
        readings: vec![LastReading {
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
        assert!(matches!(shed.take(&again), Err(CheckinRefusal::Replayed(_))), "{again:?}");
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
        shed.sites.notes(&shed.plan).map(|(site, note)| (site.name.as_str(), &note.words)).collect();
    assert_eq!(notes.len(), 1);
    assert!(notes[0].1.contains("lagoon-temp 24.1 degC"), "{notes:?}");
    assert!(matches!(shed.take(&check_in(10, 7, NIGHT)), Err(CheckinRefusal::Replayed(_))));
    assert_eq!(shed.take(&check_in(10, 8, NIGHT)), Ok(true));
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
        matches!(&unset, Err(CheckinRefusal::Replayed(why)) if why.contains("its clock is not set")),
        "{unset:?}"
    );
    assert_eq!(shed.take(&new(2, now, true)), Ok(true));
    assert_eq!(shed.take(&new(3, NIGHT - Span::hours(1), false)), Ok(true), "from now on it counts");
    // What was recorded of the old board is of no use any more.
    for old in [check_in(10, 501, NIGHT), CheckIn { at_trusted: false, ..check_in(99, 1, now) }] {
        assert!(matches!(shed.take(&old), Err(CheckinRefusal::Replayed(_))), "{old:?}");
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
fn what_is_too_large_kept_by_the_broker_or_for_another_site_is_turned_away() {
    let mut shed = Shed::new();
    let good = serde_json::to_vec(&check_in(10, 1, NIGHT)).expect("JSON");
    assert_eq!(shed.take_bytes("lagoon", &good).err(), Some(CheckinRefusal::Unknown));
    let misplaced = CheckIn { site: "nursery".to_owned(), ..check_in(10, 1, NIGHT) };
    assert_eq!(shed.take(&misplaced), Err(CheckinRefusal::Misplaced { site: "nursery".to_owned() }));
    let never = |_: &str, _: &[u8]| -> Result<Vec<u8>, CheckinRefusal> { panic!("it is not even proved") };
    let kept = shed.sites.take("halyard", &good, true, &shed.plan, &shed.now, never);
    assert_eq!(kept.err(), Some(CheckinRefusal::Retained));
    let large = shed.sites.take("halyard", &[b'A'; 20_000], false, &shed.plan, &shed.now, never);
    assert!(matches!(large, Err(CheckinRefusal::TooLarge { length: 20_000, .. })));
    let forged = shed.sites.take("halyard", &good, false, &shed.plan, &shed.now, |key, _| {
        assert_eq!(key, KEY, "it is proved by the site's own key");
        Err(CheckinRefusal::Forged)
    });
    assert_eq!(forged.err(), Some(CheckinRefusal::Forged));
    let no_form = shed.take_bytes("halyard", br#"{"version": 1}"#);
    assert!(matches!(no_form, Err(CheckinRefusal::Garbled(_))));
    let newer = CheckIn { version: 2, ..check_in(10, 1, NIGHT) };
    let refused = shed.take(&newer);
    assert!(
        matches!(&refused, Err(CheckinRefusal::Garbled(why)) if why.contains("version 2")),
        "{refused:?}"
    );
    assert_eq!(shed.take(&check_in(10, 1, NIGHT)), Ok(true), "nothing of it counted");
}

#[test]
fn a_flood_of_one_cause_is_said_once_an_hour_with_its_number() {
    let mut shed = Shed::new();
    let mut said = Vec::new();
    for _ in 0..10_000 {
        said.extend(shed.sites.refused(&CheckinRefusal::Forged, &shed.now));
    }
    said.extend(shed.sites.refused(&CheckinRefusal::Unknown, &shed.now));
    shed.pass(Span::hours(1));
    said.extend(shed.sites.refused(&CheckinRefusal::Forged, &shed.now));
    assert_eq!(said, [1, 1, 10_000]);
    let (_, totals) = shed.sites.totals();
    assert_eq!(totals.get("forged"), Some(&10_001));
}

#[test]
fn a_new_key_makes_a_new_beginning() {
    let mut shed = Shed::new();
    shed.take(&check_in(10, 500, NIGHT)).expect("taken");
    shed.plan = plan(OTHER);
    assert_eq!(shed.sites.notes(&shed.plan).count(), 0);
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
        let believed = shed.believe(&CheckIn { at, ..check_in }).expect("taken");
        let words = believed.note.words.split(';').next().map(str::to_owned);
        assert_eq!(believed.back, words, "the log has it too");
        words
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

#[test]
fn an_announcement_must_not_be_forgotten_and_what_is_usual_may_be() {
    let mut shed = Shed::new();
    let dark = Dark { left: Span::minutes(8), why: "battery-low".to_owned() };
    let said = [None, Some(dark.clone()), Some(dark), None, None];
    let urgent = (1..).zip(said).map(|(count, dark)| {
        shed.believe(&CheckIn { dark, ..check_in(10, count, NIGHT) }).expect("taken").urgent
    });
    assert_eq!(urgent.collect::<Vec<_>>(), [false, true, false, true, false]);
}

/// An engine over the watched site, and what it was told.
struct Watch {
    engine: crate::engine::Engine,
    now: Now,
    shed: Shed,
}

impl Watch {
    fn new() -> Self {
        let shed = Shed::new();
        let now = shed.now;
        Self { engine: crate::engine::Engine::new(shed.plan.clone(), 7, 1, now), now, shed }
    }

    /// The words that a check-in comes to for the alarm of silence.
    fn hear(&mut self, check_in: &CheckIn) -> Vec<String> {
        use crate::engine::{Arrival, Input};
        (self.shed.now, self.now) = (self.now, self.now);
        let believed = self.shed.believe(check_in).expect("taken");
        let site = self.shed.plan.watched[0].clone();
        for input in sign_of_life(&site, &believed, Arrival::Live) {
            self.engine.step(self.now, input);
        }
        let words = announced(&self.engine, &site, &believed, &self.now);
        let said = words.iter().map(|input| match input {
            Input::Said { command: word, by } => format!("{} {}: {word:?}", by.who, by.via),
            other => panic!("{other:?}"),
        });
        let said = said.collect();
        words.into_iter().for_each(|input| drop(self.engine.step(self.now, input)));
        said
    }

    fn pass(&mut self, span: Span) {
        self.now.mono = self.now.mono + span;
        self.now.wall = self.now.wall + span;
    }
}

#[test]
fn an_announced_silence_shelves_the_alarm_for_silence_and_a_person_here_comes_first() {
    let mut watch = Watch::new();
    let silence = |left| Some(Planned { left, why: "the rack is moved".to_owned(), who: "ines".to_owned() });
    let said = |count, at, silence| CheckIn { silence, ..check_in(10, count, at) };
    let shelve = |span: &str| {
        let length =
            crate::units::Quantity::parse(span).and_then(|it| it.base(crate::units::Dimension::TIME));
        let length = Span((length.expect("a time") * 1_000.0) as i64);
        format!(
            "ines check-in: Shelve {{ alarm: \"halyard-silent\", length: {length:?}, why: \"the rack is moved\" }}"
        )
    };
    assert_eq!(watch.hear(&said(1, NIGHT, silence(Span::hours(2)))), [shelve("2 h")]);
    watch.pass(Span::minutes(5));
    let again = said(2, watch.now.wall, silence(Span::minutes(115)));
    assert_eq!(watch.hear(&again), [""; 0], "the same end is no news");
    // A check-in that was half an hour underway: what was left then is partly over.
    watch.pass(Span::minutes(30));
    let late = said(3, watch.now.wall - Span::minutes(20), silence(Span::hours(3)));
    assert_eq!(watch.hear(&late).len(), 2, "taken off and put on anew");
    let back = said(4, watch.now.wall, None);
    let off = watch.hear(&back);
    assert_eq!(off, ["halyard check-in: Unshelve { alarm: \"halyard-silent\" }"], "it is taken back");

    let word = crate::engine::OperatorCommand::Shelve {
        alarm: "halyard-silent".to_owned(),
        length: Span::hours(1),
        why: "I am there".to_owned(),
    };
    let by = crate::record::By { who: "tom".to_owned(), via: "socket".to_owned() };
    watch.engine.step(watch.now, crate::engine::Input::Said { command: word, by });
    let more = said(5, watch.now.wall, silence(Span::hours(9)));
    assert_eq!(watch.hear(&more), [""; 0]);
}

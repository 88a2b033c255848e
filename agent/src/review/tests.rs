use super::*;
use crate::journal::writer::Keeper;
use crate::journal::{BootId, Journal, JournalLimits};
use slackwater_rules::alarm::Priority;
use slackwater_rules::engine::Sample;
use slackwater_rules::plan::{Directory, Gear, Measure, Sensor, Stocking, Tank, TankId};
use slackwater_rules::quality::Quality;
use slackwater_rules::reading::{Content, Mapping, Value, Word};
use slackwater_rules::record::{Body, By, Outcome, Purpose, Record, Seq, Verdict};
use slackwater_rules::time::{Moment, Now, Span};
use slackwater_rules::units::{Dimension, Scale, Unit};
use tempfile::TempDir;

/// Central European time by rule, so that no time zone data of the machine matters: clocks go
/// forward on 2026-03-29 and back on 2026-10-25.
fn zone() -> TimeZone {
    TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap()
}

fn wall(text: &str) -> Wall {
    parse_when(text, Wall(0), &zone()).unwrap()
}

/// Writes a journal as the agent would have.
struct Story {
    folder: TempDir,
    journal: Journal,
    /// Wall less mono of the present boot.
    offset: i64,
    seq: Seq,
}

impl Story {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut journal = Self::open(&folder, "first");
        journal.name_site("Halyard House").unwrap();
        Self { folder, journal, offset: wall("2026-10-01").0, seq: 0 }
    }

    fn open(folder: &TempDir, boot: &str) -> Journal {
        Journal::open(&folder.path().join("journal.db"), BootId(boot.to_owned()), JournalLimits::default())
            .unwrap()
            .0
    }

    fn reboot(&mut self, boot: &str, at: &str) {
        self.journal = Self::open(&self.folder, boot);
        self.offset = wall(at).0;
    }

    fn now(&self, wall: Wall, wall_trusted: bool) -> Now {
        Now { mono: Moment(wall.0 - self.offset), wall, wall_trusted }
    }

    fn tell(&mut self, at: &str, body: Body) -> Seq {
        self.commit(self.now(wall(at), true), body)
    }

    fn commit(&mut self, at: Now, body: Body) -> Seq {
        self.seq += 1;
        self.journal.commit(&[Record { seq: self.seq, at, body }], 1).unwrap();
        self.seq
    }

    /// A reading a minute.
    fn readings(&mut self, sensor: &str, from: &str, to: &str, value: impl Fn(f64) -> (Value, Quality)) {
        let (from, to) = (wall(from), wall(to));
        for minute in 0..(to - from).0 / 60_000 {
            let at = from + Span::minutes(minute);
            let (value, quality) = value(minute as f64);
            let at = self.now(at, true).mono;
            self.journal.sample(&[Sample { sensor: sensor.into(), at, value: Some(value), quality }]);
        }
        let now = self.now(to, true);
        self.journal.flush(&now).unwrap();
    }

    fn review(&self, plan: Option<&Plan>, since: &str, until: &str) -> Review {
        let log = JournalLog::open(&self.folder.path().join("journal.db")).unwrap();
        review(&log, plan, ReviewSpan { since: wall(since), until: wall(until) }, &zone()).unwrap()
    }
}

fn plan() -> Plan {
    let sensor = |name: &str, mapping: Mapping, limits: Option<(f64, f64)>| Sensor {
        name: name.to_owned(),
        title: name.to_owned(),
        feed: slackwater_rules::plan::Feed::Topic(name.to_owned()),
        mapping,
        available: None,
        tank: limits.map(|_| TankId(0)),
        measure: Measure { name: "temperature", dimension: Dimension::TEMPERATURE, words: limits.is_none() },
        scale: scale(),
        every: Span::seconds(30),
        stale_after: Span::minutes(3),
        plausible: None,
        reject: Vec::new(),
        max_rate: None,
        frozen_after: None,
        limits,
        resolution: None,
        gateway: None,
    };
    let words = ["on", "off"].map(|name| Word { name: name.to_owned(), spellings: Vec::new() });
    Plan {
        site: "Halyard House".to_owned(),
        help: slackwater_rules::plan::Help::default(),
        sight_pages_after: None,
        without_mains: slackwater_rules::plan::WithoutMains::default(),
        altitude: 0.0,
        mains: None,
        zone: zone(),
        tanks: vec![Tank {
            name: "lagoon".to_owned(),
            title: "lagoon".to_owned(),
            help: slackwater_rules::plan::Help::default(),
            volume: None,
            salinity: None,
            stocking: Stocking::Moderate,
            photoperiod: None,
            gear: Gear::default(),
        }],
        sensors: vec![
            sensor("lagoon-temp", Mapping::whole(Content::Number(scale())), Some((24.0, 27.0))),
            sensor("mains", Mapping::whole(Content::Words(words.into())), None),
        ],
        relays: Vec::new(),
        batteries: Vec::new(),
        alarms: Vec::new(),
        callouts: Vec::new(),
        works: std::collections::BTreeMap::new(),
        drill: slackwater_rules::plan::Drill::default(),
        watched: Vec::new(),
        watched_names: std::collections::BTreeMap::new(),
        directory: Directory::default(),
    }
}

fn scale() -> Scale {
    Scale { unit: Unit::named("degC").unwrap(), name: "degC".to_owned() }
}

fn by(who: &str, via: &str) -> By {
    By { who: who.to_owned(), via: via.to_owned() }
}

fn raised(alarm: &str, episode: Seq, code: &str, priority: Priority, because: &str) -> Body {
    Body::Raised {
        alarm: alarm.to_owned(),
        episode,
        code: code.to_owned(),
        place: "lagoon".to_owned(),
        priority,
        since: Span::seconds(20),
        because: because.to_owned(),
        after_work: None,
    }
}

fn returned(alarm: &str, episode: Seq, stood: Span) -> Body {
    Body::Returned { alarm: alarm.to_owned(), episode, stood, because: String::new(), farthest: None }
}

fn paged(call: Seq, target: &str, purpose: Purpose) -> Body {
    Body::Paged {
        call,
        target: target.to_owned(),
        purpose,
        headline: "lagoon: no mains, K7P".to_owned(),
        also: vec![],
    }
}

fn s(text: &str) -> String {
    text.to_owned()
}

/// Two weeks with a power cut, a lost broker, a crash, a night of clocks put back, a board that
/// did not know the time, work, a shelf and a drill.
fn fortnight() -> Story {
    let mut story = Story::new();
    story.tell("2026-10-10 09:00", Body::Started { version: s("0.1.0"), gap: None });

    story.tell(
        "2026-10-19 10:00",
        Body::WorkBegan {
            tank: s("lagoon"),
            work: s("water change"),
            length: Span::hours(2),
            by: by("ines", "socket"),
        },
    );
    story.tell("2026-10-19 12:00", Body::WorkEnded { tank: s("lagoon"), work: s("water change"), by: None });

    let episode = story.seq + 1;
    story.tell("2026-10-20 03:12:20", raised("power-lost", episode, "K7P", Priority::Critical, "mains off"));
    let call = story.tell(
        "2026-10-20 03:12:20",
        Body::CallBegan { policy: s("household"), purpose: Purpose::Call, code: s("K7P"), hold: Span::ZERO },
    );
    story.tell("2026-10-20 03:12:20", Body::Joined { call, alarm: s("power-lost"), episode });
    let push = story.tell("2026-10-20 03:12:20", paged(call, "ines.push", Purpose::Call));
    let siren = story.tell("2026-10-20 03:12:20", paged(call, "siren", Purpose::Call));
    let on = story.tell(
        "2026-10-20 03:12:20",
        Body::Switched {
            relay: s("air-pump"),
            on: true,
            episode,
            attempt: 1,
            why: s("the stopgap begins"),
            undo: false,
        },
    );
    story.tell(
        "2026-10-20 03:12:24",
        Body::Proved { relay: s("air-pump"), switching: on, after: Span::seconds(4) },
    );
    story.tell(
        "2026-10-20 03:12:22",
        Body::Delivered { page: siren, result: Outcome::Accepted { note: s("") } },
    );
    story.tell(
        "2026-10-20 03:12:50",
        Body::Delivered {
            page: push,
            result: Outcome::Failed { why: s("no route to host: the router has no mains, either") },
        },
    );
    let second = story.seq + 1;
    story.tell(
        "2026-10-20 03:14",
        raised("return-stopped", second, "M2X", Priority::High, "return-flow 0 L/h"),
    );
    story.tell("2026-10-20 03:14", Body::Joined { call, alarm: s("return-stopped"), episode: second });
    let text = story.tell("2026-10-20 03:17:20", paged(call, "ines.text", Purpose::Call));
    story
        .tell("2026-10-20 03:17:40", Body::Delivered { page: text, result: Outcome::deferred("no network") });
    story.tell(
        "2026-10-20 03:18:40",
        Body::Delivered { page: text, result: Outcome::Accepted { note: s("queued") } },
    );
    story.tell(
        "2026-10-20 03:27:20",
        Body::Skipped { call, target: s("neighbour.text"), why: s("outside their hours") },
    );
    story.tell("2026-10-20 03:31", Body::Answered { call, by: by("ines", "text"), lease: Span::hours(1) });
    for (alarm, episode) in [("power-lost", episode), ("return-stopped", second)] {
        let alarm = s(alarm);
        story.tell("2026-10-20 03:31", Body::Acknowledged { alarm, episode, by: by("ines", "text") });
    }
    story.tell(
        "2026-10-20 03:50",
        Body::Worsened { alarm: s("power-lost"), episode, because: s("lagoon-temp 23.4 degC") },
    );
    story.tell("2026-10-20 03:50", Body::Resumed { call, why: s("power-lost got worse") });
    story.tell("2026-10-20 03:52", Body::Answered { call, by: by("ines", "text"), lease: Span::hours(1) });
    story.tell("2026-10-20 05:40", returned("power-lost", episode, Span::seconds(8_860)));
    story.tell("2026-10-20 05:44", returned("return-stopped", second, Span::minutes(150)));
    let off = story.tell(
        "2026-10-20 05:45",
        Body::Switched { relay: s("air-pump"), on: false, episode, attempt: 2, why: s("undone"), undo: true },
    );
    story.tell(
        "2026-10-20 05:46",
        Body::NotProved {
            relay: s("air-pump"),
            switching: off,
            why: s("air-pump-current 0.21 A"),
            unknown: false,
        },
    );
    let clear = story.tell("2026-10-20 05:45", paged(call, "ines.text", Purpose::AllClear));
    story.tell(
        "2026-10-20 05:46",
        Body::Delivered { page: clear, result: Outcome::Accepted { note: s("queued") } },
    );
    story.tell("2026-10-20 05:46", Body::CallEnded { call });

    story.tell("2026-10-22 14:00", Body::SightLost { of: s("broker"), why: s("connection refused") });
    story.tell("2026-10-22 14:35", Body::SightRegained { of: s("broker"), after: Span::minutes(35) });
    story.tell("2026-10-23 08:00", Body::SightLost { of: s("gateway shed"), why: s("nothing for 5 min") });

    let drill = story.tell(
        "2026-10-24 18:00",
        Body::CallBegan { policy: s("household"), purpose: Purpose::Drill, code: s("D9T"), hold: Span::ZERO },
    );
    let page = story.tell("2026-10-24 18:00", paged(drill, "ines.push", Purpose::Drill));
    story.tell("2026-10-24 18:00:02", Body::Delivered { page, result: Outcome::Accepted { note: s("") } });
    story.tell("2026-10-24 18:01", Body::Answered { call: drill, by: by("ines", "web"), lease: Span::ZERO });
    story.tell("2026-10-24 18:01", Body::CallEnded { call: drill });

    // The hour from 02:00 to 03:00 comes twice in this night.
    let night = story.seq + 1;
    story.tell(
        "2026-10-25T02:40:00+02:00",
        raised("too-cold", night, "R4T", Priority::High, "lagoon-temp 23.4 degC"),
    );
    let call = story.tell(
        "2026-10-25T02:40:00+02:00",
        Body::CallBegan { policy: s("household"), purpose: Purpose::Call, code: s("R4T"), hold: Span::ZERO },
    );
    story.tell("2026-10-25T02:40:00+02:00", Body::Joined { call, alarm: s("too-cold"), episode: night });
    story.tell("2026-10-25T02:40:00+02:00", paged(call, "ines.push", Purpose::Call));
    story.tell("2026-10-25T02:15:00+01:00", returned("too-cold", night, Span::minutes(35)));
    story.tell("2026-10-25T02:15:00+01:00", Body::CallEnded { call });

    story.tell(
        "2026-10-26 20:00",
        Body::Shelved {
            alarm: s("too-cold"),
            length: Span::hours(8),
            by: by("tom", "socket"),
            why: s("the probe is out for cleaning"),
        },
    );
    story.tell("2026-10-26 21:10", Body::Unshelved { alarm: s("too-cold"), by: Some(by("tom", "socket")) });
    story.tell(
        "2026-10-26 21:15",
        Body::TakenOut { alarm: s("leak"), by: by("tom", "socket"), why: s("=broken") },
    );
    story.tell(
        "2026-10-26 21:16",
        Body::Refused { what: s("ack ZZZ"), why: s("no open episode has this code"), by: by("tom", "text") },
    );
    story.tell("2026-10-27 07:00", Body::Started { version: s("0.1.0"), gap: Some(Span::hours(2)) });

    let temperature = |minute: f64| (Value::Number(25.5 + (minute / 300.0).sin()), Quality::Good);
    story.readings("lagoon-temp", "2026-10-17 00:00", "2026-10-20 03:40", temperature);
    story.readings("lagoon-temp", "2026-10-20 03:40", "2026-10-20 06:40", |minute| {
        match minute as u32 % 45 {
            44 => (Value::Number(85.0), Quality::Suspect),
            _ => (Value::Number(23.4), Quality::Good),
        }
    });
    story.readings("lagoon-temp", "2026-10-20 06:40", "2026-10-22 14:00", temperature);
    story.readings("lagoon-temp", "2026-10-22 14:35", "2026-10-27 05:00", temperature);
    story.readings("lagoon-temp", "2026-10-27 07:00", "2026-10-29 04:00", temperature);
    story.readings("mains", "2026-10-20 03:00", "2026-10-20 06:00", |minute| {
        (Value::Word(u16::from((12.0..160.0).contains(&minute))), Quality::Good)
    });

    // Another cut: the board comes back without the network, and so without the time.
    story.reboot("second", "2026-10-29 04:30");
    let lost = Now { mono: Moment(30_000), wall: wall("2026-10-25 12:00"), wall_trusted: false };
    story.commit(lost, Body::Started { version: s("0.1.0"), gap: None });
    story.tell(
        "2026-10-29 05:30",
        Body::Chattering { alarm: s("mains-flaps"), raises: 6, within: Span::minutes(9) },
    );
    story.readings("lagoon-temp", "2026-10-29 04:31", "2026-10-31 22:00", temperature);
    // And one more, this time until after the end.
    story.reboot("third", "2026-10-31 23:00");
    let lost = Now { mono: Moment(30_000), wall: wall("2026-10-31 10:00"), wall_trusted: false };
    story.commit(lost, Body::Started { version: s("0.1.0"), gap: None });
    story
}

#[test]
fn a_fortnight_reads_as_text() {
    let review = fortnight().review(Some(&plan()), "2026-10-18", "2026-11-01");
    let text = render_text(&review, &zone(), true);
    assert!(text.lines().all(|line| line.chars().count() <= 60));
    insta::assert_snapshot!(text);
}

#[test]
fn what_may_be_behind_an_alarm_stands_once_in_the_review() {
    let mut review = fortnight().review(Some(&plan()), "2026-10-18", "2026-11-01");
    review.titles.causes = [(s("power-lost"), s("the street is dark"))].into();
    let text = render_text(&review, &zone(), true);
    assert_eq!(text.matches("what may be behind it: the street is dark").count(), 1, "{text}");
    let short = render_text(&review, &zone(), false);
    assert_eq!(short.matches("what may be behind it: the street is dark").count(), 1, "{short}");
}

#[test]
fn a_fortnight_is_versioned_json() {
    let review = fortnight().review(Some(&plan()), "2026-10-18", "2026-11-01");
    insta::assert_snapshot!(serde_json::to_string_pretty(&review).unwrap());
}

#[test]
fn a_fortnight_is_rows_that_no_spreadsheet_takes_for_formulas() {
    let review = fortnight().review(Some(&plan()), "2026-10-18", "2026-11-01");
    let csv = render_csv(&review);
    assert!(csv.ends_with("\r\n"));
    insta::assert_snapshot!(csv.replace("\r\n", "\n"));
}

#[test]
fn a_calm_fortnight_is_a_short_page() {
    let mut story = Story::new();
    story.tell("2026-10-10 09:00", Body::Started { version: s("0.1.0"), gap: None });
    story.readings("lagoon-temp", "2026-08-01", "2026-08-15", |_| (Value::Number(25.2), Quality::Good));
    let now = story.now(wall("2026-11-01"), true);
    story.readings("lagoon-temp", "2026-10-17 23:59", "2026-11-01", |_| (Value::Number(25.2), Quality::Good));
    story.journal.flush(&now).unwrap();
    let calm = Plan { sensors: plan().sensors[..1].to_vec(), ..plan() };
    insta::assert_snapshot!(render_text(&story.review(Some(&calm), "2026-10-18", "2026-11-01"), &zone(), true), @r"
    Halyard House: 18 Oct 2026 to 1 Nov 2026
    Watched all of 14 d 1 h
    No call-outs
    Lagoon lagoon-temp 25.2 °C to 25.2 °C, within limits
    Nothing is wrong now

    Halyard House
    2026-10-18 00:00 to 2026-11-01 00:00 (local time)
    Watched all of 14 d 1 h.

    ALARMS
    None.

    READINGS
    Lagoon lagoon-temp: known throughout
      lowest 25.2 °C at 2026-10-18 00:00
      highest 25.2 °C at 2026-10-18 00:00
      within limits
    ");
}

#[test]
fn without_a_plan_numbers_are_in_base_units_and_the_site_is_still_known() {
    let review = fortnight().review(None, "2026-10-30", "2026-10-31");
    assert_eq!((review.site.as_str(), review.episodes.len()), ("Halyard House", 0));
    let lagoon = &review.sensors[0];
    assert_eq!((lagoon.sensor.as_str(), &lagoon.unit, &lagoon.outside), ("lagoon-temp", &None, &None));
    assert_eq!(lagoon.lowest.as_ref().unwrap().shown, "24.500");
}

#[test]
fn an_empty_journal_says_that_it_knows_nothing() {
    let review = Story::new().review(Some(&plan()), "2026-10-18", "2026-10-19");
    assert_eq!(review.coverage.watched, Span::ZERO);
    insta::assert_snapshot!(render_text(&review, &zone(), true), @r"
    Halyard House: 18 Oct 2026 to 19 Oct 2026
    Watched 0 s of 1 d, no journal for 1 d
    No call-outs
    Lagoon lagoon-temp not seen
    Nothing is wrong now

    Halyard House
    2026-10-18 00:00 to 2026-10-19 00:00 (local time)
    Watched 0 s of 1 d.

    NOT SEEN
    2026-10-18 00:00 to 2026-10-19 00:00 (1 d) journal: nothing
        is kept of this time

    ALARMS
    None.

    READINGS
    Lagoon lagoon-temp: known for 0 s of 1 d
    Mains: known for 0 s of 1 d
    ");
}

#[test]
fn an_episode_that_began_before_the_stretch_and_still_stands_is_in_it() {
    let mut story = Story::new();
    story.tell("2026-10-10 09:00", raised("leak", 1, "K7P", Priority::High, "leak wet"));
    story.tell("2026-10-10 09:00", raised("too-warm", 2, "M2X", Priority::High, "lagoon-temp 29 degC"));
    story.tell("2026-10-11 09:00", returned("too-warm", 2, Span::hours(24)));
    let review = story.review(None, "2026-10-18", "2026-10-19");
    let known: Vec<_> = review.episodes.iter().map(|e| (e.alarm.as_str(), e.stood)).collect();
    assert_eq!(known, [("leak", Span::hours(8 * 24 + 15))]);
}

#[test]
fn no_value_is_carried_on_for_longer_than_the_time_to_stale() {
    let mut story = Story::new();
    let cold = |_| (Value::Number(20.0), Quality::Good);
    story.readings("lagoon-temp", "2026-10-18 00:00", "2026-10-18 01:00", cold);
    story.readings("lagoon-temp", "2026-10-18 05:00", "2026-10-18 06:00", cold);
    let review = story.review(Some(&plan()), "2026-10-18", "2026-10-19");
    let outside = review.sensors[0].outside.clone().unwrap();
    // Two hours, and twice from the last minute's beginning to the time to stale.
    assert_eq!(outside.below, Span::minutes(2 * (59 + 3)));
    assert_eq!(outside.below + outside.unknown, Span::hours(24));
}

#[test]
fn points_in_time_are_read_as_keepers_write_them() {
    let now = wall("2026-03-30 08:15");
    let read = |text: &str| {
        let found = parse_when(text, now, &zone());
        found
            .map(|at| at.civil(&zone()).strftime("%Y-%m-%d %H:%M:%S%:z").to_string())
            .map_err(|e| e.to_string())
    };
    let good = [
        ("2026-03-01", "2026-03-01 00:00:00+01:00"),
        (" 2026-03-30 07:30 ", "2026-03-30 07:30:00+02:00"),
        ("1.3.2026", "2026-03-01 00:00:00+01:00"),
        ("01.03.2026 14:30", "2026-03-01 14:30:00+01:00"),
        ("yesterday 23:15", "2026-03-29 23:15:00+02:00"),
        ("today 06:00", "2026-03-30 06:00:00+02:00"),
        ("06:00", "2026-03-30 06:00:00+02:00"),
        ("2026-03-30T07:30:05", "2026-03-30 07:30:05+02:00"),
        ("2026-03-30T07:30:05Z", "2026-03-30 09:30:05+02:00"),
        ("now", "2026-03-30 08:15:00+02:00"),
        ("today", "2026-03-30 00:00:00+02:00"),
        ("yesterday", "2026-03-29 00:00:00+01:00"),
        ("90 min", "2026-03-30 06:45:00+02:00"),
        // 14 times 24 hours, over a night that had 23.
        ("14 d", "2026-03-16 07:15:00+01:00"),
        ("2 weeks", "2026-03-16 07:15:00+01:00"),
        // The clocks skip this hour.
        ("2026-03-29 02:30", "2026-03-29 03:30:00+02:00"),
        // And show this one twice.
        ("2026-10-25 02:30", "2026-10-25 02:30:00+02:00"),
    ];
    for (text, meant) in good {
        assert_eq!(read(text).as_deref(), Ok(meant), "{text}");
    }
    let bad =
        ["", "soon", "2026-13-01", "2026-02-30", "2026-03-01 25:00", "14 degC", "14 fortnights", "-2 d"]
            .map(|text| read(text).unwrap_err().split(": write").next().unwrap_or_default().to_owned());
    insta::assert_snapshot!(bad.join("\n"), @r"
    `` is no point in time
    `soon` is no point in time
    `2026-13-01` is no point in time
    `2026-02-30` is no point in time
    `2026-03-01 25:00` is no point in time
    `14 degC` is no time ago (this is a temperature, but a duration is wanted here)
    `14 fortnights` is no time ago (`fortnights` is not a unit)
    `-2 d` would be in the future: a time ago is written without a sign
    ");
    assert!(read(&"9".repeat(400)).is_err());
}

#[test]
fn an_alarm_that_was_put_aside_while_it_stood_stands_no_more() {
    let mut story = Story::new();
    story.tell("2026-10-18 09:00", raised("leak", 1, "K7P", Priority::High, "leak wet"));
    let by = by("ines", "socket");
    story.tell(
        "2026-10-18 10:00",
        Body::Shelved { alarm: s("leak"), length: Span::hours(1), by, why: s("mopping") },
    );
    let review = story.review(None, "2026-10-18", "2026-10-19");
    assert_eq!(review.episodes[0].stood, Span::hours(1));
    assert!(render_text(&review, &zone(), true).contains("  shelved 10:00, had stood 1 h\n"));
}

#[test]
fn a_watch_that_ended_and_began_again_after_the_stretch_was_away_at_its_end() {
    let mut story = Story::new();
    story.tell("2026-10-18 00:00", Body::Started { version: s("0.1.0"), gap: None });
    story.tell("2026-10-18 20:00", Body::Stopped { why: s("moving the board") });
    story.tell("2026-10-20 08:00", Body::Started { version: s("0.1.0"), gap: Some(Span::hours(36)) });
    let coverage = story.review(None, "2026-10-18", "2026-10-19").coverage;
    assert_eq!(coverage.watched, Span::hours(20));
    assert_eq!(coverage.gaps[0].why, "stopped: moving the board");
}

#[test]
fn gaps_that_overlap_are_counted_once() {
    let mut story = Story::new();
    story.tell("2026-10-18 00:00", Body::Started { version: s("0.1.0"), gap: None });
    story.tell("2026-10-18 10:00", Body::SightLost { of: s("broker"), why: s("down") });
    story.tell("2026-10-18 13:00", Body::Started { version: s("0.1.0"), gap: Some(Span::hours(2)) });
    story.tell("2026-10-18 14:00", Body::SightRegained { of: s("broker"), after: Span::hours(4) });
    story.tell("2026-10-19 00:00", Body::Settled { alarm: s("leak") });
    assert_eq!(story.review(None, "2026-10-18", "2026-10-19").coverage.watched, Span::hours(20));
}

#[test]
fn the_latest_mark_of_an_episode_is_shown() {
    let mut story = Story::new();
    let episode = story.seq + 1;
    story.tell(
        "2026-10-20 03:00",
        raised("too-cold", episode, "R4T", Priority::High, "lagoon-temp 23.4 degC"),
    );
    story.tell("2026-10-20 03:30", returned("too-cold", episode, Span::minutes(30)));
    for (verdict, note) in [(Verdict::Real, ""), (Verdict::False, "probe out of the water")] {
        let by = by("ines", "socket");
        story.tell("2026-11-02 09:00", Body::Marked { episode, verdict, note: note.to_owned(), by });
    }
    let review = story.review(None, "2026-10-19", "2026-10-21");
    let text = render_text(&review, &zone(), true);
    assert!(text.contains("  marked as false by ines: probe out of the water\n"), "{text}");
    assert!(render_csv(&review).contains(",ines,false,,probe out of the water\r\n"));
}

#[test]
fn blips_of_an_alarm_are_one_line_with_their_number_and_the_longest() {
    let mut story = Story::new();
    let blips = |count, seconds| Body::Blipped {
        alarm: s("power-lost"),
        count,
        longest: Span::seconds(seconds),
        since: Span::minutes(40),
    };
    story.tell("2026-10-19 22:00", blips(9, 19));
    story.tell("2026-10-20 03:00", blips(1, 4));
    story.tell("2026-10-20 04:00", blips(2, 12));
    let review = story.review(None, "2026-10-20", "2026-10-21");
    let text = render_text(&review, &zone(), true);
    assert!(text.contains("\npower-lost: 3 blips, longest 12 s\n"), "{text}");
    assert!(render_csv(&review).contains("blips,"), "{}", render_csv(&review));
}

#[test]
fn what_was_outside_during_a_gap_and_was_told_afterwards_is_a_line() {
    let mut story = Story::new();
    story.tell("2026-10-20 00:00", Body::Started { version: s("0.1.0"), gap: None });
    let good = |value: f64| move |_: f64| (Value::Number(value), Quality::Good);
    story.readings("lagoon-temp", "2026-10-20 00:00", "2026-10-20 02:00", good(25.0));
    story.tell("2026-10-20 02:00", Body::SightLost { of: s("broker"), why: s("no power") });
    story.tell("2026-10-20 06:00", Body::SightRegained { of: s("broker"), after: Span::hours(4) });
    let fell = |minute: f64| (Value::Number(if minute < 30.0 { 23.0 } else { 21.5 }), Quality::Late);
    story.readings("lagoon-temp", "2026-10-20 04:00", "2026-10-20 05:00", fell);
    story.readings("lagoon-temp", "2026-10-20 06:00", "2026-10-20 12:00", good(25.0));
    // What is outside while it is seen has its place elsewhere.
    story.readings("lagoon-temp", "2026-10-20 12:00", "2026-10-20 12:10", good(23.0));
    let plan = plan();
    let review = story.review(Some(&plan), "2026-10-20", "2026-10-21");
    let told: Vec<_> = review.notes.iter().map(|note| (note.at.at.as_str(), note.text.as_str())).collect();
    let text = "lagoon-temp was outside its limits for 1 h while broker was out of sight, up to 21.5 degC: \
                told afterwards";
    assert_eq!(told, [("2026-10-20T04:00:00+02:00", text)], "{:?}", review.coverage);
}

/// Two power cuts, a false alarm and a lost broker, played by the engine and kept as the agent
/// keeps them.
const FORTNIGHT: &str = "start 2026-10-05 00:00\n\
    at 26 h: mains is off\nat 26 h: lagoon-return goes to 0 L/h over 20 s\nat 26 h 27 min: ines answers\n\
    at 28 h: mains is on\nat 28 h: lagoon-return goes to 4200 L/h over 20 s\n\
    at 100 h: floor is wet\nat 100 h 5 min: ines answers\nat 101 h: floor is dry\nat 101 h 1 min: ines resets water-on-floor\n\
    at 150 h: broker is lost\nat 151 h: broker is heard\n\
    at 200 h: mains is off\nat 200 h: lagoon-return goes to 0 L/h over 20 s\n\
    at 201 h: mains is on\nat 201 h: lagoon-return goes to 4200 L/h over 20 s\nend at 336 h\n";

fn sample() -> Plan {
    let config = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/sample/agent.toml");
    let dry = std::iter::empty::<(&str, &str)>().collect::<crate::settings::Environment>().dry();
    crate::site::load_plan(&config, &dry, None).map(|(_, plan)| plan).map_err(|wrong| wrong.text).unwrap()
}

/// How long the broker was away, each time.
fn lost_to_sight(records: &[(Span, Record)]) -> Vec<Span> {
    let lost = records.iter().filter_map(|(_, record)| match &record.body {
        Body::SightRegained { of, after } if of == "broker" => Some(*after),
        _ => None,
    });
    lost.collect()
}

/// Another one: a cut that Tom answers late, one that nobody answers, and a broker that is away for
/// a night.
const ANOTHER_FORTNIGHT: &str = "start 2026-10-05 00:00\n\
    at 61 h: mains is off\nat 61 h: lagoon-return goes to 0 L/h over 20 s\nat 61 h 44 min: tom answers\n\
    at 62 h 10 min: mains is on\nat 62 h 10 min: lagoon-return goes to 4200 L/h over 20 s\n\
    at 130 h: floor is wet\nat 130 h 3 min: tom answers\nat 130 h 20 min: floor is dry\n\
    at 130 h 21 min: tom resets water-on-floor\n\
    at 214 h 15 min: broker is lost\nat 221 h 35 min: broker is heard\n\
    at 300 h: mains is off\nat 300 h: lagoon-return goes to 0 L/h over 20 s\n\
    at 300 h 25 min: mains is on\nat 300 h 25 min: lagoon-return goes to 4200 L/h over 20 s\nend at 336 h\n";

#[test]
fn the_digest_of_a_fortnight_fits_a_phone_and_every_figure_in_it_agrees_with_the_journal() {
    insta::assert_snapshot!(digest_held_against_its_journal(FORTNIGHT));
}

#[test]
fn the_digest_of_another_fortnight_agrees_with_its_journal_too() {
    insta::assert_snapshot!(digest_held_against_its_journal(ANOTHER_FORTNIGHT));
}

/// Plays it, reviews it, and counts each figure of the digest again from the records alone.
fn digest_held_against_its_journal(fortnight: &str) -> String {
    let plan = Plan { zone: zone(), ..sample() };
    let played = slackwater_rules::rehearsal::Story::parse(fortnight, &plan).unwrap().play(&plan);
    assert!(played.stuck.is_none());
    let mut story = Story::new();
    let start = wall("2026-10-05");
    let shift = |at: Span| start + at;
    story.tell("2026-10-04 23:59", Body::Started { version: s("0.1.0"), gap: Some(Span::ZERO) });
    let mut records = Vec::new();
    for (at, record) in &played.timeline {
        let record = Record { seq: record.seq, at: story.now(shift(*at), true), body: record.body.clone() };
        story.journal.commit(std::slice::from_ref(&record), 1).unwrap();
        records.push((*at, record));
    }
    // Somebody has found that the floor was only mopped.
    let leak = |body: &Body| match body {
        Body::Raised { alarm, episode, .. } if alarm == "water-on-floor" => Some(*episode),
        _ => None,
    };
    let episode = records.iter().find_map(|(_, record)| leak(&record.body)).unwrap();
    let mark = Body::Marked {
        episode,
        verdict: Verdict::False,
        note: s("mopped"),
        by: By { who: s("ines"), via: s("socket") },
    };
    let (at, seq) = records.last().map(|(at, record)| (*at, record.seq + 1)).unwrap();
    let mark = Record { seq, at: story.now(shift(at), true), body: mark };
    story.journal.commit(std::slice::from_ref(&mark), 1).unwrap();
    records.push((at, mark));
    let water = |minute: f64| {
        (Value::Number(if (1560.0..1620.0).contains(&minute) { 23.5 } else { 25.5 }), Quality::Good)
    };
    story.readings("lagoon-temp", "2026-10-05", "2026-10-19", water);
    let review = story.review(Some(&plan), "2026-10-05", "2026-10-19");
    let digest = review.digest.join("\n");
    assert!(review.digest.len() <= 15, "{digest}");
    assert!(review.digest.iter().all(|line| line.chars().count() <= 60), "{digest}");

    // Each figure, counted again from the records alone.
    let count =
        |which: &dyn Fn(&Body) -> bool| records.iter().filter(|(_, record)| which(&record.body)).count();
    let calls =
        count(&|body| matches!(body, Body::CallBegan { purpose: Purpose::Call | Purpose::Digest, .. }));
    assert!(digest.contains(&format!("{calls} call-outs, ")), "{calls}\n{digest}");
    let began = |call: Seq| records.iter().find(|(_, it)| it.seq == call).map(|(at, _)| *at);
    let mut answered = std::collections::BTreeMap::new();
    for (at, record) in &records {
        if let Body::Answered { call, .. } = record.body {
            answered.entry(call).or_insert(*at - began(call).unwrap());
        }
    }
    let slowest = answered.values().max().unwrap();
    assert!(
        digest.contains(&format!("{} answered, the slowest after {slowest}", answered.len())),
        "{digest}"
    );
    // A line a call-out: when it began, how long it was, and who answered after how long.
    let ended = |call: Seq| {
        let over = |body: &Body| matches!(body, Body::CallEnded { call: of } if *of == call);
        records.iter().find(|(_, it)| over(&it.body)).map(|(at, _)| *at)
    };
    let whole = |span: Span| if span < Span::minutes(1) { span } else { Span(span.0 / 60_000 * 60_000) };
    for (at, record) in &records {
        let Body::CallBegan { purpose: Purpose::Call | Purpose::Digest, .. } = record.body else { continue };
        let time = shift(*at).civil(&zone()).strftime("%-d %b %H:%M ").to_string();
        let line = review.digest.iter().find(|line| line.starts_with(&time));
        let line = line.unwrap_or_else(|| panic!("{time}\n{digest}"));
        let length = ended(record.seq).map(|end| (end - *at).to_string());
        assert!(line.contains(&length.unwrap_or("still open".to_owned())), "{line}");
        if let Some(after) = answered.get(&record.seq).filter(|_| line.contains(" after ")) {
            assert!(line.ends_with(&format!(" after {}", whole(*after))), "{line}");
        }
        assert_eq!(line.contains("no answer"), !answered.contains_key(&record.seq), "{line}");
    }
    let gone: i64 = lost_to_sight(&records).iter().map(|span| span.0).sum();
    let watched = Span(Span::hours(14 * 24).0 - gone);
    assert!(digest.contains(&format!("Watched {watched} of 14 d")), "{watched}\n{digest}");
    let marked = count(&|body| matches!(body, Body::Marked { verdict: Verdict::False, .. }));
    assert_eq!(
        marked > 0,
        digest.contains(&slackwater_rules::words::counted(marked, "false alarm")),
        "{digest}"
    );
    for relay in &plan.relays {
        let switched = count(&|body| matches!(body, Body::Switched { relay: of, .. } if *of == relay.name));
        let words = format!("{} {}", relay.title, slackwater_rules::words::counted(switched, "time"));
        assert_eq!(switched > 0, digest.contains(&words), "{words}\n{digest}");
    }
    let lost = lost_to_sight(&records);
    assert!(lost.iter().all(|lost| digest.contains(&format!("no broker for {lost}"))), "{lost:?}\n{digest}");
    assert!(digest.contains("Lagoon water 23.5 °C to 25.5 °C, outside 1 h"), "{digest}");
    assert!(digest.contains("Nothing is wrong now"), "{digest}");
    digest
}

#[test]
fn after_a_crash_the_ladder_and_the_review_follow_the_pulse() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.sqlite");
    let began = wall("2026-10-20").0;
    let seconds = |mono: i64, at: i64| Now {
        mono: Moment(mono * 1_000),
        wall: Wall(began + at * 1_000),
        wall_trusted: true,
    };
    let open = |boot: &str, now: &Now| {
        Keeper::open(path.clone(), BootId(boot.to_owned()), JournalLimits::default(), "Halyard House", now)
            .unwrap()
    };
    let (mut keeper, _) = open("one", &seconds(0, 0));
    let step = Record { seq: 1, at: seconds(0, 0), body: Body::Stepped { call: 1, step: 0 } };
    keeper.keep(vec![step], || 1, &seconds(0, 0));
    for second in 0..=300 {
        keeper.tend(&seconds(second, second));
    }
    drop(keeper);
    // The board was away for a quarter of an hour: the step is twenty minutes old.
    let (mut keeper, left) = open("two", &seconds(10, 1_200));
    assert_eq!(left.records[0].at.mono, Moment(10_000 - 1_200_000));
    assert_eq!(left.gap, Some(Span::minutes(15)));
    let started = Body::Started { version: "0.1.0".to_owned(), gap: left.gap };
    let started = Record { seq: left.next_seq, at: seconds(10, 1_200), body: started };
    keeper.keep(vec![started], || 1, &seconds(10, 1_200));
    keeper.tend(&seconds(10, 1_200));
    let log = JournalLog::open(&path).unwrap();
    let window = ReviewSpan { since: seconds(0, 0).wall, until: seconds(10, 1_200).wall };
    let coverage = review(&log, None, window, &zone()).unwrap().coverage;
    let [gap] = &coverage.gaps[..] else { panic!("{:?}", coverage.gaps) };
    assert_eq!((gap.of.as_str(), gap.why.as_str()), ("agent", "ended without notice"));
    assert_eq!(gap.from.unix_ms, seconds(300, 300).wall);
    assert_eq!(coverage.watched, Span::minutes(5));
}

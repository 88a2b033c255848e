use super::*;
use slackwater_rules::alarm::Priority;
use slackwater_rules::engine::Sample;
use slackwater_rules::quality::Quality;
use slackwater_rules::reading::Value;
use slackwater_rules::record::{
    About, Body, By, CallChange, DrillStage, Drilled, Estimated, HeldBy, Measured, Outcome, Purpose,
    SiteChange, Standing, Verdict,
};
use slackwater_rules::time::Wall;
use std::fs;
use std::io::{BufRead, BufReader, Write as _};
use std::os::unix::fs::{FileExt, PermissionsExt};
use std::process::{Command, Stdio};
use tempfile::TempDir;

const T0: i64 = 1_785_535_200_000;

fn at(mono: Span, wall: Span, wall_trusted: bool) -> Now {
    Now { mono: Moment(mono.0), wall: Wall(T0 + wall.0), wall_trusted }
}

fn seconds(mono: i64, wall: i64) -> Now {
    at(Span::seconds(mono), Span::seconds(wall), true)
}

fn settled(seq: Seq, at: Now) -> Record {
    Record { seq, at, body: Body::Settled { alarm: format!("alarm-{seq}") } }
}

fn good(sensor: &str, at: Span, x: f64) -> Sample {
    let value = Some(Value::Number(x));
    Sample { sensor: sensor.into(), at: Moment(at.0), value, quality: Quality::Good }
}

/// A number of which no digit can be foretold: SplitMix64, as in the kill tests.
fn noise(n: i64) -> f64 {
    let mut z = n.cast_unsigned().wrapping_mul(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    25.0 + (z ^ (z >> 31)) as f64 / 2_f64.powi(64)
}

fn word(sensor: &str, at: Span, word: u16) -> Sample {
    Sample { value: Some(Value::Word(word)), ..good(sensor, at, 0.0) }
}

struct Place {
    folder: TempDir,
}

impl Place {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    fn path(&self) -> PathBuf {
        self.folder.path().join("state/journal.db")
    }

    fn open(&self, boot: &str) -> Journal {
        self.open_with(boot, JournalLimits::default())
    }

    fn open_with(&self, boot: &str, limits: JournalLimits) -> Journal {
        Journal::open(&self.path(), BootId(boot.to_owned()), limits).unwrap().0
    }

    fn try_open(&self) -> Result<Opened, JournalError> {
        Journal::open(&self.path(), BootId("one".to_owned()), JournalLimits::default())
            .map(|(_, opened)| opened)
    }

    fn log(&self) -> JournalLog {
        JournalLog::open(&self.path()).unwrap()
    }

    /// The whole file in the main database, nothing beside it.
    fn closed(journal: Journal) {
        journal.db.close().unwrap();
    }
}

#[test]
fn a_new_journal_is_made_for_its_owner_only_and_found_again() {
    let place = Place::new();
    assert_eq!(place.try_open(), Ok(Opened::Created));
    assert_eq!(place.try_open(), Ok(Opened::Current));
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&place.path()), 0o600);
    assert_eq!(mode(place.path().parent().unwrap()), 0o700);
    let journal = place.open("one");
    assert_eq!(mode(&beside(&place.path(), "-wal")), 0o600);
    let pragma = |name| journal.db.query_row(&format!("PRAGMA {name}"), [], |r| r.get::<_, i64>(0)).unwrap();
    // 2 is FULL, 2 is INCREMENTAL: sqlite.org/pragma.html.
    assert_eq!((pragma("synchronous"), pragma("auto_vacuum")), (2, 2));
}

#[test]
fn an_empty_file_becomes_a_journal() {
    let place = Place::new();
    fs::create_dir(place.path().parent().unwrap()).unwrap();
    fs::write(place.path(), b"").unwrap();
    assert_eq!(place.try_open(), Ok(Opened::Created));
}

#[test]
fn the_seed_is_made_once_and_differs_between_sites() {
    let seed = |place: &Place| place.open("one").restore(&seconds(1, 1)).unwrap().seed;
    let (home, shop) = (Place::new(), Place::new());
    assert_ne!(seed(&home), 0);
    assert_eq!(seed(&home), seed(&home));
    assert_ne!(seed(&home), seed(&shop));
}

#[test]
fn a_newer_journal_is_no_reading_for_this_program() {
    let place = Place::new();
    place.open("one").db.pragma_update(None, "user_version", 99).unwrap();
    let error = JournalLog::open(&place.path()).unwrap_err();
    assert!(error.to_string().contains("has version 99, this program knows versions up to 3"), "{error}");
    assert!(matches!(place.try_open(), Ok(Opened::SetAside { .. })));
    assert!(beside(&place.path(), ".newer-1").exists());
}

#[test]
fn what_is_no_database_is_set_aside_and_kept() {
    let place = Place::new();
    fs::create_dir(place.path().parent().unwrap()).unwrap();
    for number in 1..=2 {
        let garbage = format!("this is shopping list number {number}").repeat(300);
        fs::write(place.path(), &garbage).unwrap();
        let Ok(Opened::SetAside { path, .. }) = place.try_open() else { panic!("not set aside") };
        assert_eq!(path, beside(&place.path(), &format!(".damaged-{number}")));
        assert_eq!(fs::read_to_string(path).unwrap(), garbage);
        assert_eq!(place.try_open(), Ok(Opened::Current));
    }
}

#[test]
fn a_truncated_or_overwritten_journal_is_set_aside_and_a_new_one_works() {
    for truncate in [true, false] {
        let place = Place::new();
        let mut journal = place.open("one");
        let records: Vec<Record> = (1..500).map(|seq| settled(seq, seconds(1, 1))).collect();
        journal.commit(&records, 1).unwrap();
        Place::closed(journal);
        let file = fs::OpenOptions::new().write(true).open(place.path()).unwrap();
        let length = file.metadata().unwrap().len();
        match truncate {
            true => file.set_len(length / 2).unwrap(),
            false => file.write_all_at(&[0x55; 8192], length / 2).unwrap(),
        }
        let (mut journal, opened) =
            Journal::open(&place.path(), BootId("one".to_owned()), JournalLimits::default()).unwrap();
        assert!(matches!(opened, Opened::SetAside { .. }), "{opened:?}");
        journal.commit(&[settled(1, seconds(2, 2))], 1).unwrap();
    }
}

#[test]
fn a_turn_is_kept_whole_or_not_at_all() {
    let place = Place::new();
    let mut journal = place.open("one");
    journal.commit(&[settled(1, seconds(1, 1))], 1).unwrap();
    let kept = |journal: &Journal| -> Vec<Seq> {
        let restored = journal.restore(&seconds(9, 9)).unwrap();
        restored.records.iter().map(|record| record.seq).collect()
    };
    let turn = [settled(2, seconds(2, 2)), settled(3, seconds(2, 2))];

    // The second of the two is refused by the database itself.
    journal
        .db
        .execute_batch(
            "CREATE TRIGGER t BEFORE INSERT ON records WHEN new.seq = 3 BEGIN SELECT raise(ABORT, 'no'); END",
        )
        .unwrap();
    assert!(journal.commit(&turn, 2).is_err());
    assert_eq!(kept(&journal), [1]);
    journal.db.execute_batch("DROP TRIGGER t").unwrap();

    let error = journal.commit(&[settled(2, seconds(2, 2)), settled(2, seconds(2, 2))], 1).unwrap_err();
    assert_eq!(error.to_string(), "record 2 can't follow record 2 in the journal: numbers must rise");
    assert!(journal.commit(&[settled(1, seconds(2, 2))], 1).is_err());
    assert_eq!(kept(&journal), [1]);

    journal.commit(&turn, 2).unwrap();
    assert_eq!(kept(&journal), [2, 3]);
}

/// Where [`writer_to_be_killed`] writes.
const CHILD: &str = "SLACKWATER_TEST_JOURNAL";

#[test]
fn a_killed_writer_leaves_every_commit_that_returned_and_no_half_of_one() {
    let place = Place::new();
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["journal::tests::writer_to_be_killed", "--exact", "--ignored", "--nocapture"])
        .env(CHILD, place.path())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
    let mut told: Vec<Seq> = Vec::new();
    for seq in lines.filter_map(|line| line.strip_prefix("kept ").and_then(|n| n.parse().ok())) {
        told.push(seq);
        if told.len() == 30 {
            child.kill().unwrap();
        }
    }
    child.wait().unwrap();
    let restored = place.open("two").restore(&seconds(1, 100)).unwrap();
    let found: Vec<Seq> = restored.records.iter().map(|record| record.seq).collect();
    assert!(told.len() >= 30 && restored.next_seq > *told.last().unwrap());
    assert_eq!(found, (1..restored.next_seq).collect::<Vec<_>>());
    assert_eq!(found.len() % 3, 0, "turns are of three records");
}

#[test]
#[ignore = "the child of the test above"]
fn writer_to_be_killed() {
    let Some(path) = std::env::var_os(CHILD) else { return };
    let boot = BootId("one".to_owned());
    let (mut journal, _) = Journal::open(Path::new(&path), boot, JournalLimits::default()).unwrap();
    for turn in 0.. {
        let turn: Vec<Record> = (1..=3).map(|n| settled(turn * 3 + n, seconds(1, 1))).collect();
        journal.commit(&turn, 1).unwrap();
        writeln!(std::io::stdout(), "kept {}", turn[2].seq).unwrap();
    }
}

#[test]
fn a_full_disk_is_told_and_the_same_turn_can_be_tried_again() {
    let place = Place::new();
    let mut journal = place.open("one");
    journal.commit(&[settled(1, seconds(1, 1))], 1).unwrap();
    let pages: i64 = journal.db.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap();
    let most = |journal: &Journal, pages: i64| {
        journal.db.query_row(&format!("PRAGMA max_page_count = {pages}"), [], |_| Ok(())).unwrap();
    };
    most(&journal, pages);
    let turn: Vec<Record> = (2..500).map(|seq| settled(seq, seconds(2, 2))).collect();
    assert_eq!(journal.commit(&turn, 1), Err(JournalError::Full { path: place.path() }));
    assert_eq!(journal.restore(&seconds(3, 3)).unwrap().next_seq, 2);

    // Readings lie beside the database until it takes them.
    for minute in 0..2_000 {
        journal.sample(&[good("lagoon-temp", Span::minutes(minute), noise(minute))]);
    }
    let now = at(Span::minutes(2_000), Span::minutes(2_000), true);
    journal.flush(&now).unwrap();
    assert_eq!(journal.fold(&now), Err(JournalError::Full { path: place.path() }));
    most(&journal, 1 << 20);
    journal.commit(&turn, 1).unwrap();
    journal.fold(&now).unwrap();
    assert_eq!(journal.restore(&seconds(3, 3)).unwrap().next_seq, 500);
    assert_eq!(place.log().readings("lagoon-temp", Wall(0), now.wall).unwrap().len(), 2_000);
}

#[test]
fn within_one_boot_moments_stay_and_the_gap_is_exact() {
    let place = Place::new();
    let mut journal = place.open("one");
    journal.commit(&[settled(1, at(Span::seconds(100), Span::ZERO, false))], 1).unwrap();
    drop(journal);
    let restored = place.open("one").restore(&at(Span::seconds(130), Span::seconds(-500), false)).unwrap();
    assert_eq!(restored.records[0].at.mono, Moment(100_000));
    assert_eq!(restored.gap, Some(Span::seconds(30)));
}

#[test]
fn over_boots_with_trusted_clocks_moments_are_as_far_back_as_they_were() {
    let place = Place::new();
    place.open("one").commit(&[settled(1, seconds(5_000, 0))], 1).unwrap();
    place.open("two").commit(&[settled(2, seconds(20, 600))], 1).unwrap();
    let restored = place.open("three").restore(&seconds(10, 4_000)).unwrap();
    let monos: Vec<i64> = restored.records.iter().map(|record| record.at.mono.0).collect();
    assert_eq!(monos, [10_000 - 4_000_000, 10_000 - 3_400_000]);
    assert_eq!(restored.gap, Some(Span::seconds(3_400)));
}

#[test]
fn an_unknown_gap_counts_as_none_and_is_told_as_unknown() {
    let place = Place::new();
    place.open("one").commit(&[settled(1, seconds(5_000, 0)), settled(2, seconds(5_060, 60))], 1).unwrap();
    let untrusted = at(Span::seconds(10), Span::seconds(-99_999), false);
    let restored = place.open("two").restore(&untrusted).unwrap();
    assert_eq!(restored.gap, None);
    let monos: Vec<i64> = restored.records.iter().map(|record| record.at.mono.0).collect();
    assert_eq!(monos, [10_000 - 60_000, 10_000]);

    // A trusted clock that would make the past the future knows nothing either.
    let backwards = place.open("two").restore(&seconds(10, 30)).unwrap();
    assert_eq!((backwards.gap, backwards.records[1].at.mono), (None, Moment(10_000)));
}

#[test]
fn an_unknown_seam_in_the_middle_leaves_the_known_ones_known() {
    let place = Place::new();
    place.open("one").commit(&[settled(1, seconds(1_000, 0))], 1).unwrap();
    let mut untrusted = place.open("two");
    untrusted.commit(&[settled(2, at(Span::seconds(30), Span::ZERO, false))], 1).unwrap();
    untrusted.commit(&[settled(3, at(Span::seconds(90), Span::ZERO, false))], 1).unwrap();
    drop(untrusted);
    place.open("three").commit(&[settled(4, seconds(15, 700))], 1).unwrap();
    let restored = place.open("four").restore(&seconds(5, 1_000)).unwrap();
    let ago: Vec<i64> = restored.records.iter().map(|record| (5_000 - record.at.mono.0) / 1_000).collect();
    // One to two and two to three are unknown, so all of one happened "when two began".
    assert_eq!(ago, [360, 360, 300, 300]);
    assert_eq!(restored.gap, Some(Span::seconds(300)));
}

#[test]
fn the_sign_of_life_counts_when_nothing_happened() {
    let place = Place::new();
    let mut journal = place.open("one");
    journal.commit(&[settled(1, seconds(0, 0))], 1).unwrap();
    assert_eq!(journal.tend(&seconds(0, 0)).unwrap(), Pruned::default());
    assert_eq!(journal.due(), Some(Moment(600_000)));
    journal.tend(&seconds(599, 599)).unwrap();
    assert_eq!(place.log().alive().unwrap(), []);
    journal.tend(&seconds(600, 600)).unwrap();
    drop(journal);
    assert_eq!(place.log().alive().unwrap(), [(seconds(600, 600).wall, true)]);
    assert_eq!(place.open("one").restore(&seconds(700, 700)).unwrap().gap, Some(Span::seconds(100)));
    assert_eq!(place.open("two").restore(&seconds(7, 900)).unwrap().gap, Some(Span::seconds(300)));
}

#[test]
fn what_was_written_before_the_clock_was_trusted_is_dated_afterwards() {
    let place = Place::new();
    place.open("one").commit(&[settled(1, seconds(50, 0))], 1).unwrap();
    let mut journal = place.open("two");
    // The board woke up in the past.
    let early = at(Span::seconds(10), Span::hours(-9_000), false);
    journal.commit(&[settled(2, early)], 1).unwrap();
    journal.sample(&[good("lagoon-temp", Span::seconds(10), 25.0)]);
    journal.flush(&early).unwrap();
    let walls = || {
        let records = place.log().records(Wall(T0), Wall(T0 + 3_600_000)).unwrap();
        let mapped = records.iter().map(|r| (r.seq, r.at.wall.0 - T0, r.at.wall_trusted));
        mapped.collect::<Vec<_>>()
    };
    // Not yet known, but surely not before what came before.
    assert_eq!(walls(), [(1, 0, true), (2, 0, false)]);
    assert_eq!(place.log().readings("lagoon-temp", Wall(T0), Wall(T0 + 3_600_000)).unwrap(), []);

    journal.commit(&[settled(3, seconds(130, 1_000))], 1).unwrap();
    assert_eq!(walls(), [(1, 0, true), (2, 880_000, true), (3, 1_000_000, true)]);
    let readings = place.log().readings("lagoon-temp", Wall(T0), Wall(T0 + 3_600_000)).unwrap();
    assert_eq!(readings.iter().map(|m| (m.wall.0 - T0, m.sure)).collect::<Vec<_>>(), [(870_000, true)]);
}

#[test]
fn readings_are_thinned_to_minutes_without_losing_extremes() {
    let place = Place::new();
    let mut journal = place.open("one");
    journal.sample(&[
        good("lagoon-temp", Span::seconds(0), 25.0),
        good("lagoon-temp", Span::seconds(20), 24.0),
        Sample { quality: Quality::Suspect, ..good("lagoon-temp", Span::seconds(30), 85.0) },
        Sample { quality: Quality::Old, ..good("lagoon-temp", Span::seconds(31), 19.0) },
        Sample { quality: Quality::Suspect, value: None, ..good("lagoon-temp", Span::seconds(35), 0.0) },
        good("lagoon-temp", Span::seconds(40), 27.5),
        good("lagoon-temp", Span::seconds(59), 25.5),
        Sample { quality: Quality::Suspect, ..good("lagoon-temp", Span::seconds(60), 85.0) },
        word("mains", Span::seconds(1), 0),
        word("mains", Span::seconds(2), 1),
        word("mains", Span::seconds(3), 0),
        word("mains", Span::seconds(4), 0),
    ]);
    journal.flush(&seconds(120, 0)).unwrap();
    let read = |sensor| {
        let minutes = place.log().readings(sensor, Wall(0), Wall(T0)).unwrap();
        minutes.iter().map(|m| (m.count, m.rejected, m.values)).collect::<Vec<_>>()
    };
    let numbers = Values::Numbers { lowest: 24.0, mean: 25.5, highest: 27.5, last: 25.5 };
    assert_eq!(read("lagoon-temp"), [(4, 2, Some(numbers)), (0, 1, None)]);
    assert_eq!(read("mains"), [(4, 0, Some(Values::Words { first: 0, last: 0, changes: 2 }))]);
}

/// A witness: far more minutes between two flushes than may wait in memory.
#[test]
fn minutes_of_thousands_of_sensors_are_written_before_their_time_and_none_is_lost() {
    let place = Place::new();
    let mut journal = place.open("one");
    journal.tend(&seconds(0, 0)).unwrap();
    let (sensors, minutes) = (6_000, 10);
    for minute in 0..minutes {
        for sensor in 0..sensors {
            journal.sample(&[word(&format!("site-{sensor}"), Span::minutes(minute), 0)]);
        }
        let after = seconds(60 * minute + 59, 60 * minute + 59);
        journal.tend(&after).unwrap();
        assert_eq!(journal.minutes.take_lost(), 0, "minute {minute}");
    }
    let end = seconds(60 * minutes, 60 * minutes);
    journal.flush(&end).unwrap();
    for sensor in [0, sensors / 2, sensors - 1] {
        let kept = place.log().readings(&format!("site-{sensor}"), Wall(T0), Wall(T0 + 3_600_000)).unwrap();
        assert_eq!(kept.len(), usize::try_from(minutes).unwrap(), "site-{sensor}");
    }
}

#[test]
fn a_minute_written_in_parts_is_the_minute_written_at_once() {
    let samples: Vec<Sample> = (0..59)
        .flat_map(|i| {
            let x = f64::from((i * 7_919) % 101) / 8.0;
            let number = good("lagoon-temp", Span::seconds(i.into()), x);
            let quality = if i % 10 == 3 { Quality::Suspect } else { Quality::Good };
            [Sample { quality, ..number }, word("mains", Span::seconds(i.into()), u16::from(i % 4 == 0))]
        })
        .collect();
    let written = |parts: usize| {
        let place = Place::new();
        for part in samples.chunks(samples.len().div_ceil(parts)) {
            // A new process each time, in the same boot.
            let mut journal = place.open("one");
            journal.sample(part);
            journal.flush(&seconds(60, 60)).unwrap();
        }
        ["lagoon-temp", "mains"].map(|name| place.log().readings(name, Wall(0), Wall(T0 + 60_000)).unwrap())
    };
    let ([whole], [whole_words]) = (&written(1)[0][..], &written(1)[1][..]) else { panic!() };
    for parts in [2, 5, 118] {
        let [numbers, words] = written(parts);
        assert_eq!(words, [*whole_words]);
        let ([part], Some(Values::Numbers { lowest, mean, highest, last })) =
            (&numbers[..], numbers[0].values)
        else {
            panic!("{numbers:?}")
        };
        let Some(Values::Numbers { mean: exact, .. }) = whole.values else { panic!() };
        assert!((mean - exact).abs() < 1e-9);
        assert_eq!(
            Minute { values: Some(Values::Numbers { lowest, mean: exact, highest, last }), ..*part },
            *whole
        );
    }
}

#[test]
fn readings_go_before_records_and_what_matters_stays() {
    let place = Place::new();
    let limits = JournalLimits { bytes: 200_000, ..JournalLimits::default() };
    let mut journal = place.open_with("one", JournalLimits { bytes: 10 << 20, ..limits });
    let records: Vec<Record> = (1..=4_000).map(|seq| settled(seq, seconds(1, 1))).collect();
    journal.commit(&records, 3_990).unwrap();
    for minute in 0..6 * 1440 {
        journal.sample(&[good("lagoon-temp", Span::minutes(minute), noise(minute))]);
    }
    let size = || fs::metadata(place.path()).unwrap().len();
    let now = at(Span::hours(6 * 24), Span::hours(6 * 24), true);
    journal.flush(&now).unwrap();
    journal.fold(&now).unwrap();
    drop(journal);
    let mut journal = place.open_with("one", limits);
    journal.tend(&seconds(0, 0)).unwrap();
    let pruned = journal.tend(&now).unwrap();
    assert_eq!(pruned.readings, 6 * 1440);
    assert!((1..3_990).contains(&pruned.records), "{pruned:?}");
    let said = pruned.to_string();
    assert!(said.starts_with("8640 minutes of readings dropped for want of room, "), "{said}");
    assert_eq!(Pruned::default().to_string(), "");
    assert!(size() <= 200_000, "{} bytes", size());
    let left: Vec<Seq> = journal
        .db
        .prepare("SELECT seq FROM records")
        .unwrap()
        .query_map([], |row| Ok(row.get::<_, i64>(0)?.cast_unsigned()))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    assert_eq!(left, (pruned.records + 1..=4_000).collect::<Vec<_>>());
    drop(journal);

    // Whatever the limit, what matters and the newest stay.
    let mut journal = place.open_with("one", JournalLimits { bytes: 1, ..limits });
    journal.tend(&now).unwrap();
    let later = at(Span::hours(7 * 24), Span::hours(7 * 24), true);
    let pruned = journal.tend(&later).unwrap();
    assert_eq!((pruned.readings, pruned.records), (0, 3_989 - (4_000 - left.len() as u64)));
    assert_eq!(journal.restore(&later).unwrap().records.len(), 11);
    journal.commit(&[settled(4_001, later)], 4_002).unwrap();
    journal.tend(&at(Span::hours(8 * 24), Span::hours(8 * 24), true)).unwrap();
    assert_eq!(journal.restore(&later).unwrap().next_seq, 4_002);
}

#[test]
fn a_full_journal_gives_its_oldest_quarters_of_days_for_the_newest_minutes_and_does_not_grow() {
    let place = Place::new();
    let bytes = 200_000;
    let mut journal = place.open_with("one", JournalLimits { bytes, ..JournalLimits::default() });
    let minutes = |n: i64| at(Span::minutes(n), Span::minutes(n), true);
    let mut dropped = 0;
    let all = 12 * 1440;
    for minute in 0..=all {
        journal.sample(&[good("lagoon-temp", Span::minutes(minute), noise(minute))]);
        let pruned = journal.tend(&minutes(minute)).unwrap();
        assert!(
            pruned.readings <= 720 && pruned.readings.is_multiple_of(360),
            "at minute {minute}: {pruned:?}"
        );
        dropped += pruned.readings;
    }
    assert!(fs::metadata(place.path()).unwrap().len() <= bytes);
    let left = place.log().readings("lagoon-temp", Wall(0), minutes(13 * 1440).wall).unwrap();
    assert!(dropped > 1440 && left.len() as u64 == all as u64 - dropped, "{dropped}, {}", left.len());
    assert_eq!(left[0].wall, Wall(T0) + Span::minutes(1).times(dropped as i64));
}

#[test]
fn a_limit_that_is_made_smaller_costs_the_oldest_days() {
    let place = Place::new();
    let days = |n: i64| at(Span::hours(n * 24), Span::hours(n * 24), true);
    let mut journal = place.open("one");
    for minute in 0..12 * 1440 {
        journal.sample(&[good("lagoon-temp", Span::minutes(minute), noise(minute))]);
    }
    journal.tend(&days(0)).unwrap();
    journal.tend(&days(12)).unwrap();
    drop(journal);
    let mut journal = place.open_with("one", JournalLimits { bytes: 200_000, ..JournalLimits::default() });
    journal.tend(&days(13)).unwrap();
    let pruned = journal.tend(&days(14)).unwrap();
    assert!(pruned.readings > 0 && pruned.readings < 12 * 1440, "{pruned:?}");
    assert!(pruned.readings.is_multiple_of(360), "{pruned:?}");
    let left = place.log().readings("lagoon-temp", Wall(0), days(13).wall).unwrap();
    assert_eq!(left.len() as u64, 12 * 1440 - pruned.readings);
    assert_eq!(left[0].wall, Wall(T0) + Span::minutes(1).times(pruned.readings as i64));
}

#[test]
fn readings_past_their_age_are_dropped_but_never_on_the_word_of_an_untrusted_clock() {
    let place = Place::new();
    let days = |n: i64, trusted| at(Span::hours(n * 24), Span::hours(n * 24), trusted);
    let mut journal = place.open("one");
    journal.tend(&days(0, true)).unwrap();
    for minute in 0..3 * 1440 {
        journal.sample(&[good("lagoon-temp", Span::minutes(minute), 25.0)]);
    }
    journal.tend(&days(3, true)).unwrap();
    assert_eq!(journal.tend(&days(402, false)).unwrap().aged, 0);
    assert_eq!(journal.tend(&days(403, true)).unwrap().aged, 3 * 1440);
}

#[test]
fn readings_that_no_disk_takes_do_not_fill_the_memory() {
    let place = Place::new();
    let mut journal = place.open("one");
    for minute in 0..=60_000 {
        journal.sample(&[good("lagoon-temp", Span::minutes(minute), 25.0)]);
    }
    let now = at(Span::minutes(60_001), Span::ZERO, false);
    assert_eq!(journal.tend(&now).unwrap().unwritten, 10_000);
}

#[test]
fn a_reader_sees_what_the_writer_keeps_and_can_write_nothing() {
    let place = Place::new();
    let mut journal = place.open("one");
    journal.name_site("Halyard House").unwrap();
    let log = place.log();
    let raised = |seq, alarm: &str| Record { seq, at: seconds(1, 1), body: raised(alarm, seq) };
    let returned = |seq, alarm: &str, episode| Record {
        seq,
        at: seconds(2, 2),
        body: Body::Returned {
            alarm: alarm.to_owned(),
            episode,
            stood: Span::seconds(1),
            because: String::new(),
            farthest: None,
        },
    };
    journal.commit(&[raised(1, "power-lost"), raised(2, "leak"), returned(3, "power-lost", 1)], 1).unwrap();
    assert_eq!(log.site().unwrap(), "Halyard House");
    assert_eq!(log.standing().unwrap(), [raised(2, "leak")]);
    let kinds = log.db.query_row("SELECT kind, alarm, episode FROM records WHERE seq = 3", [], |row| {
        Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?, row.get::<_, i64>(2)?))
    });
    assert_eq!(kinds, Ok(("returned".to_owned(), "power-lost".to_owned(), 1)));
    assert!(log.db.execute("DELETE FROM records", []).is_err());
}

#[test]
fn a_record_of_a_kind_unknown_here_is_told_and_the_rest_restored() {
    let place = Place::new();
    let mut journal = place.open("one");
    journal.commit(&[settled(1, seconds(1, 1)), settled(2, seconds(1, 1))], 1).unwrap();
    journal.db.execute("UPDATE records SET body = '{\"kind\":\"tomorrow\"}' WHERE seq = 1", []).unwrap();
    let restored = journal.restore(&seconds(2, 2)).unwrap();
    assert_eq!((restored.unreadable, restored.records.len(), restored.next_seq), (vec![1], 1, 3));
}

#[test]
fn every_kind_of_record_comes_back_as_it_was() {
    let bodies = one_of_each();
    let places: Vec<usize> = bodies.iter().map(place_of).collect();
    assert_eq!(places, (0..KINDS).collect::<Vec<_>>(), "one of each kind, in order");
    let outcomes = [
        Outcome::Accepted { note: "250 ok".to_owned() },
        Outcome::Failed { why: "550 no such user".to_owned() },
    ];
    let more = outcomes.map(|result| Body::Delivered { page: 7, result });
    let purposes = [Purpose::AllClear, Purpose::Digest, Purpose::Drill];
    let pages = purposes.map(paged).into_iter().chain(one_of_each_drill());
    let records: Vec<Record> = bodies
        .into_iter()
        .chain(more)
        .chain(pages)
        .enumerate()
        .map(|(n, body)| Record { seq: n as Seq + 1, at: seconds(n as i64, n as i64), body })
        .collect();
    let place = Place::new();
    let mut journal = place.open("one");
    journal.commit(&records, 1).unwrap();
    assert_eq!(journal.restore(&seconds(99, 99)).unwrap().records, records);
    assert_eq!(place.log().records(Wall(0), Wall(i64::MAX)).unwrap(), records);
}

fn raised(alarm: &str, episode: Seq) -> Body {
    Body::Raised {
        alarm: alarm.to_owned(),
        episode,
        code: "K7P".to_owned(),
        place: "lagoon".to_owned(),
        priority: Priority::Critical,
        since: Span::seconds(20),
        because: "mains off — \"quoted\"\n".to_owned(),
        after_work: None,
    }
}

fn paged(purpose: Purpose) -> Body {
    let (target, headline) = ("ines.push".to_owned(), "lagoon: …".to_owned());
    Body::Paged { call: 2, target, purpose, headline, also: vec![1] }
}

fn one_of_each() -> Vec<Body> {
    let s = |text: &str| text.to_owned();
    let (alarm, why, tank) = (s("power-lost"), s("because"), s("lagoon"));
    let (because, work, target) = (s("mains off"), s("water change"), s("ines.push"));
    let by = || By { who: s("ines"), via: s("text") };
    let span = Span::seconds(90);
    vec![
        Body::Started { version: s("0.1.0"), gap: None },
        Body::Stopped { why: why.clone() },
        Body::Reloaded { changes: vec![s("one"), s("two")] },
        Body::SightLost { of: s("broker"), why: why.clone() },
        Body::SightRegained { of: s("broker"), after: span },
        raised("power-lost", 1),
        Body::Worsened { alarm: alarm.clone(), episode: 1, because: because.clone() },
        Body::LostSight { alarm: alarm.clone(), episode: 1 },
        Body::FoundSight { alarm: alarm.clone(), episode: 1 },
        Body::Returned { alarm: alarm.clone(), episode: 1, stood: span, because, farthest: None },
        Body::Chattering { alarm: alarm.clone(), raises: 5, within: span },
        Body::Settled { alarm: alarm.clone() },
        Body::Acknowledged { alarm: alarm.clone(), episode: 1, by: by() },
        Body::Reset { alarm: alarm.clone(), by: by() },
        Body::Shelved { alarm: alarm.clone(), length: span, by: by(), why: why.clone() },
        Body::Unshelved { alarm: alarm.clone(), by: None },
        Body::Suppressed { alarm: alarm.clone() },
        Body::Unsuppressed { alarm: alarm.clone(), work: "feeding".to_owned() },
        Body::TakenOut { alarm: alarm.clone(), by: by(), why: why.clone() },
        Body::PutBack { alarm, by: by() },
        Body::CallBegan { policy: s("household"), purpose: Purpose::Call, code: s("K7QF"), hold: span },
        Body::Joined { call: 2, alarm: s("power-lost"), episode: 1 },
        Body::Stepped { call: 2, step: 0 },
        paged(Purpose::Call),
        Body::Skipped { call: 2, target, why: why.clone() },
        Body::Delivered { page: 3, result: Outcome::deferred(why.clone()) },
        Body::Answered { call: 2, by: by(), lease: span },
        Body::Resumed { call: 2, why: why.clone() },
        Body::CallEnded { call: 2 },
        Body::Refused { what: s("ack XYZ"), why: why.clone(), by: by() },
        Body::WorkBegan { tank: tank.clone(), work: work.clone(), length: span, by: by() },
        Body::WorkEnded { tank, work, by: Some(by()) },
        Body::Switched {
            relay: s("air-pump"),
            on: true,
            episode: 1,
            attempt: 1,
            why: why.clone(),
            undo: false,
        },
        Body::Proved { relay: s("air-pump"), switching: 4, after: span },
        Body::NotProved { relay: s("air-pump"), switching: 4, why: why.clone(), unknown: true },
        Body::Released { relay: s("heater"), episode: 1, why: why.clone() },
        Body::Marked { episode: 1, verdict: Verdict::False, note: why.clone(), by: by() },
        Body::Withheld { relay: s("air-pump"), on: true, episode: 1, why: why.clone() },
        Body::Held { relay: s("air-pump"), episode: 1, why: why.clone() },
        Body::ByHand { relay: s("air-pump"), episode: 1, shows: false, why: why.clone() },
        Body::CommandKept { relay: s("air-pump"), topic: s("lagoon/airpump/set"), payload: s("on") },
        Body::Drill(Drilled::OutageDrilled {
            alarm: s("power-lost"),
            steps: vec![Measured { what: s("raised"), took: Some(span), within: span }],
            by: by(),
        }),
        Body::SilencePlanned { length: span, why, by: by() },
        Body::SilenceEnded { by: by() },
        Body::Learned { tank: s("lagoon"), numbers: vec![44.0, -0.125, 1e-7, 0.1 + 0.2], oxygen: vec![0.3] },
        Body::Foretold {
            alarm: s("power-lost"),
            episode: 1,
            estimates: vec![Estimated {
                place: s("lagoon"),
                words: s("about 5 to 8 h until 22 degC if nothing changes"),
                low_h: Some(5.2),
                likely_h: Some(6.4),
                high_h: None,
                rests_on: s("measured: water temperature"),
                water: None,
            }],
        },
        Body::ClockSet { by: span, was_trusted: false, trusted: true },
        Body::CallChanged { call: 2, change: CallChange::Held { length: span, by: HeldBy::Quiet } },
        Body::HandedOn { call: 2, by: by() },
        Body::Ticked { call: 2, step: s("Do not feed."), done: true, by: by() },
        Body::Hushed { siren: "siren".to_owned(), length: span, by: by() },
        Body::Blipped { alarm: "mains".to_owned(), count: 3, longest: span, since: span },
        Body::SiteChanged { site: s("nursery"), change: SiteChange::Joined { key: s("11qYAYKx") }, by: by() },
    ]
}

/// Of what test pages and notices leave.
fn one_of_each_drill() -> impl Iterator<Item = Body> {
    let s = |text: &str| text.to_owned();
    let by = || By { who: s("ines"), via: s("text") };
    let span = Span::seconds(90);
    let drilled = vec![
        Drilled::TestsBegan {
            why: s("every sunday 11:00"),
            channels: vec![Standing { target: s("ines.mail"), proved: Some(span), missed: 2 }],
        },
        Drilled::Tested {
            target: s("ines.mail"),
            code: s("K7QF"),
            within: span,
            headline: s("TEST"),
            lines: vec![s("one")],
        },
        Drilled::TestAnswered { test: 9, target: s("ines.mail"), by: by(), after: span },
        Drilled::TestUnanswered { test: 9, target: s("ines.mail"), why: s("not answered") },
        Drilled::Noticed {
            target: s("ines.mail"),
            about: About::Absence {
                contact: s("ines"),
                first: s("2026-12-20"),
                last: s("2026-12-31"),
                stage: DrillStage::HandOver,
            },
            last: Some(span),
            headline: s("you stand in"),
            lines: Vec::new(),
        },
    ];
    drilled.into_iter().map(Body::Drill)
}

const KINDS: usize = 53;

/// A new kind breaks this match: give it a place here, and one of it to [`one_of_each`].
fn place_of(body: &Body) -> usize {
    match body {
        Body::Started { .. } => 0,
        Body::Stopped { .. } => 1,
        Body::Reloaded { .. } => 2,
        Body::SightLost { .. } => 3,
        Body::SightRegained { .. } => 4,
        Body::Raised { .. } => 5,
        Body::Worsened { .. } => 6,
        Body::LostSight { .. } => 7,
        Body::FoundSight { .. } => 8,
        Body::Returned { .. } => 9,
        Body::Chattering { .. } => 10,
        Body::Settled { .. } => 11,
        Body::Acknowledged { .. } => 12,
        Body::Reset { .. } => 13,
        Body::Shelved { .. } => 14,
        Body::Unshelved { .. } => 15,
        Body::Suppressed { .. } => 16,
        Body::Unsuppressed { .. } => 17,
        Body::TakenOut { .. } => 18,
        Body::PutBack { .. } => 19,
        Body::CallBegan { .. } => 20,
        Body::Joined { .. } => 21,
        Body::Stepped { .. } => 22,
        Body::Paged { .. } => 23,
        Body::Skipped { .. } => 24,
        Body::Delivered { .. } => 25,
        Body::Answered { .. } => 26,
        Body::Resumed { .. } => 27,
        Body::CallEnded { .. } => 28,
        Body::Refused { .. } => 29,
        Body::WorkBegan { .. } => 30,
        Body::WorkEnded { .. } => 31,
        Body::Switched { .. } => 32,
        Body::Proved { .. } => 33,
        Body::NotProved { .. } => 34,
        Body::Released { .. } => 35,
        Body::Marked { .. } => 36,
        Body::Withheld { .. } => 37,
        Body::Held { .. } => 38,
        Body::ByHand { .. } => 39,
        Body::CommandKept { .. } => 40,
        Body::Drill(_) => 41,
        Body::SilencePlanned { .. } => 42,
        Body::SilenceEnded { .. } => 43,
        Body::Learned { .. } => 44,
        Body::Foretold { .. } => 45,
        Body::ClockSet { .. } => 46,
        Body::CallChanged { .. } => 47,
        Body::HandedOn { .. } => 48,
        Body::Ticked { .. } => 49,
        Body::Hushed { .. } => 50,
        Body::Blipped { .. } => 51,
        Body::SiteChanged { .. } => 52,
    }
}

/// Made by the watch as it was before outcomes said by their type what they mean.
#[test]
fn a_journal_of_before_is_read_with_its_call_out_going_on() {
    let place = Place::new();
    fs::create_dir(place.path().parent().unwrap()).unwrap();
    let before = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/data/before/journal.db");
    fs::copy(before, place.path()).unwrap();
    let journal = place.open("after");
    let restored = journal.restore(&seconds(1, 1)).unwrap();
    assert_eq!((restored.unreadable, restored.next_seq), (vec![], 103));
    let fates = restored.records.iter().filter_map(|record| match &record.body {
        Body::Delivered { page: 97 | 89 | 66, result } => Some(result.clone()),
        _ => None,
    });
    let broke_off = Outcome::Deferred {
        why: "the modem: no answer to the text".to_owned(),
        may_have_arrived: true,
        again_in: None,
    };
    let fates: Vec<_> = fates.collect();
    assert!(matches!(fates[..], [Outcome::HeldUntil { .. }, Outcome::Withdrawn, _]), "{fates:?}");
    assert_eq!(fates[2], broke_off);
    assert!(!restored.records.iter().any(|record| matches!(record.body, Body::CallEnded { call: 75 })));
}

/// Made by the watch as it was when every minute of a sensor had a row: two boots, the second with
/// a clock that became trusted late; degrees of both kinds, litres an hour, numbers without end,
/// words, rejected and late ones.
fn readings_of_before(place: &Place) {
    fs::create_dir(place.path().parent().unwrap()).unwrap();
    let before = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/data/before/readings.db");
    fs::copy(before, place.path()).unwrap();
}

/// All minutes as lines, and the review, as that watch printed both.
fn assert_all_as_before(log: &JournalLog, when: &str) {
    let mut text = String::new();
    log.walk_readings(Wall(0), Wall(i64::MAX / 4), |name, minute| {
        text += &format!("{name} {minute:?}\n");
    })
    .unwrap();
    assert_eq!(text.lines().count(), 5_142, "{when}");
    assert_eq!(pulse::fnv(text.as_bytes()), 0x3ff0_58f4_15c9_308b, "{when}");
    let window = crate::review::ReviewSpan { since: Wall(T0 - 3_600_000), until: Wall(T0 + 80_000_000) };
    let review = crate::review::review(log, None, window, &jiff::tz::TimeZone::UTC).unwrap();
    let said: serde_json::Value = serde_json::to_value(&review).unwrap();
    let before = include_str!("../../../tests/data/before/readings-review.json");
    assert_eq!(said, serde_json::from_str::<serde_json::Value>(before).unwrap(), "{when}");
}

#[test]
fn readings_of_before_are_read_as_they_are_and_packed_with_nothing_changing_in_their_review() {
    let place = Place::new();
    readings_of_before(&place);
    assert_all_as_before(&place.log(), "not opened by this version yet");
    let steps = [Wall(T0), Wall(T0 + 35_999_000)];
    let bars = |log: &JournalLog| {
        let of = |name| log.bars(name, steps[0], steps[1], Span::minutes(15)).unwrap();
        ["lagoon-temp", "return-flow", "mains"].map(of)
    };
    let drawn = bars(&place.log());
    assert!(drawn.iter().all(|bars| (40..=41).contains(&bars.len())));
    let opened = place.try_open().unwrap();
    assert_eq!(opened, Opened::Migrated { from: 1 });
    let mut journal = place.open("one");
    assert_all_as_before(&place.log(), "not packed yet");
    let rows = |journal: &Journal| -> i64 {
        journal.db.query_row("SELECT count(*) FROM readings", [], |row| row.get(0)).unwrap()
    };
    let all = rows(&journal);
    let copy = migrating::copy_of(&place.path());
    let (mut second, mut seen_between) = (100_000, 0);
    // However long the copy takes, no minutes are written meanwhile: the review would see them.
    journal.due = Some(Moment(i64::MAX));
    while journal.due().is_some() || second == 100_000 {
        second += 3;
        journal.tend(&seconds(second, second)).unwrap();
        if journal.migrating.is_none() {
            break;
        }
        let left = rows(&journal);
        if left > 0 && left < all {
            assert!(copy.exists(), "the copy is there until all is packed");
            assert_all_as_before(&place.log(), "half packed");
            seen_between += 1;
        }
        if !copy.exists() {
            std::thread::sleep(std::time::Duration::from_millis(5));
        } else if seen_between == 1 {
            // The copy is a journal for the older program.
            let db = Connection::open(&copy).unwrap();
            let version: i64 = db.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap();
            assert_eq!(version, 1);
            assert_all_as_before(&JournalLog::open(&copy).unwrap(), "the copy");
            assert_eq!(fs::metadata(&copy).unwrap().permissions().mode() & 0o777, 0o600);
        }
        assert!(second < 200_000, "it never ends: {left} rows");
    }
    assert!(seen_between > 1);
    assert_eq!((rows(&journal), copy.exists()), (0, false));
    assert_all_as_before(&place.log(), "packed");
    let again = bars(&place.log());
    for (was, is) in drawn.iter().flatten().zip(again.iter().flatten()) {
        let mean = is.mean;
        assert_eq!(
            (was.from, was.low, was.high, was.last, was.minutes),
            (is.from, is.low, is.high, is.last, is.minutes)
        );
        assert!((was.mean - mean).abs() <= was.mean.abs() * 1e-12);
    }
    // It goes on after a restart, and what is said now stands beside it.
    drop(journal);
    assert_all_as_before(&place.log(), "closed");
}

#[test]
fn a_crash_at_any_flush_loses_no_minute_that_was_flushed_and_counts_none_twice() {
    let place = Place::new();
    let minutes = |n: i64| at(Span::minutes(n), Span::minutes(n), true);
    let mut journal = place.open("one");
    let (mut told, copies) = (0, tempfile::tempdir().unwrap());
    for minute in 0..=900 {
        journal.sample(&[
            good("lagoon-temp", Span::minutes(minute), noise(minute)),
            word("mains", Span::minutes(minute), 1),
        ]);
        journal.tend(&minutes(minute)).unwrap();
        if minute % 10 != 0 || minute < 330 {
            continue;
        }
        // What a power cut leaves; and a chunk that was torn by it counts as not written.
        let copy = copies.path().join(format!("{minute}.db"));
        for suffix in ["", "-wal", "-minutes"] {
            fs::copy(beside(&place.path(), suffix), beside(&copy, suffix)).unwrap();
        }
        let (mut again, _) =
            Journal::open(&copy, BootId("one".to_owned()), JournalLimits::default()).unwrap();
        let count = |said: Vec<Minute>| said.iter().map(|minute| minute.count).sum::<u32>();
        let kept = |path: &Path| {
            let log = JournalLog::open(path).unwrap();
            ["lagoon-temp", "mains"]
                .map(|name| count(log.readings(name, Wall(0), minutes(10_000).wall).unwrap()))
        };
        let now = kept(&copy);
        assert!(now[0] >= told && now[0] == now[1], "{now:?} after {told} at {minute}");
        told = now[0];
        assert!(i64::from(told) >= minute - 10, "{told} at {minute}");
        again.sample(&[good("lagoon-temp", Span::minutes(minute + 1), 1.0)]);
        again.flush(&minutes(minute + 2)).unwrap();
        again.fold(&minutes(minute + 2)).unwrap();
        assert_eq!(kept(&copy), [told + 1, told], "folded at {minute}");
        let log = fs::OpenOptions::new().read(true).write(true).open(beside(&copy, "-minutes")).unwrap();
        log.write_all_at(&[0x55; 512], 0).unwrap();
        assert_eq!(kept(&copy), [told + 1, told], "what was folded does not need the file");
    }
}

#[test]
fn a_file_of_minutes_that_is_removed_torn_or_anothers_costs_no_more_than_it_holds() {
    let minutes = |n: i64| at(Span::minutes(n), Span::minutes(n), true);
    type Harm = fn(&Path);
    let harms: [(&str, Harm); 3] = [
        ("removed", |path| fs::remove_file(path).unwrap()),
        ("torn", |path| fs::write(path, b"SlkWmin1 but no more").unwrap()),
        ("another's", |path| {
            let other = Place::new();
            let mut journal = other.open("one");
            journal.sample(&[good("ph", Span::ZERO, 8.2)]);
            journal.flush(&seconds(60, 60)).unwrap();
            fs::copy(beside(&other.path(), "-minutes"), path).unwrap();
        }),
    ];
    for (name, harm) in harms {
        let place = Place::new();
        let mut journal = place.open("one");
        let say = |journal: &mut Journal, from: i64| {
            for minute in from..from + 10 {
                journal.sample(&[good("lagoon-temp", Span::minutes(minute), 25.0)]);
            }
            journal.flush(&minutes(from + 10)).unwrap();
        };
        say(&mut journal, 0);
        journal.fold(&minutes(10)).unwrap();
        say(&mut journal, 10);
        harm(&beside(&place.path(), "-minutes"));
        let known = || place.log().readings("lagoon-temp", Wall(0), minutes(1_000).wall).unwrap().len();
        assert_eq!(known(), 10, "{name}");
        drop(journal);
        let mut journal = place.open("one");
        say(&mut journal, 20);
        assert_eq!(known(), 20, "{name}");
        journal.fold(&minutes(31)).unwrap();
        assert_eq!(known(), 20, "{name}");
    }
}

#[test]
fn damage_among_the_readings_is_found_in_the_background_and_not_at_the_start() {
    let place = Place::new();
    let mut journal = place.open("one");
    journal.commit(&[settled(1, seconds(1, 1))], 1).unwrap();
    for minute in 0..20_000 {
        journal.sample(&[good("lagoon-temp", Span::minutes(minute), noise(minute))]);
    }
    let now = at(Span::minutes(20_000), Span::minutes(20_000), true);
    journal.flush(&now).unwrap();
    journal.fold(&now).unwrap();
    Place::closed(journal);
    let file = fs::OpenOptions::new().write(true).open(place.path()).unwrap();
    let length = file.metadata().unwrap().len();
    // Upper pages of the packs lie anywhere: all of the second half is overwritten.
    for at in (length / 2..length - 4096).step_by(4096) {
        file.write_all_at(&[0x55; 4096], at).unwrap();
    }
    let (journal, opened) =
        Journal::open(&place.path(), BootId("one".to_owned()), JournalLimits::default()).unwrap();
    assert_eq!(opened, Opened::Current);
    assert_eq!(journal.restore(&now).unwrap().records.len(), 1);
    assert_ne!(checking::verdict(&place.path()).unwrap_or_else(|error| error.to_string()), "ok");
}

//! The journal as the watch has it when something is wrong with it or its disk.

use super::{Inheritance, Keeper};
use crate::journal::{BootId, JournalLimits, JournalLog, beside};
use rusqlite::Connection;
use slackwater_rules::engine::Sample;
use slackwater_rules::quality::Quality;
use slackwater_rules::reading::Value;
use slackwater_rules::record::{Body, By, Record, Seq};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::fs;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;

const T0: i64 = 1_785_535_200_000;

fn seconds(mono: i64, wall: i64) -> Now {
    Now { mono: Moment(mono * 1_000), wall: Wall(T0 + wall * 1_000), wall_trusted: true }
}

fn settled(seq: Seq, at: Now) -> Record {
    Record { seq, at, body: Body::Settled { alarm: format!("alarm-{seq}") } }
}

fn open(path: &Path, boot: &str, now: &Now) -> (Keeper, Inheritance) {
    Keeper::open(path.to_owned(), BootId(boot.to_owned()), JournalLimits::default(), "Halyard House", now)
        .unwrap()
}

/// A journal with this many records, and what a kill at that moment would leave of it.
fn killed(records: Seq) -> (TempDir, PathBuf) {
    let living = tempfile::tempdir().unwrap();
    let path = living.path().join("journal.sqlite");
    let (mut keeper, _) = open(&path, "one", &seconds(1, 1));
    keeper.tend(&seconds(1, 1));
    for seq in 1..=records {
        keeper.keep(vec![settled(seq, seconds(2, 2))], || 1, &seconds(2, 2));
    }
    assert_eq!(keeper.ailment(), None);
    let left = tempfile::tempdir().unwrap();
    let copy = left.path().join("journal.sqlite");
    for suffix in ["", "-wal", "-pulse"] {
        fs::copy(beside(&path, suffix), beside(&copy, suffix)).unwrap();
    }
    (left, copy)
}

fn numbers(path: &Path) -> Vec<Seq> {
    let mut found = Vec::new();
    JournalLog::open(path)
        .unwrap()
        .walk(0, |record| {
            found.push(record.seq);
            true
        })
        .unwrap();
    found
}

/// What happens to a journal while nobody looks.
type Harm<'a> = &'a dyn Fn(&Path);

#[test]
fn a_newer_or_another_programs_file_is_set_aside_and_said_and_the_watch_runs() {
    for (kind, script, says) in [
        (
            "foreign",
            "CREATE TABLE recipes (name); INSERT INTO recipes VALUES ('kelp');",
            "is another program's",
        ),
        (
            "newer",
            "PRAGMA application_id = 1399614295; PRAGMA user_version = 99; CREATE TABLE meta (x);",
            "of a newer program (version 99, this one knows 3)",
        ),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.sqlite");
        let db = Connection::open(&path).unwrap();
        db.execute_batch(script).unwrap();
        db.close().unwrap();
        let before = fs::read(&path).unwrap();
        let (mut keeper, left) = open(&path, "one", &seconds(1, 1));
        assert_eq!((left.next_seq, left.gap), (1, None), "what that file knew, nobody knows");
        let aside = beside(&path, &format!(".{kind}-1"));
        assert_eq!(fs::read(&aside).unwrap(), before);
        let said = keeper.ailment().unwrap().to_owned();
        assert!(said.contains(says) && said.contains(&aside.display().to_string()), "{said}");
        keeper.keep(vec![settled(1, seconds(2, 2))], || 1, &seconds(2, 2));
        assert_eq!(numbers(&path), [1]);
    }
}

#[test]
fn what_is_lost_at_the_journals_end_is_noticed_at_the_start_and_its_numbers_are_not_used_again() {
    let flip = |path: &Path| {
        let log = fs::OpenOptions::new().read(true).write(true).open(beside(path, "-wal")).unwrap();
        let mut byte = [0];
        // Behind what is of no use any more there are frames of an earlier round.
        let at = 32 + 24 * 2 + 4096 * 20;
        log.read_exact_at(&mut byte, at).unwrap();
        log.write_all_at(&[byte[0] ^ 0x10], at).unwrap();
    };
    let cut = |path: &Path| {
        fs::write(path, b"").unwrap();
        fs::remove_file(beside(path, "-wal")).unwrap();
    };
    let swap = |path: &Path| {
        let (_folder, other) = killed(3);
        for suffix in ["", "-wal"] {
            fs::copy(beside(&other, suffix), beside(path, suffix)).unwrap();
        }
    };
    let log_lost = |path: &Path| fs::remove_file(beside(path, "-wal")).unwrap();
    let cases: [(&str, Harm<'_>, &str); 4] = [
        ("a flipped bit", &flip, "to 40 are missing at the journal's end"),
        ("no log", &log_lost, "its records up to number 40 are lost"),
        ("cut", &cut, "its records up to number 40 are lost"),
        ("swapped", &swap, "another journal stands in the place"),
    ];
    for (name, harm, says) in cases {
        let (_folder, path) = killed(40);
        assert_eq!(numbers(&path).len(), 40, "{name}");
        harm(&path);
        let (mut keeper, left) = open(&path, "one", &seconds(62, 62));
        let said = keeper.ailment().unwrap_or_default().to_owned();
        assert!(said.contains(says), "{name}: {said:?}");
        assert_eq!((left.next_seq, left.gap), (41, Some(Span::seconds(60))), "{name}");
        // Said once: it is over after a while, and the next start does not say it again.
        keeper.keep(vec![settled(41, seconds(63, 63))], || 1, &seconds(63, 63));
        keeper.tend(&seconds(63, 63));
        keeper.tend(&seconds(2_000, 2_000));
        assert_eq!(keeper.ailment(), None, "{name}");
        drop(keeper);
        let (keeper, left) = open(&path, "one", &seconds(2_001, 2_001));
        assert_eq!((keeper.ailment(), left.next_seq), (None, 42), "{name}");
    }
    let (_folder, path) = killed(40);
    let (keeper, left) = open(&path, "one", &seconds(62, 62));
    assert_eq!((keeper.ailment(), left.next_seq, left.records.len()), (None, 41, 40));
}

#[test]
fn a_journal_that_is_removed_cut_or_replaced_while_the_watch_runs_is_noticed_and_what_matters_written_again()
{
    let remove = |path: &Path| {
        for suffix in ["", "-wal", "-shm"] {
            fs::remove_file(beside(path, suffix)).unwrap();
        }
    };
    let cut = |path: &Path| fs::write(path, b"").unwrap();
    let log_lost = |path: &Path| fs::remove_file(beside(path, "-wal")).unwrap();
    let replace = |path: &Path| {
        let (_folder, other) = killed(90);
        for suffix in ["", "-wal"] {
            let new = beside(path, ".new");
            fs::copy(beside(&other, suffix), &new).unwrap();
            fs::rename(&new, beside(path, suffix)).unwrap();
        }
    };
    let cases: [(&str, Harm<'_>); 4] =
        [("removed", &remove), ("cut", &cut), ("log removed", &log_lost), ("replaced", &replace)];
    for (name, harm) in cases {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.sqlite");
        let (mut keeper, _) = open(&path, "one", &seconds(1, 1));
        for seq in 1..=10 {
            keeper.keep(vec![settled(seq, seconds(2, 2))], || seq.min(8), &seconds(2, 2));
        }
        harm(&path);
        keeper.keep(vec![settled(11, seconds(3, 3))], || 8, &seconds(3, 3));
        let said = keeper.ailment().unwrap_or_default();
        assert!(!said.is_empty(), "{name} was not noticed");
        let kept = numbers(&path);
        assert!(kept.ends_with(&[8, 9, 10, 11]), "{name}: {kept:?}, {said}");
        drop(keeper);
        let (_, left) = open(&path, "one", &seconds(4, 4));
        assert_eq!(left.next_seq, 12, "{name}");
    }
}

fn sample(sensor: &str, at: Now, number: f64) -> Sample {
    let value = Some(Value::Number(number));
    Sample { sensor: sensor.into(), at: at.mono, value, quality: Quality::Good }
}

/// Breaks the table of readings where its pages begin; records are as they were.
fn damage_readings(path: &Path) {
    let db = Connection::open(path).unwrap();
    let number = |sql| db.query_row(sql, [], |row| row.get::<_, i64>(0)).unwrap().cast_unsigned();
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    let page = number("SELECT rootpage FROM sqlite_schema WHERE name = 'packs'");
    let at = (page - 1) * number("PRAGMA page_size");
    drop(db);
    let file = fs::OpenOptions::new().write(true).open(path).unwrap();
    file.write_all_at(&[0xff; 64], at).unwrap();
}

#[test]
fn readings_that_are_found_damaged_while_the_watch_runs_are_set_aside_and_what_matters_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.sqlite");
    let (mut keeper, _) = open(&path, "one", &seconds(1, 1));
    for seq in 1..=10 {
        keeper.keep(vec![settled(seq, seconds(2, 2))], || 8, &seconds(2, 2));
    }
    for minute in 0..800 {
        let at = seconds(minute * 60, minute * 60);
        keeper.sample(&[sample("lagoon-temp", at, 25.0 + (minute % 7) as f64 / 10.0)]);
        keeper.tend(&at);
    }
    keeper.close(|| 8, &seconds(48_000, 48_000));
    drop(keeper);
    damage_readings(&path);

    // It begins with its records, which are sound, and looks at the rest afterwards.
    let limits = JournalLimits { check_after: Span::ZERO, ..JournalLimits::default() };
    let boot = || BootId("one".to_owned());
    let mut now = seconds(48_010, 48_010);
    let (mut keeper, left) = Keeper::open(path.clone(), boot(), limits, "Halyard House", &now).unwrap();
    assert_eq!((keeper.ailment(), left.next_seq), (None, 11));
    for _ in 0..600 {
        now = Now { mono: now.mono + Span::minutes(1), wall: now.wall + Span::minutes(1), ..now };
        keeper.sample(&[sample("lagoon-temp", now, 26.0)]);
        keeper.tend(&now);
        if keeper.ailment().is_some() {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    let said = keeper.ailment().unwrap_or_default().to_owned();
    assert!(said.contains("the journal was damaged") && said.contains(".damaged-1"), "{said}");
    assert!(beside(&path, ".damaged-1").exists());
    assert!(keeper.due().is_some_and(|due| due <= now.mono), "what matters is written at once");
    keeper.keep(Vec::new(), || 8, &now);
    assert_eq!(numbers(&path), [8, 9, 10], "what mattered still is in the new one");
    keeper.keep(vec![settled(11, now)], || 8, &now);
    keeper.sample(&[sample("lagoon-temp", now, 26.5)]);
    now.mono = now.mono + Span::minutes(20);
    keeper.tend(&now);
    assert_eq!(keeper.ailment(), Some(said.as_str()), "until a person has moved the old one away");
    keeper.close(|| 8, &now);
    drop(keeper);
    let (keeper, left) = open(&path, "one", &now);
    let numbers: Vec<Seq> = left.records.iter().map(|record| record.seq).collect();
    assert_eq!((keeper.ailment(), left.next_seq, numbers), (None, 12, vec![8, 9, 10, 11]));
    let minutes = JournalLog::open(&path).unwrap().readings("lagoon-temp", Wall(0), now.wall).unwrap();
    assert!(!minutes.is_empty(), "readings go on in the new one");
}

#[test]
fn the_time_away_is_known_to_a_minute_although_readings_are_written_every_ten() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.sqlite");
    let (mut keeper, _) = open(&path, "one", &seconds(0, 0));
    keeper.keep(vec![settled(1, seconds(0, 0))], || 1, &seconds(0, 0));
    for second in 0..=570 {
        keeper.tend(&seconds(second, second));
    }
    assert!(keeper.due().is_some_and(|due| due <= Moment(600_000)));
    drop(keeper);
    let gap = |boot, now: Now| open(&path, boot, &now).1.gap;
    assert_eq!(gap("one", seconds(600, 600)), Some(Span::seconds(60)));
    // The beat of the second start is newer.
    let (mut keeper, _) = open(&path, "two", &seconds(7, 2_000));
    keeper.tend(&seconds(7, 2_000));
    drop(keeper);
    assert_eq!(gap("three", seconds(5, 2_100)), Some(Span::seconds(100)));
    let alive = JournalLog::open(&path).unwrap().alive().unwrap();
    assert_eq!(alive.first().map(|(wall, _)| wall.0 - T0), Some(540_000), "{alive:?}");

    // A torn beat leaves the one before it.
    let pulse = fs::OpenOptions::new().write(true).open(beside(&path, "-pulse")).unwrap();
    let whole = fs::read(beside(&path, "-pulse")).unwrap();
    for place in [0, 4096] {
        pulse.write_all_at(&[b'x'; 40], place).unwrap();
        assert!(super::pulse::read(&path).is_some());
        pulse.write_all_at(&whole, 0).unwrap();
    }
}

#[test]
fn a_delay_that_ran_when_the_watch_was_killed_has_run_on_until_the_pulse() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.sqlite");
    let untrusted = |mono: i64| Now { wall_trusted: false, ..seconds(mono, mono) };
    let (mut keeper, _) = open(&path, "one", &untrusted(0));
    keeper.keep(vec![settled(1, untrusted(0))], || 1, &untrusted(0));
    for second in 0..=300 {
        keeper.tend(&untrusted(second));
    }
    drop(keeper);
    // After a reboot under a clock that nobody vouches for, five minutes are known to have passed.
    let (_, left) = open(&path, "two", &untrusted(10));
    assert_eq!(left.records[0].at.mono, Moment(10_000 - 300_000));
    assert_eq!(left.gap, None);
}

#[test]
fn times_that_no_clock_can_have_said_are_not_handed_on() {
    let odd = [i64::MAX, i64::MIN, -1, i64::MAX / 2, 9_000_000_000_000_000];
    for (column, table) in [("mono", "records"), ("wall", "records"), ("offset", "boots"), ("alive", "boots")]
    {
        for value in odd {
            for which in ["1", "5", "9"] {
                let (_folder, path) = killed(9);
                let db = Connection::open(&path).unwrap();
                let only = if table == "records" { format!(" WHERE seq = {which}") } else { String::new() };
                db.execute(&format!("UPDATE {table} SET {column} = ?{only}"), [value]).unwrap();
                db.close().unwrap();
                for (boot, now) in [("one", seconds(62, 62)), ("two", seconds(5, 62))] {
                    let (keeper, left) = open(&path, boot, &now);
                    assert_eq!(left.records.len(), 9, "{column} {value} {which} {:?}", keeper.ailment());
                    for record in &left.records {
                        let ago = now.mono - record.at.mono;
                        let since = (now.wall - record.at.wall).0.abs();
                        assert!(
                            ago >= Span::ZERO
                                && ago <= Span::seconds(62)
                                && (since < 3_600_000 || table == "boots"),
                            "{column} {value} {which} {boot}: {record:?}"
                        );
                    }
                }
            }
        }
    }
    // In another year that there will be, but not yet.
    let (_folder, path) = killed(3);
    let db = Connection::open(&path).unwrap();
    db.execute("UPDATE records SET wall = 3000000000000 WHERE seq = 2", []).unwrap();
    db.close().unwrap();
    let (_, left) = open(&path, "one", &seconds(62, 62));
    assert!(left.records.iter().all(|record| record.at.wall <= seconds(62, 62).wall), "{:?}", left.records);
}

/// A small disk of its own; nothing where that is not permitted, which is said.
struct Disk(PathBuf, TempDir);

impl Disk {
    fn new(size: &str) -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("disk");
        fs::create_dir(&path).unwrap();
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"])
            .arg(&path)
            .output()
            .is_ok_and(|output| output.status.success());
        if !mounted {
            eprintln!("LEFT OUT: a small disk can't be mounted here (that takes root), so none is filled");
            return None;
        }
        Some(Self(path, folder))
    }

    fn remount(&self, how: &str) {
        let options = format!("remount,{how}");
        assert!(Command::new("mount").args(["-o", &options]).arg(&self.0).status().unwrap().success());
    }

    /// Takes every byte that is left.
    fn fill(&self) {
        use std::io::Write;
        let mut file = fs::OpenOptions::new().create(true).append(true).open(self.0.join("ballast")).unwrap();
        for size in [64 << 10, 4 << 10, 1] {
            while file.write_all(&vec![0; size]).is_ok() {}
        }
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
        let _ = &self.1;
    }
}

fn answered(seq: Seq, at: Now) -> Record {
    let by = By { who: "ines".to_owned(), via: "text".to_owned() };
    Record { seq, at, body: Body::Answered { call: 1, by, lease: Span::hours(1) } }
}

#[test]
fn an_answer_that_is_given_on_a_full_disk_survives_a_kill_and_readings_take_no_room_for_it() {
    let Some(disk) = Disk::new("6m") else { return };
    let path = disk.0.join("journal.sqlite");
    let (mut keeper, _) = open(&path, "one", &seconds(1, 1));
    keeper.tend(&seconds(1, 1));
    assert_eq!(fs::metadata(beside(&path, "-reserve")).unwrap().len(), 512 << 10);
    keeper.keep(vec![settled(1, seconds(2, 2))], || 1, &seconds(2, 2));
    disk.fill();
    let mut seq = 1;
    // Each has a kilobyte in it: the log of writes alone is full many times over.
    for turn in 0..400 {
        let at = seconds(10 + turn, 10 + turn);
        let changes = vec!["x".repeat(1_000)];
        let unimportant = Record { seq: seq + 1, at, body: Body::Reloaded { changes } };
        seq += 2;
        keeper.keep(vec![unimportant, answered(seq, at)], || seq, &at);
        keeper.tend(&at);
        disk.fill();
    }
    let sizes =
        ["", "-wal", "-reserve"].map(|suffix| fs::metadata(beside(&path, suffix)).map(|it| it.len()).ok());
    assert_eq!(keeper.trouble, None, "nothing is owed: {sizes:?}");
    let said = keeper.ailment().unwrap_or_default().to_owned();
    assert!(said.contains("no room left") && said.contains("only alarms and call-outs are kept"), "{said}");
    // What a kill would leave.
    let left = tempfile::tempdir().unwrap();
    let copy = left.path().join("journal.sqlite");
    for suffix in ["", "-wal", "-pulse"] {
        fs::copy(beside(&path, suffix), beside(&copy, suffix)).unwrap();
    }
    let kept = numbers(&copy);
    assert_eq!(kept.last(), Some(&seq));
    let answers: Vec<Seq> = (0..400).map(|turn| 3 + turn * 2).collect();
    assert_eq!(answers.iter().find(|answer| !kept.contains(answer)), None, "an answer was lost");
    assert!(kept.len() < 500, "what matters less took the room: {}", kept.len());
    let (_, inherited) = open(&copy, "one", &seconds(500, 500));
    assert!(matches!(&inherited.records[..], [Record { body: Body::Answered { .. }, .. }]));

    // The pulse needs no room either; and with room again everything is kept, and room set aside.
    assert_eq!(super::pulse::read(&path).map(|beat| beat.last), Some(seq));
    fs::remove_file(disk.0.join("ballast")).unwrap();
    keeper.tend(&seconds(600, 600));
    assert_eq!(keeper.ailment(), None);
    assert_eq!(fs::metadata(beside(&path, "-reserve")).unwrap().len(), 512 << 10);
}

#[test]
fn a_read_only_disk_is_read_and_what_it_says_is_gone_on_from() {
    for with_log in [true, false] {
        let Some(disk) = Disk::new("8m") else { return };
        let path = disk.0.join("journal.sqlite");
        let (mut keeper, _) = open(&path, "one", &seconds(1, 1));
        keeper.keep(vec![settled(1, seconds(2, 2)), answered(2, seconds(2, 2))], || 1, &seconds(2, 2));
        if with_log {
            // As a kill leaves it: SQLite's files beside it stay.
            let other = beside(&path, ".copy");
            for suffix in ["", "-wal", "-shm", "-pulse"] {
                fs::copy(beside(&path, suffix), beside(&other, suffix)).unwrap();
            }
            drop(keeper);
            for suffix in ["", "-wal", "-shm", "-pulse"] {
                fs::rename(beside(&other, suffix), beside(&path, suffix)).unwrap();
            }
        } else {
            drop(keeper);
        }
        disk.remount("ro");
        let (mut keeper, left) = open(&path, "one", &seconds(32, 32));
        assert_eq!(left.records.iter().map(|record| record.seq).collect::<Vec<_>>(), [1, 2], "{with_log}");
        assert_eq!((left.next_seq, left.gap), (3, Some(Span::seconds(30))));
        let said = keeper.ailment().unwrap_or_default();
        assert!(said.contains("can't be opened or written"), "{said}");
        keeper.keep(vec![settled(3, seconds(33, 33))], || 1, &seconds(33, 33));
        assert!(keeper.trouble().is_some());
        disk.remount("rw");
        keeper.keep(vec![settled(4, seconds(90, 90))], || 1, &seconds(90, 90));
        assert_eq!((keeper.ailment(), numbers(&path)), (None, vec![1, 2, 3, 4]));
    }
}

/// What this thread has caused to be written to disks so far, in bytes (proc(5), `io`).
fn written() -> u64 {
    let io = fs::read_to_string("/proc/thread-self/io").unwrap();
    let line = io.lines().find_map(|line| line.strip_prefix("write_bytes: "));
    line.unwrap().parse().unwrap()
}

#[test]
fn a_day_of_twenty_sensors_at_a_reading_a_second_costs_a_card_little() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.sqlite");
    let names: Vec<std::sync::Arc<str>> = (0..20).map(|nth| format!("temp-{nth:02}").into()).collect();
    let (mut keeper, _) = open(&path, "one", &seconds(0, 0));
    let mut samples = Vec::new();
    let day = 24 * 3_600;
    let before = written();
    for second in 0..day {
        samples.clear();
        for (nth, sensor) in (0..).zip(&names) {
            // Water that warms and cools over hours, seen through a probe of 0.01 K.
            let degrees: f64 = 25.0 + (f64::from(second) / 5_000.0 + f64::from(nth)).sin();
            samples.push(Sample {
                sensor: sensor.clone(),
                at: Moment(i64::from(second) * 1_000),
                value: Some(Value::Number((degrees * 100.0).round() / 100.0)),
                quality: Quality::Good,
            });
        }
        keeper.sample(&samples);
        keeper.tend(&seconds(second.into(), second.into()));
    }
    let day_written = written() - before;
    if day_written == 0 {
        eprintln!("LEFT OUT: what is written to a file system in memory is not counted");
        return;
    }
    keeper.close(|| 1, &seconds(day.into(), day.into()));
    let size: u64 = ["", "-minutes"]
        .iter()
        .filter_map(|end| fs::metadata(beside(&path, end)).ok())
        .map(|it| it.len())
        .sum();
    eprintln!("{day_written} bytes written, {size} bytes on the disk");
    assert!(day_written <= 3 << 19, "{day_written} bytes");
}

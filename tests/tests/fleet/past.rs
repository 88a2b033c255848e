//! A site whose journal has a past: a week without a link, and an old card.

use super::{Fleet, IN_TIME};
use slackwater::journal::{BootId, Journal, JournalLimits};
use slackwater_rules::record::{Body, Record};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use slackwater_tests::agent::until;
use std::path::{Path, PathBuf};
use std::time::Instant;

/// What a watch keeps: the journal, what stands beside it, and how far its events are stored.
fn on_the_card(folder: &Path) -> Vec<PathBuf> {
    let files = std::fs::read_dir(folder).expect("a folder").flatten().map(|file| file.path());
    let is = |path: &PathBuf| {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        name.starts_with("journal.sqlite") || name == "events.json"
    };
    files.filter(is).collect()
}

fn copy_card(from: &Path, to: &Path) {
    for file in on_the_card(from) {
        std::fs::copy(&file, to.join(file.file_name().expect("a name"))).expect("copied");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_site_from_an_old_card_goes_on_under_another_epoch_and_nothing_of_either_life_is_lost() {
    let Some(fleet) = Fleet::build() else { return };
    let (board, _shed, site) = (fleet.board(), fleet.keep(), fleet.watch());
    fleet.alarm(&board, 1);
    fleet.all_is_kept("ASC");
    site.terminate();
    let card = tempfile::tempdir().expect("a folder");
    copy_card(fleet.site.folder(), card.path());

    let site = fleet.watch();
    for room in 2..=4 {
        fleet.alarm(&board, room);
    }
    fleet.all_is_kept("ASC");
    site.terminate();
    let first_life = fleet.site.records();
    on_the_card(fleet.site.folder()).iter().for_each(|file| std::fs::remove_file(file).expect("removed"));
    copy_card(card.path(), fleet.site.folder());
    let site = fleet.watch();
    fleet.alarm(&board, 5);
    let said = |log: String| log.contains("gone back in time").then_some(());
    until("that it is seen", IN_TIME, || said(fleet.site.log()), || fleet.story());
    let sql = "SELECT count(*) FROM fleet.sites_v1 WHERE site = 'halyard'";
    fleet.kept("another epoch", sql, |lines| lines == ["2"]);
    until(
        "that it is said",
        IN_TIME,
        || fleet.shed.log().contains("another epoch").then_some(()),
        || fleet.story(),
    );
    site.terminate();
    let site = fleet.watch();
    // Of the second life, what the card did not have is there; of the first one, everything is.
    let begins = "SELECT begins FROM fleet.sites_v1 WHERE latest";
    let begins: u64 = fleet.database.query(begins).expect("read")[0].parse().expect("a number");
    assert!(begins <= first_life.last().expect("some").seq, "{begins}");
    let second: Vec<String> = fleet
        .site
        .records()
        .iter()
        .map(|it| it.seq)
        .filter(|it| *it >= begins)
        .map(|it| it.to_string())
        .collect();
    let last = second.last().expect("some").clone();
    let of = |order: &str, last: &str| {
        format!(
            "SELECT number FROM fleet.events_v1 WHERE number <= {last} AND epoch = \
             (SELECT epoch FROM fleet.sites_v1 ORDER BY first_heard {order} LIMIT 1) ORDER BY number"
        )
    };
    fleet.kept("the second life", &of("DESC", &last), |lines| lines == second);
    let first: Vec<String> = first_life.iter().map(|it| it.seq.to_string()).collect();
    assert_eq!(fleet.database.query(&of("ASC", "1000000")).expect("read"), first);
    drop(site);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_backlog_of_weeks_is_caught_up_in_bounded_packs() {
    let Some(fleet) = Fleet::build() else { return };
    let now = jiff::Timestamp::now().as_millisecond();
    // Three hundred records an hour: a house in great trouble.
    let count = 7 * 24 * 300;
    let opened = Journal::open(&fleet.site.journal(), BootId("before".to_owned()), JournalLimits::default());
    let (mut journal, _) = opened.expect("a journal");
    let records: Vec<Record> = (1..=count)
        .map(|seq| {
            let ago = Span::seconds((count - seq) as i64 * 12);
            let wall = Wall(now) - ago;
            let mono = Moment(wall.0 - (now - 8 * 24 * 3_600_000));
            let body = Body::Blipped {
                alarm: "power-lost".to_owned(),
                count: 1,
                longest: Span::seconds(2),
                since: Span::seconds(3),
            };
            Record { seq, at: Now { mono, wall, wall_trusted: true }, body }
        })
        .collect();
    for some in records.chunks(1_000) {
        journal.commit(some, count).expect("kept");
    }
    drop(journal);
    let (_board, shed, site) = (fleet.board(), fleet.keep(), fleet.watch());
    let begun = Instant::now();
    fleet.kept("the last of them", "SELECT count(*), max(number) FROM fleet.events_v1", |lines| {
        let last = lines[0].split('|').nth(1).and_then(|last| last.parse::<u64>().ok());
        last.is_some_and(|last| last >= count)
    });
    let (took, rate) = (begun.elapsed(), count as f64 / begun.elapsed().as_secs_f64());
    println!(
        "{count} records in {took:.1?}, {rate:.0} a second; the site has {} KiB, the witness {} KiB",
        site.kibibytes("VmHWM"),
        shed.kibibytes("VmHWM")
    );
    fleet.all_is_kept("ASC");
}

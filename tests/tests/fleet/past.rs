//! A site whose journal has a past: a week without a link, and an old card.

use super::{Fleet, IN_TIME, copy};
use slackwater::journal::{BootId, Journal, JournalLimits};
use slackwater_rules::record::{Body, Record};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use slackwater_tests::agent::until;
use std::time::Instant;

const FILES: [&str; 6] =
    ["journal.sqlite", "journal.sqlite-wal", "journal.sqlite-shm", "journal.sqlite-minutes", "pulse", "events.json"];

#[tokio::test(flavor = "multi_thread")]
async fn a_site_from_an_old_card_goes_on_under_another_epoch_and_nothing_of_either_life_is_lost() {
    let Some(fleet) = Fleet::build() else { return };
    let (board, _shed, site) = (fleet.board(), fleet.keep(), fleet.watch());
    let raised = fleet.alarm(&board, 0);
    fleet.all_is_kept("ASC");
    site.terminate();
    let card = tempfile::tempdir().expect("a folder");
    copy(&fleet.site, &FILES, card.path());

    let site = fleet.watch();
    let mut later = raised;
    for _ in 0..3 {
        later = fleet.alarm(&board, later);
    }
    fleet.all_is_kept("ASC");
    site.terminate();
    let first_life = fleet.site.records();
    for name in FILES {
        let _ = std::fs::remove_file(fleet.site.path(name));
        if std::fs::exists(card.path().join(name)).expect("looked") {
            std::fs::copy(card.path().join(name), fleet.site.path(name)).expect("copied");
        }
    }
    let site = fleet.watch();
    fleet.alarm(&board, raised);
    let said = |log: String| log.contains("gone back in time").then_some(());
    until("that it is seen", IN_TIME, || said(fleet.site.log()), || fleet.story());
    let sql = "SELECT count(*) FROM fleet.sites_v1 WHERE site = 'halyard'";
    fleet.kept("another epoch", sql, |lines| lines == ["2"]);
    until("that it is said", IN_TIME, || fleet.shed.log().contains("another epoch").then_some(()), || {
        fleet.story()
    });
    site.terminate();
    let site = fleet.watch();
    // Of the second life, what the card did not have is there; of the first one, everything is.
    let begins = "SELECT begins FROM fleet.sites_v1 WHERE latest";
    let begins: u64 = fleet.database.query(begins).expect("read")[0].parse().expect("a number");
    assert!(begins <= first_life.last().expect("some").seq, "{begins}");
    let second: Vec<String> = fleet.site.records().iter().map(|it| it.seq).filter(|it| *it >= begins).map(|it| it.to_string()).collect();
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

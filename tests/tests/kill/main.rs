//! A power supply that fails, again and again: the running watch is killed without warning at a
//! hundred random instants of one call-out and started again each time, on a real mosquitto and
//! a scripted mail server, with its journal on the disk. Nothing may get lost; only what was in
//! flight may come twice, and says so.

#![cfg(test)]

mod states;

use mail_parser::MessageParser;
use slackwater_rules::record::{Body, NoMore, Outcome, Purpose, Record, Seq};
use slackwater_tests::house::{House, RULES};
use slackwater_tests::mosquitto;
use slackwater_tests::proof::random::Random;
use slackwater_tests::smtp::Taken;
use std::collections::{BTreeMap, BTreeSet};
use std::process::Stdio;
use std::thread;
use std::time::{Duration, Instant};

const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

const KILLS: usize = 100;

/// The longest life between two kills, at least: most are long enough for a start and several
/// pages. Where a start takes long, as on a machine that has much to do, so do lives.
const LONGEST_LIFE: Duration = Duration::from_millis(900);
const LIVES_A_START: u32 = 4;

/// One call-out that pages all the time, by mail alone.
fn rules() -> String {
    let (before, after) = RULES.split_once("steps = [").expect("a call-out");
    let (_, after) = after.split_once("\nsettle").expect("its end");
    format!(
        "{before}steps = [
  {{ after = \"0 s\", to = [\"ines.mail\"] }},
  {{ after = \"200 ms\", to = [\"ines.mail\", \"tom.mail\"] }},
  {{ after = \"400 ms\", to = [\"neighbour.mail\"] }},
]
again  = \"100 ms\"
lease  = \"200 ms\"
settle{after}"
    )
    .replace("[sight]\nafter   = \"2 s\"", "[sight]\nafter   = \"1 h\"")
}

/// A page as it arrived.
struct Arrived {
    page: Seq,
    message_id: String,
    said_repeat: bool,
    address: String,
}

fn arrived(taken: &[Taken]) -> Vec<Arrived> {
    let read = |mail: &Taken| {
        let parsed = MessageParser::default().parse(&mail.data).expect("a mail");
        let message_id = parsed.message_id().expect("a Message-ID").to_owned();
        let number = message_id.strip_prefix("page-").and_then(|rest| rest.split('.').next());
        Arrived {
            page: number.and_then(|number| number.parse().ok()).expect("a page's number"),
            message_id,
            said_repeat: parsed.subject().is_some_and(|subject| subject.starts_with("(possible repeat)")),
            address: mail.to.concat(),
        }
    };
    taken.iter().map(read).collect()
}

/// How often each page may have been tried: once when it was planned, and once after each start
/// at which its fate was not known.
fn tries(records: &[Record]) -> BTreeMap<Seq, usize> {
    let mut tries = BTreeMap::new();
    let mut pending = BTreeSet::new();
    for record in records {
        match &record.body {
            Body::Paged { .. } => {
                tries.insert(record.seq, 1);
                pending.insert(record.seq);
            }
            Body::Delivered { page, .. } => drop(pending.remove(page)),
            Body::Started { .. } => {
                pending.iter().filter_map(|page| tries.get_mut(page).map(|n: &mut usize| *n += 1)).count();
            }
            _ => {}
        }
    }
    assert_eq!(pending, BTreeSet::new(), "pages without a fate");
    tries
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_hundred_kills_lose_no_episode_and_no_page_and_repeat_only_what_was_in_flight() {
    if !mosquitto::available() {
        return;
    }
    let house = House::build(SLACKWATER).await.expect("the house can be set up");
    house.home.write("rules.toml", &rules()).expect("written");
    house.home.say(&["check"]).well();
    let mut random = Random(2026);
    let begun = Instant::now();
    let running = house.watch();
    let longest = LONGEST_LIFE.max(begun.elapsed() * LIVES_A_START);
    house.board.set("house/mains", "off");
    let raised = house.home.record("the power cut", 0, |body| matches!(body, Body::Raised { .. }));
    let Body::Raised { code, .. } = &raised.body else { panic!("it was looked for") };
    running.kill();
    let mut taken_answers = 0;
    for nth in 1..KILLS {
        let life = random.below(u64::try_from(longest.as_micros()).expect("it is short"));
        let watch = house.home.start().expect("it starts");
        let mut answer = house.home.command(&["ack", code, "--as", "ines"]);
        // Not waiting for anything: the instant is what is tested.
        thread::sleep(Duration::from_micros(life));
        if nth % 10 == 0 {
            // The kill comes while the answer is on its way, before it, or just after.
            let answer = answer.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("it starts");
            thread::sleep(Duration::from_micros(random.below(60_000)));
            watch.kill();
            let said = answer.wait_with_output().expect("it ends");
            taken_answers += usize::from(said.status.success());
        } else {
            watch.kill();
        }
    }
    let last = house.watch();
    house.board.set("house/mains", "on");
    house.home.record("the end", 0, |body| matches!(body, Body::CallEnded { .. }));
    last.terminate();

    let records = house.home.records();
    let starts = one_story(&records);
    let answers = records.iter().filter(|record| matches!(record.body, Body::Answered { .. })).count();
    assert!(answers >= taken_answers, "{taken_answers} answers were said to be taken, {answers} are kept");
    let taken = house.mail.taken(0).await;
    let (pages, arrived) = every_page_arrived(&records, &taken);
    eprintln!(
        "{KILLS} kills, {starts} starts that got as far as the journal, {} records, {pages} pages of which \
         {arrived} arrived, in {} mails, {answers} answers of which {taken_answers} were confirmed",
        records.len(),
        taken.len(),
    );
    assert!(starts > KILLS / 3, "most lives were long enough to matter: {starts}");
}

/// One episode, one call-out, one all-clear to each, over all lives. Says how many there were.
fn one_story(records: &[Record]) -> usize {
    let count = |is: fn(&Body) -> bool| records.iter().filter(|record| is(&record.body)).count();
    assert!(records.is_sorted_by(|a, b| a.seq < b.seq), "numbers count up");
    assert!(records.is_sorted_by(|a, b| a.at.mono <= b.at.mono), "and so does time");
    assert_eq!(count(|body| matches!(body, Body::Raised { .. })), 1, "one episode");
    assert_eq!(count(|body| matches!(body, Body::Returned { .. })), 1);
    assert_eq!(count(|body| matches!(body, Body::CallBegan { .. })), 1, "one call-out");
    assert_eq!(count(|body| matches!(body, Body::CallEnded { .. })), 1);
    let cleared = records.iter().filter_map(|record| match &record.body {
        Body::Paged { purpose: Purpose::AllClear, target, .. } => Some(target.as_str()),
        _ => None,
    });
    let mut cleared: Vec<&str> = cleared.collect();
    cleared.sort_unstable();
    // Whoever has answered is asked by all their ways, if the watch lives until then: by push too.
    cleared.retain(|target| *target != "ines.push");
    assert_eq!(cleared, ["ines.mail", "neighbour.mail", "tom.mail"], "one to each who was asked");
    count(|body| matches!(body, Body::Started { .. }))
}

/// Every page arrived, or the journal says that it was called back; no oftener than it was tried;
/// and copies say what they are. Says how many pages there were, and how many arrived.
fn every_page_arrived(records: &[Record], taken: &[Taken]) -> (usize, usize) {
    let tries = tries(records);
    let fate = |page: Seq| {
        let mut fates = records.iter().rev().filter_map(|record| match &record.body {
            Body::Delivered { page: of, result } if *of == page => Some(result),
            _ => None,
        });
        fates.next().expect("every page has a fate")
    };
    let mut copies: BTreeMap<Seq, Vec<Arrived>> = BTreeMap::new();
    for page in arrived(taken) {
        copies.entry(page.page).or_default().push(page);
    }
    let number = copies.len();
    for record in records {
        let Body::Paged { target, .. } = &record.body else { continue };
        if !target.ends_with(".mail") {
            continue;
        }
        let (page, fate) = (record.seq, fate(record.seq));
        let got = copies.remove(&page).unwrap_or_default();
        let called_back = matches!(fate, Outcome::Withdrawn | Outcome::GivenUp { why: NoMore::NotNeeded });
        assert!(called_back || !got.is_empty(), "page {page} to {target} never arrived, although: {fate}");
        assert!(called_back || matches!(fate, Outcome::Accepted { .. }), "page {page}: {fate}");
        assert!(got.len() <= tries[&page], "page {page} came {} times", got.len());
        for (nth, copy) in got.iter().enumerate() {
            assert!(nth == 0 || copy.said_repeat, "copy {nth} of page {page} does not say so");
            assert_eq!(copy.message_id, got[0].message_id, "the receiver can tell");
            assert_eq!(copy.address, got[0].address);
        }
    }
    let unknown: Vec<_> = copies.keys().collect();
    assert_eq!(unknown, Vec::<&Seq>::new(), "pages that were sent before they were kept");
    (tries.len(), number)
}

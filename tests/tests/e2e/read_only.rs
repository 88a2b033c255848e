//! A disk that takes no writes any more, as worn-out cards end: what stood when it did is gone on
//! from.

use super::{SLACKWATER, is_raised};
use slackwater_rules::record::Body;
use slackwater_tests::agent::{Home, until};
use slackwater_tests::disk::MemoryDisk;
use slackwater_tests::house::House;
use std::time::Duration;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_open_call_out_goes_on_with_its_code_from_a_disk_that_became_read_only() {
    if !slackwater_tests::mosquitto::available() {
        return;
    }
    let mut home = Home::new(SLACKWATER).expect("a folder");
    let Some(disk) = MemoryDisk::mount(&home.path("disk"), "none is made read-only") else { return };
    home.keep_journal_in("disk/journal.sqlite");
    let house = House::build_in(home).await.expect("the house can be set up");
    let agent = house.watch();
    house.board.set("house/mains", "off");
    let raised = house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    let Body::Raised { code, .. } = raised.body else { panic!("it was asked for") };
    house.home.record("a page", raised.seq, |body| matches!(body, Body::Delivered { .. }));
    agent.kill();
    disk.remount("ro");

    let mut agent = house.home.start().expect("the program starts");
    agent.hears();
    house.status("the call-out with its code, and what is wrong with the disk", |status| {
        let shown = status.to_string();
        let open = status["status"]["calls"].as_array()?.iter().any(|call| call["code"] == code.as_str());
        (open && shown.contains("can't be opened or written")).then_some(())
    });
    let answer = house.home.say(&["ack", &code, "--as", "ines"]).well();
    assert!(answer.contains("power lost, acknowledged by Ines"), "{answer}");

    // What was owed is written as soon as the disk takes it.
    disk.remount("rw");
    let answered = |body: &Body| matches!(body, Body::Acknowledged { alarm, .. } if alarm == "power-lost");
    let kept = || house.home.records().iter().any(|record| answered(&record.body)).then_some(());
    until("the answer", Duration::from_secs(90), kept, || house.home.log());
    agent.terminate();
}

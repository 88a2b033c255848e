//! A disk that others have filled to the last byte, as logs and pictures do: what must not be lost
//! is kept in the room that was set aside at start, and a power supply that fails then loses none
//! of it.

use super::{SLACKWATER, is_raised};
use slackwater_rules::record::{Body, Purpose, Record, Seq};
use slackwater_tests::agent::{Home, until};
use slackwater_tests::disk::MemoryDisk;
use slackwater_tests::house::House;
use std::time::Duration;

fn is_answer(body: &Body) -> bool {
    matches!(body, Body::Acknowledged { alarm, .. } if alarm == "power-lost")
}

fn seq_of(records: &[Record], is: impl Fn(&Body) -> bool) -> Option<Seq> {
    records.iter().find(|record| is(&record.body)).map(|record| record.seq)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_alarm_and_an_answer_given_while_the_disk_is_full_survive_a_kill_and_the_call_out_goes_on() {
    if !slackwater_tests::mosquitto::available() {
        return;
    }
    let mut home = Home::new(SLACKWATER).expect("a folder");
    let Some(disk) = MemoryDisk::mount(&home.path("disk"), "none is filled") else { return };
    home.keep_journal_in("disk/journal.sqlite");
    let house = House::build_in(home).await.expect("the house can be set up");
    let agent = house.watch();
    let taken = disk.fill().expect("it can be filled");
    assert!(taken > 1 << 20, "others had room too: {taken}");

    let is_full =
        |status: &serde_json::Value| status.to_string().contains("only alarms and call-outs are kept");
    let told = || {
        let said = house.home.say(&["status", "--json"]);
        is_full(&serde_json::from_str(&said.out).ok()?).then_some(())
    };
    // It is looked after once a minute, if no reading finds it out before.
    until("that the disk is full", Duration::from_secs(90), told, || house.home.log());

    house.board.set("house/mains", "off");
    let raised = house.home.record("the power cut", 0, |body| is_raised(body, "power-lost"));
    let Body::Raised { code, .. } = &raised.body else { panic!("it was asked for") };
    house.home.record("a page", raised.seq, |body| matches!(body, Body::Paged { .. }));
    let answer = house.home.say(&["ack", code, "--as", "ines"]).well();
    assert!(answer.contains("Lagoon: power lost, acknowledged by Ines"), "{answer}");
    // Whatever became free is taken by others at once.
    disk.fill().expect("it can be filled");
    agent.kill();

    let kept = house.home.records();
    assert_eq!(seq_of(&kept, |body| is_raised(body, "power-lost")), Some(raised.seq));
    let answered = seq_of(&kept, is_answer).expect("the answer is kept");

    let mut agent = house.home.start().expect("the program starts");
    agent.hears();
    house.status("the call-out with its code", |status| {
        let open = status["status"]["calls"].as_array()?.iter().any(|call| call["code"] == code.as_str());
        open.then_some(())
    });
    // The answer held over the kill; when it has run out, people are asked again.
    let began = seq_of(&house.home.records(), |body| matches!(body, Body::Started { .. }));
    assert!(began.is_some_and(|first| first < answered), "the journal is the same one");
    let page = house.home.record("a page after the answer ran out", answered, |body| {
        matches!(body, Body::Paged { purpose: Purpose::Call, .. })
    });
    let went = |body: &Body| matches!(body, Body::Delivered { page: of, .. } if *of == page.seq);
    house.home.record("what became of it", page.seq, went);

    // With room again there is nothing left to say.
    disk.empty().expect("it can be removed");
    let well = || {
        (!house.home.say(&["status", "--json"]).out.contains("only alarms and call-outs are kept"))
            .then_some(())
    };
    until("no word of a full disk", Duration::from_secs(90), well, || house.home.log());
    agent.terminate();
}

//! The watch is killed while a call-out is in a state that only the journal knows: answered,
//! asking, held by quiet hours, a mass, latched. Its times go on, nobody is told twice, and nobody
//! is forgotten.

use super::{SLACKWATER, every_page_arrived};
use slackwater_rules::record::{Body, CallChange, CallKind, HeldBy, Purpose, Record};
use slackwater_rules::time::Span;
use slackwater_tests::house::{House, RULES};
use slackwater_tests::mosquitto;
use slackwater_tests::proof::random::Random;
use std::thread;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// The house's rule file with another ladder.
fn rules(ladder: &str, more: &str) -> String {
    let (before, after) = RULES.split_once("[callout.household]").expect("a call-out");
    let (_, after) = after.split_once("[work.feeding]").expect("its end");
    format!("{before}[callout.household]\n{ladder}\n[work.feeding]{after}\n{more}")
        .replace("[sight]\nafter   = \"2 s\"", "[sight]\nafter   = \"1 h\"")
}

/// So many lives, each ended without a warning at a random instant.
fn die(house: &House, random: &mut Random, lives: usize) {
    for _ in 0..lives {
        let watch = house.home.start().expect("it starts");
        // Not waiting for anything: the instant is what is tested.
        thread::sleep(Duration::from_micros(200_000 + random.below(700_000)));
        watch.kill();
    }
}

fn changed(is: impl Fn(&CallChange) -> bool) -> impl Fn(&Body) -> bool {
    move |body| matches!(body, Body::CallChanged { change, .. } if is(change))
}

fn count(records: &[Record], is: impl Fn(&Body) -> bool) -> usize {
    records.iter().filter(|record| is(&record.body)).count()
}

fn paged(purpose: Purpose) -> impl Fn(&Body) -> bool {
    move |body| matches!(body, Body::Paged { purpose: of, .. } if *of == purpose)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_lease_and_the_time_to_say_a_word_go_on_through_kills() {
    if !mosquitto::available() {
        return;
    }
    let house = House::build(SLACKWATER).await.expect("the house can be set up");
    let ladder = "steps = [\n  { after = \"0 s\", to = [\"ines.mail\"] },\n  { after = \"1 h\", to = [\"tom.mail\"] },\n]\n\
                  again = \"1 h\"\nlease = \"6 s\"\nrenew = \"4 s\"\nsettle = \"1 s\"\n";
    house.home.write("rules.toml", &rules(ladder, "")).expect("written");
    house.home.say(&["check"]).well();
    let mut random = Random(41);
    let running = house.watch();
    house.board.set("house/mains", "off");
    let raised = house.home.record("the power cut", 0, |body| matches!(body, Body::Raised { .. }));
    let Body::Raised { code, .. } = &raised.body else { panic!("it was looked for") };
    house.home.say(&["ack", code, "--as", "ines"]).well();
    running.kill();
    die(&house, &mut random, 4);
    let running = house.watch();
    let asks = house.home.record("it asks", 0, changed(|change| matches!(change, CallChange::Asks { .. })));
    running.kill();
    die(&house, &mut random, 4);
    let last = house.watch();
    let rung = changed(|change| matches!(change, CallChange::Rung { .. }));
    let second = house.home.record("the next is told", asks.seq, &rung);
    house.board.set("house/mains", "on");
    house.home.record("the end", 0, |body| matches!(body, Body::CallEnded { .. }));
    last.terminate();

    let records = house.home.records();
    let answered = records.iter().find(|record| matches!(record.body, Body::Answered { .. })).expect("one");
    let (lease, renew) = (asks.at.mono - answered.at.mono, second.at.mono - asks.at.mono);
    assert!(lease >= Span::seconds(6), "asked after {lease}");
    assert!(renew >= Span::seconds(4), "the next was told after {renew}");
    assert_eq!(count(&records, changed(|change| matches!(change, CallChange::Asks { .. }))), 1, "asked once");
    assert_eq!(count(&records, |body| matches!(body, Body::Answered { .. })), 1);
    every_page_arrived(&records, &house.mail.taken(0).await);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_quiet_hours_hold_is_held_through_kills() {
    if !mosquitto::available() {
        return;
    }
    let house = House::build(SLACKWATER).await.expect("the house can be set up");
    let seconds = SystemTime::now().duration_since(UNIX_EPOCH).expect("it is later").as_secs();
    let clock = |hours: u64| {
        let minute = (seconds / 60 + hours * 60) % (24 * 60);
        format!("{:02}:{:02}", minute / 60, minute % 60)
    };
    let ladder = format!(
        "steps = [{{ after = \"0 s\", to = [\"ines.mail\"] }}]\nagain = \"1 s\"\nlease = \"6 s\"\nsettle = \"1 s\"\n\
         quiet = [\"{}\", \"{}\"]\n",
        clock(22),
        clock(3)
    );
    let low = "[alarm.lagoon-cool]\ntank = \"lagoon\"\nwhen = \"lagoon-temp < 25 degC\"\npriority = \"low\"\n\
               response = [\"Look.\"]\ncallout = \"household\"\n";
    house.home.write("rules.toml", &rules(&ladder, low)).expect("written");
    house.home.say(&["check"]).well();
    let running = house.watch();
    house.board.set("lagoon/temperature", "24.6");
    let held = changed(|change| matches!(change, CallChange::Held { by: HeldBy::Quiet, .. }));
    house.home.record("it is held", 0, &held);
    running.kill();
    die(&house, &mut Random(42), 4);
    let last = house.watch();
    let open = |status: &serde_json::Value| Some(status["status"]["calls"].as_array()?.len());
    assert_eq!(house.status("it is open", open), 1);
    last.terminate();
    let records = house.home.records();
    assert_eq!(count(&records, &held), 1, "held once");
    assert_eq!(count(&records, |body| matches!(body, Body::Paged { .. })), 0, "nobody is told");
    assert_eq!(count(&records, |body| matches!(body, Body::CallBegan { .. })), 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_mass_that_latches_stays_one_and_has_no_all_clear_before_an_answer_through_kills() {
    if !mosquitto::available() {
        return;
    }
    let house = House::build(SLACKWATER).await.expect("the house can be set up");
    let ladder = "steps = [{ after = \"0 s\", to = [\"ines.mail\", \"tom.mail\"] }]\nagain = \"1 h\"\nlease = \"1 h\"\n\
                  settle = \"1 s\"\n";
    let many: String = (0..7)
        .map(|nth| {
            format!(
                "[alarm.cool-{nth}]\ntank = \"lagoon\"\nwhen = \"lagoon-temp < 24.{nth} degC\"\npriority = \"high\"\n\
                 latching = true\nresponse = [\"Look.\"]\ncallout = \"household\"\n"
            )
        })
        .collect();
    let (cold, _) = RULES.split_once("[alarm.lagoon-cold]").expect("it is there");
    assert!(cold.contains("[alarm.power-lost]"));
    house.home.write("rules.toml", &rules(ladder, &many)).expect("written");
    house.home.say(&["check"]).well();
    let mut random = Random(43);
    let running = house.watch();
    house.board.set("lagoon/temperature", "20.0");
    let mass = changed(|change| matches!(change, CallChange::Kind { kind: CallKind::Mass }));
    let begun = house.home.record("a mass", 0, &mass);
    running.kill();
    die(&house, &mut random, 3);
    let running = house.watch();
    house.board.set("lagoon/temperature", "25.5");
    let latched = |records: &[Record]| {
        let returned = changed(|change| matches!(change, CallChange::Returned { latched: true, .. }));
        (count(records, returned) >= 7).then_some(())
    };
    house.home.until("all are back and latched", latched);
    running.kill();
    die(&house, &mut random, 3);
    let Body::CallChanged { call, .. } = begun.body else { panic!("it was looked for") };
    let before = house.home.records();
    assert_eq!(count(&before, paged(Purpose::AllClear)), 0, "nobody has answered");
    let code = before.iter().find_map(|record| match &record.body {
        Body::CallBegan { code, .. } if record.seq == call => Some(code.clone()),
        _ => None,
    });
    let last = house.watch();
    house.home.say(&["ack", &code.expect("it began"), "--as", "ines"]).well();
    house.home.record("the end", 0, |body| matches!(body, Body::CallEnded { call: of } if *of == call));
    last.terminate();
    let records = house.home.records();
    assert_eq!(count(&records, mass), 1, "one mass");
    let all_clear = |target: &str| {
        count(&records, |body| {
            matches!(body, Body::Paged { call: of, target: to, purpose: Purpose::AllClear, .. }
                if *of == call && to == target)
        })
    };
    assert_eq!((all_clear("ines.mail"), all_clear("tom.mail")), (1, 1), "one to each who was told");
    every_page_arrived(&records, &house.mail.taken(0).await);
}

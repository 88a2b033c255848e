//! A power cut, the people who are asked, the one who answers, and the end.

use super::house;
use slackwater_rules::record::{Body};
use slackwater_tests::halyard::mails_to;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_power_cut_calls_people_until_one_answers_and_ends_with_one_all_clear_each() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    house.board.set("house/mains", "off");
    house.board.set("lagoon/return", r#"{"flow":{"rate":0}}"#);
    let raised = house.home.record("the power cut", 0, |body| matches!(body, Body::Raised { .. }));
    println!("{}", raised.body);
    let mails = house.mail.taken(3).await;
    println!("{}", mails_to(&mails, "tom@example.org").join("\n======\n"));
    println!("{}", house.home.say(&["status"]).well());
    println!("{}", house.home.say(&["explain", "power-lost"]).well());
    println!("{}", house.home.say(&["review"]).well());
    agent.terminate();
    println!("{}", house.home.log());
}

//! Silences that were announced.

use super::house_and_shed;
use slackwater_rules::record::Body;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_announced_silence_is_waited_for_and_rings_when_it_is_overdue() {
    let Some((house, site, shed)) = house_and_shed().await else { return };
    let silence = ["witness", "silence", "--for", "15 s", "--why", "the rack is moved", "--as", "ines"];
    let said = house.home.say(&silence).well();
    assert!(said.contains("a silence of 15 s planned by Ines"), "{said}");
    let is = |body: &Body| matches!(body, Body::Shelved { alarm, by, .. } if alarm == "halyard-silent" && by.via == "check-in");
    let shelved = shed.home.record("the witness's waiting", 0, is);
    assert!(
        shelved.body.to_string().contains("by ines (by check-in): the rack is moved"),
        "{}",
        shelved.body
    );
    site.kill();
    let is = |body: &Body| matches!(body, Body::SightLost { of, .. } if of == "halyard");
    let silent = shed.home.record("the silence", shelved.seq, is);
    let is = |body: &Body| matches!(body, Body::Unshelved { by: None, .. });
    let over = shed.home.record("the end of the wait", silent.seq, is);
    let (raised, because) = shed.rings(0);
    assert!(raised > over.seq, "not before the silence was overdue: {}", shed.home.log());
    assert!(because.contains("ines said it would be silent until "), "{because}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_silence_that_is_taken_back_is_waited_for_no_longer() {
    let Some((house, _site, shed)) = house_and_shed().await else { return };
    house.home.say(&["witness", "silence", "--for", "2h"]).well();
    let is = |body: &Body| matches!(body, Body::Shelved { alarm, .. } if alarm == "halyard-silent");
    let shelved = shed.home.record("the witness's waiting", 0, is);
    house.home.say(&["witness", "silence", "--end"]).well();
    let is = |body: &Body| matches!(body, Body::Unshelved { by: Some(by), .. } if by.via == "check-in");
    shed.home.record("the end of the wait", shelved.seq, is);
    let refused = house.home.say(&["witness", "silence", "--for", "25h"]).failed(1);
    assert!(refused.contains("at most 1 d"), "{refused}");
}

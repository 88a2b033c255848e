//! Receiver, database and broker are killed, each at a time of its own, while alarms go on: every
//! record is a row, once.

use super::{Fleet, IN_TIME};
use slackwater_rules::record::Body;
use slackwater_tests::agent::until;

#[tokio::test(flavor = "multi_thread")]
async fn what_happens_while_receiver_database_and_broker_are_gone_is_stored_once() {
    let Some(mut fleet) = Fleet::build() else { return };
    let (board, shed, _site) = (fleet.board(), fleet.keep(), fleet.watch());
    let mut raised = fleet.alarm(&board, 0);
    fleet.all_is_kept("ASC");

    shed.kill();
    raised = fleet.alarm(&board, raised);
    let _shed = fleet.keep();
    fleet.all_is_kept("ASC");

    fleet.database.kill().expect("killed");
    raised = fleet.alarm(&board, raised);
    until("that the database is missed", IN_TIME, || fleet.shed.log().contains("can't be kept").then_some(()), || {
        fleet.story()
    });
    fleet.database.restart().expect("it is back");
    fleet.all_is_kept("ASC");

    fleet.away.kill().expect("killed");
    fleet.alarm(&board, raised);
    fleet.away.restart().expect("it is back");
    fleet.all_is_kept("ASC");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_database_that_takes_no_writes_is_an_alarm_of_the_witness_and_loses_nothing() {
    let Some(fleet) = Fleet::build() else { return };
    let (board, _shed, _site) = (fleet.board(), fleet.keep(), fleet.watch());
    let raised = fleet.alarm(&board, 0);
    fleet.all_is_kept("ASC");
    let read_only = |value: &str| {
        let sql = format!("ALTER DATABASE slackwater SET default_transaction_read_only = {value}");
        fleet.database.query(&format!("SET default_transaction_read_only = off; {sql}")).expect("set");
        let others = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'slackwater'";
        fleet.database.query(others).expect("ended");
    };
    read_only("on");
    fleet.alarm(&board, raised);
    let is = |body: &Body| matches!(body, Body::Raised { because, .. } if because.contains("the fleet's journal"));
    fleet.shed.record("the witness's own alarm", 0, is);
    let status = fleet.shed.say(&["status"]).out;
    assert!(status.contains("read-only"), "{status}");
    read_only("off");
    fleet.all_is_kept("ASC");
    fleet.shed.record("its end", 0, |body| matches!(body, Body::Returned { alarm, .. } if alarm.contains("set")));
}

//! Receiver, database and broker are killed, each at a time of its own, while alarms go on: every
//! record is a row, once.

use super::{Fleet, IN_TIME};
use slackwater_tests::agent::until;

#[tokio::test(flavor = "multi_thread")]
async fn what_happens_while_receiver_database_and_broker_are_gone_is_stored_once() {
    let Some(mut fleet) = Fleet::build() else { return };
    let (board, shed, _site) = (fleet.board(), fleet.keep(), fleet.watch());
    fleet.alarm(&board, 1);
    fleet.all_is_kept("ASC");

    shed.kill();
    fleet.alarm(&board, 2);
    let _shed = fleet.keep();
    fleet.all_is_kept("ASC");

    fleet.database.kill().expect("killed");
    fleet.alarm(&board, 3);
    until(
        "that the database is missed",
        IN_TIME,
        || fleet.shed.log().contains("can't be kept").then_some(()),
        || fleet.story(),
    );
    fleet.database.restart().expect("it is back");
    fleet.all_is_kept("ASC");

    fleet.away.kill().expect("killed");
    fleet.alarm(&board, 4);
    fleet.away.restart().expect("it is back");
    fleet.all_is_kept("ASC");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_database_that_takes_no_writes_is_said_by_the_witness_and_loses_nothing() {
    let Some(fleet) = Fleet::build() else { return };
    let (board, _shed, _site) = (fleet.board(), fleet.keep(), fleet.watch());
    fleet.alarm(&board, 1);
    fleet.all_is_kept("ASC");
    let read_only = |value: &str| {
        let sql = format!("ALTER DATABASE slackwater SET default_transaction_read_only = {value}");
        fleet.database.query(&sql).expect("set");
        let others =
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'slackwater'";
        fleet.database.query(others).expect("ended");
    };
    read_only("on");
    fleet.alarm(&board, 2);
    let said = |what: &str| {
        let look = || fleet.shed.say(&["status"]).out.contains(what).then_some(());
        until(what, IN_TIME, look, || fleet.shed.say(&["status"]).out);
    };
    said("fleet's journal NOT KEPT: cannot execute");
    read_only("off");
    fleet.all_is_kept("ASC");
    said("fleet's journal kept");
}

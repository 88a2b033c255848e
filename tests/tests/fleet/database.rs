//! The database: what is over is dropped a week at a time, a later version's tables are left alone,
//! and one on another machine is reached under TLS, with a certificate that is proved.

use super::{Fleet, IN_TIME};
use slackwater_tests::agent::until;
use slackwater_tests::certs::{Authority, Validity};
use slackwater_tests::postgres::Postgres;
use std::fs;

impl Fleet {
    #[track_caller]
    fn shed_says(&self, what: &str) {
        let look = || self.shed.say(&["status"]).out.contains(what).then_some(());
        until(what, IN_TIME, look, || format!("{}\n{}", self.shed.say(&["status"]).out, self.shed.log()));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn weeks_that_are_over_are_dropped_one_at_a_time_and_the_present_one_never() {
    let Some(fleet) = Fleet::build() else { return };
    let config = fs::read_to_string(fleet.shed.path("agent.toml")).expect("read");
    let config = config.replace("[fleet]\n", "[fleet]\nkeep-weeks = 1\n");
    fleet.shed.write("agent.toml", &config).expect("written");
    let (board, shed, _site) = (fleet.board(), fleet.keep(), fleet.watch());
    fleet.alarm(&board, 1);
    fleet.all_is_kept("ASC");
    shed.terminate();
    for (name, from, to) in
        [("20200106", "2020-01-06", "2020-01-13"), ("20200113", "2020-01-13", "2020-01-20")]
    {
        let make = format!(
            "CREATE TABLE fleet.events_{name} PARTITION OF fleet.events \
             FOR VALUES FROM ('{from} 00:00+00') TO ('{to} 00:00+00')"
        );
        fleet.database.query(&make).expect("made");
    }
    let weeks =
        "SELECT inhrelid::regclass FROM pg_inherits WHERE inhparent = 'fleet.events'::regclass ORDER BY 1";
    for left in [2, 1, 1] {
        let shed = fleet.keep();
        fleet.shed_says("fleet's journal kept");
        fleet.kept("an old week to be dropped", weeks, |lines| lines.len() == left);
        shed.terminate();
    }
    fleet.all_is_kept("ASC");
}

#[tokio::test(flavor = "multi_thread")]
async fn tables_of_a_later_version_are_left_alone() {
    let Some(fleet) = Fleet::build() else { return };
    let shed = fleet.keep();
    fleet.shed_says("fleet's journal kept");
    shed.terminate();
    fleet.database.query("INSERT INTO fleet.migrations (number) VALUES (99)").expect("written");
    let _shed = fleet.keep();
    fleet.shed_says("fleet's journal NOT KEPT: its tables have version 99, of a newer program");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_database_under_tls_is_used_if_its_certificate_can_be_proved() {
    let Some(mut fleet) = Fleet::build() else { return };
    let authority = Authority::new(fleet.shed.folder(), "database").expect("an authority");
    let other = Authority::new(fleet.shed.folder(), "other").expect("an authority");
    let identity = authority.identity("localhost", Validity::Now).expect("a certificate");
    fleet.database = Postgres::start_as(Some(&identity)).expect("a database");
    let config = fs::read_to_string(fleet.shed.path("agent.toml")).expect("read");
    let (before, after) = config.split_once("[fleet]\n").expect("a section");
    let rest = after.split_once("password-file").expect("a key").1;
    let by = |trusted: &Authority| {
        format!(
            "{before}[fleet]\nhost = \"localhost\"\nport = {}\ntls = {{ ca-file = \"{}\" }}\npassword-file{rest}",
            fleet.database.port(),
            trusted.file().display()
        )
    };
    fleet.shed.write("agent.toml", &by(&other)).expect("written");
    let shed = fleet.keep();
    fleet.shed_says("fleet's journal NOT KEPT");
    let status = fleet.shed.say(&["status"]).out;
    assert!(status.contains("certificate"), "{status}");
    shed.terminate();
    fleet.shed.write("agent.toml", &by(&authority)).expect("written");
    let (board, _shed, _site) = (fleet.board(), fleet.keep(), fleet.watch());
    fleet.alarm(&board, 1);
    fleet.all_is_kept("ASC");
}

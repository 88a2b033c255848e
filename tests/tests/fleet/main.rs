//! Sites that tell their records, and the one who keeps them, each a real process, with a real
//! mosquitto between and a real PostgreSQL behind. Where one of the two is missing these tests say
//! so and look at nothing.

#![cfg(test)]

mod database;
mod faults;
mod form;
mod intruders;
mod past;

use slackwater::checkin::SiteKey;
use slackwater_rules::record::{Body, Record};
use slackwater_tests::agent::{Agent, Home, until};
use slackwater_tests::board::Board;
use slackwater_tests::mosquitto::{self, Mosquitto, Options};
use slackwater_tests::postgres::{self, Postgres};
use std::time::Duration;

const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

/// Logins at the broker elsewhere: the site's, the witness's, and one that may write everywhere.
const SITE: (&str, &str) = ("halyard", "brackish");
const WITNESS: (&str, &str) = ("witness", "tide table");
const INTRUDER: (&str, &str) = ("intruder", "estuary");

const RIGHTS: &str = include_str!("../../../deploy/mosquitto/rights-elsewhere");

/// For what takes a receiver or a site that asks again after a while.
const IN_TIME: Duration = Duration::from_secs(120);

/// Rooms of the house, with mains of their own.
const ROOMS: usize = 6;

const AROUND: &str = r#"
[journal]
path = "journal.sqlite"

[control]
socket = "control.sock"

[log]
format = "terminal"

[clock]
trust = "always"

[contact.tom.channel.pages]
kind   = "folder"
folder = "pages"
to     = "tom@example.org"
"#;

const CALL_OUT: &str = r#"
[callout.tom]
steps = [{ after = "0 s", to = ["tom.pages"] }]
"#;

/// A site, its witness who keeps a fleet's journal, and what is between and behind them.
struct Fleet {
    house: Mosquitto,
    away: Mosquitto,
    database: Postgres,
    site: Home,
    shed: Home,
    key: SiteKey,
}

impl Fleet {
    /// Both are set up and neither runs; none if something real is missing.
    fn build() -> Option<Self> {
        if !mosquitto::available() || !postgres::available() {
            return None;
        }
        let login = |(user, password): (&str, &str)| (user.to_owned(), password.to_owned());
        let house = Mosquitto::start(&Options { users: vec![login(SITE)], ..Options::default() });
        let away = Mosquitto::start(&Options {
            users: vec![login(SITE), login(WITNESS), login(INTRUDER)],
            rights: Some(format!("{RIGHTS}\nuser intruder\ntopic readwrite #\n")),
            ..Options::default()
        });
        let (house, away) = (house.expect("a broker"), away.expect("a broker"));
        let database = Postgres::start().expect("a database");
        let (key, line) = SiteKey::make().expect("a key");
        let site = Home::new(SLACKWATER).expect("a folder");
        let shed = Home::new(SLACKWATER).expect("a folder");
        site.write("check-in-key", line.expose()).expect("written");
        site.write("password", SITE.1).expect("written");
        let broker = |port: u16, (user, _): (&str, &str)| {
            format!(
                "host = \"127.0.0.1\"\nport = {port}\nuser = \"{user}\"\npassword-file = \"password\"\nkeep-alive = \"5 s\"\n"
            )
        };
        let config = format!(
            "[site]\nrules = \"rules.toml\"\nzone = \"UTC\"\n\n[broker]\n{}\n[check-in]\nname = \"halyard\"\n\
             key-file = \"check-in-key\"\nevery = \"5 s\"\n\n[check-in.broker]\n{}\n[events]\n{AROUND}",
            broker(house.port(), SITE),
            broker(away.port(), SITE),
        );
        let mut rules = format!("[site]\nname = \"Halyard House\"\n{CALL_OUT}");
        // One alarm that comes and goes would be said to chatter.
        for room in 1..=ROOMS {
            rules += &format!(
                "\n[sensor.mains-{room}]\ntopic = \"house/mains/{room}\"\nmeasures = \"presence\"\non = [\"on\"]\n\
                 off = [\"off\"]\nevery = \"1 s\"\n\n[alarm.power-lost-{room}]\nwhen = \"mains-{room} is off\"\n\
                 priority = \"critical\"\nconsequence = \"no heat\"\nresponse = [\"Open the lid.\"]\n"
            );
        }
        site.write("agent.toml", &config).expect("written");
        site.write("rules.toml", &rules).expect("written");
        let config = format!(
            "[site]\nrules = \"rules.toml\"\nzone = \"UTC\"\n\n[broker]\nclient-id = \"slackwater-witness\"\n{}\n\
             [fleet]\nhost = \"127.0.0.1\"\nport = {}\npassword-file = \"fleet-password\"\n{AROUND}",
            broker(away.port(), WITNESS),
            database.port(),
        );
        let rules = format!(
            "[site]\nname = \"Tom's shed\"\n{CALL_OUT}\n[watched.halyard]\nname = \"Halyard House\"\nkey = \"{}\"\n",
            key.public()
        );
        shed.write("agent.toml", &config).expect("written");
        shed.write("rules.toml", &rules).expect("written");
        shed.write("password", WITNESS.1).expect("written");
        shed.write("fleet-password", postgres::LOGIN.1).expect("written");
        Some(Self { house, away, database, site, shed, key })
    }

    /// The house's board, which says that the mains are on until it is told otherwise.
    fn board(&self) -> Board {
        let topics: Vec<_> = (1..=ROOMS).map(|room| format!("house/mains/{room}")).collect();
        let values: Vec<_> = topics.iter().map(|topic| (topic.as_str(), "on")).collect();
        Board::start(self.house.port(), SITE, &values)
    }

    fn watch(&self) -> Agent {
        let mut agent = self.site.start().expect("it starts");
        agent.hears();
        agent
    }

    fn keep(&self) -> Agent {
        let mut agent = self.shed.start_as(&["witness"]).expect("it starts");
        agent.hears();
        agent
    }

    fn story(&self) -> String {
        format!("THE SITE\n{}\nTHE SHED\n{}", self.site.log(), self.shed.log())
    }

    /// What the database says, as soon as that is right.
    #[track_caller]
    fn kept(&self, what: &str, sql: &str, is: impl Fn(&[String]) -> bool) -> Vec<String> {
        let look = || self.database.query(sql).ok().filter(|lines| is(lines));
        until(what, IN_TIME, look, || format!("{:?}\n{}", self.database.query(sql), self.story()))
    }

    /// The number of a record of the site's, newer than `after`.
    #[track_caller]
    fn record(&self, what: &str, after: u64, is: impl Fn(&Body) -> bool) -> u64 {
        self.site.record(what, after, is).seq
    }

    /// Waits until each record that the site's journal has now is in the database, and no number
    /// twice.
    #[track_caller]
    fn all_is_kept(&self, epoch_order: &str) {
        let numbers: Vec<String> =
            self.site.records().iter().map(|record: &Record| record.seq.to_string()).collect();
        let last = numbers.last().expect("some").clone();
        let sql = format!(
            "SELECT number FROM fleet.events_v1 WHERE site = 'halyard' AND number <= {last} AND epoch = \
             (SELECT epoch FROM fleet.sites_v1 WHERE site = 'halyard' ORDER BY first_heard {epoch_order} LIMIT 1) \
             ORDER BY number"
        );
        self.kept("all records, each once", &sql, |lines| lines == numbers);
    }

    /// The power of this room is lost and comes back: the number of the alarm's record.
    #[track_caller]
    fn alarm(&self, board: &Board, room: usize) -> u64 {
        let (topic, name) = (format!("house/mains/{room}"), format!("power-lost-{room}"));
        board.set(&topic, "off");
        let is = |body: &Body| matches!(body, Body::Raised { alarm, .. } if *alarm == name);
        let raised = self.record("the alarm", 0, is);
        board.set(&topic, "on");
        self.record(
            "its return",
            raised,
            |body| matches!(body, Body::Returned { alarm, .. } if *alarm == name),
        );
        raised
    }
}

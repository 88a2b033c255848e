//! Halyard House with two days behind it and nothing that happens by itself: a real broker, boards
//! that say that all is well, a real agent in real time with its page. What goes wrong, and when it
//! comes right, is said by whoever looks on, so no test of it hangs on how fast a machine is.

use super::small_house::free_port;
use super::{BOUND, SLACKWATER};
use slackwater_tests::agent::{Agent, Home, until};
use slackwater_tests::board::Board;
use slackwater_tests::holiday::{Past, live_through, well, write_files};
use slackwater_tests::mosquitto::{self, Mosquitto, Options};
use slackwater_tests::relay::Relay;
use std::path::PathBuf;

const NOBODY: (&str, &str) = ("board", "");
const AIR: &str = "lagoon/airpump/current";

/// The house.
pub(crate) struct StandingHouse {
    pub(crate) home: Home,
    pub(crate) config: PathBuf,
    /// Signs one device in as Ines.
    pub(crate) link: String,
    board: Board,
    _pump: Relay,
    _broker: Mosquitto,
    _agent: Agent,
}

impl StandingHouse {
    /// None where there is no broker, and none is demanded.
    pub(crate) fn begin() -> Option<Self> {
        if !mosquitto::available() {
            return None;
        }
        let home = Home::new(SLACKWATER).expect("a folder");
        let broker = Mosquitto::start(&Options::default()).expect("a broker");
        let past = Past { days: 2, every: 5, eventful: false };
        let config =
            write_files(home.folder(), broker.port(), Some(free_port()), past.every).expect("written");
        live_through(&config, past).expect("two calm days");
        // From now on it is noticed at once, and nobody is taken for dead on a busy machine.
        let rules = std::fs::read_to_string(home.path("rules.toml")).expect("it is there");
        let rules = rules
            .replace("every= \"5 min\"", "every = \"30 min\"")
            .replace("every = \"5 min\"", "every = \"30 min\"");
        let rules = rules.replace("on-delay    = \"20 s\"", "on-delay = \"1 s\"");
        home.write("rules.toml", &rules).expect("written");
        let said = well();
        let said: Vec<(&str, &str)> = said.iter().map(|(topic, value)| (*topic, value.as_str())).collect();
        let board = Board::start(broker.port(), NOBODY, &said);
        let pump = Relay::start(broker.port(), NOBODY, "lagoon/airpump/set", &board, (AIR, "0.24"));
        let agent = home.start().expect("it starts");
        let link = || {
            let said = home.say(&["web", "invite", "ines"]);
            said.out.lines().map(str::trim).find(|line| line.contains("/in/")).map(str::to_owned)
        };
        let link = until("a link that signs in", BOUND, link, || home.log());
        let calm = || {
            let sensors = home.say(&["status", "--json"]);
            let form: serde_json::Value = serde_json::from_str(&sensors.out).ok()?;
            let heard =
                form["status"]["sensors"].as_array()?.iter().all(|sensor| sensor["quality"] == "good");
            heard.then_some(())
        };
        until("every sensor is heard", BOUND, calm, || home.log());
        Some(Self { home, config, link, board, _pump: pump, _broker: broker, _agent: agent })
    }

    /// What somebody who looks on wants to happen.
    ///
    /// # Panics
    /// If it is nothing that can.
    pub(crate) fn does(&self, what: &str) {
        let say = |said: &[(&str, &str)]| said.iter().for_each(|(topic, value)| self.board.set(topic, value));
        match what.split_once(' ') {
            Some(("water", degrees)) => self.board.set("lagoon/temperature", degrees),
            Some(("mains", "off")) => say(&[
                ("house/mains", "off"),
                ("lagoon/outlet", "off"),
                ("lagoon/return", r#"{"flow":{"rate":0}}"#),
                ("lagoon/heater/power", "0"),
                ("harbour/flow", "0"),
                ("nursery/flow", "0"),
                ("quarantine/flow", "0"),
            ]),
            Some(("mains", "on")) => say(&[
                ("house/mains", "on"),
                ("lagoon/outlet", "on"),
                ("lagoon/return", r#"{"flow":{"rate":4240}}"#),
                ("harbour/flow", "1480"),
                ("nursery/flow", "390"),
                ("quarantine/flow", "420"),
            ]),
            _ => panic!("{what} can't happen here"),
        }
    }
}

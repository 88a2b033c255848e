//! Trying out whether help comes: test pages by real mail and push, and an outage drill with a
//! keeper at a terminal, who pulls the plug and answers.

use super::{house, is_raised};
use mail_parser::MessageParser;
use slackwater_rules::record::{Body, Drilled, Measured};
use slackwater_tests::agent::{Home, SOON, until};
use slackwater_tests::house::{LAGOON, RULES};
use slackwater_tests::relay::Relay;
use std::io::{Read, Write};
use std::process::{Child, ChildStdin, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

const AIR_PUMP: &str = r#"
[sensor.air-pump-current]
topic    = "lagoon/airpump/current"
tank     = "lagoon"
measures = "current"
unit     = "A"
every    = "1 s"

[relay.air-pump]
command = { topic = "lagoon/airpump/set", on = "on", off = "off" }
moves   = "air"
proof   = "air-pump-current > 0.05 A within 2 s"
longest = "10 min"
"#;

/// A keeper's terminal with a command in it.
struct Terminal {
    child: Child,
    keys: ChildStdin,
    screen: Arc<Mutex<String>>,
    read: usize,
}

impl Terminal {
    fn start(home: &Home, words: &[&str]) -> Self {
        let mut command = home.command(words);
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("it starts");
        let (keys, mut out) = (child.stdin.take().expect("keys"), child.stdout.take().expect("a screen"));
        let screen = Arc::new(Mutex::new(String::new()));
        let shown = Arc::clone(&screen);
        thread::spawn(move || {
            let mut bytes = [0; 1024];
            while let Ok(count @ 1..) = out.read(&mut bytes) {
                let text = String::from_utf8_lossy(&bytes[..count]).into_owned();
                shown.lock().unwrap_or_else(PoisonError::into_inner).push_str(&text);
            }
        });
        Self { child, keys, screen, read: 0 }
    }

    fn screen(&self) -> String {
        self.screen.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Waits for words that have not been waited for before.
    #[track_caller]
    fn shows(&mut self, words: &str) {
        let look = || self.screen().get(self.read..)?.find(words);
        let at = until(words, SOON, look, || self.screen());
        self.read += at + words.len();
    }

    fn types(&mut self, line: &str) {
        writeln!(self.keys, "{line}").expect("somebody reads");
    }

    /// Waits for its end: the exit code, and all that it showed.
    fn ended(mut self) -> (Option<i32>, String) {
        let child = &mut self.child;
        let status = until("the end of the command", SOON, || child.try_wait().transpose(), String::new);
        (status.expect("a child").code(), self.screen())
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_test_page_by_mail_is_answered_once_and_proves_its_channel() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    let said = house.home.say(&["drill", "pages", "--as", "ines"]).well();
    assert!(said.starts_with("test pages began for 4 channels: asked for by ines\n"), "{said}");
    let mails = house.mail.taken(3).await;
    let mail = mails.iter().find(|mail| mail.to.iter().any(|to| to == "tom@example.org")).expect("Tom's");
    let parsed = MessageParser::default().parse(&mail.data).expect("a mail");
    let subject = parsed.subject().expect("a subject").to_owned();
    assert!(subject.starts_with("TEST Halyard House: test page to tom.mail, nothing is wrong"), "{subject}");
    let push = until("a push", SOON, || house.push.taken().first().cloned(), || house.home.log());
    let event: serde_json::Value = serde_json::from_slice(&push.body).expect("a JSON event");
    assert_eq!(event["type"], "slackwater.page.drill");

    let code = subject.rsplit(' ').next().expect("a code").to_owned();
    let said = house.home.say(&["ack", &code, "--as", "tom"]).well();
    assert!(
        said.starts_with("Tom by mail is proved: test page answered by Tom (at the watch's computer) after "),
        "{said}"
    );
    let again = house.home.say(&["ack", &code, "--as", "tom"]).failed(1);
    assert!(again.contains("no test page has this code"), "{again}");
    let status = house.home.say(&["status"]).well();
    let line = |target: &str| {
        status.lines().find(|line| line.trim_start().starts_with(target) && line.contains("prove"))
    };
    assert!(line("Tom by mail").is_some_and(|line| line.contains("proved ")), "{status}");
    assert!(
        line("Ines by push").is_some_and(|line| line.contains("never proved; a test page waits")),
        "{status}"
    );
    let refused = house.home.say(&["drill", "pages"]).failed(1);
    assert!(refused.contains("3 test pages still wait"), "{refused}");
    let review = house.home.say(&["review", "--since", "1 h"]).well();
    assert!(review.contains("TEST PAGES") && review.contains("Tom by mail: last proved "), "{review}");
    assert!(review.contains("test page to Tom by mail answered by Tom"), "{review}");
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_outage_drill_walks_a_keeper_through_it_and_keeps_each_step_s_time() {
    let Some(house) = house().await else { return };
    let response = "response        = [\"Open the lid.\"";
    assert!(RULES.contains(response));
    let stopgap = format!("stopgap        = {{ relay = \"air-pump\", state = \"on\" }}\n{response}");
    house.home.write("rules.toml", &(RULES.replace(response, &stopgap) + AIR_PUMP)).expect("written");
    let current = "lagoon/airpump/current";
    house.board.set(current, "0");
    let port = house.broker.plain_port();
    let _pump = Relay::start(port, LAGOON, "lagoon/airpump/set", &house.board, (current, "0.21"));
    let agent = house.watch();

    let mut keeper = Terminal::start(&house.home, &["drill", "outage", "--as", "ines"]);
    keeper.shows("Never pull a plug that stands in water");
    keeper.shows("Type yes to go on: ");
    keeper.types("yes");
    keeper.shows("Pull the plug, or open the breaker, and press Enter at the same moment: ");
    house.board.set("house/mains", "off");
    keeper.types("");
    keeper.shows("raised after ");
    keeper.shows("air-pump on commanded after ");
    let code = house.home.record("the alarm", 0, |body| is_raised(body, "power-lost"));
    let Body::Raised { code, .. } = code.body else { panic!("it was raised") };
    keeper.shows("first page taken by a channel after ");
    house.home.say(&["ack", &code, "--as", "ines"]).well();
    keeper.shows("NOW PUT THE PLUG BACK, or close the breaker, and press Enter at the same moment: ");
    house.board.set("house/mains", "on");
    keeper.types("");
    let (exit, screen) = keeper.ended();
    assert_eq!(exit, Some(0), "{screen}\n{}", house.home.log());
    assert!(screen.contains("All came in time."), "{screen}");

    let drilled =
        house.home.record("the result", 0, |body| matches!(body, Body::Drill(Drilled::OutageDrilled { .. })));
    let Body::Drill(Drilled::OutageDrilled { alarm, steps, by }) = drilled.body else {
        panic!("it was drilled")
    };
    assert_eq!((alarm.as_str(), by.who.as_str()), ("power-lost", "ines"));
    let names: Vec<_> = steps.iter().map(|step| step.what.as_str()).collect();
    assert_eq!(
        names,
        [
            "sensor says off",
            "raised",
            "air-pump on commanded",
            "air-pump on confirmed",
            "first page taken by a channel",
            "answered",
            "power seen back",
            "returned to normal",
            "all clear",
        ]
    );
    assert!(steps.iter().all(Measured::good), "{steps:?}");
    let review = house.home.say(&["review", "--since", "1 h"]).well().replace("\n    ", " ");
    assert!(review.contains("outage drill of power-lost by ines"), "{review}");
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("last outage drill "), "{status}");
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_outage_drill_begins_while_an_alarm_is_open_or_nobody_says_yes() {
    let Some(house) = house().await else { return };
    let agent = house.watch();
    let said = house.home.say(&["drill", "outage"]).failed(1);
    assert!(said.contains("Nobody is at the terminal"), "{said}");
    let unknown = house.home.say(&["drill", "outage", "nothing"]).failed(1);
    assert!(unknown.contains("there is no alarm `nothing`; there are: power-lost"), "{unknown}");
    house.board.set("lagoon/temperature", "20");
    house.home.record("the cold", 0, |body| is_raised(body, "lagoon-cold"));
    let said = house.home.say(&["drill", "outage"]).failed(1);
    assert!(said.contains("no drill now, alarms are open: lagoon-cold"), "{said}");
    assert!(
        !house
            .home
            .records()
            .iter()
            .any(|record| matches!(record.body, Body::Drill(Drilled::OutageDrilled { .. })))
    );
    agent.terminate();
}

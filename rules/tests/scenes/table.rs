//! The call-out, sentence by sentence: a house whose alarms are switches, so that each scene can
//! raise what it wants. Every scene names the whole of what was sent: who, when, for what, and
//! nobody else.

mod answers;
mod bounds;
mod crossed;
mod ends;
mod invented;
mod kin;
mod lantern;
mod limits;
mod losses;
mod quiet;
mod ranks;
mod restarts;
mod rows;
mod rungs;
mod sirens;
mod terrace;

use crate::harness::{Site, directory};
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::plan::{ChannelKind, Contact, Directory};
use slackwater_rules::record::Purpose;
use slackwater_rules::time::{Moment, Span};

const HEAD: &str = r#"
[site]
name = "Halyard House"
[tank.lagoon]
volume = "420 L"
# Two of them at least: none is taken for the mains.
[sensor.gate-seen]
topic = "house/gate/seen"
measures = "presence"
on = ["on"]
off = ["off"]
every = "1 min"
[callout.mild]
steps = [
  { after = "0 min", to = ["ines.mail"] },
  { after = "10 min", to = ["ines.push"] },
]
again = "30 min"
lease = "60 min"
settle = "2 min"
quiet = ["22:00", "07:00"]
[callout.loud]
steps = [
  { after = "0 min", to = ["tom.text", "siren"] },
  { after = "5 min", to = ["neighbour.text"] },
  { after = "15 min", to = ["neighbour.mail"] },
]
again = "20 min"
lease = "60 min"
settle = "2 min"
"#;

/// By day, unless a scene says otherwise.
const NOON: &str = "2026-03-02T12:00:00+01:00[Europe/Berlin]";
pub(crate) const NIGHT: &str = "2026-03-02T23:00:00+01:00[Europe/Berlin]";

pub(crate) fn people() -> Directory {
    crate::fixtures::directory(&[
        "ines.push",
        "ines.mail",
        "tom.text",
        "neighbour.text",
        "neighbour.mail",
        "siren",
    ])
}

/// These people, and more of them by their channels.
fn with_people(mut people: Directory, more: &[(&str, &str, ChannelKind)]) -> Directory {
    for (name, channel, kind) in more {
        people.channels.insert(crate::fixtures::target(&format!("{name}.{channel}")), *kind);
        let contact = Contact { name: (*name).to_owned(), ..Contact::default() };
        people.contacts.insert((*name).to_owned(), contact);
    }
    people
}

/// The rule file of another house with these alarms.
fn rules_of(house: &str, alarms: &str) -> String {
    let own = rules(alarms);
    format!("{house}{}", own.strip_prefix(HEAD).expect("its head"))
}

/// The rule file with these alarms, a line each: name, priority, call-out, and more lines of its
/// table after semicolons.
pub(crate) fn rules(alarms: &str) -> String {
    let mut text = HEAD.to_owned();
    for line in alarms.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let (head, more) = line.split_once(';').unwrap_or((line, ""));
        let [name, priority, ladder] = head.split_whitespace().collect::<Vec<_>>()[..] else {
            panic!("{line}");
        };
        text.push_str(&format!(
            "[sensor.{name}-seen]\ntopic = \"house/{name}/seen\"\nmeasures = \"presence\"\non = [\"on\"]\n\
             off = [\"off\"]\nevery = \"1 min\"\n\
             [alarm.{name}]\ntank = \"lagoon\"\npriority = \"{priority}\"\ncallout = \"{ladder}\"\n"
        ));
        if !more.contains("when = ") {
            text.push_str(&format!("when = \"{name}-seen is on\"\n"));
        }
        if !more.contains("on-delay") {
            text.push_str("on-delay = \"0 s\"\n");
        }
        text.push_str("off-delay = \"0 s\"\n");
        for line in more.split(';') {
            text.push_str(line.trim());
            text.push('\n');
        }
    }
    text
}

pub(crate) struct Night {
    pub(crate) site: Site,
    began: Moment,
}

impl Night {
    pub(crate) fn by_day(alarms: &str) -> Self {
        Self::with(&rules(alarms), people(), NOON)
    }

    pub(crate) fn at_night(alarms: &str) -> Self {
        Self::with(&rules(alarms), people(), NIGHT)
    }

    pub(crate) fn with(rules: &str, people: Directory, time: &str) -> Self {
        let mut site = Site::silent(rules, people, time);
        let topics: Vec<String> = rules
            .lines()
            .filter_map(|line| line.strip_prefix("topic = \"")?.strip_suffix('"'))
            .map(str::to_owned)
            .collect();
        for topic in topics {
            site.feed(&topic, "off", Span::minutes(1));
        }
        site.run(Span::minutes(5));
        site.forget();
        let began = site.now.mono;
        Self { site, began }
    }

    pub(crate) fn raise(&mut self, alarm: &str) {
        self.site.says(&format!("house/{alarm}/seen"), "on");
    }

    pub(crate) fn clear(&mut self, alarm: &str) {
        self.site.says(&format!("house/{alarm}/seen"), "off");
    }

    pub(crate) fn wait(&mut self, minutes: i64) {
        self.site.run(Span::minutes(minutes));
    }

    /// Lets time pass until so many minutes after the beginning.
    pub(crate) fn wait_until(&mut self, minute: i64) {
        let left = self.began + Span::minutes(minute) - self.site.now.mono;
        self.site.run(left.max(Span::ZERO));
    }

    pub(crate) fn seconds(&mut self, seconds: i64) {
        self.site.run(Span::seconds(seconds));
    }

    /// The code of the alarm's own episode.
    pub(crate) fn code(&self, alarm: &str) -> String {
        let status = self.site.engine.status(self.site.now);
        let found = status.alarms.into_iter().find(|known| known.name == alarm);
        found.and_then(|found| found.code).expect("it is open")
    }

    pub(crate) fn answer(&mut self, who: &str, alarm: &str) {
        let code = self.code(alarm);
        self.site.says_person(who, OperatorCommand::Acknowledge { code, length: None });
    }

    pub(crate) fn next(&mut self, who: &str, alarm: &str) {
        let code = self.code(alarm);
        self.site.says_person(who, OperatorCommand::HandOn { code });
    }

    pub(crate) fn shelve(&mut self, who: &str, alarm: &str) {
        let (alarm, length, why) = (alarm.to_owned(), Span::minutes(20), "it is being seen to".to_owned());
        self.site.says_person(who, OperatorCommand::Shelve { alarm, length, why });
    }

    /// The board reboots, and comes back half a minute later.
    pub(crate) fn restart(&mut self) {
        let before = self.site.now.mono - self.began;
        self.site.restart(Span::seconds(30), Some(Span::seconds(30)));
        self.began = self.site.now.mono - (before + Span::seconds(30));
    }

    /// All that has been sent since it was last asked: minute, target, what for.
    pub(crate) fn told(&mut self, expected: &[&str]) {
        assert_eq!(self.all_told(), expected, "{}", self.site.story());
        self.site.forget();
    }

    fn all_told(&self) -> Vec<String> {
        self.site
            .world
            .sent
            .iter()
            .map(|sent| {
                let since = (sent.at - self.began).0 / 1_000;
                let what = match sent.purpose {
                    Purpose::Call => "call",
                    Purpose::Digest => "digest",
                    Purpose::Drill => "drill",
                    Purpose::Taken => "taken",
                    Purpose::AllClear => "clear",
                    Purpose::Notice => "notice",
                };
                format!("{}:{:02} {} {what}", since / 60, since % 60, sent.to)
            })
            .collect()
    }

    /// What the latest page to this target leads with.
    pub(crate) fn headline(&self, to: &str) -> String {
        let page = self.site.world.sent.iter().rev().find(|sent| sent.to == to);
        page.expect("it was told").headline.clone()
    }

    /// The call-outs that run.
    pub(crate) fn calls(&self) -> usize {
        self.site.engine.status(self.site.now).calls.len()
    }
}

#[test]
fn the_house_of_these_scenes_is_like_the_others() {
    assert!(directory().contacts.keys().all(|name| ["ines", "neighbour"].contains(&name.as_str())));
    let mut night = Night::by_day("pump high mild");
    night.wait(60);
    night.told(&[]);
}

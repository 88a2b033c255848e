//! A site in virtual time. Sensors repeat what they were last told at their own pace, channels
//! accept unless they are broken, and the clock jumps from one thing to the next: never past
//! a deadline, and never more often than a bound, so that a livelock fails instead of hanging.

#![allow(dead_code, reason = "each scene uses its own part of the harness")]

use jiff::tz::TimeZone;
use slackwater_rules::engine::{Delivery, Effect, Engine, Health, Input, Link, OperatorCommand};
use slackwater_rules::plan::{ChannelKind, Contact, Directory, Hours, Part, Plan, Surroundings, Target};
use slackwater_rules::record::{Body, By, Outcome, Purpose, Record, Seq};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// The invented site of all scenes.
pub(crate) const RULES: &str = r#"
[site]
name = "Halyard House"

[tank.lagoon]
volume = "420 L"
salinity = "35 ppt"

[sensor.lagoon-temp]
topic = "room2/lagoon/temperature"
tank = "lagoon"
measures = "temperature"
unit = "degC"
every = "30 s"
plausible = ["5 degC", "45 degC"]
reject = ["85 degC", "-127 degC"]
gateway = "sump-board"

[sensor.return-flow]
topic = "room2/lagoon/flow"
tank = "lagoon"
measures = "flow"
unit = "L/h"
every = "15 s"
gateway = "sump-board"

[sensor.spare-power]
topic = "room2/lagoon/spare-heater"
tank = "lagoon"
measures = "power"
unit = "W"
every = "30 s"

[sensor.mains]
topic = "room2/mains"
measures = "presence"
on = ["on", "1", "true"]
off = ["off", "0", "false"]
every = "30 s"

[sensor.air-current]
topic = "room2/airpump/current"
tank = "lagoon"
measures = "current"
unit = "A"
every = "5 s"

[relay.air-pump]
command = { topic = "room2/airpump/set", on = "on", off = "off" }
moves = "air"
proof = "air-current > 0.05 A within 20 s"
longest = "12 h"

[alarm.power-lost]
tank = "lagoon"
when = "mains is off"
on-delay = "20 s"
off-delay = "30 s"
priority = "critical"
consequence = "no heat, no flow: oxygen falls first, then temperature"
response = ["Start the battery air pump.", "Feed nothing."]
time-to-respond = "1 h"
stopgap = { relay = "air-pump", state = "on" }

[alarm.return-stopped]
tank = "lagoon"
when = "return-flow < 200 L/h"
deadband = "50 L/h"
on-delay = "90 s"
off-delay = "5 min"
priority = "high"
consequence-of = ["power-lost"]
response = "card:no-flow"

[alarm.spare-heater]
tank = "lagoon"
when = "spare-power > 20 W"
on-delay = "2 min"
off-delay = "10 min"
priority = "medium"
consequence = "the first heater is dead: nothing is left behind the spare"
response = "Look at the first heater today."

[alarm.too-cold]
tank = "lagoon"
when = "lagoon-temp < 23 degC"
worse = "lagoon-temp < 21.5 degC"
deadband = "0.3 K"
on-delay = "60 s"
off-delay = "5 min"
priority = "critical"
consequence-of = ["power-lost"]

[alarm.warm-room]
tank = "lagoon"
when = "lagoon-temp > 27 degC"
deadband = "0.2 K"
on-delay = "60 s"
off-delay = "5 min"
priority = "low"
response = "Open a window in the morning."

[sight]
after = "2 min"
consequence-of = ["power-lost"]

[callout.household]
steps = [
  { after = "0 min", to = ["ines.push", "siren"] },
  { after = "5 min", to = ["ines.mail"] },
  { after = "15 min", to = ["neighbour.text", "neighbour.mail"] },
]
again = "15 min"
lease = "60 min"
settle = "2 min"
quiet = ["22:00", "07:30"]
"#;

pub(crate) const BERLIN: &str = "Europe/Berlin";

pub(crate) fn target(text: &str) -> Target {
    Target::parse(text)
}

pub(crate) fn directory() -> Directory {
    let person = |name: &str| Contact { name: name.to_owned(), ..Contact::default() };
    Directory {
        contacts: BTreeMap::from([
            ("ines".to_owned(), person("Ines")),
            ("neighbour".to_owned(), person("Ada next door")),
        ]),
        channels: BTreeMap::from([
            (target("ines.push"), ChannelKind::Push),
            (target("ines.mail"), ChannelKind::Mail),
            (target("neighbour.text"), ChannelKind::Text),
            (target("neighbour.mail"), ChannelKind::Mail),
            (target("siren"), ChannelKind::Siren),
        ]),
    }
}

/// What a channel does with a page.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Channel {
    Accepts,
    Defers,
    Fails,
    /// Says nothing at all.
    Hangs,
}

/// A page that left.
#[derive(Clone, Debug)]
pub(crate) struct Sent {
    pub(crate) at: Moment,
    pub(crate) to: String,
    pub(crate) purpose: Purpose,
    pub(crate) headline: String,
    pub(crate) body: String,
    pub(crate) text: String,
    pub(crate) code: String,
    pub(crate) id: Seq,
    pub(crate) maybe_repeat: bool,
}

pub(crate) struct Site {
    pub(crate) engine: Engine,
    pub(crate) rules: String,
    pub(crate) directory: Directory,
    pub(crate) now: Now,
    pub(crate) records: Vec<Record>,
    pub(crate) sent: Vec<Sent>,
    pub(crate) commands: Vec<(Moment, String, String)>,
    pub(crate) channels: BTreeMap<String, Channel>,
    /// The air pump does what it is told.
    pub(crate) pump_obeys: bool,
    /// The heaters' relay does what it is told.
    pub(crate) heaters_obey: bool,
    /// The broker takes commands.
    pub(crate) commands_go_out: bool,
    /// What each topic repeats, how often, and when next.
    feeds: BTreeMap<String, (String, Span, Moment)>,
    inputs: Vec<(Now, Input)>,
}

pub(crate) fn plan(rules: &str, directory: &Directory) -> Plan {
    let zone = TimeZone::get(BERLIN).expect("bundled zones");
    let around = Surroundings { directory: directory.clone(), zone, today: None };
    let checked = Plan::check("rules.toml", rules, &around);
    match checked.plan {
        Some(plan) => plan,
        None => panic!("{}", slackwater_rules::plan::render("rules.toml", rules, &checked.findings)),
    }
}

impl Site {
    /// Calm water at 12:00 local time on 2026-03-02, everything reporting.
    pub(crate) fn calm() -> Self {
        Self::with(RULES, directory(), "2026-03-02T12:00:00+01:00[Europe/Berlin]")
    }

    pub(crate) fn at(time: &str) -> Self {
        Self::with(RULES, directory(), time)
    }

    pub(crate) fn with(rules: &str, directory: Directory, time: &str) -> Self {
        let mut site = Self::silent(rules, directory, time);
        site.feed("room2/lagoon/temperature", "25.1", Span::seconds(30));
        site.feed("room2/lagoon/flow", "4300", Span::seconds(15));
        site.feed("room2/lagoon/spare-heater", "0", Span::seconds(30));
        site.feed("room2/mains", "on", Span::seconds(30));
        site.feed("room2/airpump/current", "0", Span::seconds(5));
        site.run(Span::minutes(5));
        site.forget();
        site
    }

    /// The watch has just started; nothing reports.
    pub(crate) fn silent(rules: &str, directory: Directory, time: &str) -> Self {
        let time: jiff::ZonedDateTime = time.parse().expect("a zoned time");
        let wall = Wall(time.timestamp().as_millisecond());
        let now = Now { mono: Moment(1_000_000), wall, wall_trusted: true };
        let engine = Engine::new(plan(rules, &directory), 7, 1, now);
        let mut site = Self {
            engine,
            rules: rules.to_owned(),
            directory,
            now,
            records: Vec::new(),
            sent: Vec::new(),
            commands: Vec::new(),
            channels: BTreeMap::new(),
            pump_obeys: true,
            heaters_obey: true,
            commands_go_out: true,
            feeds: BTreeMap::new(),
            inputs: Vec::new(),
        };
        site.step(Input::Started { version: "test".to_owned(), gap: Some(Span::ZERO) });
        site.step(Input::Link(Link::Hears));
        site
    }

    /// From now on the topic says this, at once and then again and again.
    pub(crate) fn feed(&mut self, topic: &str, payload: &str, every: Span) {
        self.feeds.insert(topic.to_owned(), (payload.to_owned(), every, self.now.mono));
        self.run(Span::ZERO);
    }

    /// The topic says something else from now on, at its old pace.
    pub(crate) fn says(&mut self, topic: &str, payload: &str) {
        let every = self.feeds.get(topic).map_or(Span::seconds(30), |feed| feed.1);
        self.feed(topic, payload, every);
    }

    /// The topic says something else when its time comes.
    pub(crate) fn says_later(&mut self, topic: &str, payload: &str) {
        if let Some(feed) = self.feeds.get_mut(topic) {
            payload.clone_into(&mut feed.0);
        }
    }

    pub(crate) fn silence(&mut self, topic: &str) {
        self.feeds.remove(topic);
    }

    pub(crate) fn silence_all(&mut self) {
        self.feeds.clear();
    }

    pub(crate) fn message(&mut self, topic: &str, payload: &str, delivery: Delivery) {
        self.step(Input::Message { topic: topic.to_owned(), payload: payload.as_bytes().to_vec(), delivery });
    }

    pub(crate) fn says_person(&mut self, who: &str, word: OperatorCommand) {
        self.step(Input::Said { command: word, by: By { who: who.to_owned(), via: "socket".to_owned() } });
    }

    pub(crate) fn answer(&mut self, who: &str) {
        let code = self
            .sent
            .iter()
            .rev()
            .find(|page| !page.code.is_empty())
            .expect("a page with a code")
            .code
            .clone();
        self.says_person(who, OperatorCommand::Acknowledge { code });
    }

    /// The agent says how a part of it is: nothing wrong, or what.
    pub(crate) fn part(&mut self, part: Part, trouble: Option<&str>) {
        let health = trouble.map_or(Health::Well, |why| Health::Fails { why: why.to_owned() });
        self.step(Input::Health { part, health });
    }

    /// All channels at once.
    pub(crate) fn every_channel(&mut self, does: Channel) {
        for target in self.directory.channels.keys() {
            self.channels.insert(target.to_string(), does.clone());
        }
    }

    pub(crate) fn channel(&mut self, target: &str, does: Channel) {
        self.channels.insert(target.to_owned(), does);
    }

    /// Lets time pass.
    pub(crate) fn run(&mut self, span: Span) {
        let end = self.now.mono + span;
        let mut steps = 0;
        loop {
            steps += 1;
            assert!(steps < 2_000_000, "livelock: next {:?}", self.engine.next_deadline());
            let feed = self.feeds.iter().map(|(topic, feed)| (feed.2, topic.clone())).min();
            let deadline = self.engine.next_deadline().map(|(at, _)| at);
            let next = feed.as_ref().map(|(at, _)| *at).into_iter().chain(deadline).min();
            let Some(next) = next.filter(|next| *next <= end) else { break };
            self.jump(next);
            match feed.filter(|(at, _)| *at == next) {
                Some((_, topic)) => {
                    let feed = self.feeds.get_mut(&topic).expect("it was there");
                    feed.2 = next + feed.1;
                    let payload = feed.0.clone();
                    self.message(&topic, &payload, Delivery::Live);
                }
                None => self.step(Input::Tick),
            }
        }
        self.jump(end);
    }

    fn jump(&mut self, to: Moment) {
        let ahead = (to - self.now.mono).0.max(0);
        self.now.mono = self.now.mono + Span(ahead);
        self.now.wall = self.now.wall + Span(ahead);
    }

    pub(crate) fn step(&mut self, input: Input) {
        let mut open = VecDeque::from([input]);
        while let Some(input) = open.pop_front() {
            self.inputs.push((self.now, input.clone()));
            let turn = self.engine.step(self.now, input);
            self.records.extend(turn.records);
            open.extend(turn.effects.into_iter().flat_map(|effect| self.carry_out(effect)));
        }
    }

    /// What becomes of an effect: of a page, how its channel is and then its own fate.
    fn carry_out(&mut self, effect: Effect) -> Vec<Input> {
        match effect {
            Effect::Send { target, page } => {
                let to = target.to_string();
                let does = self.channels.get(&to).cloned().unwrap_or(Channel::Accepts);
                let id = page.id;
                self.sent.push(Sent {
                    at: self.now.mono,
                    to,
                    purpose: page.purpose,
                    headline: page.headline,
                    body: page.body,
                    text: page.text,
                    code: page.code,
                    id,
                    maybe_repeat: page.maybe_repeat,
                });
                let outcome = match does {
                    Channel::Accepts => Outcome::Accepted { note: "250 taken".to_owned() },
                    Channel::Defers => Outcome::deferred("no route"),
                    Channel::Fails => Outcome::Failed { why: "no such mailbox".to_owned() },
                    Channel::Hangs => return Vec::new(),
                };
                let health = match &outcome {
                    Outcome::Accepted { .. } => Health::Well,
                    other => Health::Fails { why: other.trouble().unwrap_or_default() },
                };
                let part = Part::Channel(target);
                vec![Input::Health { part, health }, Input::Delivered { page: id, outcome }]
            }
            Effect::Withdraw { .. } => Vec::new(),
            Effect::Command { switching, topic, payload, .. } => {
                let (obeys, shown, amount) = match topic.as_str() {
                    "room2/heaters/set" => (self.heaters_obey, "room2/lagoon/heater", "200"),
                    _ => (self.pump_obeys, "room2/airpump/current", "0.21"),
                };
                let heard = obeys && self.commands_go_out;
                if let Some(feed) = self.feeds.get_mut(shown).filter(|_| heard) {
                    feed.0 = if payload == "on" { amount } else { "0" }.to_owned();
                }
                self.commands.push((self.now.mono, topic, payload));
                let failed = (!self.commands_go_out).then(|| "not authorised".to_owned());
                vec![Input::Commanded { switching, failed }]
            }
        }
    }

    /// The keeper has changed the rule file.
    pub(crate) fn reload(&mut self, rules: &str) {
        self.rules = rules.to_owned();
        let turn = self.engine.adopt(self.now, plan(rules, &self.directory));
        self.records.extend(turn.records);
        let reports: Vec<_> = turn.effects.into_iter().flat_map(|effect| self.carry_out(effect)).collect();
        for report in reports {
            self.step(report);
        }
    }

    /// The board reboots: another engine, another monotonic clock, the records read back.
    pub(crate) fn restart(&mut self, away: Span, gap: Option<Span>) {
        let horizon = self.engine.horizon();
        self.now.wall = self.now.wall + away;
        let shift = Moment(500_000) - (self.now.mono + away);
        self.now.mono = Moment(500_000);
        for feed in self.feeds.values_mut() {
            feed.2 = self.now.mono;
        }
        for record in &mut self.records {
            record.at.mono = record.at.mono + shift;
        }
        for sent in &mut self.sent {
            sent.at = sent.at + shift;
        }
        let next = self.records.last().map_or(1, |record| record.seq + 1);
        let mut engine = Engine::new(plan(&self.rules, &self.directory), 7, next, self.now);
        engine.restore(self.records.iter().filter(|record| record.seq >= horizon));
        self.engine = engine;
        self.step(Input::Started { version: "test".to_owned(), gap });
        self.step(Input::Link(Link::Hears));
    }

    /// Forgets what was sent and recorded so far, for a clean view of what follows.
    pub(crate) fn forget(&mut self) {
        self.sent.clear();
        self.commands.clear();
    }

    /// Does something and keeps only the pages that it sent.
    pub(crate) fn only_what_follows(&mut self, act: impl FnOnce(&mut Self)) {
        let before = self.sent.len();
        act(self);
        self.sent.drain(..before);
    }

    pub(crate) fn pages(&self, purpose: Purpose) -> Vec<&Sent> {
        self.sent.iter().filter(|page| page.purpose == purpose).collect()
    }

    pub(crate) fn called(&self) -> Vec<&str> {
        self.pages(Purpose::Call).iter().map(|page| page.to.as_str()).collect()
    }

    pub(crate) fn raised(&self) -> Vec<&str> {
        let names = self.records.iter().filter_map(|record| match &record.body {
            Body::Raised { alarm, .. } => Some(alarm.as_str()),
            _ => None,
        });
        names.collect()
    }

    pub(crate) fn count(&self, wanted: impl Fn(&Body) -> bool) -> usize {
        self.records.iter().filter(|record| wanted(&record.body)).count()
    }

    pub(crate) fn state(&self, alarm: &str) -> String {
        let status = self.engine.status(self.now);
        status.alarms.iter().find(|view| view.name == alarm).expect("an alarm of the plan").state.clone()
    }

    pub(crate) fn story(&self) -> String {
        self.records
            .iter()
            .map(|record| format!("{:>9} {}\n", record.at.mono.0 / 1_000, record.body))
            .collect()
    }

    /// Everyone who got a page, once.
    pub(crate) fn reached(&self) -> BTreeSet<&str> {
        self.sent.iter().map(|page| page.to.as_str()).collect()
    }

    /// All inputs so far: for playing the same night again.
    pub(crate) fn inputs(&self) -> &[(Now, Input)] {
        &self.inputs
    }
}

/// A daily stretch.
pub(crate) fn hours(from: &str, until: &str) -> Hours {
    Hours { from: from.parse().expect("a time"), until: until.parse().expect("a time") }
}

//! A house in virtual time, for scenes: sensors repeat what they were last told at their own pace,
//! channels take pages unless they are broken, and relays obey.

#![allow(dead_code, reason = "each scene uses its own part of the harness")]

pub(crate) use crate::fixtures::{BERLIN, HOUSE as RULES, hours, target};
pub(crate) use slackwater_rules::sim::{ChannelRule as Channel, SentPage as Sent};

use crate::fixtures::plan_of;
use jiff::tz::TimeZone;
use slackwater_rules::engine::{Arrival, Health, Input, OperatorCommand};
use slackwater_rules::plan::{Directory, Part, Plan, Surroundings};
use slackwater_rules::record::{Body, Purpose};
use slackwater_rules::sim::{RelayRule, Saying, Shows, SignalOrigin, Sim, SimSite};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::collections::BTreeSet;
use std::ops::{Deref, DerefMut};

pub(crate) fn directory() -> Directory {
    crate::fixtures::directory(&["ines.push", "ines.mail", "neighbour.text", "neighbour.mail", "siren"])
}

pub(crate) struct Site {
    pub(crate) sim: Sim<SimSite>,
    pub(crate) rules: String,
    pub(crate) directory: Directory,
}

impl Deref for Site {
    type Target = Sim<SimSite>;

    fn deref(&self) -> &Self::Target {
        &self.sim
    }
}

impl DerefMut for Site {
    fn deref_mut(&mut self) -> &mut Self::Target {
        &mut self.sim
    }
}

pub(crate) fn plan(rules: &str, directory: &Directory) -> Plan {
    let zone = TimeZone::get(BERLIN).expect("bundled zones");
    plan_of(rules, &Surroundings { directory: directory.clone(), zone, today: None })
}

/// A relay that obeys, and what shows it.
fn relay(shown: &str, amount: &str) -> RelayRule {
    let says = |amount: &str| Saying::Payload(amount.to_owned());
    let shows = Shows { origin: topic(shown), on: says(amount), off: says("0") };
    RelayRule { on: "on".to_owned(), obeys: true, shows: vec![shows], after: Span::ZERO }
}

fn topic(topic: &str) -> SignalOrigin {
    SignalOrigin::Topic(topic.to_owned())
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
        let plan = plan(rules, &directory);
        let mut world = SimSite::new(&plan);
        world.relays = [
            ("room2/airpump/set".to_owned(), relay("room2/airpump/current", "0.21")),
            ("room2/heaters/set".to_owned(), relay("room2/lagoon/heater", "200")),
        ]
        .into();
        let mut sim = Sim::new("test", plan, 7, now, world);
        sim.start(Some(Span::ZERO));
        Self { sim, rules: rules.to_owned(), directory }
    }

    /// From now on the topic says this, at once and then again and again.
    pub(crate) fn feed(&mut self, topic: &str, payload: &str, every: Span) {
        self.sim.says(SignalOrigin::Topic(topic.to_owned()), Saying::Payload(payload.to_owned()), every);
    }

    /// The topic says something else from now on, at its old pace.
    pub(crate) fn says(&mut self, to: &str, payload: &str) {
        let every = self.world.signal(&topic(to)).map_or(Span::seconds(30), |signal| signal.every);
        self.feed(to, payload, every);
    }

    /// The topic says something else when its time comes.
    pub(crate) fn says_later(&mut self, to: &str, payload: &str) {
        let signal = self.world.signal(&topic(to)).map(|signal| (signal.next, signal.every));
        if let Some((next, every)) = signal {
            self.world.says(next, topic(to), Saying::Payload(payload.to_owned()), every);
        }
    }

    pub(crate) fn silence(&mut self, to: &str) {
        self.world.silence(&topic(to));
    }

    pub(crate) fn silence_all(&mut self) {
        self.world.silence_all();
    }

    /// Whether the relay behind this topic does what it is told.
    pub(crate) fn obeys(&mut self, topic: &str, obeys: bool) {
        self.world.relays.get_mut(topic).expect("a relay").obeys = obeys;
    }

    pub(crate) fn message(&mut self, topic: &str, payload: &str, delivery: Arrival) {
        self.hear(topic, payload, delivery);
    }

    pub(crate) fn says_person(&mut self, who: &str, word: OperatorCommand) {
        self.say(who, word);
    }

    pub(crate) fn answer(&mut self, who: &str) {
        let with_code = self.world.sent.iter().rev().find(|page| !page.code.is_empty());
        let code = with_code.expect("a page with a code").code.clone();
        self.say(who, OperatorCommand::Acknowledge { code, length: None });
    }

    /// The agent says how a part of it is: nothing wrong, or what.
    pub(crate) fn part(&mut self, part: Part, trouble: Option<&str>) {
        let health = trouble.map_or(Health::Well, |why| Health::Fails { why: why.to_owned() });
        self.step(Input::Health { part, health });
    }

    /// All channels at once.
    pub(crate) fn every_channel(&mut self, does: Channel) {
        self.sim.world.channels = self.directory.channels.keys().map(|to| (to.clone(), does)).collect();
    }

    pub(crate) fn channel(&mut self, to: &str, does: Channel) {
        self.world.channels.insert(target(to), does);
    }

    /// Lets time pass.
    pub(crate) fn run(&mut self, span: Span) {
        self.sim.run(span);
        assert_eq!(self.stuck, None);
    }

    /// The keeper has changed the rule file.
    pub(crate) fn reload(&mut self, rules: &str) {
        self.rules = rules.to_owned();
        self.sim.reload(plan(rules, &self.directory));
    }

    /// The board reboots: another engine, another monotonic clock, the records read back.
    pub(crate) fn restart(&mut self, away: Span, gap: Option<Span>) {
        self.reboot(away, gap);
    }

    /// Forgets what was sent so far, for a clean view of what follows.
    pub(crate) fn forget(&mut self) {
        self.world.sent.clear();
        self.world.commands.clear();
    }

    /// Does something and keeps only the pages that it sent.
    pub(crate) fn only_what_follows(&mut self, act: impl FnOnce(&mut Self)) {
        let before = self.world.sent.len();
        act(self);
        self.world.sent.drain(..before);
    }

    pub(crate) fn pages(&self, purpose: Purpose) -> Vec<&Sent> {
        self.world.sent.iter().filter(|page| page.purpose == purpose).collect()
    }

    pub(crate) fn called(&self) -> Vec<&str> {
        self.pages(Purpose::Call).iter().map(|page| page.to.as_str()).collect()
    }

    pub(crate) fn count(&self, wanted: impl Fn(&Body) -> bool) -> usize {
        self.records.iter().filter(|record| wanted(&record.body)).count()
    }

    pub(crate) fn state(&self, alarm: &str) -> String {
        self.sim.state(alarm).expect("an alarm of the plan")
    }

    /// Everyone who got a page, once.
    pub(crate) fn reached(&self) -> BTreeSet<&str> {
        self.world.sent.iter().map(|page| page.to.as_str()).collect()
    }
}

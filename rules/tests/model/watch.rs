//! The engine in a house by chance, held against the account of it: everybody who is paged, by the
//! millisecond. No two things happen within one moment unless one follows from the other.

use crate::account::{Account, Deed, House, MINUTE, SIREN, Telling, WAYS};
use crate::fixtures::{BERLIN, directory, hours, plan_of, target};
use crate::houses::{Case, GATE, HEATERS, POWER, rules, topic_of, topic_of_worse};
use jiff::tz::TimeZone;
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::plan::{Quota, Surroundings};
use slackwater_rules::record::Purpose;
use slackwater_rules::sim::{ChannelRule, RelayRule, Saying, Shows, SignalOrigin, Sim, SimSite};
use slackwater_rules::time::{Moment, Now, Span, Wall};

/// What follows from a thing of one moment keeps its odd milliseconds, so that no two meet.
const APART: i64 = 137;
/// Chattering has rules of its own: an alarm begins no more than twice within this.
const CALM: i64 = 35 * MINUTE;

struct Watch {
    sim: Sim<SimSite>,
    began: Moment,
    /// What each switch says.
    on: Vec<bool>,
    /// Whether it is how long the watch's own power lasts.
    power: Vec<bool>,
    silent: Vec<bool>,
    /// What each alarm is called.
    names: Vec<String>,
    /// Whether each alarm's `worse` is true; none if it has none.
    worse: Vec<Option<bool>>,
}

impl Watch {
    fn over(house: &House) -> Self {
        let all: Vec<&str> = WAYS.into_iter().chain([SIREN]).collect();
        let mut people = directory(&all);
        for name in &house.sleepers {
            let contact = people.contacts.get_mut(*name).expect("there");
            contact.hours = vec![hours("08:00", "22:00")];
        }
        for (way, hour, reserve) in &house.limits {
            let to = target(way);
            let contact = to.contact.as_ref().and_then(|name| people.contacts.get_mut(name)).expect("there");
            let quota = Quota { hour: Some(*hour as u32), day: None, reserve: *reserve as u32 };
            contact.quotas.insert(to.channel, quota);
        }
        let zone = TimeZone::get(BERLIN).expect("bundled zones");
        let plan = plan_of(&rules(house), &Surroundings { directory: people, zone, today: None });
        let midnight: jiff::ZonedDateTime =
            "2026-03-02T00:00:00+01:00[Europe/Berlin]".parse().expect("a time");
        // Five minutes in which everything is heard.
        let wall = Wall(midnight.timestamp().as_millisecond() + house.begins - 5 * MINUTE);
        let now = Now { mono: Moment(1_000_000), wall, wall_trusted: true };
        let world = SimSite::new(&plan);
        let mut world = world;
        let topic = |topic: &str| SignalOrigin::Topic(topic.to_owned());
        let says = |watts: &str| Saying::Payload(watts.to_owned());
        let shows = vec![Shows { origin: topic(POWER), on: says("200"), off: says("0") }];
        let heater = RelayRule { on: "on".to_owned(), obeys: true, shows, after: Span::millis(1) };
        world.relays = [(HEATERS.to_owned(), heater)].into();
        let mut sim = Sim::new("account", plan, 7, now, world);
        sim.start(Some(Span::ZERO));
        let on = vec![false; house.switches()];
        let worse = house.alarms.iter().map(|alarm| alarm.worse.then_some(false)).collect();
        let names = (0..house.alarms.len()).map(|at| house.name(at)).collect();
        let power = (0..house.switches()).map(|at| house.is_power(at)).collect();
        let silent = vec![false; house.switches()];
        let mut watch = Self { sim, began: now.mono + Span::minutes(5), on, power, silent, names, worse };
        watch.says_all();
        if house.alarms.iter().any(|alarm| alarm.cuts) {
            watch.says(POWER, "200");
        }
        watch.sim.run_to(watch.began);
        watch.sim.world.sent.clear();
        watch
    }

    fn says(&mut self, topic: &str, payload: &str) {
        let every = Span::minutes(if topic == POWER { 2 } else { 1 });
        self.sim.says(SignalOrigin::Topic(topic.to_owned()), Saying::Payload(payload.to_owned()), every);
    }

    fn says_all(&mut self) {
        self.says(GATE, "off");
        let power = self.sim.world.signal(&SignalOrigin::Topic(POWER.to_owned())).map(|it| it.says.clone());
        if let Some(Saying::Payload(watts)) = power {
            self.says(POWER, &watts);
        }
        for switch in 0..self.on.len() {
            if !self.silent[switch] {
                self.sees(switch);
            }
        }
        (0..self.worse.len()).for_each(|alarm| self.sees_worse(alarm));
    }

    fn code(&self, alarm: usize) -> Option<String> {
        let name = &self.names[alarm];
        let status = self.sim.engine.status(self.sim.now);
        status.alarms.into_iter().find(|known| known.name == *name).and_then(|known| known.code)
    }

    /// Of the call-out that it is in.
    fn code_of_all(&self, alarm: usize) -> Option<String> {
        let name = &self.names[alarm];
        let status = self.sim.engine.status(self.sim.now);
        status.calls.into_iter().find(|call| call.about.contains(name)).map(|call| call.code)
    }

    fn sees(&mut self, switch: usize) {
        let says = match (self.power[switch], self.on[switch]) {
            (false, on) => {
                if on {
                    "on"
                } else {
                    "off"
                }
            }
            // Minutes.
            (true, ends) => {
                if ends {
                    "8"
                } else {
                    "40"
                }
            }
        };
        self.says(&topic_of(switch), says);
    }

    fn sees_worse(&mut self, alarm: usize) {
        let Some(worse) = self.worse[alarm] else { return };
        self.says(&topic_of_worse(alarm), if worse { "on" } else { "off" });
    }

    /// The board goes down and is back at once, on another clock; a millisecond later all is heard.
    fn restart(&mut self) {
        let since = self.sim.now.mono - self.began;
        self.sim.power_off(Span::ZERO);
        let shift = self.sim.now.mono - since - self.began;
        self.began = self.began + shift;
        self.sim.start(Some(Span::ZERO));
        // What is heard in the moment of the start is not known to be news.
        self.sim.run(Span::millis(1));
        self.says_all();
    }

    /// Whether it could be done at all.
    fn deed(&mut self, deed: Deed) -> bool {
        match deed {
            Deed::Begins(switch) | Deed::Ends(switch) => {
                self.on[switch] = matches!(deed, Deed::Begins(_));
                self.sees(switch);
            }
            Deed::Draws => self.says(POWER, "200"),
            Deed::Rests => self.says(POWER, "0"),
            Deed::Sticks(sticks) => {
                let relay = self.sim.world.relays.get_mut(HEATERS);
                relay.expect("it is there").obeys = !sticks;
            }
            Deed::Silent(switch) => {
                self.silent[switch] = true;
                self.sim.world.silence(&SignalOrigin::Topic(topic_of(switch)));
            }
            Deed::Speaks(switch) => {
                self.silent[switch] = false;
                self.sees(switch);
            }
            Deed::Worsens(alarm) | Deed::Eases(alarm) => {
                self.worse[alarm] = Some(matches!(deed, Deed::Worsens(_)));
                self.sees_worse(alarm);
            }
            Deed::Hush => {
                self.sim.say("ines", OperatorCommand::Hush { siren: SIREN.to_owned() });
            }
            Deed::Breaks(way) => {
                self.sim.world.channels.insert(target(way), ChannelRule::Fails);
            }
            Deed::PutsOff(way) => {
                self.sim.world.channels.insert(target(way), ChannelRule::Defers);
            }
            Deed::Mends(way) => {
                self.sim.world.channels.insert(target(way), ChannelRule::Works);
            }
            Deed::Restart => self.restart(),
            Deed::Answers(who, alarm) => {
                let Some(code) = self.code(alarm) else { return false };
                self.sim.say(who, OperatorCommand::Acknowledge { code, length: None });
            }
            Deed::AnswersAll(who, alarm) => {
                let Some(code) = self.code_of_all(alarm) else { return false };
                self.sim.say(who, OperatorCommand::Acknowledge { code, length: None });
            }
            Deed::Holds(who, alarm, minutes) => {
                let Some(code) = self.code(alarm) else { return false };
                let length = Some(Span::minutes(minutes));
                self.sim.say(who, OperatorCommand::Acknowledge { code, length });
            }
            Deed::Next(who, alarm) => {
                let Some(code) = self.code(alarm) else { return false };
                self.sim.say(who, OperatorCommand::HandOn { code });
            }
        }
        true
    }

    fn told(&self) -> Vec<Telling> {
        let what = |purpose| match purpose {
            Purpose::Call => "call",
            Purpose::Digest => "digest",
            Purpose::Drill => "drill",
            Purpose::Taken => "taken",
            Purpose::AllClear => "clear",
            Purpose::Notice => "notice",
        };
        let sent = &self.sim.world.sent;
        sent.iter().map(|sent| ((sent.at - self.began).0, sent.to.clone(), what(sent.purpose))).collect()
    }
}

pub(crate) fn check((house, history): &Case) {
    let mut account = Account::of(house);
    let mut watch = Watch::over(house);
    let mut begun: Vec<Vec<i64>> = vec![Vec::new(); house.switches()];
    let mut holds = vec![false; house.switches()];
    let mut silent = vec![false; house.switches()];
    let mut lost: Vec<Vec<i64>> = vec![Vec::new(); house.switches()];
    let mut worse = vec![false; house.alarms.len()];
    let (mut at, mut story) = (0, Vec::new());
    for (nth, (gap, deed)) in history.iter().enumerate() {
        at += gap * 1_000;
        let now = at + (nth as i64 + 1) * APART;
        match *deed {
            Deed::Begins(switch) | Deed::Ends(switch) if silent[switch] => continue,
            Deed::Silent(switch) => {
                let lately = lost[switch].iter().filter(|begun| now - **begun < CALM).count();
                if silent[switch] || lately >= 2 {
                    continue;
                }
                lost[switch].push(now);
                silent[switch] = true;
            }
            Deed::Speaks(switch) if !std::mem::take(&mut silent[switch]) => continue,
            Deed::Speaks(_) => {}
            Deed::Begins(switch) => {
                let lately = begun[switch].iter().filter(|begun| now - **begun < CALM).count();
                if holds[switch] || lately >= 2 {
                    continue;
                }
                begun[switch].push(now);
                holds[switch] = true;
            }
            Deed::Ends(switch) if !std::mem::take(&mut holds[switch]) => continue,
            Deed::Worsens(alarm) if !house.alarms[alarm].worse || worse[alarm] => continue,
            Deed::Worsens(alarm) => worse[alarm] = true,
            Deed::Eases(alarm) if !std::mem::take(&mut worse[alarm]) => continue,
            Deed::Ends(_) | Deed::Eases(_) => {}
            Deed::Answers(..) | Deed::AnswersAll(..) | Deed::Holds(..) | Deed::Next(..) => {}
            Deed::Hush | Deed::Breaks(_) | Deed::PutsOff(_) | Deed::Mends(_) | Deed::Restart => {}
            Deed::Draws | Deed::Rests | Deed::Sticks(_) => {}
        }
        watch.sim.run_to(watch.began + Span(now));
        account.wait_until(now);
        if watch.deed(*deed) {
            story.push(format!("{} {deed:?}", clock(now)));
            account.deed(*deed);
        }
    }
    let begins_at_night = house.begins < 7 * 60 * MINUTE || house.begins >= 20 * 60 * MINUTE;
    let end = at + if begins_at_night { 11 } else { 4 } * 60 * MINUTE;
    watch.sim.run_to(watch.began + Span(end));
    account.wait_until(end);
    let (mut engine, naive) = (watch.told(), account.pages());
    engine.sort();
    if engine != naive {
        let only = |these: &[Telling], those: &[Telling]| {
            let mut left = those.to_vec();
            let differ = these.iter().filter(|it| match left.iter().position(|other| other == *it) {
                Some(at) => {
                    left.remove(at);
                    false
                }
                None => true,
            });
            differ.take(6).map(|(at, to, what)| format!("{} {to} {what}", clock(*at))).collect::<Vec<_>>()
        };
        let whole = watch.sim.story();
        let shown = whole.lines().filter(|line| !line.contains("accepted: taken")).take(70);
        panic!(
            "they differ\nonly the engine: {:#?}\nonly the account: {:#?}\nwhat happened: {story:#?}\n{}",
            only(&engine, &naive),
            only(&naive, &engine),
            shown.collect::<Vec<_>>().join("\n")
        );
    }
}

fn clock(at: i64) -> String {
    format!("{}:{:02}.{:03}", at / MINUTE, at % MINUTE / 1_000, at % 1_000)
}

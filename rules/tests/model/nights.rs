//! Random nights: a house whose alarms are switches, ladders, quiet hours and people who sleep;
//! alarms come and go and people answer at random times. Everybody who is paged is held against the
//! account, by the millisecond. No two things happen within one moment unless one follows from the
//! other.

use crate::account::{Account, Alarm, Deed, House, Ladder, MINUTE, Telling, WAYS};
use crate::fixtures::{BERLIN, directory, hours, plan_of};
use jiff::tz::TimeZone;
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::{select, subsequence};
use proptest::test_runner::{TestError, TestRunner};
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::plan::Surroundings;
use slackwater_rules::record::Purpose;
use slackwater_rules::sim::{Saying, SignalOrigin, Sim, SimSite};
use slackwater_rules::time::{Moment, Now, Span, Wall};

const RANKS: [&str; 4] = ["low", "medium", "high", "critical"];
const PEOPLE: [&str; 3] = ["ines", "tom", "neighbour"];
/// What follows from a thing of one moment keeps its odd milliseconds, so that no two meet.
const APART: i64 = 137;
/// Chattering has rules of its own: an alarm begins no more than twice within this.
const CALM: i64 = 35 * MINUTE;

/// A house, and what happens in it: minutes after the thing before.
pub(crate) type Case = (House, Vec<(i64, Deed)>);

fn ladder() -> impl Strategy<Value = Ladder> {
    let rung = (select(&[1_i64, 2, 5, 10, 30]), subsequence(WAYS.to_vec(), 1..=2));
    (
        vec(rung, 1..=3),
        select(&[5_i64, 15, 40]),
        select(&[20_i64, 60]),
        select(&[5_i64, 10]),
        select(&[1_i64, 2, 10]),
        prop::bool::weighted(0.4),
    )
        .prop_map(|(rungs, again, lease, renew, settle, quiet)| {
            let mut after = 0;
            let rungs = rungs.into_iter().enumerate().map(|(at, (gap, to))| {
                after += if at == 0 { 0 } else { gap };
                (after, to)
            });
            Ladder { rungs: rungs.collect(), again, lease, renew, settle, quiet }
        })
}

fn alarm(at: usize, ladders: usize) -> impl Strategy<Value = Alarm> {
    let causes = subsequence((0..at).collect::<Vec<_>>(), 0..=at.min(2));
    (
        (0..4_usize, 0..ladders, select(&[0_i64, 0, 30, 90])),
        (prop::bool::weighted(0.2), prop::option::weighted(0.5, select(&[2_i64, 12])), causes, any::<bool>()),
    )
        .prop_map(|((rank, ladder, on_delay), (latching, respond, causes, expected))| {
            let causes = causes.into_iter().map(|cause| (cause, expected)).collect();
            Alarm { rank, ladder, on_delay, latching, respond, causes }
        })
}

fn deed(alarms: usize) -> impl Strategy<Value = Deed> {
    let of = 0..alarms;
    prop_oneof![
        5 => of.clone().prop_map(Deed::Begins),
        4 => of.clone().prop_map(Deed::Ends),
        2 => (select(&PEOPLE), of.clone()).prop_map(|(who, alarm)| Deed::Answers(who, alarm)),
        1 => (select(&PEOPLE), of.clone(), select(&[5_i64, 90])).prop_map(|(who, at, long)| Deed::Holds(who, at, long)),
        1 => (select(&PEOPLE), of).prop_map(|(who, alarm)| Deed::Next(who, alarm)),
        1 => Just(Deed::Restart),
    ]
}

fn house() -> impl Strategy<Value = House> {
    (vec(ladder(), 1..=3), 1..=5_usize).prop_flat_map(|(ladders, alarms)| {
        let alarms: Vec<_> = (0..alarms).map(|at| alarm(at, ladders.len())).collect();
        let sleepers = subsequence(PEOPLE.to_vec(), 0..=2);
        (Just(ladders), alarms, sleepers, select(&[2_i64, 6, 12, 20, 21])).prop_map(
            |(ladders, alarms, sleepers, hour)| House {
                ladders,
                alarms,
                sleepers,
                begins: hour * 60 * MINUTE,
            },
        )
    })
}

pub(crate) fn case() -> impl Strategy<Value = Case> {
    house().prop_flat_map(|house| {
        let gap = select(&[0_i64, 0, 1, 1, 3, 7, 20, 61]);
        let history = vec((gap, deed(house.alarms.len())), 1..24);
        (Just(house), history)
    })
}

fn rules(house: &House) -> String {
    let mut text = "[site]\nname = \"Halyard House\"\n[tank.lagoon]\nvolume = \"420 L\"\n\
                    [sensor.gate]\ntopic = \"gate\"\nmeasures = \"presence\"\non = [\"on\"]\noff = [\"off\"]\nevery = \"1 min\"\n"
        .to_owned();
    for (at, ladder) in house.ladders.iter().enumerate() {
        text.push_str(&format!("[callout.ladder-{at}]\nsteps = [\n"));
        for (after, to) in &ladder.rungs {
            let to: Vec<String> = to.iter().map(|target| format!("\"{target}\"")).collect();
            text.push_str(&format!("  {{ after = \"{after} min\", to = [{}] }},\n", to.join(", ")));
        }
        text.push_str(&format!(
            "]\nagain = \"{} min\"\nlease = \"{} min\"\nrenew = \"{} min\"\nsettle = \"{} min\"\n",
            ladder.again, ladder.lease, ladder.renew, ladder.settle
        ));
        if ladder.quiet {
            text.push_str("quiet = [\"22:00\", \"07:00\"]\n");
        }
    }
    for (at, alarm) in house.alarms.iter().enumerate() {
        let names =
            |of: Vec<usize>| of.iter().map(|it| format!("\"alarm-{it}\"")).collect::<Vec<_>>().join(", ");
        let causes = alarm.causes.iter().map(|(cause, _)| *cause).collect();
        let expected =
            alarm.causes.iter().filter(|(_, expected)| *expected).map(|(cause, _)| *cause).collect();
        text.push_str(&format!(
            "[sensor.seen-{at}]\ntopic = \"seen/{at}/x\"\nmeasures = \"presence\"\non = [\"on\"]\noff = [\"off\"]\n\
             every = \"1 min\"\n[alarm.alarm-{at}]\ntank = \"lagoon\"\nwhen = \"seen-{at} is on\"\n\
             priority = \"{}\"\ncallout = \"ladder-{}\"\non-delay = \"{} s\"\nlatching = {}\n\
             consequence-of = [{}]\nexpected = [{}]\n",
            RANKS[alarm.rank],
            alarm.ladder,
            alarm.on_delay,
            alarm.latching,
            names(causes),
            names(expected),
        ));
        if let Some(respond) = alarm.respond {
            text.push_str(&format!("time-to-respond = \"{respond} h\"\n"));
        }
    }
    text
}

struct Watch {
    sim: Sim<SimSite>,
    began: Moment,
    /// What each alarm's sensor says.
    on: Vec<bool>,
}

impl Watch {
    fn over(house: &House) -> Self {
        let mut people = directory(&WAYS);
        for name in &house.sleepers {
            let contact = people.contacts.get_mut(*name).expect("there");
            contact.hours = vec![hours("08:00", "22:00")];
        }
        let zone = TimeZone::get(BERLIN).expect("bundled zones");
        let plan = plan_of(&rules(house), &Surroundings { directory: people, zone, today: None });
        let midnight: jiff::ZonedDateTime =
            "2026-03-02T00:00:00+01:00[Europe/Berlin]".parse().expect("a time");
        // Five minutes in which everything is heard.
        let wall = Wall(midnight.timestamp().as_millisecond() + house.begins - 5 * MINUTE);
        let now = Now { mono: Moment(1_000_000), wall, wall_trusted: true };
        let world = SimSite::new(&plan);
        let mut sim = Sim::new("account", plan, 7, now, world);
        sim.start(Some(Span::ZERO));
        let mut watch = Self { sim, began: now.mono + Span::minutes(5), on: vec![false; house.alarms.len()] };
        watch.says("gate", "off");
        (0..house.alarms.len()).for_each(|at| watch.says(&format!("seen/{at}/x"), "off"));
        watch.sim.run_to(watch.began);
        watch.sim.world.sent.clear();
        watch
    }

    fn says(&mut self, topic: &str, payload: &str) {
        self.sim.says(
            SignalOrigin::Topic(topic.to_owned()),
            Saying::Payload(payload.to_owned()),
            Span::minutes(1),
        );
    }

    fn code(&self, alarm: usize) -> Option<String> {
        let name = format!("alarm-{alarm}");
        let status = self.sim.engine.status(self.sim.now);
        status.alarms.into_iter().find(|known| known.name == name).and_then(|known| known.code)
    }

    fn sees(&mut self, alarm: usize) {
        let says = if self.on[alarm] { "on" } else { "off" };
        self.says(&format!("seen/{alarm}/x"), says);
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
        self.says("gate", "off");
        (0..self.on.len()).for_each(|alarm| self.sees(alarm));
    }

    /// Whether it could be done at all.
    fn deed(&mut self, deed: Deed) -> bool {
        match deed {
            Deed::Begins(alarm) | Deed::Ends(alarm) => {
                self.on[alarm] = matches!(deed, Deed::Begins(_));
                self.sees(alarm);
            }
            Deed::Restart => self.restart(),
            Deed::Answers(who, alarm) => {
                let Some(code) = self.code(alarm) else { return false };
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
    let mut begun: Vec<Vec<i64>> = vec![Vec::new(); house.alarms.len()];
    let mut holds = vec![false; house.alarms.len()];
    let (mut at, mut story) = (0, Vec::new());
    for (nth, (gap, deed)) in history.iter().enumerate() {
        at += gap * MINUTE;
        let now = at + (nth as i64 + 1) * APART;
        match *deed {
            Deed::Begins(alarm) => {
                let lately = begun[alarm].iter().filter(|begun| now - **begun < CALM).count();
                if holds[alarm] || lately >= 2 {
                    continue;
                }
                begun[alarm].push(now);
                holds[alarm] = true;
            }
            Deed::Ends(alarm) if !std::mem::take(&mut holds[alarm]) => continue,
            Deed::Ends(_) | Deed::Answers(..) | Deed::Holds(..) | Deed::Next(..) | Deed::Restart => {}
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
        let shown = whole.lines().filter(|line| !line.contains("accepted: taken")).take(90);
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

#[test]
fn everybody_is_paged_when_the_account_says_and_nobody_else() {
    let mut runner = TestRunner::new(super::config());
    let outcome = runner.run(&case(), |case| {
        check(&case);
        Ok(())
    });
    match outcome {
        Ok(()) => {}
        Err(TestError::Fail(why, case)) => panic!("{why}\n\n{case:?}"),
        Err(TestError::Abort(why)) => panic!("{why}"),
    }
}

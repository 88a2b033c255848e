//! What grows, and how fast: each point at three sizes in one run, with the exponent of its cost
//! (fit of the logarithm of CPU time over the logarithm of size): 1 is linear. CPU time is that of
//! the thread, so other work on the machine counts little.
//!
//! `cargo bench -p slackwater-rules --bench growth -- [NAME]… [SIZE]…`, for instance `losses 100
//! 300 1000`.

#![expect(clippy::expect_used, clippy::panic, reason = "a bench fails by panicking")]
#![expect(clippy::disallowed_methods, reason = "a bench takes words")]
#![expect(clippy::disallowed_macros, reason = "a bench prints")]

#[path = "../tests/fixtures/mod.rs"]
mod fixtures;

use fixtures::{UTC, around_in, plan_of};
use rustix::time::{ClockId, clock_gettime};
use slackwater_rules::backtest::Backtest;
use slackwater_rules::engine::{Arrival, Effect, Engine, Input, Link, OperatorCommand, Turn};
use slackwater_rules::plan::{Plan, SensorId};
use slackwater_rules::reading::Value;
use slackwater_rules::record::{Body, By, Outcome};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::collections::VecDeque;
use std::fmt::Write as _;

/// As asked for; of alarms, sensors, sites and mistakes.
fn sizes() -> Vec<usize> {
    let asked: Vec<usize> = std::env::args().filter_map(|arg| arg.parse().ok()).collect();
    if asked.is_empty() { vec![100, 1_000, 10_000] } else { asked }
}

const CALLOUT: &str =
    "[callout.household]\nsteps = [{ after = \"0 min\", to = [\"ines.push\"] }]\nagain = \"10 min\"\n";

/// CPU time of this thread so far, s: to the nanosecond, where `/proc` counts ticks.
fn cpu() -> f64 {
    let spent = clock_gettime(ClockId::ThreadCPUTime);
    spent.tv_sec as f64 + spent.tv_nsec as f64 / 1e9
}

/// An engine with what its turns cost.
struct Watch {
    engine: Engine,
    now: Now,
    spent: f64,
    longest: f64,
    turns: usize,
    pages: usize,
    octets: usize,
    texts: usize,
    raised: usize,
    /// Of the latest page.
    code: String,
}

impl Watch {
    fn new(plan: Plan) -> Self {
        let now = Now { mono: Moment(1_000_000), wall: Wall(1_772_452_800_000), wall_trusted: true };
        let mut watch = Self {
            engine: Engine::new(plan, 7, 1, now),
            now,
            spent: 0.0,
            longest: 0.0,
            turns: 0,
            pages: 0,
            octets: 0,
            texts: 0,
            raised: 0,
            code: String::new(),
        };
        watch.settle(Input::Started { version: "bench".to_owned(), gap: Some(Span::ZERO) });
        watch.settle(Input::Link(Link::Hears));
        watch
    }

    fn forget_costs(&mut self) {
        (self.spent, self.longest, self.turns, self.pages, self.octets) = (0.0, 0.0, 0, 0, 0);
        (self.texts, self.raised) = (0, 0);
    }

    fn turn(&mut self, input: Input) -> Turn {
        let before = cpu();
        let turn = self.engine.step(self.now, input);
        let took = cpu() - before;
        self.spent += took;
        self.longest = self.longest.max(took);
        self.turns += 1;
        turn
    }

    /// Hands this in, with all that is due at this moment; every page is taken by its channel at
    /// once.
    fn settle(&mut self, input: Input) {
        let mut open = VecDeque::from([input]);
        loop {
            let due = self.engine.next_deadline().is_some_and(|(at, _)| at <= self.now.mono);
            let Some(input) = open.pop_front().or(due.then_some(Input::Tick)) else { return };
            let turn = self.turn(input);
            let raised = turn.records.iter().filter(|record| matches!(record.body, Body::Raised { .. }));
            self.raised += raised.count();
            for effect in turn.effects {
                let Effect::Send { page, .. } = effect else { continue };
                self.pages += 1;
                self.code.clone_from(&page.code);
                self.octets += page.body.len() + page.html().len();
                self.texts = self.texts.max(page.text().len());
                let outcome = Outcome::Accepted { note: String::new() };
                open.push_back(Input::Delivered { page: page.id, outcome });
            }
        }
    }

    fn pass(&mut self, length: Span) {
        let end = self.now.mono + length;
        loop {
            let next = self.engine.next_deadline().map(|(at, _)| at).filter(|at| *at < end);
            let to = next.unwrap_or(end).max(self.now.mono);
            let ahead = to - self.now.mono;
            (self.now.mono, self.now.wall) = (to, self.now.wall + ahead);
            if next.is_none() {
                return;
            }
            self.settle(Input::Tick);
        }
    }

    fn hear(&mut self, topic: &str, payload: &str) {
        let message =
            Input::Message { topic: topic.to_owned(), payload: payload.into(), delivery: Arrival::Live };
        self.settle(message);
    }
}

/// One point at one size.
struct Cost {
    size: usize,
    seconds: f64,
    longest: f64,
    more: String,
}

/// Each size, told as soon as it is measured.
fn each(sizes: impl IntoIterator<Item = usize>, measure: impl Fn(usize) -> Cost) -> Vec<Cost> {
    sizes.into_iter().map(measure).inspect(told).collect()
}

fn told(Cost { size, seconds, longest, more }: &Cost) {
    println!("  {size:>8}  {:>9.2} ms CPU, longest turn {:>8.2} ms  {more}", seconds * 1e3, longest * 1e3);
}

fn print(what: &str, costs: &[Cost]) {
    let points: Vec<(f64, f64)> =
        costs.iter().map(|cost| ((cost.size as f64).ln(), cost.seconds.max(1e-9).ln())).collect();
    let count = points.len() as f64;
    let (x, y) =
        (points.iter().map(|p| p.0).sum::<f64>() / count, points.iter().map(|p| p.1).sum::<f64>() / count);
    let over = points.iter().map(|p| (p.0 - x) * (p.1 - y)).sum::<f64>();
    let under = points.iter().map(|p| (p.0 - x) * (p.0 - x)).sum::<f64>();
    println!("{what}: exponent {:.2}", over / under);
}

fn cost(size: usize, watch: &Watch) -> Cost {
    let more = format!("{} raised, {} turns, {} pages", watch.raised, watch.turns, watch.pages);
    Cost { size, seconds: watch.spent, longest: watch.longest, more }
}

fn plan(text: &str) -> Plan {
    plan_of(text, &around_in(UTC, &["ines.push"]))
}

/// So many alarms over so many sensors; the first sensor has the rest of them.
fn alarms(alarms: usize, sensors: usize) -> String {
    let mut text = format!("[tank.lagoon]\nvolume = \"420 L\"\n{CALLOUT}");
    for sensor in 0..sensors {
        let _ = write!(
            text,
            "[sensor.temp-{sensor}]\ntopic = \"halyard/temp-{sensor}\"\ntank = \"lagoon\"\nmeasures = \"temperature\"\n\
             unit = \"degC\"\nevery = \"30 s\"\n"
        );
    }
    for alarm in 0..alarms {
        let _ = write!(
            text,
            "[alarm.warm-{alarm}]\ntank = \"lagoon\"\nwhen = \"temp-{} > 27.{alarm:05} degC\"\npriority = \"high\"\non-delay = \"0 min\"\n\
             consequence = \"oxygen falls\"\nresponse = \"Open a window.\"\n",
            alarm % sensors
        );
    }
    text
}

/// Alarms that one reading raises, that a person answers, and that another reading ends.
fn alarms_of_one_reading() {
    let (mut raised, mut answered, mut ended) = (Vec::new(), Vec::new(), Vec::new());
    for size in sizes() {
        let mut watch = Watch::new(plan(&alarms(size, 1)));
        watch.hear("halyard/temp-0", "26.99");
        watch.forget_costs();
        watch.hear("halyard/temp-0", "27.2");
        watch.pass(Span::seconds(1));
        assert_eq!(watch.raised, size);
        raised.push(cost(size, &watch));
        raised.last().into_iter().for_each(told);
        watch.forget_costs();
        let command = OperatorCommand::Acknowledge { code: watch.code.clone(), length: None };
        watch.settle(Input::Said { command, by: By { who: "ines".to_owned(), via: "bench".to_owned() } });
        answered.push(cost(size, &watch));
        answered.last().into_iter().for_each(told);
        watch.forget_costs();
        watch.hear("halyard/temp-0", "26.99");
        watch.pass(Span::minutes(10));
        ended.push(cost(size, &watch));
        ended.last().into_iter().for_each(told);
    }
    print("alarms raised by one reading", &raised);
    print("alarms answered with one code", &answered);
    print("alarms that end by one reading", &ended);
}

/// Alarms raised within a second, each by a reading of its own.
fn alarms_of_many_readings() {
    let costs = each(sizes(), |size| {
        let mut watch = Watch::new(plan(&alarms(size, size)));
        (0..size).for_each(|sensor| watch.hear(&format!("halyard/temp-{sensor}"), "26.99"));
        watch.forget_costs();
        (0..size).for_each(|sensor| watch.hear(&format!("halyard/temp-{sensor}"), "27.2"));
        assert_eq!(watch.raised, size);
        cost(size, &watch)
    });
    print("alarms raised by readings of their own", &costs);
}

/// Sensors that fall silent in one moment, until all of that is told.
fn losses() {
    let costs = each(sizes(), |size| {
        let mut watch = Watch::new(plan(&alarms(size, size)));
        (0..size).for_each(|sensor| watch.hear(&format!("halyard/temp-{sensor}"), "26.99"));
        watch.forget_costs();
        watch.pass(Span::hours(1));
        assert_eq!(watch.raised, size);
        cost(size, &watch)
    });
    print("sensors that fall silent together, and the hour after", &costs);
}

/// Devices of which half fall silent while the rest speak on: nothing makes one loss of them. Then
/// they come back.
fn scattered() {
    let (mut lost, mut back) = (Vec::new(), Vec::new());
    for size in sizes() {
        let topics: Vec<String> = (0..size).map(|device| format!("halyard/device-{device}/temp")).collect();
        let spread = |line: &str| match line.strip_prefix("topic = \"halyard/temp-") {
            Some(number) => format!("topic = \"halyard/device-{}/temp\"\n", number.trim_end_matches('"')),
            None => format!("{line}\n"),
        };
        let text: String = alarms(size, size).lines().map(spread).collect();
        let mut watch = Watch::new(plan(&text));
        topics.iter().for_each(|topic| watch.hear(topic, "26.99"));
        watch.forget_costs();
        for _ in 0..144 {
            // The first half goes silent: what speaks on is not counted here.
            watch.pass(Span::seconds(25));
            let before = (watch.spent, watch.longest, watch.turns, watch.pages);
            topics.iter().skip(size / 2).for_each(|topic| watch.hear(topic, "26.99"));
            (watch.spent, watch.longest, watch.turns, watch.pages) = before;
        }
        assert_eq!(watch.raised, size / 2);
        lost.push(cost(size, &watch));
        lost.last().into_iter().for_each(told);
        watch.forget_costs();
        topics.iter().take(size / 2).for_each(|topic| watch.hear(topic, "26.99"));
        back.push(cost(size, &watch));
        back.last().into_iter().for_each(told);
    }
    print("scattered devices that fall silent", &lost);
    print("scattered devices that come back", &back);
}

/// Watched sites that fall silent in one moment.
fn sites() {
    let costs = each(sizes(), |size| {
        let mut text = String::from(
            "[site]\nname = \"Tom's shed\"\n[sight]\ncallout = \"household\"\n[callout.household]\n\
             steps = [{ after = \"0 min\", to = [\"ines.push\"] }]\n",
        );
        for site in 0..size {
            let key = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo";
            let _ = write!(text, "[watched.site-{site}]\nkey = \"{key}\"\n");
        }
        let mut watch = Watch::new(plan(&text));
        let sensors: Vec<SensorId> = watch.engine.plan().watched.iter().map(|site| site.sensor).collect();
        for sensor in sensors {
            watch.settle(Input::Measured { sensor, value: Value::Word(0), delivery: Arrival::Live });
        }
        watch.forget_costs();
        watch.pass(Span::minutes(30));
        assert_eq!(watch.raised, size);
        cost(size, &watch)
    });
    print("watched sites that fall silent together", &costs);
}

/// A call-out that nobody answers, over 3, 10 and 30 days.
fn unanswered() {
    for again in ["10 min", "2 min"] {
        let text = alarms(1, 1).replace("again = \"10 min\"", &format!("again = \"{again}\""));
        let costs = each([3, 10, 30], |days| {
            let mut watch = Watch::new(plan(&text));
            watch.hear("halyard/temp-0", "27.2");
            watch.forget_costs();
            let mut last = (0, 0);
            for _ in 0..days * 1_440 {
                last = (watch.pages, watch.octets);
                watch.pass(Span::seconds(30));
                watch.hear("halyard/temp-0", "27.2");
                watch.pass(Span::seconds(30));
                watch.hear("halyard/temp-0", "27.2");
                if watch.pages == last.0 {
                    continue;
                }
            }
            // What one page weighs at the end.
            while watch.pages == last.0 {
                last = (watch.pages, watch.octets);
                watch.pass(Span::seconds(30));
                watch.hear("halyard/temp-0", "27.2");
                if watch.pages > last.0 {
                    break;
                }
            }
            let page = (watch.octets - last.1) / (watch.pages - last.0).max(1);
            let state = format!("{:?}", watch.engine).len();
            let per_day = watch.spent * 1e3 / days as f64;
            let more = format!(
                "{per_day:.1} ms a day, {} pages, the last {page} bytes, longest text {}, state printed {state} bytes",
                watch.pages, watch.texts
            );
            Cost { size: days, seconds: watch.spent, longest: watch.longest, more }
        });
        print(&format!("days without an answer, again after {again}"), &costs);
    }
}

/// A rule file with so many mistakes.
fn findings() {
    let costs = each(sizes(), |size| {
        let text = alarms(size, size.div_ceil(10)).replace("27.", "27,");
        let around = around_in(UTC, &["ines.push"]);
        let before = cpu();
        let checked = Plan::check("rules.toml", &text, &around);
        let seconds = cpu() - before;
        let more =
            format!("{} findings kept, report of {} bytes", checked.findings.len(), checked.report.len());
        Cost { size, seconds, longest: 0.0, more }
    });
    print("mistakes in a rule file", &costs);
}

/// A backtest over so many minutes, of ten sensors that are absent for most of it.
fn backtest() {
    let costs = each([10_000, 100_000, 1_000_000], |size| {
        let plan = plan(&alarms(10, 10));
        let start = Wall(1_772_452_800_000);
        let before = cpu();
        let mut backtest = Backtest::new(&plan, start, start);
        for minute in 0..size as i64 {
            // One sensor alone goes on.
            let sensor = if minute < 60 { (minute % 10) as u32 } else { 0 };
            backtest.hear(start + Span::minutes(minute), SensorId(sensor), Value::Number(25.0));
        }
        let outcomes = backtest.finish(start + Span::minutes(size as i64));
        let seconds = cpu() - before;
        let more = format!("{} spells, {} readings", outcomes.spells.len(), outcomes.readings);
        Cost { size, seconds, longest: 0.0, more }
    });
    print("lines of a backtest with absent sensors", &costs);
}

fn main() {
    let all: [(&str, fn()); 8] = [
        ("one-reading", alarms_of_one_reading),
        ("many-readings", alarms_of_many_readings),
        ("losses", losses),
        ("scattered", scattered),
        ("sites", sites),
        ("unanswered", unanswered),
        ("findings", findings),
        ("backtest", backtest),
    ];
    let wanted: Vec<String> = std::env::args().skip(1).filter(|arg| !arg.starts_with('-')).collect();
    for (name, run) in all {
        if wanted.is_empty() || wanted.iter().any(|it| it == name) {
            run();
        }
    }
}

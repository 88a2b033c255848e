//! A small site whose alarms are the conditions under test: two sensors that say watts, two
//! that say words.

use jiff::tz::TimeZone;
use slackwater_rules::engine::{Delivery, Engine, Input, Link};
use slackwater_rules::plan::{ChannelKind, Directory, Plan, Surroundings, Target};
use slackwater_rules::time::{Moment, Now, Span, Wall};

pub(crate) const SENSORS: [&str; 4] = ["p", "q", "m", "n"];
/// When the watch begins; off the grid of every window.
pub(crate) const START: i64 = 1_234_567;
/// 2026-03-02T10:00:00Z at the start.
const WALL: i64 = 1_772_445_600_000;
/// Three times `every`.
pub(crate) const STALE: i64 = 90_000;

fn rules(conditions: &[String]) -> String {
    let mut text = String::from("[callout.home]\nsteps = [{ after = \"0 s\", to = [\"ines.push\"] }]\n");
    for name in &SENSORS[..2] {
        text += &format!(
            "[sensor.{name}]\ntopic = \"{name}\"\nmeasures = \"power\"\nunit = \"W\"\nevery = \"30 s\"\n"
        );
    }
    for name in &SENSORS[2..] {
        text += &format!(
            "[sensor.{name}]\ntopic = \"{name}\"\nmeasures = \"state\"\non = [\"on\"]\noff = [\"off\"]\nevery = \"30 s\"\n"
        );
    }
    for (index, condition) in conditions.iter().enumerate() {
        text += &format!("[alarm.c{index}]\nwhen = \"{condition}\"\npriority = \"low\"\n");
    }
    text
}

pub(crate) struct Site {
    engine: Engine,
    now: Now,
}

impl Site {
    /// None if the plan refuses one of the conditions.
    pub(crate) fn new(conditions: &[String]) -> Result<Self, String> {
        let channels = [(Target::parse("ines.push"), ChannelKind::Push)].into();
        let directory = Directory { channels, ..Directory::default() };
        let around = Surroundings { directory, zone: TimeZone::UTC, today: None };
        let checked = Plan::check("rules.toml", &rules(conditions), &around);
        let plan = checked.plan.ok_or(checked.report)?;
        let now = Now { mono: Moment(START), wall: Wall(WALL), wall_trusted: true };
        let mut site = Self { engine: Engine::new(plan, 7, 1, now), now };
        site.step(Input::Started { version: "test".to_owned(), gap: None });
        site.step(Input::Link(Link::Hears));
        Ok(site)
    }

    fn step(&mut self, input: Input) {
        self.engine.step(self.now, input);
    }

    /// Lets time pass up to `at`; `woken` is told of each condition that was asked again on the way.
    pub(crate) fn pass(&mut self, at: i64, mut woken: impl FnMut(&Self, i64, usize)) {
        while let Some((due, _)) = self.engine.next_deadline().filter(|(due, _)| due.0 <= at) {
            self.jump(due.0);
            let due_now = self.engine.status(self.now).deadlines.into_iter();
            let asked: Vec<usize> = due_now
                .filter(|deadline| deadline.due == Span::ZERO)
                .filter_map(|deadline| {
                    let alarm = deadline.reason.strip_suffix(" may change by time alone")?;
                    alarm.strip_prefix('c')?.parse().ok()
                })
                .collect();
            self.step(Input::Tick);
            for alarm in asked {
                woken(self, due.0, alarm);
            }
        }
        self.jump(at);
    }

    fn jump(&mut self, to: i64) {
        let ahead = Span(to - self.now.mono.0);
        self.now = Now { mono: self.now.mono + ahead, wall: self.now.wall + ahead, ..self.now };
    }

    pub(crate) fn hear(&mut self, sensor: usize, payload: &str) {
        self.step(Input::Message {
            topic: SENSORS[sensor].to_owned(),
            payload: payload.as_bytes().to_vec(),
            delivery: Delivery::Live,
        });
    }

    pub(crate) fn truth(&self, condition: usize) -> String {
        let explained = self.engine.explain(&format!("c{condition}"), self.now).expect("an alarm");
        explained.alarm.truth.to_owned()
    }

    pub(crate) fn explain(&self, condition: usize) -> String {
        let explained = self.engine.explain(&format!("c{condition}"), self.now).expect("an alarm");
        explained.reasons.into_iter().map(|(_, text, _)| text + "\n").collect()
    }
}

//! A small site whose alarms are the conditions under test: two sensors that say watts, two
//! that say words.

use crate::fixtures::{UTC, around_in};
use slackwater_rules::engine::Arrival;
use slackwater_rules::plan::Plan;
use slackwater_rules::sim::{Sim, SimSite};
use slackwater_rules::time::{Moment, Now, Wall};

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

pub(crate) struct Site(Sim<SimSite>);

impl Site {
    /// None if the plan refuses one of the conditions.
    pub(crate) fn new(conditions: &[String]) -> Result<Self, String> {
        let checked = Plan::check("rules.toml", &rules(conditions), &around_in(UTC, &["ines.push"]));
        let plan = checked.plan.ok_or(checked.report)?;
        let now = Now { mono: Moment(START), wall: Wall(WALL), wall_trusted: true };
        let world = SimSite::new(&plan);
        let mut sim = Sim::new("test", plan, 7, now, world);
        sim.start(None);
        Ok(Self(sim))
    }

    /// Lets time pass up to `at`; `woken` is told of each condition that was asked again on the
    /// way.
    pub(crate) fn pass(&mut self, at: i64, mut woken: impl FnMut(&Self, i64, usize)) {
        loop {
            let asked = self.asked_next();
            if !self.0.advance(Moment(at)) {
                break;
            }
            while self.0.turn() {}
            for alarm in asked {
                woken(self, self.0.now.mono.0, alarm);
            }
        }
        assert_eq!(self.0.stuck, None);
    }

    /// The conditions that are asked at the next deadline.
    fn asked_next(&self) -> Vec<usize> {
        let Some((due, _)) = self.0.engine.next_deadline() else { return Vec::new() };
        let wait = due - self.0.now.mono;
        let deadlines = self.0.engine.status(self.0.now).deadlines.into_iter();
        let alarm = |reason: String| {
            reason.strip_suffix(" may change by time alone")?.strip_prefix('c')?.parse().ok()
        };
        deadlines.filter(|deadline| deadline.due == wait).filter_map(|it| alarm(it.reason)).collect()
    }

    pub(crate) fn hear(&mut self, sensor: usize, payload: &str) {
        self.0.hear(SENSORS[sensor], payload, Arrival::Live);
    }

    pub(crate) fn truth(&self, condition: usize) -> &'static str {
        self.0.truth(&format!("c{condition}"))
    }

    pub(crate) fn explain(&self, condition: usize) -> String {
        self.0.why(&format!("c{condition}"))
    }
}

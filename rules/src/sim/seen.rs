//! What can be seen of a site in virtual time: what rang, what stands, and why.

use super::Sim;
use crate::record::{Body, Record};
use crate::time::Moment;

impl<W> Sim<W> {
    /// Names of the alarms that were raised, in order of time.
    pub fn raised(&self) -> Vec<&str> {
        let names = self.records.iter().filter_map(|record| match &record.body {
            Body::Raised { alarm, .. } => Some(alarm.as_str()),
            _ => None,
        });
        names.collect()
    }

    /// When this alarm was first raised, if it was.
    pub fn first_raised(&self, alarm: &str) -> Option<Moment> {
        let is = |record: &&Record| matches!(&record.body, Body::Raised { alarm: name, .. } if name == alarm);
        self.records.iter().find(is).map(|record| record.at.mono)
    }

    /// The state of an alarm in the words of `status`; none if there is no such alarm.
    pub fn state(&self, alarm: &str) -> Option<String> {
        let alarms = self.engine.status(self.now).alarms;
        alarms.into_iter().find(|view| view.name == alarm).map(|view| view.state)
    }

    /// What the condition of an alarm comes to: `true`, `false` or `unknown`; empty if there is no
    /// such alarm.
    pub fn truth(&self, alarm: &str) -> &'static str {
        self.engine.explain(alarm, self.now).map(|explained| explained.alarm.truth).unwrap_or_default()
    }

    /// The condition of an alarm with its reasons, a line each, indented.
    pub fn why(&self, alarm: &str) -> String {
        let reasons = self.engine.explain(alarm, self.now).map(|explained| explained.reasons);
        let line = |(depth, text, _): (usize, String, _)| "  ".repeat(depth) + &text + "\n";
        reasons.into_iter().flatten().map(line).collect()
    }

    /// Everything recorded, with its seconds on the present clock, a line each.
    pub fn story(&self) -> String {
        let line = |record: &Record| format!("{:>9} {}\n", record.at.mono.0 / 1_000, record.body);
        self.records.iter().map(line).collect()
    }
}

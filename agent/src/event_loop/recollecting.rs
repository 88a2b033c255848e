//! The journal's minutes told to windows that know nothing yet: after a start, and after a reload
//! those of conditions that are new. A minute counts by its mean, or by its first and last word.

use crate::journal::{JournalError, JournalLog, Minute, Values};
use slackwater_rules::engine::Engine;
use slackwater_rules::plan::SensorId;
use slackwater_rules::reading::Value;
use slackwater_rules::time::{Moment, Now, Span};
use std::collections::BTreeMap;
use std::path::Path;

/// Within a minute the last word is known, but not since when.
const HALF: Span = Span::seconds(30);

/// Tells them. What is not dated for sure can't be told, and windows then fill by themselves.
pub(super) fn recollect(engine: &mut Engine, journal: &Path, now: &Now) {
    let Some(reach) = engine.wants_past().filter(|_| now.wall_trusted && journal.exists()) else { return };
    match tell(engine, journal, now, reach) {
        Ok(minutes) => tracing::debug!(minutes, "windows were told of the past"),
        Err(error) => tracing::warn!("windows know nothing of the past: {error}"),
    }
}

fn tell(engine: &mut Engine, journal: &Path, now: &Now, reach: Span) -> Result<u64, JournalError> {
    let log = JournalLog::open(journal)?;
    let sensors = (0..).map(SensorId).zip(&engine.plan().sensors);
    let sensors: BTreeMap<String, SensorId> = sensors.map(|(id, sensor)| (sensor.name.clone(), id)).collect();
    let mut told = 0;
    let mut past = engine.recollect(now.mono - reach);
    let walked = log.walk_readings(now.wall - reach, now.wall, |name, minute| {
        let Some(id) = sensors.get(name).filter(|_| minute.sure) else { return };
        told += 1;
        let at = now.mono - (now.wall - minute.wall);
        for (at, value) in said(at, &minute) {
            past.hear(at, *id, value);
        }
    });
    past.finish();
    walked.map(|()| told)
}

fn said(at: Moment, minute: &Minute) -> impl Iterator<Item = (Moment, Value)> {
    let (first, last) = match minute.values {
        Some(Values::Numbers { mean, .. }) => (Some(Value::Number(mean)), None),
        Some(Values::Words { first, last, .. }) if first == last => (Some(Value::Word(first)), None),
        Some(Values::Words { first, last, .. }) => (Some(Value::Word(first)), Some(Value::Word(last))),
        None => (None, None),
    };
    [first.map(|value| (at, value)), last.map(|value| (at + HALF, value))].into_iter().flatten()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::{BootId, Journal, JournalLimits};
    use jiff::tz::TimeZone;
    use slackwater_rules::engine::{Arrival, Input, Link, Sample};
    use slackwater_rules::plan::{Plan, Surroundings};
    use slackwater_rules::quality::Quality;
    use slackwater_rules::time::Wall;

    const RULES: &str = r#"
[sensor.return-flow]
topic = "flow"
measures = "flow"
unit = "L/h"
every = "30 s"

[alarm.fading]
when = "mean of return-flow over 6 h < 2000 L/h"
priority = "low"
"#;

    const DAY: Span = Span::hours(24);
    const BEGAN: Wall = Wall(1_772_445_600_000);

    /// A journal of a day at 1500 L/h under a boot's clock, and what a watch says that begins
    /// after it, under another boot's.
    fn truth_after_a_restart(trusted_then: bool, trusted_now: bool) -> String {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.sqlite");
        let (mut journal, _) =
            Journal::open(&path, BootId("first".to_owned()), JournalLimits::default()).unwrap();
        let then = |at: Span| Now { mono: Moment(at.0), wall: BEGAN + at, wall_trusted: trusted_then };
        for half_minute in 0..2 * 1440 {
            let at = Moment(Span::seconds(30 * half_minute).0);
            let value = Some(Value::Number(1500.0 / 3.6e6));
            journal.sample(&[Sample { sensor: "return-flow".into(), at, value, quality: Quality::Good }]);
        }
        journal.flush(&then(DAY)).unwrap();
        drop(journal);

        let around = Surroundings { directory: Default::default(), zone: TimeZone::UTC, today: None };
        let plan = Plan::check("rules.toml", RULES, &around).plan.unwrap();
        let away = DAY + Span::minutes(10);
        let now = Now { mono: Moment(5_000), wall: BEGAN + away, wall_trusted: trusted_now };
        let mut engine = Engine::new(plan, 1, 1, now);
        recollect(&mut engine, &path, &now);
        engine.step(now, Input::Started { version: "test".to_owned(), gap: None });
        engine.step(now, Input::Link(Link::Hears));
        let value = Value::Number(1500.0 / 3.6e6);
        engine.step(now, Input::Measured { sensor: SensorId(0), value, delivery: Arrival::Live });
        engine.explain("fading", now).unwrap().alarm.truth.to_owned()
    }

    #[test]
    fn a_window_is_full_again_after_a_restart() {
        assert_eq!(truth_after_a_restart(true, true), "true");
    }

    #[test]
    fn what_is_not_dated_for_sure_is_not_told() {
        assert_eq!(truth_after_a_restart(false, true), "unknown");
        assert_eq!(truth_after_a_restart(true, false), "unknown");
    }
}

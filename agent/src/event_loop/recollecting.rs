//! The journal's minutes told to windows that know nothing yet: after a start, and after a reload
//! those of conditions that are new. A minute counts by its mean, or by its first and last word.
//! What work disturbed then is left out, as the records tell of it.
//! Readings that come late, with the time at which they were measured, go into the journal; a
//! little later the windows that look at them are told the whole past anew, in order of time.

use crate::journal::writer::Keeper;
use crate::journal::{JournalError, JournalLog, Minute, Values};
use slackwater_rules::engine::{Engine, PastWork, Turn};
use slackwater_rules::plan::SensorId;
use slackwater_rules::quality::Quality;
use slackwater_rules::reading::Value;
use slackwater_rules::record::{Body, Record};
use slackwater_rules::time::{Moment, Now, Span};
use std::collections::BTreeMap;
use std::path::Path;

/// Within a minute the last word is known, but not since when.
const HALF: Span = Span::seconds(30);

/// What comes late comes together: so long the windows wait for the rest of it.
const GATHER: Span = Span::minutes(1);

/// The past is read no more often than this, however often something comes late.
const TOLD_EVERY: Span = Span::minutes(30);

/// When windows are to be told of what came late.
#[derive(Default)]
pub(super) struct Retelling {
    due: Option<Moment>,
    told: Option<Moment>,
}

impl Retelling {
    /// Looks whether something came late in this turn that windows have to be told of.
    pub(super) fn note(&mut self, engine: &Engine, turn: &Turn, now: Moment) {
        let late = turn.samples.iter().any(|sample| sample.quality == Quality::Late);
        if late && engine.wants_past().is_some() {
            self.want(now);
        }
    }

    /// Tells the windows if it is time.
    pub(super) fn tend(&mut self, engine: &mut Engine, keeper: &mut Keeper, journal: &Path, now: &Now) {
        if self.is_due(now.mono) {
            keeper.flush(now);
            recollect(engine, journal, now);
        }
    }

    /// Something came late.
    fn want(&mut self, now: Moment) {
        let earliest = self.told.map_or(now, |told| told + TOLD_EVERY);
        self.due.get_or_insert(earliest.max(now + GATHER));
    }

    /// When they are told.
    pub(super) fn due(&self) -> Option<Moment> {
        self.due
    }

    /// Whether it is time; then it is done.
    fn is_due(&mut self, now: Moment) -> bool {
        let due = self.due.take_if(|due| *due <= now).is_some();
        if due {
            self.told = Some(now);
        }
        due
    }
}

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
    let works = works(&log, engine, now, reach)?;
    let mut told = 0;
    let mut past = engine.recollect(now.mono - reach, &works);
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

/// The work of that time, on the present clock; and what had begun as long before as work may last.
fn works(log: &JournalLog, engine: &Engine, now: &Now, reach: Span) -> Result<Vec<PastWork>, JournalError> {
    let longest = engine.plan().works.values().map(|work| work.longest).max();
    let Some(since) = longest.map(|longest| now.wall - reach - longest) else { return Ok(Vec::new()) };
    let mut works: Vec<PastWork> = Vec::new();
    log.walk(log.oldest_since(since)?, |Record { at, body, .. }| {
        let at = now.mono - (now.wall - at.wall);
        match body {
            Body::WorkBegan { tank, work, length, .. } => {
                works.push(PastWork { tank, work, began: at, ended: at + length });
            }
            Body::WorkEnded { tank, .. } => {
                if let Some(work) = works.iter_mut().rev().find(|work| work.tank == tank) {
                    work.ended = work.ended.min(at);
                }
            }
            _ => {}
        }
        true
    })?;
    Ok(works)
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
    use slackwater_rules::record::By;
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

    #[test]
    fn what_work_did_to_the_water_is_in_no_window_after_a_restart_either() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.sqlite");
        let (mut journal, _) =
            Journal::open(&path, BootId("first".to_owned()), JournalLimits::default()).unwrap();
        let then = |at: Span| Now { mono: Moment(at.0), wall: BEGAN + at, wall_trusted: true };
        let by = || By { who: "ines".to_owned(), via: "page".to_owned() };
        let (tank, work) = ("lagoon".to_owned(), "feeding".to_owned());
        // Five hours of six without flow: fed with everything off, ended by hand; then fed again,
        // and the watch is off when that ends by itself.
        let records = [
            (
                20 * 60,
                Body::WorkBegan { tank: tank.clone(), work: work.clone(), length: Span::hours(9), by: by() },
            ),
            (22 * 60 + 30, Body::WorkEnded { tank: tank.clone(), work: work.clone(), by: Some(by()) }),
            (
                23 * 60,
                Body::WorkBegan {
                    tank: tank.clone(),
                    work: work.clone(),
                    length: Span::minutes(150),
                    by: by(),
                },
            ),
        ];
        let is_work = |minute: i64| {
            (20 * 60..22 * 60 + 30).contains(&minute) || (23 * 60..25 * 60 + 30).contains(&minute)
        };
        for (seq, (minute, body)) in (1..).zip(records) {
            let at = then(Span::minutes(minute));
            journal.commit(&[Record { seq, at, body }], 0).unwrap();
        }
        for minute in 0..26 * 60 {
            let value = if is_work(minute) { 0.0 } else { 2500.0 / 3.6e6 };
            let at = Moment(Span::minutes(minute).0);
            let value = Some(Value::Number(value));
            journal.sample(&[Sample { sensor: "return-flow".into(), at, value, quality: Quality::Good }]);
        }
        journal.flush(&then(Span::hours(26))).unwrap();
        drop(journal);

        let around = Surroundings { directory: Default::default(), zone: TimeZone::UTC, today: None };
        let on_a_tank = RULES
            .replace("topic =", "tank = \"lagoon\"\ntopic =")
            .replace("when = \"", "tank = \"lagoon\"\nwhen = \"");
        let rules = |works: &str| format!("[tank.lagoon]\nvolume = \"420 L\"\n{on_a_tank}{works}");
        let truth = |rules: &str| {
            let plan = Plan::check("rules.toml", rules, &around).plan.unwrap();
            let now = Now { mono: Moment(5_000), wall: BEGAN + Span::hours(26), wall_trusted: true };
            let mut engine = Engine::new(plan, 1, 1, now);
            recollect(&mut engine, &path, &now);
            engine.step(now, Input::Started { version: "test".to_owned(), gap: None });
            engine.step(now, Input::Link(Link::Hears));
            let value = Value::Number(2500.0 / 3.6e6);
            engine.step(now, Input::Measured { sensor: SensorId(0), value, delivery: Arrival::Live });
            engine.explain("fading", now).unwrap().alarm.truth.to_owned()
        };
        assert_ne!(truth(&rules("[work.feeding]\npauses = [\"flow\"]\nlongest = \"9 h\"\n")), "true");
        // What feeding does not pause is seen.
        assert_eq!(truth(&rules("[work.feeding]\npauses = [\"level\"]\nlongest = \"9 h\"\n")), "true");
    }

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

    #[test]
    fn windows_are_told_of_what_came_late_soon_and_not_often() {
        let mut retelling = Retelling::default();
        let at = |minutes| Moment(0) + Span::minutes(minutes);
        assert_eq!(retelling.due(), None);
        retelling.want(at(10));
        retelling.want(at(11));
        assert_eq!(retelling.due(), Some(at(11)));
        assert!(!retelling.is_due(at(10)));
        assert!(retelling.is_due(at(11)));
        retelling.want(at(12));
        assert_eq!(retelling.due(), Some(at(41)));
    }

    #[test]
    fn a_pack_that_comes_after_a_gap_fills_the_window_in_order_of_time() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.sqlite");
        let (mut journal, _) =
            Journal::open(&path, BootId("first".to_owned()), JournalLimits::default()).unwrap();
        let around = Surroundings { directory: Default::default(), zone: TimeZone::UTC, today: None };
        let rules = RULES.replace("topic = \"flow\"", "topic = \"flow\"\nsenml = \"f\"");
        let plan = Plan::check("rules.toml", &rules, &around).plan.unwrap();
        let now = |minutes: i64| Now {
            mono: Moment(0) + Span::minutes(minutes),
            wall: BEGAN + Span::minutes(minutes),
            wall_trusted: true,
        };
        let pack = |ages: &mut dyn Iterator<Item = i64>| -> Vec<u8> {
            let one = |ago: i64| format!(r#"{{"n":"f","v":1500,"u":"L/h","t":-{}}}"#, ago * 60);
            format!("[{}]", ages.map(one).collect::<Vec<_>>().join(",")).into_bytes()
        };
        let mut engine = Engine::new(plan, 1, 1, now(0));
        engine.step(now(0), Input::Started { version: "test".to_owned(), gap: None });
        engine.step(now(0), Input::Link(Link::Hears));
        let mut say = |engine: &mut Engine, at: Now, payload| {
            let said = Input::Message { topic: "flow".to_owned(), payload, delivery: Arrival::Live };
            let turn = engine.step(at, said);
            journal.sample(&turn.samples);
            journal.flush(&at).unwrap();
        };
        say(&mut engine, now(1), pack(&mut [0].into_iter()));
        for minute in 2..7 * 60 {
            engine.step(now(minute), Input::Tick);
        }
        // Six hours in which the sender could not be heard, and kept what it measured.
        say(&mut engine, now(7 * 60), pack(&mut (0..6 * 60).rev()));
        assert_eq!(engine.explain("fading", now(7 * 60)).unwrap().alarm.truth, "unknown");
        recollect(&mut engine, &path, &now(7 * 60));
        let mut once_more = |at: Now| {
            let said = Input::Message {
                topic: "flow".to_owned(),
                payload: pack(&mut [0].into_iter()),
                delivery: Arrival::Live,
            };
            engine.step(at, said);
            engine.explain("fading", at).unwrap().alarm.truth.to_owned()
        };
        assert_eq!(once_more(now(7 * 60 + 1)), "true");
    }
}

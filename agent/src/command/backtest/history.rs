//! The past, wherever it is kept: readings in order of time, what people said to the watch then,
//! and what rang. It flows through one or several backtests side by side.

use super::csv::CsvFile;
use super::progress::BacktestProgress;
use crate::journal::{JournalLog, Minute, Values};
use crate::review::ReviewSpan;
use slackwater_rules::backtest::{Backtest, Marks, Outcomes, Spell, Spells};
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::plan::{Plan, SensorId};
use slackwater_rules::reading::Value;
use slackwater_rules::record::{Body, By, Record};
use slackwater_rules::time::{Span, Wall};
use std::collections::{BTreeMap, BTreeSet};

const MINUTE: Span = Span::minutes(1);

/// A minute's reading is repeated at the sensor's own pace, but no more often than this.
const MOST_A_MINUTE: i64 = 60;

/// The sign of life comes every minute, or with readings every ten.
const CAME_BACK: Span = Span::minutes(10);

/// What a person said then.
#[derive(Clone, Debug)]
enum SaidThen {
    Command(OperatorCommand),
    /// The code was another then.
    Acknowledged(String),
}

#[derive(Debug)]
enum Readings {
    Journal(JournalLog),
    File(CsvFile),
}

/// The past.
#[derive(Debug)]
pub(super) struct Past {
    readings: Readings,
    said: Vec<(Wall, SaidThen, By)>,
    /// What rang then; nothing is known of it for a file.
    pub(super) then: Option<Vec<Spell>>,
    pub(super) marks: Marks,
    /// What else to know of it.
    pub(super) notes: Vec<String>,
    /// When the watch was away then; none if nobody knows.
    absences: Option<Vec<(Wall, Wall)>>,
}

impl Past {
    /// `all_silence`: where the file has nothing at all, everything was silent; else nobody
    /// watched.
    pub(super) fn file(mut file: CsvFile, all_silence: bool) -> Self {
        let notes = std::mem::take(&mut file.notes);
        let absences = all_silence.then(Vec::new);
        Self {
            readings: Readings::File(file),
            said: Vec::new(),
            then: None,
            marks: Marks::new(),
            notes,
            absences,
        }
    }

    /// Readings that were not believed then are not in it, and a minute's means have no rates of
    /// change: the plan's are not asked for.
    pub(super) fn journal(log: JournalLog, plan: &mut Plan, window: ReviewSpan) -> Result<Self, String> {
        plan.sensors.iter_mut().for_each(|sensor| sensor.max_rate = None);
        let (mut spells, mut said) = (Spells::default(), Vec::new());
        let mut signs = Signs { alive: log.alive().map_err(|error| error.to_string())?, ..Signs::default() };
        let walked = log.walk(0, |record| {
            signs.take(&record);
            // Marks are made later than what they are about.
            let mark = matches!(record.body, Body::Marked { .. });
            if mark || record.at.wall <= window.until {
                spells.take(&record);
                said.extend(said_in(record));
            }
            true
        });
        let unreadable = walked.map_err(|error| error.to_string())?;
        let marks = spells.marks().clone();
        let mut then = spells.finish(window.until);
        then.retain(|spell| spell.to >= window.since && spell.from <= window.until);
        let mut notes = Vec::new();
        if !unreadable.is_empty() {
            notes
                .push(format!("{} records can't be read by this version and are left out", unreadable.len()));
        }
        let absences = Some(signs.absences(window));
        Ok(Self { readings: Readings::Journal(log), said, then: Some(then), marks, notes, absences })
    }

    /// What the readings can't show.
    pub(super) fn caution(&self) -> &'static str {
        match self.readings {
            Readings::Journal(_) => {
                "The journal keeps of each minute the mean of the believed numbers, and the first and last \
                 word: spells shorter than a minute may be missed, and unbelieved readings are not tried."
            }
            Readings::File(_) => "What happened between two readings of the file can't be seen.",
        }
    }

    /// Plays it from `start` to `until`, and says how far it has come.
    pub(super) fn play(
        &self,
        playing: &mut Playing<'_>,
        (start, until): (Wall, Wall),
        progress: &mut BacktestProgress,
    ) -> Result<(), String> {
        match &self.readings {
            Readings::File(file) => {
                let from = file.readings.partition_point(|(at, ..)| *at < start);
                let readings = file.readings.get(from..).unwrap_or_default();
                for (nth, (at, sensor, value)) in readings.iter().enumerate() {
                    if *at > until {
                        break;
                    }
                    progress.come(nth as f64 / readings.len() as f64, *at);
                    playing.hear(*at, *sensor, *value);
                }
            }
            Readings::Journal(log) => {
                let mut spread = Spread::default();
                let whole = (until - start).0.max(1) as f64;
                log.walk_readings(start, until, |name, minute| {
                    progress.come((minute.wall - start).0 as f64 / whole, minute.wall);
                    spread.take(playing, name, &minute);
                })
                .map_err(|error| error.to_string())?;
                spread.flush(playing);
            }
        }
        Ok(())
    }
}

/// Signs of life of the watch, from its records.
#[derive(Default)]
struct Signs {
    /// The last of each boot, and whether its date is sure.
    alive: Vec<(Wall, bool)>,
    last: Option<Wall>,
    absences: Vec<(Wall, Wall)>,
}

impl Signs {
    fn take(&mut self, record: &Record) {
        let at = record.at.wall;
        if let (Body::Started { gap, .. }, Some(last)) = (&record.body, self.last) {
            let from = gap.map_or_else(|| self.last_alive(last, at), |gap| at - gap);
            self.absences.push((from, at));
        }
        self.last = self.last.max(Some(at));
    }

    fn last_alive(&self, last: Wall, before: Wall) -> Wall {
        let signs = self.alive.iter().map(|(wall, _)| *wall).filter(|wall| *wall <= before);
        signs.fold(last, Wall::max)
    }

    /// When nobody watched, in order of time: to the end of the stretch if the watch did not come
    /// back.
    fn absences(mut self, window: ReviewSpan) -> Vec<(Wall, Wall)> {
        let ended = self.last.map(|last| self.last_alive(last, window.until)).filter(|at| *at < window.until);
        self.absences.extend(ended.map(|at| (at + CAME_BACK, window.until)));
        self.absences.retain(|(from, to)| from < to);
        self.absences.sort_unstable();
        self.absences
    }
}

/// What a record says that a person said.
fn said_in(record: Record) -> Option<(Wall, SaidThen, By)> {
    let (said, by) = match record.body {
        Body::Acknowledged { alarm, by, .. } => (SaidThen::Acknowledged(alarm), by),
        Body::Reset { alarm, by } => (SaidThen::Command(OperatorCommand::Reset { alarm }), by),
        Body::Shelved { alarm, length, by, why } => {
            (SaidThen::Command(OperatorCommand::Shelve { alarm, length, why }), by)
        }
        Body::Unshelved { alarm, by: Some(by) } => {
            (SaidThen::Command(OperatorCommand::Unshelve { alarm }), by)
        }
        Body::TakenOut { alarm, by, why } => (SaidThen::Command(OperatorCommand::TakeOut { alarm, why }), by),
        Body::PutBack { alarm, by } => (SaidThen::Command(OperatorCommand::PutBack { alarm }), by),
        Body::WorkBegan { tank, work, length, by } => {
            (SaidThen::Command(OperatorCommand::BeginWork { tank, work, length: Some(length) }), by)
        }
        Body::WorkEnded { tank, by: Some(by), .. } => {
            (SaidThen::Command(OperatorCommand::EndWork { tank }), by)
        }
        _ => return None,
    };
    Some((record.at.wall, said, by))
}

/// Minutes become readings again: at the sensor's own pace, in order of time over all sensors.
#[derive(Default)]
struct Spread {
    minute: Option<Wall>,
    readings: Vec<(Wall, SensorId, Value)>,
}

impl Spread {
    fn take(&mut self, playing: &mut Playing<'_>, name: &str, minute: &Minute) {
        if self.minute != Some(minute.wall) {
            self.flush(playing);
            self.minute = Some(minute.wall);
        }
        let Some(values) = minute.values else { return };
        let Some((sensor, every, words)) = playing.sensor(name) else { return };
        let count = (MINUTE.0 / every.0.max(1)).clamp(1, MOST_A_MINUTE);
        // A minute in which a word changed has to be told at least twice.
        let count = if matches!(values, Values::Words { .. }) { count.max(2) } else { count };
        let step = MINUTE.0 / count;
        for nth in 0..count {
            let value = match values {
                Values::Numbers { mean, .. } if !words => Value::Number(mean),
                Values::Words { first, last, .. } if words => {
                    Value::Word(if nth < count / 2 { first } else { last })
                }
                // Kept under another rule file, which read it in another way.
                Values::Numbers { .. } | Values::Words { .. } => return,
            };
            self.readings.push((minute.wall + Span(step * nth), sensor, value));
        }
    }

    fn flush(&mut self, playing: &mut Playing<'_>) {
        self.readings.sort_by_key(|(at, sensor, _)| (*at, *sensor));
        for (at, sensor, value) in self.readings.drain(..) {
            playing.hear(at, sensor, value);
        }
    }
}

/// Backtests of plans that differ only in their alarms, side by side.
pub(super) struct Playing<'a> {
    plans: Vec<Plan>,
    said: std::slice::Iter<'a, (Wall, SaidThen, By)>,
    next: Option<&'a (Wall, SaidThen, By)>,
    start: Wall,
    window: ReviewSpan,
    absences: Option<&'a [(Wall, Wall)]>,
    /// None before the first reading.
    tests: Vec<Backtest>,
    sensors: BTreeMap<String, (SensorId, Span, bool)>,
    /// Those that any of the plans' alarms needs.
    wanted: Vec<bool>,
    heard: BTreeSet<SensorId>,
    pub(super) unknown: BTreeSet<String>,
}

impl<'a> Playing<'a> {
    pub(super) fn new(past: &'a Past, plans: Vec<Plan>, start: Wall, window: ReviewSpan) -> Self {
        let sensors = plans.first().map_or(&[][..], |plan| &plan.sensors);
        let by_name = (0..).map(SensorId).zip(sensors);
        // One alarm alone is played with its own sensors alone.
        let wanted = |id: &SensorId| {
            plans.iter().any(|plan| {
                plan.alarms.len() != 1
                    || plan.alarms.iter().any(|alarm| {
                        let worse = alarm.worse.iter().flat_map(|worse| worse.sensors());
                        alarm.condition.sensors().into_iter().chain(worse).any(|used| used == *id)
                    })
            })
        };
        let mut said = past.said.iter();
        Self {
            wanted: (0..).map(SensorId).take(sensors.len()).map(|id| wanted(&id)).collect(),
            sensors: by_name
                .map(|(id, sensor)| (sensor.name.clone(), (id, sensor.every, sensor.measure.words)))
                .collect(),
            next: said.next(),
            said,
            start,
            window,
            absences: past.absences.as_deref(),
            tests: Vec::new(),
            plans,
            heard: BTreeSet::new(),
            unknown: BTreeSet::new(),
        }
    }

    fn sensor(&mut self, name: &str) -> Option<(SensorId, Span, bool)> {
        let found = self.sensors.get(name).copied();
        if found.is_none() && !self.unknown.contains(name) {
            self.unknown.insert(name.to_owned());
        }
        found.filter(|(id, ..)| self.is_wanted(*id))
    }

    fn is_wanted(&self, sensor: SensorId) -> bool {
        self.wanted.get(sensor.index()).is_some_and(|wanted| *wanted)
    }

    fn hear(&mut self, at: Wall, sensor: SensorId, value: Value) {
        if !self.is_wanted(sensor) {
            return;
        }
        if self.tests.is_empty() {
            let start = at.max(self.start);
            let begin = |plan: &Plan| {
                let test = Backtest::new(plan, start, self.window.since);
                match self.absences {
                    Some(absences) => test.knowing(absences.iter().copied().filter(|(_, to)| *to > start)),
                    None => test,
                }
            };
            self.tests = self.plans.iter().map(begin).collect();
        }
        self.heard.insert(sensor);
        while let Some((when, said, by)) = self.next.filter(|(when, ..)| *when <= at) {
            self.next = self.said.next();
            // Of what was said before the playing begins, only that still holds which has no end.
            let lasts = matches!(
                said,
                SaidThen::Command(OperatorCommand::TakeOut { .. } | OperatorCommand::PutBack { .. })
            );
            if *when < self.start && !lasts {
                continue;
            }
            for test in &mut self.tests {
                match said {
                    SaidThen::Command(word) => test.say(*when, word.clone(), by.clone()),
                    SaidThen::Acknowledged(alarm) => test.acknowledge(*when, alarm, by.clone()),
                }
            }
        }
        for test in &mut self.tests {
            test.hear(at, sensor, value);
        }
    }

    /// What came of each plan, and the sensors that were never heard.
    pub(super) fn finish(self) -> (Vec<Outcomes>, Vec<SensorId>) {
        let silent = (0..).map(SensorId).take(self.wanted.len());
        let silent = silent.filter(|id| self.is_wanted(*id) && !self.heard.contains(id)).collect();
        let until = self.window.until;
        let mut outcomes: Vec<_> = self.tests.into_iter().map(|test| test.finish(until)).collect();
        outcomes.resize_with(self.plans.len(), Outcomes::default);
        (outcomes, silent)
    }
}

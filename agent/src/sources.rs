//! Readings that need no broker: the UPS, the board's own thermometers and power supplies. The
//! plan says what is wanted and how often; each source is asked by a task of its own, and what
//! it answers flows to the watch's loop as [`SourceRound`]s. A source that can't be asked says why,
//! once for all of its sensors, and is asked again after a growing pause; meanwhile its sensors
//! fall silent, and the rules know what that means.
//!
//! Another kind of source is one more file with an [`Ask`] in it, and its lines in
//! [`RunningSources::start`].

mod kernel;
mod one_wire;
mod supply;
mod ups;

use crate::plain_text::tame;
use crate::settings::{SourceSettings, UpsSettings};
use slackwater_rules::plan::{Plan, SensorId, Source};
use slackwater_rules::reading::Value;
use slackwater_rules::time::Span;
use slackwater_rules::units::{Quantity, Unit};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::task::{Id, JoinSet};
use tokio::time::{Instant, sleep_until};

/// What one asking brought.
#[derive(Debug)]
pub struct SourceRound {
    /// The source, as people call it.
    pub source: Arc<str>,
    /// What it says for each sensor; or why nothing at all.
    pub answers: Result<Vec<SourceAnswer>, String>,
}

/// What a source says for one sensor.
#[derive(Debug, PartialEq)]
pub struct SourceAnswer {
    /// Its place in the plan.
    pub sensor: SensorId,
    /// The value in base units, or what stands in its place, in words.
    pub said: Result<Value, String>,
}

/// One source. Asking never takes longer than a bound of its own, and an asking that was given
/// up must not spoil the next.
trait Ask: Send + 'static {
    fn ask(&mut self) -> impl Future<Output = Result<Vec<SourceAnswer>, String>> + Send;
}

/// After a failure: the first pause, and the longest unless the sensors want less.
const FIRST_PAUSE: Duration = Duration::from_secs(1);
const LAST_PAUSE: Duration = Duration::from_secs(60);

/// So much of what a source says is kept where a value is missing.
const LONGEST_WHY: usize = 300;

/// Rounds that may wait for the loop; a source that is ahead of it waits.
const WAITING: usize = 16;

/// All sources of a plan, being asked. Dropping it ends that.
#[derive(Debug)]
pub struct RunningSources {
    rounds: mpsc::Receiver<SourceRound>,
    /// So that the channel stays open without any source.
    _open: mpsc::Sender<SourceRound>,
    tasks: JoinSet<()>,
    names: Vec<(Id, Arc<str>)>,
}

/// What is wanted of one source.
struct WantedSource<T> {
    sensors: Vec<(SensorId, T)>,
    /// The most frequent wish.
    every: Span,
}

impl<T> Default for WantedSource<T> {
    fn default() -> Self {
        Self { sensors: Vec::new(), every: Span(i64::MAX) }
    }
}

impl<T> WantedSource<T> {
    fn add(&mut self, sensor: SensorId, what: T, every: Span) {
        self.sensors.push((sensor, what));
        self.every = self.every.min(every);
    }
}

impl RunningSources {
    /// Begins to ask everything that the plan wants, on the current tokio runtime.
    pub fn start(plan: &Plan, settings: &SourceSettings) -> Self {
        let mut upses: BTreeMap<&str, WantedSource<_>> = BTreeMap::new();
        let mut supplies: BTreeMap<&str, WantedSource<_>> = BTreeMap::new();
        let mut probes = WantedSource::default();
        for (id, sensor) in (0..).map(SensorId).zip(&plan.sensors) {
            match sensor.feed.source() {
                None => {}
                Some(Source::Ups { ups, reads }) => {
                    upses.entry(ups).or_default().add(id, *reads, sensor.every);
                }
                Some(Source::OneWire { device }) => probes.add(id, device.as_str(), sensor.every),
                Some(Source::Supply { supply, reads }) => {
                    supplies.entry(supply).or_default().add(id, *reads, sensor.every);
                }
            }
        }
        let (to, rounds) = mpsc::channel(WAITING);
        let mut sources = Self { rounds, _open: to.clone(), tasks: JoinSet::new(), names: Vec::new() };
        for (name, wanted) in upses {
            let server = settings.ups.get(name).cloned().unwrap_or_else(|| UpsSettings::local(name));
            let source = ups::Ups::new(server, wanted.sensors);
            sources.follow(&format!("UPS {name}"), source, wanted.every, to.clone());
        }
        if !probes.sensors.is_empty() {
            let source = one_wire::Bus::new(&settings.one_wire, &probes.sensors);
            sources.follow("1-Wire", source, probes.every, to.clone());
        }
        for (name, wanted) in supplies {
            let source = supply::KernelSupply::new(&settings.power_supplies.join(name), wanted.sensors);
            sources.follow(&format!("power supply {name}"), source, wanted.every, to.clone());
        }
        sources
    }

    fn follow(&mut self, name: &str, source: impl Ask, every: Span, to: mpsc::Sender<SourceRound>) {
        let name: Arc<str> = name.into();
        let every = Duration::from_millis(every.0.max(0).cast_unsigned());
        let task = self.tasks.spawn(follow(name.clone(), source, every, to));
        self.names.push((task.id(), name));
    }

    /// What comes next; never, if there are no sources. Nothing is lost when this is given up.
    pub async fn next(&mut self) -> SourceRound {
        tokio::select! {
            Some(round) = self.rounds.recv() => round,
            Some(ended) = self.tasks.join_next_with_id() => {
                let id = match &ended {
                    Ok((id, ())) => *id,
                    Err(error) => error.id(),
                };
                let name = self.names.iter().find(|(known, _)| *known == id);
                SourceRound {
                    source: name.map_or_else(|| "a source".into(), |(_, name)| name.clone()),
                    answers: Err("it is no longer asked: its task has ended, a fault of this program".to_owned()),
                }
            }
            else => std::future::pending().await,
        }
    }
}

async fn follow(name: Arc<str>, mut source: impl Ask, every: Duration, to: mpsc::Sender<SourceRound>) {
    let mut failures = 0;
    loop {
        let begun = Instant::now();
        let answers = tamed(source.ask().await);
        failures = if answers.is_ok() { 0 } else { failures + 1 };
        if to.send(SourceRound { source: name.clone(), answers }).await.is_err() {
            return;
        }
        sleep_until(begun + pause(failures, every)).await;
    }
}

/// What stands in the place of values is in a source's own words.
fn tamed(answers: Result<Vec<SourceAnswer>, String>) -> Result<Vec<SourceAnswer>, String> {
    let tame = |why: String| tame(&why, LONGEST_WHY);
    let answers = answers.map_err(tame)?;
    Ok(answers.into_iter().map(|answer| SourceAnswer { said: answer.said.map_err(tame), ..answer }).collect())
}

/// From one asking to the next. The first retry comes soon, so that a server's restart costs no
/// sensor its sight.
fn pause(failures: u32, every: Duration) -> Duration {
    match failures {
        0 => every,
        n => (FIRST_PAUSE * (1 << (n - 1).min(6))).min(LAST_PAUSE.max(every)),
    }
}

/// A number as sources write it (a point, no thousands), in a unit of the table.
fn number(text: &str, unit: &str) -> Result<Value, String> {
    let strange = || format!("`{text}` is not a number");
    let plain = |c: char| c.is_ascii_digit() || matches!(c, '.' | '-' | '+');
    let number = text.parse().ok().filter(|_| text.chars().all(plain)).ok_or_else(strange)?;
    let unit = Unit::named(unit).ok_or_else(|| format!("`{unit}` is not a unit"))?;
    let base = Quantity { number, unit }.base(unit.dimension).map_err(|error| error.to_string())?;
    Ok(Value::Number(base))
}

#[cfg(any(test, feature = "fuzzing"))]
/// What must hold for any octets that a source may answer with.
pub(crate) fn promise(octets: &[u8]) {
    let text = String::from_utf8_lossy(octets);
    ups::promise(&text);
    one_wire::promise(&text);
    supply::promise(&text);
}

#[cfg(any(test, feature = "fuzzing"))]
/// A number that is one, or words that say why there is none.
fn is_answer(said: &Result<Value, String>) {
    match said {
        Ok(Value::Number(number)) => assert!(number.is_finite(), "{number}"),
        Ok(Value::Word(_)) => {}
        Err(why) => assert!(!why.is_empty()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failing_source_is_asked_again_after_a_second_and_then_ever_more_seldom_up_to_a_minute() {
        let pauses: Vec<u64> = (1..=8).map(|n| pause(n, Duration::from_secs(10)).as_secs()).collect();
        assert_eq!(pauses, [1, 2, 4, 8, 16, 32, 60, 60]);
        assert_eq!(pause(0, Duration::from_secs(10)).as_secs(), 10);
        assert_eq!(pause(1000, Duration::from_secs(300)).as_secs(), 64);
    }

    #[test]
    fn numbers_have_a_point_and_nothing_else() {
        assert_eq!(number("87", "%"), Ok(Value::Number(0.87)));
        assert_eq!(number("1800", "s"), Ok(Value::Number(1800.0)));
        assert_eq!(number("231.4", "V"), Ok(Value::Number(231.4)));
        for strange in ["", "1,200.20", "1200,20", "0x10", "1e3", "inf", "nan", "12 V"] {
            assert!(number(strange, "V").is_err(), "{strange}");
        }
    }

    struct Broken;

    impl Ask for Broken {
        async fn ask(&mut self) -> Result<Vec<SourceAnswer>, String> {
            panic!("a fault of this program")
        }
    }

    #[tokio::test]
    async fn a_task_that_ends_is_said_of_its_source() {
        let (to, rounds) = mpsc::channel(1);
        let mut sources =
            RunningSources { rounds, _open: to.clone(), tasks: JoinSet::new(), names: Vec::new() };
        sources.follow("1-Wire", Broken, Span::seconds(1), to);
        let round = sources.next().await;
        assert_eq!(&*round.source, "1-Wire");
        assert!(round.answers.is_err_and(|why| why.contains("no longer asked")));
    }
}

//! From the text of a story to a [`Story`] that fits a plan. All mistakes come at once, each
//! with its line. One line is one statement; what stands behind `#` is a comment.

mod line_part;
mod values;

use line_part::LinePart;
use values::{duration, known_state, quantity};

use super::{Deed, Expectation, Story};
use crate::diagnostic::did_you_mean;
use crate::engine::OperatorCommand;
use crate::plan::{At, Finding};
use crate::plan::{Plan, RelayId, SensorId, Target};
use crate::reading::Value;
use crate::sim::ChannelRule;
use crate::time::Span;

use jiff::civil::DateTime;

/// Where a story begins if it doesn't say: a Monday at noon, when everybody can be reached.
const START: &str = "2026-03-02T12:00:00";
/// How long it goes on after its last line if it doesn't say.
const AFTERWARDS: Span = Span::minutes(30);
/// No story is longer than this.
const LONGEST: Span = Span::hours(24 * 400);

impl Story {
    /// Reads a story against the plan it is to be played on.
    ///
    /// # Errors
    /// All mistakes, in the order of lines.
    pub fn parse(text: &str, plan: &Plan) -> Result<Story, Vec<Finding>> {
        let mut parser = StoryParser { plan, findings: Vec::new(), story: empty(), end: None };
        let mut start = 0;
        for line in text.split_inclusive('\n') {
            parser.line(line, start);
            start += line.len();
        }
        let StoryParser { mut story, findings, end, .. } = parser;
        if !findings.is_empty() {
            return Err(findings);
        }
        story.deeds.sort_by_key(|(at, _)| *at);
        let last = story.deeds.last().map_or(Span::ZERO, |(at, _)| *at);
        let last = story.expectations.iter().map(|expectation| expectation.it.until()).fold(last, Span::max);
        story.length = end.unwrap_or(last + AFTERWARDS).max(last);
        Ok(story)
    }
}

impl Expectation {
    /// When it can be judged.
    pub(super) fn until(&self) -> Span {
        match self {
            Self::Paged { to, .. }
            | Self::NotPaged { to, .. }
            | Self::Count { to, .. }
            | Self::NotSaid { to, .. } => *to,
            Self::State { at, .. } => *at,
        }
    }
}

fn empty() -> Story {
    Story {
        title: String::new(),
        start: START.parse().unwrap_or(DateTime::MIN),
        length: Span::ZERO,
        deeds: Vec::new(),
        expectations: Vec::new(),
    }
}

struct StoryParser<'a> {
    plan: &'a Plan,
    findings: Vec<Finding>,
    story: Story,
    end: Option<Span>,
}

type Maybe<T> = Result<T, Finding>;

impl<'a> StoryParser<'a> {
    fn line(&mut self, line: &'a str, start: usize) {
        let (said, comment) = match line.find('#') {
            Some(at) => (&line[..at], Some(line[at + 1..].trim())),
            None => (line, None),
        };
        if let Some(comment) = comment.filter(|_| self.story.title.is_empty()) {
            self.story.title = comment.to_owned();
        }
        let said = LinePart { text: said, start }.trim();
        if !said.text.is_empty()
            && let Err(finding) = self.statement(said)
        {
            self.findings.push(finding);
        }
    }

    fn statement(&mut self, said: LinePart<'a>) -> Maybe<()> {
        if let Some(time) = said.strip("start") {
            let iso = time.text.replacen(' ', "T", 1);
            self.story.start = iso.parse().map_err(|_| {
                Finding::error(
                    time.span(),
                    "this is not a date with a time",
                    "one like `2026-03-02 01:00` is expected",
                )
            })?;
        } else if let Some(time) = said.strip("end at") {
            self.end = Some(duration(time)?);
        } else if let Some(rest) = said.strip("at") {
            let (time, clause) = rest.split(":").ok_or_else(|| colon(rest))?;
            let at = duration(time)?;
            match clause.strip("expect") {
                Some(clause) => self.expectation(said, (at, at), clause)?,
                None => {
                    let deed = self.deed(clause)?;
                    self.story.deeds.push((at, deed));
                }
            }
        } else if let Some(rest) = said.strip("from") {
            let (times, clause) = rest.split(":").ok_or_else(|| colon(rest))?;
            let (from, to) = times.split(" to ").ok_or_else(|| {
                Finding::error(times.span(), "a stretch has an end", "`from 5 min to 6 min: …` is expected")
            })?;
            let clause = clause.strip("expect").ok_or_else(|| {
                Finding::error(
                    clause.span(),
                    "only an expectation has a stretch of time",
                    "`expect …` is expected here",
                )
            })?;
            let (begin, end) = (duration(from)?, duration(to)?);
            if end < begin {
                return Err(Finding::error(times.span(), "the stretch ends before it begins", "here"));
            }
            self.expectation(said, (begin, end), clause)?;
        } else {
            let help = "a line begins with `start`, `at`, `from` or `end at`";
            return Err(Finding::error(said.span(), "this line is not understood", "here").help(help));
        }
        Ok(())
    }

    fn expectation(
        &mut self,
        line: LinePart<'a>,
        (from, to): (Span, Span),
        clause: LinePart<'a>,
    ) -> Maybe<()> {
        let it = if clause.text == "nobody is paged" {
            Expectation::NotPaged { from, to, target: None }
        } else if let Some(count) = clause.strip_end("pages").or_else(|| clause.strip_end("page")) {
            Expectation::Count { from, to, target: None, count: whole(count)? }
        } else if let Some(words) = clause.strip("no page says") {
            Expectation::NotSaid { from, to, words: words.text.trim_matches('"').to_owned() }
        } else if let Some((target, count)) = clause.strip_end("times").and_then(|it| it.split(" is paged "))
        {
            Expectation::Count { from, to, target: Some(self.target(target)?), count: whole(count)? }
        } else if let Some(target) = clause.strip_end("is paged once") {
            Expectation::Count { from, to, target: Some(self.target(target)?), count: 1 }
        } else if let Some(target) = clause.strip_end("is not paged") {
            Expectation::NotPaged { from, to, target: Some(self.target(target)?) }
        } else if let Some((target, rest)) = clause.split(" is paged") {
            let (about, saying) = match rest.split("saying") {
                Some((about, words)) => (about, Some(words.text.trim_matches('"').to_owned())),
                None => (rest, None),
            };
            let about = match about.text {
                "" => None,
                _ => Some(self.alarm(about.strip("about").ok_or_else(|| unknown(about))?)?),
            };
            Expectation::Paged { from, to, target: self.target(target)?, about, saying, all_clear: false }
        } else if let Some(target) = clause.strip_end("gets the all-clear") {
            Expectation::Paged {
                from,
                to,
                target: self.target(target)?,
                about: None,
                saying: None,
                all_clear: true,
            }
        } else if let Some((alarm, state)) = clause.split(" is ").filter(|_| from == to) {
            Expectation::State { at: from, alarm: self.alarm(alarm)?, state: known_state(state)? }
        } else {
            return Err(unknown(clause));
        };
        self.story.expectations.push(At::new(it, line.span()));
        Ok(())
    }

    fn deed(&self, clause: LinePart<'a>) -> Maybe<Deed> {
        if let Some(rest) = clause.strip("restart after") {
            let (time, known) = match rest.strip_end("unknown") {
                Some(time) => (time, false),
                None => (rest, true),
            };
            return Ok(Deed::Restart { away: duration(time)?, known });
        }
        match clause.text {
            "broker is lost" => return Ok(Deed::Broker(false)),
            "broker is heard" => return Ok(Deed::Broker(true)),
            _ => {}
        }
        let (subject, verb) = clause.split(" ").ok_or_else(|| unknown(clause))?;
        let fate = match verb.text {
            "works" => Some(ChannelRule::Works),
            "defers" => Some(ChannelRule::Defers),
            "fails" => Some(ChannelRule::Fails),
            "hangs" => Some(ChannelRule::Hangs),
            _ => None,
        };
        if let Some(fate) = fate {
            return Ok(Deed::Channel(self.target(subject)?, fate));
        }
        match verb.text {
            "obeys" => Ok(Deed::Obeys(self.relay(subject)?, true)),
            "does not obey" => Ok(Deed::Obeys(self.relay(subject)?, false)),
            "is frozen" => Ok(Deed::Frozen(self.sensor(subject)?)),
            "is silent" => Ok(Deed::Silent(self.sensor(subject)?)),
            "answers" => Ok(Deed::Answers(subject.text.to_owned())),
            _ if verb.strip("answers").is_some() => {
                let alarm = verb.strip("answers").ok_or_else(|| unknown(verb))?;
                Ok(Deed::AnswersFor(subject.text.to_owned(), self.alarm(alarm)?))
            }
            _ => match verb.strip("is").or_else(|| verb.strip("goes to")) {
                Some(value) => self.reports(self.sensor(subject)?, value),
                None => Ok(Deed::Says(subject.text.to_owned(), self.word(verb)?)),
            },
        }
    }

    /// `25 degC`, `25 degC over 20 min`, `25 degC with noise 0.1 K`, `off`.
    fn reports(&self, sensor: SensorId, said: LinePart<'a>) -> Maybe<Deed> {
        let (said, noise) = match said.split(" with noise ") {
            Some((said, noise)) => (said, Some(noise)),
            None => (said, None),
        };
        let (said, over) = match said.split(" over ") {
            Some((said, over)) => (said, duration(over)?),
            None => (said, Span::ZERO),
        };
        let it = self.plan.sensor(sensor);
        let words = it.words();
        let value = if words.is_empty() {
            Value::Number(quantity(said, it.measure.dimension)?)
        } else {
            let place = words.iter().position(|word| word.name == said.text).ok_or_else(|| {
                let known: Vec<_> = words.iter().map(|word| word.name.as_str()).collect();
                Finding::error(
                    said.span(),
                    format!("`{}` does not say this", it.name),
                    format!("one of {} is expected", known.join(", ")),
                )
            })?;
            Value::Word(place as u16)
        };
        let noise = noise.map_or(Ok(0.0), |noise| quantity(noise, it.measure.dimension.difference()))?;
        Ok(Deed::Reports { sensor, value, over, noise: noise.abs() })
    }

    fn word(&self, verb: LinePart<'a>) -> Maybe<OperatorCommand> {
        if let Some(rest) = verb.strip("shelves") {
            let (alarm, time) = rest.split(" for ").ok_or_else(|| unknown(rest))?;
            return Ok(OperatorCommand::Shelve {
                alarm: self.alarm(alarm)?,
                length: duration(time)?,
                why: "rehearsal".to_owned(),
            });
        }
        if let Some(rest) = verb.strip("begins") {
            let (work, rest) = rest.split(" on ").ok_or_else(|| unknown(rest))?;
            let (tank, length) = match rest.split(" for ") {
                Some((tank, time)) => (tank, Some(duration(time)?)),
                None => (rest, None),
            };
            return Ok(OperatorCommand::BeginWork {
                tank: self.tank(tank)?,
                work: work.text.to_owned(),
                length,
            });
        }
        if let Some(tank) = verb.strip("ends work on") {
            return Ok(OperatorCommand::EndWork { tank: self.tank(tank)? });
        }
        if let Some(alarm) = verb.strip("resets") {
            return Ok(OperatorCommand::Reset { alarm: self.alarm(alarm)? });
        }
        if let Some(callout) = verb.strip("drills") {
            return Ok(OperatorCommand::Drill { callout: callout.text.to_owned() });
        }
        Err(unknown(verb))
    }

    fn sensor(&self, name: LinePart<'a>) -> Maybe<SensorId> {
        let at = self.plan.sensors.iter().position(|sensor| sensor.name == name.text);
        let known = || self.plan.sensors.iter().map(|sensor| sensor.name.as_str());
        at.map(|at| SensorId(at as u32)).ok_or_else(|| no_such("sensor", name, known()))
    }

    fn relay(&self, name: LinePart<'a>) -> Maybe<RelayId> {
        let at = self.plan.relays.iter().position(|relay| relay.name == name.text);
        let known = || self.plan.relays.iter().map(|relay| relay.name.as_str());
        at.map(|at| RelayId(at as u32)).ok_or_else(|| no_such("relay", name, known()))
    }

    fn alarm(&self, name: LinePart<'a>) -> Maybe<String> {
        match self.plan.alarm_named(name.text) {
            Some(_) => Ok(name.text.to_owned()),
            None => Err(no_such("alarm", name, self.plan.alarms.iter().map(|alarm| alarm.name.as_str()))),
        }
    }

    fn tank(&self, name: LinePart<'a>) -> Maybe<String> {
        let mut known = self.plan.tanks.iter().map(|tank| tank.name.as_str());
        match known.clone().any(|tank| tank == name.text) {
            true => Ok(name.text.to_owned()),
            false => Err(no_such("tank", name, &mut known)),
        }
    }

    fn target(&self, name: LinePart<'a>) -> Maybe<Target> {
        let target = Target::parse(name.text);
        let known: Vec<String> = self.plan.directory.channels.keys().map(ToString::to_string).collect();
        match self.plan.directory.channels.contains_key(&target) {
            true => Ok(target),
            false => Err(no_such("channel", name, known.iter().map(String::as_str))),
        }
    }
}

fn no_such<'c>(kind: &str, name: LinePart<'_>, known: impl IntoIterator<Item = &'c str>) -> Finding {
    Finding::error(name.span(), format!("the plan has no {kind} `{}`", name.text), "here")
        .maybe_help(did_you_mean(name.text, known))
}

fn unknown(clause: LinePart<'_>) -> Finding {
    Finding::error(clause.span(), "this is not understood", "here")
        .help("the forms are: SENSOR is VALUE · SENSOR goes to VALUE over TIME · SENSOR is silent · SENSOR is frozen · WHO answers · WHO answers ALARM · broker is lost · CHANNEL fails · restart after TIME · expect CHANNEL is paged about ALARM · expect nobody is paged · expect N pages · expect CHANNEL is paged N times · expect no page says \"WORDS\" · expect ALARM is STATE")
}

fn colon(rest: LinePart<'_>) -> Finding {
    Finding::error(rest.span(), "a colon is missing behind the time", "`at 5 min: …` is expected")
}

/// How many.
fn whole(said: LinePart<'_>) -> Maybe<usize> {
    said.text.parse().map_err(|_| {
        Finding::error(said.span(), "this is not a number of pages", "a whole number is expected: `3`")
    })
}

//! From a condition as written to a [`Condition`]: names are looked up, and quantities are
//! checked like types. All mistakes are found in one pass; each says why it is one, since "a
//! flow can't be compared with a temperature" teaches and "type mismatch" does not.

use super::scale::show;
use super::scope::Scope;
use super::{Condition, Days, Lapse, Test, Written};
use crate::diagnostic::did_you_mean;
use crate::diagnostic::{At, Finding};
use crate::ids::SensorId;
use crate::site::Sensor;
use crate::time::Span;
use crate::units::Dimension;
use crate::units::Quantity;

/// Longer than any stretch of the past that means something to a tank.
const LONGEST: Span = Span::hours(366 * 24);

impl Condition {
    /// Reads and checks a condition's text. Places in the findings are bytes of `text`. There
    /// may be no findings although there is no condition, if it uses a sensor that is itself
    /// mistaken.
    ///
    /// # Errors
    /// All that is wrong with the text, in its order.
    ///
    /// ```
    /// use slackwater_rules::condition::Condition;
    /// # use slackwater_rules::plan::{Directory, Plan, Surroundings};
    /// # let text = r#"
    /// # [sensor.lagoon-temp]
    /// # topic    = "lagoon/temperature"
    /// # measures = "temperature"
    /// # unit     = "degC"
    /// # every    = "10 s"
    /// # "#;
    /// # let around = Surroundings { directory: Directory::default(), zone: jiff::tz::TimeZone::UTC, today: None };
    /// # let plan = Plan::check("rules.toml", text, &around).plan.unwrap();
    ///
    /// let scope = plan.scope();
    /// let cold = Condition::parse("lagoon-temp < 23 degC or lagoon-temp is silent for 5 min", &scope);
    /// assert_eq!(cold.unwrap().sensors().len(), 1);
    ///
    /// let wrong = Condition::parse("lagoon-temp < 23 mg/L", &scope).unwrap_err();
    /// assert_eq!(&"lagoon-temp < 23 mg/L"[wrong[0].span.clone()], "23 mg/L");
    /// ```
    pub fn parse(text: &str, scope: &Scope<'_>) -> Result<Condition, Vec<Finding>> {
        let written = Written::parse(text).map_err(|finding| vec![finding])?;
        let mut checker = Checker { scope, findings: Vec::new(), slots: 0, inside: false, beside: None };
        match checker.condition(&written) {
            Some(condition) if checker.findings.is_empty() => Ok(condition),
            Some(_) | None => Err(checker.findings),
        }
    }
}

/// Goes through a written condition and gathers what is wrong.
pub(super) struct Checker<'s> {
    pub(super) scope: &'s Scope<'s>,
    findings: Vec<Finding>,
    /// How many places that look back there are so far.
    slots: usize,
    /// Whether this is part of something that looks back.
    inside: bool,
    /// What a quantity is held against, where that is known: no unit of another kind is offered for
    /// it.
    pub(super) beside: Option<Dimension>,
}

pub(super) type ComparedPart = At<Written>;

impl<'s> Checker<'s> {
    /// Nothing comes back if there was a mistake, which then has been noted.
    pub(super) fn condition(&mut self, written: &ComparedPart) -> Option<Condition> {
        let test = match &written.it {
            Written::All(parts) => return self.conditions(parts).map(Condition::All),
            Written::Any(parts) => return self.conditions(parts).map(Condition::Any),
            Written::Not(inner) => return Some(Condition::Not(Box::new(self.condition(inner)?))),
            Written::Compare { left, order, right } => self.compare(written, left, *order, right),
            Written::Range { subject, low, high, outside } => {
                self.range(written, subject, low, high, *outside)
            }
            Written::Moves { subject, rises, rate, over } => self.moves(written, subject, *rises, rate, over),
            Written::Baseline { subject, by, above, what, over, lag } => {
                self.baseline(written, subject, by, *above, (*what, over, lag.as_deref()))
            }
            Written::Is { subject, word } => self.is(subject, word),
            Written::Lapse { lapse, subject, length } => self.lapse(*lapse, subject, length),
            Written::Commanded { subject, word } => self.commanded(subject, word),
            Written::Photoperiod(subject) => self.photoperiod(subject),
            Written::Time { hours, outside } => {
                let between = Written::Time { hours: *hours, outside: false };
                let inside = Condition::Says(Test::Time(*hours), between.to_string().into());
                return Some(if *outside { Condition::Not(Box::new(inside)) } else { inside });
            }
            Written::Day(word) => self.day(word),
            Written::Until { subject, supposing, over, length } => {
                self.until(written, subject, supposing, *over, length)
            }
            Written::Shows { subject, sign } => self.shows(subject, sign),
            Written::Holds { subject, set, room, on } => self.can_hold(subject, set, room, on.as_ref()),
            Written::HasBeen { what, length } => self.looking_back(written, |checker, slot| {
                let what = checker.condition(what);
                let length = checker.duration(length, "`has been` says for how long")?;
                Some(Test::HasBeen { slot, what: Box::new(what?), length })
            }),
            Written::After { within, what } => self.looking_back(written, |checker, slot| {
                let what = checker.condition(what);
                let within = checker.duration(within, "`within` says how long it counts")?;
                Some(Test::After { slot, what: Box::new(what?), within })
            }),
            Written::Then { first, second, within } => self.looking_back(written, |checker, slot| {
                let (first, second) = (checker.condition(first), checker.condition(second));
                let within = checker.duration(within, "`then` says how soon")?;
                Some(Test::Then { slot, first: Box::new(first?), second: Box::new(second?), within })
            }),
            Written::Name(_)
            | Written::Quantity { .. }
            | Written::Sum(..)
            | Written::Difference(..)
            | Written::Ratio(..)
            | Written::Aggregate { .. }
            | Written::Volume(_) => return self.value(written),
        };
        Some(Condition::Says(test?, written.it.to_string().into()))
    }

    fn conditions(&mut self, parts: &[ComparedPart]) -> Option<Vec<Condition>> {
        let checked: Vec<_> = parts.iter().map(|part| self.condition(part)).collect();
        checked.into_iter().collect()
    }

    /// A value where a condition belongs.
    pub(super) fn value<T>(&mut self, written: &ComparedPart) -> Option<T> {
        let help = match &written.it {
            Written::Name(name) => match self.sensor(name, &written.span)? {
                (_, sensor) if sensor.measure.words => {
                    format!("write `{name} is …` with one of its words: {}", words(sensor))
                }
                (_, sensor) => format!("compare it, for instance {}", example(sensor)),
            },
            _ => "compare it with `<`, `<=`, `>` or `>=`".to_owned(),
        };
        let title = format!("`{}` is a value, not a condition", written.it);
        self.note(Finding::error(written.span.clone(), title, "neither true nor false").help(help))
    }

    /// Goes through something that looks back, in which nothing else may.
    pub(super) fn looking_back<T>(
        &mut self,
        written: &ComparedPart,
        read: impl FnOnce(&mut Self, usize) -> Option<T>,
    ) -> Option<T> {
        if self.inside {
            let title = "what looks back can't stand inside what looks back";
            let label = format!("`{}` looks back itself", written.it);
            return self.note(
                Finding::error(written.span.clone(), title, label)
                    .help("join the two by `and`, or write another alarm"),
            );
        }
        let slot = self.slots;
        self.slots += 1;
        self.inside = true;
        let read = read(self, slot);
        self.inside = false;
        read
    }

    fn is(&mut self, subject: &ComparedPart, word: &At<String>) -> Option<Test> {
        let (id, sensor) = self.subject(subject, &format!("is {}", word.it))?;
        if !sensor.measure.words {
            let title =
                format!("`{}` measures {} and says no words", sensor.name, sensor.measure.dimension.words());
            let help = match word.it.as_str() {
                "frozen" => "say for how long: `is frozen for 2 h`".to_owned(),
                _ => format!("compare it, for instance {}", example(sensor)),
            };
            return self.note(Finding::error(word.span.clone(), title, "a word").help(help));
        }
        if let Some(index) = sensor.words().iter().position(|known| known.name == word.it) {
            return Some(Test::Is(id, index as u16));
        }
        let title = format!("`{}` never says `{}`", sensor.name, word.it);
        let known = sensor.words().iter().map(|known| known.name.as_str());
        let help = match did_you_mean(&word.it, known) {
            Some(help) => help,
            None if word.it == "silent" => "say for how long: `is silent for 5 min`".to_owned(),
            None if word.it == "good" => {
                "what is not believed is said so: `is not good for 5 min`".to_owned()
            }
            None => format!("its words are: {}", words(sensor)),
        };
        self.note(Finding::error(word.span.clone(), title, "not one of its declared words").help(help))
    }

    fn lapse(&mut self, lapse: Lapse, subject: &ComparedPart, length: &ComparedPart) -> Option<Test> {
        let found = self.subject(subject, &format!("is {lapse} for …"));
        let what = match lapse {
            Lapse::Silent => "silence",
            Lapse::Frozen => "a frozen value",
            Lapse::NotGood => "a stretch without a good reading",
        };
        let length = self.longer_than_reports(length, what, found)?;
        let (id, sensor) = found?;
        if lapse == Lapse::Frozen && sensor.measure.words {
            let title = format!("`{}` says words, which stay what they are", sensor.name);
            let help = format!("write `{} has been … for …`", sensor.name);
            return self.note(Finding::error(subject.span.clone(), title, "never frozen").help(help));
        }
        Some(Test::Lapse(lapse, id, length))
    }

    fn commanded(&mut self, subject: &ComparedPart, word: &At<String>) -> Option<Test> {
        let Written::Name(name) = &subject.it else {
            let title = "only a relay can be commanded";
            return self.note(Finding::error(
                subject.span.clone(),
                title,
                format!("`{}` is not a relay's name", subject.it),
            ));
        };
        if let Some(relay) = self.scope.relays.get(name.as_str()) {
            return Some(Test::Commanded(*relay, word.it == "on"));
        }
        let title = format!("there is no relay `{name}`");
        let help = match self.scope.names.contains_key(name.as_str()) {
            true => Some(format!("`{name}` is a sensor: write `{name} is {}`", word.it)),
            false => self.scope.meant(name, self.scope.relays.keys().copied()),
        };
        self.note(Finding::error(subject.span.clone(), title, "not a known name").maybe_help(help))
    }

    fn photoperiod(&mut self, subject: &ComparedPart) -> Option<Test> {
        let Written::Name(name) = &subject.it else {
            let title = "only a tank has a photoperiod";
            let label = format!("`{}` is not a tank's name", subject.it);
            return self.note(Finding::error(subject.span.clone(), title, label));
        };
        let tank = self.tank(&At::new(name.clone(), subject.span.clone()))?;
        let Some(hours) = tank.photoperiod else {
            let title = format!("`{name}` declares no photoperiod");
            let help = "in its table: `photoperiod = [\"10:00\", \"20:00\"]`";
            let label = "when its lights are on is not known";
            return self.note(Finding::error(subject.span.clone(), title, label).help(help));
        };
        Some(Test::Time(hours))
    }

    fn day(&mut self, word: &At<String>) -> Option<Test> {
        if let Some(days) = Days::named(&word.it) {
            return Some(Test::Day(days));
        }
        let title = format!("`{}` is not a day", word.it);
        let help = did_you_mean(&word.it, Days::names())
            .unwrap_or_else(|| "`monday` to `sunday`, `weekday` or `weekend`".to_owned());
        self.note(Finding::error(word.span.clone(), title, "not a known day").help(help))
    }

    /// A length of time that is not nothing; `title` says what it is for.
    pub(super) fn duration(&mut self, written: &ComparedPart, title: &str) -> Option<Span> {
        let quantity = self.quantity_of(Dimension::TIME, written)?;
        let span = match quantity.span() {
            Ok(span) if span > Span::ZERO && span <= LONGEST => return Some(span),
            Ok(span) => span,
            Err(wrong) => {
                let finding = Finding::error(written.span.clone(), title, wrong.to_string());
                return self.note(finding.help("for instance `5 min`"));
            }
        };
        let label = if span > LONGEST { "longer than a year" } else { "no time at all" };
        self.note(Finding::error(written.span.clone(), title, label).help("for instance `5 min`"))
    }

    /// A length of time that is longer than what lies between two reports.
    fn longer_than_reports(
        &mut self,
        length: &ComparedPart,
        what: &str,
        sensor: Option<(SensorId, &'s Sensor)>,
    ) -> Option<Span> {
        let span = self.duration(length, &format!("{what} has a duration"))?;
        let (_, sensor) = sensor?;
        if span <= sensor.every {
            let title = format!("`{}` reports only every {}", sensor.name, sensor.every);
            let label = format!("shorter than its usual {}", if what == "silence" { what } else { "pause" });
            let help = format!("several of its reports, for instance `{}`", sensor.stale_after);
            return self.note(Finding::error(length.span.clone(), title, label).help(help));
        }
        Some(span)
    }

    /// A quantity that is to be of this kind; whether it is, the caller looks.
    pub(super) fn quantity_of(&mut self, wanted: Dimension, written: &ComparedPart) -> Option<Quantity> {
        let before = self.beside.replace(wanted);
        let quantity = self.quantity(written);
        self.beside = before;
        quantity
    }

    pub(super) fn quantity(&mut self, written: &ComparedPart) -> Option<Quantity> {
        match &written.it {
            Written::Quantity { number, unit } => {
                Some(Quantity { number: *number, unit: self.unit(written, *number, unit)? })
            }
            other => {
                let title = format!("`{other}` is not a quantity");
                self.note(Finding::error(
                    written.span.clone(),
                    title,
                    "a number with its unit is wanted here",
                ))
            }
        }
    }

    /// The sensor that is said to be something.
    fn subject(&mut self, written: &ComparedPart, said: &str) -> Option<(SensorId, &'s Sensor)> {
        match &written.it {
            Written::Name(name) => self.sensor(name, &written.span),
            other => {
                let title = format!("only a sensor can be said to be so: `NAME {said}`");
                self.note(Finding::error(
                    written.span.clone(),
                    title,
                    format!("`{other}` is not a sensor's name"),
                ))
            }
        }
    }

    pub(super) fn note<T>(&mut self, finding: Finding) -> Option<T> {
        self.findings.push(finding);
        None
    }
}

/// A comparison that could be meant.
fn example(sensor: &Sensor) -> String {
    let middle = sensor.plausible.map(|(low, high)| f64::midpoint(low, high));
    let limit = middle.unwrap_or_else(|| match sensor.scale.unit.dimension {
        Dimension::TEMPERATURE => 25.0,
        Dimension::TIME => 600.0,
        _ => sensor.scale.unit.to_base(10.0),
    });
    format!("`{} < {}`", sensor.name, show(limit, sensor.scale.unit.dimension, Some(sensor)))
}

pub(super) fn words(sensor: &Sensor) -> String {
    let names: Vec<_> = sensor.words().iter().map(|word| format!("`{}`", word.name)).collect();
    names.join(", ")
}

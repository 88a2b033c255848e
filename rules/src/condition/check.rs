//! From a condition as written to a [`Condition`]: names are looked up, and quantities are
//! checked like types. All mistakes are found in one pass; each says why it is one, since "a
//! flow can't be compared with a temperature" teaches and "type mismatch" does not.

use super::scale::show;
use super::term::{Term, Typed, constant, decided};
use super::{Aggregate, Condition, Days, Formula, Order, Test, Written};
use crate::plan::nearest::did_you_mean;
use crate::plan::{At, Finding, Plan, RelayId, Sensor, SensorId, Tank};
use crate::time::Span;
use crate::units::{Dimension, Quantity};
use std::collections::BTreeMap;
use std::ops::Range;

/// Longer than any stretch of the past that means something to a tank.
const LONGEST: Span = Span::hours(366 * 24);

/// What the names in a condition mean.
#[derive(Clone, Debug, Default)]
pub struct Scope<'s> {
    names: BTreeMap<&'s str, (SensorId, Option<&'s Sensor>)>,
    tanks: BTreeMap<&'s str, &'s Tank>,
    relays: BTreeMap<&'s str, RelayId>,
}

impl<'s> Scope<'s> {
    /// These sensors, each known by its place in the list.
    pub fn of(sensors: &'s [Sensor]) -> Self {
        Self::partly(sensors.iter().map(|sensor| (sensor.name.as_str(), Some(sensor))))
    }

    /// Everything of a plan that a condition can name.
    pub fn of_plan(plan: &'s Plan) -> Self {
        let relays = plan.relays.iter().map(|relay| relay.name.as_str());
        Self::of(&plan.sensors).with(&plan.tanks, relays)
    }

    /// Names in their order, some of sensors that are themselves mistaken: what uses those is
    /// let pass, since their own mistake is reported already.
    pub(crate) fn partly(sensors: impl IntoIterator<Item = (&'s str, Option<&'s Sensor>)>) -> Self {
        let numbered = sensors.into_iter().enumerate();
        Self {
            names: numbered.map(|(index, (name, sensor))| (name, (SensorId(index as u32), sensor))).collect(),
            ..Self::default()
        }
    }

    /// With these tanks, and relays in their order.
    pub(crate) fn with(mut self, tanks: &'s [Tank], relays: impl IntoIterator<Item = &'s str>) -> Self {
        self.tanks = tanks.iter().map(|tank| (tank.name.as_str(), tank)).collect();
        self.relays = (0..).map(RelayId).zip(relays).map(|(id, name)| (name, id)).collect();
        self
    }

    /// The sensors that are right, in the order of the file.
    pub(crate) fn sensors(&self) -> impl Iterator<Item = &'s Sensor> + '_ {
        let mut sensors: Vec<_> = self.names.values().copied().collect();
        sensors.sort_by_key(|(id, _)| *id);
        sensors.into_iter().filter_map(|(_, sensor)| sensor)
    }

    /// The sensor of this name, if it is right.
    pub(crate) fn sensor(&self, name: &str) -> Option<&'s Sensor> {
        self.names.get(name)?.1
    }

    /// Whether no sensor is mistaken.
    pub(crate) fn is_whole(&self) -> bool {
        self.names.values().all(|(_, sensor)| sensor.is_some())
    }
}

impl Condition {
    /// Reads and checks a condition's text. Places in the findings are bytes of `text`. There
    /// may be no findings although there is no condition, if it uses a sensor that is itself
    /// mistaken.
    pub fn parse(text: &str, scope: &Scope<'_>) -> Result<Condition, Vec<Finding>> {
        let written = Written::parse(text).map_err(|finding| vec![finding])?;
        let mut checker = Checker { scope, findings: Vec::new(), slots: 0, inside: false };
        match checker.condition(&written) {
            Some(condition) if checker.findings.is_empty() => Ok(condition),
            Some(_) | None => Err(checker.findings),
        }
    }
}

/// Goes through a written condition and gathers what is wrong.
pub(super) struct Checker<'s> {
    scope: &'s Scope<'s>,
    findings: Vec<Finding>,
    /// How many places that look back there are so far.
    slots: usize,
    /// Whether this is part of something that looks back.
    inside: bool,
}

type Part = At<Written>;

impl<'s> Checker<'s> {
    /// Nothing comes back if there was a mistake, which then has been noted.
    pub(super) fn condition(&mut self, written: &Part) -> Option<Condition> {
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
            Written::Silent { subject, length } => {
                let found = self.subject(subject, "is silent for …");
                let length = self.longer_than_reports(length, "silence", found)?;
                Some(Test::Silent(found?.0, length))
            }
            Written::Frozen { subject, length } => self.frozen(subject, length),
            Written::Commanded { subject, word } => self.commanded(subject, word),
            Written::Photoperiod(subject) => self.photoperiod(subject),
            Written::Time { hours, outside } => {
                let inside = Condition::Says(Test::Time(*hours), written.it.to_string().into());
                return Some(if *outside { Condition::Not(Box::new(inside)) } else { inside });
            }
            Written::Day(word) => self.day(word),
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

    fn conditions(&mut self, parts: &[Part]) -> Option<Vec<Condition>> {
        let checked: Vec<_> = parts.iter().map(|part| self.condition(part)).collect();
        checked.into_iter().collect()
    }

    /// A value where a condition belongs.
    fn value<T>(&mut self, written: &Part) -> Option<T> {
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
        written: &Part,
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

    fn compare(&mut self, whole: &Part, left: &Part, order: Order, right: &Part) -> Option<Test> {
        let (first, second) = (self.term(left), self.term(right));
        let (first, second) = self.alike(whole, (left, first?), (right, second?))?;
        if let (Some(low), Some(high)) = (first.range, second.range)
            && let Some(always) = decided(order, low, high)
        {
            return self.pointless(whole, always, &first, &second);
        }
        let dimension = first.dimension;
        Some(Test::Compare { left: first.formula, order, right: second.formula, dimension })
    }

    /// Two sides of the same dimension, at least one of which varies.
    fn alike(
        &mut self,
        whole: &Part,
        (left, first): (&Part, Term<'s>),
        (right, second): (&Part, Term<'s>),
    ) -> Option<(Typed<'s>, Typed<'s>)> {
        match (first, second) {
            (Term::Typed(first), Term::Typed(second)) => {
                if first.dimension != second.dimension {
                    return self.clash("compared with", left, first.dimension, right, second.dimension);
                }
                Some((first, second))
            }
            (Term::Typed(first), Term::Literal(quantity)) => {
                let Ok(base) = quantity.base(first.dimension) else {
                    return self.misfit("compared with", left, &first, right, quantity);
                };
                let second = constant(base, &first);
                Some((first, second))
            }
            (Term::Literal(quantity), Term::Typed(second)) => {
                let Ok(base) = quantity.base(second.dimension) else {
                    return self.misfit("compared with", right, &second, left, quantity);
                };
                Some((constant(base, &second), second))
            }
            (Term::Literal(_), Term::Literal(_)) => {
                let title = format!("`{}` never changes", whole.it);
                self.note(Finding::error(whole.span.clone(), title, "no sensor has a part in it"))
            }
        }
    }

    fn range(
        &mut self,
        whole: &Part,
        subject: &Part,
        low: &Part,
        high: &Part,
        outside: bool,
    ) -> Option<Test> {
        let (value, first, second) = (self.term(subject), self.term(low), self.term(high));
        let Term::Typed(value) = value? else {
            let title = format!("`{}` never changes", subject.it);
            return self.note(Finding::error(subject.span.clone(), title, "a sensor is wanted here"));
        };
        let (value, first) = self.alike(whole, (subject, Term::Typed(value)), (low, first?))?;
        let (value, second) = self.alike(whole, (subject, Term::Typed(value)), (high, second?))?;
        if let (Some(low), Some(high)) = (first.range, second.range)
            && low.0 >= high.1
        {
            let title = "a range goes from lowest to highest";
            return self.note(Finding::error(whole.span.clone(), title, "the first is not below the second"));
        }
        if let (Some(value_range), Some(low), Some(high)) = (value.range, first.range, second.range) {
            let above = decided(Order::AtLeast, value_range, low);
            let below = decided(Order::AtMost, value_range, high);
            let within = match (above, below) {
                (Some(false), _) | (_, Some(false)) => Some(false),
                (Some(true), Some(true)) => Some(true),
                _ => None,
            };
            if let Some(within) = within {
                return self.pointless(whole, within != outside, &value, &first);
            }
        }
        let dimension = value.dimension;
        let (value, low, high) = (value.formula, first.formula, second.formula);
        Some(Test::Range { value, low, high, outside, dimension })
    }

    fn moves(&mut self, whole: &Part, subject: &Part, rises: bool, rate: &Part, over: &Part) -> Option<Test> {
        let window = self.window(whole, Aggregate::Slope, subject, over, None);
        let quantity = self.quantity(rate);
        let (window, quantity) = (window?, quantity?);
        let Ok(base) = quantity.base(window.dimension) else {
            let verb = if rises { "rise" } else { "fall" };
            let of = window.of.words();
            let title = format!("{of} can't {verb} by {}", quantity.unit.dimension.words());
            let label = format!("{} is wanted here", window.dimension.words());
            let scale = super::scale::scale(window.dimension, window.like);
            let help = format!("for instance `{} {}`", quantity.number, scale.name);
            return self.note(Finding::error(rate.span.clone(), title, label).help(help));
        };
        if base <= 0.0 {
            let title = "what rises or falls does so by more than nothing";
            return self.note(Finding::error(rate.span.clone(), title, "must be more than this"));
        }
        let dimension = window.dimension;
        let left = window.formula;
        Some(match rises {
            true => Test::Compare { left, order: Order::Greater, right: Formula::Constant(base), dimension },
            false => Test::Compare { left, order: Order::Less, right: Formula::Constant(-base), dimension },
        })
    }

    fn baseline(
        &mut self,
        whole: &Part,
        subject: &Part,
        by: &Part,
        above: bool,
        (what, over, lag): (Aggregate, &Part, Option<&Part>),
    ) -> Option<Test> {
        if !matches!(what, Aggregate::Mean | Aggregate::Median | Aggregate::Lowest | Aggregate::Highest) {
            let title = format!("the {what} of the past is no baseline");
            let label = "`mean`, `median`, `lowest` or `highest` is wanted here";
            return self.note(Finding::error(whole.span.clone(), title, label));
        }
        // `mean of x over 1 h is 30 % below its median`: the past is that of x.
        let own = match &subject.it {
            Written::Aggregate { of, .. } => of,
            _ => subject,
        };
        let value = self.term(subject);
        let past = self.window(whole, what, own, over, lag);
        let quantity = self.quantity(by);
        let (Term::Typed(value), past) = (value?, past?) else {
            return self.value(subject);
        };
        let quantity = quantity?;
        if value.dimension != past.dimension {
            return self.clash("compared with", subject, value.dimension, whole, past.dimension);
        }
        let dimension = value.dimension;
        let sign = if above { 1.0 } else { -1.0 };
        let right = if quantity.unit.dimension == Dimension::NUMBER {
            if dimension.is_point() {
                let title = format!("{} {} of {} means nothing", quantity.number, '%', dimension.words());
                let label = "the zero of its scale is arbitrary";
                let help = "write a difference, for instance `1 K`";
                return self.note(Finding::error(by.span.clone(), title, label).help(help));
            }
            let share = quantity.number * quantity.unit.to_base(1.0);
            if !(0.0..=1.0).contains(&share) && !above || share < 0.0 {
                let title = format!("`{}` can't be so far from its past", subject.it);
                return self.note(Finding::error(by.span.clone(), title, "expected 0 % to 100 %"));
            }
            Formula::Scaled(1.0 + sign * share, Box::new(past.formula))
        } else {
            let Ok(base) = quantity.base(dimension.difference()) else {
                return self.misfit("compared with", subject, &value, by, quantity);
            };
            Formula::Sum(Box::new(past.formula), Box::new(Formula::Constant(sign * base)))
        };
        let order = if above { Order::AtLeast } else { Order::AtMost };
        Some(Test::Compare { left: value.formula, order, right, dimension })
    }

    fn is(&mut self, subject: &Part, word: &At<String>) -> Option<Test> {
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
            None => format!("its words are: {}", words(sensor)),
        };
        self.note(Finding::error(word.span.clone(), title, "not one of its declared words").help(help))
    }

    fn frozen(&mut self, subject: &Part, length: &Part) -> Option<Test> {
        let found = self.subject(subject, "is frozen for …");
        let length = self.longer_than_reports(length, "a frozen value", found)?;
        let (id, sensor) = found?;
        if sensor.measure.words {
            let title = format!("`{}` says words, which stay what they are", sensor.name);
            let help = format!("write `{} has been … for …`", sensor.name);
            return self.note(Finding::error(subject.span.clone(), title, "never frozen").help(help));
        }
        Some(Test::Frozen(id, length))
    }

    fn commanded(&mut self, subject: &Part, word: &At<String>) -> Option<Test> {
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
            false => did_you_mean(name, self.scope.relays.keys().copied()),
        };
        self.note(Finding::error(subject.span.clone(), title, "not a known name").maybe_help(help))
    }

    fn photoperiod(&mut self, subject: &Part) -> Option<Test> {
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

    pub(super) fn tank(&mut self, name: &At<String>) -> Option<&'s Tank> {
        if let Some(tank) = self.scope.tanks.get(name.it.as_str()) {
            return Some(tank);
        }
        let title = format!("there is no tank `{}`", name.it);
        let help = did_you_mean(&name.it, self.scope.tanks.keys().copied());
        self.note(Finding::error(name.span.clone(), title, "not a known name").maybe_help(help))
    }

    /// A length of time that is not nothing; `title` says what it is for.
    pub(super) fn duration(&mut self, written: &Part, title: &str) -> Option<Span> {
        let quantity = self.quantity(written)?;
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
        length: &Part,
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

    pub(super) fn quantity(&mut self, written: &Part) -> Option<Quantity> {
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
    fn subject(&mut self, written: &Part, said: &str) -> Option<(SensorId, &'s Sensor)> {
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

    pub(super) fn sensor(&mut self, name: &str, span: &Range<usize>) -> Option<(SensorId, &'s Sensor)> {
        match self.scope.names.get(name) {
            Some((id, Some(sensor))) => Some((*id, sensor)),
            Some((_, None)) => None,
            None => {
                let known = |part: &str| self.scope.names.contains_key(part);
                let minus = name
                    .match_indices('-')
                    .map(|(at, _)| (&name[..at], &name[at + 1..]))
                    .find(|(left, right)| known(left) && known(right));
                let help = match minus {
                    Some((left, right)) => Some(format!("a minus needs blanks: `{left} - {right}`")),
                    None if self.scope.relays.contains_key(name) => {
                        Some(format!("`{name}` is a relay: write `{name} is commanded on`"))
                    }
                    None if self.scope.tanks.contains_key(name) => {
                        Some(format!("`{name}` is a tank: write `{name} is in its photoperiod`"))
                    }
                    None => did_you_mean(name, self.scope.names.keys().copied()),
                };
                let title = format!("there is no sensor `{name}`");
                self.note(Finding::error(span.clone(), title, "not a known name").maybe_help(help))
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
    let limit = middle.unwrap_or_else(|| sensor.scale.unit.to_base(10.0));
    format!("`{} < {}`", sensor.name, show(limit, sensor.scale.unit.dimension, Some(sensor)))
}

pub(super) fn words(sensor: &Sensor) -> String {
    let names: Vec<_> = sensor.words().iter().map(|word| format!("`{}`", word.name)).collect();
    names.join(", ")
}

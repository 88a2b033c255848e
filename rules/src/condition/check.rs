//! From a condition as written to a [`Condition`]: names are looked up, and quantities are
//! checked like types. All mistakes are found in one pass; each says why it is one, since "a
//! flow can't be compared with a temperature" teaches and "type mismatch" does not.

use super::explain::show;
use super::{Condition, Formula, Order, Written};
use crate::plan::nearest::{did_you_mean, nearest_unit};
use crate::plan::{At, Finding, Sensor, SensorId};
use crate::time::Span;
use crate::units::{Dimension, Quantity, Unit};
use std::collections::BTreeMap;
use std::ops::Range;

/// What the names in a condition mean.
#[derive(Clone, Debug, Default)]
pub struct Scope<'s> {
    names: BTreeMap<&'s str, (SensorId, Option<&'s Sensor>)>,
}

impl<'s> Scope<'s> {
    /// These sensors, each known by its place in the list.
    pub fn of(sensors: &'s [Sensor]) -> Self {
        Self::partly(sensors.iter().map(|sensor| (sensor.name.as_str(), Some(sensor))))
    }

    /// Names in their order, some of sensors that are themselves mistaken: what uses those is
    /// let pass, since their own mistake is reported already.
    pub(crate) fn partly(sensors: impl IntoIterator<Item = (&'s str, Option<&'s Sensor>)>) -> Self {
        let numbered = sensors.into_iter().enumerate();
        Self {
            names: numbered.map(|(index, (name, sensor))| (name, (SensorId(index as u32), sensor))).collect(),
        }
    }
}

impl Condition {
    /// Reads and checks a condition's text. Places in the findings are bytes of `text`.
    pub fn parse(text: &str, scope: &Scope<'_>) -> Result<Condition, Vec<Finding>> {
        let written = Written::parse(text).map_err(|finding| vec![finding])?;
        Condition::check(&written, scope).map_err(|(findings, _)| findings)
    }

    /// Checks a written condition. The flag beside the findings says that a mistaken sensor is
    /// used, so that there may be no findings although there is no condition.
    pub(crate) fn check(written: &At<Written>, scope: &Scope<'_>) -> Result<Condition, (Vec<Finding>, bool)> {
        let mut checker = Checker { scope, findings: Vec::new(), uses_broken: false };
        match checker.condition(written) {
            Some(condition) if checker.findings.is_empty() => Ok(condition),
            _ => Err((checker.findings, checker.uses_broken)),
        }
    }
}

struct Checker<'s> {
    scope: &'s Scope<'s>,
    findings: Vec<Finding>,
    uses_broken: bool,
}

/// A formula whose type is known, or a quantity whose type the other side decides.
enum Term<'s> {
    Typed(Typed<'s>),
    Literal(Quantity),
}

struct Typed<'s> {
    formula: Formula,
    dimension: Dimension,
    /// The lowest and highest value that believable readings can make of it.
    range: Option<(f64, f64)>,
    /// A sensor in it, for its unit.
    like: &'s Sensor,
}

impl<'s> Checker<'s> {
    /// Nothing comes back if there was a mistake, which then has been noted.
    fn condition(&mut self, written: &At<Written>) -> Option<Condition> {
        match &written.it {
            Written::All(parts) => self.conditions(parts).map(Condition::All),
            Written::Any(parts) => self.conditions(parts).map(Condition::Any),
            Written::Not(inner) => Some(Condition::Not(Box::new(self.condition(inner)?))),
            Written::Compare { left, order, right } => self.compare(written, left, *order, right),
            Written::Is { subject, word } => self.is(subject, word),
            Written::Silent { subject, length } => self.silent(subject, length),
            Written::Name(_) | Written::Quantity { .. } | Written::Difference(..) => {
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
        }
    }

    fn conditions(&mut self, parts: &[At<Written>]) -> Option<Vec<Condition>> {
        let checked: Vec<_> = parts.iter().map(|part| self.condition(part)).collect();
        checked.into_iter().collect()
    }

    fn compare(
        &mut self,
        whole: &At<Written>,
        left: &At<Written>,
        order: Order,
        right: &At<Written>,
    ) -> Option<Condition> {
        let (first, second) = (self.term(left), self.term(right));
        let (first, second) = match (first?, second?) {
            (Term::Typed(first), Term::Typed(second)) => {
                if first.dimension != second.dimension {
                    return self.clash("compared with", left, first.dimension, right, second.dimension);
                }
                (first, second)
            }
            (Term::Typed(first), Term::Literal(quantity)) => {
                let Ok(base) = quantity.base(first.dimension) else {
                    return self.misfit("compared with", left, &first, right, quantity);
                };
                let second = constant(base, &first);
                (first, second)
            }
            (Term::Literal(quantity), Term::Typed(second)) => {
                let Ok(base) = quantity.base(second.dimension) else {
                    return self.misfit("compared with", right, &second, left, quantity);
                };
                (constant(base, &second), second)
            }
            (Term::Literal(_), Term::Literal(_)) => {
                let title = format!("`{}` never changes", whole.it);
                return self.note(Finding::error(whole.span.clone(), title, "no sensor has a part in it"));
            }
        };
        if let (Some(low), Some(high)) = (first.range, second.range)
            && let Some(always) = decided(order, low, high)
        {
            return self.pointless(whole, always, &first, &second);
        }
        let dimension = first.dimension;
        Some(Condition::Compare { left: first.formula, order, right: second.formula, dimension })
    }

    fn term(&mut self, written: &At<Written>) -> Option<Term<'s>> {
        match &written.it {
            Written::Name(name) => {
                let (id, sensor) = self.sensor(name, &written.span)?;
                if sensor.measure.words {
                    let title = format!("`{name}` says words, not numbers");
                    let help = format!("write `{name} is …` with one of its words: {}", words(sensor));
                    return self.note(
                        Finding::error(written.span.clone(), title, "a number is wanted here").help(help),
                    );
                }
                Some(Term::Typed(Typed {
                    formula: Formula::Sensor(id),
                    dimension: sensor.scale.unit.dimension,
                    range: sensor.plausible,
                    like: sensor,
                }))
            }
            Written::Quantity { number, unit } => {
                Some(Term::Literal(Quantity { number: *number, unit: self.unit(written, *number, unit)? }))
            }
            Written::Difference(left, right) => {
                let (first, second) = (self.term(left), self.term(right));
                self.difference(written, left, first?, right, second?).map(Term::Typed)
            }
            Written::All(_)
            | Written::Any(_)
            | Written::Not(_)
            | Written::Compare { .. }
            | Written::Is { .. }
            | Written::Silent { .. } => {
                let title = format!("`{}` is a condition, not a value", written.it);
                let label = "a sensor's name or a quantity is wanted here";
                self.note(Finding::error(written.span.clone(), title, label))
            }
        }
    }

    fn difference(
        &mut self,
        whole: &At<Written>,
        left: &At<Written>,
        first: Term<'s>,
        right: &At<Written>,
        second: Term<'s>,
    ) -> Option<Typed<'s>> {
        let (first, second, dimension) = match (first, second) {
            (Term::Typed(first), Term::Typed(second)) => {
                let dimension = if first.dimension == second.dimension {
                    first.dimension.difference()
                } else if first.dimension.difference() == second.dimension {
                    first.dimension
                } else {
                    return self.clash("reduced by", left, first.dimension, right, second.dimension);
                };
                (first, second, dimension)
            }
            (Term::Typed(first), Term::Literal(quantity)) => {
                // 1 K less than a temperature is a temperature; 1 degC less than one is how
                // far it is from that point of the scale.
                let (wanted, dimension) = match first.dimension {
                    of if quantity.unit.dimension == of => (of, of.difference()),
                    of => (of.difference(), of),
                };
                let Ok(base) = quantity.base(wanted) else {
                    return self.misfit("reduced by", left, &first, right, quantity);
                };
                let second = Typed { dimension: wanted, ..constant(base, &first) };
                (first, second, dimension)
            }
            (Term::Literal(quantity), Term::Typed(second)) => {
                let of = quantity.unit.dimension;
                let (wanted, dimension) = match second.dimension {
                    other if of != other && of.difference() == other => (of, of),
                    other => (other, other.difference()),
                };
                let Ok(base) = quantity.base(wanted) else {
                    return self.misfit("reduced by", right, &second, left, quantity);
                };
                (Typed { dimension: wanted, ..constant(base, &second) }, second, dimension)
            }
            (Term::Literal(_), Term::Literal(_)) => {
                let label = "no sensor has a part in it";
                let title = format!("`{}` never changes", whole.it);
                return self.note(Finding::error(whole.span.clone(), title, label).help("write its result"));
            }
        };
        let range = first.range.zip(second.range).map(|(a, b)| (a.0 - b.1, a.1 - b.0));
        let formula = Formula::Difference(Box::new(first.formula), Box::new(second.formula));
        Some(Typed { formula, dimension, range, like: first.like })
    }

    fn is(&mut self, subject: &At<Written>, word: &At<String>) -> Option<Condition> {
        let (id, sensor) = self.subject(subject, &format!("is {}", word.it))?;
        if !sensor.measure.words {
            let title =
                format!("`{}` measures {} and says no words", sensor.name, sensor.measure.dimension.words());
            let help = format!("compare it, for instance {}", example(sensor));
            return self.note(Finding::error(word.span.clone(), title, "a word").help(help));
        }
        if let Some(index) = sensor.words().iter().position(|known| known.name == word.it) {
            return Some(Condition::Is(id, index as u16));
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

    fn silent(&mut self, subject: &At<Written>, length: &At<Written>) -> Option<Condition> {
        let found = self.subject(subject, "is silent for …");
        let Written::Quantity { number, unit } = &length.it else {
            let label = "a duration such as `5 min` is wanted here";
            return self.note(Finding::error(length.span.clone(), "silence has a duration", label));
        };
        let quantity = Quantity { number: *number, unit: self.unit(length, *number, unit)? };
        let (id, sensor) = found?;
        let span = match quantity.span() {
            Ok(span) => span,
            Err(wrong) => {
                let title = "silence has a duration";
                return self.note(
                    Finding::error(length.span.clone(), title, wrong.to_string())
                        .help("for instance `5 min`"),
                );
            }
        };
        if span <= sensor.every {
            let title = format!("`{}` reports only every {}", sensor.name, sensor.every);
            let label = "shorter than its usual silence";
            let help = format!("several of its reports, for instance `{}`", sensor.stale_after);
            return self.note(Finding::error(length.span.clone(), title, label).help(help));
        }
        Some(Condition::Silent(id, Span(span.0)))
    }

    /// The sensor that is said to be something.
    fn subject(&mut self, written: &At<Written>, said: &str) -> Option<(SensorId, &'s Sensor)> {
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

    fn sensor(&mut self, name: &str, span: &Range<usize>) -> Option<(SensorId, &'s Sensor)> {
        match self.scope.names.get(name) {
            Some((id, Some(sensor))) => Some((*id, sensor)),
            Some((_, None)) => {
                self.uses_broken = true;
                None
            }
            None => {
                let known = |part: &str| self.scope.names.contains_key(part);
                let minus = name
                    .match_indices('-')
                    .map(|(at, _)| (&name[..at], &name[at + 1..]))
                    .find(|(left, right)| known(left) && known(right));
                let help = match minus {
                    Some((left, right)) => Some(format!("a minus needs blanks: `{left} - {right}`")),
                    None => did_you_mean(name, self.scope.names.keys().copied()),
                };
                let title = format!("there is no sensor `{name}`");
                self.note(Finding::error(span.clone(), title, "not a known name").maybe_help(help))
            }
        }
    }

    fn unit(&mut self, written: &At<Written>, number: f64, unit: &str) -> Option<Unit> {
        if let Some(known) = Unit::named(unit) {
            return Some(known);
        }
        let help = nearest_unit(unit).map(|unit| format!("did you mean `{number} {unit}`?"));
        let finding = Finding::error(written.span.clone(), format!("`{unit}` is not a unit"), "unknown unit");
        self.note(finding.maybe_help(help))
    }

    /// Two typed sides that don't go together.
    fn clash<T>(
        &mut self,
        verb: &str,
        left: &At<Written>,
        first: Dimension,
        right: &At<Written>,
        second: Dimension,
    ) -> Option<T> {
        let title = format!("{} can't be {verb} {}", first.words(), second.words());
        let finding = Finding::error(right.span.clone(), title, format!("this is {}", second.words()));
        let finding = finding.also(left.span.clone(), format!("this is {}", first.words()));
        self.note(finding.maybe_help(points_and_differences(first, second)))
    }

    /// A typed side and a quantity that doesn't fit it.
    fn misfit<T>(
        &mut self,
        verb: &str,
        typed: &At<Written>,
        of: &Typed<'_>,
        literal: &At<Written>,
        quantity: Quantity,
    ) -> Option<T> {
        let found = quantity.unit.dimension;
        let unit = &of.like.scale.name;
        if found == Dimension::NUMBER && !unit.is_empty() {
            let title = format!("`{}` needs a unit", literal.it);
            let label = format!("a plain number can't be {verb} {}", of.dimension.words());
            let help = format!("for instance `{} {unit}`", quantity.number);
            let place = (typed.span.clone(), format!("this is {}", of.dimension.words()));
            let finding = Finding::error(literal.span.clone(), title, label).help(help);
            return self.note(finding.also(place.0, place.1));
        }
        self.clash(verb, typed, of.dimension, literal, found)
    }

    /// A comparison that believable readings can't change.
    fn pointless<T>(
        &mut self,
        whole: &At<Written>,
        always: bool,
        first: &Typed<'_>,
        second: &Typed<'_>,
    ) -> Option<T> {
        let says = if always { "is always true" } else { "can never be true" };
        let title = format!("`{}` {says}", whole.it);
        let varying = if matches!(first.formula, Formula::Constant(_)) { second } else { first };
        let show = |base: f64| show(&varying.like.scale, varying.dimension, base);
        let label = match (&varying.formula, varying.range) {
            (Formula::Sensor(_), Some((low, high))) => {
                format!("readings outside {} to {} are not believed", show(low), show(high))
            }
            (_, Some((low, high))) => {
                format!("believable readings differ by {} to {}", show(low), show(high))
            }
            (_, None) => String::new(),
        };
        let help = format!("move the limit, or widen `plausible` of `{}`", varying.like.name);
        self.note(Finding::error(whole.span.clone(), title, label).help(help))
    }

    fn note<T>(&mut self, finding: Finding) -> Option<T> {
        self.findings.push(finding);
        None
    }
}

/// A constant beside `other`, of its type.
fn constant<'s>(base: f64, other: &Typed<'s>) -> Typed<'s> {
    Typed {
        formula: Formula::Constant(base),
        dimension: other.dimension,
        range: Some((base, base)),
        like: other.like,
    }
}

/// What the comparison says for every value in the ranges, if it says the same for all.
fn decided(order: Order, left: (f64, f64), right: (f64, f64)) -> Option<bool> {
    match order {
        Order::Less if left.1 < right.0 => Some(true),
        Order::Less if left.0 >= right.1 => Some(false),
        Order::AtMost if left.1 <= right.0 => Some(true),
        Order::AtMost if left.0 > right.1 => Some(false),
        Order::Less | Order::AtMost => None,
        Order::Greater => decided(Order::Less, right, left),
        Order::AtLeast => decided(Order::AtMost, right, left),
    }
}

fn points_and_differences(first: Dimension, second: Dimension) -> Option<String> {
    (first.difference() == second.difference())
        .then(|| "degC and degF are points on a scale; a difference is written in K".to_owned())
}

/// A comparison that could be meant.
fn example(sensor: &Sensor) -> String {
    let middle = sensor.plausible.map(|(low, high)| f64::midpoint(low, high));
    let limit = sensor.scale.show(middle.unwrap_or_else(|| sensor.scale.unit.to_base(10.0)));
    format!("`{} < {limit}`", sensor.name)
}

fn words(sensor: &Sensor) -> String {
    let names: Vec<_> = sensor.words().iter().map(|word| format!("`{}`", word.name)).collect();
    names.join(", ")
}

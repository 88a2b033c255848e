//! From a condition as written to a [`Condition`]: names are looked up, and quantities are
//! checked like types. All mistakes are found in one pass; each says why it is one, since "a
//! flow can't be compared with a temperature" teaches and "type mismatch" does not.

use super::term::{Term, constant, decided};
use super::{Condition, Order, Written};
use crate::plan::nearest::did_you_mean;
use crate::plan::{At, Finding, Sensor, SensorId};
use crate::units::Quantity;
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
    /// Reads and checks a condition's text. Places in the findings are bytes of `text`. There
    /// may be no findings although there is no condition, if it uses a sensor that is itself
    /// mistaken.
    pub fn parse(text: &str, scope: &Scope<'_>) -> Result<Condition, Vec<Finding>> {
        let written = Written::parse(text).map_err(|finding| vec![finding])?;
        let mut checker = Checker { scope, findings: Vec::new() };
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
        Some(Condition::Silent(id, span))
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
    let limit = sensor.scale.show(middle.unwrap_or_else(|| sensor.scale.unit.to_base(10.0)));
    format!("`{} < {limit}`", sensor.name)
}

pub(super) fn words(sensor: &Sensor) -> String {
    let names: Vec<_> = sensor.words().iter().map(|word| format!("`{}`", word.name)).collect();
    names.join(", ")
}

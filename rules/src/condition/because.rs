//! What the truth of a condition rests on, as people say it: readings by their titles, each with
//! what it should be beside it, never the limit in place of the reading. Pages, `status` and the
//! records' reasons show it.

use super::crossing::{Crossing, DRAWN};
use super::explain::ExplainedPart;
use super::query::UntilWhat;
use super::scale::show_of;
use super::{Aggregate, Comparison, Condition, Formula, Lapse, Present, Test, Truth, World, in_words};
use crate::forecast::wording;
use crate::ids::{SensorId, TankId};
use crate::reading::Value;
use crate::site::{Sight, Site};
use crate::units::Dimension;
use crate::words;

impl Condition {
    /// The readings that its truth rests on, by name: `mains off, lagoon temp 23.1 °C, should be at
    /// least 24 °C`.
    pub fn because<W: World>(&self, site: &dyn Site, present: &Present<'_, W>) -> String {
        let mut parts = Vec::new();
        self.because_of(&ExplainedPart { site, present, hold: None }, "", Crossing::Fault, &mut parts);
        parts.into_iter().map(|part| part.named).collect::<Vec<_>>().join(", ")
    }

    /// The same behind an alarm's own name at `place`: what belongs there is named without it, a
    /// single reading needs no name at all, and a single word tells nothing that the alarm's name
    /// doesn't.
    pub fn readings<W: World>(&self, site: &dyn Site, present: &Present<'_, W>, place: &str) -> String {
        self.readings_with(site, present, place, Crossing::Fault)
    }

    /// The same without what they should be: for a text.
    pub fn bare_readings<W: World>(&self, site: &dyn Site, present: &Present<'_, W>, place: &str) -> String {
        self.readings_with(site, present, place, Crossing::Unsaid)
    }

    fn readings_with<W: World>(
        &self,
        site: &dyn Site,
        present: &Present<'_, W>,
        place: &str,
        crossing: Crossing,
    ) -> String {
        let mut parts = Vec::new();
        self.because_of(&ExplainedPart { site, present, hold: None }, place, crossing, &mut parts);
        // A word beside a number is what the alarm's name says already.
        if parts.iter().any(|part| !part.is_word()) {
            parts.retain(|part| !part.is_word());
        }
        if let [only] = parts.as_slice()
            && let Some(bare) = &only.bare
        {
            return bare.clone();
        }
        parts.into_iter().map(|part| part.named).collect::<Vec<_>>().join(", ")
    }

    /// The readings that it looks at as they are now, without limits: for what stands only because
    /// nobody can be sure yet that it is over.
    pub fn readings_now<W: World>(&self, site: &dyn Site, present: &Present<'_, W>, place: &str) -> String {
        let told = ExplainedPart { site, present, hold: None };
        let sensors: Vec<SensorId> =
            self.sensors().into_iter().filter(|id| !site.sensor(*id).measure.words).collect();
        match sensors.as_slice() {
            [only] => told.reading_in_words(*only),
            all => {
                let read = |id: &SensorId| told.named_reading(*id, place);
                all.iter().map(read).collect::<Vec<_>>().join(", ")
            }
        }
    }

    fn because_of<W: World>(
        &self,
        told: &ExplainedPart<'_, W>,
        place: &str,
        crossing: Crossing,
        into: &mut Vec<ReadPart>,
    ) {
        match self {
            // Of several parts only those count that made the whole what it is.
            Self::All(parts) | Self::Any(parts) => {
                let truth_of = |part: &Condition| part.evaluate(told.present, told.hold).truth;
                let whole = truth_of(self);
                let of_part = |part: &Condition| match self {
                    Self::All(_) if crossing != Crossing::Unsaid && self.is_circumstance(part, told.site) => {
                        Crossing::Circumstance
                    }
                    Self::All(_) | Self::Any(_) | Self::Not(_) | Self::Says(..) => crossing,
                };
                parts
                    .iter()
                    .filter(|part| truth_of(part) == whole)
                    .for_each(|part| part.because_of(told, place, of_part(part), into));
            }
            Self::Not(inner) => inner.because_of(told, place, crossing.denied(), into),
            Self::Says(test, written) => {
                for reading in told.readings(test, written, place, crossing) {
                    if !into.contains(&reading) {
                        into.push(reading);
                    }
                }
            }
        }
    }
}

/// Something that was read.
#[derive(Clone, Debug, PartialEq)]
struct ReadPart {
    /// With its name: `water 23.1 °C, should be at least 24 °C`.
    named: String,
    /// Without it, where one reading alone is plain enough.
    bare: Option<String>,
}

impl ReadPart {
    /// One of the words that its sensor declares.
    fn is_word(&self) -> bool {
        self.bare.as_deref() == Some("")
    }

    fn of(words: String) -> Self {
        Self { named: words, bare: None }
    }
}

impl<W: World> ExplainedPart<'_, W> {
    fn readings(&self, test: &Test, written: &str, place: &str, crossing: Crossing) -> Vec<ReadPart> {
        let now = self.present.now;
        let name = |id: SensorId| words::without_place(&self.site.sensor(id).title, place).to_owned();
        let named = |id: SensorId| words::named(&name(id), &self.reading_in_words(id));
        let read = |id: &SensorId| ReadPart::of(named(*id));
        let one = |words: String| vec![ReadPart::of(words)];
        match test {
            Test::Compare { left, order, right, dimension } => {
                self.against_limit([left, right], *order, *dimension, place, crossing)
            }
            Test::Range { value: Formula::Sensor(id), low, high, outside, dimension }
                if crossing == (if *outside { Crossing::Fault } else { Crossing::Sound }) =>
            {
                self.against_range(*id, [low, high], *dimension, place)
            }
            Test::Range { .. } => self.all_terms(test, place),
            // Of one word alone the alarm's name tells all: `the power is out (off)` says it twice.
            Test::Is(id, _) => vec![ReadPart { bare: Some(String::new()), ..read(id) }],
            Test::Lapse(Lapse::Silent, id, _) => {
                one(format!("{} silent for {}", name(*id), now - self.present.world.heard(*id)))
            }
            Test::Lapse(Lapse::Frozen | Lapse::NotGood, id, _) => {
                one(format!("{} {}", name(*id), words::for_people(&self.why(test, true))))
            }
            Test::Commanded(id, _) => {
                let relay = words::without_place(self.site.relay_title(*id), place);
                one(format!("{relay} {}", self.why(test, true)))
            }
            Test::Time(_) | Test::Day(_) => one(self.why(test, true)),
            Test::HasBeen { .. } | Test::After { .. } | Test::Then { .. } => {
                let why = words::for_people_in(&self.why(test, true));
                one(format!("{} ({why})", in_words(written, self.site)))
            }
            Test::Until(foretold) => {
                let answer = self.present.world.foretell(&foretold.asked);
                let mut found: Vec<_> = foretold.rests_on.iter().map(read).collect();
                let harm = foretold.asked.harm(self.site, None);
                // What says nothing, or that it never comes, is no reason for anything.
                found.extend(
                    match &answer {
                        Ok(estimate) => wording::ahead(estimate.range).map(|when| format!("{harm} {when}")),
                        Err(reason) => Some(reason.to_string()),
                    }
                    .map(ReadPart::of),
                );
                if let UntilWhat::Water(tank, ..) = foretold.asked.until {
                    found.extend(self.asks_about_work(tank));
                }
                found
            }
            Test::Shows(tank, ..) => {
                let mut found: Vec<_> = test.foretold_from().iter().map(read).collect();
                found.push(ReadPart::of(self.why(test, true)));
                found.extend(self.asks_about_work(*tank));
                found
            }
            Test::Holds { .. } => one(self.why(test, true)),
            Test::Blind(sight) => self.sight_lost(sight),
        }
    }

    /// What may explain it, and only a person knows.
    fn asks_about_work(&self, tank: TankId) -> Option<ReadPart> {
        let ago = self.present.world.undeclared(tank)?;
        let at = self.present.world.local(self.present.now - ago);
        let when = at.map_or_else(|| format!("{ago} ago"), |at| format!("at {}", at.strftime("%H:%M")));
        Some(ReadPart::of(format!(
            "was this a water change? {when} it stepped as no heater and no room makes it"
        )))
    }

    fn sight_lost(&self, sight: &Sight) -> Vec<ReadPart> {
        let words = match sight {
            Sight::Part(part) => match self.present.world.trouble(part) {
                Some(why) => format!("{part}: {why}"),
                None => return Vec::new(),
            },
            Sight::Sensor(id) if self.site.is_for_watched(*id) => {
                let silent = self.present.now - self.present.world.heard(*id);
                let at = self.present.world.local(self.present.now - silent);
                let at = at.map_or(String::new(), |at| format!(" (since {})", at.strftime("%H:%M")));
                format!("no check-in for {silent}{at}")
            }
            Sight::Broker | Sight::Gateway(_) | Sight::Sensor(_) => {
                let sees = match (self.present.world.blind(sight), self.present.world.loss(sight)) {
                    (Truth::True, Some(why)) => {
                        let why = words::for_people_in(&why);
                        return vec![ReadPart::of(match sight {
                            // A reader may never have heard the word.
                            Sight::Broker => {
                                format!("the computer cannot see the tanks (no link to the sensors: {why})")
                            }
                            Sight::Gateway(_) | Sight::Sensor(_) | Sight::Part(_) => why,
                        })];
                    }
                    (Truth::True, None) => "no reading comes",
                    (Truth::False, _) => "readings come again",
                    (Truth::Unknown, _) => "not known whether readings come",
                };
                sees.to_owned()
            }
        };
        vec![ReadPart::of(words)]
    }

    /// A reading with the range beside it in which it should be.
    fn against_range(
        &self,
        id: SensorId,
        ends: [&Formula; 2],
        dimension: Dimension,
        place: &str,
    ) -> Vec<ReadPart> {
        let formula = Formula::Sensor(id);
        let [Formula::Constant(low), Formula::Constant(high)] = ends else {
            return self.terms_of(&[&formula, ends[0], ends[1]], place);
        };
        let show = |base| words::for_people(&show_of(&formula, base, dimension, self.like(&formula)));
        let (low, high) = (show(*low), show(*high));
        let how = match (self.present.world.value(id), ends) {
            (Some(Value::Number(value)), [Formula::Constant(low), _]) if value < *low => "too low: ",
            (Some(Value::Number(value)), [_, Formula::Constant(high)]) if value > *high => "too high: ",
            _ => "",
        };
        let beside = format!(", {how}should be {low} to {high}");
        vec![self.with_bare(id, &self.reading_in_words(id), &beside, place)]
    }

    /// A reading with what it should be beside it, where there is one limit; else all that was
    /// read.
    fn against_limit(
        &self,
        [left, right]: [&Formula; 2],
        order: Comparison,
        dimension: Dimension,
        place: &str,
        crossing: Crossing,
    ) -> Vec<ReadPart> {
        let (formula, base, below) = match (left, right) {
            (Formula::Constant(limit), formula) => (formula, *limit, !order.is_below()),
            (formula, Formula::Constant(limit)) => (formula, *limit, order.is_below()),
            _ => return self.terms_of(&[left, right], place),
        };
        let like = self.like(formula);
        let limit = words::for_people(&show_of(formula, base, dimension, like));
        let value = formula.bounds(self.present).known();
        let swings = matches!(formula, Formula::Window(window) if window.what == Aggregate::Swing);
        let should = if swings { "change by" } else { "be" };
        let beside = crossing.beside(should, &limit, below, value.and_then(|it| it.partial_cmp(&base)));
        match formula {
            Formula::Sensor(id) => {
                let (read, beside) = match self.drawn(*id, base, below) {
                    Some(drawn) => (drawn, ""),
                    // What is written with as many places as its limit can look like it.
                    None => match self.reading_in_words(*id) {
                        read if read == limit && below => (format!("just below {limit}"), &*beside),
                        read if read == limit => (format!("just above {limit}"), &*beside),
                        read => (read, &*beside),
                    },
                };
                vec![self.with_bare(*id, &read, beside, place)]
            }
            _ => match value {
                Some(value) if !matches!(formula, Formula::Window(_)) => {
                    let whole = words::for_people(&show_of(formula, value, dimension, like));
                    let mut found = self.terms_of(&[formula], place);
                    let what = match formula {
                        Formula::Difference(..) => "difference",
                        Formula::Ratio(..) => "ratio",
                        Formula::Constant(_)
                        | Formula::Sensor(_)
                        | Formula::Sum(..)
                        | Formula::Scaled(..)
                        | Formula::Window(_) => "together",
                    };
                    found.push(ReadPart::of(format!("{what} {whole}{beside}")));
                    if found.len() == 2 {
                        found.truncate(1)
                    }
                    found
                }
                Some(_) if swings => {
                    let terms = self.terms_in_words(formula, place).into_iter();
                    terms.map(|term| ReadPart::of(format!("{term}{beside}"))).collect()
                }
                _ => self.terms_of(&[formula], place),
            },
        }
    }

    /// What a device draws, where its limit only tells on from off: `draws nothing (0 W)`, `draws
    /// 180 W`. A limit that the draw itself comes near is said as any other.
    fn drawn(&self, id: SensorId, limit: f64, below: bool) -> Option<String> {
        let sensor = self.site.sensor(id);
        if !DRAWN.contains(&sensor.measure.name) {
            return None;
        }
        let Some(Value::Number(draws)) = self.present.world.value(id) else { return None };
        let read = self.reading_in_words(id);
        match below {
            true if draws <= 0.0 => Some(format!("draws nothing ({read})")),
            false if draws > 3.0 * limit => Some(format!("draws {read}")),
            true | false => None,
        }
    }

    /// What is read of this sensor, by the tank's name where it is not the one that is spoken of.
    fn name_in_words(&self, id: SensorId, place: &str) -> String {
        let sensor = self.site.sensor(id);
        let name = words::without_place(&sensor.title, place);
        match sensor.tank.map(|tank| self.site.tank(tank).title.as_str()) {
            Some(tank) if !tank.eq_ignore_ascii_case(place) && !place.is_empty() => {
                format!("{tank} {}", words::without_place(name, tank))
            }
            Some(_) | None => name.to_owned(),
        }
    }

    fn all_terms(&self, test: &Test, place: &str) -> Vec<ReadPart> {
        let formulas: Vec<&Formula> = test.formulas().into_iter().flatten().collect();
        self.terms_of(&formulas, place)
    }

    fn terms_of(&self, formulas: &[&Formula], place: &str) -> Vec<ReadPart> {
        formulas.iter().flat_map(|formula| self.terms_in_words(formula, place)).map(ReadPart::of).collect()
    }

    /// Each sensor and each window of a formula with its value.
    fn terms_in_words(&self, formula: &Formula, place: &str) -> Vec<String> {
        match formula {
            Formula::Constant(_) => Vec::new(),
            Formula::Sensor(id) => {
                vec![self.named_reading(*id, place)]
            }
            Formula::Sum(left, right) | Formula::Difference(left, right) | Formula::Ratio(left, right) => {
                let mut found = self.terms_in_words(left, place);
                found.extend(self.terms_in_words(right, place));
                found
            }
            Formula::Scaled(_, inner) => self.terms_in_words(inner, place),
            Formula::Window(window) => vec![self.window_in_words(window, formula, place)],
        }
    }

    /// What was read of one sensor, and what stands beside it.
    fn with_bare(&self, id: SensorId, read: &str, beside: &str, place: &str) -> ReadPart {
        let name = words::without_place(&self.site.sensor(id).title, place);
        ReadPart { named: words::named(name, read) + beside, bare: Some(format!("{read}{beside}")) }
    }

    /// `water 23.1 °C`
    fn named_reading(&self, id: SensorId, place: &str) -> String {
        words::named(&self.name_in_words(id, place), &self.reading_in_words(id))
    }

    /// `23.1 °C`, `off`, `not known (silent for 5 min)`.
    pub(super) fn reading_in_words(&self, id: SensorId) -> String {
        words::for_people(&self.reading(id))
    }
}

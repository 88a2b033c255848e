//! SenML packs in JSON, RFC 8428: the latest record of the sensor's name, with the base fields
//! of the records before it resolved into it, its unit turned into ours and its time mapped on
//! to the monotonic clock; and the records before it, for the history.

use super::bad::{BadReading, SenmlFault, short};
use super::number::Named;
use super::{Content, Reading, Said};
use crate::time::{Moment, Now, Span};
use crate::units::Unit;
use serde_json::{Map, Value as Json};

/// The version that RFC 8428 describes.
const VERSION: u64 = 10;

/// So many earlier records of one sensor are taken from a pack, the newest: more than an hour of
/// seconds.
const MOST_EARLIER: usize = 4_000;

/// Times below this are relative to now, in seconds: 2 to the 28th (section 4.5.3).
const RELATIVE_BELOW: f64 = 268_435_456.0;

/// The fields that last from the record they stand in to the end of the pack.
#[derive(Default)]
struct Base<'a> {
    name: &'a str,
    time: f64,
    symbol: Option<&'a str>,
    value: Option<f64>,
}

/// A record of the sensor's name.
struct Found<'a> {
    said: Said<'a>,
    symbol: Option<&'a str>,
    time: f64,
}

/// One object of the pack, with its number for the error texts.
struct Record<'a> {
    number: usize,
    fields: &'a Map<String, Json>,
}

pub(super) fn read(name: &str, content: &Content, pack: &Json, now: &Now) -> Result<Reading, BadReading> {
    let (found, unit) = latest(name, content, pack, now)?;
    let value = content.understand(found.said, unit)?;
    Ok(Reading { value, measured: measured(found.time, now) })
}

/// The records of this name before the latest, the oldest first: those that say when they were
/// measured and can be understood.
pub(super) fn earlier(name: &str, content: &Content, pack: &Json, now: &Now) -> Vec<Reading> {
    let mut found = Vec::new();
    // A pack that `read` refuses as a whole says nothing of the past either.
    let Ok(_) = each(name, content, pack, |record, unit| {
        let measured = measured(record.time, now);
        if let (Some(_), Ok(value)) = (measured, content.understand(record.said, unit)) {
            found.push(Reading { value, measured });
        }
    }) else {
        return Vec::new();
    };
    found.sort_by_key(|reading| reading.measured);
    // The latest is told by `read`.
    found.pop_if(|_| latest(name, content, pack, now).is_ok_and(|(last, _)| since_now(last.time, now) < 0.0));
    let from = found.len().saturating_sub(MOST_EARLIER);
    found.split_off(from)
}

/// The record of this name with the latest time; of several with the same, the last. One name
/// may stand for several quantities that only their units tell apart (as in section 5.1.3), so
/// a record in a unit that the sensor can't have is passed over.
fn latest<'a>(
    name: &str,
    content: &Content,
    pack: &'a Json,
    now: &Now,
) -> Result<(Found<'a>, Option<Named<'a>>), BadReading> {
    let mut latest: Option<(Found<'a>, Option<Named<'a>>)> = None;
    let passed_over = each(name, content, pack, |found, unit| {
        let time = since_now(found.time, now);
        if latest.as_ref().is_none_or(|(before, _)| since_now(before.time, now) <= time) {
            latest = Some((found, unit));
        }
    })?;
    latest.ok_or_else(|| {
        passed_over.unwrap_or_else(|| BadReading::Senml(SenmlFault::NoRecord { name: short(name) }))
    })
}

/// Takes each record of this name, in the order of the pack. What was passed over for its unit
/// comes back.
fn each<'a>(
    name: &str,
    content: &Content,
    pack: &'a Json,
    mut take: impl FnMut(Found<'a>, Option<Named<'a>>),
) -> Result<Option<BadReading>, BadReading> {
    let records = pack.as_array().ok_or(SenmlFault::NotAPack)?;
    let mut base = Base::default();
    let mut passed_over = None;
    for (number, record) in records.iter().enumerate() {
        let record = Record { number, fields: record.as_object().ok_or(SenmlFault::NotAPack)? };
        record.check()?;
        base.take(&record)?;
        let Some(found) = record.resolve(name, &base)? else { continue };
        match found.symbol.map_or(Ok(None), |symbol| fitting(symbol, content)) {
            Ok(unit) => take(found, unit),
            Err(unfit) => passed_over = Some(unfit),
        }
    }
    Ok(passed_over)
}

/// The unit of a symbol, if the sensor can have it. Words have none, whatever is sent with them.
fn fitting<'a>(symbol: &'a str, content: &Content) -> Result<Option<Named<'a>>, BadReading> {
    let wanted = match content {
        Content::Number(scale) => scale.unit.dimension,
        Content::Words(_) => return Ok(None),
    };
    let unit =
        unit(symbol).ok_or_else(|| BadReading::UnknownUnit { said: short(symbol), wanted: Some(wanted) })?;
    let found = unit.dimension;
    if found == wanted || found.difference() == wanted {
        Ok(Some((symbol, unit)))
    } else {
        Err(BadReading::WrongUnit { said: short(symbol), found, wanted })
    }
}

impl<'a> Base<'a> {
    fn take(&mut self, record: &Record<'a>) -> Result<(), SenmlFault> {
        if let Some(name) = record.text("bn")? {
            self.name = name;
        }
        if let Some(time) = record.number("bt")? {
            self.time = time;
        }
        if let Some(symbol) = record.text("bu")? {
            self.symbol = Some(symbol);
        }
        if let Some(value) = record.number("bv")? {
            self.value = Some(value);
        }
        Ok(())
    }
}

impl<'a> Record<'a> {
    /// Refuses what we must not read as if we understood it.
    fn check(&self) -> Result<(), SenmlFault> {
        if let Some(field) = self.fields.keys().find(|field| field.ends_with('_')) {
            return Err(SenmlFault::MustUnderstand { record: self.number, field: short(field) });
        }
        match self.fields.get("bver") {
            None => Ok(()),
            Some(said) => match said.as_f64() {
                Some(version) if version <= VERSION as f64 => Ok(()),
                Some(_) => Err(SenmlFault::Version { said: short(&said.to_string()), limit: VERSION }),
                None => Err(self.fault("bver", "a number")),
            },
        }
    }

    fn resolve(&self, wanted: &str, base: &Base<'a>) -> Result<Option<Found<'a>>, SenmlFault> {
        let own = self.text("n")?.unwrap_or("");
        if wanted.strip_prefix(base.name) != Some(own) {
            return Ok(None);
        }
        let number = self.number("v")?;
        let text = self.text("vs")?;
        let truth = match self.fields.get("vb") {
            None => None,
            Some(truth) => Some(truth.as_bool().ok_or_else(|| self.fault("vb", "true or false"))?),
        };
        let said = match (number, text, truth) {
            (Some(number), None, None) => Said::Number(number + base.value.unwrap_or(0.0)),
            (None, Some(text), None) => Said::Text(text),
            (None, None, Some(truth)) => Said::Truth(truth),
            (None, None, None) => match base.value {
                Some(value) if !self.fields.contains_key("vd") => Said::Number(value),
                _ => return Err(SenmlFault::NoValue { record: self.number }),
            },
            _ => return Err(SenmlFault::NoValue { record: self.number }),
        };
        let time = base.time + self.number("t")?.unwrap_or(0.0);
        Ok(Some(Found { said, symbol: self.text("u")?.or(base.symbol), time }))
    }

    fn text(&self, field: &'static str) -> Result<Option<&'a str>, SenmlFault> {
        let Some(found) = self.fields.get(field) else { return Ok(None) };
        found.as_str().map(Some).ok_or_else(|| self.fault(field, "a text"))
    }

    fn number(&self, field: &'static str) -> Result<Option<f64>, SenmlFault> {
        let Some(found) = self.fields.get(field) else { return Ok(None) };
        found.as_f64().map(Some).ok_or_else(|| self.fault(field, "a number"))
    }

    fn fault(&self, field: &'static str, wanted: &'static str) -> SenmlFault {
        SenmlFault::Field { record: self.number, field, wanted }
    }
}

/// A SenML time in seconds since now; negative in the past.
fn since_now(time: f64, now: &Now) -> f64 {
    if time < RELATIVE_BELOW { time } else { time - now.wall.0 as f64 / 1_000.0 }
}

/// The moment of a SenML time. None where the payload can't say: an absolute time under a
/// clock that is not trusted, the very present, and the future, which nobody has measured.
pub(super) fn measured(time: f64, now: &Now) -> Option<Moment> {
    if time >= RELATIVE_BELOW && !now.wall_trusted {
        return None;
    }
    let since_now = since_now(time, now);
    // `as` saturates: earlier than all time is the beginning of time.
    (since_now < 0.0).then(|| now.mono + Span((since_now * 1_000.0).round() as i64))
}

/// The unit of a SenML symbol (registry of RFC 8428 section 12.1 and RFC 8798, from memory), or
/// of one of our own names. A SenML `K` is a point on a scale; `K` in a rule file is a difference.
fn unit(symbol: &str) -> Option<Unit> {
    let own = match symbol {
        "K" => return Some(Unit::KELVIN_SCALE),
        "Cel" => "degC",
        "%RH" | "%EL" | "/100" => "%",
        "/" => "",
        _ => symbol,
    };
    Unit::named(own)
}

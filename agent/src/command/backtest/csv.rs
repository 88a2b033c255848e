//! Readings from a file: lines of `time,sensor,value` and, where the file has it, the unit or the
//! word; or wide, `time` and one column for each sensor, whose unit may stand in brackets after its
//! name. Columns with other names are given a sensor by `--column NAME=SENSOR`. Where semicolons
//! part the columns, a comma is the decimal sign. A value is read as the sensor's own payloads are.
//! All bad lines are told, each with its number, before anything is played.

use super::believed;
use crate::review::parse_when;
use jiff::tz::TimeZone;
use slackwater_rules::plan::{Plan, SensorId};
use slackwater_rules::reading::{Mapping, Value};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::collections::BTreeMap;
use std::path::Path;

/// So many bad lines are told; of the rest only how many there are.
const MOST_TOLD: usize = 20;

/// The readings of a file, in order of time.
#[derive(Debug)]
pub(super) struct CsvFile {
    pub(super) readings: Vec<(Wall, SensorId, Value)>,
    pub(super) notes: Vec<String>,
}

impl CsvFile {
    /// The first and the last time in it.
    pub(super) fn ends(&self) -> (Wall, Wall) {
        let at = |reading: Option<&(Wall, SensorId, Value)>| reading.map_or(Wall(0), |(at, ..)| *at);
        (at(self.readings.first()), at(self.readings.last()))
    }

    /// Why a file in which no time passes plays nothing.
    pub(super) fn of_one_time(&self, name: &str, zone: &TimeZone) -> String {
        let (at, _) = self.ends();
        let readings = match self.readings.len() {
            1 => "its only reading is".to_owned(),
            count => format!("all its {count} readings are"),
        };
        format!(
            "{name}: {readings} of one moment, {}, and between one and the same moment nothing can ring: write \
             each reading with its own date and time, or say with --since and --until what is to be played",
            at.civil(zone).strftime("%Y-%m-%d %H:%M:%S")
        )
    }
}

/// Reads the file. A sensor that the file tells more rarely than the plan expects is expected as
/// rarely from here on, and a note says so: else it would count as silent in between.
pub(super) fn read(
    path: &Path,
    columns: &[Column],
    plan: &mut Plan,
    now: Wall,
    zone: &TimeZone,
) -> Result<CsvFile, String> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path).map_err(|error| format!("{name}: {error}"))?;
    parse(&name, &text, columns, plan, now, zone)
}

/// A column of a file, and the sensor whose readings it has.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Column {
    pub(super) named: String,
    pub(super) sensor: String,
}

/// Reads `NAME=SENSOR` of the command line.
pub(super) fn column(text: &str) -> Result<Column, String> {
    match text.rsplit_once('=').map(|(named, sensor)| (named.trim(), sensor.trim())) {
        Some((named, sensor)) if !named.is_empty() && !sensor.is_empty() => {
            Ok(Column { named: named.to_owned(), sensor: sensor.to_owned() })
        }
        Some(_) | None => Err(format!("`{text}`: write `NAME=SENSOR`, the column's name and the sensor's")),
    }
}

/// How the lines of a file are made.
struct CsvForm {
    semicolons: bool,
    /// The sensor and the unit of each column after the time; none if a line names its sensor
    /// itself.
    wide: Option<Vec<(String, String)>>,
}

impl CsvForm {
    fn of(name: &str, head: &str, columns: &[Column]) -> Result<Self, String> {
        let semicolons = head.contains(';');
        let found = cells(head, semicolons);
        if found.starts_with(&["time", "sensor", "value"]) && found.len() <= 4 {
            return Ok(Self { semicolons, wide: None });
        }
        let Some((&first, sensors)) = found.split_first().filter(|(_, sensors)| !sensors.is_empty()) else {
            return Err(Self::no_head(name, head));
        };
        let is_time = first == "time" || columns.iter().any(|it| it.sensor == "time" && it.named == first);
        if !is_time {
            return Err(Self::no_head(name, head));
        }
        let wide = sensors.iter().map(|text| {
            let (plain, unit) = match text.strip_suffix(']').and_then(|text| text.rsplit_once('[')) {
                Some((plain, unit)) => (plain.trim(), unit.trim()),
                None => (*text, ""),
            };
            let mapped = columns.iter().find(|it| it.named == *text || it.named == plain);
            (mapped.map_or(plain, |it| &it.sensor).to_owned(), unit.to_owned())
        });
        Ok(Self { semicolons, wide: Some(wide.collect()) })
    }

    fn no_head(name: &str, head: &str) -> String {
        format!(
            "{name}:1: `{head}` is not the head of a file of readings: write `time,sensor,value` or \
             `time,sensor,value,unit`, or `time` and a column for each sensor (`--column NAME=SENSOR` for one \
             that is named otherwise, `--column NAME=time` for the time)"
        )
    }

    /// A number as the rules write it.
    fn plain(&self, value: &str) -> String {
        let digits = |c: char| c.is_ascii_digit() || matches!(c, ',' | '.' | '-' | '+' | 'e' | 'E');
        match self.semicolons && value.matches(',').count() == 1 && value.chars().all(digits) {
            true => value.replace(',', "."),
            false => value.to_owned(),
        }
    }
}

fn cells(line: &str, semicolons: bool) -> Vec<&str> {
    let between = if semicolons { ';' } else { ',' };
    line.split(between).map(|cell| cell.trim().trim_matches('"')).collect()
}

pub(super) fn parse(
    name: &str,
    text: &str,
    columns: &[Column],
    plan: &mut Plan,
    now: Wall,
    zone: &TimeZone,
) -> Result<CsvFile, String> {
    let mut lines = text.trim_start_matches('\u{feff}').lines().zip(1_usize..);
    let head = lines.next().map_or("", |(head, _)| head).trim();
    let form = CsvForm::of(name, head, columns)?;
    let by_name: BTreeMap<String, SensorId> =
        (0..).map(SensorId).zip(&plan.sensors).map(|(id, sensor)| (sensor.name.clone(), id)).collect();
    let (mut readings, mut bad, mut unknown) = (Vec::new(), Vec::new(), BTreeMap::<String, u64>::new());
    for (line, number) in lines.filter(|(line, _)| !line.trim().is_empty()) {
        let cells = cells(line, form.semicolons);
        let (time, told): (&str, Vec<(&str, &str, &str)>) = match (&form.wide, cells.as_slice()) {
            (None, [time, sensor, value]) => (time, vec![(sensor, value, "")]),
            (None, [time, sensor, value, unit]) => (time, vec![(sensor, value, unit)]),
            (None, _) => {
                bad.push(format!("{name}:{number}: {} columns, and not 3 or 4: `{line}`", cells.len()));
                continue;
            }
            (Some(wide), [time, values @ ..]) if values.len() == wide.len() => {
                // An empty cell is a sensor that said nothing then.
                let told = wide.iter().zip(values).filter(|(_, value)| !value.is_empty());
                (time, told.map(|((sensor, unit), value)| (sensor.as_str(), *value, unit.as_str())).collect())
            }
            (Some(wide), _) => {
                let needed = wide.len() + 1;
                bad.push(format!("{name}:{number}: {} columns, and not {needed}: `{line}`", cells.len()));
                continue;
            }
        };
        let known: Vec<_> = told
            .into_iter()
            .filter_map(|(sensor, value, unit)| match by_name.get(sensor) {
                Some(id) => Some((sensor, *id, value, unit)),
                None => {
                    *unknown.entry(sensor.to_owned()).or_default() += 1;
                    None
                }
            })
            .collect();
        if known.is_empty() {
            continue;
        }
        let at = match parse_when(time, now, zone) {
            Ok(at) if time.starts_with(|c: char| c.is_ascii_digit()) && time.contains('-') => at,
            Ok(_) => {
                bad.push(format!("{name}:{number}: `{time}` is no date and time"));
                continue;
            }
            Err(error) => {
                bad.push(format!("{name}:{number}: {error}"));
                continue;
            }
        };
        for (sensor, id, value, unit) in known {
            let of = plan.sensor(id);
            match understand(&of.mapping, of.measure.words, &form.plain(value), unit) {
                Ok(value) => readings.push((at, id, value)),
                Err(why) => bad.push(format!("{name}:{number}: {sensor}: {why}")),
            }
        }
    }
    if !bad.is_empty() {
        let more = bad.len().saturating_sub(MOST_TOLD);
        bad.truncate(MOST_TOLD);
        if more > 0 {
            bad.push(format!("{name}: and {more} more bad lines"));
        }
        return Err(bad.join("\n"));
    }
    if readings.is_empty() {
        let known = by_name.into_keys().collect::<Vec<_>>().join(", ");
        return Err(format!("{name}: no line is of a sensor of the rule file; those are: {known}"));
    }
    readings.sort_by_key(|(at, ..)| *at);
    let mut notes: Vec<_> = unknown
        .into_iter()
        .map(|(sensor, lines)| format!("{lines} lines of `{sensor}`, which the rule file does not have"))
        .collect();
    notes.extend(believed::doubts(name, plan, &readings)?);
    slacken(plan, &readings, &mut notes);
    Ok(CsvFile { readings, notes })
}

fn understand(mapping: &Mapping, words: bool, value: &str, unit: &str) -> Result<Value, String> {
    let content = &mapping.content;
    let text = match (words, unit) {
        (_, "") => value.to_owned(),
        (true, word) => word.to_owned(),
        (false, unit) => format!("{value} {unit}"),
    };
    let now = Now { mono: Moment(0), wall: Wall(0), wall_trusted: true };
    let read = Mapping::whole(content.clone()).read(text.as_bytes(), &now);
    read.map(|reading| reading.value).map_err(|bad| bad.to_string())
}

/// Expects of each sensor no more than the file has: by the middle one of its intervals.
fn slacken(plan: &mut Plan, readings: &[(Wall, SensorId, Value)], notes: &mut Vec<String>) {
    let mut last: BTreeMap<SensorId, Wall> = BTreeMap::new();
    let mut gaps: BTreeMap<SensorId, Vec<i64>> = BTreeMap::new();
    for (at, id, _) in readings {
        if let Some(before) = last.insert(*id, *at) {
            gaps.entry(*id).or_default().push((*at - before).0);
        }
    }
    for (id, mut gaps) in gaps {
        let middle = gaps.len() / 2;
        let pace = Span(*gaps.select_nth_unstable(middle).1);
        let Some(sensor) = plan.sensors.get_mut(id.index()) else { continue };
        if pace > sensor.every {
            let factor = (sensor.stale_after.0 / sensor.every.0.max(1)).max(2);
            notes.push(format!(
                "{}: every {pace} in the file, every {} in the rules",
                sensor.name, sensor.every
            ));
            (sensor.every, sensor.stale_after) = (pace, pace.times(factor).max(sensor.stale_after));
        }
    }
}

#[cfg(any(test, feature = "fuzzing"))]
/// A table is refused with lines of it named, or is readings in order of time, all of them numbers.
pub(crate) fn promise(octets: &[u8], plan: &Plan) {
    let text = String::from_utf8_lossy(octets);
    match parse("table.csv", &text, &[], &mut plan.clone(), Wall(1_772_445_600_000), &TimeZone::UTC) {
        Ok(file) => {
            assert!(file.readings.is_sorted_by_key(|(at, ..)| *at));
            for (_, _, value) in &file.readings {
                assert!(!matches!(value, Value::Number(number) if !number.is_finite()), "{value:?}");
            }
        }
        Err(why) => assert!(!why.is_empty()),
    }
}

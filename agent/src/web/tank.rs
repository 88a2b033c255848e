//! A tank: one of its sensors over a day, a week, a month or a year, with what happened marked,
//! beside another sensor if somebody wants to compare; and all its readings.

use super::ask::HouseLook;
use super::day_bars::{by_day, unseen_days, whole_days};
use super::form::WebForm;
use super::frame::{heading, number};
use super::house::{House, SharedLook};
use super::{readings, truth};
use crate::chart::{ChartEvent, DayBar, Foot, Picture, SeenPoint, Stretch, days, describe, plot};
use crate::journal::{JournalError, JournalLog};
use crate::seen::{self, name_of, shown, spoken, unit_of, water_of};
use maud::{Markup, PreEscaped, html};
use slackwater_rules::alarm::Priority;
use slackwater_rules::plan::{Plan, SensorId, TankId};
use slackwater_rules::quality::Quality;
use slackwater_rules::reading::Value;
use slackwater_rules::record::{Body, Seq};
use slackwater_rules::time::{Span, Wall};
use slackwater_rules::words::{capital, without_place};
use std::collections::BTreeMap;
use std::sync::Arc;

/// So many events are drawn.
const EVENTS: usize = 200;

/// So many of them are listed.
const MARKS: usize = 60;

/// How long a time is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Length {
    Day,
    Week,
    Month,
    Year,
}

impl Length {
    const ALL: [(Self, &'static str, &'static str); 4] = [
        (Self::Day, "day", "Day"),
        (Self::Week, "week", "Week"),
        (Self::Month, "month", "Month"),
        (Self::Year, "year", "Year"),
    ];

    fn of(text: Option<&str>) -> Self {
        let found = Self::ALL.into_iter().find(|(_, name, _)| Some(*name) == text);
        found.map_or(Self::Day, |(length, ..)| length)
    }

    fn span(self) -> Span {
        match self {
            Self::Day => Span::hours(24),
            Self::Week => Span::hours(7 * 24),
            Self::Month => Span::hours(30 * 24),
            Self::Year => Span::hours(365 * 24),
        }
    }
}

/// What is asked for, held against the rules.
struct TankAsked {
    tank: TankId,
    sensor: SensorId,
    beside: Option<SensorId>,
    length: Length,
}

/// What was found in the journal.
struct Drawn {
    svg: String,
    said: String,
    rows: Vec<(String, String, String)>,
    /// What is marked, the newest first: the day, and the time with what.
    marks: Vec<(String, String)>,
}

/// The page; nothing if there is no such tank.
pub(super) async fn main(house: &House, seen: &SharedLook, name: &str, query: &WebForm) -> Option<Markup> {
    let look = &seen.look;
    let tank = (0..).map(TankId).zip(&look.plan.tanks).find(|(_, tank)| tank.name == name)?;
    let tank = tank.0;
    let own: Vec<SensorId> = (0..)
        .map(SensorId)
        .zip(&look.plan.sensors)
        .filter(|(_, sensor)| sensor.tank == Some(tank))
        .map(|(id, _)| id)
        .collect();
    let named = |key: &str| {
        let name = query.get(key)?;
        (0..).map(SensorId).zip(&look.plan.sensors).find(|(_, sensor)| sensor.name == name).map(|(id, _)| id)
    };
    let sensor = named("sensor").or_else(|| water_of(&look.plan, tank)).or_else(|| own.first().copied());
    let Some(sensor) = sensor else {
        return Some(
            html! { (heading(&[capital(&look.plan.tank(tank).title)])) p { "No sensor belongs to it." } },
        );
    };
    let asked = TankAsked {
        tank,
        sensor,
        beside: named("beside").filter(|other| *other != sensor),
        length: Length::of(query.get("span")),
    };
    let (plan, now) = (Arc::clone(&look.plan), look.view.at.wall);
    let (length, beside) = (asked.length, asked.beside);
    // What the page says now is what the drawing ends with.
    let present = look.view.readings.iter().find(|reading| reading.sensor == sensor);
    let present =
        present.filter(|reading| reading.quality == Quality::Good).and_then(|reading| reading.value);
    let drawn =
        house.journal(move |log| draw(log, &plan, (sensor, beside, tank), length, (now, present))).await;
    Some(render(seen, &asked, &own, drawn))
}

fn render(seen: &SharedLook, asked: &TankAsked, own: &[SensorId], drawn: Result<Drawn, String>) -> Markup {
    let look = &seen.look;
    let found = look.plan.tank(asked.tank);
    let sensor = look.plan.sensor(asked.sensor);
    let path = format!("/tank/{}", found.name);
    let address = |length: &str| {
        let beside =
            asked.beside.map_or(String::new(), |id| format!("&beside={}", look.plan.sensor(id).name));
        format!("{path}?span={length}&sensor={}{beside}", sensor.name)
    };
    html! {
        (heading(&[capital(&found.title)]))
        (now_line(seen, asked))
        nav.tabs aria-label="How long a time" {
            @for (length, key, name) in Length::ALL {
                a.btn href=(address(key)) aria-current=[(asked.length == length).then_some("true")] { (name) }
            }
        }
        @match drawn {
            Err(why) => { p { b { "The log can’t be read: " } (why) } }
            Ok(drawn) => {
                figure {
                    figcaption { b { (name_of(&look.plan, sensor)) } @let unit = unit_of(sensor); @if !unit.is_empty() { ", " (unit) }
                        @if let Some(other) = asked.beside { " (dotted: " (name_of(&look.plan, look.plan.sensor(other))) ")" } }
                    (PreEscaped(&drawn.svg))
                }
                p.small { (drawn.said) }
                details {
                    summary { "The same as a table" }
                    div.wide role="group" tabindex="0" aria-label="The same as a table" { table {
                        thead { tr { th scope="col" { "When" } th scope="col" { "Lowest" } th scope="col" { "Highest" } } }
                        tbody { @for (when, low, high) in &drawn.rows { tr { th scope="row" { (when) } td { (low) } td { (high) } } } }
                    } }
                }
                @if !drawn.marks.is_empty() {
                    details {
                        summary { "What is marked in it" }
                        ul.rows.small { @for (day, words) in &drawn.marks { li { (day) ", " (words) } } }
                    }
                }
            }
        }
        form.slim method="get" action=(path) {
            input type="hidden" name="span" value=(Length::ALL.iter().find(|(length, ..)| *length == asked.length).map_or("day", |(_, key, _)| key));
            label for="sensor" { "Sensor" }
            select id="sensor" name="sensor" { @for id in own { (choice(look, *id, *id == asked.sensor)) } }
            label for="beside" { "Beside it" }
            select id="beside" name="beside" {
                option value="" { "nothing" }
                @for (id, other) in (0..).map(SensorId).zip(&look.plan.sensors) {
                    @if other.measure.dimension == sensor.measure.dimension && !other.measure.words && id != asked.sensor { (choice(look, id, asked.beside == Some(id))) }
                }
            }
            button.btn type="submit" { "Show" }
        }
        section.b {
            h2 { "What it says now" }
            ul.rows { @for id in own { (reading(seen, *id)) } }
        }
        p { a.go href="/" { "All tanks" } }
    }
}

fn choice(look: &HouseLook, id: SensorId, chosen: bool) -> Markup {
    let sensor = look.plan.sensor(id);
    html! { option value=(sensor.name) selected[chosen] { (name_of(&look.plan, sensor)) } }
}

fn now_line(seen: &SharedLook, asked: &TankAsked) -> Markup {
    let look = &seen.look;
    let stands: Vec<String> = truth::standing(look)
        .flat_map(|call| &call.matters)
        .filter(|matter| matter.stands && matter.tank == Some(asked.tank))
        .map(|matter| format!("{}: {}", capital(&matter.priority.to_string()), matter.what))
        .collect();
    html! {
        p.under {
            @if stands.is_empty() { "Nothing is wrong here." }
            @else { @for (nth, one) in stands.iter().enumerate() { @if nth > 0 { br; } b { (one) } } }
        }
    }
}

fn reading(seen: &SharedLook, id: SensorId) -> Markup {
    let look = &seen.look;
    let sensor = look.plan.sensor(id);
    let found = look.view.readings.iter().find(|reading| reading.sensor == id);
    html! {
        li {
            (capital(&sensor.title)) ": "
            @match found {
                Some(reading) if reading.quality == Quality::Good => {
                    (number(seen, id))
                    @if let Some(reading) = found { " " (readings::age(reading)) }
                    @if let Some((lower, upper)) = sensor.limits { small { ", limits " (crate::chart::number(shown(sensor, lower))) " to " (spoken(sensor)(shown(sensor, upper))) } }
                }
                Some(reading) => {
                    span.no { (reading.quality) }
                    @if let Some(why) = &reading.why { small { ", " (why) } }
                    @if let Some(heard) = reading.heard { small { ", heard " (truth::minutes(heard)) " ago" } }
                }
                None => { span.no { "not known" } }
            }
        }
    }
}

/// Reads and draws; on the journal's thread.
fn draw(
    log: &JournalLog,
    plan: &Plan,
    (id, beside, tank): (SensorId, Option<SensorId>, TankId),
    length: Length,
    (now, present): (Wall, Option<Value>),
) -> Result<Drawn, JournalError> {
    let zone = &plan.zone;
    let sensor = plan.sensor(id);
    let span = Stretch { from: now - length.span(), to: now };
    let (feet, events) = happenings(log, plan, tank, span)?;
    let say = spoken(sensor);
    match length {
        Length::Day | Length::Week => {
            let step = if length == Length::Day { Span::minutes(5) } else { Span::minutes(30) };
            let mut picture = seen::picture(log, plan, id, span, step, zone)?;
            picture.now = Some(now);
            picture.seen_now = picture.gaps.last().is_none_or(|gap| gap.to < now);
            if let (Some(value), Some(piece), true) = (present, picture.seen.last_mut(), picture.seen_now) {
                let base = match value {
                    Value::Number(number) => number,
                    Value::Word(word) => f64::from(word),
                };
                piece.retain(|point| point.at < now);
                piece.push(SeenPoint::of(now, shown(sensor, base)));
            }
            picture.said = describe(&picture, &say, zone);
            if let Some(other) = beside {
                picture.beside = seen::picture(log, plan, other, span, step, zone)?.seen;
            }
            (picture.feet, picture.events) = (feet, events);
            let rows = table(&picture, &say, plan);
            let marks = marks(&picture.events, plan);
            Ok(Drawn { svg: plot(&picture, zone), said: picture.said, rows, marks })
        }
        Length::Month | Length::Year => {
            let span = whole_days(span, plan);
            let bars = by_day(log, plan, id, span)?;
            let gaps = unseen_days(&bars, Stretch { from: span.from, to: now }, plan);
            let limits = seen::limits_of(sensor);
            let said = days_said(&bars, &say, plan);
            let title = format!("{}, lowest to highest of each day", name_of(plan, sensor));
            let svg = days(("days", &title, &said), span, (&bars, &gaps), limits, &events, zone);
            let day = |bar: &DayBar| bar.at.civil(zone).strftime("%a %-d %b").to_string();
            let rows = bars.iter().rev().map(|bar| (day(bar), say(bar.low), say(bar.high))).collect();
            Ok(Drawn { svg, said, rows, marks: marks(&events, plan) })
        }
    }
}

fn days_said(bars: &[DayBar], say: &dyn Fn(f64) -> String, plan: &Plan) -> String {
    let day = |bar: &DayBar| bar.at.civil(&plan.zone).strftime("%-d %b").to_string();
    let lowest = bars.iter().min_by(|one, other| one.low.total_cmp(&other.low));
    let highest = bars.iter().max_by(|one, other| one.high.total_cmp(&other.high));
    match lowest.zip(highest) {
        Some((low, high)) => format!(
            "Seen on {} days. Lowest {} on {}, highest {} on {}.",
            bars.len(),
            say(low.low),
            day(low),
            say(high.high),
            day(high)
        ),
        None => "Nothing was seen in this time.".to_owned(),
    }
}

/// What is marked in a drawing, the newest first.
fn marks(events: &[ChartEvent], plan: &Plan) -> Vec<(String, String)> {
    let day = |at: Wall| at.civil(&plan.zone).strftime("%a %-d %b").to_string();
    events.iter().rev().take(MARKS).map(|event| (day(event.at), event.words.clone())).collect()
}

/// What stood, what people did and what was switched, of this tank or of the whole site.
fn happenings(
    log: &JournalLog,
    plan: &Plan,
    tank: TankId,
    span: Stretch,
) -> Result<(Vec<Foot>, Vec<ChartEvent>), JournalError> {
    let (mut feet, mut events) = (Vec::new(), Vec::new());
    let mut open: BTreeMap<String, Wall> = BTreeMap::new();
    let mut work: BTreeMap<String, Wall> = BTreeMap::new();
    let title = plan.tank(tank).title.clone();
    let of_tank = |alarm: &str| {
        let alarm = plan.alarm(plan.alarm_named(alarm)?);
        (alarm.tank.is_none_or(|of| of == tank)).then_some(alarm)
    };
    let time = |at: Wall| at.civil(&plan.zone).strftime("%H:%M").to_string();
    let first: Seq = log.newest_until(span.from)?;
    log.walk(first, |record| {
        let at = record.at.wall;
        if at > span.to {
            return false;
        }
        match &record.body {
            Body::Raised { alarm, priority, .. } => {
                if let Some(found) = of_tank(alarm) {
                    if matches!(priority, Priority::Critical | Priority::High) {
                        open.insert(alarm.clone(), at);
                    }
                    events.push(ChartEvent {
                        at,
                        words: format!("{} {}", time(at), without_place(&found.title, &title)),
                    });
                }
            }
            Body::Returned { alarm, .. } | Body::Suppressed { alarm } => {
                if let Some(from) = open.remove(alarm) {
                    feet.push(Foot { when: Stretch { from, to: at }, trouble: true });
                }
            }
            Body::WorkBegan { tank: of, work: kind, .. } if *of == plan.tank(tank).name => {
                events.push(ChartEvent { at, words: format!("{} {}", time(at), kind.replace('-', " ")) });
                work.insert(of.clone(), at);
            }
            Body::WorkEnded { tank: of, .. } => {
                if let Some(from) = work.remove(of) {
                    feet.push(Foot { when: Stretch { from, to: at }, trouble: false });
                }
            }
            Body::Switched { relay, on, .. } => {
                let found = plan.relays.iter().find(|known| known.name == *relay);
                if let Some(found) = found {
                    let state = if *on { "on" } else { "off" };
                    events.push(ChartEvent { at, words: format!("{} {} {state}", time(at), found.title) });
                }
            }
            _ => {}
        }
        true
    })?;
    feet.extend(open.into_values().map(|from| Foot { when: Stretch { from, to: span.to }, trouble: true }));
    feet.extend(work.into_values().map(|from| Foot { when: Stretch { from, to: span.to }, trouble: false }));
    events.retain(|event| event.at >= span.from);
    if events.len() > EVENTS {
        events.drain(..events.len() - EVENTS);
    }
    Ok((feet, events))
}

/// Hours, newest first.
fn table(picture: &Picture, say: &dyn Fn(f64) -> String, plan: &Plan) -> Vec<(String, String, String)> {
    let mut hours: BTreeMap<String, (SeenPoint, SeenPoint)> = BTreeMap::new();
    for point in picture.seen.iter().flatten() {
        let hour = point.at.civil(&plan.zone).strftime("%Y-%m-%d %H:00").to_string();
        let (low, high) = hours.entry(hour).or_insert((*point, *point));
        if point.low < low.low {
            *low = *point;
        }
        if point.high > high.high {
            *high = *point;
        }
    }
    hours.into_iter().rev().map(|(hour, (low, high))| (hour, say(low.low), say(high.high))).collect()
}

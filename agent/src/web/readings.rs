//! Every reading on Now beside the water: its day as a small line on the tanks' common time, with
//! limits and with what was not seen left open, its value, and how old that is.

use super::ask::HouseLook;
use super::frame::number;
use super::history::{STEP, Waters};
use super::house::SharedLook;
use super::now::at;
use super::strips::seen_until_now;
use super::truth::minutes;
use crate::chart::{Picture, SeenPoint, Stretch, Stroke, between, describe, mini, pieces};
use crate::seen::{hold, limits_of, pen_of, spoken, water_of};
use maud::{Markup, PreEscaped, html};
use slackwater_rules::engine::SeenReading;
use slackwater_rules::plan::TankId;
use slackwater_rules::quality::Quality;
use slackwater_rules::reading::Value;
use slackwater_rules::time::Span;
use slackwater_rules::words::capital;

/// So many points of the journal make one of a small line.
const JOINED: usize = 2;

/// The tank's other readings.
pub(super) fn of_tank(seen: &SharedLook, waters: &Waters, tank: TankId, span: Stretch) -> Markup {
    let water = water_of(&seen.look.plan, tank);
    let is_own = |reading: &&SeenReading| {
        seen.look.plan.sensor(reading.sensor).tank == Some(tank) && Some(reading.sensor) != water
    };
    listed(seen, waters, is_own, span)
}

/// Readings of no tank.
pub(super) fn of_house(seen: &SharedLook, waters: &Waters, span: Stretch) -> Markup {
    let plan = &seen.look.plan;
    let is_own = |reading: &&SeenReading| plan.sensor(reading.sensor).tank.is_none();
    let list = listed(seen, waters, is_own, span);
    html! {
        @if seen.look.view.readings.iter().any(|reading| is_own(&reading)) {
            section.b.house { h2 { "The house" } (list) }
        }
    }
}

fn listed(
    seen: &SharedLook,
    waters: &Waters,
    is_own: impl Fn(&&SeenReading) -> bool,
    span: Stretch,
) -> Markup {
    let own: Vec<_> = seen.look.view.readings.iter().filter(is_own).collect();
    html! {
        @if !own.is_empty() {
            ul.also { @for reading in own { (line(seen, waters, reading, span)) } }
        }
    }
}

fn line(seen: &SharedLook, waters: &Waters, reading: &SeenReading, span: Stretch) -> Markup {
    let look = &seen.look;
    let picture = picture(look, waters, reading, span);
    html! {
        li {
            span.n { (capital(&look.plan.sensor(reading.sensor).title)) }
            @if let Some(picture) = picture { (PreEscaped(mini(&picture))) }
            (value(seen, reading))
        }
    }
}

fn value(seen: &SharedLook, reading: &SeenReading) -> Markup {
    let look = &seen.look;
    match reading.quality {
        Quality::Good => {
            html! { span.v.out[is_outside(look, reading)] { (number(seen, reading.sensor)) (age(reading)) } }
        }
        _ if reading.shown.is_empty() => html! { span.v { span.no { "not known" } } },
        _ => html! {
            span.v.stale {
                span.no { (reading.shown) }
                @if let Some(age) = reading.age { i { "not seen since " (at(look, age)) } }
            }
        },
    }
}

fn is_outside(look: &HouseLook, reading: &SeenReading) -> bool {
    let limits = look.plan.sensor(reading.sensor).limits;
    match (limits, reading.value) {
        (Some((lower, upper)), Some(Value::Number(value))) => value < lower || value > upper,
        _ => false,
    }
}

/// How old a reading is, which changes while somebody watches.
pub(super) fn age(reading: &SeenReading) -> Markup {
    html! { @if let Some(words) = age_words(reading) { i.age data-v={ "a" (reading.sensor.0) } { (words) } } }
}

/// Calm enough for a wall: what is younger than a minute is of now.
fn age_words(reading: &SeenReading) -> Option<String> {
    Some(match reading.age? {
        age if age < Span::minutes(1) => "just now".to_owned(),
        age => format!("{} ago", minutes(age)),
    })
}

/// Names of ages that stand on pages, and the ages.
pub(super) fn ages(look: &HouseLook) -> impl Iterator<Item = (String, String)> {
    let good = look.view.readings.iter().filter(|reading| reading.quality == Quality::Good);
    good.filter_map(|reading| Some((format!("a{}", reading.sensor.0), age_words(reading)?)))
}

/// The day until now; nothing if the journal was not read for it.
fn picture(look: &HouseLook, waters: &Waters, reading: &SeenReading, span: Stretch) -> Option<Picture> {
    let said = waters.get(&reading.sensor)?;
    let sensor = look.plan.sensor(reading.sensor);
    let now = look.view.at.wall;
    let past = Stretch { from: span.from, to: now };
    let mut picture = Picture::new(
        format!("m{}", reading.sensor.0),
        format!("{}, the last 24 h", capital(&sensor.title)),
        past,
    );
    picture.pen = pen_of(sensor);
    picture.limits = limits_of(sensor);
    picture.from_zero = is_from_zero(sensor);
    picture.seen_now = reading.quality == Quality::Good;
    let seen = seen_until_now(look, reading, said);
    let hold = hold(sensor, STEP);
    picture.seen = pieces(&seen, hold);
    picture.gaps = between(&picture.seen, past, hold);
    if !picture.seen_now
        && let Some(last) = seen.last()
    {
        picture.gaps.push(Stretch { from: last.at, to: now });
    }
    picture.now = Some(now);
    picture.said = describe(&picture, &spoken(sensor), &look.plan.zone);
    // Between on and off there is nothing.
    if picture.pen != Stroke::Steps {
        picture.seen.iter_mut().for_each(join);
    }
    Some(picture)
}

/// Neighbours become one, the lowest and highest of both; the last stays, since it is now.
fn join(piece: &mut Vec<SeenPoint>) {
    let Some(last) = piece.pop() else { return };
    let mut joined: Vec<SeenPoint> = piece
        .chunks(JOINED)
        .filter_map(|near| {
            let (first, behind) = near.split_first()?;
            Some(behind.iter().fold(*first, |sum, next| SeenPoint {
                at: next.at,
                low: sum.low.min(next.low),
                mean: (sum.mean + next.mean) / 2.0,
                high: sum.high.max(next.high),
            }))
        })
        .collect();
    joined.push(last);
    *piece = joined;
}

/// Whether none of what it measures is zero in the unit that people read.
fn is_from_zero(sensor: &slackwater_rules::plan::Sensor) -> bool {
    matches!(sensor.measure.name, "flow" | "power" | "current" | "level")
}

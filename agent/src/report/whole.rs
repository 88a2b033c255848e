//! The whole span in one picture: each tank's water as a strip, and the mains; what was not seen is
//! open.

use super::ReportParts;
use crate::chart::{Foot, Picture, Stretch, Stroke, days_axis, strip};
use crate::journal::JournalError;
use crate::review::Stamp;
use crate::seen;
use maud::{Markup, PreEscaped, html};
use slackwater_rules::alarm::Priority;
use slackwater_rules::plan::{SensorId, TankId};
use slackwater_rules::time::Span;
use slackwater_rules::words::capital;

/// Steps of a picture: about so many, of whole minutes.
const STEPS: i64 = 170;

/// So many tanks have their strip; the others have their line in the table of readings.
const STRIPS: usize = 24;

pub(super) fn section(made: &ReportParts<'_>) -> Result<Markup, JournalError> {
    let mut rows = Vec::new();
    for (tank, found) in (0..).map(TankId).zip(&made.plan.tanks).take(STRIPS) {
        let Some(sensor) = seen::water_of(made.plan, tank) else { continue };
        let picture = picture(made, sensor, Some(tank))?;
        rows.push((capital(&found.title), picture, Some(sensor)));
    }
    if let Some(mains) = made.plan.mains {
        let mut picture = picture(made, mains, None)?;
        picture.limits = None;
        rows.push(("Mains".to_owned(), picture, None));
    }
    let axis = days_axis(made.span(), made.zone);
    Ok(html! {
        @if !rows.is_empty() {
            section.b {
                h2 { "The whole time" }
                p.small { "Lowest to highest. The light channel lies between the limits; red is outside them. Hatched: not seen. A red bar at the foot: something high or critical stood." }
                div.axrow { (PreEscaped(axis)) }
                @for (name, picture, sensor) in &rows {
                    section.tank {
                        div.head {
                            h3 { (name) }
                            p.st { (missing(picture)) }
                            @if let Some(sensor) = sensor { p.val { (range(made, picture, *sensor)) } }
                        }
                        (PreEscaped(strip(picture)))
                    }
                }
            }
        }
    })
}

fn picture(made: &ReportParts<'_>, sensor: SensorId, tank: Option<TankId>) -> Result<Picture, JournalError> {
    let span = made.span();
    let minutes = (span.length().0 / 60_000 / STEPS).max(1);
    let step = Span::minutes(minutes);
    let mut picture = seen::picture(made.log, made.plan, sensor, span, step, made.zone)?;
    if picture.pen == Stroke::Line {
        picture.pen = Stroke::Band;
    }
    // Silences shorter than a step do not show in the readings; the review knows them.
    let name = &made.plan.sensor(sensor).name;
    let known = made
        .review
        .coverage
        .gaps
        .iter()
        .filter(|gap| ["agent", "broker"].contains(&gap.of.as_str()) || gap.of == *name);
    for gap in known {
        let to = gap.to.as_ref().map_or(span.to, |to| to.unix_ms);
        let gap = Stretch { from: gap.from.unix_ms, to };
        if !picture.gaps.iter().any(|seen| seen.part_of(gap).is_some()) {
            picture.gaps.push(gap);
        }
    }
    let names = made.names();
    let of_tank = |alarm: &str| tank.is_none_or(|tank| names.tank(alarm) == Some(tank));
    let sure = |stamp: &Stamp| stamp.unix_ms;
    // The second ink is for what is grave.
    let grave = |priority| matches!(priority, Priority::Critical | Priority::High);
    let stood = made.review.episodes.iter().filter(|it| tank.is_some() && of_tank(&it.alarm));
    for episode in stood.filter(|it| grave(it.priority)) {
        let to = episode.returned.as_ref().map_or(span.to, sure);
        picture.feet.push(Foot { when: Stretch { from: sure(&episode.detected), to }, trouble: true });
    }
    Ok(picture)
}

/// `23.8 to 25.9 °C`
fn range(made: &ReportParts<'_>, picture: &Picture, sensor: SensorId) -> String {
    let spoken = seen::spoken(made.plan.sensor(sensor));
    let points = || picture.seen.iter().flatten();
    let low = points().map(|point| point.low).reduce(f64::min);
    let high = points().map(|point| point.high).reduce(f64::max);
    match low.zip(high) {
        Some((low, high)) => {
            let number = spoken(low);
            let low = number.split_once(' ').map_or(number.as_str(), |(number, _)| number);
            format!("{low} to {}", spoken(high))
        }
        None => "not seen".to_owned(),
    }
}

fn missing(picture: &Picture) -> String {
    let lost = picture.gaps.iter().fold(Span::ZERO, |sum, gap| sum + gap.length());
    match picture.gaps.len() {
        0 => String::new(),
        1 => format!("not seen once, {}", super::names::minutes(lost)),
        n => format!("not seen {n} times, {} in all", super::names::minutes(lost)),
    }
}

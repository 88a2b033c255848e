//! A tank's strip on Now: what its thermometer said for a day, its limits, what was not seen, what
//! stood and what work goes on, and what may come in the next hours.

use super::ask::HouseLook;
use super::history::{STEP, Waters};
use super::now::{is_grave, matters_of};
use super::truth;
use crate::chart::{FanCourse, Foot, Picture, SeenPoint, Stretch, Stroke, between, describe, nights, pieces};
use crate::journal::StepSaid;
use crate::seen::{hold, limits_of, points, shown, spoken};
use slackwater_rules::engine::SeenReading;
use slackwater_rules::forecast::thermal::Side;
use slackwater_rules::plan::TankId;
use slackwater_rules::quality::Quality;
use slackwater_rules::reading::Value;
use slackwater_rules::time::{Span, Wall};
use slackwater_rules::words::{capital, not_before};

/// How far strips look ahead.
pub(super) const AHEAD: Span = Span::hours(8);
/// Of a fan, one point each.
const FAN_STEP: Span = Span::minutes(30);

/// The strip.
pub(super) fn picture(look: &HouseLook, waters: &Waters, tank: TankId, span: Stretch) -> Option<Picture> {
    let reading = truth::water(look, tank)?;
    let sensor = look.plan.sensor(reading.sensor);
    let now = look.view.at.wall;
    let found = look.plan.tank(tank);
    let title = format!("{}, {}, the last 24 h and the next 8 h", capital(&found.title), sensor.title);
    let mut picture = Picture::new(format!("w{}", tank.0), title, span);
    picture.now = Some(now);
    picture.pen = Stroke::Line;
    picture.limits = limits_of(sensor);
    let said = waters.get(&reading.sensor).map(Vec::as_slice).unwrap_or_default();
    picture.seen_now = reading.quality == Quality::Good;
    let seen = seen_until_now(look, reading, said);
    let hold = hold(sensor, STEP);
    picture.seen = pieces(&seen, hold);
    let last = seen.last().map_or(span.from, |point| point.at);
    picture.gaps = between(&picture.seen, Stretch { from: span.from, to: last }, hold);
    if !picture.seen_now {
        picture.gaps.push(Stretch { from: last.max(span.from), to: span.to });
    }
    picture.nights = nights(span, &look.plan.zone);
    if picture.seen_now {
        ahead(look, tank, &mut picture, now);
    }
    for (_, matter) in matters_of(look, tank).filter(|(_, matter)| is_grave(matter.priority)) {
        picture.feet.push(Foot {
            when: Stretch { from: look.view.at.wall_at(matter.onset), to: now },
            trouble: true,
        });
    }
    for (_, _, until) in look.view.works.iter().filter(|(of, ..)| *of == tank) {
        picture
            .feet
            .push(Foot { when: Stretch { from: now, to: look.view.at.wall_at(*until) }, trouble: false });
    }
    picture.said = describe(&picture, &spoken(sensor), &look.plan.zone);
    Some(picture)
}

/// What a sensor has said until now; the reading itself is the last of it, if it is good.
pub(super) fn seen_until_now(look: &HouseLook, reading: &SeenReading, said: &[StepSaid]) -> Vec<SeenPoint> {
    let (sensor, now) = (look.plan.sensor(reading.sensor), look.view.at.wall);
    let before = points(sensor, said, STEP).into_iter().filter(|point| point.at <= now);
    let last = match (reading.quality, reading.value) {
        (Quality::Good, Some(Value::Number(base))) => Some(SeenPoint::of(now, shown(sensor, base))),
        _ => None,
    };
    before.chain(last).collect()
}

/// What may come, as far as the range says something: from the value now to the limit, early to
/// late.
fn ahead(look: &HouseLook, tank: TankId, picture: &mut Picture, now: Wall) {
    let Some(value) = picture.last().map(|point| point.mean) else { return };
    for water in look.view.ahead.iter().filter(|water| water.tank == tank) {
        let Some((limit, words)) = truth::limit(look, tank, water.limit) else { continue };
        let range = water.range;
        let vague = range.low < 0.25 && range.high > 24.0;
        let beyond = if water.side == Side::Below { value <= limit } else { value >= limit };
        if vague || beyond || range.low > 24.0 {
            continue;
        }
        let after = |hours: f64, meets: f64| value + (limit - value) * (hours / meets.max(0.05));
        let steps = AHEAD.0 / FAN_STEP.0;
        let fan: FanCourse = (0..=steps)
            .map(|step| {
                let hours = (step * FAN_STEP.0) as f64 / 3_600_000.0;
                let [early, likely, late] = [range.low, range.likely, range.high]
                    .map(|meets| if meets.is_finite() { after(hours, meets) } else { value });
                (now + Span(step * FAN_STEP.0), early.min(late), likely, early.max(late))
            })
            .collect();
        picture.fans.push(fan);
        let early = now + Span((range.low * 3_600_000.0) as i64);
        if early < now + AHEAD && picture.meets.as_ref().is_none_or(|(known, ..)| early < *known) {
            let side = if water.side == Side::Below { "below" } else { "above" };
            let at = not_before(&look.view.at, range.low, &look.plan.zone);
            let said = format!("{side} {words} not before {at}");
            picture.meets = Some((early, at, said));
        }
    }
}

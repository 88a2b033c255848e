//! What the journal says of a tank lately: the water as it is kept, and the coldest hour of its
//! room. A journal that can't be read leaves both unknown; the answers then say so.

use super::{LEARNED_FROM, filed};
use crate::clock::Clock;
use crate::journal::{JournalLog, Minute, Values};
use crate::settings::Trust;
use slackwater_rules::forecast::Origin;
use slackwater_rules::forecast::planner::Paper;
use slackwater_rules::plan::{Plan, SensorId};
use slackwater_rules::time::Span;
use std::path::Path;

/// Minutes of an hour that have to be known for it to count.
const LEAST_MINUTES: u32 = 30;

/// Minutes that say something where no hour is whole.
const LEAST_OF_FEW: u32 = 3;

/// Fills in what the keeper did not say.
pub(super) fn fill(paper: &mut Paper, plan: &Plan, name: &str, journal: &Path) {
    if paper.water.is_some() && paper.room.is_some() && paper.hot_room.is_some() {
        return;
    }
    let (Ok(tank), Ok(log)) = (filed::tank(plan, name), JournalLog::open(journal)) else { return };
    let named = |id: Option<SensorId>| {
        id.and_then(|id| plan.sensors.get(id.index())).map_or("", |sensor| sensor.name.as_str())
    };
    let (mut water, mut room) =
        (HourlyMeans::of(named(tank.gear.water)), HourlyMeans::of(named(tank.gear.room)));
    let now = Clock::system(Trust::System).now().wall;
    let walked = log.walk_readings(now - LEARNED_FROM, now, |sensor, minute| {
        water.take(sensor, &minute);
        room.take(sensor, &minute);
    });
    if walked.is_err() {
        return;
    }
    water.end();
    room.end();
    let [of_water, of_room, of_hot_room] = &mut paper.origins;
    let filled = [
        (&mut paper.water, water.mean(), of_water),
        (&mut paper.room, room.ends().map(|(lowest, _)| lowest), of_room),
        (&mut paper.hot_room, room.ends().map(|(_, highest)| highest), of_hot_room),
    ];
    for (given, seen, origin) in filled {
        if given.is_none() && seen.is_some() {
            (*given, *origin) = (seen, Origin::Measured);
        }
    }
}

/// Hourly means of one sensor.
struct HourlyMeans<'a> {
    name: &'a str,
    hour: i64,
    minutes: (f64, u32),
    sum: f64,
    lowest: f64,
    highest: f64,
    hours: u32,
    /// All minutes, as long as there is no whole hour: sum, lowest, highest, count.
    few: (f64, f64, f64, u32),
}

impl<'a> HourlyMeans<'a> {
    fn of(name: &'a str) -> Self {
        Self {
            name,
            hour: i64::MIN,
            minutes: (0.0, 0),
            sum: 0.0,
            lowest: f64::INFINITY,
            highest: f64::NEG_INFINITY,
            hours: 0,
            few: (0.0, f64::INFINITY, f64::NEG_INFINITY, 0),
        }
    }

    fn take(&mut self, sensor: &str, minute: &Minute) {
        let Some(Values::Numbers { mean, .. }) = minute.values.filter(|_| sensor == self.name) else {
            return;
        };
        let hour = minute.wall.0.div_euclid(Span::hours(1).0);
        if hour != self.hour {
            self.end();
            self.hour = hour;
        }
        self.minutes = (self.minutes.0 + mean, self.minutes.1 + 1);
        let (sum, lowest, highest, count) = self.few;
        self.few = (sum + mean, lowest.min(mean), highest.max(mean), count.saturating_add(1));
    }

    /// The mean, if anything was seen.
    fn mean(&self) -> Option<f64> {
        let (sum, _, _, count) = self.few;
        match self.hours {
            0 => (count >= LEAST_OF_FEW).then(|| sum / f64::from(count)),
            hours => Some(self.sum / f64::from(hours)),
        }
    }

    /// The lowest and the highest of whole hours, or of the minutes that there are.
    fn ends(&self) -> Option<(f64, f64)> {
        let (_, lowest, highest, count) = self.few;
        match self.hours {
            0 => (count >= LEAST_OF_FEW).then_some((lowest, highest)),
            _ => Some((self.lowest, self.highest)),
        }
    }

    fn end(&mut self) {
        let (sum, minutes) = std::mem::take(&mut self.minutes);
        if minutes >= LEAST_MINUTES {
            let mean = sum / f64::from(minutes);
            self.sum += mean;
            self.lowest = self.lowest.min(mean);
            self.highest = self.highest.max(mean);
            self.hours += 1;
        }
    }
}

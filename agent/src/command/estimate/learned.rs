//! What a tank itself has shown: its minutes in the journal teach the model that the watch uses,
//! and what the watch put down of it (consumption, and the model where no minutes are kept) is
//! taken along. Answers about this tank flow out, and since when they are its own; before that they
//! are as wide as its size makes them.

use super::past::{self, ForecastPast};
use super::{LEARNED_FROM, filed};
use crate::clock::Clock;
use crate::journal::{JournalLog, Minute};
use crate::review::ReviewSpan;
use crate::settings::Trust;
use slackwater_rules::forecast::margin::Held;
use slackwater_rules::forecast::planner::Paper;
use slackwater_rules::forecast::respiration::Declines;
use slackwater_rules::forecast::thermal::{Scenario, Side, Thermal};
use slackwater_rules::forecast::{Basis, CannotSay, Estimate, Interval};
use slackwater_rules::plan::{Plan, SensorId};
use slackwater_rules::record::Body;
use slackwater_rules::time::{Moment, Span, Wall};
use std::path::Path;

/// A heater's share of the time is that of the last week.
const DUTY_OF: Span = Span::hours(7 * 24);

/// A tank as its journal shows it.
pub(super) struct LearnedTank {
    model: Thermal,
    /// The first and the last minute in which its water was seen.
    seen: Option<(Wall, Wall)>,
    /// Since when its constants are its own.
    since: Option<Wall>,
    /// Of each heater that is seen: the sum of its shares, and in how many minutes.
    duty: [(f64, u32); 2],
    /// Which heaters there are.
    heaters: [bool; 2],
}

impl LearnedTank {
    /// Reads the journal; none if it has nothing of this tank. What the tank uses of oxygen goes
    /// into `paper`.
    pub(super) fn read(paper: &mut Paper, plan: &Plan, name: &str, journal: &Path) -> Option<Self> {
        let tank = filed::tank(plan, name).ok()?;
        let log = JournalLog::open(journal).ok()?;
        let now = Clock::system(Trust::System).now().wall;
        let after = now + Span::minutes(1);
        let window = ReviewSpan { since: after, until: after };
        let mut past = ForecastPast::of(plan, name, window).ok()?;
        let shown = tank.gear.heaters.map(|heater| heater.and_then(|heater| heater.sensor));
        let mut found = Self {
            model: past.model().clone(),
            seen: None,
            since: None,
            duty: [(0.0, 0); 2],
            heaters: tank.gear.heaters.map(|heater| heater.is_some()),
        };
        log.walk_readings(now - LEARNED_FROM, now, |sensor, minute| {
            past.take(sensor, &minute);
            found.count(plan, (tank.gear.water, shown), sensor, &minute, now);
            if found.since.is_none() && past.model().is_learned().is_ok() {
                found.since = Some(minute.wall);
            }
        })
        .ok()?;
        past.model_mut().advance(Moment(now.0));
        found.model = past.model().clone();
        found.take_what_was_put_down(paper, &log, name);
        (found.seen.is_some() || found.since.is_some()).then_some(found)
    }

    fn count(
        &mut self,
        plan: &Plan,
        (water, heaters): (Option<SensorId>, [Option<SensorId>; 2]),
        name: &str,
        minute: &Minute,
        now: Wall,
    ) {
        let is = |id: Option<SensorId>| {
            id.and_then(|id| plan.sensors.get(id.index())).filter(|sensor| sensor.name == name)
        };
        if is(water).is_some() && minute.values.is_some() {
            let first = self.seen.map_or(minute.wall, |(first, _)| first);
            self.seen = Some((first, minute.wall));
        }
        if now - minute.wall > DUTY_OF {
            return;
        }
        for (id, (sum, minutes)) in heaters.into_iter().zip(&mut self.duty) {
            let Some(sensor) = is(id) else { continue };
            // A heater that says watts is held against what stands on it.
            let full = plan.tanks.iter().flat_map(|tank| tank.gear.heaters).flatten();
            let full = full.filter(|heater| heater.sensor == id).find_map(|heater| heater.power);
            if let Some(share) = past::share(sensor, minute.values, full.unwrap_or(1.0)) {
                (*sum, *minutes) = (*sum + share, *minutes + 1);
            }
        }
    }

    /// The newest record of what the watch has learned: the oxygen, and the model if the minutes
    /// that are kept are fewer.
    fn take_what_was_put_down(&mut self, paper: &mut Paper, log: &JournalLog, name: &str) {
        let mut newest = None;
        let walked = log.walk(0, |record| {
            if let Body::Learned { tank, numbers, oxygen } = record.body
                && tank == name
            {
                newest = Some((record.at.wall, numbers, oxygen));
            }
            true
        });
        let Some((at, numbers, oxygen)) = newest.filter(|_| walked.is_ok()) else { return };
        if let [volume, seen @ ..] = oxygen.as_slice() {
            let mut declines = Declines::default();
            let same = paper.volume.is_some_and(|known| (known - volume).abs() < 1e-9);
            if same && declines.recall(seen) {
                paper.respiration = declines.learned(paper.stocking);
            }
        }
        if self.since.is_none() && self.model.recall(&numbers) && self.model.is_learned().is_ok() {
            self.since = Some(at);
        }
    }

    /// Since when its constants are its own.
    pub(super) fn since(&self) -> Option<Wall> {
        self.since
    }

    /// How long its water was watched, days.
    pub(super) fn days(&self) -> f64 {
        self.seen.map_or(0.0, |(first, last)| (last - first).as_seconds() / 86_400.0)
    }

    /// The share of the last week for which each heater was on, if it is seen.
    pub(super) fn duty(&self) -> [Option<f64>; 2] {
        self.duty.map(|(sum, minutes)| (minutes >= 60).then(|| sum / f64::from(minutes)))
    }

    /// Hours until the water is beyond `limit`, from now on, in a room of so many degC, together
    /// with what its size alone says while the tank's own constants are not known.
    fn time_to(
        &self,
        (side, limit): (Side, f64),
        supposed: &Scenario,
        on_paper: Result<Estimate, CannotSay>,
    ) -> Result<Estimate, CannotSay> {
        let own = self.model.time_to(side, limit, supposed);
        match (own, on_paper, self.since) {
            (Ok(own), _, Some(_)) => Ok(own),
            (Ok(own), Ok(paper), None) => {
                let rests_on = own.rests_on.into_iter().chain(paper.rests_on);
                Ok(Estimate::new(own.range.hull(paper.range), rests_on))
            }
            (Ok(own), Err(_), None) => Ok(own),
            (Err(_), on_paper, _) => on_paper,
        }
    }

    /// Hours until too cold without power, in the coldest room.
    pub(super) fn cold(&self, paper: &Paper) -> Result<Estimate, CannotSay> {
        let supposed = Scenario { room: paper.room, ..Scenario::no_power() };
        self.time_to((Side::Below, paper.cold), &supposed, paper.cold_without_heat())
    }

    /// Hours until too warm without power, in the hottest room.
    pub(super) fn warm(&self, paper: &Paper) -> Result<Estimate, CannotSay> {
        if paper.hot_room.is_none() {
            return paper.warm_without_power();
        }
        let supposed = Scenario { room: paper.hot_room, ..Scenario::no_power() };
        self.time_to((Side::Above, paper.warm), &supposed, paper.warm_without_power())
    }

    /// Hours until too warm if the first heater sticks on.
    pub(super) fn stuck(&self, paper: &Paper) -> Result<Estimate, CannotSay> {
        self.time_to((Side::Above, paper.warm), &Scenario::heater_stuck(), paper.warm_with_heater_stuck())
    }

    /// The coldest room, degC, in which these of its heaters hold the water as it is kept.
    pub(super) fn coldest_room(&self, paper: &Paper, which: &[usize]) -> Result<Estimate, CannotSay> {
        self.model.heater_known()?;
        self.model.is_learned()?;
        let constants = self.model.constants();
        let set = paper.water.ok_or(CannotSay::Missing("water temperature"))?;
        let held = Held { constants: &constants, set, lamp: 0.0 };
        let known = which.iter().filter(|i| self.heaters.get(**i).is_some_and(|is| *is));
        let rates = known.filter_map(|i| constants.heaters.get(*i)).copied();
        let rates = rates.reduce(|sum, rate| sum + rate).ok_or(CannotSay::Missing("heater"))?;
        let likely = held.coldest_room(rates.likely)?;
        let ends = [held.coldest_room(rates.low)?.range, held.coldest_room(rates.high)?.range];
        Ok(Estimate { range: likely.range.hull(ends[0]).hull(ends[1]), ..likely })
    }

    /// What the tank loses without heat at the gap to the room that it usually has, K/h.
    pub(super) fn loses(&self) -> Result<Estimate, CannotSay> {
        self.model.is_learned()?;
        let constants = self.model.constants();
        let range = Interval::plus_minus(-constants.at_gap, 1.28 * constants.deviation);
        Ok(Estimate::new(range, [Basis::learned("heat loss")]))
    }
}

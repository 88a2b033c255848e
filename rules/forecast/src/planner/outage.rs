//! How long an outage a tank on paper stands, and what ends it: oxygen, cold or heat,
//! whichever comes first.

use super::Paper;
use crate::interval::{Basis, CannotSay, Estimate, Interval};
use crate::oxygen::{ACUTE_MG_L, Before};

/// What ends an outage.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// Oxygen falls to the acute threshold.
    Oxygen,
    /// The water is too cold.
    Cold,
    /// The water is too warm: only if a hottest room is planned for.
    Heat,
}

/// How long, and by what.
#[derive(Clone, Debug, PartialEq)]
pub struct Outage {
    /// Hours; the earliest of what was computed.
    pub lasts: Estimate,
    /// What most likely comes first; `None` if neither comes within three days.
    pub first: Option<End>,
    /// What comes first if it comes at its earliest.
    pub earliest: End,
    /// What could not be computed, and may come before.
    pub without: Vec<(End, CannotSay)>,
}

impl Paper {
    /// Hours from a power cut at night, the worse time for oxygen, until the first harm; air as
    /// long as the battery carries the pump.
    pub fn outage(&self) -> Result<Outage, CannotSay> {
        let heat = self.hot_room.map(|_| self.warm_without_power());
        self.outage_with(self.cold_without_heat(), heat)
    }

    /// The same, if somebody knows better when it is too cold, and too warm in a hot room.
    pub fn outage_with(
        &self,
        cold: Result<Estimate, CannotSay>,
        heat: Option<Result<Estimate, CannotSay>>,
    ) -> Result<Outage, CannotSay> {
        // In summer it is the room that ends it.
        let heat = heat.map(|heat| (End::Heat, heat));
        let ends = [(End::Oxygen, self.oxygen_in_an_outage()), (End::Cold, cold)].into_iter().chain(heat);
        let mut known = Vec::new();
        let mut without = Vec::new();
        for (end, answer) in ends {
            match answer {
                Ok(estimate) => known.push((end, estimate)),
                Err(reason) => without.push((end, reason)),
            }
        }
        let soonest = |of: fn(Interval) -> f64| {
            let times = known.iter().map(|(end, estimate)| (*end, of(estimate.range)));
            times.min_by(|one, other| one.1.total_cmp(&other.1))
        };
        let (Some((earliest, low)), Some((first, likely)), Some((_, high))) =
            (soonest(|r| r.low), soonest(|r| r.likely), soonest(|r| r.high))
        else {
            return Err(without.pop().map_or(CannotSay::Missing("tank"), |(_, reason)| reason));
        };
        let rests_on = known.iter().flat_map(|(_, estimate)| estimate.rests_on.iter().copied());
        let lasts = Estimate::new(Interval::new(low, likely, high), rests_on);
        Ok(Outage { lasts, first: likely.is_finite().then_some(first), earliest, without })
    }

    /// Hours until the acute threshold in an outage at night: with air while the battery lasts.
    pub fn oxygen_in_an_outage(&self) -> Result<Estimate, CannotSay> {
        let (Ok(pump), Ok(battery)) = (self.air_pump(), self.battery()) else {
            let still = self.oxygen(ACUTE_MG_L, Before::Night, false)?;
            let air = Basis::assumed("no air in an outage");
            return Ok(Estimate::new(still.range, still.rests_on.into_iter().chain([air])));
        };
        let tank = self.oxygen_tank()?;
        let aired = tank.time_to_if_air_ends(ACUTE_MG_L, Before::Night, &pump, battery.range)?;
        let rests_on = aired.rests_on.into_iter().chain(battery.rests_on).chain(self.oxygen_basis());
        Ok(self.said(aired.range, rests_on))
    }
}

//! What an answer rests on: what was written down, and what was assumed because it was not.

use super::Paper;
use crate::interval::{Basis, Estimate, Interval, Origin};

impl Paper {
    /// An estimate that also rests on where the volume came from.
    pub(super) fn said(&self, range: Interval, rests_on: impl IntoIterator<Item = Basis>) -> Estimate {
        let rests_on = rests_on.into_iter().map(|basis| match basis {
            Basis { origin: Origin::Given, what: "volume" } if self.volume_from_box => Basis::given("box"),
            basis => basis,
        });
        let left = self.volume_from_box.then_some(Basis::assumed("15 % of the box for rock, sand and rim"));
        Estimate::new(range, rests_on.chain(left))
    }

    pub(super) fn heat_basis(&self) -> impl Iterator<Item = Basis> {
        let usual = [
            Basis::given("volume"),
            Basis::assumed("heat loss of a tank of this size"),
            Basis::assumed("evaporation at 50 % humidity"),
        ];
        let lid = self.lid.then_some(Basis::given("lid"));
        usual.into_iter().chain(lid).chain(self.climate_basis()).chain(self.surface_basis())
    }

    pub(super) fn climate_basis(&self) -> impl Iterator<Item = Basis> + use<> {
        let [water, room, _] = self.origins;
        [Basis { origin: water, what: "water temperature" }, Basis { origin: room, what: "coldest room" }]
            .into_iter()
    }

    pub(super) fn oxygen_basis(&self) -> impl Iterator<Item = Basis> {
        let sea_level = self.altitude.is_none().then_some(Basis::assumed("sea level"));
        self.surface_basis().chain(self.salinity_basis()).chain(sea_level)
    }

    pub(super) fn surface_basis(&self) -> impl Iterator<Item = Basis> + use<> {
        let shape = match self.surface {
            Some(_) => Basis::given("surface"),
            None => Basis::assumed("a box twice as long as wide and high"),
        };
        std::iter::once(shape)
    }

    pub(super) fn salinity_basis(&self) -> impl Iterator<Item = Basis> + use<> {
        let salinity = match self.salinity {
            Some(_) => Basis::given("salinity"),
            None => Basis::assumed("35 psu"),
        };
        std::iter::once(salinity)
    }
}

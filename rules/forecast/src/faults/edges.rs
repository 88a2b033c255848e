//! The tests on where the water is: beyond an edge at which a device should turn it, or below the
//! floor of its swing.

use super::beyond::{Beyond, BeyondLook, FULLY_ON};
use super::{Fault, Faults};
use crate::hold::Holder;
use crate::thermal::{Cell, Thermal};

/// So far above the lowest of the last minutes the water has turned by itself, K.
const TURNS_BACK: f64 = 0.015;

impl Faults {
    /// The test on water that nobody sees held. Minutes after a gap or a restart are enough for it.
    fn below_floor(&mut self, model: &Thermal, cell: &Cell) {
        if cell.disturbed || !model.pumps_run() {
            self.floor.interrupted();
            return;
        }
        if cell.temperature.is_nan() {
            return;
        }
        let hold = model.holds();
        let below = hold.floor().filter(|_| model.heater_known().is_err()).map(|floor| {
            let swing = hold.ceiling().map_or(0.3, |ceiling| ceiling.place - floor.place);
            let look = BeyondLook {
                by: 0.0,
                off_by: 0.0,
                water: cell.temperature,
                back: if hold.turned_by() > TURNS_BACK { 0.0 } else { hold.just_now() },
                works: false,
                fully: false,
                pumps_seen: false,
                settled: hold.is_settled(cell.end) && !hold.fell_steeply(cell.end),
            };
            self.floor.look(&look, (floor.place, floor.margin), swing)
        });
        self.found(Fault::ColderThanHeld, below.flatten(), cell.end);
    }

    /// The tests on where the water is.
    pub(super) fn edges(&mut self, model: &mut Thermal, cell: &Cell) {
        self.below_floor(model, cell);
        let hold = model.holds();
        let lately = hold.lately().filter(|_| cell.temperature.is_finite());
        let rest = cell.disturbed || !model.pumps_run();
        let settled = hold.is_settled(cell.end);
        let works = |share: f64| share > 0.05;
        let mut look_at = |i: usize, holder: Holder, sign: f64, share: f64| {
            let on =
                hold.comes_on_at(holder).filter(|_| share.is_finite() && cell.temperature.is_finite())?;
            let water = sign * cell.temperature;
            let back = lately.map_or(0.0, |(then, now)| sign * (now - then));
            let look = BeyondLook {
                by: f64::NEG_INFINITY,
                off_by: sign * on.place - on.margin - water,
                water,
                back,
                works: works(share),
                fully: share >= FULLY_ON,
                pumps_seen: model.pumps_seen(),
                settled,
            };
            // What never turned the water at one place can't be told to work in vain.
            let Some(level) = hold.turns_at(holder) else { return Some(look) };
            let proved = self.proved[i].edge(sign * level.place, water, works(share));
            let edge = proved.min(sign * level.place);
            // As long as it turns where it long did, it should be on from where it comes on.
            let as_ever = proved >= sign * level.place;
            let should = if as_ever { sign * on.place - on.margin } else { edge - level.margin };
            let by = edge - level.margin - water;
            Some(BeyondLook { by, off_by: should.max(edge - level.margin) - water, ..look })
        };
        let heaters = [
            look_at(0, Holder::Heater, 1.0, cell.heaters[0]),
            look_at(1, Holder::Spare, 1.0, cell.heaters[1]),
        ];
        let cooler = look_at(2, Holder::Cooler, -1.0, cell.chiller);
        if lately.is_none() || rest {
            self.silent.iter_mut().chain(&mut self.cooler).for_each(Beyond::interrupted);
            self.in_vain.interrupted();
            return;
        }
        let mut silent = None;
        let stood = self.standing[Fault::HeaterSilent.index()].is_some();
        let mut otherwise = [false; 2];
        for ((test, look), otherwise) in self.silent.iter_mut().zip(&heaters).zip(&mut otherwise) {
            let Some(look) = look else { continue };
            let found = test.silent(look);
            // It came back, and not by this heater: something else holds it now, and that was told.
            *otherwise = stood && found == Some(false) && !look.works;
            silent = worse(silent, found);
        }
        self.found(Fault::HeaterSilent, silent, cell.end);
        // The first one's edge is the higher: what is beyond it is beyond both.
        if let Some(look) = heaters.iter().flatten().max_by(|one, other| one.by.total_cmp(&other.by)) {
            let fully = heaters.iter().flatten().any(|look| look.fully);
            let works = heaters.iter().flatten().any(|look| look.works);
            let vain = self.in_vain.in_vain(&BeyondLook { works, fully, ..*look });
            self.found(Fault::HeaterOverwhelmed, vain, cell.end);
            if !cell.room.is_finite() {
                // Without the room no rate says more than this.
                self.found(Fault::NoHeat, vain, cell.end);
            }
        }
        let stopped = cell.chiller.is_finite().then(|| hold.cooler_stopped());
        if let Some(look) = cooler {
            let (silent, vain) = (self.cooler[0].silent(&look), self.cooler[1].in_vain(&look));
            self.found(Fault::CoolerSilent, worse(silent, stopped), cell.end);
            self.found(Fault::CoolerOverwhelmed, vain, cell.end);
        } else {
            self.found(Fault::CoolerSilent, stopped, cell.end);
        }
        for (holder, _) in [Holder::Heater, Holder::Spare].into_iter().zip(otherwise).filter(|(_, so)| *so) {
            model.forget(holder);
        }
    }
}

/// What is worse of two words.
fn worse(one: Option<bool>, other: Option<bool>) -> Option<bool> {
    match (one, other) {
        (Some(true), _) | (_, Some(true)) => Some(true),
        (None, other) => other,
        (one, None) => one,
        (Some(false), Some(false)) => Some(false),
    }
}

//! Whether the water has gone beyond an edge that something keeps it within: further than chance,
//! for long enough, and the device that should turn it does not, or does so in vain.

/// Cells for which it must be beyond: a quarter of an hour where the pumps are seen to run.
const CELLS: u32 = 3;
/// Where nobody sees the pumps: a return that rests while somebody feeds leaves a display to cool
/// by itself.
const PUMPS_UNSEEN: u32 = 5;
/// After a step that nothing here makes: no pouring lasts as long, and a probe in the air is as
/// cold as its room by then.
const UNSETTLED: u32 = 9;
/// Where nobody sees what holds the water there is nothing else to go by, and small tanks are cold
/// sooner.
const UNSETTLED_UNSEEN: u32 = 7;
/// Cells for which a device has worked before it can have done so in vain: what was poured in is
/// over by then.
const AT_WORK: u32 = 7;
/// A device that is on for less of a cell than this was let go by its own thermostat.
pub(super) const FULLY_ON: f64 = 0.9;
/// Beyond the edge no longer for so many cells, and it counts as held otherwise: six hours.
const HELD_OTHERWISE: u32 = 72;
/// A change of less than this in half an hour is none, K.
const STILL: f64 = 0.02;

/// One side of one device, the water counted towards where the device should drive it.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Beyond {
    beyond: u32,
    inside: u32,
    at_work: u32,
    /// The furthest that the water went while it worked.
    furthest: f32,
}

/// Where a device was seen to turn the water although that is beyond its edge: cold water was
/// poured in, or it was just set differently. As long as the water has not been back, that is an
/// edge too.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Proved {
    /// The furthest while it worked, and the furthest of a phase that it ended by itself.
    working: Option<f32>,
    place: Option<f32>,
    /// Cells since the water was beyond the edge.
    back: u32,
}

impl Proved {
    /// The edge to be judged by. All places count towards where the device drives the water.
    pub(super) fn edge(&mut self, place: f64, water: f64, works: bool) -> f64 {
        if works {
            let water = water as f32;
            self.working = Some(self.working.map_or(water, |lowest| lowest.min(water)));
        } else if let Some(lowest) = self.working.take() {
            self.place = Some(lowest).filter(|lowest| f64::from(*lowest) < place);
        }
        self.back = if water > place { self.back.saturating_add(1) } else { 0 };
        if self.back > HELD_OTHERWISE {
            self.place = None;
        }
        self.place.map_or(place, |proved| f64::from(proved).min(place))
    }
}

/// What one cell says.
pub(super) struct BeyondLook {
    /// How far beyond the edge the water is, past what chance explains, K.
    pub(super) by: f64,
    /// How far it is beyond where the device comes on, the same.
    pub(super) off_by: f64,
    /// The water itself, counted towards where the device should drive it.
    pub(super) water: f64,
    /// What the water did in half an hour towards the edge, K.
    pub(super) back: f64,
    /// Whether the device works.
    pub(super) works: bool,
    /// Whether it is fully on.
    pub(super) fully: bool,
    /// Whether the pumps are seen to run.
    pub(super) pumps_seen: bool,
    /// Whether no step was seen lately that nothing here makes.
    pub(super) settled: bool,
}

impl Beyond {
    /// A device that does not work although the water is beyond its edge: over at once when it is
    /// seen to work.
    pub(super) fn silent(&mut self, look: &BeyondLook) -> Option<bool> {
        if look.works {
            *self = Self::default();
            return Some(false);
        }
        self.count(look, look.off_by > 0.0, UNSETTLED)
    }

    /// A device that works in vain: beyond the edge, and not on the way back.
    pub(super) fn in_vain(&mut self, look: &BeyondLook) -> Option<bool> {
        if self.at_work == 0 || look.water < f64::from(self.furthest) {
            self.furthest = look.water as f32;
        }
        self.at_work = if look.fully { self.at_work.saturating_add(1) } else { 0 };
        let is_vain = look.back <= STILL && look.water <= f64::from(self.furthest) + 2.0 * STILL;
        let found = self.count(look, look.by > 0.0 && self.at_work >= AT_WORK && is_vain, UNSETTLED);
        let is_back = look.by < 0.0 || (look.back > 5.0 * STILL && look.works);
        if is_back { Some(false) } else { found }
    }

    /// Nobody knows what, if anything, works: beyond the edge, and going on beyond.
    pub(super) fn unseen(&mut self, look: &BeyondLook) -> Option<bool> {
        let found = self.count(look, look.by > 0.0, UNSETTLED_UNSEEN);
        if look.by < 0.0 { Some(false) } else { found.filter(|found| !found || look.back < -STILL) }
    }

    fn count(&mut self, look: &BeyondLook, beyond: bool, unsettled: u32) -> Option<bool> {
        let needed = match (look.settled, look.pumps_seen || look.fully) {
            (false, _) => unsettled,
            (true, true) => CELLS,
            (true, false) => PUMPS_UNSEEN,
        };
        if beyond {
            (self.beyond, self.inside) = (self.beyond.saturating_add(1), 0);
            return (self.beyond >= needed).then_some(true);
        }
        (self.beyond, self.inside) = (0, self.inside.saturating_add(1));
        (self.inside >= HELD_OTHERWISE).then_some(false)
    }

    /// What was seen counts no more: hands were in the tank.
    pub(super) fn interrupted(&mut self) {
        (self.beyond, self.at_work) = (0, 0);
    }
}

/// Water that nobody sees held: below the floor of its swing. Where it has turned below it and
/// risen again as far as it usually swings, something holds it there.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct BelowFloor {
    test: Beyond,
    lowest: Option<f64>,
    proved: Option<f64>,
    /// Cells since the water was beyond the floor.
    above: u32,
    /// The floor for which that holds.
    floor: f64,
}

/// Of its usual swing, and at least, K: what a rise must be to be a turn.
const TURNS: (f64, f64) = (0.6, 0.15);

impl BelowFloor {
    /// `swing`: from floor to ceiling, K.
    pub(super) fn look(
        &mut self,
        look: &BeyondLook,
        (floor, margin): (f64, f64),
        swing: f64,
    ) -> Option<bool> {
        let water = look.water;
        if (floor - self.floor).abs() > margin {
            *self = Self { floor, ..Self::default() };
        }
        let is_beyond = water < floor - margin;
        self.above = if is_beyond { 0 } else { self.above.saturating_add(1) };
        if self.above > HELD_OTHERWISE {
            self.proved = None;
        }
        // What was poured in, or a probe in the air, shows no place at which anything holds it.
        let lowest = self.lowest.filter(|_| look.settled).map_or(water, |lowest| lowest.min(water));
        self.lowest = is_beyond.then_some(lowest);
        if is_beyond && look.settled && water > lowest + (TURNS.0 * swing).max(TURNS.1) {
            self.proved = Some(lowest);
            self.lowest = Some(water);
        }
        let edge = self.proved.map_or(floor, |proved| proved.min(floor));
        self.test.unseen(&BeyondLook { by: edge - margin - water, ..*look })
    }

    pub(super) fn interrupted(&mut self) {
        self.test.interrupted();
    }
}

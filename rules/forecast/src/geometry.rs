//! What a tank's size alone says about its heat: the prior that makes the first hour useful.
//! From the volume (and the footprint, if known) come the heat capacity and the heat loss, both
//! as ranges wide enough for rock and sand, lids and cabinets, sumps and fans.
//!
//! Coefficients: glass and film 7.1 W/(m² K) by EN 673 figures (10 mm glass; the room's air
//! film decides), surface 10 and floor 3.1 by ISO 6946 resistances; both from memory.

use super::evaporation::Surface;
use super::interval::{CannotSay, Interval};
use super::water::SeaWater;

const WALL: f64 = 7.1;
const TOP: f64 = 10.0;
const FLOOR: f64 = 3.1;

/// What the size of a tank says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Geometry {
    /// Water, m³.
    pub volume: f64,
    /// Open surface, m².
    pub surface: f64,
    /// Heat capacity, J/K.
    pub capacity: Interval,
    /// Heat loss without evaporation, W/K.
    pub walls: Interval,
    /// Heat loss with evaporation linearised at 25.5 degC in a room of 21 degC and 50 %, W/K.
    pub loss: Interval,
}

impl Geometry {
    /// A tank of `volume` m³ (0.005 to 20) and `salinity` psu. Without a surface (m²) it is taken
    /// to be twice as long as it is wide and high.
    pub fn of(volume: f64, salinity: f64, surface: Option<f64>) -> Result<Self, CannotSay> {
        let volume = CannotSay::unless_within("volume in m3", volume, 0.005, 20.0)?;
        let edge = (volume / 2.0).cbrt();
        let surface = match surface {
            Some(surface) => CannotSay::unless_within("surface in m2", surface, 0.01, 40.0)?,
            None => 2.0 * edge * edge,
        };
        // A box twice as long as wide, of this footprint and volume.
        let (width, height) = ((surface / 2.0).sqrt(), volume / surface);
        let sides = 2.0 * (2.0 * width + width) * height;
        let likely = WALL * sides + TOP * surface + FLOOR * surface;
        // Half: a lid, a cabinet, foam. Twice: a sump of its own, bare plumbing, a fan.
        let walls = Interval::new(likely * 0.5, likely, likely * 2.0);
        let evaporation = |water| Surface { water, salinity, air: 21.0, humidity: 0.5 }.range() * surface;
        let slope = (evaporation(26.0).likely - evaporation(25.0).likely).max(0.0);
        let loss = walls + Interval::new(0.3 * slope, slope, 2.0 * slope);
        let water = SeaWater::new(25.5, salinity)?.volume_heat() * volume;
        // Rock holds about half the heat of the water it displaces; glass and sump add.
        let capacity = Interval::new(0.85 * water, water, 1.2 * water);
        Ok(Self { volume, surface, capacity, walls, loss })
    }

    /// Time constant, h.
    pub fn tau_h(self) -> Interval {
        // Large tanks have much of both: the ends of the quotient are not both reached together.
        let likely = self.capacity.likely / self.loss.likely / 3_600.0;
        Interval::within_factor(likely, 2.0)
    }

    /// How far evaporation alone holds the tank below where it would settle, K, at `water` and
    /// `room` degC and 50 % humidity.
    pub fn evaporation_drop(self, water: f64, room: f64) -> Interval {
        let lost = Surface { water, salinity: 35.0, air: room, humidity: 0.5 }.range() * self.surface;
        (lost * (1.0 / self.walls.likely)).clamp(0.0, 15.0)
    }
}

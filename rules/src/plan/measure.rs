//! What sensors measure: the quantities of the trade, each with the units it may have, how
//! fast it can change, and what a person looks at when the sensor can't be seen.

use crate::site::Sensor;
use crate::units::Dimension;

/// A kind of measured quantity.
pub(super) struct MeasureKind {
    /// As written after `measures`.
    pub(super) name: &'static str,
    /// What its unit may measure; none if it only says words.
    pub(super) dimensions: &'static [Dimension],
    /// The fastest change that water can make, base units per second.
    pub(super) max_rate: Option<f64>,
    /// Where a limit for a tank of the sea can lie, base units of the first dimension: common
    /// practice, widened so far that only a slip of the unit or of a digit lies outside.
    pub(super) usual: Option<(f64, f64)>,
    /// What a person can look at instead.
    pub(super) by_hand: &'static str,
    /// Where that comes from, as the cards name their sources.
    pub(super) source: &'static str,
}

const fn kind(name: &'static str, dimensions: &'static [Dimension], by_hand: &'static str) -> MeasureKind {
    MeasureKind { name, dimensions, max_rate: None, usual: None, by_hand, source: "practice" }
}

/// What shows by hand that a device works.
pub(super) const PLUGGED_IN: &str = "See whether what is plugged in has power and runs.";

/// What shows that there is power.
pub(super) const HAS_POWER: &str = "Is there power in the house? If not, every tank needs air.";

/// How warm the water is, for who has no thermometer.
pub(super) const FEEL_THE_GLASS: &str = "Feel the glass: good is neither hot nor colder than the room.";

/// What is looked at before anything is touched.
pub(super) const FLOOR: &str = "Go and look: is the floor dry?";

/// What is looked at before warmth: in still water fish have an hour.
pub(super) const FLOW: &str = "Does the water move? If not, start the air pump.";

/// The same where no tank is seen.
pub(super) const FLOW_EVERYWHERE: &str = "Does water move in every tank? Where not, start the air pump";

/// All of them.
pub(super) static KINDS: &[MeasureKind] = &[
    MeasureKind {
        // 1 K/min is several times what any heater does to a tank's water, and far less than a
        // probe's glitch: an engineering choice, from the rate limits used on such probes.
        max_rate: Some(1.0 / 60.0),
        usual: Some((8.0, 40.0)),
        ..kind("temperature", &[Dimension::TEMPERATURE], "Read another thermometer there.")
    },
    MeasureKind { source: "oxygen-first", ..kind("presence", &[], HAS_POWER) },
    MeasureKind { source: "flood", ..kind("leak", &[], FLOOR) },
    kind("state", &[], PLUGGED_IN),
    MeasureKind { source: "oxygen-first", ..kind("flow", &[Dimension::FLOW], FLOW) },
    kind(
        "level",
        &[Dimension::LENGTH, Dimension::NUMBER, Dimension::VOLUME],
        "Is the water line at the rim, or far below it? Then add nothing, and call for help.",
    ),
    kind("power", &[Dimension::POWER], PLUGGED_IN),
    kind("energy", &[Dimension::ENERGY], PLUGGED_IN),
    kind("current", &[Dimension::CURRENT], PLUGGED_IN),
    kind("voltage", &[Dimension::VOLTAGE], PLUGGED_IN),
    kind(
        "battery",
        &[Dimension::NUMBER, Dimension::VOLTAGE, Dimension::CHARGE],
        "Look at the battery's own display.",
    ),
    kind("runtime", &[Dimension::TIME], "Look at the UPS's or battery's own display."),
    kind("load", &[Dimension::NUMBER], PLUGGED_IN),
    MeasureKind {
        usual: Some((0.0, 50.0)),
        ..kind("salinity", &[Dimension::SALINITY], "Measure the salinity by hand.")
    },
    kind("conductivity", &[Dimension::CONDUCTIVITY], "Measure the salinity by hand."),
    MeasureKind {
        usual: Some((0.0, 50.0)),
        ..kind("specific-gravity", &[Dimension::SALINITY], "Measure the salinity by hand.")
    },
    MeasureKind {
        // Sea water has 2.3 meq/L, 6.5 dKH; reef keepers hold up to twice as much.
        usual: Some((0.5, 8.0)),
        ..kind("alkalinity", &[Dimension::ALKALINITY], "Measure the alkalinity by hand.")
    },
    MeasureKind {
        usual: Some((-0.3, 0.8)),
        ..kind("orp", &[Dimension::VOLTAGE], "Look at the probe: is it in the water, and clean?")
    },
    kind("concentration", &[Dimension::CONCENTRATION], "Measure it by hand."),
    MeasureKind { usual: Some((6.0, 10.0)), ..kind("ph", &[Dimension::ACIDITY], "Measure the pH by hand.") },
    kind(
        "oxygen",
        &[Dimension::CONCENTRATION, Dimension::NUMBER],
        "Look at the fish: do they gasp at the surface?",
    ),
    kind("light", &[Dimension::LIGHT, Dimension::NUMBER], "See whether the lights are as they should be."),
    kind("humidity", &[Dimension::NUMBER], "See whether windows and walls are wet."),
    kind("pressure", &[Dimension::PRESSURE], "Look at the gauge, if there is one."),
];

impl MeasureKind {
    /// The kind of this name.
    pub(super) fn named(name: &str) -> Option<&'static MeasureKind> {
        KINDS.iter().find(|kind| kind.name == name)
    }
}

/// Where readings of a sensor in a tank of the sea lie by common practice, widened so far that only
/// a slip of the unit or of a digit lies outside; base units.
pub fn usual_range(sensor: &Sensor) -> Option<(f64, f64)> {
    sensor.tank?;
    let kind = MeasureKind::named(sensor.measure.name)?;
    kind.usual.filter(|_| kind.dimensions.first() == Some(&sensor.measure.dimension))
}

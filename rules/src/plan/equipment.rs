//! What the forecasts are told of a tank and its gear: which sensors show the water, the room,
//! heaters, lamp, chiller and pumps, with the watts that stand on them; and batteries, with what
//! they feed. All of it may be left out: an estimate says what it had to assume. A thermometer,
//! room or oxygen probe that is the only one of its place is taken without being named.

use super::context::CheckContext;
use super::{Sensor, SensorId, TankId};
use crate::diagnostic::{At, Finding};
use crate::diagnostic::{Item, Table, listed};
use crate::forecast::Interval;
use crate::forecast::battery::Chemistry;
use crate::forecast::oxygen::AirPump;
use crate::site::{Air, Battery, Device, Gear};
use crate::units::Dimension;
use crate::units::QuantityItem as _;

/// The sensors and relays that gear can name.
pub(super) struct GearParts<'a> {
    pub(super) context: &'a CheckContext<'a>,
    pub(super) sensors: &'a [Option<Sensor>],
}

impl GearParts<'_> {
    /// A sensor of one of these kinds that the keeper names.
    fn sensor(&self, item: Item<'_>, kinds: &[&'static str]) -> Option<SensorId> {
        let name = item.text()?;
        let id = SensorId(self.context.sensors.find(&name, self.context.findings)?);
        // A sensor that is wrong itself is reported at its own place.
        let sensor = self.sensors.get(id.index())?.as_ref()?;
        if kinds.contains(&sensor.measure.name) {
            return Some(id);
        }
        let title = format!("`{}` measures {}", sensor.name, sensor.measure.name);
        item.wrong(title, format!("expected a sensor that measures {}", kinds.join(" or ")), None)
    }

    /// The only sensor of this kind that belongs to the tank, or to the site if to none.
    fn only(&self, kind: &str, tank: Option<TankId>) -> Option<SensorId> {
        let all = (0..).map(SensorId).zip(self.sensors);
        let fits = |sensor: &Sensor| sensor.measure.name == kind && sensor.tank == tank;
        let mut found = all.filter(|(_, sensor)| sensor.as_ref().is_some_and(fits)).map(|(id, _)| id);
        found.next().filter(|_| found.next().is_none())
    }

    /// The site's only sensor for the mains.
    pub(super) fn mains(&self, named: Option<Item<'_>>) -> Option<SensorId> {
        match named {
            Some(item) => self.sensor(item, &["presence"]),
            None => self.only("presence", None),
        }
    }
}

/// What a tank's table says of its gear.
pub(super) fn read(table: &Table<'_>, tank: TankId, parts: &GearParts<'_>) -> Gear {
    let sensor = |key, kind| match table.get(key) {
        Some(item) => (parts.sensor(item, &[kind]), true),
        None => (None, false),
    };
    let or_only = |key, kind, of| match sensor(key, kind) {
        (None, false) => parts.only(kind, of),
        (named, _) => named,
    };
    let (water, sump) = (or_only("water", "temperature", Some(tank)), sensor("sump", "temperature").0);
    if let Some(item) = table.get("sump").filter(|_| sump.is_some() && sump == water) {
        item.note("the water and the sump have the same thermometer", "two probes are compared", None);
    }
    let device = |key, least| table.get(key).and_then(|item| device(item.table()?, parts, least));
    let none = |key: &str| table.peek(key) == Some("none");
    let unheated = none("heater");
    let heater = if unheated {
        table.get("heater");
        None
    } else {
        device("heater", false)
    };
    let spare = device("spare", false);
    if let Some(item) = table.get("spare").filter(|_| !table.has("heater") || unheated) {
        item.note("a spare stands beside a heater", "there is no `heater`", None);
    }
    Gear {
        surface: table.get("footprint").and_then(footprint),
        lid: table.get("lid").and_then(Item::flag).unwrap_or(false),
        water,
        sump,
        room: or_only("room", "temperature", None),
        oxygen: or_only("oxygen", "oxygen", Some(tank)),
        heaters: [heater, spare],
        unheated,
        lamp: device("lamp", false),
        chiller: device("chiller", false),
        pumps: device("pumps", true),
        air: table.get("air").and_then(|item| air(item.table()?, parts.context)),
    }
}

/// Length and width of the open water.
fn footprint(item: Item<'_>) -> Option<f64> {
    let [length, width] = item.pair()?.map(|side| side.quantity(Dimension::LENGTH));
    let surface = length? * width?;
    match length? > 0.0 && (0.01..=40.0).contains(&surface) {
        true => Some(surface),
        false => item.wrong("no tank has such a surface", "expected 0.01 to 40 square metres", None),
    }
}

/// `{ sensor = "heater-power", power = "200 W" }`
fn device(table: Table<'_>, parts: &GearParts<'_>, pumps: bool) -> Option<Device> {
    let kinds: &[&'static str] = if pumps { &["flow", "state", "power"] } else { &["state", "power"] };
    let named = table.get("sensor");
    let sensor = named.and_then(|item| parts.sensor(item, kinds));
    let power = table.get("power").and_then(|item| positive(item, Dimension::POWER));
    let shown = sensor.and_then(|id| parts.sensors.get(id.index())?.as_ref());
    if let (Some(item), Some(sensor)) = (named, shown) {
        let has = |word| sensor.words().iter().any(|known| known.name == word);
        if sensor.measure.words && !(has("on") && has("off")) {
            let title = format!("`{}` doesn't say `on` and `off`", sensor.name);
            item.note(title, "these words tell whether it runs", None);
        } else if !sensor.measure.words && !pumps && power.is_none() && !table.has("power") {
            let title = format!("`{}` says watts", sensor.name);
            let help = Some("add the rated power, for instance `power = \"200 W\"`".to_owned());
            item.note(title, "of how many at full power?", help);
        }
    }
    let numeric = shown.filter(|sensor| !sensor.measure.words);
    let least = if pumps { table.get("least") } else { None };
    let least = match (least, numeric) {
        (Some(item), Some(sensor)) => positive(item, sensor.measure.dimension),
        (Some(item), None) if shown.is_some() => {
            item.wrong("`least` is for a sensor that says numbers", "its words tell whether they run", None)
        }
        (None, Some(sensor)) if pumps => {
            let title = format!("`{}` lacks `least`", table.name);
            let label = format!("from how much of `{}` on do they run?", sensor.name);
            let finding = Finding::error(table.span.clone(), title, label);
            table.note(finding.help("for instance `least = \"200 L/h\"`"));
            None
        }
        _ => None,
    };
    table.finish();
    Some(Device { power, sensor, least })
}

/// What gear of tanks comes to at the very most, base units: more is a slip of the unit or of a
/// digit.
const MOST: [(Dimension, f64, &str); 5] = [
    (Dimension::POWER, 200e3, "200 kW"),
    (Dimension::FLOW, 10.0, "36000 m3/h"),
    (Dimension::LENGTH, 20.0, "20 m"),
    (Dimension::VOLTAGE, 1_000.0, "1000 V"),
    (Dimension::CHARGE, 36e6, "10000 Ah"),
];

fn positive(item: Item<'_>, of: Dimension) -> Option<f64> {
    let most = MOST.into_iter().find(|(dimension, ..)| *dimension == of);
    match item.quantity(of)? {
        value if value > 0.0 => match most.filter(|(_, most, _)| value > *most) {
            Some((.., words)) => {
                item.wrong("no gear of a tank comes to this", format!("expected {words} at most"), None)
            }
            None => Some(value),
        },
        _ => item.wrong("this must be more than nothing", "must be more than this", None),
    }
}

const STONES: [(&str, Interval); 2] = [("coarse", AirPump::COARSE), ("fine", AirPump::FINE)];

/// `{ relay = "air-pump", delivers = "3 L/min", depth = "40 cm", bubbles = "fine" }`
fn air(table: Table<'_>, context: &CheckContext<'_>) -> Option<Air> {
    let relay = table.get("relay").and_then(Item::text).and_then(|name| context.relay(&name));
    let delivers = table.need("delivers", "\"3 L/min\"").and_then(|item| positive(item, Dimension::FLOW));
    let depth = table.need("depth", "\"40 cm\"").and_then(|item| positive(item, Dimension::LENGTH));
    let bubbles = table.get("bubbles").and_then(|item| item.one_of(&STONES));
    table.finish();
    let share_per_m = bubbles.unwrap_or(AirPump::COARSE);
    let air_l_min = delivers? * 60_000.0;
    let pump = AirPump { air_l_min, depth_m: depth?, share_per_m, alpha: AirPump::USUAL_ALPHA };
    Some(Air { relay, pump })
}

const CHEMISTRIES: [(&str, Chemistry); 5] = [
    ("agm", Chemistry::LeadAgm),
    ("gel", Chemistry::LeadGel),
    ("flooded", Chemistry::LeadFlooded),
    ("lithium-iron", Chemistry::LithiumIron),
    ("lithium-ion", Chemistry::LithiumIon),
];

/// One battery; nothing if neither a rating nor a sensor says how long it lasts.
pub(super) fn battery(name: &At<String>, table: Table<'_>, parts: &GearParts<'_>) -> Option<Battery> {
    let feeds = table.get("feeds").and_then(Item::text).and_then(|name| parts.context.relay(&name));
    let sensor = |key, kind| table.get(key).and_then(|item| parts.sensor(item, &[kind]));
    let (charge, runtime) = (sensor("charge", "battery"), sensor("runtime", "runtime"));
    let shown = charge.and_then(|id| parts.sensors.get(id.index())?.as_ref());
    if shown.is_some_and(|sensor| sensor.measure.dimension == Dimension::VOLTAGE) {
        let title = "`charge` is a share of full, or a charge in Ah";
        table.note(Finding::error(table.key_span("charge"), title, "this sensor says volts"));
    }
    let number = |key, of| table.get(key).and_then(|item| positive(item, of));
    let (voltage, capacity, load) = (
        number("voltage", Dimension::VOLTAGE),
        number("capacity", Dimension::CHARGE),
        number("load", Dimension::POWER),
    );
    let rated = number("rated", Dimension::TIME).map_or(Chemistry::LeadAgm.usual_rated_h(), |s| s / 3_600.0);
    let chemistry = table.get("kind").and_then(|item| item.one_of(&CHEMISTRIES));
    let converter = table.get("converter").and_then(|item| match item.quantity(Dimension::NUMBER)? {
        share if (0.05..=1.0).contains(&share) => Some(share),
        _ => item.wrong("a converter passes a share of its power", "expected 5 % to 100 %", None),
    });
    let idle = table.get("idle").and_then(|item| item.quantity(Dimension::POWER));
    let rating_keys = ["voltage", "capacity", "load"];
    let missing: Vec<_> = rating_keys.into_iter().filter(|key| !table.has(key)).collect();
    let measured = table.has("runtime");
    if !missing.is_empty() && (missing.len() < rating_keys.len() || !measured) {
        let title = format!("`{}` lacks {}", table.name, listed(&missing));
        let help = "write `voltage`, `capacity` and `load`; or `runtime = \"ups-runtime\"`, a sensor";
        let finding = Finding::error(table.span.clone(), title, "how long does it last?");
        table.note(finding.help(help));
    }
    table.finish();
    let rating = voltage.zip(capacity).zip(load).map(|((volts, coulombs), load)| {
        let battery = crate::forecast::battery::BatteryModel {
            volts,
            rated_ah: coulombs / 3_600.0,
            rated_h: rated,
            chemistry: chemistry.unwrap_or(Chemistry::LeadAgm),
            // Converters pass 0.8 to 0.9; without one nothing is lost on the way.
            converter: converter
                .map_or(Interval::exact(1.0), |share| Interval::plus_minus(share, 0.05).clamp(0.05, 1.0)),
            idle_w: idle.unwrap_or(0.0).max(0.0),
        };
        (battery, load)
    });
    Some(Battery { name: name.it.clone(), feeds, rating, charge, runtime })
}

/// The site's altitude, m.
pub(super) fn altitude(item: Item<'_>) -> Option<f64> {
    match item.quantity(Dimension::LENGTH)? {
        metres if crate::forecast::water::ALTITUDES.contains(&metres) => Some(metres),
        _ => item.wrong("nobody keeps a tank there", "expected -430 m to 5000 m", None),
    }
}

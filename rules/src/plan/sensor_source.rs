//! What feeds a sensor: messages on an MQTT topic, or a source that the agent asks by itself, so
//! that it still sees while the broker is away. A source says what it measures and how; the rule
//! file only names it. Where it is found and with which password stands in the agent's own
//! configuration.

use super::measure::MeasureKind;
use super::sensor::topic;
use crate::condition::is_name;
use crate::diagnostic::At;
use crate::diagnostic::{Item, Table};
use crate::reading::{Value, Word};
use crate::site::{Feed, Source, SupplyReading, UpsReading};
use crate::units::{Scale, Unit};
use std::fmt;

const UPS: [(&str, UpsReading); 8] = [
    ("mains", UpsReading::Mains),
    ("charge", UpsReading::Charge),
    ("runtime", UpsReading::Runtime),
    ("load", UpsReading::Load),
    ("voltage", UpsReading::Voltage),
    ("battery-voltage", UpsReading::BatteryVoltage),
    ("low-battery", UpsReading::LowBattery),
    ("replace-battery", UpsReading::ReplaceBattery),
];

const SUPPLY: [(&str, SupplyReading); 6] = [
    ("mains", SupplyReading::Mains),
    ("charge", SupplyReading::Charge),
    ("runtime", SupplyReading::Runtime),
    ("voltage", SupplyReading::Voltage),
    ("discharging", SupplyReading::Discharging),
    ("low-battery", SupplyReading::LowBattery),
];

/// Families of thermometers that the kernel reads: Documentation/w1/slaves/w1_therm.rst.
const THERMOMETERS: [&str; 5] = ["10", "22", "28", "3b", "42"];

/// What comes from a source.
pub(super) enum Gives {
    /// The words on and off, of this measure.
    OnOff(&'static str),
    /// Numbers of this measure, shown in this unit unless the file names another.
    Number(&'static str, &'static str),
}

impl Gives {
    /// What is measured.
    pub(super) fn kind(&self) -> Option<&'static MeasureKind> {
        match self {
            Self::OnOff(kind) | Self::Number(kind, _) => MeasureKind::named(kind),
        }
    }

    /// The words that are said; none for numbers.
    pub(super) fn words(&self) -> Option<Vec<Word>> {
        let word = |name: &str| Word { name: name.to_owned(), spellings: vec![name.to_owned()] };
        match self {
            Self::OnOff(_) => Some(vec![word("on"), word("off")]),
            Self::Number(..) => None,
        }
    }

    /// How numbers are shown; none for words.
    pub(super) fn scale(&self) -> Option<Scale> {
        match self {
            Self::OnOff(_) => None,
            Self::Number(_, unit) => Some(Scale { unit: Unit::named(unit)?, name: (*unit).to_owned() }),
        }
    }
}

impl Feed {
    /// The topic, if it is one.
    pub fn topic(&self) -> Option<&str> {
        match self {
            Self::Topic(topic) => Some(topic),
            Self::Source(_) => None,
        }
    }

    /// Where it comes from, if it needs no broker.
    pub fn source(&self) -> Option<&Source> {
        match self {
            Self::Topic(_) => None,
            Self::Source(source) => Some(source),
        }
    }

    /// What may be wrong when a gateway that carries it is lost.
    pub(super) fn gateway_cause(&self, gateway: &str) -> String {
        match self {
            Self::Topic(_) => format!("gateway {gateway} has no power, no network or no radio contact"),
            Self::Source(Source::Ups { ups, .. }) => {
                format!("the server of UPS {ups} is down, or has lost its UPS")
            }
            Self::Source(Source::OneWire { .. }) => "the 1-Wire cable is broken or shorted".to_owned(),
            Self::Source(Source::Supply { supply, .. }) => {
                format!("the kernel no longer sees power supply {supply}")
            }
        }
    }

    /// What to do about a lost gateway that carries it.
    pub(super) fn gateway_mend(&self, gateway: &str) -> String {
        match self {
            Self::Topic(_) => format!("See whether gateway {gateway} has power and network."),
            Self::Source(Source::Ups { ups, .. }) => {
                format!("See whether UPS {ups} and its server have power, and the data cable sits.")
            }
            Self::Source(Source::OneWire { .. }) => {
                "See whether the probes' plug sits in the board and no cable is wet or pinched.".to_owned()
            }
            Self::Source(Source::Supply { supply, .. }) => {
                format!("See whether {supply} sits firmly on the board; restart the board.")
            }
        }
    }
}

impl Source {
    /// The value of a source that says on or off.
    pub fn switched(on: bool) -> Value {
        Value::Word(u16::from(!on))
    }

    pub(super) fn gives(&self) -> Gives {
        match self {
            Self::OneWire { .. } => Gives::Number("temperature", "degC"),
            Self::Ups { reads, .. } => match reads {
                UpsReading::Mains => Gives::OnOff("presence"),
                UpsReading::Charge => Gives::Number("battery", "%"),
                UpsReading::Runtime => Gives::Number("runtime", "min"),
                UpsReading::Load => Gives::Number("load", "%"),
                UpsReading::Voltage | UpsReading::BatteryVoltage => Gives::Number("voltage", "V"),
                UpsReading::LowBattery | UpsReading::ReplaceBattery => Gives::OnOff("state"),
            },
            Self::Supply { reads, .. } => match reads {
                SupplyReading::Mains => Gives::OnOff("presence"),
                SupplyReading::Charge => Gives::Number("battery", "%"),
                SupplyReading::Runtime => Gives::Number("runtime", "min"),
                SupplyReading::Voltage => Gives::Number("voltage", "V"),
                SupplyReading::Discharging | SupplyReading::LowBattery => Gives::OnOff("state"),
            },
        }
    }

    /// What carries it and fails as one: a UPS with its server, the bus, a supply.
    pub(super) fn gateway(&self) -> String {
        match self {
            Self::Ups { ups, .. } => format!("{UPS_GATEWAY}{ups}"),
            Self::OneWire { .. } => ONE_WIRE_GATEWAY.to_owned(),
            Self::Supply { supply, .. } => format!("{SUPPLY_GATEWAY}{supply}"),
        }
    }
}

const UPS_GATEWAY: &str = "ups-";
const ONE_WIRE_GATEWAY: &str = "one-wire";
const SUPPLY_GATEWAY: &str = "supply-";

/// Whether a gateway of this name could be a source's own.
pub(super) fn is_of_a_source(gateway: &str) -> bool {
    gateway == ONE_WIRE_GATEWAY || [UPS_GATEWAY, SUPPLY_GATEWAY].iter().any(|own| gateway.starts_with(own))
}

impl fmt::Display for Feed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Topic(topic) => f.write_str(topic),
            Self::Source(source) => source.fmt(f),
        }
    }
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Ups { ups, reads } => write!(f, "UPS {ups} ({})", name_of(&UPS, *reads)),
            Self::OneWire { device } => write!(f, "1-Wire thermometer {device}"),
            Self::Supply { supply, reads } => {
                write!(f, "power supply {supply} ({})", name_of(&SUPPLY, *reads))
            }
        }
    }
}

fn name_of<T: PartialEq>(names: &[(&'static str, T)], reads: T) -> &'static str {
    names.iter().find(|(_, known)| *known == reads).map_or("", |(name, _)| name)
}

/// Everything that can stand after `reads`.
pub(super) fn readings() -> Vec<&'static str> {
    let mut names: Vec<&str> = UPS.iter().map(|(name, _)| *name).collect();
    for (name, _) in SUPPLY.iter().filter(|(name, _)| UPS.iter().all(|(known, _)| known != name)) {
        names.push(name);
    }
    names
}

/// What feeds the sensor: `topic` or `source`.
pub(super) fn read(table: &Table<'_>) -> Option<Feed> {
    let Some(item) = table.get("source") else {
        return table.need("topic", "\"room2/mains\"").and_then(topic).map(Feed::Topic);
    };
    if table.get("topic").is_some() {
        let title = format!("`{}` has both `topic` and `source`", table.name);
        item.note(title, "a sensor is fed by one of them", None);
    }
    source(item).map(Feed::Source)
}

fn source(item: Item<'_>) -> Option<Source> {
    let table = item.table()?;
    let (ups, one_wire, supply) = (table.get("ups"), table.get("one-wire"), table.get("supply"));
    let found = match (ups, one_wire, supply) {
        (Some(ups), None, None) => {
            let reads = table.need("reads", "\"mains\"").and_then(|item| item.one_of(&UPS));
            let ups = ups.text().filter(|name| ups_name(ups, name));
            Some(ups?.it).zip(reads).map(|(ups, reads)| Source::Ups { ups, reads })
        }
        (None, Some(device), None) => {
            if let Some(item) = table.get("reads") {
                let help = "leave `reads` out".to_owned();
                item.note("a 1-Wire thermometer has only its temperature", "nothing to choose", Some(help));
            }
            one_wire_device(device).map(|device| Source::OneWire { device })
        }
        (None, None, Some(supply)) => {
            let reads = table.need("reads", "\"charge\"").and_then(|item| item.one_of(&SUPPLY));
            supply_name(supply).zip(reads).map(|(supply, reads)| Source::Supply { supply, reads })
        }
        (None, None, None) => {
            table.get("reads");
            let help = "for instance { ups = \"rack\", reads = \"mains\" }, \
                        { one-wire = \"28-0316a4b2c1ff\" } or { supply = \"BAT0\", reads = \"charge\" }";
            item.note("`source` names nothing to ask", "not complete", Some(help.to_owned()));
            None
        }
        _ => {
            table.get("reads");
            item.note("`source` names more than one thing to ask", "one for each sensor", None);
            None
        }
    };
    table.finish();
    found
}

/// The agent's configuration has it as the name of a table.
fn ups_name(item: Item<'_>, name: &At<String>) -> bool {
    let good =
        is_name(&name.it) && !name.it.contains(|c: char| c.is_uppercase() || c == '_' || !c.is_ascii());
    if !good {
        let title = format!("`{}` can't be the name of a UPS", name.it);
        let help = "its server stands in the agent's configuration: [ups.rack] host = \"10.0.0.5\"";
        item.note(title, "a small letter, then small letters, digits or `-`", Some(help.to_owned()));
    }
    good
}

fn one_wire_device(item: Item<'_>) -> Option<String> {
    let text = item.text()?.it;
    let lower = text.to_ascii_lowercase();
    let hex = |part: &str, length| part.len() == length && part.bytes().all(|b| b.is_ascii_hexdigit());
    let parts = lower.split_once('-').filter(|(family, number)| hex(family, 2) && hex(number, 12));
    let Some((family, _)) = parts else {
        let help = "look into /sys/bus/w1/devices: a thermometer is named like 28-0316a4b2c1ff";
        let title = format!("`{text}` is not the name of a 1-Wire device");
        return item.wrong(title, "two hexadecimal digits, `-`, twelve more", Some(help.to_owned()));
    };
    if !THERMOMETERS.contains(&family) {
        let title = format!("`{text}` is no thermometer that the kernel reads");
        let help = format!("thermometers begin with one of {}", THERMOMETERS.join(", "));
        return item.wrong(title, format!("family {family}"), Some(help));
    }
    if lower != text {
        return item.wrong(
            format!("the kernel writes `{text}` in small letters"),
            "capital letters",
            Some(format!("write \"{lower}\"")),
        );
    }
    Some(text)
}

fn supply_name(item: Item<'_>) -> Option<String> {
    let text = item.text()?.it;
    let good = |b: u8| b.is_ascii_alphanumeric() || b"-_.:".contains(&b);
    if text.len() > 64 || text.starts_with('.') || !text.bytes().all(good) {
        let help = "look into /sys/class/power_supply".to_owned();
        return item.wrong(
            format!("`{text}` is not the name of a power supply"),
            "not a name in sysfs",
            Some(help),
        );
    }
    Some(text)
}

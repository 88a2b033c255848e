//! The site of the month: fifty thermometers with an alarm and a call-out each, two people.

use jiff::tz::TimeZone;
use slackwater_rules::plan::{ChannelKind, Contact, Directory, Plan, Surroundings, Target};
use std::fmt::Write as _;

/// How many.
pub(super) const SENSORS: usize = 50;

/// The ways.
pub(super) const WAYS: [&str; 2] = ["ines.push", "tom.mail"];

/// Degrees beyond which an alarm rings.
pub(super) const LIMIT: f64 = 28.0;

pub(super) fn topic(sensor: usize) -> String {
    format!("room2/tank-{sensor:02}/temperature")
}

/// What a page's first line says of this sensor's alarm.
pub(super) fn words(sensor: usize) -> String {
    format!("shelf {sensor:02} hot")
}

fn rules(sensors: usize) -> String {
    let mut rules = "[site]\nname = \"Halyard House\"\n[tank.lagoon]\nvolume = \"420 L\"\n\
                     [sight]\nafter = \"10 min\"\npages-after = \"10 min\"\n[health]\nafter = \"5 min\"\n"
        .to_owned();
    for sensor in 0..sensors {
        let _ = write!(
            rules,
            "[callout.of-{sensor:02}]\nsteps = [\n  {{ after = \"0 s\", to = [\"ines.push\"] }},\n  \
             {{ after = \"5 min\", to = [\"tom.mail\"] }},\n]\nagain = \"1 h\"\nlease = \"2 h\"\nsettle = \"1 min\"\n\
             [sensor.temp-{sensor:02}]\ntopic = \"{}\"\ntank = \"lagoon\"\nmeasures = \"temperature\"\nunit = \"degC\"\n\
             every = \"1 s\"\nstale-after = \"5 min\"\nplausible = [\"5 degC\", \"45 degC\"]\nmax-rate = \"none\"\n\
             [alarm.shelf-{sensor:02}-hot]\ntank = \"lagoon\"\nwhen = \"temp-{sensor:02} > {LIMIT} degC\"\n\
             deadband = \"0.3 K\"\non-delay = \"5 s\"\npriority = \"high\"\nresponse = [\"Look.\"]\n\
             callout = \"of-{sensor:02}\"\n",
            topic(sensor)
        );
    }
    rules
}

/// The plan with so many of the sensors.
///
/// # Panics
/// When the rules are wrong.
pub(super) fn plan(sensors: usize) -> Plan {
    let person = |name: &str| Contact { name: name.to_owned(), ..Contact::default() };
    let kinds = [ChannelKind::Push, ChannelKind::Mail];
    let directory = Directory {
        contacts: [("ines".to_owned(), person("Ines")), ("tom".to_owned(), person("Tom"))].into(),
        channels: WAYS.iter().map(|way| Target::parse(way)).zip(kinds).collect(),
        ..Directory::default()
    };
    let around = Surroundings { directory, zone: TimeZone::UTC, today: None };
    let checked = Plan::check("rules.toml", &rules(sensors), &around);
    checked.plan.unwrap_or_else(|| panic!("{}", checked.report))
}

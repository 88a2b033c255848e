//! Where the made-up rule files stand: people and channels of the sample and of the tests'
//! invented site.

use super::fixtures::{HALYARD, directory, hours, plan_of};
use slackwater_rules::plan::{Plan, Surroundings};

pub(crate) fn surroundings() -> Surroundings {
    let channels =
        ["ines.push", "ines.text", "ines.mail", "tom.mail", "neighbour.text", "neighbour.mail", "siren"];
    let mut directory = directory(&channels);
    let night = vec![hours("07:00", "23:30")];
    directory.contacts.entry("tom".to_owned()).and_modify(|tom| tom.hours = night);
    Surroundings { directory, zone: super::zone(), today: None }
}

/// The invented site of the tests.
pub(crate) fn halyard() -> Plan {
    plan_of(HALYARD, &surroundings())
}

//! Where the made-up rule files stand: people and channels of the sample and of the tests'
//! invented site.

use jiff::civil::time;
use slackwater_rules::plan::{ChannelKind, Contact, Directory, Hours, Plan, Surroundings, Target};

pub(crate) fn surroundings() -> Surroundings {
    let night = Hours { from: time(7, 0, 0, 0), until: time(23, 30, 0, 0) };
    let person = |(name, hours): (&str, Vec<Hours>)| {
        (name.to_owned(), Contact { name: name.to_owned(), hours, away: vec![], ..Contact::default() })
    };
    let channels = [
        ("ines.push", ChannelKind::Push),
        ("ines.text", ChannelKind::Text),
        ("ines.mail", ChannelKind::Mail),
        ("tom.mail", ChannelKind::Mail),
        ("neighbour.text", ChannelKind::Text),
        ("neighbour.mail", ChannelKind::Mail),
        ("siren", ChannelKind::Siren),
    ];
    let people = [("ines", vec![]), ("tom", vec![night]), ("neighbour", vec![])];
    Surroundings {
        directory: Directory {
            contacts: people.into_iter().map(person).collect(),
            channels: channels.map(|(target, kind)| (Target::parse(target), kind)).into(),
        },
        zone: super::zone(),
        today: None,
    }
}

/// The invented site of the tests.
pub(crate) fn halyard() -> Plan {
    let text = include_str!("../../tests/fixtures/halyard.toml");
    let checked = Plan::check("halyard.toml", text, &surroundings());
    checked.plan.unwrap_or_else(|| panic!("{}", checked.report))
}

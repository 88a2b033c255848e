//! The surroundings that every test's rule file stands in: Ines, Tom and the neighbour, with
//! their channels, and a siren.

use jiff::civil::{Date, Time, date, time};
use jiff::tz::TimeZone;
use slackwater_rules::plan::{
    Absence, ChannelKind, Checked, Contact, Directory, Hours, Plan, Surroundings, Target,
};

pub(crate) fn hours(from: Time, until: Time) -> Hours {
    Hours { from, until }
}

pub(crate) fn person(name: &str, hours: Vec<Hours>, away: Vec<Absence>) -> Contact {
    Contact { name: name.to_owned(), hours, away, ..Contact::default() }
}

pub(crate) fn surroundings() -> Surroundings {
    let contacts = [
        ("ines".to_owned(), person("Ines", vec![], vec![])),
        ("tom".to_owned(), person("Tom", vec![hours(time(6, 0, 0, 0), time(2, 0, 0, 0))], vec![])),
        ("neighbour".to_owned(), person("the neighbour", vec![], vec![])),
    ];
    let channels = [
        ("ines.push", ChannelKind::Push),
        ("ines.text", ChannelKind::Text),
        ("tom.mail", ChannelKind::Mail),
        ("neighbour.text", ChannelKind::Text),
        ("neighbour.mail", ChannelKind::Mail),
        ("siren", ChannelKind::Siren),
    ];
    Surroundings {
        directory: Directory {
            contacts: contacts.into(),
            channels: channels.map(|(target, kind)| (Target::parse(target), kind)).into(),
        },
        zone: TimeZone::UTC,
        today: Some(date(2026, 11, 25)),
    }
}

pub(crate) fn away(around: &mut Surroundings, who: &str, first: Date, last: Date) {
    if let Some(person) = around.directory.contacts.get_mut(who) {
        person.away.push(Absence { first, last, sitter: None });
    }
}

pub(crate) fn check(text: &str) -> Checked {
    check_in(text, &surroundings())
}

pub(crate) fn check_in(text: &str, around: &Surroundings) -> Checked {
    Plan::check("site.toml", text, around)
}

pub(crate) const HALYARD: &str = include_str!("../fixtures/halyard.toml");

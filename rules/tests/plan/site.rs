//! The surroundings that every test's rule file stands in: Ines, Tom and the neighbour, with
//! their channels, and a siren.

pub(crate) use crate::fixtures::HALYARD;

use crate::fixtures::{UTC, around_in};
use jiff::civil::{Date, Time, date, time};
use slackwater_rules::plan::{Absence, Checked, Hours, Plan, Surroundings};

pub(crate) fn hours(from: Time, until: Time) -> Hours {
    Hours { from, until }
}

pub(crate) fn surroundings() -> Surroundings {
    let channels = ["ines.push", "ines.text", "tom.mail", "neighbour.text", "neighbour.mail", "siren"];
    let mut around = around_in(UTC, &channels);
    let tom = around.directory.contacts.get_mut("tom").expect("he has a channel");
    tom.hours = vec![hours(time(6, 0, 0, 0), time(2, 0, 0, 0))];
    Surroundings { today: Some(date(2026, 11, 25)), ..around }
}

pub(crate) fn away(around: &mut Surroundings, who: &str, first: Date, last: Date) {
    if let Some(person) = around.directory.contacts.get_mut(who) {
        person.away.push(Absence { first, last, sitter: None, leaves: None, back: None });
    }
}

pub(crate) fn check(text: &str) -> Checked {
    check_in(text, &surroundings())
}

pub(crate) fn check_in(text: &str, around: &Surroundings) -> Checked {
    Plan::check("site.toml", text, around)
}

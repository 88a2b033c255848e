//! Reports that go out by themselves, as notices with the report of a stretch of time: to a keeper
//! on the day of return from an absence, of all of it, and every week to whoever wants that. Only a
//! mail can carry one, so nothing is planned for who has no mail; helpers look after animals and
//! are not sent figures.

use super::notices::{EVENING, MORNING, Planned, by_clock, day};
use crate::engine::ground::Ground;
use crate::plan::{Absence, ChannelKind, Weekly};
use crate::record::About;
use crate::time::{Moment, Span};
use jiff::ToSpan;
use jiff::civil::{DateTime, Time};

/// The report of an absence still makes sense so many days after its last one.
const STILL_NEW: i64 = 2;

/// That of a week, so long after its time.
const WEEK_STILL_NEW: Span = Span::hours(24);

/// Those of now, and the next ones to come.
pub(super) fn planned(ground: &Ground<'_>, now: DateTime) -> Vec<Planned> {
    let directory = &ground.plan.directory;
    let has_mail = |name: &str| directory.channels_of(name).any(|(_, kind)| kind == ChannelKind::Mail);
    let mut planned = Vec::new();
    for (name, contact) in
        directory.contacts.iter().filter(|(name, contact)| !contact.helper && has_mail(name))
    {
        let fresh = |absence: &&Absence| absence.last >= now.date().saturating_sub(STILL_NEW.days());
        planned.extend(contact.away.iter().filter(fresh).map(|absence| of_absence(name, absence)));
        planned.extend(contact.report.iter().flat_map(|weekly| of_weeks(ground, name, *weekly)));
    }
    planned.retain(|planned| now < planned.until);
    planned
}

/// The report of an absence, on the day of return: at once if that is by day, else in the morning.
fn of_absence(contact: &str, absence: &Absence) -> Planned {
    let midnight = Time::midnight();
    let since = absence.first.to_datetime(absence.leaves.unwrap_or(midnight));
    let after = absence.last.saturating_add(1.day());
    let until = absence.back.map_or(after.to_datetime(midnight), |back| absence.last.to_datetime(back));
    let (morning, evening) = (by_clock(MORNING), by_clock(EVENING));
    let from = match until.time() {
        time if time < morning => until.date().to_datetime(morning),
        time if time < evening => until,
        _ => until.date().saturating_add(1.day()).to_datetime(morning),
    };
    planned_of(
        contact,
        (since, until),
        from,
        absence.last.saturating_add((STILL_NEW + 1).days()).to_datetime(midnight),
    )
}

/// Those of the week that is over and of the one that goes on.
fn of_weeks(ground: &Ground<'_>, contact: &str, weekly: Weekly) -> Vec<Planned> {
    let Some((last, next)) = weekly.around(&ground.now, &ground.plan.zone) else { return Vec::new() };
    let civil = |at: Moment| ground.now.wall_at(at).civil(&ground.plan.zone).datetime();
    let of = |at: Moment| {
        let until = civil(at);
        planned_of(contact, (until.saturating_sub(1.week()), until), until, civil(at + WEEK_STILL_NEW))
    };
    vec![of(last), of(next)]
}

fn planned_of(contact: &str, of: (DateTime, DateTime), from: DateTime, until: DateTime) -> Planned {
    let about =
        About::Report { contact: contact.to_owned(), since: of.0.to_string(), until: of.1.to_string() };
    Planned { about, contact: contact.to_owned(), from, until }
}

/// The page that carries it.
pub(super) fn words(site: &str, since: DateTime, until: DateTime) -> (String, Vec<String>) {
    let headline = format!("{site}: the report, {} to {}", day(since.date()), day(until.date()));
    let lines = [
        "It is attached: one file with its pictures, to read offline and to print.",
        "Nothing is asked of you.",
    ];
    (headline, lines.map(str::to_owned).to_vec())
}

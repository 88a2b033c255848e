//! When nobody can be reached. The hours of all people in a call-out are laid over the day, and
//! their absences and sitters over the days ahead; what stays uncovered is named, days of one
//! kind folded into one line, so that it is known before the night that falls into it.

use super::{Callout, Contact, Directory, Rung, Target};
use jiff::ToSpan;
use jiff::civil::{Date, Time};
use std::collections::BTreeSet;

/// Absences are looked at so far ahead.
const DAYS: i64 = 366;
const DAY: usize = 24 * 60;

/// Stretches of one day in minutes since midnight: first, and first after.
type Stretches = Vec<(usize, usize)>;

/// Each stretch with nobody to reach, as a sentence: those of every day, then those that
/// absences from `today` on bring.
pub(super) fn unreached(callout: &Callout, directory: &Directory, today: Option<Date>) -> Vec<String> {
    let Some(people) = people(callout, directory) else { return Vec::new() };
    let everyone: Vec<&Contact> = people.iter().map(|(_, person)| *person).collect();
    let mut found: Vec<_> = joined(open(&everyone))
        .into_iter()
        .map(|(from, until)| format!("nobody can be reached between {} and {}", clock(from), clock(until)))
        .collect();
    if let Some(today) = today {
        let end = today.saturating_add(DAYS.days());
        found.extend(while_away(callout, directory, today, end));
    }
    found
}

/// Each stretch from `first` to `last` in which nobody can be reached because someone is away.
pub(crate) fn while_away(callout: &Callout, directory: &Directory, first: Date, last: Date) -> Vec<String> {
    let Some(people) = people(callout, directory) else { return Vec::new() };
    let everyone: Vec<&Contact> = people.iter().map(|(_, person)| *person).collect();
    let usual = open(&everyone);
    let days: BTreeSet<Date> = everyone
        .iter()
        .flat_map(|person| &person.away)
        .flat_map(|absence| {
            let from = absence.first.max(first);
            from.series(1.day()).take_while(|day| *day <= absence.last.min(last))
        })
        .collect();
    let mut folded: Vec<(Date, Date, Stretches)> = Vec::new();
    for day in days {
        let unreached = open(&reached_on(&people, directory, day));
        if unreached == usual {
            continue;
        }
        match folded.last_mut() {
            Some((_, until, same)) if until.tomorrow().ok() == Some(day) && *same == unreached => {
                *until = day
            }
            Some(_) | None => folded.push((day, day, unreached)),
        }
    }
    folded.into_iter().map(|(from, until, open)| sentence(from, until, open)).collect()
}

/// When everybody in this step is outside their hours, while others of the call-out are not: the
/// first such stretch of every day, as `between 22:00 and 07:00`. None if a siren is in it.
pub(super) fn asleep(callout: &Callout, step: &Rung, directory: &Directory) -> Option<String> {
    let names = step.to.iter().map(|target| target.contact.as_ref()).collect::<Option<Vec<_>>>()?;
    let people: Vec<_> = names.into_iter().map(|name| directory.contacts.get(name)).collect::<Option<_>>()?;
    let asleep = open(&people);
    let everyone = callout.steps.iter().flat_map(|step| &step.to).filter_map(|to| to.contact.as_ref());
    let everyone: Vec<_> = everyone.filter_map(|name| directory.contacts.get(name)).collect();
    if asleep == open(&everyone) {
        return None;
    }
    let (from, until) = *joined(asleep).last()?;
    Some(format!("between {} and {}", clock(from), clock(until)))
}

/// The people that the steps name, each once with a target of theirs; none if somebody in them
/// has no hours and absences of their own, and so is always there.
fn people<'a>(callout: &'a Callout, directory: &'a Directory) -> Option<Vec<(&'a Target, &'a Contact)>> {
    let mut people: Vec<(&Target, &Contact)> = Vec::new();
    for target in callout.steps.iter().flat_map(|step| &step.to) {
        let Some(name) = &target.contact else { continue };
        let person = directory.contacts.get(name)?;
        if !people.iter().any(|(known, _)| known.contact == target.contact) {
            people.push((target, person));
        }
    }
    Some(people)
}

/// Who can be asked on this day: those who are there, and the sitters of those who are not.
fn reached_on<'a>(
    people: &[(&Target, &'a Contact)],
    directory: &'a Directory,
    day: Date,
) -> Vec<&'a Contact> {
    let mut there = Vec::new();
    for (target, person) in people {
        if person.absence(day).is_none() {
            there.push(*person);
            continue;
        }
        let sitters = directory.stand_ins_on(target, day).into_iter().filter_map(|target| target.contact);
        let sitters = sitters.filter_map(|name| directory.contacts.get(&name));
        there.extend(sitters.filter(|sitter| sitter.absence(day).is_none()));
    }
    there
}

/// The minutes of a day in which nobody's hours allow a call.
fn open(people: &[&Contact]) -> Stretches {
    let mut found: Stretches = Vec::new();
    let reached = |minute| at(minute).is_some_and(|time| people.iter().any(|person| person.in_hours(time)));
    for minute in (0..DAY).filter(|minute| !reached(*minute)) {
        match found.last_mut() {
            Some(last) if last.1 == minute => last.1 = minute + 1,
            Some(_) | None => found.push((minute, minute + 1)),
        }
    }
    found
}

/// Of a day that is like the one before and the one after: a stretch over midnight is one.
fn joined(mut open: Stretches) -> Stretches {
    if open.len() > 1
        && open.first().is_some_and(|first| first.0 == 0)
        && open.last().is_some_and(|last| last.1 == DAY)
    {
        let (_, until) = open.remove(0);
        if let Some(last) = open.last_mut() {
            last.1 = until;
        }
    }
    open
}

fn sentence(from: Date, until: Date, open: Stretches) -> String {
    let day = |date: Date| date.strftime("%a %Y-%m-%d").to_string();
    let (days, each) = match from == until {
        true => (format!("on {}", day(from)), ""),
        false => (format!("from {} to {}", day(from), day(until)), "daily "),
    };
    if open == [(0, DAY)] {
        return format!("nobody can be reached {days}, all day");
    }
    let open = if from == until { open } else { joined(open) };
    let times: Vec<_> =
        open.into_iter().map(|(from, until)| format!("{}-{}", clock(from), clock(until))).collect();
    format!("nobody can be reached {days}, {each}{}", times.join(" and "))
}

fn at(minute: usize) -> Option<Time> {
    Time::new((minute / 60) as i8, (minute % 60) as i8, 0, 0).ok()
}

fn clock(minute: usize) -> String {
    format!("{:02}:{:02}", minute / 60, minute % 60)
}

//! When nobody can be reached. The hours of all people in a call-out are laid over the day, and
//! their absences over the coming weeks; what stays uncovered is named, so that it is known
//! before the night that falls into it.

use super::{Callout, Contact, Directory, Target};
use jiff::ToSpan;
use jiff::civil::{Date, Time};

/// How far absences are looked at: a holiday lies within it.
const DAYS: usize = 60;
const DAY: usize = 24 * 60;

/// Each stretch with nobody to reach, as a sentence.
pub(super) fn unreached(callout: &Callout, directory: &Directory, today: Option<Date>) -> Vec<String> {
    let mut people: Vec<&Contact> = Vec::new();
    for Target { contact, .. } in callout.steps.iter().flat_map(|step| &step.to) {
        let Some(name) = contact else { continue };
        match directory.contacts.get(name) {
            Some(person) if !people.iter().any(|known| std::ptr::eq(*known, person)) => people.push(person),
            Some(_) => {}
            // A channel of someone without hours of their own: always.
            None => return Vec::new(),
        }
    }
    let always: Vec<bool> = (0..DAY)
        .map(|minute| people.iter().any(|person| at(minute).is_some_and(|time| in_hours(person, time))))
        .collect();
    let mut found: Vec<_> = daily(&always)
        .into_iter()
        .map(|(from, until)| format!("nobody can be reached between {} and {}", clock(from), clock(until)))
        .collect();
    let anyone_away = people.iter().any(|person| !person.away.is_empty());
    if let Some(today) = today.filter(|_| anyone_away) {
        found.extend(absences(&people, &always, today));
    }
    found
}

fn in_hours(person: &Contact, time: Time) -> bool {
    person.hours.is_empty() || person.hours.iter().any(|hours| hours.cover(time))
}

/// Uncovered stretches of every day; one over midnight is one.
fn daily(covered: &[bool]) -> Vec<(usize, usize)> {
    let mut gaps = stretches(covered.iter().map(|covered| !covered));
    if gaps.len() > 1
        && gaps.first().is_some_and(|gap| gap.0 == 0)
        && gaps.last().is_some_and(|gap| gap.1 == covered.len())
    {
        let (_, until) = gaps.remove(0);
        if let Some(last) = gaps.last_mut() {
            last.1 = until;
        }
    }
    gaps
}

/// Stretches of the coming days that only absences leave uncovered.
fn absences(people: &[&Contact], always: &[bool], today: Date) -> Vec<String> {
    let days: Vec<Date> = (0..DAYS as i64).filter_map(|day| today.checked_add(day.days()).ok()).collect();
    let reached = |minute: usize| {
        let date = days[minute / DAY];
        people.iter().any(|person| at(minute).is_some_and(|time| person.reachable(date, time)))
    };
    let open: Vec<bool> = (0..days.len() * DAY).map(|minute| !reached(minute)).collect();
    let unusual = |(from, until): &(usize, usize)| (*from..*until).any(|minute| always[minute % DAY]);
    let name = |minute: usize| match days.get(minute / DAY) {
        Some(date) => format!("{} {}", date.strftime("%a %Y-%m-%d"), clock(minute % DAY)),
        None => format!("{} days from now", days.len()),
    };
    stretches(open.into_iter())
        .into_iter()
        .filter(unusual)
        .map(|(from, until)| format!("nobody can be reached from {} until {}", name(from), name(until)))
        .collect()
}

/// The stretches of minutes for which `open` holds: first, and first after.
fn stretches(open: impl Iterator<Item = bool>) -> Vec<(usize, usize)> {
    let mut found: Vec<(usize, usize)> = Vec::new();
    for (minute, _) in open.enumerate().filter(|(_, open)| *open) {
        match found.last_mut() {
            Some(last) if last.1 == minute => last.1 = minute + 1,
            Some(_) | None => found.push((minute, minute + 1)),
        }
    }
    found
}

fn at(minute: usize) -> Option<Time> {
    let minute = minute % DAY;
    Time::new((minute / 60) as i8, (minute % 60) as i8, 0, 0).ok()
}

fn clock(minute: usize) -> String {
    format!("{:02}:{:02}", minute / 60, minute % 60)
}

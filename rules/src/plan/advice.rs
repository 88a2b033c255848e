//! Whether an alarm would reach somebody in time: the paths from each alarm over its call-out to
//! people, laid beside the night, the power cut and the alarms that explain one another. The whole
//! plan flows in; warnings flow out, one for each thing that would have to be changed, and one
//! mistake: a plan of nothing.

use super::help;
use super::rationalise::{Places, limits};
use super::{Alarm, Callout, CalloutId, ChannelKind, Directory, Plan, SensorId, Target, coverage};
use crate::alarm::Priority;
use crate::condition::{Comparison, Condition, Test};
use crate::diagnostic::Finding;
use crate::time::Span;
use jiff::civil::Time;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

/// More names than this are counted only.
const MOST_NAMED: usize = 3;

/// What leaves no longer than this has to be done within the hour, which is what `high` means.
const WITHIN_THE_HOUR: Span = Span::hours(1);

/// What leaves this long is not lost at once, which is what `critical` means.
const NOT_AT_ONCE: Span = Span::hours(8);

/// Full hours in which most people sleep.
const NIGHT: [i8; 8] = [23, 0, 1, 2, 3, 4, 5, 6];

/// One of the keeper's alarms, and where it stands.
struct Own<'p> {
    alarm: &'p Alarm,
    place: &'p Range<usize>,
    says_expected: bool,
}

/// All warnings; without those about people while it isn't known who can be told.
pub(super) fn warnings(plan: &Plan, places: &Places<'_>, people: Option<&Directory>) -> Vec<Finding> {
    let own = plan.alarms.iter().zip(places.alarms).zip(places.says_expected);
    let own: Vec<Own<'_>> =
        own.map(|((alarm, place), says)| Own { alarm, place, says_expected: *says }).collect();
    let mut found: Vec<Finding> = Vec::new();
    found.extend(nothing_watched(plan, places));
    found.extend(told_to_nobody(plan, &own));
    if let Some(people) = people {
        found.extend(dark_with_the_mains(plan, &own, people));
        found.extend(silent_at_night(plan, &own, people, places.callouts));
        found.extend(sleeping_steps(plan, &own, people, places.callouts));
        if people.contacts.values().any(|contact| contact.helper) {
            found.extend(help::lost_helpers(plan, places.tanks));
        }
    }
    found.extend(own.iter().filter_map(rank_and_time));
    found.extend(own.iter().filter_map(|own| breaks_an_answer(plan, own)));
    found.extend(people_missed(plan, &own));
    found.extend(crossed(plan, &own));
    found
}

/// Sensors alone ring nothing. A file in which there is nothing at all is a mistake, since one that
/// is being written is empty for a moment: whoever began with it would end all that runs.
fn nothing_watched(plan: &Plan, places: &Places<'_>) -> Option<Finding> {
    if !places.alarms.is_empty() || !plan.watched.is_empty() {
        return None;
    }
    let Some(place) = places.sensors.first() else {
        let title = "there is no sensor and no alarm: nothing would be watched";
        let help = "`slackwater init FOLDER` writes a small site to begin with";
        let found = match plan.callouts.is_empty() && plan.relays.is_empty() {
            true => Finding::error(0..0, title, "the whole file"),
            false => Finding::warning(0..0, title, "the whole file"),
        };
        return Some(found.help(help));
    };
    let title = "there is no alarm: nothing would be watched";
    let help =
        "each danger is an `[alarm.NAME]`, with a condition of its own (`when`) or made from a `hazard`";
    Some(Finding::warning(place.clone(), title, "readings are kept, and ring nothing").help(help))
}

/// What is critical or high and only recorded. With a stopgap it is said elsewhere, and so is a
/// file without call-outs.
fn told_to_nobody(plan: &Plan, own: &[Own<'_>]) -> Option<Finding> {
    if plan.callouts.is_empty() {
        return None;
    }
    let untold = |own: &&Own<'_>| {
        own.alarm.priority >= Priority::High && own.alarm.callout.is_none() && own.alarm.stopgap.is_none()
    };
    let untold: Vec<_> = own.iter().filter(untold).collect();
    let first = untold.first()?;
    let title = format!("nobody is told of {}", names(&untold));
    let label = format!("{}, and only recorded", first.alarm.priority);
    let help = "give it a call-out; what can wait is `low` or `medium`";
    Some(Finding::warning(first.place.clone(), title, label).help(help))
}

/// What kills in a power cut has to get out of the house in one.
fn dark_with_the_mains(plan: &Plan, own: &[Own<'_>], people: &Directory) -> Option<Finding> {
    let router = plan.without_mains.router.is_some();
    let gets_out = |target: &Target| {
        people.channels.get(target).is_some_and(|kind| match kind {
            ChannelKind::Text => true,
            ChannelKind::Mail | ChannelKind::Push => router && !people.on_paper.contains(target),
            ChannelKind::Siren | ChannelKind::Ring => false,
        })
    };
    let shut_in = |callout: &Callout| !is_try_out(callout, people) && !targets(callout).any(gets_out);
    let shut_in: BTreeSet<CalloutId> =
        numbered(plan).filter(|(_, callout)| shut_in(callout)).map(|(id, _)| id).collect();
    let silent = critical(own).filter(|own| own.alarm.callout.is_some_and(|id| shut_in.contains(&id)));
    let silent: Vec<_> = silent.collect();
    let first = silent.first()?;
    let title = format!("while the mains are off nobody would hear of {}", names(&silent));
    let help = "add a text by a modem to its steps; or, if the router has a battery, say under `[site]` how long \
                it lasts: `without-mains = { router = \"45 min\" }`";
    let label = "mail and push need the router";
    Some(Finding::warning(first.place.clone(), title, label).help(help))
}

/// Mail and push wake nobody.
fn silent_at_night(
    plan: &Plan,
    own: &[Own<'_>],
    people: &Directory,
    places: &[Range<usize>],
) -> Vec<Finding> {
    let mut found = Vec::new();
    for ((id, callout), place) in numbered(plan).zip(places) {
        let of: Vec<_> = critical(own).filter(|own| own.alarm.callout == Some(id)).collect();
        let in_hours = |target: &Target, time| {
            let person = target.contact.as_ref().and_then(|name| people.contacts.get(name));
            person.is_none_or(|person| person.in_hours(time))
        };
        let loud = |target: &Target| {
            people.channels.get(target).is_some_and(|kind| match kind {
                ChannelKind::Siren | ChannelKind::Ring | ChannelKind::Text => true,
                ChannelKind::Mail | ChannelKind::Push => false,
            })
        };
        // When nobody at all may be called, that is said at the same place.
        let quiet = |time: &Time| {
            let called = || targets(callout).filter(|target| in_hours(target, *time));
            called().next().is_some() && !called().any(loud)
        };
        let mut night = NIGHT.iter().filter_map(|hour| Time::new(*hour, 0, 0, 0).ok());
        if of.is_empty() || is_try_out(callout, people) || !night.any(|time| quiet(&time)) {
            continue;
        }
        let title = format!("`{}` makes no noise at night, and calls for {}", callout.name, names(&of));
        let help = "add a siren, a text or a `ring` of somebody who may be called then";
        found.push(Finding::warning(place.clone(), title, "mail and push wake nobody").help(help));
    }
    found
}

/// A step whose people are all outside their hours is passed over. The last one is asked in the
/// end.
fn sleeping_steps(plan: &Plan, own: &[Own<'_>], people: &Directory, places: &[Range<usize>]) -> Vec<Finding> {
    let urgent = own.iter().filter(|own| own.alarm.priority >= Priority::High);
    let urgent: BTreeSet<CalloutId> = urgent.filter_map(|own| own.alarm.callout).collect();
    let mut found = Vec::new();
    for ((id, callout), place) in numbered(plan).zip(places) {
        let but_last = callout.steps.len().saturating_sub(1);
        let asleep = |step| coverage::asleep(callout, step, people);
        let first = callout.steps.iter().take(but_last).find_map(|step| Some((step, asleep(step)?)));
        let Some((step, hours)) = first.filter(|_| urgent.contains(&id)) else { continue };
        let title = format!("the step of `{}` at {} reaches nobody {hours}", callout.name, step.after);
        let help = "add somebody who may be called then, or widen their `hours` in the agent's configuration";
        found.push(Finding::warning(place.clone(), title, "the next step is told in its place").help(help));
    }
    found
}

/// A priority says how soon somebody has to act, and so does `time-to-respond`.
fn rank_and_time(own: &Own<'_>) -> Option<Finding> {
    let alarm = own.alarm;
    let time = alarm.time_to_respond.filter(|_| alarm.callout.is_some())?;
    let help = match alarm.priority {
        Priority::Low | Priority::Medium if time <= WITHIN_THE_HOUR => {
            "quiet hours may hold it: `priority = \"high\"` is for what has to be done within the hour"
        }
        Priority::Critical if time >= NOT_AT_ONCE => {
            "`critical` is for what is lost if nobody comes at once: `high`, or `medium` for today"
        }
        Priority::Low | Priority::Medium | Priority::High | Priority::Critical => return None,
    };
    let title = format!("`{}` is {}, but leaves {time} to respond", alarm.name, alarm.priority);
    Some(Finding::warning(own.place.clone(), title, "priority and `time-to-respond` differ").help(help))
}

/// Both critical, and nobody said whether the second is news to whoever has answered the first.
fn breaks_an_answer(plan: &Plan, own: &Own<'_>) -> Option<Finding> {
    let alarm = own.alarm;
    if own.says_expected || alarm.priority != Priority::Critical || alarm.callout.is_none() {
        return None;
    }
    let causes = alarm.consequence_of.iter().map(|id| plan.alarm(*id));
    let cause = causes
        .filter(|cause| cause.priority == Priority::Critical && cause.callout.is_some())
        .find(|cause| !exclude_each_other(&alarm.condition, &cause.condition))?;
    let title = format!("`{}` would break an answer to `{}`", alarm.name, cause.name);
    let label = "both are critical, and one follows from the other";
    let help = format!(
        "`expected = [\"{}\"]` if whoever has answered knows that it comes; `expected = []` if it must be told",
        cause.name
    );
    Some(Finding::warning(own.place.clone(), title, label).help(help))
}

/// Whether both can't be true at once, since a sensor would have to say two words.
fn exclude_each_other(one: &Condition, other: &Condition) -> bool {
    fn words(condition: &Condition) -> Vec<(SensorId, u16)> {
        match condition {
            Condition::All(parts) => parts.iter().flat_map(words).collect(),
            Condition::Says(Test::Is(sensor, word), _) => vec![(*sensor, *word)],
            Condition::Any(_) | Condition::Not(_) | Condition::Says(..) => Vec::new(),
        }
    }
    let others = words(other);
    words(one).iter().any(|(sensor, word)| others.iter().any(|(of, said)| of == sensor && said != word))
}

/// What is milder than its cause is listed in the cause's call-out, and climbs no steps of its own:
/// whoever only those name hears nothing. Said once for two call-outs.
fn people_missed(plan: &Plan, own: &[Own<'_>]) -> Vec<Finding> {
    let mut said: BTreeSet<(CalloutId, CalloutId)> = BTreeSet::new();
    let mut found = Vec::new();
    for Own { alarm, place, .. } in own {
        let Some(id) = alarm.callout else { continue };
        for cause in alarm.consequence_of.iter().map(|id| plan.alarm(*id)) {
            let Some(other) = cause.callout.filter(|other| *other != id) else { continue };
            if cause.priority <= alarm.priority || !said.insert((id, other)) {
                continue;
            }
            let (theirs, climbed) = (plan.callout(id), plan.callout(other));
            let told: BTreeSet<_> = targets(climbed).filter_map(|target| target.contact.as_ref()).collect();
            let missed = targets(theirs).filter_map(|target| target.contact.as_ref());
            let Some(missed) = missed.into_iter().find(|name| !told.contains(name)) else { continue };
            let title =
                format!("`{missed}` would not hear of `{}` while `{}` stands", alarm.name, cause.name);
            let label = format!("it is listed then, and `{}` is climbed", climbed.name);
            let help =
                format!("name `{missed}` in `callout.{}` too, or give both one call-out", climbed.name);
            found.push(Finding::warning((*place).clone(), title, label).help(help));
        }
    }
    found
}

/// Too cold above too warm: whatever the sensor says, one of the two rings.
fn crossed(plan: &Plan, own: &[Own<'_>]) -> Vec<Finding> {
    #[derive(Default)]
    struct Ends<'o, 'p> {
        below: Option<(f64, &'o Own<'p>)>,
        above: Option<(f64, &'o Own<'p>)>,
    }
    let mut ends: BTreeMap<SensorId, Ends<'_, '_>> = BTreeMap::new();
    for own in own {
        for (id, order, limit) in alternatives(&own.alarm.condition).into_iter().flat_map(limits) {
            let ends = ends.entry(id).or_default();
            match order {
                Comparison::Less | Comparison::AtMost if ends.below.is_none_or(|(of, _)| of < limit) => {
                    ends.below = Some((limit, own));
                }
                Comparison::Greater | Comparison::AtLeast if ends.above.is_none_or(|(of, _)| of > limit) => {
                    ends.above = Some((limit, own));
                }
                Comparison::Less | Comparison::AtMost | Comparison::Greater | Comparison::AtLeast => {}
            }
        }
    }
    let crossed = ends.into_iter().filter_map(|(id, ends)| {
        let ((below, low), (above, high)) = (ends.below?, ends.above?);
        (below > above && low.alarm.name != high.alarm.name).then_some((id, below, low, above, high))
    });
    let told = crossed.map(|(id, below, low, above, high)| {
        let sensor = plan.sensor(id);
        let title = format!("`{}` or `{}` always rings", low.alarm.name, high.alarm.name);
        let label = format!("below {}", sensor.scale.show(below));
        let finding = Finding::warning(low.place.clone(), title, label);
        let help = format!("between the two `{}` needs room to be well", sensor.name);
        finding.also(high.place.clone(), format!("above {}", sensor.scale.show(above))).help(help)
    });
    told.collect()
}

/// The statements of which one alone rings.
fn alternatives(condition: &Condition) -> Vec<&Condition> {
    match condition {
        Condition::Any(parts) => parts.iter().flat_map(alternatives).collect(),
        Condition::Says(..) => vec![condition],
        Condition::All(_) | Condition::Not(_) => Vec::new(),
    }
}

/// Whether its pages only become files on the watch's own machine: nobody relies on it yet.
fn is_try_out(callout: &Callout, people: &Directory) -> bool {
    targets(callout).all(|target| people.on_paper.contains(target))
}

fn numbered(plan: &Plan) -> impl Iterator<Item = (CalloutId, &Callout)> {
    (0..).map(CalloutId).zip(&plan.callouts)
}

fn targets(callout: &Callout) -> impl Iterator<Item = &Target> {
    callout.steps.iter().flat_map(|step| &step.to)
}

fn critical<'o, 'p>(own: &'o [Own<'p>]) -> impl Iterator<Item = &'o Own<'p>> {
    own.iter().filter(|own| own.alarm.priority == Priority::Critical)
}

/// The first few, and how many more.
fn names(of: &[&Own<'_>]) -> String {
    let named: Vec<_> = of.iter().take(MOST_NAMED).map(|own| format!("`{}`", own.alarm.name)).collect();
    match of.len().saturating_sub(MOST_NAMED) {
        0 => named.join(", "),
        more => format!("{} and {more} more", named.join(", ")),
    }
}

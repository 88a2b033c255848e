//! Call-outs: who is told, how and when. A call-out that reaches no person is a mistake; one
//! that leaves hours of the day with nobody to reach is a warning that names them.

use super::context::CheckContext;
use super::{Callout, ChannelKind, Hours, Rung, Target, coverage};
use crate::diagnostic::did_you_mean;
use crate::diagnostic::{At, Finding};
use crate::diagnostic::{Item, Table, listed};
use crate::time::Span;
use crate::units::QuantityItem as _;
use jiff::civil::Time;

/// The last step repeats this often, and an answer holds this long, unless the file says
/// otherwise: long enough to act, short enough that nobody who fell asleep again costs a tank.
const AGAIN: Span = Span::minutes(15);
const LEASE: Span = Span::minutes(60);
/// No answer holds longer, whatever time a person names.
const LONGEST_LEASE: Span = Span::hours(12);
/// Whoever answered is asked alone for this long before others are called again.
const RENEW: Span = Span::minutes(10);
/// What comes back within this is the same call-out.
const SETTLE: Span = Span::minutes(2);

/// More names than this are no help.
const MOST_LISTED: usize = 20;

/// One call-out; nothing if anything is wrong with it.
pub(super) fn read(name: &At<String>, table: Table<'_>, context: &CheckContext<'_>) -> Option<Callout> {
    let before = context.errors();
    if name.it == "none" {
        let title = "a call-out can't be named `none`";
        table.note(Finding::error(name.span.clone(), title, "this is what an alarm says that calls nobody"));
    }
    let steps = table
        .need("steps", "[{ after = \"0 min\", to = [\"ines.text\"] }]")
        .and_then(|item| steps(item, context));
    let again = table.get("again").and_then(Item::some_duration);
    let lease = table.get("lease").and_then(Item::some_duration);
    let longest = table.get("longest-lease");
    let longest_lease = longest.and_then(Item::some_duration);
    if let (Some(item), Some(longest)) = (longest, longest_lease)
        && longest < lease.unwrap_or(LEASE)
    {
        let label = format!("an answer holds {}", lease.unwrap_or(LEASE));
        item.note("`longest-lease` is shorter than `lease`", label, None);
    }
    let renew = table.get("renew").and_then(Item::some_duration);
    let settle = table.get("settle").and_then(Item::duration);
    let quiet = table.get("quiet").and_then(hours);
    let place = table.key_span("steps");
    table.finish();
    let callout = Callout {
        name: name.it.clone(),
        steps: steps?,
        again: again.unwrap_or(AGAIN),
        lease: lease.unwrap_or(LEASE),
        longest_lease: longest_lease.unwrap_or(LONGEST_LEASE.max(lease.unwrap_or(LEASE))),
        renew: renew.unwrap_or(RENEW),
        settle: settle.unwrap_or(SETTLE),
        quiet,
    };
    if context.errors() > before {
        return None;
    }
    let unreached = |people| coverage::unreached(&callout, people, context.today);
    let warnings = context.people.map(unreached).unwrap_or_default();
    let warn = |text| Finding::warning(place.clone(), text, "nobody in these steps can be called then");
    context.findings.extend(warnings.into_iter().map(warn));
    Some(callout)
}

fn steps(item: Item<'_>, context: &CheckContext<'_>) -> Option<Vec<Rung>> {
    let before = context.errors();
    let items = item.list()?;
    if items.is_empty() {
        return item.wrong("a call-out has at least one step", "nothing here", None);
    }
    let mut steps: Vec<Rung> = Vec::new();
    for item in items {
        let Some(table) = item.table() else { continue };
        let after = table.need("after", "\"0 min\"");
        let span = after.and_then(Item::duration);
        let to = table.need("to", "[\"ines.text\"]").and_then(|item| targets(item, context));
        table.finish();
        if let (Some(item), Some(span), Some(last)) = (after, span, steps.last())
            && span <= last.after
        {
            let label = format!("the step before is at {}", last.after);
            item.note("the steps of a call-out go forward in time", label, None);
        }
        if let (Some(after), Some(to)) = (span, to) {
            steps.push(Rung { after, to });
        }
    }
    if context.errors() > before {
        return None;
    }
    let reaches = |target: &Target| match context.people {
        Some(people) => people.channels.get(target).is_some_and(|kind| match kind {
            ChannelKind::Mail | ChannelKind::Push | ChannelKind::Text => true,
            ChannelKind::Siren | ChannelKind::Ring => false,
        }),
        None => true,
    };
    if !steps.iter().flat_map(|step| &step.to).any(reaches) {
        return item.wrong("this call-out reaches no person", "sirens and rings only", None);
    }
    Some(steps)
}

fn targets(item: Item<'_>, context: &CheckContext<'_>) -> Option<Vec<Target>> {
    let names = item.texts()?;
    if names.is_empty() {
        return item.wrong("a step tells someone", "nobody here", None);
    }
    let channels = context.people.map(|people| &people.channels);
    let mut found: Vec<Target> = Vec::new();
    for name in names {
        let target = Target::parse(&name.it);
        let finding = if let Some(channels) = channels.filter(|channels| !channels.contains_key(&target)) {
            let title = format!("nobody can be told by `{}`", name.it);
            let finding = Finding::error(name.span, title, "not in the agent's configuration");
            if !context.findings.has_room() {
                context.findings.push(finding);
                continue;
            }
            let known: Vec<_> = channels.keys().map(Target::to_string).collect();
            let known: Vec<_> = known.iter().map(String::as_str).collect();
            let help =
                did_you_mean(&name.it, known.iter().copied()).unwrap_or_else(|| match known.is_empty() {
                    true => "the agent's configuration has no contacts and channels yet".to_owned(),
                    false if known.len() > MOST_LISTED => {
                        format!("the agent's configuration has {} others", known.len())
                    }
                    false => format!("the agent's configuration has {}", listed(&known)),
                });
            finding.help(help)
        } else if found.contains(&target) {
            Finding::error(name.span, format!("`{}` is told twice in one step", name.it), "once is enough")
        } else {
            found.push(target);
            continue;
        };
        context.findings.push(finding);
    }
    Some(found)
}

/// `["22:00", "07:30"]`
pub(super) fn hours(item: Item<'_>) -> Option<Hours> {
    let [from, until] = item.pair()?;
    let (from, until) = (time(from), time(until));
    let (from, until) = (from?, until?);
    if from == until {
        return item.wrong(
            "a stretch of the day begins and ends at different times",
            "no stretch of the day",
            None,
        );
    }
    Some(Hours { from, until })
}

fn time(item: Item<'_>) -> Option<Time> {
    let text = item.text()?.it;
    let title = || format!("`{text}` is not a time of day");
    time_of_day(&text).or_else(|| item.wrong(title(), "expected 00:00 to 23:59", None))
}

/// `22:00`
pub(super) fn time_of_day(text: &str) -> Option<Time> {
    let (hour, minute) = text.split_once(':')?;
    let digits = |part: &str| part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_digit());
    if !digits(hour) || !digits(minute) {
        return None;
    }
    Time::new(hour.parse().ok()?, minute.parse().ok()?, 0, 0).ok()
}

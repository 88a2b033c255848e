//! Relays: what the agent can switch, how far it may go, and what proves that it happened. What
//! adds heat, water or light is never switched on, not even back, so everything that speaks of
//! that is refused here with the reason.

use super::context::CheckContext;
use super::outputs::{is_same_payload, means_the_opposite, output_topic_fault};
use super::{Adds, Alarm, Outlasting, ProofRule, Relay, title};
use crate::condition::{Condition, Scope};
use crate::diagnostic::{At, Finding};
use crate::diagnostic::{Item, Table};
use crate::time::Span;
use crate::units::Quantity;
use crate::units::QuantityItem as _;
use std::collections::BTreeMap;
use std::ops::Range;

/// Between two switchings, unless the keeper says otherwise: flapping mains wear no pump.
const PAUSE: Span = Span::minutes(1);

/// What a hold that ends by a condition begins with.
const UNTIL: &str = "until ";

/// One relay; nothing if anything is wrong with it.
pub(super) fn read(
    name: &At<String>,
    table: Table<'_>,
    context: &CheckContext<'_>,
    scope: &Scope<'_>,
) -> Option<Relay> {
    let command = table
        .need("command", "{ topic = \"room2/airpump/set\", on = \"on\", off = \"off\" }")
        .and_then(Item::table)
        .and_then(command);
    let choices = [("air", Adds::Air), ("heat", Adds::Heat), ("water", Adds::Water), ("light", Adds::Light)];
    let moves = table.need("moves", "\"air\"").and_then(|item| item.one_of(&choices));
    let written = table.get("proof");
    let proof = written.and_then(|item| proof(item, context, scope));
    let longest = table.need("longest", "\"2 h\"").and_then(Item::some_duration);
    let safe = table.get("safe").map(|item| safe(item, moves));
    let pause = table.get("pause").map(|item| pause(item, longest));
    let only_if = table.get("only-if").map(|item| only_if(item, moves, context, scope));
    let hold = table.get("hold").map(|item| hold(item, moves, context, scope));
    let shown = title::read(&table, &name.it);
    if written.is_none() {
        let title = format!("`{}` has no proof", table.name);
        let help = "for instance `proof = \"air-pump-current > 0.05 A within 20 s\"`";
        let finding = Finding::warning(table.span.clone(), title, "nobody will know whether it obeyed");
        table.note(finding.help(help));
    }
    if command.as_ref().is_some_and(|command| command.inverted) && written.is_none() {
        let title = format!("the words of `{}` are inverted, and it has no proof", table.name);
        let label = "if they are the wrong way round all the same, nobody will see it";
        let help = "for instance `proof = \"heater-power > 20 W within 20 s\"`";
        table.note(Finding::error(table.span.clone(), title, label).help(help));
    }
    table.finish();
    let WrittenCommand { topic, on, off, inverted } = command?;
    if written.is_some() && proof.is_none() {
        return None;
    }
    Some(Relay {
        name: name.it.clone(),
        title: shown,
        topic,
        on,
        off,
        inverted,
        moves: moves?,
        // What is written and wrong is no relay; what is not written has its default.
        safe: safe.unwrap_or(Some(false))?,
        proof,
        only_if: only_if.map_or(Some(None), |it| it.map(Some))?,
        hold: hold.map_or(Some(None), |it| it.map(Some))?,
        pause: pause.unwrap_or(Some(PAUSE))?,
        longest: longest?,
    })
}

/// What a relay adds that no agent may add.
pub(super) fn adds(moves: Adds) -> Option<&'static str> {
    match moves {
        Adds::Air => None,
        Adds::Heat => Some("heat"),
        Adds::Water => Some("water"),
        Adds::Light => Some("light"),
    }
}

fn safe(item: Item<'_>, moves: Option<Adds>) -> Option<bool> {
    let on = item.one_of(&[("on", true), ("off", false)])?;
    match moves.and_then(adds).filter(|_| on) {
        Some(adds) => item.wrong(
            "the watch never adds heat, water or light on its own",
            format!("left on, it adds {adds}"),
            Some("its safe state is off; leave the line out".to_owned()),
        ),
        None => Some(on),
    }
}

fn pause(item: Item<'_>, longest: Option<Span>) -> Option<Span> {
    let pause = item.duration()?;
    match longest.filter(|longest| pause >= *longest) {
        Some(longest) => {
            let label = format!("its longest run is {longest}");
            item.wrong("a pause ends before the longest run does", label, None)
        }
        None => Some(pause),
    }
}

fn only_if(
    item: Item<'_>,
    moves: Option<Adds>,
    context: &CheckContext<'_>,
    scope: &Scope<'_>,
) -> Option<Condition> {
    if let Some(adds) = moves.and_then(adds) {
        let help = "the watch only ever cuts it, and needs nobody's leave for that".to_owned();
        return item.wrong(
            "this relay is never switched on by the watch",
            format!("it adds {adds}"),
            Some(help),
        );
    }
    let text = item.text()?.it;
    present(item, context.condition(item, &text, scope)?, "what is asked before switching is so now")
}

/// `DURATION`, `until CONDITION`, or `until CONDITION, at most DURATION`.
fn hold(
    item: Item<'_>,
    moves: Option<Adds>,
    context: &CheckContext<'_>,
    scope: &Scope<'_>,
) -> Option<Outlasting> {
    if let Some(adds) = moves.and_then(adds) {
        let help = "it stays off until a person has switched it on again: leave the line out".to_owned();
        return item.wrong(
            "this relay is not given back by the watch",
            format!("it adds {adds}"),
            Some(help),
        );
    }
    let text = item.text()?.it;
    let Some(rest) = text.strip_prefix(UNTIL) else {
        if Quantity::parse(&text).is_err() {
            let help = format!("for instance \"10 min\", or \"{UNTIL}return-flow > 200 L/h, at most 2 h\"");
            return item.wrong("a hold lasts for a time, or until something is so", "neither", Some(help));
        }
        return Some(Outlasting { until: None, at_most: Some(item.some_duration()?) });
    };
    let (condition, at_most) = match rest.rsplit_once(", at most ") {
        Some((condition, at_most)) => (condition, Some(some_time(item, at_most, "a hold lasts")?)),
        None => (rest, None),
    };
    // Blanks for the word keep what is wrong at its place in the text.
    let condition = format!("{:1$}{condition}", "", UNTIL.len());
    let until = context.condition(item, &condition, scope)?;
    Some(Outlasting {
        until: Some(present(item, until, "what ends a hold is seen in the present")?),
        at_most,
    })
}

/// Only what is seen now: nobody feeds a memory to these.
fn present(item: Item<'_>, condition: Condition, title: &str) -> Option<Condition> {
    if condition.looks_back() {
        let help = "compare what the sensor says now".to_owned();
        return item.wrong(title, "this looks back", Some(help));
    }
    Some(condition)
}

/// A duration that is part of a text.
fn some_time(item: Item<'_>, text: &str, takes: &str) -> Option<Span> {
    match Quantity::parse(text).and_then(Quantity::span) {
        Ok(span) if span > Span::ZERO => Some(span),
        Ok(_) => item.wrong(format!("{takes} some time"), format!("`{text}` is none"), None),
        Err(why) => item.wrong(format!("`{text}` is not a duration"), why.to_string(), None),
    }
}

/// Alarms that want one relay in opposite directions and rank alike: nobody could say who wins.
pub(super) fn opposed(alarms: &[Alarm], places: &[Range<usize>], relays: &[Relay]) -> Vec<Finding> {
    let mut found = Vec::new();
    // The first alarm for each relay, state and priority.
    let mut firsts: BTreeMap<_, (&Alarm, &Range<usize>)> = BTreeMap::new();
    for (second, place) in alarms.iter().zip(places) {
        let Some(wanted) = second.stopgap else { continue };
        firsts.entry((wanted.relay, wanted.on, second.priority)).or_insert((second, place));
        let Some((first, other)) = firsts.get(&(wanted.relay, !wanted.on, second.priority)) else { continue };
        let Some(relay) = relays.get(wanted.relay.index()) else { continue };
        let title = format!(
            "`{}` and `{}` want `{}` in opposite directions and rank alike",
            first.name, second.name, relay.name
        );
        let label = format!("both are of {} priority", second.priority);
        let help = "the higher priority wins: give one of them the higher";
        found.push(Finding::error(place.clone(), title, label).also((*other).clone(), "").help(help));
    }
    found
}

/// What a relay is commanded by.
struct WrittenCommand {
    topic: String,
    on: String,
    off: String,
    inverted: bool,
}

fn command(table: Table<'_>) -> Option<WrittenCommand> {
    let topic = table.need("topic", "\"room2/mains\"").and_then(topic);
    let on = table.need("on", "\"on\"").and_then(Item::text);
    let off = table.need("off", "\"off\"");
    let inverted = table.get("inverted");
    let is_inverted = inverted.and_then(Item::flag).unwrap_or(false);
    let off = off.and_then(|item| {
        let off = item.text()?.it;
        let Some(on) = on.as_ref().map(|on| on.it.as_str()) else { return Some(off) };
        match means_the_opposite(on, &off) {
            _ if on == off => {
                item.wrong("`on` and `off` are the same command", "would switch nothing off", None)
            }
            _ if is_same_payload(on, &off) => item.wrong(
                "`on` and `off` differ only in blanks or the case of letters",
                "many devices would take it for the other",
                None,
            ),
            true if !is_inverted => {
                let help = "turn them round; if the load is wired so that on cuts it, add `inverted = true`";
                item.wrong(
                    format!("`on = \"{on}\"` and `off = \"{off}\"` mean the opposite"),
                    "the wrong way round",
                    Some(help.to_owned()),
                )
            }
            false if is_inverted => {
                let help = Some("leave `inverted` out".to_owned());
                inverted?.wrong("these words are not inverted", "nothing to say", help)
            }
            true | false => Some(off),
        }
    });
    table.finish();
    Some(WrittenCommand { topic: topic?, on: on?.it, off: off?, inverted: is_inverted })
}

/// A topic that is published on.
fn topic(item: Item<'_>) -> Option<String> {
    let text = item.text()?.it;
    match output_topic_fault(&text) {
        Some(fault) => item.wrong("commands can't be published on this topic", fault, None),
        None => Some(text),
    }
}

/// `CONDITION within DURATION`
fn proof(item: Item<'_>, context: &CheckContext<'_>, scope: &Scope<'_>) -> Option<ProofRule> {
    let text = item.text()?.it;
    let Some((condition, within)) = text.rsplit_once(" within ") else {
        let help = format!("for instance \"{text} within 20 s\"");
        return item.wrong("a proof says how soon it is seen", "lacks `within` and a duration", Some(help));
    };
    let within = some_time(item, within, "a proof takes");
    let condition = context.condition(item, condition, scope)?;
    Some(ProofRule {
        condition: present(item, condition, "a proof is seen in the present")?,
        within: within?,
    })
}

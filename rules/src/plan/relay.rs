//! Relays: what the agent can switch, how far it may go, and what proves that it happened.

use super::context::Context;
use super::finding::{At, Finding};
use super::read::{Item, Table};
use super::sensor::topic;
use super::{Moves, Proof, Relay};
use crate::condition::{Condition, Scope};
use crate::time::Span;
use crate::units::Quantity;

/// One relay; nothing if anything is wrong with it.
pub(super) fn read(
    name: &At<String>,
    table: Table<'_>,
    context: &Context<'_>,
    scope: &Scope<'_>,
) -> Option<Relay> {
    let command = table
        .need("command", "{ topic = \"room2/airpump/set\", on = \"on\", off = \"off\" }")
        .and_then(Item::table)
        .and_then(command);
    let choices =
        [("air", Moves::Air), ("heat", Moves::Heat), ("water", Moves::Water), ("light", Moves::Light)];
    let moves = table.need("moves", "\"air\"").and_then(|item| item.one_of(&choices));
    let written = table.get("proof");
    let proof = written.and_then(|item| proof(item, context, scope));
    let longest = table.need("longest", "\"2 h\"").and_then(Item::some_duration);
    if written.is_none() {
        let title = format!("`{}` has no proof", table.name);
        let help = "for instance `proof = \"air-pump-current > 0.05 A within 20 s\"`";
        let finding = Finding::warning(table.span.clone(), title, "nobody will know whether it obeyed");
        table.note(finding.help(help));
    }
    table.finish();
    let (topic, on, off) = command?;
    if written.is_some() && proof.is_none() {
        return None;
    }
    Some(Relay { name: name.it.clone(), topic, on, off, moves: moves?, proof, longest: longest? })
}

fn command(table: Table<'_>) -> Option<(String, String, String)> {
    let topic = table.need("topic", "\"room2/mains\"").and_then(topic);
    let on = table.need("on", "\"on\"").and_then(Item::text);
    let off = table.need("off", "\"off\"");
    let off = off.and_then(|item| match item.text()?.it {
        off if on.as_ref().is_some_and(|on| on.it == off) => {
            item.wrong("`on` and `off` are the same command", "would switch nothing off", None)
        }
        off => Some(off),
    });
    table.finish();
    Some((topic?, on?.it, off?))
}

/// `CONDITION within DURATION`
fn proof(item: Item<'_>, context: &Context<'_>, scope: &Scope<'_>) -> Option<Proof> {
    let text = item.text()?.it;
    let Some((condition, within)) = text.rsplit_once(" within ") else {
        let help = format!("for instance \"{text} within 20 s\"");
        return item.wrong("a proof says how soon it is seen", "lacks `within` and a duration", Some(help));
    };
    let within = match Quantity::parse(within).and_then(Quantity::span) {
        Ok(span) if span > Span::ZERO => Some(span),
        Ok(_) => item.wrong("a proof takes time", format!("`{within}` is none"), None),
        Err(why) => item.wrong(format!("`{within}` is not a duration"), why.to_string(), None),
    };
    let condition = context.condition(item, condition, scope);
    if condition.as_ref().is_some_and(Condition::looks_back) {
        let help = "compare what the sensor says now".to_owned();
        return item.wrong("a proof is seen in the present", "this looks back", Some(help));
    }
    Some(Proof { condition: condition?, within: within? })
}

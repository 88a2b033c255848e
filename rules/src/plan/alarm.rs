//! The keeper's alarms. Names of other alarms stay names here, since the alarms that the plan
//! adds for lost sight are known only when all of these have been read.

use super::context::{CheckContext, CheckedRelays};
use super::{Alarm, CalloutId, HEALTH, Stopgap, hazard, relay, shelf, title};
use crate::alarm::Priority;
use crate::condition::{Condition, Scope};
use crate::diagnostic::{At, Finding, Item, Sheet, Table, parse};
use crate::time::Span;
use crate::units::Dimension;
use crate::units::QuantityItem as _;
use std::borrow::Cow;

/// What the names of the alarms for lost sight begin with.
pub(super) const SIGHT: &str = "sight-";

pub(super) const PRIORITIES: [(&str, Priority); 4] = [
    ("low", Priority::Low),
    ("medium", Priority::Medium),
    ("high", Priority::High),
    ("critical", Priority::Critical),
];

/// An alarm, and what the file says of those that explain it.
pub(super) struct Read {
    pub(super) alarm: Alarm,
    pub(super) explained: Explained,
}

/// The names of the alarms that explain one.
#[derive(Default)]
pub(super) struct Explained {
    /// Where the alarm that they explain is named.
    pub(super) place: std::ops::Range<usize>,
    pub(super) consequence_of: Vec<At<String>>,
    /// Which of those it is expected with.
    pub(super) expected: Vec<At<String>>,
    /// Whether the file says so at all: an empty list is said too.
    pub(super) says_expected: bool,
    /// Hazards whose alarms explain it, unless the keeper says what does.
    pub(super) because_of: &'static [String],
}

/// One alarm, the keeper's own or made from a hazard; nothing if its condition or priority is
/// wrong or missing.
pub(super) fn read(
    name: &At<String>,
    table: Table<'_>,
    context: &CheckContext<'_>,
    scope: &Scope<'_>,
    relays: &CheckedRelays,
) -> Option<Read> {
    let Some(named) = table.get("hazard") else { return own(name, table, context, scope, relays) };
    let expanded = hazard::expand(named, &table, context, scope, relays)?;
    let sheet = Sheet::new("", &expanded.text, &[]);
    let (document, _) = parse("", &expanded.text);
    let beneath = Table::root(&sheet, &document);
    let had_own = table.has("consequence-of");
    let has_title = table.has("title");
    let read = own(name, table.over(beneath), context, scope, relays);
    drop(document);
    context.findings.absorb(sheet.into_findings(), |span| expanded.place(&span));
    let mut read = read?;
    read.alarm.hazard = Some(&expanded.hazard.name);
    if !has_title {
        read.alarm.title.clone_from(&expanded.title);
    }
    if !had_own {
        read.explained.because_of = &expanded.hazard.because_of;
    }
    Some(read)
}

/// An alarm whose table says everything.
fn own(
    name: &At<String>,
    table: Table<'_>,
    context: &CheckContext<'_>,
    scope: &Scope<'_>,
    relays: &CheckedRelays,
) -> Option<Read> {
    if let Some(taken) = [SIGHT, HEALTH].into_iter().find(|taken| name.it.starts_with(taken)) {
        let title = format!("an alarm can't be named `{}`", name.it);
        let help = format!("choose a name that does not begin with `{taken}`");
        let label = match taken {
            SIGHT => "the plan adds alarms of such names for lost sight",
            _ => "the plan adds alarms of such names for the agent's own health",
        };
        table.note(Finding::error(name.span.clone(), title, label).help(help));
    }
    let title = title::read(&table, &name.it);
    let tank = table.get("tank").and_then(Item::text).and_then(|tank| context.tank(&tank));
    let when = table.need("when", "\"mains is off\"");
    let written = when.and_then(Item::text);
    let condition =
        when.zip(written.as_ref()).and_then(|(item, text)| context.condition(item, &text.it, scope));
    let worse =
        table.get("worse").and_then(|item| context.condition(item, &item.text()?.it, scope)).map(Box::new);
    let deadband = deadband(&table, condition.as_ref());
    let span = |key| table.get(key).and_then(Item::duration);
    let (on_delay, off_delay) = (span("on-delay"), span("off-delay"));
    let time_to_respond = table.get("time-to-respond").and_then(Item::some_duration);
    let priority = table.need("priority", "\"high\"").and_then(|item| item.one_of(&PRIORITIES));
    let latching = table.get("latching").and_then(Item::flag);
    let longest_shelf = shelf::longest(&table, priority);
    let text = |key| table.get(key).and_then(Item::text).map(|text| Cow::Owned(text.it));
    let (cause, consequence) = (text("cause"), text("consequence"));
    let response = table.get("response").and_then(|item| context.response(item));
    let callout = callout(&table, context);
    let consequence_of = table.get("consequence-of").and_then(Item::texts);
    let says_expected = table.has("expected");
    let expected = table.get("expected").and_then(Item::texts);
    let stopgap =
        table.get("stopgap").and_then(Item::table).and_then(|table| stopgap(table, context, relays));
    table.finish();
    let alarm = Alarm {
        name: name.it.clone(),
        title,
        tank,
        condition: condition?,
        written: written?.it,
        worse,
        deadband,
        on_delay: on_delay.unwrap_or(Span::ZERO),
        off_delay: off_delay.unwrap_or(Span::ZERO),
        priority: priority?,
        latching: latching.unwrap_or(false),
        longest_shelf,
        cause,
        consequence,
        response: response.unwrap_or_default(),
        time_to_respond,
        callout,
        consequence_of: Vec::new(),
        expected: Vec::new(),
        stopgap,
        hazard: None,
        sight: None,
        watched: None,
    };
    let (consequence_of, expected) = (consequence_of.unwrap_or_default(), expected.unwrap_or_default());
    let place = name.span.clone();
    let explained = Explained { place, consequence_of, expected, says_expected, because_of: &[] };
    Some(Read { alarm, explained })
}

fn deadband(table: &Table<'_>, condition: Option<&Condition>) -> Option<(Dimension, f64)> {
    let item = table.get("deadband")?;
    let quantity = item.any_quantity()?;
    let dimension = quantity.unit.dimension.difference();
    let base = quantity.base(dimension).ok()?;
    if base < 0.0 {
        return item.wrong("a deadband is not negative", "less than nothing", None);
    }
    if !condition?.compares(dimension) {
        let label = format!("this is {}, and no comparison in `when` is of that", dimension.words());
        return item.wrong("this deadband would change nothing", label, None);
    }
    Some((dimension, base))
}

/// Who is told. The only call-out there is need not be named.
pub(super) fn callout(table: &Table<'_>, context: &CheckContext<'_>) -> Option<CalloutId> {
    match table.get("callout").map(Item::text) {
        Some(Some(name)) if name.it == "none" => None,
        Some(Some(name)) => context.callouts.find(&name, context.findings).map(CalloutId),
        Some(None) => None,
        None => match context.callouts.names() {
            [] => None,
            [_] => Some(CalloutId(0)),
            [first, ..] => {
                let title = format!("`{}` doesn't say who is told", table.name);
                let label = "there are several call-outs";
                let help = format!("for instance `callout = \"{first}\"`, or \"none\" to record it only");
                table.note(Finding::error(table.span.clone(), title, label).help(help));
                None
            }
        },
    }
}

fn stopgap(table: Table<'_>, context: &CheckContext<'_>, relays: &CheckedRelays) -> Option<Stopgap> {
    let named = table.need("relay", "\"air-pump\"").and_then(Item::text);
    let named = named.and_then(|name| context.relay(&name));
    let state = table.need("state", "\"off\"");
    let on = state.and_then(|item| item.one_of(&[("on", true), ("off", false)]));
    table.finish();
    let stopgap = Stopgap { relay: named?, on: on? };
    // A relay that is wrong itself is reported at its own place.
    let switched = relays.get(stopgap.relay.index())?.as_ref()?;
    let Some(adds) = relay::adds(switched.moves).filter(|_| stopgap.on) else { return Some(stopgap) };
    let title = "the watch never adds heat, water or light on its own";
    let help =
        "a stopgap may switch it off; only a relay with `moves = \"air\"` may be switched on".to_owned();
    state?.wrong(title, format!("`{}` adds {adds}", switched.name), Some(help))
}

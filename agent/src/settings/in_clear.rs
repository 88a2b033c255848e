//! A password that would go in the clear. Connections of brokers and UPS servers may be without
//! TLS, since inside one house much is; a password that leaves this machine so is read by whoever
//! listens on the way, and then opens the relays. So that is a mistake, unless the file says why it
//! is right here: `in-clear-because = "its own cable from board to broker"`.

use super::channels::this_machine;
use super::reader::line;
use slackwater_rules::diagnostic::{Finding, Item, Table};

/// A reason is a few words; an empty `yes` is none.
const SHORTEST_REASON: usize = 10;
const LONGEST_REASON: usize = 200;

/// The reason why nothing is encrypted, if one is given.
pub(super) fn because(table: &Table<'_>) -> Option<String> {
    table.get(KEY).and_then(reason)
}

const KEY: &str = "in-clear-because";

fn reason(item: Item<'_>) -> Option<String> {
    let text = line(item)?;
    let length = text.trim().chars().count();
    if (SHORTEST_REASON..=LONGEST_REASON).contains(&length) {
        return Some(text);
    }
    let title = format!("a reason has {SHORTEST_REASON} to {LONGEST_REASON} characters");
    let help = "for instance \"its own cable from board to broker\"".to_owned();
    item.wrong(title, format!("this has {length}"), Some(help))
}

/// Notes that `what` would go to `host` for everybody to read, unless it is encrypted, stays on
/// this machine, or may go so for a reason that the table gives.
pub(super) fn check(table: &Table<'_>, what: &str, host: &str, encrypted: bool) {
    if encrypted || table.has(KEY) || this_machine(host) {
        return;
    }
    let place = if table.has("tls") { table.key_span("tls") } else { table.key_span("host") };
    let title = format!("{what} would go to `{host}` in the clear");
    let help = format!("set `tls`, or say by `{KEY}` why that is right here");
    table.note(Finding::error(place, title, "for everybody on the way").help(help));
}

//! A password that would go in the clear. Connections of brokers and UPS servers may be without
//! TLS, since inside one house much is; a password that leaves this machine so is read by whoever
//! listens on the way, and then opens the relays. So that is a mistake, unless the file says why it
//! is right here: `in-clear-because = "its own cable from board to broker"`.

use super::channels::this_machine;
use super::tree::{Item, Table};

/// A reason is a few words; an empty `yes` is none.
const SHORTEST_REASON: usize = 10;
const LONGEST_REASON: usize = 200;

/// The reason why nothing is encrypted, if one is given.
pub(super) fn because(table: &mut Table<'_>) -> Option<Option<String>> {
    table.may("in-clear-because", reason)
}

fn reason(item: &Item<'_>) -> Option<String> {
    let text = item.text()?;
    let length = text.trim().chars().count();
    if (SHORTEST_REASON..=LONGEST_REASON).contains(&length) {
        return Some(text);
    }
    item.wrong(format!(
        "it has {length} characters: a reason of {SHORTEST_REASON} to {LONGEST_REASON} is expected, like \"its own \
         cable from board to broker\""
    ))
}

/// What is wrong if `what` would go to `host` for everybody to read; nothing if it is encrypted,
/// stays on this machine, or may go so for a reason.
pub(super) fn fault(what: &str, host: &str, encrypted: bool, because: Option<&String>) -> Option<String> {
    if encrypted || because.is_some() || this_machine(host) {
        return None;
    }
    Some(format!(
        "{what} would go to `{host}` in the clear, for everybody on the way: set `tls`, or say by \
         `in-clear-because` why that is right here"
    ))
}

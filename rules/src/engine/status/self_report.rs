//! What the watch can say of itself to its witness, beside what `status` shows: whether its own
//! pages reach anybody.

use crate::callout::Call;
use crate::engine::context::Context;
use crate::record::{Outcome, Purpose};

impl Context<'_> {
    /// Whether somebody is being asked for, and no page of the call-out has been taken over by
    /// any hop on its way to a person, although at least one attempt has ended.
    pub(in crate::engine) fn reaches_nobody(&self) -> bool {
        let asking = |call: &&Call| call.purpose == Purpose::Call && call.stands() && call.is_calling();
        self.callouts.iter().filter(asking).any(|call| {
            let pages = self.pages(call.id());
            let to_people = pages.iter().filter(|sent| sent.target.contact.is_some());
            let mut ended = to_people.filter_map(|sent| sent.last.as_ref()).peekable();
            ended.peek().is_some() && !ended.any(|last| matches!(last, Outcome::Accepted { .. }))
        })
    }
}

//! How a call-out's own records change it: by the changes of its table, and only by those.

use super::Callouts;
use crate::callout::Call;
use crate::ids::Seq;
use crate::record::{CallChange, Joined};
use crate::time::Moment;

impl Callouts {
    pub(super) fn begin(&mut self, call: Call) {
        self.touched.insert(call.id());
        self.calls.insert(call);
    }

    pub(super) fn change(&mut self, id: Seq, change: &CallChange, at: Moment) {
        if !self.calls.change(id, change, at) {
            return;
        }
        self.touched.insert(id);
        if let CallChange::Joined(Joined { alarm, .. }) | CallChange::CameBack { alarm, .. } = change
            && let Some(latest) = self.episodes.get(alarm)
        {
            self.calls.take_account(id, latest);
        }
    }
}

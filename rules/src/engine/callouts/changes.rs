//! How a call-out's own records change it: by the changes of its table, and only by those.

use super::Callouts;
use crate::callout::Call;
use crate::ids::Seq;
use crate::record::CallChange;
use crate::time::Moment;

impl Callouts {
    pub(super) fn begin(&mut self, call: Call) {
        self.touched.insert(call.core.id);
        self.calls.insert(call.core.id, call);
    }

    pub(super) fn change(&mut self, id: Seq, change: &CallChange, at: Moment) {
        if let Some(call) = self.calls.get_mut(&id) {
            call.core.apply(change, at);
            self.touched.insert(id);
        }
    }

    pub(super) fn take_change(&mut self, id: Seq, change: &CallChange, at: Moment) {
        if let (CallChange::Left { episode }, Some(call)) = (change, self.calls.get_mut(&id)) {
            call.members.retain(|member| member.episode != *episode);
        }
        self.change(id, change, at);
    }
}

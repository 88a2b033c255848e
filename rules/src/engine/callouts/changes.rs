//! How a call-out's own records change it: by the changes of its table, and only by those.

use super::Callouts;
use crate::callout::Call;
use crate::ids::Seq;
use crate::record::{CallChange, Joined};
use crate::time::Moment;

impl Callouts {
    pub(super) fn begin(&mut self, call: Call) {
        self.touched.insert(call.core.id);
        self.calls.insert(call.core.id, call);
    }

    pub(super) fn change(&mut self, id: Seq, change: &CallChange, at: Moment) {
        let Some(call) = self.calls.get_mut(&id) else { return };
        call.core.apply(change, at);
        self.touched.insert(id);
        match change {
            CallChange::Joined(Joined { alarm, .. }) | CallChange::CameBack { alarm, .. } => {
                self.take_account(id, alarm);
            }
            _ => {}
        }
    }
}

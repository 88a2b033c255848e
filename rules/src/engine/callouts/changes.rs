//! How a call-out's own records change it: by the changes of its table, and only by those.

use super::{Callouts, kept};
use crate::callout::Call;
use crate::callout::change::Change;
use crate::callout::state::CallOut;
use crate::ids::Seq;
use crate::record::CallChange;
use crate::time::Moment;

impl Callouts {
    pub(super) fn begin(&mut self, call: Call) {
        self.touched.insert(call.core.id);
        self.calls.insert(call.core.id, call);
    }

    pub(super) fn change(&mut self, id: Seq, change: &Change, at: Moment) {
        if let Some(call) = self.calls.get_mut(&id) {
            call.core.apply(change, at);
            self.touched.insert(id);
        }
    }

    pub(super) fn take_change(&mut self, id: Seq, kept: &CallChange, at: Moment) {
        let Some(call) = self.calls.get_mut(&id) else { return };
        match kept {
            CallChange::Kind { kind } => {
                call.core = CallOut::new(id, kept::kind(*kind), call.code().to_owned(), at);
            }
            CallChange::Left { episode } => call.members.retain(|member| member.episode != *episode),
            _ => {}
        }
        let by = call.answers.last().map(|(by, _)| by.clone());
        let place = match kept {
            CallChange::Joined { alarm, .. } => self.episodes.get(alarm).map(|known| known.place.clone()),
            _ => None,
        };
        if let Some(change) = kept::change(kept.clone(), &place.unwrap_or_default(), by.as_ref()) {
            self.change(id, &change, at);
        }
    }
}

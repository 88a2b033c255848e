//! The records of a call-out's changes. What people read (who joined, which rung was taken, who
//! answered) has a record of its own beside.

use crate::callout::headline::Lead;
use crate::ids::Seq;
use crate::record::{Body, CallChange, CallMessage, Purpose};

/// The records of a change; none for what another component's record says already.
pub(super) fn bodies(call: Seq, change: CallChange) -> Vec<Body> {
    let read = match &change {
        CallChange::Joined(joined) => {
            Some(Body::Joined { call, alarm: joined.alarm.clone(), episode: joined.episode })
        }
        CallChange::Rung { rung, .. } => Some(Body::Stepped { call, step: *rung }),
        CallChange::Answered { by, lease, .. } => {
            Some(Body::Answered { call, by: by.clone(), lease: *lease })
        }
        CallChange::Ended => return vec![Body::CallEnded { call }],
        CallChange::Started => return Vec::new(),
        CallChange::Kind { .. }
        | CallChange::Left { .. }
        | CallChange::CameBack { .. }
        | CallChange::Worsened { .. }
        | CallChange::Returned { .. }
        | CallChange::PutAside { .. }
        | CallChange::Hand { .. }
        | CallChange::Anew { .. }
        | CallChange::RaisedAnew { .. }
        | CallChange::Held { .. }
        | CallChange::Began { .. }
        | CallChange::GoesOn
        | CallChange::NewsDue { .. }
        | CallChange::NewsTold
        | CallChange::Pressed { .. }
        | CallChange::AnsweredOne { .. }
        | CallChange::Asks { .. }
        | CallChange::Told { .. }
        | CallChange::Page { .. }
        | CallChange::Waits { .. } => None,
    };
    read.into_iter().chain([Body::CallChanged { call, change }]).collect()
}

/// How a page's record says what it is for. What tells of several things that could wait is about
/// all of them, but for what an event sends: that is about its news.
pub(super) fn purpose(message: &CallMessage, lead: Lead, could_wait: bool) -> Purpose {
    match message {
        CallMessage::Call if could_wait && lead == Lead::Rung => Purpose::Digest,
        CallMessage::Call | CallMessage::Ask => Purpose::Call,
        CallMessage::Morning => Purpose::Digest,
        CallMessage::Drill => Purpose::Drill,
        CallMessage::Taken(_) | CallMessage::PutAside(_) | CallMessage::Hush => Purpose::Taken,
        CallMessage::AllClear => Purpose::AllClear,
        CallMessage::NobodyElse => Purpose::Notice,
    }
}

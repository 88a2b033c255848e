//! Between the changes of a call-out and the records in which they are kept, both ways. What people
//! read (who joined, which rung was taken, who answered) has a record of its own beside.

use crate::callout::change::{Change, Fate, Joined, Message};
use crate::callout::state::{Hold, Kind};
use crate::ids::{By, Seq};
use crate::plan::Target;
use crate::record::{Body, CallChange, CallKind, CallMessage, HeldBy, PageFate, Purpose};

/// The records of a change; none for what another component's record says already.
pub(super) fn bodies(call: Seq, change: Change) -> Vec<Body> {
    let read = match &change {
        Change::Joined(joined) => {
            Some(Body::Joined { call, alarm: joined.alarm.clone(), episode: joined.episode })
        }
        Change::Rung { rung, .. } => Some(Body::Stepped { call, step: *rung }),
        Change::Answered { by, lease, .. } => Some(Body::Answered { call, by: by.clone(), lease: *lease }),
        Change::Ended => return vec![Body::CallEnded { call }],
        Change::Started => return Vec::new(),
        Change::Left { .. }
        | Change::CameBack { .. }
        | Change::Worsened { .. }
        | Change::Returned { .. }
        | Change::PutAside { .. }
        | Change::Hand { .. }
        | Change::Anew { .. }
        | Change::RaisedAnew { .. }
        | Change::Held { .. }
        | Change::Began { .. }
        | Change::GoesOn
        | Change::NewsDue { .. }
        | Change::NewsTold
        | Change::Pressed { .. }
        | Change::AnsweredOne { .. }
        | Change::Asks { .. }
        | Change::Told { .. }
        | Change::Page { .. }
        | Change::Waits { .. } => None,
    };
    let kept = kept(change).map(|change| Body::CallChanged { call, change });
    read.into_iter().chain(kept).collect()
}

fn kept(change: Change) -> Option<CallChange> {
    let names = |to: Vec<Target>| to.iter().map(Target::to_string).collect();
    Some(match change {
        Change::Joined(joined) => {
            let Joined { alarm, episode, rank, ladder, flickers, listed, place: _ } = joined;
            CallChange::Joined { alarm, episode, rank, ladder, flickers, listed }
        }
        Change::Rung { ladder, rank, rung, last, to, next } => {
            CallChange::Rung { ladder, rank, rung, last, to: names(to), next }
        }
        Change::Answered { by, lease, rank } => CallChange::Answered { by, lease, rank },
        Change::Told { target, message, rank, about } => {
            let message = match message {
                Message::Call => CallMessage::Call,
                Message::Ask => CallMessage::Ask,
                Message::Taken(_) => CallMessage::Taken,
                Message::PutAside(_) => CallMessage::PutAside,
                Message::AllClear => CallMessage::AllClear,
                Message::Morning => CallMessage::Morning,
                Message::NobodyElse => CallMessage::NobodyElse,
                Message::Drill => CallMessage::Drill,
                Message::Hush => CallMessage::Hush,
            };
            CallChange::Told { target: target.to_string(), message, rank, about }
        }
        Change::Ended | Change::Started => return None,
        Change::Left { episode } => CallChange::Left { episode },
        Change::CameBack { alarm, episode } => CallChange::CameBack { alarm, episode },
        Change::Worsened { episode } => CallChange::Worsened { episode },
        Change::Returned { episode, latched } => CallChange::Returned { episode, latched },
        Change::PutAside { episode, by } => CallChange::PutAside { episode, by },
        Change::Hand { episode, awaited } => CallChange::Hand { episode, awaited },
        Change::Anew { episode, after } => CallChange::Anew { episode, after },
        Change::RaisedAnew { episode } => CallChange::RaisedAnew { episode },
        Change::Held { length, by: Hold::Cause } => CallChange::Held { length, by: HeldBy::Cause },
        Change::Held { length, by: Hold::Quiet } => CallChange::Held { length, by: HeldBy::Quiet },
        Change::Began { ladder, rank, rung, ago, due } => CallChange::Began { ladder, rank, rung, ago, due },
        Change::GoesOn => CallChange::GoesOn,
        Change::NewsDue { within } => CallChange::NewsDue { within },
        Change::NewsTold => CallChange::NewsTold,
        Change::Pressed { by, again } => CallChange::Pressed { by, again },
        Change::AnsweredOne { episode, by, lease } => CallChange::AnsweredOne { episode, by, lease },
        Change::Asks { renew, rank, to } => CallChange::Asks { renew, rank, to: names(to) },
        Change::Page { target, fate } => {
            let fate = match fate {
                Fate::Taken => PageFate::Taken,
                Fate::Waits => PageFate::Waits,
                Fate::Lost => PageFate::Lost,
                Fate::Doubtful => PageFate::Doubtful,
            };
            CallChange::Page { target: target.to_string(), fate }
        }
        Change::Waits { waits } => CallChange::Waits { waits },
    })
}

/// A kept change as it is applied; none for what only says how it began. `place` is where the
/// episode's tank stands, and `by` who answered last.
pub(super) fn change(kept: CallChange, place: &str, by: Option<&By>) -> Option<Change> {
    let by_then = || by.cloned().unwrap_or_else(|| By { who: String::new(), via: String::new() });
    let targets = |to: Vec<String>| to.iter().map(|target| Target::parse(target)).collect();
    Some(match kept {
        CallChange::Kind { .. } => return None,
        CallChange::Joined { alarm, episode, rank, ladder, flickers, listed } => {
            let place = place.to_owned();
            Change::Joined(Joined { alarm, episode, place, rank, ladder, flickers, listed })
        }
        CallChange::Rung { ladder, rank, rung, last, to, next } => {
            Change::Rung { ladder, rank, rung, last, to: targets(to), next }
        }
        CallChange::Answered { by, lease, rank } => Change::Answered { by, lease, rank },
        CallChange::Told { target, message, rank, about } => {
            let message = match message {
                CallMessage::Call => Message::Call,
                CallMessage::Ask => Message::Ask,
                CallMessage::Taken => Message::Taken(by_then()),
                CallMessage::PutAside => Message::PutAside(by_then()),
                CallMessage::AllClear => Message::AllClear,
                CallMessage::Morning => Message::Morning,
                CallMessage::NobodyElse => Message::NobodyElse,
                CallMessage::Drill => Message::Drill,
                CallMessage::Hush => Message::Hush,
            };
            Change::Told { target: Target::parse(&target), message, rank, about }
        }
        CallChange::Left { episode } => Change::Left { episode },
        CallChange::CameBack { alarm, episode } => Change::CameBack { alarm, episode },
        CallChange::Worsened { episode } => Change::Worsened { episode },
        CallChange::Returned { episode, latched } => Change::Returned { episode, latched },
        CallChange::PutAside { episode, by } => Change::PutAside { episode, by },
        CallChange::Hand { episode, awaited } => Change::Hand { episode, awaited },
        CallChange::Anew { episode, after } => Change::Anew { episode, after },
        CallChange::RaisedAnew { episode } => Change::RaisedAnew { episode },
        CallChange::Held { length, by: HeldBy::Cause } => Change::Held { length, by: Hold::Cause },
        CallChange::Held { length, by: HeldBy::Quiet } => Change::Held { length, by: Hold::Quiet },
        CallChange::Began { ladder, rank, rung, ago, due } => Change::Began { ladder, rank, rung, ago, due },
        CallChange::GoesOn => Change::GoesOn,
        CallChange::NewsDue { within } => Change::NewsDue { within },
        CallChange::NewsTold => Change::NewsTold,
        CallChange::Pressed { by, again } => Change::Pressed { by, again },
        CallChange::AnsweredOne { episode, by, lease } => Change::AnsweredOne { episode, by, lease },
        CallChange::Asks { renew, rank, to } => Change::Asks { renew, rank, to: targets(to) },
        CallChange::Page { target, fate } => {
            let fate = match fate {
                PageFate::Taken => Fate::Taken,
                PageFate::Waits => Fate::Waits,
                PageFate::Lost => Fate::Lost,
                PageFate::Doubtful => Fate::Doubtful,
            };
            Change::Page { target: Target::parse(&target), fate }
        }
        CallChange::Waits { waits } => Change::Waits { waits },
    })
}

pub(super) fn kind(kept: CallKind) -> Kind {
    match kept {
        CallKind::Cause => Kind::Cause,
        CallKind::Mass => Kind::Mass,
        CallKind::Digest => Kind::Digest,
        CallKind::Drill => Kind::Drill,
    }
}

pub(super) fn kept_kind(kind: Kind) -> CallKind {
    match kind {
        Kind::Cause => CallKind::Cause,
        Kind::Mass => CallKind::Mass,
        Kind::Digest => CallKind::Digest,
        Kind::Drill => CallKind::Drill,
    }
}

/// How a page's record says what it is for.
pub(super) fn purpose(message: &Message, of: Kind) -> Purpose {
    match message {
        Message::Call if of == Kind::Digest => Purpose::Digest,
        Message::Call | Message::Ask => Purpose::Call,
        Message::Morning => Purpose::Digest,
        Message::Drill => Purpose::Drill,
        Message::Taken(_) | Message::PutAside(_) | Message::Hush => Purpose::Taken,
        Message::AllClear => Purpose::AllClear,
        Message::NobodyElse => Purpose::Notice,
    }
}

/// What a page of before was for.
pub(super) fn message(purpose: Purpose, by: Option<&By>) -> Message {
    let by = by.cloned().unwrap_or_else(|| By { who: String::new(), via: String::new() });
    match purpose {
        Purpose::Call => Message::Call,
        Purpose::Digest => Message::Morning,
        Purpose::Drill => Message::Drill,
        Purpose::Taken => Message::Taken(by),
        Purpose::AllClear => Message::AllClear,
        Purpose::Notice => Message::NobodyElse,
    }
}

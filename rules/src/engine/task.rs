//! What is to be done next. A component that decides something says what follows from it as
//! [`Task`]s, a closed list, and never does it itself: the engine's one queue hands each to the
//! component that it belongs to. DEVELOPERS.md has the chart of who may cause what.
//!
//! [`Next`] is what one piece of work comes to: records, which change what lasts as soon as the
//! piece is done; deadlines; pages and commands to go out; and further tasks, at the end of the
//! queue.

// What is new has to be handled here.
#![warn(clippy::wildcard_enum_match_arm)]

use super::timers::DeadlineReason;
use super::turn::Effect;
use crate::callout::decide::Reply as CallOutReply;
use crate::ids::{AlarmId, By, CalloutId, RelayId, SensorId, Seq};
use crate::plan::Target;
use crate::record::{Body, Purpose, Record};
use crate::time::{Moment, Now, Span};

/// One piece of work.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Task {
    /// A deadline has come.
    Due(DeadlineReason),

    /// Sensors: each is looked at, whether it is lost.
    LookAtSensors,

    /// Alarms: this one's condition is asked.
    Judge(AlarmId),
    /// Alarms: each of them.
    JudgeAll,
    /// Alarms: those for lost sight and failing parts.
    JudgeSights,
    /// Alarms: those for lost sight of this sensor.
    JudgeSightOf(SensorId),
    /// Alarms: those for lost sight of the gateway that this sensor is behind, and of all behind
    /// it.
    JudgeGatewayOf(SensorId),

    /// Forecasts: what bears on an alarm that was raised or got worse is put down.
    Foretell {
        /// The alarm.
        alarm: AlarmId,
        /// Its episode.
        episode: Seq,
    },

    /// Relays: an alarm was raised, its stopgap begins.
    BeginStopgap(AlarmId),
    /// Relays: something that this relay's run may depend on has changed.
    Attend(RelayId),
    /// Relays: all under the agent's hand.
    AttendAll,

    /// Callouts: an alarm was raised.
    CallFor {
        /// The alarm.
        alarm: AlarmId,
        /// Its episode.
        episode: Seq,
    },
    /// Callouts: what stands and is in no call-out gets into one.
    CallForTheForgotten,
    /// Callouts: an episode got worse.
    GotWorse(Seq),
    /// Callouts: an episode returned to normal or was put aside.
    Fell(Seq),
    /// Callouts: a stopgap has not gone as it should.
    StopgapNews(StopgapNews),
    /// Callouts: its last pages are planned, and it is over.
    End(Seq),
    /// Callouts: it is known how one of its pages fared.
    PageEnded(Seq),
    /// Callouts: a person answered.
    Answer {
        /// The call-out.
        call: Seq,
        /// Only for this episode of a mass or a digest.
        only: Option<Seq>,
        /// How long it is to hold, if that was said.
        named: Option<Span>,
        /// Who.
        by: By,
    },
    /// Callouts: a person wants the next one called now.
    HandOn {
        /// The call-out.
        call: Seq,
        /// Who.
        by: By,
    },
    /// Drills: nobody has answered a test page in its time.
    TestMissed {
        /// By which way it went.
        target: Target,
        /// The next hop had taken it.
        delivered: bool,
    },
    /// Callouts: this watch's own power is about to end, as this episode says.
    SayDark(Seq),
    /// Callouts: a heater that was cut may have been switched back by a person.
    LookAtHands,
    /// Callouts: each siren is bidden what it should do now.
    TendSirens {
        /// Also if that is what it was bidden last: the broker is back.
        again: bool,
    },
    /// Callouts: a person beside a siren wants it silent for a while.
    Hush {
        /// The siren, as it is written.
        siren: String,
        /// Who.
        by: By,
    },
    /// Callouts: drills wait, or go on, as the clock and real call-outs have it.
    MindDrills,
    /// Callouts: a person tests a policy.
    Drill(CalloutId),
    /// Callouts: those whose policy has gone from the plan are over.
    EndOrphans,
    /// Callouts: the watch has begun; `overdue` if nobody knows for how long it was away.
    WakeCalls {
        /// What waits for a step takes it now.
        overdue: bool,
    },

    /// Delivery: a page of a call-out is planned.
    Page {
        /// The call-out.
        call: Seq,
        /// To whom.
        target: Target,
        /// Why.
        purpose: Purpose,
    },
    /// Delivery: a planned page leaves, or waits for room.
    Send(Seq),
    /// Delivery: a page waits until its channel has fewer in hand.
    AwaitRoom {
        /// The page.
        page: Seq,
        /// It is critical, and goes before those that are not.
        urgent: bool,
    },
    /// Delivery: a channel has perhaps room for the next page that waits for it.
    SendWaiting(Target),
    /// Delivery: pages of a call-out that nobody needs any more are given up.
    DropUnwanted(Seq),
    /// Delivery: a way is open again, so what waits is tried at once.
    Hurry,
    /// Delivery: every page that waits gets its time again.
    ArmRetries,

    /// Work: a person begins it.
    BeginWork {
        /// The tank's name.
        tank: String,
        /// The kind of work.
        work: String,
        /// The kind's longest if none.
        length: Option<Span>,
        /// Who.
        by: By,
    },
    /// Work: a person ends it.
    EndWork {
        /// The tank's name.
        tank: String,
        /// Who.
        by: By,
    },
    /// Work: alarms that it disturbs are suppressed.
    Suppress {
        /// Those that stand too, not only those at rest.
        standing: bool,
    },
    /// Work: this alarm is suppressed, if work disturbs it.
    SuppressIfDisturbed(AlarmId),
    /// Work: alarms that no work disturbs any more are taken back in.
    Release,
    /// Work: what goes on gets its deadlines.
    ArmWork,

    /// Drills: what is due is done.
    TendDrills,
    /// Drills: a person asks for test pages.
    TestPages(By),
    /// Drills: a test page is answered.
    TestAnswered {
        /// The page.
        test: Seq,
        /// Who.
        by: By,
    },
    /// Drills: a round waits, for this reason; none if it does not.
    RoundWaits(Option<&'static str>),
    /// Drills: test pages that can go out do.
    TestReachable,
    /// Drills: this channel gets its test page.
    Test(Target),
    /// Drills: notices that are due are planned.
    SendNotices,
    /// Drills: the next look at them gets its time.
    ArmDrills,
    /// Outage drills: a person is about to pull the plug.
    BeginOutage {
        /// The alarm; the one that power loss raises if none.
        alarm: Option<String>,
        /// Who.
        by: By,
    },
    /// Outage drills: the plug is out, says this person.
    PlugOut(By),
    /// Outage drills: the plug is back, says this person.
    PlugBack(By),
    /// Drills: one of their pages can't be delivered.
    PageLost {
        /// The page.
        page: Seq,
        /// To whom.
        target: Target,
        /// Why not.
        why: String,
    },
}

/// A stopgap has not gone as it should.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct StopgapNews {
    /// Of this relay.
    pub(super) relay: RelayId,
    /// Begun for this episode.
    pub(super) episode: Seq,
    /// It can't wait: a relay is seen not to cut heat, water or light.
    pub(super) everyone: bool,
    /// In words, for the record.
    pub(super) why: String,
}

/// What a piece of work comes to.
#[derive(Debug)]
pub(super) struct Next {
    /// Records, in order.
    pub(super) records: Vec<Record>,
    /// Deadlines to be set, moved or (with none) removed.
    pub(super) timers: Vec<(DeadlineReason, Option<Moment>)>,
    /// Deadlines to be set only if there are none: for those that every reading moves on, where an
    /// early wake-up costs less than keeping the exact time.
    pub(super) at_first: Vec<(DeadlineReason, Moment)>,
    /// What follows.
    pub(super) tasks: Vec<Task>,
    /// What follows before anything that waits already.
    pub(super) first: Vec<Task>,
    /// Commands, and pages that are called back. Pages leave by [`Next::send`].
    pub(super) effects: Vec<Effect>,
    /// Pages to be worded and handed out when the queue is empty.
    pub(super) pages: Vec<Seq>,
    /// What a call-out says to the person who has spoken to it.
    pub(super) reply: Option<CallOutReply>,
    seq: Seq,
    now: Now,
}

/// What the last piece of work came to, emptied, for the next one: every reading needs one, and it
/// is made once.
#[derive(Debug, Default)]
pub(super) struct Spare(Option<Box<Next>>);

impl Spare {
    /// Makes way for a piece whose first record will have the number `seq`.
    pub(super) fn take(&mut self, seq: Seq, now: Now) -> Box<Next> {
        let mut next = self.0.take().unwrap_or_else(|| Box::new(Next::new(seq, now)));
        next.begin(seq, now);
        next
    }

    /// Keeps it, emptied.
    pub(super) fn put_back(&mut self, next: Box<Next>) {
        self.0 = Some(next);
    }
}

impl Next {
    /// Nothing yet. Its first record will have the number `seq`.
    pub(super) fn new(seq: Seq, now: Now) -> Self {
        let (records, timers, at_first, tasks) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        Self {
            records,
            timers,
            at_first,
            tasks,
            first: Vec::new(),
            effects: Vec::new(),
            pages: Vec::new(),
            reply: None,
            seq,
            now,
        }
    }

    fn begin(&mut self, seq: Seq, now: Now) {
        (self.seq, self.now) = (seq, now);
    }

    /// The number of the next record.
    pub(super) fn next_seq(&self) -> Seq {
        self.seq
    }

    /// Makes a record.
    pub(super) fn record(&mut self, body: Body) -> Seq {
        let seq = self.seq;
        self.records.push(Record { seq, at: self.now, body });
        self.seq += 1;
        seq
    }

    /// Something asked or said is not taken.
    pub(super) fn refuse(&mut self, what: impl Into<String>, why: impl Into<String>, by: &By) {
        self.record(Body::Refused { what: what.into(), why: why.into(), by: by.clone() });
    }

    /// Sets, moves or (with none) removes a deadline.
    pub(super) fn wake(&mut self, reason: DeadlineReason, at: Option<Moment>) {
        self.timers.push((reason, at));
    }

    /// Sets a deadline if there is none for this reason.
    pub(super) fn wake_at_first(&mut self, reason: DeadlineReason, at: Moment) {
        self.at_first.push((reason, at));
    }

    /// What is to be done next.
    pub(super) fn then(&mut self, task: Task) {
        self.tasks.push(task);
    }

    /// What is to be done before anything else of this turn.
    pub(super) fn first(&mut self, task: Task) {
        self.first.push(task);
    }

    /// Hands a page out, worded as things stand when the queue is empty.
    pub(super) fn send(&mut self, page: Seq) {
        self.pages.push(page);
    }
}

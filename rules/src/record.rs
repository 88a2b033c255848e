//! What the engine decided, in the form in which it is kept. A [`Record`] is the truth: the
//! engine changes its lasting state only by applying records, so that reading them back from
//! the journal after a restart rebuilds the very same state. So this module, alone in the crate, is
//! made to be stored: names, no indices; spans, no moments; and only additions between versions.

mod called;
mod drilled;
mod outcome;
mod parts;
mod titled;
mod words;

pub use crate::ids::{By, Seq};
pub use called::{CallChange, CallKind, CallMessage, CallNews, HeldBy, Joined, PageFate};
pub use drilled::{About, DrillStage, Drilled, Measured, Standing};
pub use outcome::{NoMore, Outcome};
pub use parts::{AfterWork, Estimated, Farthest, Purpose, SiteChange, Verdict, WaterLimit};
pub(crate) use words::{NOT_BACK, on_off};

use crate::alarm::Priority;
use crate::time::{Now, Span};
use serde::{Deserialize, Serialize};

/// What happened or was decided.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Its number.
    pub seq: Seq,
    /// When.
    pub at: Now,
    /// What.
    pub body: Body,
}

/// What a record says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
#[expect(missing_docs, reason = "a field without a comment is what its name says, by name or number")]
pub enum Body {
    /// The watch began, after having been away for `gap` (unknown if none).
    Started {
        /// Of the program.
        version: String,
        /// How long nobody watched.
        gap: Option<Span>,
    },
    /// The watch ended in good order.
    Stopped { why: String },
    /// Another plan took over.
    Reloaded {
        /// What differs, a line each.
        changes: Vec<String>,
    },
    /// Readings stopped coming through this: the broker, a gateway, a sensor.
    SightLost {
        /// `broker`, `gateway NAME`, or the sensor's name.
        of: String,
        /// Stale, suspect and why, link down and why.
        why: String,
    },
    /// The wall clock moved against the one that delays run on, or began to be trusted.
    ClockSet {
        /// By how much it was set forward; back, if negative.
        by: Span,
        /// Whether it was trusted before.
        was_trusted: bool,
        /// Whether it is from now on. Then what was recorded since the board's start by a clock
        /// that was not is dated again.
        trusted: bool,
    },
    /// They come again.
    SightRegained {
        /// As it was lost.
        of: String,
        /// For how long.
        after: Span,
    },

    /// An alarm was raised. Its episode is known by this record's number, unless an episode
    /// of the alarm was still open, which then goes on.
    Raised {
        alarm: String,
        episode: Seq,
        /// The short code that answers it.
        code: String,
        /// The tank or the site.
        place: String,
        /// At the time.
        priority: Priority,
        /// How long the condition had been true.
        since: Span,
        /// What it rested on: `lagoon-temp 23.1 degC`.
        because: String,
        /// It has not come back since this work, which had paused it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        after_work: Option<AfterWork>,
    },
    /// It got worse.
    Worsened {
        alarm: String,
        episode: Seq,
        /// What it rested on.
        because: String,
    },
    /// Some reading it needs is missing while it stands: it stays raised.
    LostSight { alarm: String, episode: Seq },
    /// Its readings are back.
    FoundSight { alarm: String, episode: Seq },
    /// The condition has gone.
    Returned {
        alarm: String,
        episode: Seq,
        /// How long it stood.
        stood: Span,
        /// What it rested on.
        because: String,
        /// How far its reading went, if it rests on one that goes one way.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        farthest: Option<Farthest>,
    },
    /// It keeps coming and going: from now on it returns only after a long quiet.
    Chattering {
        alarm: String,
        /// How often it was raised.
        raises: u32,
        /// Within how long.
        within: Span,
    },
    /// It has been quiet for long enough.
    Settled { alarm: String },
    /// Its condition came and went within the on-delay, so that nothing was raised. The first time
    /// is recorded at once; what comes in the hour after it is told together.
    Blipped {
        alarm: String,
        /// How often.
        count: u32,
        /// The longest spell.
        longest: Span,
        /// The first of them began so long ago.
        since: Span,
    },
    /// A person answered for this episode.
    Acknowledged { alarm: String, episode: Seq, by: By },
    /// A person reset a latch.
    Reset { alarm: String, by: By },
    /// A person judged an episode, perhaps long after: for the review, and for backtests. The
    /// latest mark counts.
    Marked {
        episode: Seq,
        /// What was found.
        verdict: Verdict,
        /// Why, if anything was said.
        note: String,
        by: By,
    },
    /// What a tank's model has learned so far, for the next life to go on from.
    Learned {
        tank: String,
        /// [`Thermal::kept`](crate::forecast::thermal::Thermal::kept); empty if nothing was.
        numbers: Vec<f64>,
        /// The tank's volume, m³, and
        /// [`Declines::kept`](crate::forecast::respiration::Declines::kept).
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        oxygen: Vec<f64>,
    },
    /// What was foretold as an alarm was raised or got worse.
    Foretold {
        alarm: String,
        episode: Seq,
        /// The soonest first.
        estimates: Vec<Estimated>,
    },
    /// Put aside for a time.
    Shelved {
        alarm: String,
        /// Ends by itself after this.
        length: Span,
        by: By,
        /// The reason given.
        why: String,
    },
    /// The shelf ended: by a person, or by itself.
    Unshelved {
        alarm: String,
        /// Who, if not by itself.
        by: Option<By>,
    },
    /// Put aside by declared work.
    Suppressed { alarm: String },
    /// The work is over: its on-delay begins anew.
    Unsuppressed {
        alarm: String,
        /// The kind of work; empty if nobody knows.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        work: String,
    },
    /// Taken out of service.
    TakenOut {
        alarm: String,
        by: By,
        /// The reason given.
        why: String,
    },
    /// Back in service.
    PutBack { alarm: String, by: By },
    /// A call-out began. It is known by this record's number.
    CallBegan {
        /// The policy's name.
        policy: String,
        /// What started it, and so how its pages read.
        purpose: Purpose,
        /// The code that answers it as a whole.
        code: String,
        /// The first step waits this long: for a cause that is about to be raised, or for
        /// the morning.
        hold: Span,
    },
    /// An episode became part of it: the first one, or one of the same cause.
    Joined {
        call: Seq,
        /// The episode's alarm.
        alarm: String,
        episode: Seq,
    },
    /// A step of the timeline was taken (0 is the first).
    Stepped { call: Seq, step: u32 },
    /// A page was planned. It is known by this record's number, and commits before it is sent.
    Paged {
        call: Seq,
        /// To: `ines.push`.
        target: String,
        purpose: Purpose,
        /// Its first line.
        headline: String,
        /// Call-outs that had come and gone while nothing could be sent this way: it tells of
        /// them too.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        also: Vec<Seq>,
    },
    /// Someone in the step could not be told, without trying.
    Skipped {
        call: Seq,
        target: String,
        /// Outside their hours, away, no such channel.
        why: String,
    },
    /// A page's attempt ended.
    Delivered { page: Seq, result: Outcome },
    /// A person answered; the call-out is quiet while the lease runs.
    Answered {
        call: Seq,
        by: By,
        /// How long it holds.
        lease: Span,
    },
    /// Somebody has ticked a step of the card, or taken the tick back: it is no answer.
    Ticked { call: Seq, step: String, done: bool, by: By },
    /// Somebody wants the next person called now.
    HandedOn { call: Seq, by: By },
    /// Somebody wants a siren silent for a while.
    Hushed {
        /// Its channel.
        siren: String,
        /// For how long.
        length: Span,
        /// Who.
        by: By,
    },
    /// The call-out goes on after an answer, from its first step.
    Resumed {
        call: Seq,
        /// The lease ran out, or what got worse.
        why: String,
    },
    /// Nothing in it stands any more.
    CallEnded { call: Seq },
    /// What it is restored by, beside what people read.
    CallChanged {
        /// The call-out.
        call: Seq,
        /// What changed.
        change: CallChange,
    },
    /// An answer or a command that could not be taken.
    Refused {
        /// What was asked.
        what: String,
        /// Why not.
        why: String,
        by: By,
    },

    /// Work on a tank began.
    WorkBegan {
        tank: String,
        work: String,
        /// Ends by itself after this.
        length: Span,
        by: By,
    },
    /// Work on a tank ended.
    WorkEnded {
        tank: String,
        work: String,
        /// Who, if not by itself.
        by: Option<By>,
    },

    /// Somebody said that this site will be silent: its witness waits.
    SilencePlanned {
        /// For how long.
        length: Span,
        /// The reason given.
        why: String,
        by: By,
    },
    /// Somebody took that back.
    SilenceEnded { by: By },
    /// Who may check in here has changed.
    SiteChanged { site: String, change: SiteChange, by: By },

    /// A relay was commanded. The switching is known by this record's number.
    Switched {
        relay: String,
        /// On or off.
        on: bool,
        /// The episode it is for, whose alarm declared the stopgap.
        episode: Seq,
        /// First attempt is 1.
        attempt: u32,
        /// Why now: the stopgap began, is repeated for want of proof, is undone.
        why: String,
        /// Back to its safe state.
        #[serde(default)]
        undo: bool,
    },
    /// A relay is wanted, and something stands against it. It is switched when that has gone.
    Withheld {
        relay: String,
        /// On or off.
        on: bool,
        /// The episode it is for.
        episode: Seq,
        /// What stands against it.
        why: String,
    },
    /// No alarm wants it any more, but the relay stays as it is.
    Held {
        relay: String,
        /// The episode it was for.
        episode: Seq,
        /// Until what.
        why: String,
    },
    /// The relay showed another state than the one it was proved to be in, as by a person's
    /// hand: the agent leaves it alone while any alarm wants it.
    ByHand {
        relay: String,
        /// The episode it is for.
        episode: Seq,
        /// The state that it showed.
        shows: bool,
        /// What was seen.
        why: String,
    },
    /// The agent lets go of a relay and leaves it as it stands.
    Released {
        relay: String,
        /// The episode it was for.
        episode: Seq,
        why: String,
    },
    /// Its proof was seen.
    Proved {
        relay: String,
        switching: Seq,
        /// How long it took.
        after: Span,
    },
    /// Its proof was not seen in time, or the command could not be delivered.
    NotProved {
        relay: String,
        switching: Seq,
        /// What was seen instead.
        why: String,
        /// Nothing could be seen: it may have obeyed.
        #[serde(default)]
        unknown: bool,
    },
    /// The broker keeps a command for a relay: a device that connects later obeys it.
    CommandKept {
        relay: String,
        /// Where it is kept.
        topic: String,
        /// What the broker keeps.
        payload: String,
    },
    /// Something of test pages, notices or outage drills.
    Drill(Drilled),
}

//! What a decision may do to a call-out: small changes, each of which is kept as a record. They
//! hold names and spans, no indices and no moments, so that a journal of last year restores the
//! same state on a board whose clock began anew.

use super::headline::Lead;
use super::state::Hold;
use crate::alarm::Priority;
use crate::plan::Target;
use crate::record::{By, Seq};
use crate::time::Span;

/// One change.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// An episode became part of it, or a later episode of one of its alarms.
    Joined(Joined),
    /// A member goes on in a call-out of its own kin.
    Left {
        /// The episode.
        episode: Seq,
    },
    /// A member stands again: the same trouble, within `settle`.
    CameBack {
        /// The member's alarm.
        alarm: String,
        /// The episode, perhaps a new one.
        episode: Seq,
    },
    /// A member got worse.
    Worsened {
        /// The episode.
        episode: Seq,
    },
    /// A member's condition went.
    Returned {
        /// The episode.
        episode: Seq,
        /// It latches and waits for a person.
        latched: bool,
    },
    /// A person put a member aside.
    PutAside {
        /// The episode.
        episode: Seq,
        /// Who.
        by: By,
    },
    /// A member's stopgap waits, or waits no more, for a person to switch it back.
    Hand {
        /// The episode.
        episode: Seq,
        /// It waits.
        awaited: bool,
    },
    /// A member that was listed only will count as raised anew, unless its cause comes back.
    Anew {
        /// The episode.
        episode: Seq,
        /// After this; none to forget it.
        after: Option<Span>,
    },
    /// It does.
    RaisedAnew {
        /// The episode.
        episode: Seq,
    },
    /// Nobody is called for a time.
    Held {
        /// For how long.
        length: Span,
        /// What it waits for.
        by: Hold,
    },
    /// A ladder is climbed for a rank, from this rung on.
    Began {
        /// The ladder.
        ladder: String,
        /// The rank.
        rank: Priority,
        /// The rung that comes next.
        rung: u32,
        /// The ladder's times count from so long ago.
        ago: Span,
        /// The rung is due after this.
        due: Span,
    },
    /// Ladders go on where they were.
    GoesOn,
    /// A rung was taken.
    Rung {
        /// The ladder.
        ladder: String,
        /// The rank it is climbed for.
        rank: Priority,
        /// Which; from the ladder's length on, a repeat.
        rung: u32,
        /// The ladder's last, so that repeats are known as such.
        last: u32,
        /// Whom it tells.
        to: Vec<Target>,
        /// The next one is due after this.
        next: Span,
    },
    /// Members that nobody was told of go with the next page, at the latest after this.
    NewsDue {
        /// How long it may wait.
        within: Span,
    },
    /// They went.
    NewsTold,
    /// A person pressed "next" on the last rung, and hears again after this if nobody answers.
    Pressed {
        /// Who.
        by: By,
        /// When they hear again; none to forget it.
        again: Option<Span>,
    },
    /// A person answered.
    Answered {
        /// Who.
        by: By,
        /// How long it holds.
        lease: Span,
        /// The highest rank that it covers.
        rank: Priority,
    },
    /// A person answered for one member of a mass.
    AnsweredOne {
        /// The episode.
        episode: Seq,
        /// Who.
        by: By,
        /// How long it holds.
        lease: Span,
    },
    /// Whoever answered last is asked alone.
    Asks {
        /// For how long.
        renew: Span,
        /// The highest rank that still stands.
        rank: Priority,
        /// By which ways.
        to: Vec<Target>,
    },
    /// A page went to a target.
    Told {
        /// Whom.
        target: Target,
        /// What it says.
        message: Message,
        /// The rank for which it went.
        rank: Priority,
        /// The episode that it leads with.
        about: Option<Seq>,
    },
    /// What is known of the last page to a target.
    Page {
        /// Whom.
        target: Target,
        /// How it fared.
        fate: Fate,
    },
    /// The watch began again; a rung that is due waits until it has listened once.
    Started,
    /// A drill waits for a real call-out, or waits no more.
    Waits {
        /// It waits.
        waits: bool,
    },
    /// It is over.
    Ended,
}

/// A new member.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Joined {
    /// The alarm.
    pub alarm: String,
    /// The episode.
    pub episode: Seq,
    /// The tank or the site.
    pub place: String,
    /// Its priority.
    pub rank: Priority,
    /// The `[callout.NAME]` that it names.
    pub ladder: String,
    /// It was raised twice within three hours.
    pub flickers: bool,
    /// It goes with others' pages only.
    pub listed: bool,
}

/// How a page fared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    /// The next hop took it.
    Taken,
    /// Not now, perhaps later.
    Waits,
    /// Not this way, and it certainly did not arrive.
    Lost,
    /// Not this way, and it may have arrived.
    Doubtful,
}

/// What a page is for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Message {
    /// Someone is needed.
    Call,
    /// Whoever answered: is it still in hand?
    Ask,
    /// This person has answered; no more is wanted.
    Taken(By),
    /// This person has put aside all that stood.
    PutAside(By),
    /// Nothing stands any more.
    AllClear,
    /// What quiet hours held and is over by now.
    Morning,
    /// There is nobody after you.
    NobodyElse,
    /// A test of the call-out.
    Drill,
    /// A siren has sounded for long enough, or for nothing any more.
    Hush,
}

impl Message {
    /// Whether it asks for help, so that whoever gets it counts as told.
    pub fn asks(&self) -> bool {
        match self {
            Self::Call | Self::Ask | Self::Morning | Self::Drill => true,
            Self::Taken(_) | Self::PutAside(_) | Self::AllClear | Self::NobodyElse | Self::Hush => false,
        }
    }
}

/// A page that is wanted.
#[derive(Clone, Debug, PartialEq)]
pub struct Tell {
    /// Whom.
    pub target: Target,
    /// What for.
    pub message: Message,
    /// What sends it.
    pub lead: Lead,
    /// The episode that it leads with, as of now: see [`CallOut::headline`](super::state::CallOut::headline).
    pub about: Option<Seq>,
    /// The highest rank that is asked for.
    pub rank: Priority,
}

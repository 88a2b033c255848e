//! What a call-out changes by: small changes, each of which is kept, and by which alone its state
//! is restored. They hold names and spans, no indices and no moments, so that a journal of last
//! year restores the same state on a board whose clock began anew. A form to be stored, which only
//! grows.

use super::{By, Seq};
use crate::alarm::Priority;
use crate::ids::Target;
use crate::time::Span;
use serde::{Deserialize, Serialize};
use std::fmt;

/// One change.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "change", rename_all = "kebab-case")]
pub enum CallChange {
    /// It begins, for this; its further changes are kept one by one.
    Kind {
        /// What for.
        kind: CallKind,
    },
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
        /// It was raised twice within three hours.
        #[serde(default)]
        flickers: bool,
        /// It got worse before, and nobody has answered since.
        #[serde(default)]
        worse: bool,
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
        by: HeldBy,
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
        message: CallMessage,
        /// The rank for which it went.
        rank: Priority,
        /// The episode that it leads with.
        about: Option<Seq>,
        /// What sends it, if that is not the episode itself.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        news: Option<CallNews>,
    },
    /// What is known of the last page to a target.
    Page {
        /// Whom.
        target: Target,
        /// How it fared.
        fate: PageFate,
    },
    /// The watch began again; a rung that is due waits until it has listened once. Said by the
    /// record of that.
    Started,
    /// A drill waits for a real call-out or for the clock, or waits no more.
    Waits {
        /// It waits.
        waits: bool,
        /// For a clock that can be trusted.
        #[serde(default)]
        for_clock: bool,
    },
    /// It is over. Said by the record of that.
    Ended,
}

/// A new member.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
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
    /// It is a loss of sight: no siren sounds for it.
    #[serde(default)]
    pub sight: bool,
    /// It got worse before, and nobody has answered since.
    #[serde(default)]
    pub worse: bool,
}

/// What a call-out is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CallKind {
    /// A cause and what follows from it.
    Cause,
    /// Many at once, of one ladder, whose causes are not known to be one.
    Mass,
    /// Several that quiet hours hold, told in one page in the morning. Something that can't wait
    /// takes only its kin out of it.
    Digest,
    /// A test.
    Drill,
}

/// What a held call-out waits for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HeldBy {
    /// A cause that is about to be raised.
    Cause,
    /// The end of the quiet hours.
    Quiet,
    /// What can't be seen to come back: a loss of sight alone is no danger yet.
    Sight,
}

/// How a page fared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PageFate {
    /// The next hop took it.
    Taken,
    /// Not now, perhaps later.
    Waits,
    /// Not this way, and it certainly did not arrive.
    Lost,
    /// Not this way, and it may have arrived.
    Doubtful,
}

/// What sends a page beside what is raised, gets worse or falls due.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CallNews {
    /// A stopgap has lost its proof, is not proved, or does not obey.
    Stopgap,
    /// The watch's own power ends.
    Dark,
    /// Nobody else can be called, and nobody has answered.
    NobodyElse,
}

/// What a page is for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CallMessage {
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

impl CallMessage {
    /// Whether it asks for help, so that whoever gets it counts as told.
    pub fn asks(&self) -> bool {
        match self {
            Self::Call | Self::Ask | Self::Morning | Self::Drill => true,
            Self::Taken(_) | Self::PutAside(_) | Self::AllClear | Self::NobodyElse | Self::Hush => false,
        }
    }
}

impl fmt::Display for CallMessage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Call => "Call",
            Self::Ask => "Ask",
            Self::Taken(_) => "Taken",
            Self::PutAside(_) => "PutAside",
            Self::AllClear => "AllClear",
            Self::Morning => "Morning",
            Self::NobodyElse => "NobodyElse",
            Self::Drill => "Drill",
            Self::Hush => "Hush",
        })
    }
}

impl fmt::Display for CallChange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Kind { kind } => f.write_str(match kind {
                CallKind::Cause => "about one cause",
                CallKind::Mass => "many at once",
                CallKind::Digest => "for the morning",
                CallKind::Drill => "a test",
            }),
            Self::Joined(Joined { alarm, rank, ladder, .. }) => write!(f, "{alarm}, {rank}, by {ladder}"),
            Self::Left { episode } => write!(f, "episode {episode} goes on with its kin"),
            Self::CameBack { alarm, .. } => write!(f, "{alarm} is back"),
            Self::Worsened { episode } => write!(f, "episode {episode} got worse"),
            Self::Returned { episode, latched: true } => write!(f, "episode {episode} is over and latched"),
            Self::Returned { episode, latched: false } => write!(f, "episode {episode} is over"),
            Self::PutAside { episode, by } => write!(f, "episode {episode} was put aside by {by}"),
            Self::Hand { episode, awaited: true } => write!(f, "episode {episode} waits for a person's hand"),
            Self::Hand { episode, awaited: false } => write!(f, "a person's hand was at episode {episode}"),
            Self::Anew { episode, after: Some(after) } => {
                write!(f, "episode {episode} counts as raised anew in {after}, its cause is over")
            }
            Self::Anew { episode, after: None } => write!(f, "the cause of episode {episode} is back"),
            Self::RaisedAnew { episode } => write!(f, "episode {episode} counts as raised anew"),
            Self::Held { length, by: HeldBy::Cause } => write!(f, "waits {length} for a cause"),
            Self::Held { length, by: HeldBy::Sight } => write!(f, "waits {length} for sight to come back"),
            Self::Held { length, by: HeldBy::Quiet } => write!(f, "held for {length}, until quiet hours end"),
            Self::Began { ladder, rank, rung, due, .. } => {
                write!(f, "step {} of {ladder} for what is {rank}, in {due}", rung.saturating_add(1))
            }
            Self::GoesOn => f.write_str("goes on"),
            Self::Rung { ladder, rung, next, .. } => {
                write!(f, "step {} of {ladder}, the next in {next}", rung.saturating_add(1))
            }
            Self::NewsDue { within } => write!(f, "those told hear of the rest within {within}"),
            Self::NewsTold => f.write_str("those told have heard of the rest"),
            Self::Pressed { by, again: Some(_) } => {
                write!(f, "{by} wants the next person, and there is none")
            }
            Self::Pressed { by, again: None } => write!(f, "{by} has heard again that there is nobody else"),
            Self::Answered { by, lease, .. } => write!(f, "{by} takes care of it for {lease}"),
            Self::AnsweredOne { episode, by, lease } => {
                write!(f, "{by} takes care of episode {episode} for {lease}")
            }
            Self::Asks { renew, to, .. } => {
                let to: Vec<String> = to.iter().map(Target::to_string).collect();
                write!(f, "{} asked alone for {renew}", to.join(", "))
            }
            Self::Told { target, message, .. } => write!(f, "{target} is told ({message})"),
            Self::Page { target, fate } => write!(f, "the page to {target}: {fate:?}"),
            Self::Started => f.write_str("goes on in a new life of the watch"),
            Self::Ended => f.write_str("is over"),
            Self::Waits { waits: true, for_clock: false } => {
                f.write_str("the test waits: a real call-out runs")
            }
            Self::Waits { waits: true, for_clock: true } => {
                f.write_str("the test waits: the clock is not trusted, so nobody's hours are known")
            }
            Self::Waits { waits: false, .. } => f.write_str("the test goes on"),
        }
    }
}

//! What a record says of a call-out that people need not read: the small changes by which its state
//! is restored. The core's own types have no form to be stored in; this is theirs, and it only grows.

use super::{By, Seq};
use crate::alarm::Priority;
use crate::time::Span;
use serde::{Deserialize, Serialize};
use std::fmt;

/// What a call-out is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CallKind {
    /// A cause and what follows from it.
    Cause,
    /// Many at once.
    Mass,
    /// What quiet hours hold.
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
}

/// How a page fared, as far as its call-out cares.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PageFate {
    /// The next hop took it.
    Taken,
    /// Not now, perhaps later.
    Waits,
    /// Certainly not arrived.
    Lost,
    /// Perhaps arrived.
    Doubtful,
}

/// What a page of a call-out was for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CallMessage {
    /// Someone is needed.
    Call,
    /// Whoever answered: is it still in hand?
    Ask,
    /// Somebody has answered.
    Taken,
    /// Somebody has put it aside.
    PutAside,
    /// Nothing stands any more.
    AllClear,
    /// What quiet hours held.
    Morning,
    /// There is nobody after you.
    NobodyElse,
    /// A test.
    Drill,
    /// A siren is to be silent.
    Hush,
}

/// One change.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "change", rename_all = "kebab-case")]
pub enum CallChange {
    /// It began, for this; its further changes are kept one by one.
    Kind {
        /// What for.
        kind: CallKind,
    },
    /// An episode became part of it.
    Joined {
        /// The alarm.
        alarm: String,
        /// The episode.
        episode: Seq,
        /// Its priority.
        rank: Priority,
        /// The call-out of the rule file that its alarm names.
        ladder: String,
        /// It was raised twice within three hours.
        flickers: bool,
        /// It goes with others' pages only.
        listed: bool,
    },
    /// A rung was taken.
    Rung {
        /// The ladder.
        ladder: String,
        /// For this rank.
        rank: Priority,
        /// Which; past the last, a repeat.
        rung: u32,
        /// The ladder's last.
        last: u32,
        /// Whom it tells: `ines.push`.
        to: Vec<String>,
        /// The next one is due after this.
        next: Span,
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
    /// A page is wanted.
    Told {
        /// To whom.
        target: String,
        /// What for.
        message: CallMessage,
        /// The rank for which it goes.
        rank: Priority,
        /// The episode that it leads with.
        about: Option<Seq>,
    },
    /// An episode goes on in a call-out of its own kin.
    Left {
        /// The episode.
        episode: Seq,
    },
    /// A member stands again.
    CameBack {
        /// Its alarm.
        alarm: String,
        /// The episode, perhaps a new one.
        episode: Seq,
    },
    /// It got worse.
    Worsened {
        /// The episode.
        episode: Seq,
    },
    /// Its condition went.
    Returned {
        /// The episode.
        episode: Seq,
        /// It latches and waits for a person.
        latched: bool,
    },
    /// A person put it aside.
    PutAside {
        /// The episode.
        episode: Seq,
        /// Who.
        by: By,
    },
    /// Its stopgap waits, or waits no more, for a person to switch it back.
    Hand {
        /// The episode.
        episode: Seq,
        /// It waits.
        awaited: bool,
    },
    /// Its cause returned: it will count as raised anew.
    Anew {
        /// The episode.
        episode: Seq,
        /// After this; none if its cause came back.
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
    /// A ladder is climbed from this rung on.
    Began {
        /// The ladder.
        ladder: String,
        /// For this rank.
        rank: Priority,
        /// The rung that comes next.
        rung: u32,
        /// Its times count from so long ago.
        ago: Span,
        /// The rung is due after this.
        due: Span,
    },
    /// Its ladders go on where they were.
    GoesOn,
    /// What nobody was told of goes with the next page, at the latest after this.
    NewsDue {
        /// How long it may wait.
        within: Span,
    },
    /// It went.
    NewsTold,
    /// A person pressed "next" on the last rung.
    Pressed {
        /// Who.
        by: By,
        /// They hear again after this; none if they have.
        again: Option<Span>,
    },
    /// A person answered for one member of a mass or a digest.
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
        /// By which ways: `ines.push`.
        to: Vec<String>,
    },
    /// A page did not go through, as far as is known.
    Page {
        /// To whom.
        target: String,
        /// How it fared.
        fate: PageFate,
    },
    /// A drill waits for a real call-out, or waits no more.
    Waits {
        /// It waits.
        waits: bool,
    },
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
            Self::Joined { alarm, rank, ladder, .. } => write!(f, "{alarm}, {rank}, by {ladder}"),
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
            Self::Asks { renew, to, .. } => write!(f, "{} asked alone for {renew}", to.join(", ")),
            Self::Told { target, message, .. } => write!(f, "{target} is told ({message:?})"),
            Self::Page { target, fate } => write!(f, "the page to {target}: {fate:?}"),
            Self::Waits { waits: true } => f.write_str("the test waits for a real call-out"),
            Self::Waits { waits: false } => f.write_str("the test goes on"),
        }
    }
}

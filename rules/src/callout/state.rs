//! One call-out: about one cause, with its members, the ladders it climbs, the answer that holds,
//! and who was told. Read-only here: [`apply`](super::apply) changes it, [`decide`](super::decide)
//! says how. What nobody answers for a month stays small: one member an alarm, one entry a channel,
//! the last few tellings and a count.

use super::ladder::Climb;
use super::member::Member;
use super::members::Members;
use super::table::Stage;
use crate::alarm::Priority;
use crate::plan::Target;
use crate::record::{By, CallKind, CallMessage, CallNews, HeldBy, Joined, PageFate, Seq};
use crate::time::{Moment, Span};
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// How many of the latest tellings are kept one by one.
pub const TELLINGS: usize = 8;
/// A flickering cause must be quiet for this long before its all-clear.
pub const FLICKER_SETTLE: Span = Span::minutes(60);
/// What was listed for something critical goes to those told so far within this.
pub const NEWS_WITHIN: Span = Span::minutes(5);
/// Whoever pressed "next" on the last rung hears again after this.
pub const PRESSED_AGAIN: Span = Span::minutes(10);
/// No critical member waits longer than this for its cause.
pub const LONGEST_HOLD: Span = Span::seconds(60);
/// After a start a rung that is due waits no longer than this for the first readings.
pub const LISTEN_WITHIN: Span = Span::seconds(60);
/// Starts so soon after one another are those of a watch that keeps falling over: they wait once.
pub const CRASH_LOOP: Span = Span::minutes(5);
/// While nothing stands, ladders stand still; that of something critical for no longer than this.
pub const STANDS_STILL: Span = Span::minutes(5);

/// A call-out.
#[derive(Clone, Debug, PartialEq)]
pub struct CallOut {
    /// Its number.
    pub id: Seq,
    /// What it is for.
    pub kind: CallKind,
    /// Answers it as a whole.
    pub code: String,
    /// When it began.
    pub begun: Moment,
    /// What it does.
    pub phase: Phase,
    /// Nothing in it has stood since then; its phase waits as it was.
    pub settling: Option<Moment>,
    /// What it is about, in the order in which it joined.
    pub members: Members,
    /// The ladders it climbs, or climbed before something worse or milder counted.
    pub climbs: Vec<Climb>,
    /// The latest answer.
    pub answer: Option<Answer>,
    /// How many answers were given.
    pub answers: u32,
    /// Everyone told so far.
    pub told: BTreeMap<Target, Told>,
    /// The latest tellings, the oldest first.
    pub tellings: VecDeque<(Target, Moment)>,
    /// How many there were before those.
    pub before: u32,
    /// Members that nobody was told of go with the next page.
    pub news: Option<News>,
    /// Somebody pressed "next" on the last rung.
    pub pressed: Option<(By, Moment)>,
    /// The watch began then, and has not listened since.
    pub unheard: Option<Moment>,
    /// The latest start of the watch.
    pub started: Option<Moment>,
    /// A drill waits for a real call-out since then.
    pub waits: Option<Moment>,
}

/// What a call-out does, as long as something stands.
#[derive(Clone, Debug, PartialEq)]
pub enum Phase {
    /// Nobody is called yet.
    Held {
        /// Until then.
        until: Moment,
        /// What for.
        by: HeldBy,
    },
    /// Rung after rung is told.
    Climbing,
    /// Somebody takes care of it.
    Answered {
        /// Until then.
        until: Moment,
    },
    /// Whoever answered last is asked alone.
    Asking {
        /// Until then.
        until: Moment,
        /// The ways of asking that are not known to have failed.
        open: BTreeSet<Target>,
    },
    /// It is over.
    Over,
}

/// An answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Answer {
    /// Who.
    pub by: By,
    /// When.
    pub at: Moment,
    /// The highest rank that it covers; once its lease has ended, the highest that stood then.
    pub rank: Priority,
}

/// Members that go with the next page.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct News {
    /// Pages since then name them.
    pub since: Moment,
    /// Whoever has had no page by then gets one.
    pub due: Moment,
}

/// What one target was told.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    /// First.
    pub first: Moment,
    /// Last.
    pub last: Moment,
    /// Last by something that asks: a siren is told to be silent between two of those.
    pub asked: Moment,
    /// How often.
    pub times: u32,
    /// The rank for which it was told last.
    pub rank: Priority,
    /// What the last page was for.
    pub message: CallMessage,
    /// The episode that it leads with.
    pub about: Option<Seq>,
    /// What sent it, if that was not the episode itself.
    pub news: Option<CallNews>,
    /// How the last page fared, as far as is known.
    pub fate: Option<PageFate>,
    /// Some page may have reached it.
    pub reached: bool,
    /// One before the last may have.
    pub reached_before: bool,
}

impl CallOut {
    /// A new one without members: what it does first is the next change.
    pub fn new(id: Seq, kind: CallKind, code: String, begun: Moment) -> Self {
        Self {
            id,
            kind,
            code,
            begun,
            phase: Phase::Climbing,
            settling: None,
            members: Members::default(),
            climbs: Vec::new(),
            answer: None,
            answers: 0,
            told: BTreeMap::new(),
            tellings: VecDeque::new(),
            before: 0,
            news: None,
            pressed: None,
            unheard: None,
            started: None,
            waits: None,
        }
    }

    /// Where it is in the table of events.
    pub fn stage(&self) -> Stage {
        match (&self.phase, self.settling) {
            (Phase::Over, _) => Stage::Over,
            (_, Some(_)) if self.waits_for_morning() => Stage::Held,
            (_, Some(_)) => Stage::Settling,
            _ => self.stage_before(),
        }
    }

    /// Where it is, or was before nothing stood any more.
    pub fn stage_before(&self) -> Stage {
        match &self.phase {
            Phase::Held { .. } => Stage::Held,
            Phase::Climbing => Stage::Climbing,
            Phase::Answered { .. } => Stage::Answered,
            Phase::Asking { .. } => Stage::Asking,
            Phase::Over => Stage::Over,
        }
    }

    /// The member with this episode.
    pub fn member(&self, episode: Seq) -> Option<&Member> {
        self.members.of_episode(episode)
    }

    /// Whether anything in it stands.
    pub fn stands(&self) -> bool {
        self.members.stand()
    }

    /// The highest rank for which people are to be asked now; none if nothing calls.
    pub fn standing_rank(&self, now: Moment) -> Option<Priority> {
        self.members.calling_rank(now)
    }

    /// The highest rank that a siren may sound for: of what stands, but for lost sight.
    pub fn sounding_rank(&self, now: Moment) -> Option<Priority> {
        self.members.calling_rank_seen(now)
    }

    /// The rank that an event is held against: of what stands, or of what the answer covered.
    pub fn asked_rank(&self, now: Moment) -> Option<Priority> {
        match (&self.phase, &self.answer) {
            (Phase::Answered { .. } | Phase::Asking { .. }, Some(answer)) => Some(answer.rank),
            _ => self.standing_rank(now),
        }
    }

    /// The ladders of the members for which people are to be asked now, and their rank.
    pub fn asked_ladders(&self, now: Moment) -> Option<(Priority, BTreeSet<String>)> {
        let rank = self.standing_rank(now)?;
        Some((rank, self.members.calling_ladders(rank, now)))
    }

    /// The climb of a ladder for a rank.
    pub fn climb(&self, ladder: &str, rank: Priority) -> Option<&Climb> {
        self.climbs.iter().find(|climb| climb.ladder == ladder && climb.rank == rank)
    }

    /// The climbs whose rungs count now: those of the asked ladders; all of a drill.
    pub fn active(&self, now: Moment) -> Vec<&Climb> {
        if self.kind == CallKind::Drill {
            return self.climbs.iter().collect();
        }
        let Some((rank, ladders)) = self.asked_ladders(now) else { return Vec::new() };
        self.climbs.iter().filter(|climb| climb.rank == rank && ladders.contains(&climb.ladder)).collect()
    }

    /// The last rung of a ladder that was taken for this rank, or else for any.
    pub fn reached(&self, ladder: &str, rank: Priority) -> Option<u32> {
        let any =
            || self.climbs.iter().filter(|climb| climb.ladder == ladder).filter_map(|climb| climb.reached);
        self.climb(ladder, rank).and_then(|climb| climb.reached).or_else(|| any().max())
    }

    /// Everyone who was asked and whom a page may have reached, or may still reach.
    pub fn told_so_far(&self) -> impl Iterator<Item = &Target> {
        let may_be = |told: &Told| told.reached || told.fate == Some(PageFate::Waits);
        self.told.iter().filter(move |(_, told)| may_be(told)).map(|(target, _)| target)
    }

    /// Everyone whom a page may have reached.
    pub fn reached_so_far(&self) -> impl Iterator<Item = &Target> {
        self.told.iter().filter(|(_, told)| told.reached).map(|(target, _)| target)
    }

    /// Whether whoever answered still holds it.
    pub fn answerer(&self) -> Option<&By> {
        match self.phase {
            Phase::Answered { .. } | Phase::Asking { .. } => self.answer.as_ref().map(|answer| &answer.by),
            Phase::Held { .. } | Phase::Climbing | Phase::Over => None,
        }
    }

    /// Whether it holds several things for the same morning, and more may join.
    pub fn is_held_digest(&self) -> bool {
        self.kind == CallKind::Digest && matches!(self.phase, Phase::Held { by: HeldBy::Quiet, .. })
    }

    /// Whether it tells of several things that could wait, and this newcomer, which can't, takes
    /// its kin out of it: it ranks above what people are asked for, or nobody is asked yet.
    pub fn lets_kin_go_with(&self, joined: &Joined, now: Moment) -> bool {
        let ranks_above = self.asked_rank(now).is_none_or(|asked| joined.rank > asked);
        self.kind == CallKind::Digest
            && (self.is_held_digest() || ranks_above)
            && self.members.of_alarm(&joined.alarm).is_none()
    }

    /// Whether a page that asks for help is still of use: somebody is being asked.
    pub fn is_asking(&self) -> bool {
        self.settling.is_none() && matches!(self.phase, Phase::Climbing | Phase::Asking { .. })
    }
}

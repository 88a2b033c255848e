//! What a call-out can hear: what its alarms, relays and people do, and the times that it set
//! itself. [`CallOut::pending`] says which of those times comes next, so that nothing else in the
//! program keeps a clock for a call-out.

use super::facts::Facts;
use super::ladder::Climb;
use super::quiet;
use super::state::{CallOut, FLICKER_SETTLE, LISTEN_WITHIN, Phase};
use crate::alarm::Priority;
use crate::plan::Target;
use crate::record::{By, CallKind, HeldBy, Joined, PageFate, Seq};
use crate::time::{Moment, Span};

/// All rungs go this long before the watch's own power may end, and no answer holds longer.
pub const BEFORE_DARK: Span = Span::minutes(10);

/// One event.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// An alarm was raised that belongs to this call-out.
    Raised(Joined),
    /// Members of a digest go on in another call-out, with something of their kin that can't wait:
    /// all of them at once, so that one that is empty then is over without a word.
    Left(Vec<Seq>),
    /// `worse` turned true.
    Worse(Seq),
    /// A condition went.
    Returned {
        /// The episode.
        episode: Seq,
        /// Its alarm latches, and nobody has answered.
        latched: bool,
    },
    /// A person, or work that a person began, put an alarm aside.
    PutAside {
        /// The episode.
        episode: Seq,
        /// Who.
        by: By,
    },
    /// A stopgap that took energy away waits, or waits no more, for a person to switch it back.
    Hand {
        /// The episode.
        episode: Seq,
        /// It waits.
        awaited: bool,
    },
    /// A stopgap lost its proof, or is not proved after its last try.
    Unproved(Seq),
    /// A relay told to take energy away is seen not to obey.
    Disobeyed(Seq),
    /// A person answered.
    Answered {
        /// Who.
        by: By,
        /// The time they named, if any.
        named: Option<Span>,
        /// In a mass: this member only, whose own code they used.
        only: Option<Seq>,
    },
    /// A person wants the next one called.
    Next {
        /// Who.
        by: By,
    },
    /// It is known how a page fared.
    Page {
        /// To whom it went.
        target: Target,
        /// How.
        fate: PageFate,
    },
    /// The watch's own power is about to end.
    GoesDark,
    /// The watch began again.
    Started,
    /// A reload drops a member, or its ladder.
    Dropped {
        /// The episode.
        episode: Seq,
        /// A person insists.
        forced: bool,
        /// Who.
        by: By,
    },
    /// This drill has to wait: a real call-out runs, or nobody's hours are known.
    DrillWaits {
        /// For a clock that can be trusted.
        for_clock: bool,
    },
    /// What this drill waited for is over.
    DrillGoesOn,
    /// A time of the call-out's own.
    Time(Time),
}

/// A time that a call-out set itself.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Time {
    /// The hold for a cause is over.
    HoldOver,
    /// The quiet hours are over.
    QuietOver,
    /// The lease ends.
    LeaseEnded,
    /// Whoever was asked has not said a word.
    Unrenewed,
    /// Nothing has stood for long enough.
    Settled,
    /// A member counts as raised anew.
    Anew(Seq),
    /// Whoever pressed "next" on the last rung hears again; before a rung of the same moment, whose
    /// page then says so.
    Pressed,
    /// A rung is due.
    Rung {
        /// Of this ladder.
        ladder: String,
        /// Climbed for this rank.
        rank: Priority,
    },
    /// What was listed must be said by now.
    News,
    /// A siren has sounded for as long as one rung allows.
    Sirens,
}

impl CallOut {
    /// The next of its own times, and when; a moment that has passed is due now.
    pub fn pending(&self, facts: &dyn Facts, now: Moment) -> Option<(Moment, Time)> {
        if self.waits.is_some() {
            return None;
        }
        let mut times: Vec<(Moment, Time)> = Vec::new();
        match (&self.phase, self.settling) {
            (Phase::Over, _) => {}
            (Phase::Held { until, by: HeldBy::Quiet }, None) => {
                let holds = quiet::held_until(self, facts, now).is_some();
                times.push((if holds { *until } else { (*until).min(now) }, Time::QuietOver));
            }
            (Phase::Held { until, by: HeldBy::Quiet }, Some(_)) if self.waits_for_morning() => {
                times.push((*until, Time::QuietOver));
            }
            (_, Some(since)) => times.push((self.settled_at(since, facts), Time::Settled)),
            (Phase::Held { until, by: HeldBy::Cause | HeldBy::Sight }, None) => {
                times.push((*until, Time::HoldOver))
            }
            (Phase::Answered { until }, None) => times.push((*until, Time::LeaseEnded)),
            (Phase::Asking { until, .. }, None) => times.push((*until, Time::Unrenewed)),
            (Phase::Climbing, None) => times.extend(self.active(now).into_iter().filter_map(|climb| {
                let due = self.rung_due(climb, facts.ladder(&climb.ladder)?.len(), facts);
                Some((due, Time::Rung { ladder: climb.ladder.clone(), rank: climb.rank }))
            })),
        }
        if self.settling.is_none() && self.phase != Phase::Over {
            let any = self.members.any_anew() || self.members.any_own_answer();
            let standing = self.members.iter().filter(|member| any && member.stands());
            times.extend(standing.flat_map(|member| {
                let at = [member.anew, member.own_answer_until()].into_iter().flatten();
                at.map(|at| (at, Time::Anew(member.episode)))
            }));
            if self.phase == Phase::Climbing {
                times.extend(self.news.map(|news| (news.due, Time::News)));
                times.extend(self.pressed.as_ref().map(|(_, due)| (*due, Time::Pressed)));
            }
        }
        let sounding = self.told.iter().filter(|(_, told)| told.message.asks());
        let sirens = sounding.filter(|(target, _)| target.contact.is_none());
        times.extend(sirens.map(|(target, told)| (told.last + facts.siren(target).a_rung, Time::Sirens)));
        // Of what is due now, which has waited for longer is no matter: what counts as raised anew
        // begins anew, whatever its ladder had come to before it was answered for alone.
        times.into_iter().map(|(at, time)| (at.max(now), time)).min()
    }

    /// When a climb's next rung is told: its time; before the watch goes dark, unless it is a
    /// repeat; and after the watch has listened once.
    fn rung_due(&self, climb: &Climb, rungs: u32, facts: &dyn Facts) -> Moment {
        let dark =
            facts.dark_from().filter(|_| climb.repeat(rungs).is_none() && self.kind != CallKind::Drill);
        let due = dark.map_or(climb.due, |dark| climb.due.min(dark - BEFORE_DARK));
        self.listens_until(facts).map_or(due, |heard| due.max(heard))
    }

    /// Until when it waits for the watch to have listened once after a start.
    fn listens_until(&self, facts: &dyn Facts) -> Option<Moment> {
        self.unheard.filter(|_| !facts.has_listened()).map(|since| since + LISTEN_WITHIN)
    }

    /// When it is over, if nothing has stood since then: not while what returned is true again and
    /// waits out its on-delay, nor before the watch has listened once.
    fn settled_at(&self, since: Moment, facts: &dyn Facts) -> Moment {
        let again = self.members.iter().filter_map(|member| facts.about_to_raise(&member.alarm)).max();
        let waits = again.into_iter().chain(self.listens_until(facts));
        waits.fold(since + self.settle(facts), Moment::max)
    }

    /// How long nothing must stand before the all-clear.
    pub fn settle(&self, facts: &dyn Facts) -> Span {
        let of = |ladder: &str| facts.ladder(ladder).map_or(Span::ZERO, |ladder| ladder.settle);
        let usual = self.members.ladders().map(of).max().unwrap_or(Span::ZERO);
        if self.members.any_flickers() { usual.max(FLICKER_SETTLE) } else { usual }
    }

    /// Whether it is over, was held, and nobody was told: it goes into the morning's page.
    pub fn waits_for_morning(&self) -> bool {
        let quiet = matches!(self.phase, Phase::Held { by: HeldBy::Quiet, .. });
        quiet && self.told_so_far().all(|target| target.contact.is_none())
    }
}

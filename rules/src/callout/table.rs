//! The one table of a call-out: what each thing that can happen means in each stage. It is total,
//! and nothing else in the crate decides it. [`decide`](super::decide) finds out which row an event
//! is, and carries out the move that the table names.

/// Where a call-out is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Stage {
    /// Nobody is called yet: a cause is about to be raised, or it is night and can wait.
    Held,
    /// Rung after rung is told.
    Climbing,
    /// Somebody takes care of it.
    Answered,
    /// Whoever answered last is asked alone.
    Asking,
    /// Nothing stands; it may come back.
    Settling,
    /// It is over.
    Over,
}

/// What can happen to a call-out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Row {
    /// A member comes back within `settle`, and nobody was told that it had ended.
    CameBack,
    /// A relay told to take energy away is seen not to obey.
    Disobeyed,
    /// A stopgap loses its proof, or is not proved after its last try.
    Unproved,
    /// A member above the asked rank.
    Above,
    /// A critical member at the asked rank.
    CriticalToo {
        /// Its ladder is none of those being climbed.
        other_ladder: bool,
        /// It is `expected` with a cause that stands here.
        expected: bool,
    },
    /// A member at the asked rank, not critical, or below.
    Milder,
    /// A loss of sight, at the asked rank or below and above low, that hides a standing member.
    Hides,
    /// `worse` turns true.
    Worse {
        /// For a member at or above the asked rank, or critical.
        matters: bool,
    },
    /// A cause returns, and something listed or expected because of it still stands.
    CauseReturned,
    /// The highest rank falls.
    RankFell,
    /// A person answers.
    Answer,
    /// A person says "next person now".
    Next {
        /// All rungs have been taken.
        at_last: bool,
    },
    /// A rung falls due.
    RungDue,
    /// All pages of a rung fail.
    RungFailed {
        /// It was the ladder's last.
        at_last: bool,
    },
    /// The lease ends.
    LeaseEnded {
        /// Quiet hours hold all that is left.
        only_quiet: bool,
    },
    /// `renew` ends without a word, or whoever answered can't be asked.
    Unrenewed,
    /// The cause that a held member waits for is raised, or has not come in time.
    HoldOver,
    /// Quiet hours end.
    QuietOver {
        /// Something still stands.
        stands: bool,
    },
    /// The last standing member is put aside by a person.
    LastPutAside,
    /// Nothing stands.
    NothingStands {
        /// It was held for the morning, and nobody was told.
        waits_for_morning: bool,
    },
    /// Nothing has stood for `settle`.
    Settled,
    /// A latched member returns to normal.
    LatchedReturned {
        /// It stood when the answer was given.
        answered: bool,
    },
    /// The watch starts.
    Started,
    /// A reload drops a ladder or a member.
    Dropped {
        /// The person insists.
        forced: bool,
    },
    /// A real call-out runs, or the clock is not trusted: this drill has to wait.
    DrillMustWait,
    /// The watch's own power is about to end.
    GoesDark,
}

/// What a call-out does then.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Move {
    /// Nothing follows.
    Nothing,
    /// It goes on where it was, without a page.
    GoesOn,
    /// The next page lists it.
    Listed,
    /// The next page lists it, and goes within five minutes to those told so far.
    ListedSoon,
    /// All rungs of all ladders, at once.
    AllRungs,
    /// A page at once to those told so far; what runs goes on.
    TellsTold,
    /// Whoever's answer holds is told at once, and the climb begins at rung 0.
    BreaksThrough,
    /// Its ladder begins at rung 0, and those told so far get the news at once.
    BeginsWithNews,
    /// Its ladder begins at rung 0.
    Begins,
    /// It counts as raised anew once its own on-delay has run.
    RaisedLater,
    /// The climb goes on at the first rung of the milder ladder that names somebody new.
    GoesOnMilder,
    /// Answered; the others who were told learn of it.
    Answers,
    /// The later answer replaces the earlier.
    Replaces,
    /// The next rung, now.
    NextRung,
    /// All rungs again, and whoever pressed is told that there is nobody else.
    AllAgain,
    /// Climbing at the rung after the last one reached.
    RungAfter,
    /// The same, and all rungs before it again in the same moment.
    RungAfterAndAllBefore,
    /// The rung's people are told.
    TellsRung,
    /// Whoever answered is asked alone.
    Asks,
    /// Held until the quiet hours end.
    Holds,
    /// Climbing from rung 0, now.
    ClimbsFromZero,
    /// Told once in the morning's page.
    TellsMorning,
    /// Those told learn by whom, and it is over without an all-clear.
    EndsPutAside,
    /// Settling.
    Settles,
    /// One all-clear to those who were told.
    AllClear,
    /// It is as it was before it settled, and the event counts there.
    StateBefore,
    /// It stands on.
    StandsOn,
    /// The answer covers it: it stands no more.
    IsCovered,
    /// As recorded; what is due waits until the watch has listened.
    Waits,
    /// The change is refused.
    Refuses,
    /// The member is put aside.
    PutsAside,
    /// The drill waits, its siren is off.
    DrillWaits,
    /// All told so far and the next rung are told that nobody is called after that.
    SaysDark,
}

impl Stage {
    /// What `row` means here.
    pub fn after(self, row: Row) -> Move {
        use Stage::{Answered, Asking, Climbing, Held, Over, Settling};
        match (self, row) {
            // What is over stays over; what was open at a start or a reload is not.
            (Over, _) => Move::Nothing,
            (_, Row::Started) => Move::Waits,
            (_, Row::Dropped { forced: false }) => Move::Refuses,
            (_, Row::Dropped { forced: true }) => Move::PutsAside,
            (_, Row::DrillMustWait) => Move::DrillWaits,

            (Settling, Row::CameBack | Row::Above | Row::CriticalToo { .. } | Row::Milder | Row::Hides) => {
                Move::StateBefore
            }
            (Settling, Row::Disobeyed) => Move::AllRungs,
            (Settling, Row::Answer) => Move::Replaces,
            (Settling, Row::Settled) => Move::AllClear,
            (
                Settling,
                Row::Unproved
                | Row::Worse { .. }
                | Row::CauseReturned
                | Row::RankFell
                | Row::Next { .. }
                | Row::RungDue
                | Row::RungFailed { .. }
                | Row::LeaseEnded { .. }
                | Row::Unrenewed
                | Row::HoldOver
                | Row::QuietOver { .. }
                | Row::LastPutAside
                | Row::NothingStands { .. }
                | Row::LatchedReturned { .. }
                | Row::GoesDark,
            ) => Move::Nothing,

            (Held | Climbing, Row::CameBack) => Move::GoesOn,
            (Answered | Asking, Row::CameBack) => Move::Listed,

            (Held | Climbing | Answered | Asking, Row::Disobeyed) => Move::AllRungs,

            (Held | Climbing, Row::Unproved) => Move::TellsTold,
            (Answered | Asking, Row::Unproved) => Move::BreaksThrough,

            (Held | Climbing, Row::Above) => Move::BeginsWithNews,
            (Answered | Asking, Row::Above) => Move::BreaksThrough,

            (Held | Climbing, Row::CriticalToo { other_ladder: true, .. }) => Move::Begins,
            (Held | Climbing, Row::CriticalToo { other_ladder: false, .. }) => Move::ListedSoon,
            (Answered | Asking, Row::CriticalToo { expected: false, .. }) => Move::BreaksThrough,
            (Answered | Asking, Row::CriticalToo { expected: true, .. }) => Move::Listed,

            (Held | Climbing | Answered | Asking, Row::Milder) => Move::Listed,

            (Held | Climbing, Row::Hides) => Move::TellsTold,
            (Answered | Asking, Row::Hides) => Move::Listed,

            (Held | Climbing, Row::Worse { matters: true }) => Move::TellsTold,
            (Answered | Asking, Row::Worse { matters: true }) => Move::BreaksThrough,
            (Held | Climbing | Answered | Asking, Row::Worse { matters: false }) => Move::Listed,

            (Held | Climbing | Answered | Asking, Row::CauseReturned) => Move::RaisedLater,

            (Held | Climbing, Row::RankFell) => Move::GoesOnMilder,
            (Answered | Asking, Row::RankFell) => Move::StandsOn,

            (Held | Climbing, Row::Answer) => Move::Answers,
            (Answered | Asking, Row::Answer) => Move::Replaces,

            (Held | Climbing, Row::Next { at_last: false }) => Move::NextRung,
            (Held | Climbing, Row::Next { at_last: true }) => Move::AllAgain,
            (Answered | Asking, Row::Next { at_last: false }) => Move::RungAfter,
            (Answered | Asking, Row::Next { at_last: true }) => Move::AllAgain,

            (Climbing, Row::RungDue) => Move::TellsRung,
            (Held | Answered | Asking, Row::RungDue) => Move::Nothing,

            (Climbing, Row::RungFailed { at_last: false }) => Move::NextRung,
            (Climbing, Row::RungFailed { at_last: true }) => Move::Nothing,
            (Asking, Row::RungFailed { .. }) => Move::RungAfterAndAllBefore,
            (Held | Answered, Row::RungFailed { .. }) => Move::Nothing,

            (Answered, Row::LeaseEnded { only_quiet: false }) => Move::Asks,
            (Answered, Row::LeaseEnded { only_quiet: true }) => Move::Holds,
            (Held | Climbing | Asking, Row::LeaseEnded { .. }) => Move::Nothing,

            (Answered | Asking, Row::Unrenewed) => Move::RungAfterAndAllBefore,
            (Held | Climbing, Row::Unrenewed) => Move::Nothing,

            (Held, Row::HoldOver) => Move::ClimbsFromZero,
            (Climbing | Answered | Asking, Row::HoldOver) => Move::Nothing,

            (Held, Row::QuietOver { stands: true }) => Move::ClimbsFromZero,
            (Held, Row::QuietOver { stands: false }) => Move::TellsMorning,
            (Climbing | Answered | Asking, Row::QuietOver { .. }) => Move::Nothing,

            (Held | Climbing | Answered | Asking, Row::LastPutAside) => Move::EndsPutAside,

            (Held, Row::NothingStands { waits_for_morning: true }) => Move::StandsOn,
            (Held | Climbing | Answered | Asking, Row::NothingStands { .. }) => Move::Settles,
            (Held | Climbing | Answered | Asking, Row::Settled) => Move::Nothing,

            (Held | Climbing, Row::LatchedReturned { .. }) => Move::StandsOn,
            (Answered | Asking, Row::LatchedReturned { answered: true }) => Move::IsCovered,
            (Answered | Asking, Row::LatchedReturned { answered: false }) => Move::StandsOn,

            (Held | Climbing | Answered | Asking, Row::GoesDark) => Move::SaysDark,
        }
    }

    /// All stages.
    pub const ALL: [Self; 6] =
        [Self::Held, Self::Climbing, Self::Answered, Self::Asking, Self::Settling, Self::Over];
}

impl Row {
    /// All rows, with every value of what they depend on.
    pub const ALL: [Self; 37] = [
        Self::CameBack,
        Self::Disobeyed,
        Self::Unproved,
        Self::Above,
        Self::CriticalToo { other_ladder: false, expected: false },
        Self::CriticalToo { other_ladder: false, expected: true },
        Self::CriticalToo { other_ladder: true, expected: false },
        Self::CriticalToo { other_ladder: true, expected: true },
        Self::Milder,
        Self::Hides,
        Self::Worse { matters: true },
        Self::Worse { matters: false },
        Self::CauseReturned,
        Self::RankFell,
        Self::Answer,
        Self::Next { at_last: false },
        Self::Next { at_last: true },
        Self::RungDue,
        Self::RungFailed { at_last: false },
        Self::RungFailed { at_last: true },
        Self::LeaseEnded { only_quiet: false },
        Self::LeaseEnded { only_quiet: true },
        Self::Unrenewed,
        Self::HoldOver,
        Self::QuietOver { stands: true },
        Self::QuietOver { stands: false },
        Self::LastPutAside,
        Self::NothingStands { waits_for_morning: false },
        Self::NothingStands { waits_for_morning: true },
        Self::Settled,
        Self::LatchedReturned { answered: false },
        Self::LatchedReturned { answered: true },
        Self::Started,
        Self::Dropped { forced: false },
        Self::Dropped { forced: true },
        Self::DrillMustWait,
        Self::GoesDark,
    ];
}

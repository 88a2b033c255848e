//! The one work queue: first in, first out. A turn takes [`PIECES`] pieces from it; what is left
//! goes on in the next turn, which is due at once, and nothing is dropped. A watch with thousands
//! of alarms raised in one moment needs some such turns, the more the larger its plan. One that
//! needs more of them in a row than its plan can cause has rules that chase each other: that is
//! told as trouble of the rules, and from then on each further turn waits for [`LOOP_PAUSE`], so
//! that the board is not used up by it and everything else still gets its turn.

// What is new has to be handled here.
#![warn(clippy::wildcard_enum_match_arm)]

use super::task::Task;
use crate::record::Record;
use crate::time::{Moment, Span};
use std::collections::{BTreeSet, VecDeque};

/// Pieces of work that one turn takes on.
pub(super) const PIECES: usize = 200;
/// So many turns in a row that leave work over are a loop, in a plan of a house.
pub(super) const LOOP: u32 = 50;
/// Pieces that one alarm, sensor or watched site can cause when all of them change in one moment: a
/// mass of a large plan is no loop. More than were seen (some ten).
const PIECES_EACH: usize = 20;
/// The wait between two turns of a loop.
pub(super) const LOOP_PAUSE: Span = Span::seconds(1);

/// What is to be done.
#[derive(Debug, Default)]
pub(super) struct Queue {
    waiting: VecDeque<Task>,
    /// Those among them that only look at what there is.
    looks: BTreeSet<(u8, u64)>,
    /// Pieces that this turn has taken.
    taken: usize,
    /// Turns in a row that left work over.
    unfinished: u32,
    /// When what is left goes on.
    due: Option<Moment>,
    /// From so many turns in a row on it is a loop; [`LOOP`] at least.
    longest: u32,
}

/// Whether the rules chase each other, as far as this turn has shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Backlog {
    /// All is done.
    Done,
    /// Something is left.
    Unfinished,
    /// Something is left again and again.
    Loop,
}

/// That the rules chase each other, in words; with what was recorded last.
pub(super) fn loop_words(turns: u32, last: Option<&Record>) -> String {
    let pieces = turns as usize * PIECES;
    let last = last.map_or_else(String::new, |record| format!(", the last: {}", record.body));
    format!(
        "alarms and relays cause each other without an end: {pieces} pieces of work in a row{last}; \
         it goes on with {PIECES} every {LOOP_PAUSE}"
    )
}

impl Queue {
    /// The queue of a plan with so many alarms, sensors and watched sites.
    pub(super) fn for_plan_of(things: usize) -> Self {
        let mut queue = Self::default();
        queue.expect(things);
        queue
    }

    /// The plan has so many alarms, sensors and watched sites.
    pub(super) fn expect(&mut self, things: usize) {
        let turns = things.saturating_mul(PIECES_EACH) / PIECES;
        self.longest = u32::try_from(turns).unwrap_or(u32::MAX);
    }

    /// From so many turns in a row that leave work over on, it is a loop.
    pub(super) fn longest(&self) -> u32 {
        self.longest.max(LOOP)
    }

    /// A turn begins.
    pub(super) fn begin(&mut self) {
        self.taken = 0;
    }

    /// Puts a task at the end. One that only looks at what there is, and waits already, is not
    /// needed twice.
    pub(super) fn push(&mut self, task: Task) {
        if look_of(&task).is_none_or(|look| self.looks.insert(look)) {
            self.waiting.push_back(task);
        }
    }

    /// Work that comes before all that waits.
    pub(super) fn push_first(&mut self, task: Task) {
        if look_of(&task).is_none_or(|look| self.looks.insert(look)) {
            self.waiting.push_front(task);
        }
    }

    /// The next piece, if there is one and this turn may take it.
    pub(super) fn take(&mut self) -> Option<Task> {
        if self.is_full() {
            return None;
        }
        let task = self.waiting.pop_front()?;
        if let Some(look) = look_of(&task) {
            self.looks.remove(&look);
        }
        self.taken += 1;
        Some(task)
    }

    /// Whether this turn takes no more.
    pub(super) fn is_full(&self) -> bool {
        self.taken >= PIECES
    }

    /// Whether nothing waits.
    pub(super) fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }

    /// A turn ends at `now`, with this deadline as the next: one that has come is a part of what is
    /// left.
    pub(super) fn end(&mut self, deadline: Option<Moment>, now: Moment) -> Backlog {
        if self.is_empty() && deadline.is_none_or(|deadline| deadline > now) {
            (self.unfinished, self.due) = (0, None);
            return Backlog::Done;
        }
        // An input that comes between two turns of a loop does not count.
        self.unfinished = self.unfinished.saturating_add(u32::from(self.is_full()));
        let is_loop = self.unfinished >= self.longest();
        self.due = Some(if is_loop { now + LOOP_PAUSE } else { now });
        if is_loop { Backlog::Loop } else { Backlog::Unfinished }
    }

    /// Whether this turn may take what an earlier one has left.
    pub(super) fn may_go_on(&self, now: Moment) -> bool {
        self.due.is_none_or(|due| due <= now)
    }

    /// When what is left goes on.
    pub(super) fn due(&self) -> Option<Moment> {
        self.due
    }

    /// Another plan comes: what names places in the old one is left out, since everything is looked
    /// at anew.
    pub(super) fn forget_places(&mut self) {
        self.waiting.retain(|task| match task {
            Task::Due(_)
            | Task::Judge(_)
            | Task::JudgeSightOf(_)
            | Task::JudgeGatewayOf(_)
            | Task::Foretell { .. }
            | Task::BeginStopgap(_)
            | Task::Attend(_)
            | Task::CallFor { .. }
            | Task::StopgapNews(_)
            | Task::SuppressIfDisturbed(_)
            | Task::Drill(_) => false,
            Task::LookAtSensors
            | Task::JudgeAll
            | Task::JudgeSights
            | Task::AttendAll
            | Task::CallForTheForgotten
            | Task::GotWorse(_)
            | Task::Fell(_)
            | Task::End(_)
            | Task::PageEnded(_)
            | Task::Answer { .. }
            | Task::HandOn { .. }
            | Task::TestMissed { .. }
            | Task::SayDark(_)
            | Task::Hush { .. }
            | Task::TendSirens { .. }
            | Task::LookAtHands
            | Task::MindDrills
            | Task::EndOrphans
            | Task::WakeCalls { .. }
            | Task::Page { .. }
            | Task::Send(_)
            | Task::AwaitRoom { .. }
            | Task::SendWaiting(_)
            | Task::DropUnwanted(_)
            | Task::Hurry
            | Task::ArmRetries
            | Task::BeginWork { .. }
            | Task::EndWork { .. }
            | Task::Suppress { .. }
            | Task::Release
            | Task::ArmWork
            | Task::TendDrills
            | Task::TestPages(_)
            | Task::TestAnswered { .. }
            | Task::RoundWaits(_)
            | Task::TestReachable
            | Task::Test(_)
            | Task::SendNotices
            | Task::ArmDrills
            | Task::BeginOutage { .. }
            | Task::PlugOut(_)
            | Task::PlugBack(_)
            | Task::PageLost { .. } => true,
        });
        self.looks = self.waiting.iter().filter_map(look_of).collect();
    }
}

/// What a task looks at, if it only looks at what there is.
fn look_of(task: &Task) -> Option<(u8, u64)> {
    Some(match task {
        Task::JudgeSights => (0, 0),
        Task::JudgeAll => (1, 0),
        Task::AttendAll => (2, 0),
        Task::Attend(relay) => (3, relay.index() as u64),
        Task::DropUnwanted(call) => (4, *call),
        Task::TendDrills => (5, 0),
        Task::ArmDrills => (6, 0),
        Task::TendSirens { again } => (7, u64::from(*again)),
        Task::LookAtHands => (8, 0),
        Task::ArmRetries => (9, 0),
        Task::MindDrills => (10, 0),
        Task::Due(_)
        | Task::JudgeSightOf(_)
        | Task::JudgeGatewayOf(_)
        | Task::LookAtSensors
        | Task::Judge(_)
        | Task::Foretell { .. }
        | Task::BeginStopgap(_)
        | Task::CallFor { .. }
        | Task::CallForTheForgotten
        | Task::GotWorse(_)
        | Task::Fell(_)
        | Task::StopgapNews(_)
        | Task::End(_)
        | Task::PageEnded(_)
        | Task::Answer { .. }
        | Task::HandOn { .. }
        | Task::TestMissed { .. }
        | Task::SayDark(_)
        | Task::Hush { .. }
        | Task::EndOrphans
        | Task::WakeCalls { .. }
        | Task::Page { .. }
        | Task::Send(_)
        | Task::AwaitRoom { .. }
        | Task::SendWaiting(_)
        | Task::Hurry
        | Task::Suppress { .. }
        | Task::BeginWork { .. }
        | Task::EndWork { .. }
        | Task::TestPages(_)
        | Task::TestAnswered { .. }
        | Task::Drill(_)
        | Task::SuppressIfDisturbed(_)
        | Task::Release
        | Task::ArmWork
        | Task::RoundWaits(_)
        | Task::TestReachable
        | Task::Test(_)
        | Task::SendNotices
        | Task::BeginOutage { .. }
        | Task::PlugOut(_)
        | Task::PlugBack(_)
        | Task::PageLost { .. } => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::AlarmId;

    fn full(queue: &mut Queue) {
        queue.begin();
        while queue.take().is_some() {}
    }

    #[test]
    fn what_one_turn_leaves_the_next_takes_in_the_same_order() {
        let mut queue = Queue::default();
        (0..250).for_each(|id| queue.push(Task::Judge(AlarmId(id))));
        full(&mut queue);
        assert_eq!(queue.end(None, Moment(7)), Backlog::Unfinished);
        assert_eq!(queue.due(), Some(Moment(7)));
        queue.begin();
        assert_eq!(queue.take(), Some(Task::Judge(AlarmId(200))));
        full(&mut queue);
        assert_eq!((queue.end(None, Moment(7)), queue.due()), (Backlog::Done, None));
    }

    #[test]
    fn fifty_turns_that_leave_work_over_are_a_loop_and_slow_down() {
        let mut queue = Queue::default();
        for turn in 1..=LOOP {
            (0..250).for_each(|id| queue.push(Task::Judge(AlarmId(id))));
            full(&mut queue);
            let expected = if turn < LOOP { Backlog::Unfinished } else { Backlog::Loop };
            assert_eq!(queue.end(None, Moment(0)), expected);
        }
        assert!(!queue.may_go_on(Moment(999)) && queue.may_go_on(Moment(1_000)));
    }

    #[test]
    fn a_mass_of_a_large_plan_is_no_loop() {
        let mut queue = Queue::default();
        queue.expect(10_000);
        for turn in 1..=queue.longest() {
            (0..250).for_each(|id| queue.push(Task::Judge(AlarmId(id))));
            full(&mut queue);
            let expected = if turn < queue.longest() { Backlog::Unfinished } else { Backlog::Loop };
            assert_eq!(queue.end(None, Moment(0)), expected);
        }
        assert!(queue.longest() as usize * PIECES >= 10_000 * 10, "ten pieces for each of them");
    }

    #[test]
    fn a_look_that_waits_already_is_not_taken_twice() {
        let mut queue = Queue::default();
        queue.push(Task::JudgeSights);
        queue.push(Task::JudgeSights);
        queue.push(Task::Judge(AlarmId(1)));
        queue.push(Task::Judge(AlarmId(1)));
        assert_eq!(std::iter::from_fn(|| queue.take()).count(), 3);
    }
}

//! A full disk: noticed by its free room or by a write, met with what was set aside, and over when
//! there is room again. Meanwhile only records of alarms and call-outs are kept.

use super::Keeper;
use crate::journal::reserve::Reserve;
use crate::journal::{Journal, JournalError};
use slackwater_rules::record::{Body, Seq};
use slackwater_rules::time::Now;

impl Keeper {
    /// Gives up what was set aside, step by step, for what matters most of what is owed.
    pub(super) fn commit_in_reserve(
        &mut self,
        horizon: Seq,
        error: JournalError,
        now: &Now,
    ) -> Result<(), JournalError> {
        self.begin_to_save_room(&error);
        self.spare_room();
        let mut result = self.commit(horizon, now);
        while matches!(result, Err(JournalError::Full { .. }))
            && self.reserve.as_mut().is_some_and(Reserve::give)
        {
            if let Some(journal) = &mut self.journal {
                if let Err(error) = journal.give_up() {
                    tracing::warn!("{error}: the room within the journal's file is not free yet");
                }
                journal.save_room(true);
            }
            result = self.commit(horizon, now);
        }
        result
    }

    pub(super) fn begin_to_save_room(&mut self, error: &JournalError) {
        if self.full.is_none() {
            tracing::error!("{error}: only alarms and call-outs are kept, where room was set aside for them");
        }
        self.full = Some(format!("{error}: only alarms and call-outs are kept"));
        if let Some(journal) = &mut self.journal {
            journal.save_room(true);
        }
    }

    /// The room that was set aside is for what matters most.
    pub(super) fn spare_room(&mut self) {
        let before = self.owed.len();
        self.owed.retain(|record| is_essential(&record.body));
        self.lost += (before - self.owed.len()) as u64;
    }

    /// Notices a full disk before a write does, and takes back what was given up once there is
    /// room.
    pub(super) fn look_for_room(&mut self) {
        let Some(reserve) = &mut self.reserve else { return };
        if self.full.is_none() && reserve.is_disk_full() {
            let error = JournalError::Full { path: self.path.clone() };
            return self.begin_to_save_room(&error);
        }
        if reserve.renew() && self.full.take().is_some() {
            tracing::info!("the disk has room again: the journal keeps everything");
            self.readings = None;
            self.set_aside_within();
            if let Some(journal) = &mut self.journal {
                journal.save_room(false);
            }
        }
    }

    pub(super) fn set_aside_within(&mut self) {
        if let Some(Err(error)) = self.journal.as_mut().map(Journal::set_aside) {
            tracing::warn!("no room can be set aside within the journal's file: {error}");
        }
    }
}

/// Whether a record is of an alarm, a call-out, or what was done and said about them: on a full
/// disk only these are kept. The others say how the agent is and what it has learned.
fn is_essential(body: &Body) -> bool {
    match body {
        Body::Learned { .. }
        | Body::Foretold { .. }
        | Body::Blipped { .. }
        | Body::Reloaded { .. }
        | Body::SilencePlanned { .. }
        | Body::SilenceEnded { .. }
        | Body::SiteChanged { .. }
        | Body::Marked { .. }
        | Body::Drill(_) => false,
        Body::Started { .. }
        | Body::Stopped { .. }
        | Body::ClockSet { .. }
        | Body::SightLost { .. }
        | Body::SightRegained { .. }
        | Body::Raised { .. }
        | Body::Worsened { .. }
        | Body::Returned { .. }
        | Body::LostSight { .. }
        | Body::FoundSight { .. }
        | Body::Chattering { .. }
        | Body::Settled { .. }
        | Body::Acknowledged { .. }
        | Body::Reset { .. }
        | Body::Shelved { .. }
        | Body::Unshelved { .. }
        | Body::TakenOut { .. }
        | Body::PutBack { .. }
        | Body::Suppressed { .. }
        | Body::Unsuppressed { .. }
        | Body::WorkBegan { .. }
        | Body::WorkEnded { .. }
        | Body::CallBegan { .. }
        | Body::CallEnded { .. }
        | Body::CallChanged { .. }
        | Body::Joined { .. }
        | Body::Stepped { .. }
        | Body::Paged { .. }
        | Body::Skipped { .. }
        | Body::Delivered { .. }
        | Body::Answered { .. }
        | Body::HandedOn { .. }
        | Body::Ticked { .. }
        | Body::Hushed { .. }
        | Body::Resumed { .. }
        | Body::Refused { .. }
        | Body::Switched { .. }
        | Body::Released { .. }
        | Body::Proved { .. }
        | Body::Withheld { .. }
        | Body::Held { .. }
        | Body::ByHand { .. }
        | Body::CommandKept { .. }
        | Body::NotProved { .. } => true,
    }
}

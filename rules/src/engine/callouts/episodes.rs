//! What pages say of the episodes in call-outs, by the alarms' own records.

use super::Callouts;
use crate::callout::{Fate, Member};
use crate::engine::ground::Ground;
use crate::ids::Seq;
use crate::record::{Body, Record};

impl Callouts {
    /// What pages say of episodes, by the alarms' own records.
    pub(super) fn tell_of_episodes(&mut self, ground: &Ground<'_>, record: &Record) {
        let (seq, at) = (record.seq, record.at.mono);
        match &record.body {
            Body::Raised { alarm, episode, place, priority, since, because, .. } => {
                if ground.alarm(alarm).is_none() {
                    return;
                }
                let begun = Member {
                    alarm: alarm.clone(),
                    episode: *episode,
                    place: place.clone(),
                    priority: *priority,
                    onset: at - *since,
                    because: because.clone(),
                    fate: Fate::Stands,
                    worse: false,
                    blind: false,
                };
                self.episodes.raised(begun, seq, at);
                self.calls.change_said(*episode, |member| member.fate = Fate::Stands);
            }
            Body::Worsened { alarm, episode, because } => self.change_members(alarm, *episode, |member| {
                member.worse = true;
                member.because.clone_from(because);
            }),
            Body::LostSight { alarm, episode } => self.change_members(alarm, *episode, |it| it.blind = true),
            Body::FoundSight { alarm, episode } => {
                self.change_members(alarm, *episode, |it| it.blind = false)
            }
            Body::Returned { alarm, episode, .. } => {
                self.change_members(alarm, *episode, |member| member.fate = Fate::Over(at));
            }
            Body::Shelved { alarm, .. } | Body::TakenOut { alarm, .. } | Body::Suppressed { alarm } => {
                let Some(episode) = self.episodes.get(alarm).map(|known| known.episode) else { return };
                self.change_members(alarm, episode, |member| {
                    if member.fate == Fate::Stands {
                        member.fate = Fate::PutAside;
                    }
                });
            }
            _ => {}
        }
    }

    /// Changes what is said of an episode.
    fn change_members(&mut self, alarm: &str, episode: Seq, change: impl Fn(&mut Member)) {
        self.episodes.change(alarm, episode, &change);
        self.calls.change_said(episode, change);
    }

    /// Puts an alarm's latest episode on the list of a call-out, once.
    pub(super) fn list(&mut self, call: Seq, alarm: &str) {
        let Some(latest) = self.episodes.get(alarm).cloned() else { return };
        self.calls.list(call, Member { fate: Fate::Stands, ..latest });
    }
}

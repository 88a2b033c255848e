//! What pages say of the episodes in call-outs, by the alarms' own records: each member of a
//! call-out has an account of its own, so that an all-clear which is still on its way tells of what
//! it was about.

use super::Callouts;
use crate::alarm::Priority;
use crate::callout::member::Account;
use crate::engine::ground::Ground;
use crate::ids::Seq;
use crate::record::{Body, Record};

/// The latest episode of an alarm, as it would join a call-out.
#[derive(Debug)]
pub(super) struct LatestEpisode {
    pub(super) episode: Seq,
    /// The tank or the site.
    pub(super) place: String,
    /// When it was raised.
    pub(super) priority: Priority,
    /// What pages say of it.
    pub(super) account: Account,
}

impl Callouts {
    /// What pages say of episodes, by the alarms' own records.
    pub(super) fn tell_of_episodes(&mut self, ground: &Ground<'_>, record: &Record) {
        let (seq, at) = (record.seq, record.at.mono);
        match &record.body {
            Body::Raised { alarm, episode, place, priority, since, because, .. } => {
                if ground.alarm(alarm).is_none() {
                    return;
                }
                let begun = LatestEpisode {
                    episode: *episode,
                    place: place.clone(),
                    priority: *priority,
                    account: Account {
                        onset: at - *since,
                        because: because.clone(),
                        blind: false,
                        farthest: None,
                    },
                };
                self.episodes.raised(alarm, begun, (seq, at));
            }
            Body::Worsened { alarm, episode, because } => {
                self.change_accounts(alarm, *episode, |account| account.because.clone_from(because));
            }
            Body::LostSight { alarm, episode } => self.change_accounts(alarm, *episode, |it| it.blind = true),
            Body::FoundSight { alarm, episode } => {
                self.change_accounts(alarm, *episode, |it| it.blind = false);
            }
            Body::Returned { alarm, episode, farthest, .. } => {
                self.change_accounts(alarm, *episode, |account| {
                    account.farthest = farthest.clone().map(|far| (far.clone(), at - far.ago));
                });
            }
            _ => {}
        }
    }

    /// Changes what is said of an episode.
    fn change_accounts(&mut self, alarm: &str, episode: Seq, change: impl Fn(&mut Account)) {
        self.episodes.change(alarm, episode, &change);
        self.calls.change_accounts(episode, change);
    }
}

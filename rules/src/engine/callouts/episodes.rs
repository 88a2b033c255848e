//! What pages say of the episodes in call-outs, by the alarms' own records: each member of a call-out has an
//! account of its own, so that an all-clear which is still on its way tells of what it was about.

use super::{Callouts, RAISES};
use crate::alarm::Priority;
use crate::callout::member::{Account, Member};
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
    account: Account,
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
                let raises = self.raises.entry(alarm.clone()).or_default();
                raises.retain(|(_, raised)| at - *raised <= crate::callout::kin::FLICKER_WITHIN);
                raises.push((seq, at));
                if raises.len() > RAISES {
                    raises.remove(0);
                }
                let begun = LatestEpisode {
                    episode: *episode,
                    place: place.clone(),
                    priority: *priority,
                    account: Account { onset: at - *since, because: because.clone(), blind: false },
                };
                // What comes back unanswered is the same episode, but of now.
                match self.episodes.get_mut(alarm).filter(|known| known.episode == *episode) {
                    Some(known) => {
                        known.account.onset = begun.account.onset;
                        known.priority = begun.priority;
                    }
                    None => drop(self.episodes.insert(alarm.clone(), begun)),
                }
            }
            Body::Worsened { episode, because, .. } => {
                self.change_accounts(*episode, |account| account.because.clone_from(because));
            }
            Body::LostSight { episode, .. } => self.change_accounts(*episode, |it| it.blind = true),
            Body::FoundSight { episode, .. } => self.change_accounts(*episode, |it| it.blind = false),
            _ => {}
        }
    }

    /// Changes what is said of an episode.
    fn change_accounts(&mut self, episode: Seq, change: impl Fn(&mut Account)) {
        let latest = self.episodes.values_mut().filter(|known| known.episode == episode);
        latest.for_each(|known| change(&mut known.account));
        for call in self.calls.values_mut().filter(|call| !call.ended()) {
            let members = call.core.members.iter_mut().filter(|member| member.episode == episode);
            members.for_each(|member| change(&mut member.account));
        }
    }

    /// An alarm's latest episode has joined a call-out: from now on that has its account.
    pub(super) fn take_account(&mut self, call: Seq, alarm: &str) {
        let Some(latest) = self.episodes.get(alarm) else { return };
        let Some(call) = self.calls.get_mut(&call) else { return };
        let of =
            |member: &&mut Member| member.episode == latest.episode && member.account == Account::default();
        if let Some(member) = call.core.members.iter_mut().find(of) {
            member.account = latest.account.clone();
        }
    }
}

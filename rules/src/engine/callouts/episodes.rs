//! What pages say of the episodes in call-outs, by the alarms' own records.

use super::{Callouts, RAISES};
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
                let raises = self.raises.entry(alarm.clone()).or_default();
                raises.retain(|(_, raised)| at - *raised <= crate::callout::kin::FLICKER_WITHIN);
                raises.push((seq, at));
                if raises.len() > RAISES {
                    raises.remove(0);
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
                    farthest: None,
                };
                // What comes back unanswered is the same episode, but of now.
                match self.episodes.get_mut(alarm).filter(|known| known.episode == *episode) {
                    Some(known) => (known.onset, known.priority) = (begun.onset, begun.priority),
                    None => drop(self.episodes.insert(alarm.clone(), begun)),
                }
                self.change_members(*episode, |member| member.fate = Fate::Stands);
            }
            Body::Worsened { episode, because, .. } => self.change_members(*episode, |member| {
                member.worse = true;
                member.because.clone_from(because);
            }),
            Body::LostSight { episode, .. } => self.change_members(*episode, |it| it.blind = true),
            Body::FoundSight { episode, .. } => self.change_members(*episode, |it| it.blind = false),
            Body::Returned { episode, farthest, .. } => self.change_members(*episode, |member| {
                member.fate = Fate::Over(at);
                member.farthest = farthest.clone().map(|far| (far.clone(), at - far.ago));
            }),
            Body::Shelved { alarm, .. } | Body::TakenOut { alarm, .. } | Body::Suppressed { alarm } => {
                let Some(episode) = self.episodes.get(alarm).map(|known| known.episode) else { return };
                self.change_members(episode, |member| {
                    if member.fate == Fate::Stands {
                        member.fate = Fate::PutAside;
                    }
                });
            }
            _ => {}
        }
    }

    /// Changes what is said of an episode.
    fn change_members(&mut self, episode: Seq, change: impl Fn(&mut Member)) {
        self.episodes.values_mut().filter(|known| known.episode == episode).for_each(&change);
        for call in self.calls.values_mut().filter(|call| !call.ended()) {
            call.members.iter_mut().filter(|member| member.episode == episode).for_each(&change);
        }
    }

    /// Puts an alarm's latest episode on the list of a call-out, once.
    pub(super) fn list(&mut self, call: Seq, alarm: &str) {
        let Some(latest) = self.episodes.get(alarm).cloned() else { return };
        let Some(call) = self.calls.get_mut(&call) else { return };
        let latest = Member { fate: Fate::Stands, ..latest };
        call.members.retain(|member| member.alarm != alarm);
        call.members.push(latest);
    }
}

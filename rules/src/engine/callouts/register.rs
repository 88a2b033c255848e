//! All call-outs that are not forgotten, found by their number and by the episodes in them; and the
//! latest episode of each alarm. A watch with thousands of alarms standing looks here at each of
//! their records.

use super::episodes::LatestEpisode;
use crate::callout::Call;
use crate::callout::kin::FLICKER_WITHIN;
use crate::callout::member::Account;
use crate::callout::state::Phase;
use crate::ids::Seq;
use crate::record::CallChange;
use crate::time::{Moment, Span};
use std::collections::{BTreeMap, BTreeSet};

/// So many of an alarm's raises are remembered.
const RAISES: usize = 2;

/// The call-outs.
#[derive(Debug, Default)]
pub(super) struct CallRegister {
    calls: BTreeMap<Seq, Call>,
    /// The call-outs in which an episode is; of one that has left or come back as another, perhaps
    /// was.
    of_episodes: BTreeMap<Seq, BTreeSet<Seq>>,
    /// The call-outs that an alarm is in.
    of_alarms: BTreeMap<String, BTreeSet<Seq>>,
    /// Those that are over.
    over: BTreeSet<Seq>,
    /// Those whose next time depends on more than their own state: on what has been heard, on a
    /// forecast, on quiet hours.
    waiting: BTreeSet<Seq>,
}

impl CallRegister {
    pub(super) fn get(&self, id: Seq) -> Option<&Call> {
        self.calls.get(&id)
    }

    /// One whose answers or origin change. What it is about changes by [`Self::change`] only.
    pub(super) fn get_mut(&mut self, id: Seq) -> Option<&mut Call> {
        self.calls.get_mut(&id)
    }

    /// The oldest first.
    pub(super) fn iter(&self) -> impl DoubleEndedIterator<Item = &Call> {
        self.calls.values()
    }

    pub(super) fn ids(&self) -> impl Iterator<Item = Seq> + '_ {
        self.calls.keys().copied()
    }

    /// Those that are over and not forgotten.
    pub(super) fn over(&self) -> impl Iterator<Item = Seq> + '_ {
        self.over.iter().copied()
    }

    pub(super) fn any_over(&self) -> bool {
        !self.over.is_empty()
    }

    pub(super) fn waiting(&self) -> &BTreeSet<Seq> {
        &self.waiting
    }

    /// Those that may have this episode, the oldest first.
    pub(super) fn with_episode(&self, episode: Seq) -> impl Iterator<Item = &Call> {
        self.of_episodes.get(&episode).into_iter().flatten().filter_map(|id| self.calls.get(id))
    }

    /// Those that this alarm is in, the oldest first.
    pub(super) fn with_alarm(&self, alarm: &str) -> impl Iterator<Item = Seq> + '_ {
        self.of_alarms.get(alarm).into_iter().flatten().copied()
    }

    pub(super) fn insert(&mut self, call: Call) {
        self.calls.insert(call.id(), call);
    }

    /// Forgets one, with its place under each of its episodes.
    pub(super) fn remove(&mut self, id: Seq) {
        let Some(call) = self.calls.remove(&id) else { return };
        self.over.remove(&id);
        self.waiting.remove(&id);
        for member in &call.core.members {
            self.unlink(member.episode, id);
            self.unlink_alarm(&member.alarm, id);
        }
    }

    /// Applies a change; says whether there is such a call-out.
    pub(super) fn change(&mut self, id: Seq, change: &CallChange, at: Moment) -> bool {
        let Some(call) = self.calls.get_mut(&id) else { return false };
        let newcomer = match change {
            CallChange::Joined(joined) => Some((joined.alarm.as_str(), joined.episode)),
            CallChange::CameBack { alarm, episode, .. } => Some((alarm.as_str(), *episode)),
            _ => None,
        };
        let is_in = |alarm: &str| self.of_alarms.get(alarm).is_some_and(|calls| calls.contains(&id));
        let known = newcomer.filter(|(alarm, _)| is_in(alarm));
        let before = known.and_then(|(alarm, _)| call.core.members.of_alarm(alarm));
        let before = before.map(|member| member.episode);
        let left = match change {
            CallChange::Left { episode } => call.core.member(*episode).map(|member| member.alarm.clone()),
            _ => None,
        };
        call.core.apply(change, at);
        let waits = matches!(call.core.phase, Phase::Held { .. }) || call.core.unheard.is_some();
        if call.ended() {
            self.over.insert(id);
        }
        if waits && !call.ended() {
            self.waiting.insert(id);
        } else {
            self.waiting.remove(&id);
        }
        let gone = match change {
            CallChange::Left { episode } => Some(*episode),
            _ => before,
        };
        gone.into_iter().for_each(|episode| self.unlink(episode, id));
        left.into_iter().for_each(|alarm| self.unlink_alarm(&alarm, id));
        if let Some((alarm, episode)) = newcomer {
            self.link(episode, id);
            if known.is_none() {
                self.of_alarms.entry(alarm.to_owned()).or_default().insert(id);
            }
        }
        true
    }

    /// An episode has joined a call-out, which has its account from now on.
    pub(super) fn take_account(&mut self, id: Seq, latest: &LatestEpisode) {
        let Some(call) = self.calls.get_mut(&id) else { return };
        call.core.members.change(latest.episode, |member| {
            if member.account == Account::default() {
                member.account = latest.account.clone();
            }
        });
    }

    /// Changes what running call-outs say of an episode.
    pub(super) fn change_accounts(&mut self, episode: Seq, change: impl Fn(&mut Account)) {
        for id in self.of_episodes.get(&episode).into_iter().flatten() {
            let Some(call) = self.calls.get_mut(id).filter(|call| !call.ended()) else { continue };
            call.core.members.change(episode, |member| change(&mut member.account));
        }
    }

    fn link(&mut self, episode: Seq, call: Seq) {
        self.of_episodes.entry(episode).or_default().insert(call);
    }

    fn unlink_alarm(&mut self, alarm: &str, call: Seq) {
        let Some(calls) = self.of_alarms.get_mut(alarm) else { return };
        calls.remove(&call);
        if calls.is_empty() {
            self.of_alarms.remove(alarm);
        }
    }

    fn unlink(&mut self, episode: Seq, call: Seq) {
        let Some(calls) = self.of_episodes.get_mut(&episode) else { return };
        calls.remove(&call);
        if calls.is_empty() {
            self.of_episodes.remove(&episode);
        }
    }
}

/// What is known of an alarm's episodes.
#[derive(Debug)]
struct Known {
    latest: LatestEpisode,
    /// When it was raised lately, by record.
    raises: Vec<(Seq, Moment)>,
}

/// The latest episode of each alarm.
#[derive(Debug, Default)]
pub(super) struct LatestEpisodes {
    of_alarms: BTreeMap<String, Known>,
    alarms: BTreeMap<Seq, String>,
}

impl LatestEpisodes {
    pub(super) fn get(&self, alarm: &str) -> Option<&LatestEpisode> {
        self.of_alarms.get(alarm).map(|known| &known.latest)
    }

    /// The alarm of an episode, if that is its latest.
    pub(super) fn alarm_of(&self, episode: Seq) -> Option<&str> {
        self.alarms.get(&episode).map(String::as_str)
    }

    /// Whether it has been raised several times lately.
    pub(super) fn flickers(&self, alarm: &str) -> bool {
        self.of_alarms.get(alarm).is_some_and(|known| known.raises.len() >= RAISES)
    }

    /// The records of raises of so short a time ago.
    pub(super) fn raised_within(&self, length: Span, now: Moment) -> impl Iterator<Item = Seq> + '_ {
        let raises = self.of_alarms.values().flat_map(|known| &known.raises);
        raises.filter(move |(_, at)| now - *at <= length).map(|(seq, _)| *seq)
    }

    /// An alarm was raised, by this record: what comes back unanswered is the same episode, but of
    /// now.
    pub(super) fn raised(&mut self, alarm: &str, begun: LatestEpisode, (seq, at): (Seq, Moment)) {
        let known = match self.of_alarms.get_mut(alarm) {
            Some(known) if known.latest.episode == begun.episode => {
                known.latest.account.onset = begun.account.onset;
                known.latest.priority = begun.priority;
                known
            }
            Some(known) => {
                self.alarms.remove(&known.latest.episode);
                self.alarms.insert(begun.episode, alarm.to_owned());
                known.latest = begun;
                known
            }
            None => {
                self.alarms.insert(begun.episode, alarm.to_owned());
                let new = Known { latest: begun, raises: Vec::new() };
                self.of_alarms.entry(alarm.to_owned()).or_insert(new)
            }
        };
        known.raises.retain(|(_, raised)| at - *raised <= FLICKER_WITHIN);
        known.raises.push((seq, at));
        if known.raises.len() > RAISES {
            known.raises.remove(0);
        }
    }

    /// Changes what is said of an alarm's episode, if it is the latest.
    pub(super) fn change(&mut self, alarm: &str, episode: Seq, change: impl Fn(&mut Account)) {
        let known = self.of_alarms.get_mut(alarm).filter(|known| known.latest.episode == episode);
        known.into_iter().for_each(|known| change(&mut known.latest.account));
    }
}

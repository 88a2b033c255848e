//! The alarms: each one's state in the standard's lifecycle, which lasts, and what is known of its
//! condition, which does not. Readings, time and other components' views flow in by
//! [`on_look`](Alarms::on_look); what has lasted long enough flows out as a record of the
//! lifecycle, with the tasks that follow from it.

mod blips;
mod farthest;
mod judging;

use super::backfill::PastRecall;
use super::ground::Ground;
use crate::alarm::{AlarmEvent, AlarmState, Aside, Episode, State};
use crate::condition::{Memory, Truth, told_for};
use crate::ids::{AlarmId, Seq};
use crate::plan::{Alarm, Plan};
use crate::record::{Body, Record};
use crate::time::{Moment, Span};
use blips::BlipCount;
use farthest::Extreme;
use std::collections::{BTreeMap, BTreeSet};

/// What is known of an alarm's condition just now.
#[derive(Clone, Copy, Debug)]
struct Watch {
    truth: Truth,
    /// Since when it has had this truth.
    since: Moment,
    /// When it came true, moved on by the time for which it was unknown since.
    true_since: Option<Moment>,
}

impl Watch {
    fn new(now: Moment) -> Self {
        Self { truth: Truth::Unknown, since: now, true_since: None }
    }

    /// It says this from `now` on. The spell that is over by that: since when it was true, and for
    /// how long as far as is known.
    fn see(&mut self, truth: Truth, now: Moment) -> Option<(Moment, Span)> {
        if truth == self.truth {
            return None;
        }
        let until = if self.truth == Truth::True { now } else { self.since };
        let over = self.true_since.filter(|_| truth == Truth::False).map(|since| (since, until - since));
        let unknown_for = if self.truth == Truth::Unknown { now - self.since } else { Span::ZERO };
        self.true_since = match truth {
            Truth::True => Some(self.true_since.map_or(now, |since| since + unknown_for)),
            Truth::Unknown => self.true_since,
            Truth::False => None,
        };
        self.truth = truth;
        self.since = now;
        over
    }

    /// Whatever was before, a delay begins now.
    fn begin_anew(&mut self, now: Moment) {
        if self.truth != Truth::False {
            self.since = now;
            self.true_since = self.true_since.map(|_| now);
        }
    }

    /// For how long it has been true, as far as is known; none unless it is true now.
    fn true_for(&self, now: Moment) -> Option<Span> {
        let since = self.true_since.filter(|_| self.truth == Truth::True)?;
        Some(now - since)
    }
}

/// What an alarm's conditions have to know of the past.
#[derive(Clone, Debug)]
pub(super) struct Recall {
    pub(super) when: Memory,
    pub(super) worse: Memory,
}

impl Recall {
    fn of(alarm: &Alarm, now: Moment) -> Self {
        let worse = alarm.worse.as_ref().map(|worse| Memory::of(worse, now));
        Self { when: Memory::of(&alarm.condition, now), worse: worse.unwrap_or_default() }
    }
}

/// One alarm.
#[derive(Clone, Debug)]
struct Entry {
    /// What lasts.
    state: AlarmState,
    watch: Watch,
    recall: Recall,
    /// Work that had paused it, as its record says, and when it ended; none once the condition was
    /// false since.
    after_work: Option<Box<(Seq, String, Moment)>>,
    blips: BlipCount,
    /// How far its reading went since it came true.
    farthest: Option<Extreme>,
    /// Looked at and at rest: the same again has nothing to say.
    rests: bool,
    /// That of its latest episode; empty before the first.
    code: String,
}

/// All alarms, in the order of the plan.
#[derive(Debug)]
pub(super) struct Alarms {
    entries: Vec<Entry>,
    /// Those whose conditions know nothing of the past yet.
    unremembered: BTreeSet<AlarmId>,
    /// The alarm that a code was last given to; whether its episode is still open, it says itself.
    codes: BTreeMap<String, AlarmId>,
}

impl Alarms {
    pub(super) fn new(plan: &Plan, now: Moment) -> Self {
        let entry = |alarm| Entry {
            state: AlarmState::default(),
            watch: Watch::new(now),
            recall: Recall::of(alarm, now),
            after_work: None,
            blips: BlipCount::default(),
            farthest: None,
            rests: false,
            code: String::new(),
        };
        Self {
            entries: plan.alarms.iter().map(entry).collect(),
            unremembered: (0..).map(AlarmId).take(plan.alarms.len()).collect(),
            codes: BTreeMap::new(),
        }
    }

    /// Takes over under another plan what bears the same name.
    pub(super) fn carry_over(&mut self, old: &Plan, before: Self, new: &Plan) {
        let known: BTreeMap<_, _> = old.alarms.iter().map(|alarm| &alarm.name).zip(0_usize..).collect();
        let mut before = before.entries;
        self.unremembered.clear();
        for (id, (alarm, entry)) in (0..).map(AlarmId).zip(new.alarms.iter().zip(&mut self.entries)) {
            let kept = known.get(&alarm.name).and_then(|at| old.alarms.get(*at).zip(before.get_mut(*at)));
            match kept {
                Some((before, kept)) if before.asks_alike(alarm) => std::mem::swap(entry, kept),
                // What was remembered for one condition would be nonsense for another.
                Some((_, kept)) => {
                    entry.state = std::mem::take(&mut kept.state);
                    self.unremembered.insert(id);
                }
                None => drop(self.unremembered.insert(id)),
            }
        }
        let open = (0..).map(AlarmId).zip(&self.entries);
        let open = open.filter_map(|(id, entry)| Some((entry.state.episode.as_ref()?.code.clone(), id)));
        self.codes = open.collect();
    }

    /// What a record does to what lasts.
    pub(super) fn apply(&mut self, ground: &Ground<'_>, record: &Record) {
        let (seq, at) = (record.seq, record.at.mono);
        match &record.body {
            Body::Raised { alarm, episode, code, place, priority, since, because, after_work } => {
                let ended = after_work.as_ref().map(|it| (it.work.clone(), at - it.ended));
                self.note_code(ground, alarm, code);
                self.change(ground, alarm, |state| {
                    let begun = Episode {
                        id: *episode,
                        code: code.clone(),
                        place: place.clone(),
                        priority: *priority,
                        onset: at - *since,
                        because: because.clone(),
                        raised: at,
                        worse: false,
                        blind: false,
                        after_work: ended.clone(),
                    };
                    // What comes back unanswered is the same episode, but of now.
                    let open = state.episode.get_or_insert(Box::new(begun));
                    (open.raised, open.onset, open.after_work) = (at, at - *since, ended);
                    // What was answered and comes back is news from its beginning, latched or not.
                    open.worse &= state.state != State::LatchedAcknowledged;
                    state.note_raise(seq, at);
                    state.happen(AlarmEvent::Raise);
                });
                self.note_work(ground, alarm, None);
            }
            Body::Worsened { alarm, because, .. } => self.change_episode(ground, alarm, |episode| {
                episode.worse = true;
                episode.because.clone_from(because);
            }),
            Body::LostSight { alarm, .. } => self.change_episode(ground, alarm, |it| it.blind = true),
            Body::FoundSight { alarm, .. } => self.change_episode(ground, alarm, |it| it.blind = false),
            Body::Returned { alarm, .. } => {
                let latching = ground.alarm(alarm).is_some_and(|id| ground.plan.alarm(id).latching);
                self.change(ground, alarm, |state| state.happen(AlarmEvent::Return { latching }));
            }
            Body::Chattering { alarm, .. } => {
                self.change(ground, alarm, |state| state.chattering = Some(seq));
            }
            Body::Blipped { alarm, .. } => {
                if let Some(entry) = ground.alarm(alarm).and_then(|id| self.entries.get_mut(id.index())) {
                    entry.blips.recorded(at);
                }
            }
            Body::Settled { alarm } => self.change(ground, alarm, |state| {
                state.chattering = None;
                state.raises.clear();
            }),
            Body::Acknowledged { alarm, .. } => {
                self.change(ground, alarm, |state| state.happen(AlarmEvent::Acknowledge));
            }
            Body::Reset { alarm, .. } => self.change(ground, alarm, |state| state.happen(AlarmEvent::Reset)),
            Body::Shelved { alarm, length, by, why } => {
                let aside = Aside { seq, until: Some(at + *length), by: by.clone(), why: why.clone() };
                self.put_aside(ground, alarm, AlarmEvent::Shelve, Some(aside));
            }
            Body::TakenOut { alarm, by, why } => {
                let aside = Aside { seq, until: None, by: by.clone(), why: why.clone() };
                self.put_aside(ground, alarm, AlarmEvent::TakeOut, Some(aside));
            }
            Body::Suppressed { alarm } => self.put_aside(ground, alarm, AlarmEvent::Suppress, None),
            Body::Unshelved { alarm, .. } => self.put_back(ground, alarm, AlarmEvent::Unshelve),
            Body::PutBack { alarm, .. } => self.put_back(ground, alarm, AlarmEvent::PutBack),
            Body::Unsuppressed { alarm, work } => {
                self.put_back(ground, alarm, AlarmEvent::Unsuppress);
                self.note_work(ground, alarm, Some((seq, work.clone(), at)));
            }
            _ => {}
        }
    }

    /// An alarm that was at rest is raised with this code, in place of its last one's.
    fn note_code(&mut self, ground: &Ground<'_>, alarm: &str, code: &str) {
        let Some(id) = ground.alarm(alarm) else { return };
        let Some(entry) = self.entries.get_mut(id.index()) else { return };
        if entry.state.episode.is_none() {
            let before = std::mem::replace(&mut entry.code, code.to_owned());
            if self.codes.get(&before) == Some(&id) {
                self.codes.remove(&before);
            }
            self.codes.insert(code.to_owned(), id);
        }
    }

    fn change(&mut self, ground: &Ground<'_>, alarm: &str, change: impl FnOnce(&mut AlarmState)) {
        if let Some(entry) = ground.alarm(alarm).and_then(|id| self.entries.get_mut(id.index())) {
            change(&mut entry.state);
        }
    }

    /// Work that paused it has ended, and its delay begins anew; or that is of no more interest.
    fn note_work(&mut self, ground: &Ground<'_>, alarm: &str, ended: Option<(Seq, String, Moment)>) {
        let entry = ground.alarm(alarm).and_then(|id| self.entries.get_mut(id.index()));
        if let Some(entry) = entry {
            ended.iter().for_each(|(_, _, at)| entry.watch.begin_anew(*at));
            entry.after_work = ended.map(Box::new);
        }
    }

    fn change_episode(&mut self, ground: &Ground<'_>, alarm: &str, change: impl FnOnce(&mut Episode)) {
        self.change(ground, alarm, |state| {
            if let Some(episode) = &mut state.episode {
                change(episode);
            }
        });
    }

    fn put_aside(&mut self, ground: &Ground<'_>, alarm: &str, event: AlarmEvent, aside: Option<Aside>) {
        self.change(ground, alarm, |state| {
            state.happen(event);
            state.aside = aside.map(Box::new);
        });
    }

    fn put_back(&mut self, ground: &Ground<'_>, alarm: &str, event: AlarmEvent) {
        self.change(ground, alarm, |state| {
            state.happen(event);
            if !state.state.is_aside() {
                state.aside = None;
            }
        });
    }

    /// Where it is in the standard's lifecycle, and what that rests on.
    pub(super) fn state(&self, id: AlarmId) -> &AlarmState {
        &self.entries[id.index()].state
    }

    /// What its condition says, as it was last asked.
    pub(super) fn truth(&self, id: AlarmId) -> Truth {
        self.entries[id.index()].watch.truth
    }

    /// What its condition remembers.
    pub(super) fn memory(&self, id: AlarmId) -> &Memory {
        &self.entries[id.index()].recall.when
    }

    /// What the condition remembers that makes it worse.
    pub(super) fn memory_of_worse(&self, id: AlarmId) -> &Memory {
        &self.entries[id.index()].recall.worse
    }

    /// Its open episode.
    pub(super) fn episode(&self, id: AlarmId) -> Option<Seq> {
        self.state(id).episode.as_ref().map(|episode| episode.id)
    }

    /// Its open episode, if it stands.
    pub(super) fn standing(&self, id: AlarmId) -> Option<Seq> {
        self.episode(id).filter(|_| self.state(id).state.is_standing())
    }

    /// Whether an event would move it.
    pub(super) fn may(&self, id: AlarmId, event: AlarmEvent) -> bool {
        let state = self.state(id).state;
        state.after(event) != state
    }

    /// The open episode with this code.
    pub(super) fn episode_by_code(&self, code: &str) -> Option<Seq> {
        let open = self.state(*self.codes.get(code)?).episode.as_ref();
        open.filter(|episode| episode.code == code).map(|episode| episode.id)
    }

    /// Whether an open episode has this code.
    pub(super) fn has_code(&self, code: &str) -> bool {
        self.episode_by_code(code).is_some()
    }

    /// The records that it rests on.
    pub(super) fn rests_on(&self, now: Moment) -> impl Iterator<Item = Seq> + '_ {
        let work = self.entries.iter().filter_map(|entry| Some(entry.after_work.as_ref()?.0));
        work.chain(self.entries.iter().flat_map(move |entry| entry.state.rests_on(now)))
    }

    /// Those whose conditions know nothing of the past yet.
    pub(super) fn unremembered(&self) -> impl Iterator<Item = AlarmId> + '_ {
        self.unremembered.iter().copied()
    }

    /// Something came late of what these alarms look at: their windows have to be told the past
    /// anew.
    pub(super) fn on_late(&mut self, plan: &Plan, alarms: &[AlarmId]) {
        let look_back = alarms.iter().filter(|id| plan.alarm(**id).windows_reach().is_some());
        self.unremembered.extend(look_back);
    }

    /// Begins to tell them of the past since then: what they shall remember, to be filled.
    pub(super) fn begin_recall(&mut self, plan: &Plan, since: Moment, now: Moment) -> Vec<PastRecall> {
        let told = |condition| Memory::told(condition, since.min(now), now);
        let alarms = std::mem::take(&mut self.unremembered).into_iter();
        let alarms = alarms.filter_map(|id| {
            let alarm = plan.alarm(id);
            let from = (now - told_for(alarm.windows_reach()?)).max(since).min(now);
            let worse = alarm.worse.as_deref().map(told).unwrap_or_default();
            Some(PastRecall { alarm: id, from, recall: Recall { when: told(&alarm.condition), worse } })
        });
        alarms.collect()
    }

    /// What its windows shall remember from now on.
    pub(super) fn recall(&mut self, id: AlarmId, recall: Recall) {
        if let Some(entry) = self.entries.get_mut(id.index()) {
            entry.recall.when.take_windows(recall.when);
            entry.recall.worse.take_windows(recall.worse);
        }
    }
}

#[cfg(test)]
mod tests;

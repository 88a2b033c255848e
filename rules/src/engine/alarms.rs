//! From what is known to what rings. An alarm's condition is asked when one of its readings
//! changes or time may have changed its truth; delays run here, and what has lasted long
//! enough becomes an event of the lifecycle. Only known truth counts: while a condition is
//! unknown, an on-delay stands still and an off-delay starts again.

use super::sensors::Sensed;
use super::{DeadlineReason, Engine};
use crate::alarm::{CHATTER_RAISES, CHATTER_WINDOW};
use crate::condition::{Memory, Present, Truth, Verdict};
use crate::plan::{Alarm, AlarmId, SensorId};
use crate::record::Body;
use crate::time::{Moment, Span};

/// What is known of an alarm's condition just now.
#[derive(Clone, Copy, Debug)]
pub(super) struct Watch {
    pub(super) truth: Truth,
    /// Since when it has had this truth.
    pub(super) since: Moment,
    /// When it came true, moved on by the time for which it was unknown since.
    pub(super) true_since: Option<Moment>,
}

impl Watch {
    pub(super) fn new(now: Moment) -> Self {
        Self { truth: Truth::Unknown, since: now, true_since: None }
    }

    fn see(&mut self, truth: Truth, now: Moment) {
        if truth == self.truth {
            return;
        }
        let unknown_for = if self.truth == Truth::Unknown { now - self.since } else { Span::ZERO };
        self.true_since = match truth {
            Truth::True => Some(self.true_since.map_or(now, |since| since + unknown_for)),
            Truth::Unknown => self.true_since,
            Truth::False => None,
        };
        self.truth = truth;
        self.since = now;
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
    pub(super) fn of(alarm: &Alarm, now: Moment) -> Self {
        let worse = alarm.worse.as_ref().map(|worse| Memory::of(worse, now));
        Self { when: Memory::of(&alarm.condition, now), worse: worse.unwrap_or_default() }
    }
}

impl Engine {
    /// What the alarm's condition says. A standing alarm's is held by its deadband.
    fn ask(&self, id: AlarmId) -> Verdict {
        let alarm = self.plan.alarm(id);
        let hold = alarm.deadband.filter(|_| self.lives[id.index()].state.is_standing());
        let memory = &self.recalls[id.index()].when;
        alarm.condition.evaluate(&Present { world: &self.world(), memory, now: self.now.mono }, hold)
    }

    /// What is worse has no deadband: it is said once in an episode, and not before its limit.
    fn ask_worse(&self, id: AlarmId) -> Option<Verdict> {
        let worse = self.plan.alarm(id).worse.as_ref()?;
        let memory = &self.recalls[id.index()].worse;
        Some(worse.evaluate(&Present { world: &self.world(), memory, now: self.now.mono }, None))
    }

    /// Takes in what the world says now, for what the alarm's conditions will be asked.
    fn recall(&mut self, id: AlarmId) {
        let now = self.now;
        let world = Sensed {
            senses: &self.senses,
            plan: &self.plan,
            runs: &self.runs,
            ledger: &self.ledger,
            foresight: &self.foresight,
            now,
        };
        let (alarm, recall) = (self.plan.alarm(id), &mut self.recalls[id.index()]);
        recall.when.feed(&alarm.condition, &world, now.mono);
        if let Some(worse) = &alarm.worse {
            recall.worse.feed(worse, &world, now.mono);
        }
    }

    /// Asks the alarm's condition and moves the alarm on if its time has come.
    pub(super) fn judge(&mut self, id: AlarmId) {
        self.recall(id);
        let (verdict, worse) = (self.ask(id), self.ask_worse(id));
        let again = [verdict.until, worse.and_then(|worse| worse.until)].into_iter().flatten().min();
        self.timers.set(DeadlineReason::Recheck(id), again);
        self.watches[id.index()].see(verdict.truth, self.now.mono);
        let state = self.lives[id.index()].state;
        if state.is_aside() {
            // Watched all the same, so that the end of it finds the truth at once.
            self.timers.set(DeadlineReason::OnDelay(id), None);
            self.timers.set(DeadlineReason::OffDelay(id), None);
        } else if state.is_standing() {
            self.timers.set(DeadlineReason::OnDelay(id), None);
            self.note_sight(id, verdict.truth);
            self.judge_standing(id, verdict.truth, worse.map(|worse| worse.truth));
        } else {
            self.timers.set(DeadlineReason::OffDelay(id), None);
            self.judge_quiet(id, verdict.truth);
        }
    }

    fn judge_standing(&mut self, id: AlarmId, truth: Truth, worse: Option<Truth>) {
        let off_delay = match self.lives[id.index()].chattering.is_some() {
            true => self.plan.alarm(id).off_delay.max(CHATTER_WINDOW),
            false => self.plan.alarm(id).off_delay,
        };
        let back = (truth == Truth::False).then(|| self.watches[id.index()].since + off_delay);
        if back.is_some_and(|back| back <= self.now.mono) {
            return self.return_to_normal(id);
        }
        self.timers.set(DeadlineReason::OffDelay(id), back);
        let already = self.lives[id.index()].episode.as_ref().is_none_or(|episode| episode.worse);
        if !already && worse == Some(Truth::True) {
            self.worsen(id);
        }
    }

    fn judge_quiet(&mut self, id: AlarmId, truth: Truth) {
        let on_delay = self.plan.alarm(id).on_delay;
        match self.watches[id.index()].true_for(self.now.mono) {
            // Judged again when that call-out has ended; only then its delay begins.
            Some(_) if self.is_told_elsewhere(id) => {
                self.watches[id.index()].true_since = Some(self.now.mono);
                self.timers.set(DeadlineReason::OnDelay(id), None);
            }
            Some(held) if held >= on_delay => self.raise(id, held),
            Some(held) => {
                self.timers.set(DeadlineReason::OnDelay(id), Some(self.now.mono + (on_delay - held)))
            }
            None => self.timers.set(DeadlineReason::OnDelay(id), None),
        }
        if truth == Truth::False && self.lives[id.index()].chattering.is_some() {
            let settled_at = self.watches[id.index()].since + CHATTER_WINDOW;
            match settled_at <= self.now.mono {
                true => {
                    self.record(Body::Settled { alarm: self.plan.alarm(id).name.clone() });
                }
                false => self.timers.set(DeadlineReason::OffDelay(id), Some(settled_at)),
            }
        }
    }

    fn raise(&mut self, id: AlarmId, held: Span) {
        self.timers.set(DeadlineReason::OnDelay(id), None);
        let life = &self.lives[id.index()];
        let (episode, code) = match &life.episode {
            Some(episode) => (episode.id, episode.code.clone()),
            None => (self.next_seq, self.code(self.next_seq)),
        };
        let alarm = self.plan.alarm(id);
        let body = Body::Raised {
            alarm: alarm.name.clone(),
            episode,
            code,
            place: self.plan.place_of(alarm).to_owned(),
            priority: alarm.priority,
            since: held,
            because: self.because(id),
        };
        self.record(body);
        let life = &self.lives[id.index()];
        if life.raises.len() >= CHATTER_RAISES && life.chattering.is_none() {
            let within = life.raises.first().map_or(Span::ZERO, |(_, first)| self.now.mono - *first);
            let raises = life.raises.len() as u32;
            self.record(Body::Chattering { alarm: self.plan.alarm(id).name.clone(), raises, within });
        }
        // First, so that the first page says what was done.
        self.begin_stopgap(id);
        self.note_prospects(id, episode);
        self.call_for(id, episode);
        // What is worse may be so from the beginning.
        self.judge(id);
    }

    fn worsen(&mut self, id: AlarmId) {
        let Some(episode) = self.lives[id.index()].episode.as_ref().map(|episode| episode.id) else { return };
        let alarm = self.plan.alarm(id).name.clone();
        let because = self.because(id);
        self.record(Body::Worsened { alarm: alarm.clone(), episode, because });
        self.note_prospects(id, episode);
        self.got_worse(episode, format!("{alarm} got worse"));
    }

    fn return_to_normal(&mut self, id: AlarmId) {
        self.timers.set(DeadlineReason::OffDelay(id), None);
        let Some(episode) = &self.lives[id.index()].episode else { return };
        let (episode, raised) = (episode.id, episode.raised);
        let alarm = self.plan.alarm(id).name.clone();
        let because = self.because(id);
        self.record(Body::Returned { alarm, episode, stood: self.now.mono - raised, because });
        self.end_stopgap(id);
        self.episode_fell(episode);
        self.judge(id);
    }

    /// Says when a standing alarm loses sight of a reading it needs, and when it finds it.
    fn note_sight(&mut self, id: AlarmId, truth: Truth) {
        let Some(episode) = &self.lives[id.index()].episode else { return };
        let (episode, blind) = (episode.id, episode.blind);
        let alarm = self.plan.alarm(id).name.clone();
        match (blind, truth == Truth::Unknown) {
            (false, true) => self.record(Body::LostSight { alarm, episode }),
            (true, false) => self.record(Body::FoundSight { alarm, episode }),
            (false, false) | (true, true) => return,
        };
    }

    pub(super) fn because(&self, id: AlarmId) -> String {
        let memory = &self.recalls[id.index()].when;
        let present = Present { world: &self.world(), memory, now: self.now.mono };
        let alarm = self.plan.alarm(id);
        let because = alarm.condition.because(&self.plan, &present);
        [because].into_iter().chain(self.notes_of(alarm, true)).collect::<Vec<_>>().join("; ")
    }

    /// The sensors an alarm rests on.
    pub(super) fn sensors_of(&self, id: AlarmId) -> impl Iterator<Item = SensorId> + '_ {
        self.plan.alarm(id).condition.sensors().into_iter()
    }

    /// What the site that the alarm is about said of itself; with the likely cause of its silence
    /// if that is what rings.
    pub(super) fn notes_of(&self, alarm: &Alarm, rings: bool) -> Vec<String> {
        let site = alarm.watched.and_then(|id| self.plan.watched.get(id.index()));
        let Some(note) = site.and_then(|site| self.senses.notes.get(&site.sensor)) else {
            return Vec::new();
        };
        let likely = (rings && alarm.sight.is_some()).then_some(&note.likely);
        [&note.words].into_iter().chain(likely).cloned().collect()
    }

    /// When an alarm that is true and waits out its on-delay would be raised.
    pub(super) fn about_to_raise(&self, id: AlarmId) -> Option<Moment> {
        self.timers.get(DeadlineReason::OnDelay(id))
    }
}

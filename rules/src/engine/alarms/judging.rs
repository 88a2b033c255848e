//! From what is known to what rings. An alarm's condition is asked when one of its readings
//! changes or time may have changed its truth; delays run here, and what has lasted long
//! enough becomes an event of the lifecycle. Only known truth counts: while a condition is
//! unknown, an on-delay stands still and an off-delay starts again.

use super::Alarms;
use super::farthest::Extreme;
use crate::alarm::{CHATTER_RAISES, CHATTER_WINDOW, Episode, Priority};
use crate::condition::query::UntilWhat;
use crate::condition::{Present, Truth};
use crate::engine::context::Context;
use crate::engine::sensed::{Sensed, Undisturbed};
use crate::engine::task::{Next, Task};
use crate::engine::timers::DeadlineReason;
use crate::ids::{AlarmId, SensorId};
use crate::record::{AfterWork, Body, NOT_BACK};
use crate::time::{Moment, Span};

/// A pump that a person has just switched on takes some seconds to move water, and its meter some
/// more to say so: for so long after work nothing that it paused is raised. Engineering choice.
const AFTER_WORK: Span = Span::seconds(30);

/// What is raised later than its delay and this after work has had time to be back in between, in a
/// life that nobody remembers.
const RESTART: Span = Span::minutes(5);

/// What an alarm's conditions said when they were asked.
#[derive(Clone, Copy, Debug)]
pub(in crate::engine) struct Seen {
    truth: Truth,
    worse: Option<Truth>,
    /// When time alone may change that.
    until: Option<Moment>,
}

impl Alarms {
    /// Asks the alarm's conditions, and remembers what they will be asked later. What sensors say
    /// that work disturbs is not remembered. Nothing comes of an alarm that rests, and did so
    /// before.
    pub(in crate::engine) fn on_look(
        &mut self,
        id: AlarmId,
        world: &Sensed<'_>,
        disturbed: &[SensorId],
    ) -> Option<Seen> {
        let alarm = world.plan.alarm(id);
        let now = world.now.mono;
        let entry = self.entries.get_mut(id.index())?;
        let kept = Undisturbed { world, disturbed };
        entry.recall.when.feed(&alarm.condition, &kept, now);
        if let Some(worse) = &alarm.worse {
            entry.recall.worse.feed(worse, &kept, now);
        }
        // A standing alarm's condition is held by its deadband. What is worse has none: it is said
        // once in an episode, and not before its limit.
        let hold = alarm.deadband.filter(|_| entry.state.state.is_standing());
        let present = Present { world, memory: &entry.recall.when, now };
        let verdict = alarm.condition.evaluate(&present, hold);
        let worse = alarm.worse.as_ref().map(|worse| {
            let present = Present { world, memory: &entry.recall.worse, now };
            worse.evaluate(&present, None)
        });
        let rings = verdict.truth == Truth::True || entry.state.state.is_standing();
        entry.farthest = if rings { Extreme::with(entry.farthest, alarm, world) } else { None };
        let over = entry.watch.see(verdict.truth, now);
        let after_work = entry.after_work.take_if(|_| verdict.truth == Truth::False);
        let state = entry.state.state;
        // Lost sight has records of its own, and a pump that was back late after work is no blip.
        let counts =
            alarm.sight.is_none() && after_work.is_none() && !state.is_standing() && !state.is_aside();
        if let Some((began, length)) = over.filter(|(_, length)| counts && *length < alarm.on_delay) {
            entry.blips.note(began, length);
        }
        let until = [verdict.until, worse.and_then(|worse| worse.until)].into_iter().flatten().min();
        let quiet = !state.is_standing() && !state.is_aside() && entry.state.chattering.is_none();
        let calm = verdict.truth == Truth::False && until.is_none() && entry.blips.due().is_none();
        let rested = std::mem::replace(&mut entry.rests, quiet && calm && entry.after_work.is_none());
        if rested && entry.rests {
            return None;
        }
        Some(Seen { truth: verdict.truth, worse: worse.map(|worse| worse.truth), until })
    }

    /// Another call-out's pages tell of it: only when that has ended its delay begins.
    pub(in crate::engine) fn on_told_elsewhere(&mut self, id: AlarmId, now: Moment) {
        if let Some(entry) = self.entries.get_mut(id.index())
            && entry.watch.true_for(now).is_some()
        {
            entry.watch.true_since = Some(now);
        }
    }

    /// Moves the alarm on if its time has come.
    pub(in crate::engine) fn on_seen(
        &self,
        cx: &Context<'_>,
        id: AlarmId,
        seen: Seen,
        told_elsewhere: bool,
        next: &mut Next,
    ) {
        next.wake(DeadlineReason::Recheck(id), seen.until);
        match self.entries[id.index()].blips.due() {
            Some(due) if due <= cx.mono() => self.tell_blips(cx, id, next),
            due => next.wake(DeadlineReason::Blips(id), due),
        }
        let state = self.state(id).state;
        if state.is_aside() {
            // Watched all the same, so that the end of it finds the truth at once.
            next.wake(DeadlineReason::OnDelay(id), None);
            next.wake(DeadlineReason::OffDelay(id), None);
        } else if state.is_standing() {
            next.wake(DeadlineReason::OnDelay(id), None);
            self.note_sight(cx, id, seen.truth, next);
            self.judge_standing(cx, id, seen, next);
        } else {
            next.wake(DeadlineReason::OffDelay(id), None);
            self.judge_quiet(cx, id, seen.truth, told_elsewhere, next);
        }
    }

    /// The watch ends, or another plan begins: what was counted is recorded.
    pub(in crate::engine) fn on_stop(&self, cx: &Context<'_>, next: &mut Next) {
        cx.alarms().for_each(|id| self.tell_blips(cx, id, next));
    }

    fn tell_blips(&self, cx: &Context<'_>, id: AlarmId, next: &mut Next) {
        if let Some((count, longest, since)) = self.entries[id.index()].blips.told(cx.mono()) {
            next.record(Body::Blipped { alarm: cx.name(id), count, longest, since });
            next.wake(DeadlineReason::Blips(id), None);
        }
    }

    fn judge_standing(&self, cx: &Context<'_>, id: AlarmId, seen: Seen, next: &mut Next) {
        let entry = &self.entries[id.index()];
        let off_delay = match entry.state.chattering.is_some() {
            true => cx.plan.alarm(id).off_delay.max(CHATTER_WINDOW),
            false => cx.plan.alarm(id).off_delay,
        };
        let back = (seen.truth == Truth::False).then(|| entry.watch.since + off_delay);
        if back.is_some_and(|back| back <= cx.mono()) {
            return self.return_to_normal(cx, id, next);
        }
        next.wake(DeadlineReason::OffDelay(id), back);
        // It is news once, and again to those of another call-out.
        let known = |episode: &Episode| episode.worse && cx.callouts.knows_as_worse(episode.id);
        if seen.worse == Some(Truth::True) && !entry.state.episode.as_deref().is_none_or(known) {
            self.worsen(cx, id, next);
        }
    }

    fn judge_quiet(
        &self,
        cx: &Context<'_>,
        id: AlarmId,
        truth: Truth,
        told_elsewhere: bool,
        next: &mut Next,
    ) {
        let entry = &self.entries[id.index()];
        let now = cx.mono();
        let on_delay = cx.plan.alarm(id).on_delay;
        let grace = entry.after_work.as_deref().map(|(_, _, ended)| *ended + AFTER_WORK);
        match entry.watch.true_for(cx.mono()) {
            Some(_) if told_elsewhere => next.wake(DeadlineReason::OnDelay(id), None),
            Some(held) => match grace.into_iter().fold(now + (on_delay - held), Moment::max) {
                due if due <= now => self.raise(cx, id, held, next),
                due => next.wake(DeadlineReason::OnDelay(id), Some(due)),
            },
            None => next.wake(DeadlineReason::OnDelay(id), None),
        }
        if truth == Truth::False && entry.state.chattering.is_some() {
            let settled_at = entry.watch.since + CHATTER_WINDOW;
            match settled_at <= cx.mono() {
                true => {
                    next.record(Body::Settled { alarm: cx.name(id) });
                }
                false => next.wake(DeadlineReason::OffDelay(id), Some(settled_at)),
            }
        }
    }

    fn raise(&self, cx: &Context<'_>, id: AlarmId, held: Span, next: &mut Next) {
        next.wake(DeadlineReason::OnDelay(id), None);
        let (episode, code) = match &self.state(id).episode {
            Some(episode) => (episode.id, episode.code.clone()),
            None => (next.next_seq(), cx.code(next)),
        };
        let alarm = cx.plan.alarm(id);
        let soon = alarm.on_delay.max(AFTER_WORK) + RESTART;
        let soon_after =
            |(_, work, ended): &&(_, String, Moment)| !work.is_empty() && cx.mono() - *ended <= soon;
        let after_work = self.entries[id.index()].after_work.as_deref().filter(soon_after);
        let not_back = after_work.map(|(_, work, ended)| {
            let ended = cx.now.wall_at(*ended).civil(&cx.plan.zone).strftime("%H:%M");
            format!("{NOT_BACK}{work}, which ended {ended}")
        });
        next.record(Body::Raised {
            alarm: alarm.name.clone(),
            episode,
            code,
            place: cx.plan.place_of(alarm).to_owned(),
            priority: priority(cx, id),
            since: held,
            because: [cx.because(id)].into_iter().chain(not_back).collect::<Vec<_>>().join("; "),
            after_work: after_work
                .map(|(_, work, ended)| AfterWork { work: work.clone(), ended: cx.mono() - *ended }),
        });
        // What counts is how often with this time.
        let mut after = self.state(id).clone();
        after.note_raise(episode, cx.mono());
        if after.raises.len() >= CHATTER_RAISES && after.chattering.is_none() {
            let within = after.raises.first().map_or(Span::ZERO, |(_, first)| cx.mono() - *first);
            let raises = after.raises.len() as u32;
            next.record(Body::Chattering { alarm: alarm.name.clone(), raises, within });
        }
        next.then(Task::BeginStopgap(id));
        next.then(Task::Foretell { alarm: id, episode });
        next.then(Task::CallFor { alarm: id, episode });
        // What is worse may be so from the beginning.
        next.then(Task::Judge(id));
    }

    fn worsen(&self, cx: &Context<'_>, id: AlarmId, next: &mut Next) {
        let Some(episode) = self.episode(id) else { return };
        let alarm = cx.name(id);
        next.record(Body::Worsened { alarm: alarm.clone(), episode, because: cx.because(id) });
        next.then(Task::Foretell { alarm: id, episode });
        next.then(Task::GotWorse(episode));
    }

    fn return_to_normal(&self, cx: &Context<'_>, id: AlarmId, next: &mut Next) {
        next.wake(DeadlineReason::OffDelay(id), None);
        let Some(episode) = &self.state(id).episode else { return };
        let (episode, stood) = (episode.id, cx.mono() - episode.raised);
        let (because, farthest) = (cx.because(id), self.farthest(cx, id));
        next.record(Body::Returned { alarm: cx.name(id), episode, stood, because, farthest });
        next.tasks.extend(cx.plan.alarm(id).stopgap.map(|stopgap| Task::Attend(stopgap.relay)));
        next.then(Task::Fell(episode));
        next.then(Task::Judge(id));
    }

    /// Says when a standing alarm loses sight of a reading it needs, and when it finds it.
    fn note_sight(&self, cx: &Context<'_>, id: AlarmId, truth: Truth, next: &mut Next) {
        let Some(episode) = &self.state(id).episode else { return };
        let (alarm, blind, episode) = (cx.name(id), episode.blind, episode.id);
        match (blind, truth == Truth::Unknown) {
            (false, true) => {
                next.record(Body::LostSight { alarm, episode });
            }
            (true, false) => {
                next.record(Body::FoundSight { alarm, episode });
            }
            (false, false) | (true, true) => {}
        }
    }
}

/// How much it matters now. A loss of sight is low while other sensors see all that it hides. A
/// forecast of a tank's warmth is low until the tank is learned: before that it rests on what such
/// tanks are like, and nobody is woken for that.
fn priority(cx: &Context<'_>, id: AlarmId) -> Priority {
    let alarm = cx.plan.alarm(id);
    let mut guesses = false;
    alarm.condition.asked(&mut |question| {
        if let UntilWhat::Water(tank, ..) = question.until {
            guesses |= !cx.world().has_learned(tank);
        }
    });
    if guesses || cx.is_seen_otherwise(id) { Priority::Low } else { alarm.priority }
}

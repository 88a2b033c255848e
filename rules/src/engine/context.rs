//! What a component may know while it decides: the ground that all stand on, and the others'
//! views, for reading only. Looking changes nothing; what is to be changed goes out as
//! [`Next`]. Questions that concern several components are answered here and in
//! [`availability`](super::availability).

use super::alarms::Alarms;
use super::callouts::Callouts;
use super::components::Components;
use super::delivery::Delivery;
use super::drills::Drills;
use super::forecasts::Forecasts;
use super::ground::{Ground, code};
use super::operator::Operator;
use super::outage::OutageDrills;
use super::relays::Relays;
use super::sensed::Sensed;
use super::sensors::Sensors;
use super::task::Next;
use super::timers::{DeadlineReason, Timers};
use super::work::WorkPeriods;
use crate::callout::Call;
use crate::condition::Present;
use crate::ids::{AlarmId, RelayId, Seq};
use crate::page::{Pages, Sent};
use crate::plan::{Alarm, Part, Target};
use crate::record::Body;
use crate::time::Moment;
use std::collections::BTreeSet;
use std::ops::Deref;

/// Everything, for reading.
#[derive(Clone, Copy)]
pub(super) struct Context<'a> {
    pub(super) ground: Ground<'a>,
    pub(super) seed: u64,
    /// The number that the first record of this turn has.
    pub(super) turn_from: Seq,
    pub(super) timers: &'a Timers,
    /// Pages that leave at the end of this turn.
    pub(super) leaving: &'a [Seq],
    pub(super) sensors: &'a Sensors,
    pub(super) alarms: &'a Alarms,
    pub(super) callouts: &'a Callouts,
    pub(super) delivery: &'a Delivery,
    pub(super) relays: &'a Relays,
    pub(super) forecasts: &'a Forecasts,
    pub(super) drills: &'a Drills,
    pub(super) work: &'a WorkPeriods,
    pub(super) operator: &'a Operator,
    pub(super) outage: &'a OutageDrills,
}

impl<'a> Deref for Context<'a> {
    type Target = Ground<'a>;

    fn deref(&self) -> &Ground<'a> {
        &self.ground
    }
}

impl<'a> Context<'a> {
    /// Of these components, on this ground.
    pub(super) fn of(
        ground: Ground<'a>,
        (seed, turn_from): (u64, Seq),
        timers: &'a Timers,
        leaving: &'a [Seq],
        parts: &'a Components,
    ) -> Self {
        Self {
            ground,
            seed,
            turn_from,
            timers,
            leaving,
            sensors: &parts.sensors,
            alarms: &parts.alarms,
            callouts: &parts.callouts,
            delivery: &parts.delivery,
            relays: &parts.relays,
            forecasts: &parts.forecasts,
            drills: &parts.drills,
            work: &parts.work,
            operator: &parts.operator,
            outage: &parts.outage,
        }
    }

    /// The present, for conditions.
    pub(super) fn world(&self) -> Sensed<'a> {
        Sensed {
            plan: self.ground.plan,
            now: self.ground.now,
            sensors: self.sensors,
            relays: self.relays,
            forecasts: self.forecasts,
        }
    }

    /// A code for what the next record begins, unlike every one in use.
    pub(super) fn code(&self, next: &Next) -> String {
        let just_made = |code: &str| {
            next.records.iter().any(|record| match &record.body {
                Body::Raised { code: made, .. } | Body::CallBegan { code: made, .. } => made == code,
                _ => false,
            })
        };
        code(self.seed, next.next_seq(), |code| {
            self.alarms.has_code(code)
                || self.callouts.has_code(code)
                || self.drills.has_code(code)
                || just_made(code)
        })
    }

    /// The pages of a call-out.
    pub(super) fn pages(&self, call: Seq) -> Pages<'a> {
        self.delivery.pages_of(call)
    }

    /// What an alarm rests on, in words, with what its site says of itself.
    pub(super) fn because(&self, id: AlarmId) -> String {
        let memory = self.alarms.memory(id);
        let world = self.world();
        let present = Present { world: &world, memory, now: self.mono() };
        let alarm = self.plan.alarm(id);
        let because = alarm.condition.because(self.plan, &present);
        [because].into_iter().chain(self.notes_of(alarm, true)).collect::<Vec<_>>().join("; ")
    }

    /// What the site that the alarm is about said of itself; with the likely cause of its silence
    /// if that is what rings.
    pub(super) fn notes_of(&self, alarm: &Alarm, rings: bool) -> Vec<String> {
        let site = alarm.watched.and_then(|id| self.plan.watched.get(id.index()));
        let Some(note) = site.and_then(|site| self.sensors.note(site.sensor)) else {
            return Vec::new();
        };
        let likely = (rings && alarm.sight.is_some()).then_some(note.likely.as_ref());
        [note.words.as_ref()].into_iter().chain(likely).map(str::to_owned).collect()
    }

    /// When an alarm that is true and waits out its on-delay would be raised.
    pub(super) fn about_to_raise(&self, id: AlarmId) -> Option<Moment> {
        self.timers.get(DeadlineReason::OnDelay(id))
    }

    /// Whether pages of a call-out about something else tell of this alarm: of a channel that
    /// fails, as long as that call-out uses it. They say themselves what came of each page, and
    /// its last pages show whether the channel works again.
    pub(super) fn is_told_elsewhere(&self, id: AlarmId) -> bool {
        let Some(target) = self.plan.alarm(id).channel() else { return false };
        let tells = |call: &Call| {
            let open = |page: &Sent| page.target == *target && (!call.ended() || page.last.is_none());
            self.pages(call.id()).iter().any(open) && !self.is_about_channels(call)
        };
        self.callouts.iter().any(tells)
    }

    /// Whether all that it tells of is channels that fail.
    pub(super) fn is_about_channels(&self, call: &Call) -> bool {
        !call.core.members.is_empty()
            && call.core.members.iter().all(|member| self.channel_of(&member.alarm).is_some())
    }

    /// Whether a channel is known to fail. That is told by the others, and by none while all do:
    /// whatever else there is to say keeps trying, and finds out when one works.
    pub(super) fn is_failing(&self, target: &Target) -> bool {
        self.world().trouble_of(&Part::Channel(target.clone())).is_some()
    }

    /// The standing alarms that want the relay, each with its episode and the state it wants.
    pub(super) fn wishers(&self, relay: RelayId) -> impl Iterator<Item = (AlarmId, Seq, bool)> + '_ {
        self.alarms().filter_map(move |id| {
            let stopgap = self.plan.alarm(id).stopgap.filter(|stopgap| stopgap.relay == relay)?;
            Some((id, self.alarms.standing(id)?, stopgap.on))
        })
    }

    /// The running call-outs that a stopgap of this relay, begun for this episode, matters to.
    pub(super) fn concerned(&self, relay: RelayId, episode: Seq) -> BTreeSet<Seq> {
        let episodes = self.wishers(relay).map(|(_, episode, _)| episode).chain([episode]);
        let calls = episodes.filter_map(|episode| self.callouts.of_episode(episode));
        calls.filter(|call| call.stands()).map(|call| call.id()).collect()
    }
}

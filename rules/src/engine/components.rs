//! All components together: which record changes which of them, what they carry over under another
//! plan, and the records that they rest on.

// What is new has to be handled here.
#![warn(clippy::wildcard_enum_match_arm)]

use super::alarms::Alarms;
use super::callouts::Callouts;
use super::delivery::Delivery;
use super::drills::Drills;
use super::forecasts::Forecasts;
use super::ground::Ground;
use super::index::Index;
use super::operator::Operator;
use super::outage::OutageDrills;
use super::relays::Relays;
use super::sensed::Sensed;
use super::sensors::Sensors;
use super::work::WorkPeriods;
use crate::ids::Seq;
use crate::plan::Plan;
use crate::record::{Body, Record};
use crate::time::{Moment, Now};

/// Each with its own state; none knows another.
#[derive(Debug)]
pub(super) struct Components {
    pub(super) sensors: Sensors,
    pub(super) alarms: Alarms,
    pub(super) callouts: Callouts,
    pub(super) delivery: Delivery,
    pub(super) relays: Relays,
    pub(super) forecasts: Forecasts,
    pub(super) drills: Drills,
    pub(super) work: WorkPeriods,
    pub(super) operator: Operator,
    pub(super) outage: OutageDrills,
}

impl Components {
    pub(super) fn new(plan: &Plan, index: &Index, now: Moment) -> Self {
        Self {
            sensors: Sensors::new(plan, index, now),
            alarms: Alarms::new(plan, now),
            callouts: Callouts::default(),
            delivery: Delivery::default(),
            relays: Relays::default(),
            forecasts: Forecasts::new(plan, now),
            drills: Drills::default(),
            work: WorkPeriods::default(),
            operator: Operator::default(),
            outage: OutageDrills::default(),
        }
    }

    /// What a record does to the state that lasts. This is the only way that it changes: the
    /// running engine comes here with the record it has just made, a restart with those of the
    /// journal. A record about something that the plan no longer has changes nothing.
    pub(super) fn apply(&mut self, ground: &Ground<'_>, record: &Record) {
        // A drill looks at most of what happens.
        self.outage.apply(ground, record);
        match &record.body {
            Body::Raised { .. } => {
                self.alarms.apply(ground, record);
                self.callouts.apply(ground, record);
                self.relays.apply(ground, record);
            }
            Body::Worsened { .. }
            | Body::LostSight { .. }
            | Body::FoundSight { .. }
            | Body::Returned { .. }
            | Body::Shelved { .. }
            | Body::TakenOut { .. }
            | Body::Suppressed { .. } => {
                self.alarms.apply(ground, record);
                self.callouts.apply(ground, record);
            }
            Body::Chattering { .. }
            | Body::Settled { .. }
            | Body::Blipped { .. }
            | Body::Acknowledged { .. }
            | Body::Reset { .. }
            | Body::Unshelved { .. }
            | Body::PutBack { .. }
            | Body::Unsuppressed { .. } => self.alarms.apply(ground, record),
            Body::CallBegan { .. }
            | Body::Joined { .. }
            | Body::Stepped { .. }
            | Body::Answered { .. }
            | Body::Ticked { .. }
            | Body::Hushed { .. }
            | Body::Resumed { .. }
            | Body::CallEnded { .. }
            | Body::CallChanged { .. } => self.callouts.apply(ground, record),
            Body::Started { .. } | Body::Paged { .. } => {
                self.callouts.apply(ground, record);
                self.delivery.apply(ground, record);
            }
            Body::Reloaded { .. } | Body::Delivered { .. } => {
                self.delivery.apply(ground, record);
            }
            Body::Drill(_) => {
                self.drills.apply(record);
                self.delivery.apply(ground, record);
            }
            Body::Learned { .. } => self.forecasts.apply(ground, record),
            Body::SightLost { .. } | Body::SightRegained { .. } => self.sensors.apply(record),
            Body::WorkBegan { .. } | Body::WorkEnded { .. } => self.work.apply(ground, record),
            Body::SilencePlanned { .. } | Body::SilenceEnded { .. } => self.operator.apply(record),
            Body::Switched { .. }
            | Body::Withheld { .. }
            | Body::Held { .. }
            | Body::ByHand { .. }
            | Body::Released { .. }
            | Body::Proved { .. }
            | Body::NotProved { .. } => self.relays.apply(ground, record),
            // Kept for people; nothing follows from them.
            Body::Foretold { .. }
            | Body::HandedOn { .. }
            | Body::Stopped { .. }
            | Body::ClockSet { .. }
            | Body::Skipped { .. }
            | Body::Marked { .. }
            | Body::CommandKept { .. }
            | Body::SiteChanged { .. }
            | Body::Refused { .. } => {}
        }
    }

    /// The present, for conditions and models.
    pub(super) fn world<'a>(&'a self, plan: &'a Plan, now: Now) -> Sensed<'a> {
        Sensed { plan, now, sensors: &self.sensors, relays: &self.relays, forecasts: &self.forecasts }
    }

    /// Forgets call-outs that are over and whose last pages are through, or those that tell of them
    /// too.
    pub(super) fn forget_what_is_done(&mut self) {
        let done = self.callouts.over().filter(|call| !self.delivery.needs(*call));
        for call in done.collect::<Vec<_>>() {
            self.callouts.forget(call);
            self.delivery.forget(call);
        }
    }

    /// Goes on under another plan.
    pub(super) fn carry_over(&mut self, old: &Plan, (new, index): (&Plan, &Index), now: Moment) {
        let before = std::mem::replace(&mut self.alarms, Alarms::new(new, now));
        self.alarms.carry_over(old, before, new);
        let before = std::mem::replace(&mut self.sensors, Sensors::new(new, index, now));
        self.sensors.carry_over(old, before, (new, index));
        let before = std::mem::replace(&mut self.forecasts, Forecasts::new(new, now));
        self.forecasts.carry_over(old, before, new);
        self.work.carry_over(old, new);
        self.relays.carry_over(old, new);
        self.callouts.touch_all();
        if old.drill.pages != new.drill.pages {
            self.drills.on_another_time(now);
        }
    }

    /// The oldest record that still matters; none if none does.
    pub(super) fn rests_on(&self, ground: &Ground<'_>) -> Option<Seq> {
        let now = ground.mono();
        self.alarms
            .rests_on(now)
            .chain(self.callouts.rests_on(now))
            .chain(self.delivery.rests_on(now))
            .chain(self.relays.rests_on(ground.plan, now))
            .chain(self.forecasts.rests_on())
            .chain(self.drills.rests_on(ground))
            .chain(self.work.rests_on())
            .chain(self.sensors.rests_on())
            .chain(self.outage.rests_on())
            .chain(self.operator.silence_at(now).map(|silence| silence.seq))
            .min()
    }
}

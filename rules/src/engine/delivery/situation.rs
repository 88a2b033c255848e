//! What a card is to be used in: which of its acts are done and proved, and whether cold or heat
//! threatens. An act counts as done only if a relay was seen to obey, and for heaters and lamps
//! only if what it cuts is all that the tank declares: a tick that is wrong costs a tank.

use crate::card::{Act, Harm, Situation};
use crate::condition::World;
use crate::condition::query::{Question, UntilWhat, WhatIf};
use crate::engine::context::Context;
use crate::forecast::thermal::Side;
use crate::ids::{AlarmId, RelayId, SensorId, TankId};
use crate::plan::{Adds, Device, Sight};
use crate::quality::Quality;
use crate::stopgap::Proof;
use std::collections::BTreeSet;

impl Context<'_> {
    /// The situation in which the card of this alarm is read: of its tank, or of all if it has
    /// none.
    pub(super) fn situation(&self, alarm: &str) -> Situation {
        let Some(id) = self.alarm(alarm) else { return Situation::default() };
        let all = (0..).map(TankId).take(self.plan.tanks.len());
        let own = self.plan.alarm(id).tank;
        let tanks: Vec<TankId> = all.filter(|tank| own.is_none_or(|own| own == *tank)).collect();
        let disbelieved = self.is_disbelieved(id);
        let mut now = Situation { harms: self.harms(&tanks, id), disbelieved, ..Situation::default() };
        // What was proved before all sight was lost is not seen now.
        if self.plan.alarm(id).sight == Some(Sight::Broker) {
            return now;
        }
        for (act, is_done) in [
            (Act::Air, Self::breathes as fn(&Self, TankId) -> bool),
            (Act::HeatOff, Self::has_heaters_off),
            (Act::LightOff, Self::has_lamp_off),
        ] {
            let (done, left): (Vec<_>, Vec<_>) = tanks.iter().partition(|tank| is_done(self, **tank));
            if !done.is_empty() {
                let titles = |tanks: Vec<TankId>| -> Vec<String> {
                    tanks.into_iter().map(|tank| self.plan.tank(tank).title.clone()).collect()
                };
                now.acts.insert(act, titles(left));
                now.done_in.insert(act, titles(done));
            }
        }
        now
    }

    /// Whether the sensor that this alarm of lost sight is about speaks, and says what can't be so.
    fn is_disbelieved(&self, alarm: AlarmId) -> bool {
        let Some(Sight::Sensor(id)) = self.plan.alarm(alarm).sight else { return false };
        self.sensors.quality(self.plan.sensor(id), id, self.mono()).0 == Quality::Suspect
    }

    /// Air is there if its pump was seen to obey; that the water moves is as good.
    fn breathes(&self, tank: TankId) -> bool {
        self.has_air(tank) || self.has_flow(tank)
    }

    /// Whether the tank's air pump is seen to run.
    pub(in crate::engine) fn has_air(&self, tank: TankId) -> bool {
        let own = self.plan.tanks[tank.index()].gear.air.and_then(|air| air.relay);
        // What an alarm of this tank starts to give it air is its air pump too.
        let stopgaps = self.plan.alarms.iter().filter(|alarm| alarm.tank == Some(tank));
        let stopgaps = stopgaps.filter_map(|alarm| alarm.stopgap).map(|stopgap| stopgap.relay);
        let gives_air = |relay: &RelayId| self.plan.relay(*relay).moves == Adds::Air;
        own.into_iter().chain(stopgaps.filter(gives_air)).any(|relay| self.is_proved(relay, true))
    }

    fn has_heaters_off(&self, tank: TankId) -> bool {
        self.are_cut(Adds::Heat, &self.plan.tanks[tank.index()].gear.heaters)
    }

    fn has_lamp_off(&self, tank: TankId) -> bool {
        self.are_cut(Adds::Light, &[self.plan.tanks[tank.index()].gear.lamp])
    }

    /// Whether every one of these devices is shown by a sensor that proved a relay to be off.
    fn are_cut(&self, moves: Adds, devices: &[Option<Device>]) -> bool {
        let off = (0..).map(RelayId).zip(&self.plan.relays);
        let off = off.filter(|(id, relay)| relay.moves == moves && self.is_proved(*id, false));
        let seen: BTreeSet<SensorId> = off
            .flat_map(|(_, relay)| relay.proof.iter().flat_map(|proof| proof.condition.sensors()))
            .collect();
        let mut there = devices.iter().flatten().peekable();
        there.peek().is_some() && there.all(|device| device.sensor.is_some_and(|id| seen.contains(&id)))
    }

    fn is_proved(&self, relay: RelayId, on: bool) -> bool {
        let order = self.relays.run(relay).and_then(|run| run.order());
        order.is_some_and(|order| order.on == on && matches!(order.proof, Proof::Confirmed(_)))
    }

    /// Whether it may get too cold or too warm, whichever of the two comes first; none if no tank's
    /// model can say it of both.
    fn harms(&self, tanks: &[TankId], alarm: AlarmId) -> Option<BTreeSet<Harm>> {
        let mut found = None;
        for tank in tanks {
            let limits = self.limits(*tank, &[self.plan.alarm(alarm)]);
            let answers = limits.into_iter().filter_map(|until| {
                let harm = match until {
                    UntilWhat::Water(_, Side::Below, _) => Harm::Cold,
                    UntilWhat::Water(_, Side::Above, _) => Harm::Warm,
                    UntilWhat::Oxygen(..) | UntilWhat::Battery(_) => return None,
                };
                let asked = Question { until, supposing: WhatIf::default() };
                Some(self.world().foretell(&asked).map(|estimate| (estimate.range.low, harm)))
            });
            // One side alone says nothing: the other may be the one that threatens.
            let Ok(answers) = answers.collect::<Result<Vec<_>, _>>() else { continue };
            let earliest = answers.into_iter().min_by(|one, other| one.0.total_cmp(&other.0));
            let Some((early, harm)) = earliest else { continue };
            let harms: &mut BTreeSet<Harm> = found.get_or_insert_default();
            harms.extend(early.is_finite().then_some(harm));
        }
        found
    }
}

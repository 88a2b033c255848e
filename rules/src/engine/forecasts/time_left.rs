//! How long there is, for people: the questions that nobody had to write down. Pages ask them when what
//! stands bears on them, `status` always.

use crate::callout::{Call, Fate};
use crate::condition::query::{Question, UntilWhat, WhatIf};
use crate::condition::{Condition, World};
use crate::engine::context::Context;
use crate::engine::task::Next;
use crate::forecast::oxygen::{ACUTE_MG_L, CHRONIC_MG_L};
use crate::forecast::thermal::Side;
use crate::forecast::wording;
use crate::forecast::{CannotSay, Estimate};
use crate::ids::{AlarmId, BatteryId, SensorId, Seq, TankId};
use crate::plan::Alarm;
use crate::record::{Body, Estimated};
use crate::time::{Moment, Span};
use std::collections::BTreeSet;

/// A UPS that says it is about to stop, and not when, is trusted for so long.
const LAST_WORD: Span = Span::minutes(10);

/// A question with its answer.
struct Prospect {
    tank: Option<TankId>,
    asked: Question,
    answer: Result<Estimate, CannotSay>,
}

impl Prospect {
    /// Whether something may come, and not never.
    fn may_come(&self) -> bool {
        self.early().is_finite()
    }

    /// Whether its range says more than that it may come at any time, or in days.
    fn says_something(&self) -> bool {
        let range = self.answer.as_ref().ok().map(|estimate| estimate.range);
        range.is_some_and(|range| range.low > 0.0 && range.high.is_finite())
    }

    fn early(&self) -> f64 {
        self.answer.as_ref().map_or(f64::INFINITY, |estimate| estimate.range.low)
    }
}

impl Context<'_> {
    /// What can be foretold of a tank: of its water against these limits, and of its oxygen.
    fn prospects_of(&self, tank: TankId, limits: Vec<UntilWhat>) -> Vec<Prospect> {
        let world = self.world();
        let plain = WhatIf::default();
        let found = &self.plan.tanks[tank.index()];
        let mut asked: Vec<Question> =
            limits.into_iter().map(|until| Question { until, supposing: plain }).collect();
        if found.volume.is_some() {
            let acute = UntilWhat::Oxygen(tank, ACUTE_MG_L);
            asked.push(Question { until: UntilWhat::Oxygen(tank, CHRONIC_MG_L), supposing: plain });
            let airs: &[_] = if found.gear.air.is_some() { &[Some(false), Some(true)] } else { &[None] };
            asked.extend(
                airs.iter().map(|air| Question { until: acute, supposing: WhatIf { air: *air, ..plain } }),
            );
        }
        asked
            .into_iter()
            .map(|asked| Prospect { tank: Some(tank), asked, answer: world.foretell(&asked) })
            .collect()
    }

    fn batteries(&self) -> impl Iterator<Item = Prospect> + '_ {
        (0..).map(BatteryId).take(self.plan.batteries.len()).map(|id| {
            let asked = Question { until: UntilWhat::Battery(id), supposing: WhatIf::default() };
            Prospect { tank: None, asked, answer: self.world().foretell(&asked) }
        })
    }

    /// The limits of a tank's water: as its thermometer's `limits` say, and as these alarms ask.
    pub(in crate::engine) fn limits(&self, tank: TankId, alarms: &[&Alarm]) -> Vec<UntilWhat> {
        let mut asked: Vec<UntilWhat> = Vec::new();
        for alarm in alarms {
            alarm.condition.asked(&mut |question| {
                if let UntilWhat::Water(of, ..) = question.until
                    && of == tank
                    && !asked.contains(&question.until)
                {
                    asked.push(question.until);
                }
            });
        }
        let band = self.plan.tanks[tank.index()].gear.water.and_then(|id| self.plan.sensor(id).limits);
        if let Some((low, high)) = band {
            for (side, limit) in [(Side::Below, low), (Side::Above, high)] {
                // What an alarm asks is nearer to its matter than the band that the animals like.
                if !asked.iter().any(|subject| matches!(subject, UntilWhat::Water(_, of, _) if *of == side)) {
                    asked.push(UntilWhat::Water(tank, side, limit));
                }
            }
        }
        asked
    }

    /// How long there is, for a page: a line each, the soonest first; and the soonest in short.
    pub(in crate::engine) fn how_long(&self, call: &Call) -> (Vec<String>, Option<String>) {
        let standing = call.members.iter().filter(|member| member.fate == Fate::Stands);
        let alarms: Vec<&Alarm> =
            standing.filter_map(|member| Some(self.plan.alarm(self.alarm(&member.alarm)?))).collect();
        let found = self.at_stake(&alarms);
        let soonest = found.first().map(|prospect| {
            let words = prospect.asked.in_short(self.plan, &prospect.answer);
            // Of one tank the headline tells already which it is.
            match self.plan.tanks.len() {
                1 => words,
                _ => format!("{}: {words}", self.plan.place(prospect.tank)),
            }
        });
        (found.iter().map(|prospect| self.in_words(prospect)).collect(), soonest)
    }

    /// Records what is foretold while an alarm is raised or gets worse, for the review.
    pub(in crate::engine) fn note_prospects(&self, id: AlarmId, episode: Seq, next: &mut Next) {
        let alarm = self.plan.alarm(id);
        let found = self.at_stake(&[alarm]);
        let estimates: Vec<_> = found.iter().map(|prospect| self.estimated(prospect)).collect();
        if !estimates.is_empty() {
            let alarm = alarm.name.clone();
            next.record(Body::Foretold { alarm, episode, estimates });
        }
    }

    /// The early end of what bears on an alarm and may come to pass, if its range says something; of
    /// what kills, if only that is asked for.
    pub(in crate::engine) fn harm_from(&self, alarm: &str, deadly: bool) -> Option<Moment> {
        let alarm = self.plan.alarm(self.alarm(alarm)?);
        let of_water = self.at_stake(&[alarm]).into_iter().filter(|found| found.tank.is_some());
        let says = of_water.filter(Prospect::says_something);
        let kills =
            says.filter(|found| !deadly || matches!(found.asked.until, UntilWhat::Oxygen(_, ACUTE_MG_L)));
        let hours = kills.map(|found| found.early()).min_by(f64::total_cmp)?;
        Some(self.mono() + Span((hours * 3_600_000.0) as i64))
    }

    /// When this watch may go dark: by what its UPS says of itself, while that is about to stop; if it
    /// says no time, ten minutes after it said so.
    pub(in crate::engine) fn dark_from(&self) -> Option<Moment> {
        let ending = self.alarms().filter(|id| self.is_own_end(*id) && self.alarms.standing(*id).is_some());
        let dark = ending.filter_map(|id| {
            let sensors = self.plan.alarm(id).condition.sensors();
            let runtime = |sensor: &SensorId| self.plan.sensor(*sensor).measure.name == "runtime";
            let left = self.world().number(sensors.into_iter().find(runtime));
            match left {
                Some(seconds) => Some(self.mono() + Span((seconds * 1_000.0) as i64)),
                None => self.alarms.state(id).episode.as_ref().map(|open| open.raised + LAST_WORD),
            }
        });
        dark.min()
    }

    /// Whether an alarm says that the power of the watch itself ends.
    pub(in crate::engine) fn is_own_end(&self, id: AlarmId) -> bool {
        self.plan.alarm(id).hazard == Some("ups-ending")
    }

    /// What bears on these alarms and may come to pass, the soonest first.
    fn at_stake(&self, alarms: &[&Alarm]) -> Vec<Prospect> {
        let power = alarms.iter().any(|alarm| self.touches_power(&alarm.condition));
        let mut found = Vec::new();
        for tank in (0..).map(TankId).take(self.plan.tanks.len()) {
            let gear = self.plan.tanks[tank.index()].gear.sensors();
            let touches = |alarm: &&Alarm| {
                alarm.condition.sensors().iter().any(|id| gear.contains(id))
                    || alarm.condition.foretells().contains(&tank)
            };
            if power || alarms.iter().any(touches) {
                found.extend(self.prospects_of(tank, self.limits(tank, alarms)));
            }
        }
        if power {
            found.extend(self.batteries());
        }
        found.retain(Prospect::may_come);
        found.sort_by(|one, other| one.early().total_cmp(&other.early()));
        found
    }

    fn touches_power(&self, condition: &Condition) -> bool {
        let sensors = condition.sensors();
        let fed: BTreeSet<_> = self.plan.batteries.iter().flat_map(|battery| battery.sensors()).collect();
        self.plan.mains.is_some_and(|mains| sensors.contains(&mains))
            || sensors.iter().any(|id| fed.contains(id))
    }

    /// A prospect with its place, for a page.
    fn in_words(&self, prospect: &Prospect) -> String {
        let place = self.plan.place(prospect.tank);
        format!("{place}: {}", prospect.asked.words(self.plan, &prospect.answer))
    }

    /// All that can be foretold, for `status`.
    pub(in crate::engine) fn estimates(&self) -> Vec<Estimated> {
        let tanks = (0..).map(TankId).take(self.plan.tanks.len());
        let tanks = tanks.filter(|tank| self.plan.tanks[tank.index()].gear.water.is_some());
        let alarms: Vec<&Alarm> = self.plan.alarms.iter().collect();
        let of_tanks = tanks.flat_map(|tank| self.prospects_of(tank, self.limits(tank, &alarms)));
        of_tanks.chain(self.batteries()).map(|prospect| self.estimated(&prospect)).collect()
    }

    fn estimated(&self, prospect: &Prospect) -> Estimated {
        let range = prospect.answer.as_ref().ok().map(|estimate| estimate.range);
        let finite = |end: Option<f64>| end.filter(|hours| hours.is_finite());
        Estimated {
            place: self.plan.place(prospect.tank).to_owned(),
            words: prospect.asked.words(self.plan, &prospect.answer),
            low_h: finite(range.map(|range| range.low)),
            likely_h: finite(range.map(|range| range.likely)),
            high_h: finite(range.map(|range| range.high)),
            rests_on: prospect.answer.as_ref().map(wording::rests_on).unwrap_or_default(),
        }
    }
}

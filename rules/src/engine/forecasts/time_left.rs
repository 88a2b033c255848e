//! How long there is, for people: the questions that nobody had to write down. Pages ask them when
//! what stands bears on them, `status` always.

use crate::condition::query::{Question, UntilWhat, WhatIf};
use crate::condition::{Condition, World};
use crate::engine::WaterAhead;
use crate::engine::context::Context;
use crate::engine::task::Next;
use crate::forecast::oxygen::{ACUTE_MG_L, CHRONIC_MG_L};
use crate::forecast::thermal::Side;
use crate::forecast::wording;
use crate::forecast::{CannotSay, Estimate};
use crate::ids::{AlarmId, BatteryId, SensorId, Seq, TankId};
use crate::page::facts::{Breathless, Coming, Outlook};
use crate::plan::{Alarm, spoken};
use crate::reading::Value;
use crate::record::{Body, Estimated, WaterLimit};
use crate::time::{Moment, Span};
use crate::units::Scale;
use crate::words;
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

    /// Limits that a tank's water may meet, as far as the range says something.
    pub(in crate::engine) fn water_ahead(&self, tank: TankId) -> Vec<WaterAhead> {
        let found = self.prospects_of(tank, self.limits(tank, &[])).into_iter();
        let water = found.filter_map(|prospect| match (prospect.asked.until, prospect.answer) {
            (UntilWhat::Water(_, side, limit), Ok(estimate)) if estimate.range.low.is_finite() => {
                Some(WaterAhead { tank, side, limit, range: estimate.range })
            }
            _ => None,
        });
        water.collect()
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

    /// How long there is in each tank and battery that these alarms bear on, for a page.
    ///
    /// Every temperature is said in one unit, that of the tank that the page is about, or else of
    /// the first: one page in two units is two tanks too many to think of at night.
    pub(in crate::engine) fn outlooks(
        &self,
        alarms: &[&Alarm],
        cut: bool,
        about: Option<TankId>,
    ) -> Vec<Outlook> {
        let mut outlooks: Vec<Outlook> = Vec::new();
        let tanks = about.into_iter().chain((0..).map(TankId).take(self.plan.tanks.len()));
        let scale = tanks.filter_map(|tank| self.plan.tank(tank).gear.water).next();
        let scale = scale.map(|id| &self.plan.sensor(id).scale);
        for tank in (0..).map(TankId).take(self.plan.tanks.len()) {
            let breathless = self.breathless(tank, alarms, cut);
            let harms: Vec<Coming> = self
                .at_stake(alarms)
                .iter()
                .filter(|prospect| {
                    prospect.tank == Some(tank) && prospect.asked.supposing == WhatIf::default()
                })
                .filter(|prospect| !self.is_beyond_the_other_limit(tank, prospect.asked.until))
                .filter_map(|prospect| self.coming(prospect, scale))
                .collect();
            if breathless.is_some() || !harms.is_empty() {
                let title = self.plan.tank(tank).title.clone();
                outlooks.push(Outlook {
                    place: title,
                    water: self.water_now(tank, scale),
                    breathless,
                    harms,
                });
            }
        }
        for prospect in self.at_stake(alarms) {
            if let (UntilWhat::Battery(id), Some(harm)) =
                (prospect.asked.until, self.coming(&prospect, scale))
            {
                let battery = self.plan.battery(id);
                let place = match battery.feeds {
                    Some(relay) => {
                        let relay = self.plan.relay(relay);
                        format!("battery of the {}{}", relay.title, self.whose(relay))
                    }
                    None => format!("battery {}", spoken(&battery.name)),
                };
                outlooks.push(Outlook { place, water: None, breathless: None, harms: vec![harm] });
            }
        }
        outlooks
    }

    /// Whether the water is too warm now and this would be too cold, or the other way round: what
    /// is wrong now comes first, and how it goes after that is nobody's question yet.
    fn is_beyond_the_other_limit(&self, tank: TankId, until: UntilWhat) -> bool {
        let UntilWhat::Water(_, side, _) = until else { return false };
        let Some(id) = self.plan.tank(tank).gear.water else { return false };
        let (Some(now), Some((low, high))) = (self.number(id), self.plan.sensor(id).limits) else {
            return false;
        };
        match side {
            Side::Below => now > high,
            Side::Above => now < low,
        }
    }

    fn coming(&self, prospect: &Prospect, scale: Option<&Scale>) -> Option<Coming> {
        let range = prospect.answer.as_ref().ok()?.range;
        // Of two names for one lack a stranger asks which is the worse.
        let (what, oxygen) = match prospect.asked.until {
            UntilWhat::Oxygen(_, ACUTE_MG_L) => ("fish die".to_owned(), true),
            UntilWhat::Oxygen(..) => ("fish suffer".to_owned(), true),
            UntilWhat::Water(..) | UntilWhat::Battery(_) => (prospect.asked.harm(self.plan, scale), false),
        };
        Some(Coming { what, range, oxygen })
    }

    /// The tank's water, with its age if it is not fresh.
    fn water_now(&self, tank: TankId, scale: Option<&Scale>) -> Option<String> {
        let id = self.plan.tank(tank).gear.water?;
        let sensor = self.plan.sensor(id);
        match self.world().value(id) {
            Some(Value::Number(base)) => Some(words::value(scale.unwrap_or(&sensor.scale), base)),
            Some(Value::Word(_)) => None,
            None => {
                let ago = self.mono() - self.sensors.last_good(id);
                Some(format!("not measured for {ago}"))
            }
        }
    }

    /// Tanks in which oxygen counts first, with what stands in all call-outs; and whether the pumps
    /// are seen to stand.
    pub(in crate::engine) fn breathless_tanks(&self) -> Vec<(TankId, bool)> {
        let standing: Vec<&Alarm> = self
            .alarms()
            .filter(|id| self.alarms.standing(*id).is_some())
            .map(|id| self.plan.alarm(id))
            .collect();
        let cut = self.is_power_cut(&standing);
        let tanks = (0..).map(TankId).take(self.plan.tanks.len());
        let found = tanks.filter_map(|tank| Some((tank, self.breathless(tank, &standing, cut)?)));
        found.map(|(tank, how)| (tank, how == Breathless::Seen)).collect()
    }

    /// Whether oxygen counts first in this tank: the mains are out or its flow is in trouble, and
    /// neither flow nor air is proved.
    fn breathless(&self, tank: TankId, alarms: &[&Alarm], cut: bool) -> Option<Breathless> {
        let pumps = self.plan.tank(tank).gear.pumps;
        let flow = pumps.and_then(|pumps| pumps.sensor);
        let troubled = |alarm: &&Alarm| flow.is_some_and(|flow| alarm.condition.sensors().contains(&flow));
        if !(cut || alarms.iter().any(troubled)) || self.has_air(tank) || self.has_flow(tank) {
            return None;
        }
        let stands = flow.and_then(|flow| self.number(flow)).zip(pumps.and_then(|pumps| pumps.least));
        Some(match stands {
            Some((flows, least)) if flows < least => Breathless::Seen,
            _ => Breathless::NotProved,
        })
    }

    /// Whether water is seen to move through the tank. While the mains are out a reading of before
    /// proves nothing.
    pub(in crate::engine) fn has_flow(&self, tank: TankId) -> bool {
        let Some(pumps) = self.plan.tank(tank).gear.pumps else { return false };
        let flows = pumps.sensor.and_then(|sensor| self.number(sensor));
        let least = pumps.least.unwrap_or(f64::MIN_POSITIVE);
        self.world().mains() != Some(false) && flows.is_some_and(|flows| flows >= least)
    }

    fn number(&self, sensor: SensorId) -> Option<f64> {
        self.world().number(Some(sensor))
    }

    /// Whether the mains are out, as far as is known, and these alarms bear on them.
    pub(in crate::engine) fn is_power_cut(&self, alarms: &[&Alarm]) -> bool {
        alarms.iter().any(|alarm| self.touches_power(&alarm.condition)) && self.world().mains() != Some(true)
    }

    /// Since when the mains have been out, by the alarms that stand for it.
    pub(in crate::engine) fn cut_since(&self) -> Option<Moment> {
        let mains = self.plan.mains?;
        let standing = self.alarms().filter(|id| self.alarms.standing(*id).is_some());
        let of_mains = standing.filter(|id| self.plan.alarm(*id).condition.sensors().contains(&mains));
        of_mains.filter_map(|id| Some(self.alarms.state(id).episode.as_ref()?.onset)).min()
    }

    /// The early end of the watch's own power, while the mains are out: by the UPS, or by what the
    /// site declares.
    pub(in crate::engine) fn dark_from(&self) -> Option<Moment> {
        self.own_end_from().into_iter().chain(self.dark_without_mains()).min()
    }

    fn dark_without_mains(&self) -> Option<Moment> {
        if self.world().mains() == Some(true) {
            return None;
        }
        let cut = self.cut_since()?;
        let runs = |id: &SensorId| self.plan.sensor(*id).feed.is_runtime();
        let sensors = (0..).map(SensorId).take(self.plan.sensors.len());
        let left = sensors.filter(runs).filter_map(|id| self.number(id)).reduce(f64::min);
        let by_ups = left.map(|seconds| self.mono() + Span((seconds * 1_000.0) as i64));
        by_ups.or_else(|| self.plan.without_mains.watch.map(|lasts| cut + lasts))
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

    /// The early end of what bears on an alarm and may come to pass, if its range says something;
    /// of what kills, if only that is asked for.
    pub(in crate::engine) fn harm_from(&self, alarm: &str, deadly: bool) -> Option<Moment> {
        let alarm = self.plan.alarm(self.alarm(alarm)?);
        let of_water = self.at_stake(&[alarm]).into_iter().filter(|found| found.tank.is_some());
        let says = of_water.filter(Prospect::says_something);
        let kills =
            says.filter(|found| !deadly || matches!(found.asked.until, UntilWhat::Oxygen(_, ACUTE_MG_L)));
        self.soonest(kills.map(|found| found.early()))
    }

    /// The early end of what the water of an alarm's tank has before it is too cold, if no heater
    /// heats it.
    pub(in crate::engine) fn too_cold_from(&self, alarm: &str) -> Option<Moment> {
        let tank = self.plan.alarm(self.alarm(alarm)?).tank?;
        let supposing = WhatIf { no_heat: true, ..WhatIf::default() };
        let asked = self.limits(tank, &[]).into_iter();
        let asked = asked.filter(|until| matches!(until, UntilWhat::Water(_, Side::Below, _)));
        let world = self.world();
        let answers = asked.filter_map(|until| world.foretell(&Question { until, supposing }).ok());
        self.soonest(answers.map(|estimate| estimate.range.low).filter(|hours| hours.is_finite()))
    }

    /// When the soonest of these comes, each in hours from now.
    fn soonest(&self, hours: impl Iterator<Item = f64>) -> Option<Moment> {
        Some(self.mono() + Span((hours.min_by(f64::total_cmp)? * 3_600_000.0) as i64))
    }

    /// When this watch may go dark by what its UPS says of itself, while that is about to stop; if
    /// it says no time, ten minutes after it said so.
    pub(in crate::engine) fn own_end_from(&self) -> Option<Moment> {
        let ends = self.index.own_ends.iter().copied();
        let ending = ends.filter(|id| self.alarms.standing(*id).is_some());
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
        self.index.own_ends.contains(&id)
    }

    /// What bears on these alarms and may come to pass, the soonest first.
    fn at_stake(&self, alarms: &[&Alarm]) -> Vec<Prospect> {
        let power = alarms.iter().any(|alarm| self.touches_power(&alarm.condition));
        let mut found = Vec::new();
        for tank in (0..).map(TankId).take(self.plan.tanks.len()) {
            let gear = self.plan.tanks[tank.index()].gear.sensors();
            let touches = |alarm: &&Alarm| {
                (!gear.is_empty() && alarm.condition.sensors().iter().any(|id| gear.contains(id)))
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
        let fed = self.plan.batteries.iter().flat_map(|battery| battery.sensors());
        let power: BTreeSet<SensorId> = self.plan.mains.into_iter().chain(fed).collect();
        // Asked of thousands at once; most sites have a handful of such sensors, or none.
        !power.is_empty() && !condition.sensors().is_disjoint(&power)
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
            water: match prospect.asked.until {
                UntilWhat::Water(_, side, limit) if prospect.asked.supposing == WhatIf::default() => {
                    Some(WaterLimit { below: side == Side::Below, limit })
                }
                UntilWhat::Water(..) | UntilWhat::Oxygen(..) | UntilWhat::Battery(_) => None,
            },
        }
    }
}

//! Conditions about what is to come, and about what a tank's learned model says: how they are read
//! and checked. The answer is the engine's; here it is made sure that there can be one, so that an
//! alarm whose tank has no thermometer is a mistake of the rule file and not a silence.

mod parse;

use super::check::{Checker, ComparedPart};
use super::parser::Amount;
use super::term::{Term, Typed, constant, decided};
use super::{Comparison, Foretold, Test, Written};
use crate::condition::query::{Holding, Question, Symptom, UntilWhat, WhatIf};
use crate::diagnostic::did_you_mean;
use crate::diagnostic::{At, Finding};
use crate::forecast::faults::Fault;
use crate::forecast::thermal::{Heater, Side};
use crate::forecast::wording::HORIZON_H;
use crate::ids::{BatteryId, SensorId, TankId};
use crate::site::{Battery, Tank};
use crate::time::Span;
use crate::units::{Dimension, Quantity};
use std::fmt;

/// Until when, as written.
#[derive(Clone, Debug, PartialEq)]
pub enum WrittenSubject {
    /// `lagoon-temp < 22 degC`
    Water(At<String>, Comparison, Amount),
    /// `oxygen of lagoon < 2.3 mg/L`
    Oxygen(At<String>, Amount),
    /// `ups is empty`
    Empty(At<String>),
}

/// What to suppose, as written.
#[derive(Clone, Debug, PartialEq)]
pub enum Supposed {
    /// `without heat`
    NoHeat,
    /// `with the heater stuck on`
    Stuck,
    /// `without power`
    NoPower,
    /// `without circulation`
    Still,
    /// `with air`
    Air,
    /// `without air`
    NoAir,
    /// `in a room of 12 degC`
    Room(Amount),
}

impl fmt::Display for WrittenSubject {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Water(sensor, order, limit) => write!(f, "{} {order} {}", sensor.it, limit.it),
            Self::Oxygen(tank, limit) => write!(f, "oxygen of {} < {}", tank.it, limit.it),
            Self::Empty(battery) => write!(f, "{} is empty", battery.it),
        }
    }
}

impl fmt::Display for Supposed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoHeat => f.write_str("without heat"),
            Self::Stuck => f.write_str("with the heater stuck on"),
            Self::NoPower => f.write_str("without power"),
            Self::Still => f.write_str("without circulation"),
            Self::Air => f.write_str("with air"),
            Self::NoAir => f.write_str("without air"),
            Self::Room(room) => write!(f, "in a room of {}", room.it),
        }
    }
}

/// Rooms that people keep tanks in, degC.
const ROOMS: (f64, f64) = (-30.0, 45.0);

impl<'s> Checker<'s> {
    pub(super) fn until(
        &mut self,
        whole: &ComparedPart,
        subject: &WrittenSubject,
        supposing: &[Supposed],
        over: bool,
        length: &ComparedPart,
    ) -> Option<Test> {
        let within = self.duration(length, "how soon says a duration");
        let horizon = Span((HORIZON_H * 3_600_000.0) as i64);
        if within.is_some_and(|within| within > horizon) {
            let title = "nobody can tell what is more than 3 days ahead";
            return self.note(Finding::error(length.span.clone(), title, "expected at most `72 h`"));
        }
        let supposed = self.supposing(whole, subject, supposing);
        let (until, rests_on) = match subject {
            WrittenSubject::Water(name, order, limit) => {
                let (id, side, limit) = self.limit(whole, name, *order, limit)?;
                let (tank, found) = self.tank_of_water(name, id)?;
                if supposed?.stuck && found.gear.heaters[0].is_none() {
                    return self.lacks(&name.span, found, "heater", "`heater = { power = \"200 W\" }`");
                }
                (UntilWhat::Water(tank, side, limit), vec![id])
            }
            WrittenSubject::Oxygen(name, limit) => {
                let (tank, found) = self.known_tank(name)?;
                let limit = self.amount(limit, Dimension::CONCENTRATION, (0.1e-3, 15e-3))?;
                if found.volume.is_none() {
                    return self.lacks(&name.span, found, "volume", "`volume = \"420 L\"`");
                }
                if supposed?.air.is_some() && found.gear.air.is_none() {
                    let example = "`air = { delivers = \"3 L/min\", depth = \"40 cm\" }`";
                    return self.lacks(&name.span, found, "air pump", example);
                }
                let Some(water) = found.gear.water else { return self.lacks_water(&name.span, found) };
                (UntilWhat::Oxygen(tank, limit * 1_000.0), vec![water])
            }
            WrittenSubject::Empty(name) => {
                let (id, battery) = self.battery(name)?;
                (UntilWhat::Battery(id), battery.sensors().collect())
            }
        };
        let asked = Question { until, supposing: supposed? };
        Some(Test::Until(Box::new(Foretold { asked, over, within: within?, rests_on })))
    }

    /// What is supposed, if it goes together and means something for the subject.
    fn supposing(
        &mut self,
        whole: &ComparedPart,
        subject: &WrittenSubject,
        all: &[Supposed],
    ) -> Option<WhatIf> {
        let mut found = WhatIf::default();
        for supposed in all {
            let fits = match (subject, supposed) {
                (_, Supposed::NoPower) => true,
                (WrittenSubject::Water(..), Supposed::NoHeat | Supposed::Stuck | Supposed::Room(_)) => true,
                (WrittenSubject::Oxygen(..), Supposed::Still | Supposed::Air | Supposed::NoAir) => true,
                (WrittenSubject::Water(..) | WrittenSubject::Oxygen(..) | WrittenSubject::Empty(_), _) => {
                    false
                }
            };
            if !fits {
                let title = format!("`{supposed}` changes nothing here");
                let label = "what is foretold doesn't rest on it";
                return self.note(Finding::error(whole.span.clone(), title, label));
            }
            match supposed {
                Supposed::NoHeat => found.no_heat = true,
                Supposed::Stuck => found.stuck = true,
                Supposed::NoPower => found.no_power = true,
                Supposed::Still => found.still = true,
                Supposed::Air => found.air = Some(true),
                Supposed::NoAir => found.air = Some(false),
                Supposed::Room(room) => {
                    found.room = Some(self.amount(room, Dimension::TEMPERATURE, ROOMS)?)
                }
            }
        }
        if found.stuck && (found.no_heat || found.no_power) {
            let title = "a heater can't be stuck on and give no heat";
            return self.note(Finding::error(whole.span.clone(), title, "one or the other"));
        }
        Some(found)
    }

    /// The thermometer, and the side and limit of its comparison, which must lie within what is
    /// believed.
    fn limit(
        &mut self,
        whole: &ComparedPart,
        name: &At<String>,
        order: Comparison,
        limit: &ComparedPart,
    ) -> Option<(SensorId, Side, f64)> {
        let written = ComparedPart::new(Written::Name(name.it.clone()), name.span.clone());
        let Term::Typed(typed) = self.term(&written)? else { return None };
        let Typed { formula: super::Formula::Sensor(id), .. } = typed else { return None };
        let quantity = self.quantity_of(typed.dimension, limit)?;
        if typed.dimension != Dimension::TEMPERATURE {
            let title = format!("`{}` can't be foretold", name.it);
            let label = format!("this is {}", typed.dimension.words());
            let help = "foretold are a tank's temperature, its oxygen, and batteries";
            return self.note(Finding::error(name.span.clone(), title, label).help(help));
        }
        let Ok(base) = quantity.base(typed.dimension) else {
            return self.misfit("compared with", &written, &typed, limit, quantity);
        };
        if let Some(range) = typed.range
            && let Some(always) = decided(order, range, (base, base))
        {
            return self.pointless(whole, always, &typed, &constant(base, &typed));
        }
        let side = match order {
            Comparison::Less | Comparison::AtMost => Side::Below,
            Comparison::Greater | Comparison::AtLeast => Side::Above,
        };
        Some((id, side, base))
    }

    /// The tank whose water this thermometer stands in.
    fn tank_of_water(&mut self, name: &At<String>, id: SensorId) -> Option<(TankId, &'s Tank)> {
        let mut tanks = self.scope.tanks.values();
        if let Some((tank, found)) = tanks.find(|(_, tank)| tank.gear.water == Some(id)) {
            return Some((*tank, *found));
        }
        let title = format!("`{}` is not known to stand in a tank's water", name.it);
        let label = "only a tank's own temperature can be foretold";
        let help = format!("in the tank's table: `water = \"{}\"`", name.it);
        self.note(Finding::error(name.span.clone(), title, label).help(help))
    }

    pub(super) fn shows(&mut self, subject: &ComparedPart, word: &At<String>) -> Option<Test> {
        let (tank, found) = self.tank_said(subject, "shows …")?;
        let Some((_, sign)) = Symptom::ALL.into_iter().find(|(name, _)| *name == word.it) else {
            let names = || Symptom::ALL.iter().map(|(name, _)| *name);
            let help = did_you_mean(&word.it, names()).unwrap_or_else(|| {
                format!("known: {}", names().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", "))
            });
            let title = format!("no tank shows `{}`", word.it);
            return self.note(Finding::error(word.span.clone(), title, "not a known fault").help(help));
        };
        let gear = &found.gear;
        let Some(water) = gear.water else { return self.lacks_water(&subject.span, found) };
        let mut rests_on = vec![water];
        match sign {
            Symptom::Parted => match gear.sump {
                Some(sump) => rests_on.push(sump),
                None => {
                    return self.lacks(&subject.span, found, "second thermometer", "`sump = \"sump-temp\"`");
                }
            },
            Symptom::CoolingMissing | Symptom::Fault(Fault::CoolerSilent | Fault::CoolerOverwhelmed) => {
                let Some(cooler) = gear.chiller.and_then(|cooler| cooler.sensor) else {
                    let example = "`chiller = { sensor = \"chiller-power\", power = \"150 W\" }`";
                    return self.lacks(&subject.span, found, "sensor of its chiller or fan", example);
                };
                rests_on.push(cooler);
            }
            // The water's own swing tells of these, whether or not its heater is seen.
            Symptom::HeatMissing
            | Symptom::Fault(Fault::ColderThanHeld | Fault::ProbeShifted | Fault::ProbeOutOfWater) => {
                rests_on.extend(gear.heaters.iter().flatten().filter_map(|heater| heater.sensor));
            }
            Symptom::Fault(fault) => {
                let shown: Vec<_> =
                    gear.heaters.iter().flatten().filter_map(|heater| heater.sensor).collect();
                // Without it a cold night looks like a lid left off.
                if fault == Fault::LosingHeat && gear.room.is_none() {
                    return self.lacks(&subject.span, found, "room's thermometer", "`room = \"room-temp\"`");
                }
                if shown.is_empty() && !gear.unheated {
                    let example = "`heater = { sensor = \"heater-power\", power = \"200 W\" }`";
                    return self.lacks(&subject.span, found, "sensor of its heater", example);
                }
                rests_on.extend(shown);
            }
        }
        Some(Test::Shows(tank, sign, rests_on))
    }

    pub(super) fn can_hold(
        &mut self,
        subject: &ComparedPart,
        set: &ComparedPart,
        room: &ComparedPart,
        on: Option<&At<String>>,
    ) -> Option<Test> {
        let (tank, found) = self.tank_said(subject, "can hold …")?;
        let set = self.amount(set, Dimension::TEMPERATURE, (0.0, 40.0));
        let room = self.amount(room, Dimension::TEMPERATURE, ROOMS);
        let gear = &found.gear;
        let on = match on.map(|word| (word.it.as_str(), word)) {
            None => None,
            Some(("heater", _)) => Some(Heater::First),
            Some(("spare", _)) => Some(Heater::Second),
            Some((other, word)) => {
                let title = format!("a tank has no `{other}` that heats it");
                return self.note(Finding::error(word.span.clone(), title, "expected `heater` or `spare`"));
            }
        };
        let Some(water) = gear.water else { return self.lacks_water(&subject.span, found) };
        let needed = if on == Some(Heater::Second) { 1 } else { 0 };
        let Some(heater) = gear.heaters.get(needed).copied().flatten().and_then(|heater| heater.sensor)
        else {
            let (what, example) = match needed {
                0 => ("sensor of its heater", "`heater = { sensor = \"heater-power\", power = \"200 W\" }`"),
                _ => ("sensor of its spare", "`spare = { sensor = \"spare-power\", power = \"200 W\" }`"),
            };
            return self.lacks(&subject.span, found, what, example);
        };
        let Some(air) = gear.room else {
            return self.lacks(&subject.span, found, "room's thermometer", "`room = \"room-temp\"`");
        };
        let (set, room) = (set?, room?);
        Some(Test::Holds { holding: Holding { tank, set, on }, room, rests_on: vec![water, heater, air] })
    }

    /// The tank that something is said of.
    fn tank_said(&mut self, subject: &ComparedPart, said: &str) -> Option<(TankId, &'s Tank)> {
        let Written::Name(name) = &subject.it else {
            let title = format!("only a tank can be said to be so: `NAME {said}`");
            let label = format!("`{}` is not a tank's name", subject.it);
            return self.note(Finding::error(subject.span.clone(), title, label));
        };
        self.known_tank(&At::new(name.clone(), subject.span.clone()))
    }

    fn battery(&mut self, name: &At<String>) -> Option<(BatteryId, &'s Battery)> {
        if let Some(found) = self.scope.batteries.get(name.it.as_str()) {
            return Some(*found);
        }
        let title = format!("there is no battery `{}`", name.it);
        let known = self.scope.batteries.keys().copied();
        let help = did_you_mean(&name.it, known).unwrap_or_else(|| {
            format!("declare it: `[battery.{}]` with `voltage`, `capacity` and `load`", name.it)
        });
        self.note(Finding::error(name.span.clone(), title, "not a known name").help(help))
    }

    /// A quantity of this kind between two ends, in base units.
    fn amount(&mut self, written: &ComparedPart, of: Dimension, (low, high): (f64, f64)) -> Option<f64> {
        let quantity: Quantity = self.quantity_of(of, written)?;
        let base = match quantity.base(of) {
            Ok(base) if (low..=high).contains(&base) => return Some(base),
            Ok(base) => base,
            Err(wrong) => {
                let title = format!("`{}` can't stand here", written.it);
                return self.note(Finding::error(written.span.clone(), title, wrong.to_string()));
            }
        };
        let show = |base: f64| super::scale::show(base, of, None);
        let title = format!("`{}` is out of all reason", show(base));
        let label = format!("expected {} to {}", show(low), show(high));
        self.note(Finding::error(written.span.clone(), title, label))
    }

    fn lacks_water<T>(&mut self, place: &std::ops::Range<usize>, tank: &Tank) -> Option<T> {
        self.lacks(
            place,
            tank,
            "thermometer that is known to stand in its water",
            "`water = \"lagoon-temp\"`",
        )
    }

    fn lacks<T>(
        &mut self,
        place: &std::ops::Range<usize>,
        tank: &Tank,
        what: &str,
        example: &str,
    ) -> Option<T> {
        let title = format!("tank `{}` has no {what}", tank.name);
        let help = format!("in its table, for instance {example}");
        self.note(Finding::error(place.clone(), title, "what is asked here rests on it").help(help))
    }
}

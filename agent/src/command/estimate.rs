//! `slackwater estimate`: what a keeper writes down about a tank in (from the rule file, from the
//! command line, or both), answers to what he plans for out: heater and spare, oxygen, battery, how
//! long an outage he can stand, water and light. Nothing runs and nothing is measured; all that is
//! computed is in [`Paper`]. A tank whose history the journal keeps can also be drawn as it was
//! forecast and as it went.

mod answers;
mod filed;
mod given;
mod known;
mod lately;
mod learned;
mod page;
mod past;
mod plot;

use super::{Config, failed, wrong};
use crate::clock::Clock;
use crate::journal::JournalLog;
use crate::output::{out, outln};
use crate::review::{ReviewSpan, parse_when};
use crate::settings::{Environment, Settings, Trust};
use crate::site::load_plan;
use answers::PaperAnswers;
use clap::{Args, ValueEnum};
use given::{Given, IntervalEdges, altitude, capacity, size, within};
use learned::LearnedTank;
use slackwater_rules::forecast::Interval;
use slackwater_rules::forecast::battery::{BatteryModel, Chemistry, INVERTER};
use slackwater_rules::forecast::oxygen::AirPump;
use slackwater_rules::forecast::planner::{Light, Paper, Supply, USUAL_LIMITS};
use slackwater_rules::plan::{Plan, Stocking};
use slackwater_rules::time::Span;
use slackwater_rules::units::{Dimension, Scale};
use std::path::PathBuf;
use std::process::ExitCode;

/// How much of the journal a tank is learned from before its forecast is drawn.
const LEARNED_FROM: Span = Span::hours(30 * 24);

/// What is known of a tank.
#[derive(Args, Debug)]
pub(super) struct EstimateArgs {
    /// A tank of the rule file; what else is given here counts before the file. Water and coldest
    /// room are the journal's of the last 30 days, if not given.
    #[arg(long, value_name = "NAME")]
    tank: Option<String>,
    /// Water: `420 L`, `110 US gal`.
    #[arg(long, value_parser = within(given::VOLUME), allow_hyphen_values = true)]
    volume: Option<Given>,
    /// Length, width and height of the box: `120 x 60 x 55 cm`.
    #[arg(long = "box", value_name = "SIZE", value_parser = size)]
    size: Option<IntervalEdges>,
    /// `35 ppt`.
    #[arg(long, value_parser = within(given::SALINITY), allow_hyphen_values = true)]
    salinity: Option<Given>,
    /// The water as it is kept: `25.5 degC`.
    #[arg(long, value_parser = within(given::WATER), allow_hyphen_values = true)]
    water: Option<Given>,
    /// The coldest room to plan for: `16 degC`.
    #[arg(long, value_parser = within(given::ROOM), allow_hyphen_values = true)]
    room: Option<Given>,
    /// The hottest room to plan for: `33 degC`.
    #[arg(long, value_parser = within(given::ROOM), allow_hyphen_values = true)]
    hot_room: Option<Given>,
    /// A lid lies on the tank.
    #[arg(long)]
    lid: bool,
    /// Too cold; the thermometer's lower limit in the rule file, or 22 degC, if not given.
    #[arg(long, value_parser = within(given::WATER), allow_hyphen_values = true)]
    cold: Option<Given>,
    /// Too warm; the upper limit, or 29 degC, if not given.
    #[arg(long, value_parser = within(given::WATER), allow_hyphen_values = true)]
    warm: Option<Given>,
    /// A heater's power: `200 W`. Once for each heater.
    #[arg(long = "heater", value_name = "POWER", value_parser = within(given::POWER), allow_hyphen_values = true)]
    heaters: Vec<Given>,
    /// How much lives in it.
    #[arg(long, value_enum)]
    stocking: Option<Lives>,
    /// Above the sea: `500 m`, `1600 ft`.
    #[arg(long, value_parser = altitude, allow_hyphen_values = true)]
    altitude: Option<Given>,
    /// Flow through the tank: `3000 L/h`.
    #[arg(long, value_parser = within(given::FLOW), allow_hyphen_values = true)]
    flow: Option<Given>,
    /// Air at the stone of the air pump: `2 L/min`.
    #[arg(long, value_name = "FLOW", value_parser = within(given::AIR), allow_hyphen_values = true)]
    air: Option<Given>,
    /// How deep the stone hangs: `40 cm`.
    #[arg(long, value_parser = within(given::DEPTH), allow_hyphen_values = true)]
    depth: Option<Given>,
    /// Capacity of the battery that carries the air pump: `84 Wh`, or `7 Ah` with --volts.
    #[arg(long, value_name = "CAPACITY", value_parser = capacity)]
    battery: Option<Given>,
    /// Its voltage: `12 V`.
    #[arg(long, value_parser = within(given::VOLTS), requires = "battery", allow_hyphen_values = true)]
    volts: Option<Given>,
    /// Its kind.
    #[arg(long, value_enum, requires = "battery")]
    kind: Option<BatteryArg>,
    /// What hangs on it: `5 W`.
    #[arg(long, value_name = "POWER", value_parser = within(given::POWER), allow_hyphen_values = true)]
    load: Option<Given>,
    /// What the inverter between draws by itself: `6 W`.
    #[arg(long, value_name = "POWER", value_parser = within(given::IDLE), requires = "battery", allow_hyphen_values = true)]
    inverter: Option<Given>,
    /// Fresh water that can run in if the top-off sticks: `25 L`.
    #[arg(long, value_name = "VOLUME", value_parser = within(given::VOLUME), allow_hyphen_values = true)]
    reservoir: Option<Given>,
    /// The lamp at its brightest: `300 umol/m2/s`.
    #[arg(long, value_name = "PPFD", value_parser = within(given::LIGHT), allow_hyphen_values = true)]
    light: Option<Given>,
    /// From lamp on to lamp off: `10 h`.
    #[arg(long, value_name = "TIME", value_parser = within(given::LIT), allow_hyphen_values = true)]
    lit: Option<Given>,
    /// Draw temperature and oxygen of an outage into an SVG file; with --since, what was forecast
    /// then and what came.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Draw from the journal: the forecast of this time, as the tank was then known.
    #[arg(long, value_name = "TIME", requires = "plot", requires = "tank")]
    since: Option<String>,
    /// What came, until then; 12 h later, or now, if none is given.
    #[arg(long, value_name = "TIME", requires = "since")]
    until: Option<String>,
    /// For scripts.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    config: Config,
}

/// How much lives in a tank.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum Lives {
    /// Few small fish.
    Light,
    /// The usual.
    Moderate,
    /// Many or large fish, much rock.
    Heavy,
}

/// Kinds of battery.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum BatteryArg {
    /// Sealed lead, glass mat.
    Agm,
    /// Sealed lead, gel.
    Gel,
    /// Lead with free acid.
    Flooded,
    /// Lithium iron phosphate.
    LithiumIron,
    /// Lithium ion, as in power banks.
    LithiumIon,
}

impl BatteryArg {
    fn chemistry(self) -> Chemistry {
        match self {
            Self::Agm => Chemistry::LeadAgm,
            Self::Gel => Chemistry::LeadGel,
            Self::Flooded => Chemistry::LeadFlooded,
            Self::LithiumIron => Chemistry::LithiumIron,
            Self::LithiumIon => Chemistry::LithiumIon,
        }
    }
}

pub(super) fn answer(asked: &EstimateArgs) -> ExitCode {
    let site = match &asked.tank {
        None => None,
        Some(_) => match load_plan(&asked.config.config, &Environment::of_process(), None) {
            Ok(site) => Some(site),
            Err(mistakes) => return wrong(&mistakes.text),
        },
    };
    let (mut paper, units) = match asked.paper(site.as_ref().map(|(_, plan)| plan)) {
        Ok(paper) => paper,
        Err(text) => {
            eprintln!("{text}");
            return ExitCode::from(2);
        }
    };
    let mut own = None;
    if let (Some((settings, plan)), Some(name)) = (&site, &asked.tank) {
        let journal = &settings.places.journal.path;
        lately::fill(&mut paper, plan, name, journal);
        own = LearnedTank::read(&mut paper, plan, name, journal).map(|tank| (tank, &settings.places.zone));
    }
    if let Some(file) = &asked.plot {
        let svg = match (&site, &asked.since) {
            (Some((settings, plan)), Some(since)) => asked.past(settings, plan, since),
            _ => plot::outage(&paper, &units),
        };
        let written = svg.and_then(|svg| {
            std::fs::write(file, svg).map_err(|error| format!("{} can't be written: {error}", file.display()))
        });
        if let Err(text) = written {
            return failed(&text);
        }
    }
    let mut answers = PaperAnswers::of(&paper, &units, own.as_ref().map(|(tank, zone)| (tank, *zone)));
    let tank = site.as_ref().zip(asked.tank.as_ref());
    answers.title = tank.and_then(|((_, plan), name)| Some(filed::tank(plan, name).ok()?.title.clone()));
    if asked.json {
        match serde_json::to_string_pretty(&answers) {
            Ok(text) => outln!("{text}"),
            Err(error) => return failed(&error.to_string()),
        }
    } else {
        out!("{}", page::words(&answers));
    }
    if answers.nothing_known() { ExitCode::FAILURE } else { ExitCode::SUCCESS }
}

/// The units that the keeper thinks in, where he has shown it; else degC and L.
#[derive(Clone, Debug)]
struct Units {
    temperature: Option<Scale>,
    volume: Option<Scale>,
}

impl Units {
    /// A temperature, degC, on the keeper's scale.
    fn temperature(&self, celsius: f64) -> f64 {
        self.temperature.as_ref().map_or(celsius, |scale| scale.unit.from_base(celsius))
    }

    fn degrees(&self) -> &str {
        self.temperature.as_ref().map_or("degC", |scale| &scale.name)
    }

    /// A volume, m³, in the keeper's unit.
    fn volume(&self, cubic_metres: f64) -> f64 {
        self.volume.as_ref().map_or(cubic_metres * 1e3, |scale| scale.unit.from_base(cubic_metres))
    }

    fn measures(&self) -> &str {
        self.volume.as_ref().map_or("L", |scale| &scale.name)
    }
}

impl EstimateArgs {
    /// What is known: the command line before the rule file.
    fn paper(&self, plan: Option<&Plan>) -> Result<(Paper, Units), String> {
        let (mut paper, filed) = match (plan, &self.tank) {
            (Some(plan), Some(name)) => filed::paper(plan, name)?,
            _ => (Paper::blank(USUAL_LIMITS.0, USUAL_LIMITS.1), None),
        };
        let base = |given: &Option<Given>| given.as_ref().map(|given| given.base);
        if let Some(IntervalEdges([length, width, height])) = self.size {
            paper.surface = Some(length * width);
            if self.volume.is_none() && paper.volume.is_none() {
                paper.volume = Some(length * width * height * Paper::WATER_IN_BOX);
                paper.volume_from_box = true;
            }
        }
        paper.volume = base(&self.volume).or(paper.volume);
        paper.salinity = base(&self.salinity).or(paper.salinity);
        paper.water = base(&self.water);
        paper.room = base(&self.room);
        paper.hot_room = base(&self.hot_room);
        paper.lid |= self.lid;
        paper.cold = base(&self.cold).unwrap_or(paper.cold);
        paper.warm = base(&self.warm).unwrap_or(paper.warm);
        if !self.heaters.is_empty() {
            paper.heaters = self.heaters.iter().map(|heater| heater.base).collect();
        }
        paper.stocking = self.stocking.map_or(paper.stocking, |lives| match lives {
            Lives::Light => Stocking::Light,
            Lives::Moderate => Stocking::Moderate,
            Lives::Heavy => Stocking::Heavy,
        });
        paper.altitude = base(&self.altitude).or(paper.altitude);
        // Of base units per second: volumes an hour, litres a minute.
        paper.flow = base(&self.flow).map(|flow| flow * 3_600.0).or(paper.flow);
        paper.air = match (base(&self.air), base(&self.depth)) {
            (Some(air), depth) => Some(AirPump {
                air_l_min: air * 60_000.0,
                depth_m: depth.unwrap_or(AirPump::USUAL_DEPTH),
                share_per_m: AirPump::ANY_STONE,
                alpha: AirPump::USUAL_ALPHA,
            }),
            (None, Some(_)) => return Err("--depth needs --air, what the pump brings".to_owned()),
            (None, None) => paper.air,
        };
        paper.supply = self.supply(paper.supply)?;
        paper.reservoir = base(&self.reservoir).or(paper.reservoir);
        paper.light = match (base(&self.light), base(&self.lit), paper.light) {
            (Some(light), Some(lit), _) => Some(Light { ppfd: light * 1e6, hours: lit / 3_600.0 }),
            (Some(_), None, None) => return Err("--light needs --lit, from lamp on to lamp off".to_owned()),
            (Some(light), None, Some(filed)) => Some(Light { ppfd: light * 1e6, ..filed }),
            (None, _, _) => None,
        };
        let first =
            |all: &[&Option<Given>]| all.iter().find_map(|given| given.as_ref()).map(|g| g.scale.clone());
        let degrees = first(&[&self.water, &self.room, &self.hot_room, &self.cold, &self.warm]).or(filed);
        Ok((paper, Units { temperature: degrees, volume: first(&[&self.volume, &self.reservoir]) }))
    }

    /// The picture of the forecast of `since` and of what came.
    fn past(&self, settings: &Settings, plan: &Plan, since: &str) -> Result<String, String> {
        let (zone, name) = (&settings.places.zone, self.tank.as_deref().unwrap_or_default());
        let now = Clock::system(Trust::System).now().wall;
        let when = |text: &str| parse_when(text, now, zone).map_err(|error| error.to_string());
        let since = when(since)?;
        let until = self.until.as_deref().map_or(Ok(now.min(since + Span::hours(12))), when)?;
        let window = ReviewSpan::new(since, until, zone)?;
        let log = JournalLog::open(&settings.places.journal.path).map_err(|error| error.to_string())?;
        let mut past = past::ForecastPast::of(plan, name, window)?;
        log.walk_readings(since - LEARNED_FROM, until, |sensor, minute| past.take(sensor, &minute))
            .map_err(|error| error.to_string())?;
        past.picture(zone)
    }

    fn supply(&self, filed: Option<Supply>) -> Result<Option<Supply>, String> {
        let load = self.load.as_ref().map(|load| load.base);
        let Some(capacity) = &self.battery else {
            return Ok(filed.map(|filed| Supply { load_w: load.or(filed.load_w), ..filed }));
        };
        let kind =
            self.kind.ok_or("--battery needs --kind: agm, gel, flooded, lithium-iron or lithium-ion")?;
        let volts = self.volts.as_ref().map(|volts| volts.base);
        let (volts, rated_ah) = match (capacity.scale.unit.dimension == Dimension::ENERGY, volts) {
            // Of an energy the voltage has no part in the time.
            (true, volts) => {
                let volts = volts.unwrap_or(12.0);
                (volts, capacity.base / 3_600.0 / volts)
            }
            (false, Some(volts)) => (volts, capacity.base / 3_600.0),
            (false, None) => return Err("a capacity in Ah needs --volts".to_owned()),
        };
        let idle_w = self.inverter.as_ref().map_or(0.0, |inverter| inverter.base);
        let battery = BatteryModel {
            volts,
            rated_ah,
            rated_h: kind.chemistry().usual_rated_h(),
            chemistry: kind.chemistry(),
            converter: if self.inverter.is_some() { INVERTER } else { Interval::exact(1.0) },
            idle_w,
        };
        Ok(Some(Supply { battery, load_w: load }))
    }
}

#[cfg(test)]
mod tests;

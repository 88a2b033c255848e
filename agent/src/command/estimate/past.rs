//! What was forecast at a point in the past, against what came: minutes of the journal flow in,
//! teach the same model that the watch uses up to that point, and a picture flows out. What came
//! after is only drawn.

use super::filed;
use crate::chart::paper::{Chart, ChartItem, Ink, Point, document};
use crate::journal::{Minute, Values};
use crate::review::ReviewSpan;
use jiff::tz::TimeZone;
use slackwater_rules::forecast::geometry::Geometry;
use slackwater_rules::forecast::planner::USUAL_SALINITY;
use slackwater_rules::forecast::thermal::{Heater, Prior, Scenario, Side, Thermal, ThermalInput};
use slackwater_rules::forecast::wording;
use slackwater_rules::plan::{Device, Plan, Sensor, SensorId};
use slackwater_rules::time::{Moment, Span, Wall};
use slackwater_rules::units::Scale;

/// Steps of temperature that the fan is asked for, K, and how far down.
const STEP_K: f64 = 0.1;
const DEEPEST_K: f64 = 6.0;
/// Minutes further apart than this are not joined.
const GAP_H: f64 = 0.1;

/// One tank's past.
pub(super) struct ForecastPast<'a> {
    plan: &'a Plan,
    name: &'a str,
    window: ReviewSpan,
    model: Thermal,
    water: SensorId,
    inputs: Vec<(SensorId, ThermalInput, f64)>,
    scale: &'a Scale,
    cold: Option<f64>,
    /// Whether the mains were off when last heard of before the forecast.
    mains_off: bool,
    came: Vec<Vec<Point>>,
}

impl<'a> ForecastPast<'a> {
    /// Ready to hear the minutes from before the window on.
    pub(super) fn of(plan: &'a Plan, name: &'a str, window: ReviewSpan) -> Result<Self, String> {
        let tank = filed::tank(plan, name)?;
        let gear = &tank.gear;
        let water = gear.water.ok_or_else(|| format!("the rule file names no thermometer in `{name}`"))?;
        let sensor = plan.sensor(water);
        let watts = |device: Option<Device>| device.and_then(|device| device.power);
        let prior = match tank.volume {
            Some(volume) => {
                let geometry = Geometry::of(volume, tank.salinity.unwrap_or(USUAL_SALINITY), gear.surface);
                Prior::of(&geometry.map_err(|reason| reason.to_string())?)
            }
            None => Prior::unknown(),
        };
        let prior = if gear.lid { prior.under_lid() } else { prior };
        let prior = Prior {
            heaters_w: gear.heaters.map(watts),
            lamp_w: watts(gear.lamp),
            pumps_w: watts(gear.pumps),
            unheated: gear.unheated,
            ..prior
        };
        let [first, second] = gear.heaters;
        let devices = [
            (first, ThermalInput::Heater(Heater::First)),
            (second, ThermalInput::Heater(Heater::Second)),
            (gear.lamp, ThermalInput::Lamp),
            (gear.chiller, ThermalInput::Chiller),
        ];
        let shown = |(device, input): (Option<Device>, ThermalInput)| {
            let device = device?;
            Some((device.sensor?, input, device.power.unwrap_or(1.0)))
        };
        let room = gear.room.map(|id| (id, ThermalInput::Room, 1.0));
        Ok(Self {
            plan,
            name,
            window,
            model: Thermal::new(prior),
            water,
            inputs: devices.into_iter().filter_map(shown).chain(room).collect(),
            scale: &sensor.scale,
            cold: sensor.limits.map(|(low, _)| low),
            mains_off: false,
            came: Vec::new(),
        })
    }

    /// Takes a minute of a sensor, in order of time.
    pub(super) fn take(&mut self, name: &str, minute: &Minute) {
        let named = (0..).map(SensorId).zip(&self.plan.sensors).find(|(_, sensor)| sensor.name == name);
        let Some((id, sensor)) = named else { return };
        let at = Moment(minute.wall.0) + Span::seconds(30);
        if minute.wall >= self.window.since {
            if id == self.water
                && minute.wall <= self.window.until
                && let Some(Values::Numbers { mean, .. }) = minute.values
            {
                self.came(minute.wall, mean);
            }
            return;
        }
        if id == self.water
            && let Some(Values::Numbers { mean, .. }) = minute.values
        {
            self.model.temperature(at, mean);
        }
        if Some(id) == self.plan.mains
            && let Some(Values::Words { last, .. }) = minute.values
        {
            self.mains_off = says(sensor, last) == Some(false);
        }
        for (of, input, full) in &self.inputs {
            if *of == id {
                match share(sensor, minute.values, *full) {
                    Some(value) => self.model.input(at, *input, value),
                    None => self.model.lost(at, *input),
                };
            }
        }
    }

    /// The model, as far as it was taught.
    pub(super) fn model(&self) -> &Thermal {
        &self.model
    }

    /// The same, to let its time pass.
    pub(super) fn model_mut(&mut self) -> &mut Thermal {
        &mut self.model
    }

    fn came(&mut self, at: Wall, celsius: f64) {
        let point = (hours(at - self.window.since), self.scale.unit.from_base(celsius));
        match self.came.last_mut() {
            Some(piece) if piece.last().is_some_and(|last| point.0 - last.0 <= GAP_H) => piece.push(point),
            _ => self.came.push(vec![point]),
        }
    }

    /// The picture.
    pub(super) fn picture(mut self, zone: &TimeZone) -> Result<String, String> {
        let since = self.window.since;
        self.model.advance(Moment(since.0));
        let until = hours(self.window.until - since);
        let from = self.model.water().ok_or_else(|| {
            format!("the journal has no temperature of `{}` before {}", self.name, moment(since, zone))
        })?;
        let (what_if, supposed) = match (self.mains_off, self.model.heater_known().is_ok()) {
            (true, _) => (Scenario::no_power(), "if the power stays away"),
            (false, true) => (Scenario::no_heat(), "if no heater heats"),
            (false, false) => (Scenario::now(), "if it goes on so"),
        };
        let mut fan = Fan::default();
        for step in 1..=(DEEPEST_K / STEP_K) as u32 {
            let limit = from - f64::from(step) * STEP_K;
            let range =
                self.model.time_to(Side::Below, limit, &what_if).map_err(|reason| reason.to_string())?.range;
            fan.take(self.scale.unit.from_base(limit), [range.low, range.likely, range.high]);
        }
        let [low, likely, high] = fan.edges(self.scale.unit.from_base(from), until);
        let everything = || self.came.iter().flatten().chain(&high).chain(&likely).map(|point| point.1);
        let cold = self.cold.map(|cold| self.scale.unit.from_base(cold));
        let (lowest, highest) = everything()
            .chain(cold)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
        let margin = (highest - lowest).max(0.5) * 0.1;
        let mut items = vec![
            ChartItem::Band { name: format!("forecast {supposed}"), low, high },
            ChartItem::Line { name: "most likely".to_owned(), ink: Ink::Forecast, pieces: vec![likely] },
            ChartItem::Line { name: "what came".to_owned(), ink: Ink::Seen, pieces: self.came.clone() },
        ];
        items.extend(cold.map(|value| ChartItem::Level { name: "too cold".to_owned(), value }));
        let chart = Chart {
            title: format!("Water of {}", self.name),
            unit: self.scale.name.clone(),
            hours: (0.0, until),
            values: (lowest - margin, highest + margin),
            items,
        };
        let learned = match self.model.is_learned() {
            Ok(()) => "The tank had been learned for a day and more.".to_owned(),
            Err(reason) => format!("The tank's own heat loss: {reason}."),
        };
        let mut below = vec![learned];
        if let Some(cold) = self.cold {
            let answer = self.model.time_to(Side::Below, cold, &what_if);
            below.push(format!("Said then: {}", wording::until(&answer, "too cold", supposed)));
        }
        let title = format!("Forecast of {}", moment(since, zone));
        let clock = |hour: f64| {
            let at = since + Span((hour * 3_600_000.0) as i64);
            at.civil(zone).strftime("%H:%M").to_string()
        };
        Ok(document(&title, &[chart], &below, &clock))
    }
}

/// The times at which each edge of the fan meets one limit after the other.
#[derive(Default)]
struct Fan([Vec<Point>; 3]);

impl Fan {
    fn take(&mut self, limit: f64, times: [f64; 3]) {
        for (edge, time) in self.0.iter_mut().zip(times) {
            if time.is_finite() {
                edge.push((time, limit));
            }
        }
    }

    /// Edges from `from` to the hour `until`; where one never falls further, it stays.
    fn edges(self, from: f64, until: f64) -> [Vec<Point>; 3] {
        self.0.map(|points| {
            let mut edge = vec![(0.0, from)];
            edge.extend(points);
            let last = edge.last().map_or(from, |point| point.1);
            edge.push((until.max(edge.last().map_or(0.0, |point| point.0)), last));
            edge
        })
    }
}

/// A device's share of full power, or a room's temperature.
pub(super) fn share(sensor: &Sensor, values: Option<Values>, full: f64) -> Option<f64> {
    match values? {
        Values::Numbers { mean, .. } => Some(mean / full),
        Values::Words { last, .. } => says(sensor, last).map(|on| f64::from(u8::from(on))),
    }
}

/// Whether a word of a sensor is `on` or `off`.
fn says(sensor: &Sensor, word: u16) -> Option<bool> {
    match sensor.words().get(usize::from(word))?.name.as_str() {
        "on" => Some(true),
        "off" => Some(false),
        _ => None,
    }
}

fn hours(span: Span) -> f64 {
    span.as_seconds() / 3_600.0
}

fn moment(at: Wall, zone: &TimeZone) -> String {
    at.civil(zone).strftime("%Y-%m-%d %H:%M").to_string()
}

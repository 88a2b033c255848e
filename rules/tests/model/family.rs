//! A small family of rule files: a few sensors, a few alarms over them, one call-out, one pump.
//! The same description is written out as TOML for the engine and read directly by the model.

use std::fmt::Write;

#[derive(Clone, Debug)]
pub(crate) struct Family {
    /// The first so many of [`SENSORS`].
    pub(crate) sensors: usize,
    pub(crate) alarms: Vec<Alarm>,
    /// For each step, the minutes after the one before and who is told.
    pub(crate) steps: Vec<(i64, Vec<usize>)>,
    /// Sensors 0 and 1 come through one board.
    pub(crate) board: bool,
    /// Starts at 23:00, with quiet hours until 07:30.
    pub(crate) night: bool,
    pub(crate) air: Air,
}

/// What is said of the air pump.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Air {
    /// One of [`HOLDS`].
    pub(crate) hold: usize,
    /// It asks for flow.
    pub(crate) only_if: bool,
    /// Seconds between two switchings.
    pub(crate) pause: i64,
}

/// What an alarm switches. Those of one priority never want opposite things.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Switches {
    /// For medium and high priority.
    Air,
    /// For low and critical priority.
    NoAir,
    NoHeat,
}

pub(crate) const HOLDS: [&str; 3] =
    ["", "hold = \"10 min\"\n", "hold = \"until temp-a < 25 degC, at most 10 min\"\n"];
/// Of the air pump and the heaters, milliseconds.
pub(crate) const LONGEST: i64 = 30 * 60_000;
pub(crate) const PROOF_WITHIN: i64 = 90_000;

#[derive(Clone, Debug)]
pub(crate) struct Alarm {
    pub(crate) when: Cond,
    pub(crate) on: i64,
    pub(crate) off: i64,
    /// 0 is low, 3 is critical.
    pub(crate) priority: usize,
    pub(crate) deadband: bool,
    pub(crate) latching: bool,
    pub(crate) worse: Option<Cond>,
    /// Alarms before this one.
    pub(crate) causes: Vec<usize>,
    pub(crate) calls: bool,
    pub(crate) switches: Option<Switches>,
}

#[derive(Clone, Debug)]
pub(crate) enum Cond {
    /// The sensor, and the low (false) or high (true) of its two limits.
    Below(usize, bool),
    Above(usize, bool),
    Off(usize),
    Silent(usize, i64),
    Not(Box<Cond>),
    And(Box<Cond>, Box<Cond>),
    Or(Box<Cond>, Box<Cond>),
}

pub(crate) struct Sensor {
    pub(crate) name: &'static str,
    pub(crate) unit: &'static str,
    /// Low and high limit of the conditions; none for words.
    pub(crate) limits: Option<(f64, f64)>,
    pub(crate) deadband: f64,
    /// What it may say, and what that is worth: nothing if it is not to be believed.
    pub(crate) says: &'static [(&'static str, Option<f64>)],
}

const TEMPERATURES: &[(&str, Option<f64>)] = &[
    ("20", Some(20.0)),
    ("10", Some(10.0)),
    ("14", Some(14.0)),
    ("16", Some(16.0)),
    ("24", Some(24.0)),
    ("26", Some(26.0)),
    ("30", Some(30.0)),
    ("85", None),
    ("99", None),
    ("nan", None),
];
/// None of them is another in gallons: such a jump is doubted, which is checked elsewhere.
const FLOWS: &[(&str, Option<f64>)] = &[
    ("300", Some(300.0)),
    ("100", Some(100.0)),
    ("180", Some(180.0)),
    ("210", Some(210.0)),
    ("490", Some(490.0)),
    ("510", Some(510.0)),
    ("900", Some(900.0)),
    ("-9999", None),
    ("unavailable", None),
    ("", None),
];
const WORDS: &[(&str, Option<f64>)] =
    &[("on", Some(1.0)), ("off", Some(0.0)), ("OFF", Some(0.0)), ("unavailable", None)];

/// All of the family's sensors. Readings keep away from the limits themselves, so that the
/// conversion of units is no part of the game.
pub(crate) const SENSORS: [Sensor; 4] = [
    Sensor { name: "temp-a", unit: "degC", limits: Some((15.0, 25.0)), deadband: 2.0, says: TEMPERATURES },
    Sensor { name: "flow", unit: "L/h", limits: Some((200.0, 500.0)), deadband: 20.0, says: FLOWS },
    Sensor { name: "mains", unit: "", limits: None, deadband: 0.0, says: WORDS },
    Sensor { name: "temp-b", unit: "degC", limits: Some((15.0, 25.0)), deadband: 2.0, says: TEMPERATURES },
];

/// Milliseconds between two readings, and silence that is stale.
pub(crate) const EVERY: i64 = 60_000;
pub(crate) const STALE: i64 = 3 * EVERY;
pub(crate) const SIGHT_AFTER: i64 = 120_000;
pub(crate) const TARGETS: [&str; 4] = ["ines.push", "siren", "tom.mail", "neighbour.text"];
pub(crate) const PRIORITIES: [&str; 4] = ["low", "medium", "high", "critical"];
pub(crate) const AGAIN: i64 = 10;
pub(crate) const LEASE: i64 = 20;
pub(crate) const SETTLE: i64 = 2;

impl Cond {
    /// Whether it may come true because this sensor's reading falls.
    pub(crate) fn falls(&self, of: usize, upright: bool) -> bool {
        match self {
            Self::Below(sensor, _) => *sensor == of && upright,
            Self::Above(sensor, _) => *sensor == of && !upright,
            Self::Off(sensor) | Self::Silent(sensor, _) => *sensor == of,
            Self::Not(inner) => inner.falls(of, !upright),
            Self::And(left, right) | Self::Or(left, right) => {
                left.falls(of, upright) || right.falls(of, upright)
            }
        }
    }

    fn written(&self) -> String {
        let limit = |sensor: usize, high: bool| {
            let (low, top) = SENSORS[sensor].limits.expect("a number");
            format!("{} {}", if high { top } else { low }, SENSORS[sensor].unit)
        };
        match self {
            Self::Below(sensor, high) => format!("{} < {}", SENSORS[*sensor].name, limit(*sensor, *high)),
            Self::Above(sensor, high) => format!("{} > {}", SENSORS[*sensor].name, limit(*sensor, *high)),
            Self::Off(sensor) => format!("{} is off", SENSORS[*sensor].name),
            Self::Silent(sensor, minutes) => {
                format!("{} is silent for {minutes} min", SENSORS[*sensor].name)
            }
            Self::Not(inner) => format!("not ({})", inner.written()),
            Self::And(left, right) => format!("({}) and ({})", left.written(), right.written()),
            Self::Or(left, right) => format!("({}) or ({})", left.written(), right.written()),
        }
    }

    /// The first sensor that is compared with a limit.
    pub(crate) fn compared(&self) -> Option<usize> {
        match self {
            Self::Below(sensor, _) | Self::Above(sensor, _) => Some(*sensor),
            Self::Off(_) | Self::Silent(..) => None,
            Self::Not(inner) => inner.compared(),
            Self::And(left, right) | Self::Or(left, right) => left.compared().or(right.compared()),
        }
    }

    pub(crate) fn sensors(&self) -> Vec<usize> {
        match self {
            Self::Below(sensor, _) | Self::Above(sensor, _) | Self::Off(sensor) | Self::Silent(sensor, _) => {
                vec![*sensor]
            }
            Self::Not(inner) => inner.sensors(),
            Self::And(left, right) | Self::Or(left, right) => {
                left.sensors().into_iter().chain(right.sensors()).collect()
            }
        }
    }
}

pub(crate) fn alarm_name(at: usize) -> String {
    format!("alarm-{at}")
}

impl Family {
    pub(crate) fn written(&self) -> String {
        let mut text = String::from("[site]\nname = \"Halyard House\"\n[tank.lagoon]\nvolume = \"420 L\"\n");
        for (at, sensor) in SENSORS.iter().enumerate().take(self.sensors) {
            let Sensor { name, unit, .. } = sensor;
            let _ = write!(
                text,
                "[sensor.{name}]\ntopic = \"halyard/{name}\"\ntank = \"lagoon\"\nevery = \"1 min\"\n"
            );
            text.push_str(&match *unit {
                "" => "measures = \"presence\"\non = [\"on\"]\noff = [\"off\"]\n".to_owned(),
                "degC" => concat!(
                    "measures = \"temperature\"\nunit = \"degC\"\nmax-rate = \"none\"\n",
                    "plausible = [\"5 degC\", \"45 degC\"]\nreject = [\"85 degC\"]\n"
                )
                .to_owned(),
                unit => format!("measures = \"flow\"\nunit = \"{unit}\"\nreject = [\"-9999 {unit}\"]\n"),
            });
            if self.board && at < 2 {
                text.push_str("gateway = \"board\"\n");
            }
        }
        // A tank's model may find that its only thermometer is out of the water, which is checked
        // elsewhere.
        text.push_str(concat!(
            "[sensor.deep]\ntopic = \"halyard/deep\"\ntank = \"lagoon\"\n",
            "measures = \"temperature\"\nunit = \"degC\"\nevery = \"1 min\"\n",
            "[sensor.air-current]\ntopic = \"halyard/air-current\"\ntank = \"lagoon\"\n",
            "measures = \"current\"\nunit = \"A\"\nevery = \"1 min\"\n",
            "[relay.air-pump]\ncommand = { topic = \"halyard/air-pump/set\", on = \"on\", off = \"off\" }\n",
            "moves = \"air\"\nproof = \"air-current > 0.05 A within 90 s\"\nlongest = \"30 min\"\n"
        ));
        let _ = write!(text, "pause = \"{} s\"\n{}", self.air.pause, HOLDS[self.air.hold]);
        if self.air.only_if {
            text.push_str("only-if = \"flow > 200 L/h\"\n");
        }
        text.push_str(concat!(
            "[sensor.heat-power]\ntopic = \"halyard/heat-power\"\ntank = \"lagoon\"\n",
            "measures = \"power\"\nunit = \"W\"\nevery = \"1 min\"\n",
            "[relay.heaters]\ncommand = { topic = \"halyard/heaters/set\", on = \"on\", off = \"off\" }\n",
            "moves = \"heat\"\nproof = \"heat-power > 20 W within 90 s\"\nlongest = \"30 min\"\n"
        ));
        for (at, alarm) in self.alarms.iter().enumerate() {
            let _ = write!(
                text,
                "[alarm.{}]\ntank = \"lagoon\"\nwhen = \"{}\"\non-delay = \"{} s\"\noff-delay = \"{} s\"\n\
                 priority = \"{}\"\nlatching = {}\n",
                alarm_name(at),
                alarm.when.written(),
                alarm.on,
                alarm.off,
                PRIORITIES[alarm.priority],
                alarm.latching,
            );
            if let Some(sensor) = alarm.when.compared().filter(|_| alarm.deadband) {
                let Sensor { deadband, unit, .. } = &SENSORS[sensor];
                let _ = writeln!(text, "deadband = \"{deadband} {}\"", unit.replace("degC", "K"));
            }
            if let Some(worse) = &alarm.worse {
                let _ = writeln!(text, "worse = \"{}\"", worse.written());
            }
            if !alarm.causes.is_empty() {
                let names: Vec<_> = alarm.causes.iter().map(|cause| alarm_name(*cause)).collect();
                let _ = writeln!(text, "consequence-of = {names:?}");
            }
            if !alarm.calls {
                text.push_str("callout = \"none\"\n");
            }
            text.push_str(match alarm.switches {
                Some(Switches::Air) => "stopgap = { relay = \"air-pump\", state = \"on\" }\n",
                Some(Switches::NoAir) => "stopgap = { relay = \"air-pump\", state = \"off\" }\n",
                Some(Switches::NoHeat) => "stopgap = { relay = \"heaters\", state = \"off\" }\n",
                None => "",
            });
        }
        text.push_str("[sight]\nafter = \"2 min\"\n[callout.household]\nsteps = [\n");
        let mut after = 0;
        for (at, (gap, who)) in self.steps.iter().enumerate() {
            after += if at == 0 { 0 } else { *gap };
            let names: Vec<_> = who.iter().map(|target| TARGETS[*target]).collect();
            let _ = writeln!(text, "  {{ after = \"{after} min\", to = {names:?} }},");
        }
        let _ =
            write!(text, "]\nagain = \"{AGAIN} min\"\nlease = \"{LEASE} min\"\nsettle = \"{SETTLE} min\"\n");
        if self.night {
            text.push_str("quiet = [\"22:00\", \"07:30\"]\n");
        }
        text
    }
}

//! Every question that a tank on paper is asked, with its answer in numbers and in words: what
//! `--json` prints as it is.

use super::Units;
use super::known::known;
use super::learned::LearnedTank;
use jiff::tz::TimeZone;
use serde::Serialize;
use slackwater_rules::forecast::circulation::USUAL_TURNOVER;
use slackwater_rules::forecast::light::LightBand;
use slackwater_rules::forecast::oxygen::{ACUTE_MG_L, Before, CHRONIC_MG_L};
use slackwater_rules::forecast::planner::{End, Holds, Paper};
use slackwater_rules::forecast::{Basis, CannotSay, Estimate, Interval, wording};

/// All answers, topic by topic.
#[derive(Debug, Serialize)]
pub(super) struct PaperAnswers {
    version: u32,
    /// What people call it, of a tank in the rule file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) title: Option<String>,
    /// What was written down, in one line.
    pub(super) tank: String,
    pub(super) topics: Vec<Topic>,
    pub(super) cautions: Vec<&'static str>,
}

/// Questions of one kind.
#[derive(Debug, Serialize)]
pub(super) struct Topic {
    pub(super) topic: &'static str,
    pub(super) answers: Vec<PaperAnswer>,
}

/// One question and its answer.
#[derive(Debug, Serialize)]
pub(super) struct PaperAnswer {
    /// Its name for scripts.
    question: &'static str,
    pub(super) asks: String,
    /// In words; why not, if it can't be said.
    pub(super) says: String,
    /// `null` where the answer can't be said.
    range: Option<AnswerRange>,
    pub(super) rests_on: Vec<Rests>,
    /// What would have to be known.
    pub(super) missing: Option<&'static str>,
}

/// Ends that are `null` are open: never, or without bound.
#[derive(Debug, Serialize)]
struct AnswerRange {
    low: Option<f64>,
    likely: Option<f64>,
    high: Option<f64>,
    unit: String,
}

/// What an answer rests on.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct Rests {
    pub(super) origin: String,
    pub(super) what: &'static str,
}

const EVERYWHERE: &str = "These are estimates from published figures, not measurements of your tank. Set thermostats so that it is \
     safe with all of this switched off.";
const HEATERS: &str = "Every heater hangs behind ground-fault protection (GFCI, RCD) with a drip loop in its cable, and is unplugged \
     before it leaves the water. A protection that trips a second time means unplug, not reset again.";
const OUTAGES: &str = "A generator runs outdoors only, far from doors and windows: its fumes kill. Batteries and inverters stand dry, \
     where splashes and leaks can't reach them, and lead batteries in a room with air, away from flames. Local codes and a \
     licensed electrician decide what may be wired.";
const OXYGEN: &str = "The thresholds are those for animals of a temperate coast, not a reef's: animals that gasp at the surface are \
     out of time, whatever is written here.";

/// The unit of an answer.
enum Shown<'a> {
    Time,
    Value(&'a str),
}

struct Asking(Vec<PaperAnswer>);

impl Asking {
    fn ask(
        &mut self,
        question: &'static str,
        asks: String,
        shown: &Shown<'_>,
        answer: Result<Estimate, CannotSay>,
    ) {
        self.ask_noting(question, asks, shown, answer, None);
    }

    fn ask_noting(
        &mut self,
        question: &'static str,
        asks: String,
        shown: &Shown<'_>,
        answer: Result<Estimate, CannotSay>,
        note: Option<String>,
    ) {
        let missing = match &answer {
            Err(CannotSay::Missing(what)) => Some(*what),
            _ => None,
        };
        let (mut says, range, rests_on) = match answer {
            Ok(Estimate { range, rests_on }) => {
                let (says, unit) = match shown {
                    Shown::Time => (wording::time_and_likely(range), "h"),
                    Shown::Value(unit) => (wording::value_and_likely(range, unit), *unit),
                };
                let rests_on = rests_on
                    .iter()
                    .map(|basis| Rests { origin: basis.origin.to_string(), what: basis.what })
                    .collect();
                (says, Some(numbers(range, unit)), rests_on)
            }
            Err(reason) => (reason.to_string(), None, Vec::new()),
        };
        if let Some(note) = note {
            says = format!("{says}; {note}");
        }
        self.0.push(PaperAnswer { question, asks, says, range, rests_on, missing });
    }
}

fn numbers(range: Interval, unit: &str) -> AnswerRange {
    let finite = |value: f64| value.is_finite().then_some((value * 1e3).round() / 1e3);
    AnswerRange {
        low: finite(range.low),
        likely: finite(range.likely),
        high: finite(range.high),
        unit: unit.to_owned(),
    }
}

impl PaperAnswers {
    /// `own`: what the tank itself has shown, and the time zone in which it is told since when.
    pub(super) fn of(paper: &Paper, units: &Units, own: Option<(&LearnedTank, &TimeZone)>) -> Self {
        let tank = own.map(|(tank, _)| tank);
        let mut topics = vec![
            Topic { topic: "outage", answers: outage(paper, units, tank) },
            Topic { topic: "heat", answers: heat(paper, units, tank) },
            Topic { topic: "water", answers: water(paper, units) },
            Topic { topic: "light", answers: light(paper) },
        ];
        topics.extend(own.map(|own| Topic { topic: "the tank itself", answers: itself(paper, units, own) }));
        let cautions = vec![EVERYWHERE, OXYGEN, HEATERS, OUTAGES];
        Self { version: 1, title: None, tank: known(paper, units), topics, cautions }
    }

    /// Whether not a single question has an answer.
    pub(super) fn nothing_known(&self) -> bool {
        self.topics.iter().flat_map(|topic| &topic.answers).all(|answer| answer.range.is_none())
    }
}

/// A temperature range on the keeper's scale.
fn degrees(units: &Units, answer: Result<Estimate, CannotSay>) -> Result<Estimate, CannotSay> {
    answer.map(|estimate| Estimate {
        range: estimate.range.map(|celsius| units.temperature(celsius)),
        ..estimate
    })
}

pub(super) fn exactly(units: &Units, celsius: f64) -> String {
    let tenths = (units.temperature(celsius) * 10.0).round() / 10.0;
    format!("{tenths} {}", units.degrees())
}

fn outage(paper: &Paper, units: &Units, tank: Option<&LearnedTank>) -> Vec<PaperAnswer> {
    let mut asking = Asking(Vec::new());
    let too_cold = tank.map_or_else(|| paper.cold_without_heat(), |tank| tank.cold(paper));
    let too_warm = tank.map_or_else(|| paper.warm_without_power(), |tank| tank.warm(paper));
    let whole = paper.outage_with(too_cold.clone(), paper.hot_room.map(|_| too_warm.clone()));
    let note = whole.as_ref().ok().map(|outage| {
        let word = |end| match end {
            End::Oxygen => "oxygen",
            End::Cold => "cold",
            End::Heat => "heat",
        };
        let first = match (outage.first, outage.earliest) {
            (None, _) => "nothing of this is likely to end it within three days".to_owned(),
            (Some(first), earliest) if first == earliest => format!("{} ends it first", word(first)),
            (Some(first), earliest) => {
                format!("{} most likely ends it, at the earliest {}", word(first), word(earliest))
            }
        };
        let left_out = outage.without.iter().map(|(end, _)| match end {
            End::Oxygen => ", oxygen not counted",
            End::Cold => ", cold not counted",
            End::Heat => ", heat not counted",
        });
        format!("{first}{}", left_out.collect::<String>())
    });
    let lasts = whole.map(|outage| outage.lasts);
    asking.ask_noting("outage", "stands a power cut at night for".to_owned(), &Shown::Time, lasts, note);
    let cold = format!("below {} without any heat", exactly(units, paper.cold));
    asking.ask("cold", cold, &Shown::Time, too_cold);
    let hot = match paper.hot_room {
        Some(room) => format!("above {} in a room of {}", exactly(units, paper.warm), exactly(units, room)),
        None => format!("above {} in a hot room", exactly(units, paper.warm)),
    };
    asking.ask("hot", hot, &Shown::Time, too_warm);
    let times = [
        ("night", Before::Night, false, "at night"),
        ("day", Before::Day, false, "by day"),
        ("night-with-air", Before::Night, true, "at night, air stone running"),
    ];
    for (threshold, name) in [(CHRONIC_MG_L, "chronic"), (ACUTE_MG_L, "acute")] {
        for (id, before, air, when) in times {
            let question = match (name, id) {
                ("chronic", "night") => "oxygen-chronic-night",
                ("chronic", "day") => "oxygen-chronic-day",
                ("chronic", _) => "oxygen-chronic-night-with-air",
                (_, "night") => "oxygen-acute-night",
                (_, "day") => "oxygen-acute-day",
                (_, _) => "oxygen-acute-night-with-air",
            };
            let asks = format!("oxygen {name} ({threshold} mg/L) {when}");
            asking.ask(question, asks, &Shown::Time, paper.oxygen(threshold, before, air));
        }
    }
    asking.ask("battery", "the battery carries its load".to_owned(), &Shown::Time, paper.battery());
    asking.0
}

fn heat(paper: &Paper, units: &Units, tank: Option<&LearnedTank>) -> Vec<PaperAnswer> {
    let mut asking = Asking(Vec::new());
    let watts = Shown::Value("W");
    asking.ask("heater-size", "heater for the coldest room".to_owned(), &watts, paper.heater_size());
    let all: f64 = paper.heaters.iter().sum();
    let coldest = |which: &[usize], watts: f64| {
        let own = tank.map(|tank| tank.coldest_room(paper, which));
        match own {
            Some(Ok(own)) => Ok(own),
            _ if watts > 0.0 => paper.coldest_room(watts),
            _ => Err(CannotSay::Missing("heater")),
        }
    };
    let holds = |which: &[usize], watts: f64| {
        let room = paper.room.ok_or(CannotSay::Missing("room temperature"))?;
        coldest(which, watts).map(|coldest| Holds::of(room, coldest.range))
    };
    let all_of_them: Vec<usize> = (0..paper.heaters.len().max(1)).collect();
    let verdict = |which: &[usize], watts: f64| {
        holds(which, watts).ok().map(|holds| {
            let room = paper.room.map_or_else(String::new, |room| format!(" at {}", exactly(units, room)));
            match holds {
                Holds::Yes => format!("holds{room}"),
                Holds::Likely => format!("likely holds{room}, but not at the highest loss"),
                Holds::Hardly => format!("hardly holds{room}"),
                Holds::No => format!("can't hold{room}"),
            }
        })
    };
    let degrees_shown = Shown::Value(units.degrees());
    if paper.heaters.len() > 1 {
        for (i, heater) in paper.heaters.iter().enumerate() {
            let others = all - heater;
            let note = verdict(&[i], *heater).map(|said| match holds(&[i], *heater) {
                Ok(Holds::Yes | Holds::Likely) => format!("{said}: the rest is a spare"),
                _ => format!("{said}: the {others:.0} W beside it are no spare, both are needed"),
            });
            let asks = format!("coldest room that heater {} ({heater:.0} W) holds alone", i + 1);
            asking.ask_noting(
                "coldest-room-alone",
                asks,
                &degrees_shown,
                degrees(units, coldest(&[i], *heater)),
                note,
            );
        }
    }
    let asks = if paper.heaters.len() > 1 {
        "coldest room that all heaters hold".to_owned()
    } else {
        "coldest room that the heater holds".to_owned()
    };
    asking.ask_noting(
        "coldest-room",
        asks,
        &degrees_shown,
        degrees(units, coldest(&all_of_them, all)),
        verdict(&all_of_them, all),
    );
    let stuck = format!("above {} if the strongest heater sticks on", exactly(units, paper.warm));
    let warm = tank.map_or_else(|| paper.warm_with_heater_stuck(), |tank| tank.stuck(paper));
    asking.ask("warm", stuck, &Shown::Time, warm);
    asking.0
}

/// What the tank has shown of itself, and since when it counts.
fn itself(paper: &Paper, units: &Units, (tank, zone): (&LearnedTank, &TimeZone)) -> Vec<PaperAnswer> {
    let mut asking = Asking(Vec::new());
    let note = match tank.since() {
        Some(since) => {
            let since = since.civil(zone).strftime("%Y-%m-%d %H:%M");
            format!("its own loss and heaters count since {since}")
        }
        None => {
            "its own loss and heaters count after a day of readings; until then the ranges are as wide as \
                 its size makes them"
                .to_owned()
        }
    };
    let watched = Estimate::new(Interval::exact(tank.days()), [Basis::measured("water temperature")]);
    asking.ask_noting(
        "watched",
        "its water was watched for".to_owned(),
        &Shown::Value("days"),
        Ok(watched),
        Some(note),
    );
    for (i, duty) in tank.duty().into_iter().enumerate() {
        let Some(duty) = duty else { continue };
        let share = Estimate::new(
            Interval::exact((1_000.0 * duty).round() / 10.0),
            [Basis::measured("heater's share of the last week")],
        );
        let question = if i == 0 { "duty" } else { "duty-spare" };
        let asks = format!("heater {} was on", i + 1);
        asking.ask(question, asks, &Shown::Value("% of the time"), Ok(share));
    }
    let own_degrees = units.temperature.as_ref().filter(|scale| scale.name != "degC");
    let degrees = own_degrees.map_or("K", |scale| &scale.name);
    asking.ask(
        "loses",
        "without heat it loses, in its usual room".to_owned(),
        &Shown::Value(&format!("{} an hour", degrees)),
        tank.loses().map(|estimate| Estimate {
            range: estimate.range.map(|kelvin| units.temperature(kelvin) - units.temperature(0.0)),
            ..estimate
        }),
    );
    if let Some(learned) = paper.respiration {
        let uses = Estimate::new(learned.range, [Basis::learned("oxygen consumption")]);
        let asks = format!("it uses of oxygen at {}", exactly(units, 26.0));
        asking.ask("consumption", asks, &Shown::Value("mg/L an hour"), Ok(uses));
    }
    asking.0
}

fn water(paper: &Paper, units: &Units) -> Vec<PaperAnswer> {
    let mut asking = Asking(Vec::new());
    let note = paper.turnover().ok().map(|volumes| {
        let far = volumes.range.likely / USUAL_TURNOVER;
        let usual = format!("common practice is about {USUAL_TURNOVER:.0}");
        if far < 0.5 { format!("{usual}: this is little") } else { usual }
    });
    let shown = Shown::Value("volumes an hour");
    asking.ask_noting("turnover", "turnover".to_owned(), &shown, paper.turnover(), note);
    let a_day = format!("{} a day", units.measures());
    let lost = paper.evaporation();
    let lost =
        lost.map(|estimate| Estimate { range: estimate.range.map(|lost| units.volume(lost)), ..estimate });
    asking.ask("evaporation", "evaporation".to_owned(), &Shown::Value(&a_day), lost);
    let week = "salinity after a week without top-off".to_owned();
    asking.ask("salinity-without-top-off", week, &Shown::Value("ppt"), paper.salinity_without_top_off(7.0));
    let fresh = "salinity after the whole reservoir ran in".to_owned();
    asking.ask("salinity-after-reservoir", fresh, &Shown::Value("ppt"), paper.salinity_after_reservoir());
    asking.0
}

fn light(paper: &Paper) -> Vec<PaperAnswer> {
    let mut asking = Asking(Vec::new());
    let note = paper.light.map(|light| {
        let band = match LightBand::of(light.ppfd) {
            LightBand::Dim => "dimmer than corals are usually kept",
            LightBand::SoftAndLargePolyp => "as soft and large-polyp corals are usually kept",
            LightBand::Between => "between soft and small-polyp corals",
            LightBand::SmallPolyp => "as small-polyp corals are usually kept",
            LightBand::Bright => "brighter than corals are usually kept",
        };
        format!("at its brightest {band}")
    });
    let shown = Shown::Value("mol/m2 a day");
    asking.ask_noting("daily-light", "daily light integral".to_owned(), &shown, paper.daily_light(), note);
    asking.0
}

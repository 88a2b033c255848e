//! The outage of a tank on paper as a picture: the fan of its temperature, and that of its oxygen.

use super::Units;
use crate::chart::paper::{Chart, ChartItem, Ink, Point, document};
use slackwater_rules::forecast::oxygen::{ACUTE_MG_L, Before, CHRONIC_MG_L};
use slackwater_rules::forecast::planner::Paper;
use slackwater_rules::forecast::{CannotSay, Interval};

const STEPS: u32 = 120;

/// The picture of a power cut at night.
pub(super) fn outage(paper: &Paper, units: &Units) -> Result<String, String> {
    let mut drawn = vec![temperature(paper, units), oxygen(paper)];
    if paper.hot_room.is_some() {
        drawn.insert(1, heat(paper, units));
    }
    let (mut charts, mut below) = (Vec::new(), Vec::new());
    for chart in drawn {
        match chart {
            Ok(chart) => charts.push(chart),
            Err(reason) => below.push(reason.to_string()),
        }
    }
    if charts.is_empty() {
        return Err(format!("nothing to draw: {}", below.join("; ")));
    }
    below.push("An estimate from published figures, not from your tank.".to_owned());
    Ok(document("A power cut at night, on paper", &charts, &below, &|hours| format!("{hours} h")))
}

/// How long a chart is: until the late end, if there is one, and never so long that the early end
/// is not seen.
fn horizon(time: Interval, least: f64, most: f64) -> f64 {
    let late = if time.high.is_finite() { time.high * 1.1 } else { time.likely * 1.6 };
    let early = (time.low * 8.0).max(least);
    if late.is_finite() { late.min(early).clamp(least, most) } else { early.min(most) }
}

fn points(hours: f64, at: impl Fn(f64) -> f64) -> Vec<Point> {
    (0..=STEPS).map(|i| f64::from(i) * hours / f64::from(STEPS)).map(|hour| (hour, at(hour))).collect()
}

fn temperature(paper: &Paper, units: &Units) -> Result<Chart, CannotSay> {
    let time = paper.cold_without_heat()?.range;
    let water = paper.water.ok_or(CannotSay::Missing("water temperature"))?;
    let hours = horizon(time, 4.0, 48.0);
    let [steep, likely, slow] = paper.coolings(0.0)?;
    let shown = |celsius: f64| units.temperature(celsius);
    let course = |of: slackwater_rules::forecast::planner::Cooling| -> Vec<Point> {
        of.course(water).take_while(|(hour, _)| *hour <= hours).map(|(hour, t)| (hour, shown(t))).collect()
    };
    let (middle, late) = (course(likely), course(slow));
    let line = points(hours, |hour| shown(water + steep.rate(water) * hour));
    let lowest = middle.iter().map(|point| point.1).fold(shown(paper.cold), f64::min);
    let highest = late.iter().chain(&middle).map(|point| point.1).fold(shown(water), f64::max);
    let margin = (highest - lowest).max(1.0) * 0.1;
    Ok(Chart {
        title: "Water without heat".to_owned(),
        unit: slackwater_rules::words::for_people_in(units.degrees()),
        hours: (0.0, hours),
        values: (lowest - margin, highest + margin),
        items: vec![
            ChartItem::Band { name: "from the earliest to the latest".to_owned(), low: line, high: late },
            ChartItem::Line { name: "most likely".to_owned(), ink: Ink::Forecast, pieces: vec![middle] },
            ChartItem::Level { name: "too cold".to_owned(), value: shown(paper.cold) },
        ],
    })
}

/// The same outage in the hottest room: between air so damp that nothing evaporates, and dry air.
fn heat(paper: &Paper, units: &Units) -> Result<Chart, CannotSay> {
    let time = paper.warm_without_power()?.range;
    let water = paper.water.ok_or(CannotSay::Missing("water temperature"))?;
    let hours = horizon(time, 4.0, 48.0);
    let shown = |celsius: f64| units.temperature(celsius);
    let courses = paper.hot_coolings()?.map(|of| -> Vec<Point> {
        of.course(water).take_while(|(hour, _)| *hour <= hours).map(|(hour, t)| (hour, shown(t))).collect()
    });
    let limit = shown(paper.warm);
    let values = courses.iter().flatten().map(|point| point.1);
    let (lowest, highest) =
        values.fold((limit, limit), |(low, high), value| (low.min(value), high.max(value)));
    let margin = (highest - lowest).max(1.0) * 0.1;
    let [damp, likely, dry] = courses;
    Ok(Chart {
        title: "Water without power in the hottest room".to_owned(),
        unit: units.degrees().to_owned(),
        hours: (0.0, hours),
        values: (lowest - margin, highest + margin),
        items: vec![
            ChartItem::Band { name: "from dry air to damp".to_owned(), low: dry, high: damp },
            ChartItem::Line { name: "most likely".to_owned(), ink: Ink::Forecast, pieces: vec![likely] },
            ChartItem::Level { name: "too warm".to_owned(), value: limit },
        ],
    })
}

fn oxygen(paper: &Paper) -> Result<Chart, CannotSay> {
    let time = paper.oxygen(ACUTE_MG_L, Before::Night, false)?.range;
    let tank = paper.oxygen_tank()?;
    let hours = horizon(time, 2.0, 24.0);
    let still = |hour: f64| tank.after(Before::Night, None, hour);
    let full = still(0.0)?.high;
    let at = |of: fn(Interval) -> f64| points(hours, |hour| still(hour).map_or(f64::NAN, of));
    let mut items = vec![
        ChartItem::Band {
            name: "still water, worst to best".to_owned(),
            low: at(|r| r.low),
            high: at(|r| r.high),
        },
        ChartItem::Line {
            name: "still water, most likely".to_owned(),
            ink: Ink::Forecast,
            pieces: vec![at(|r| r.likely)],
        },
    ];
    if let Ok(pump) = paper.air_pump() {
        let aired = |hour: f64| tank.after(Before::Night, Some(&pump), hour).map_or(f64::NAN, |r| r.likely);
        let name = "with the air stone, most likely".to_owned();
        items.push(ChartItem::Line { name, ink: Ink::Other, pieces: vec![points(hours, aired)] });
    }
    items.push(ChartItem::Level { name: format!("growth harmed: {CHRONIC_MG_L}"), value: CHRONIC_MG_L });
    items.push(ChartItem::Level { name: format!("survival at risk: {ACUTE_MG_L}"), value: ACUTE_MG_L });
    Ok(Chart {
        title: "Oxygen with all pumps off, at night".to_owned(),
        unit: "mg/L".to_owned(),
        hours: (0.0, hours),
        values: (0.0, (full + 0.5).ceil()),
        items,
    })
}

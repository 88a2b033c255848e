//! What was written down of a tank, as the head of its answers.

use super::Units;
use super::answers::exactly;
use slackwater_rules::forecast::planner::Paper;

/// What was written down, in one line.
pub(super) fn known(paper: &Paper, units: &Units) -> String {
    let mut parts = Vec::new();
    if let Some(volume) = paper.volume {
        parts.push(format!("{:.0} {}", units.volume(volume), units.measures()));
    }
    if let Some(salinity) = paper.salinity {
        parts.push(format!("{} ppt", (salinity * 100.0).round() / 100.0));
    }
    if let Some(water) = paper.water {
        parts.push(format!("water {}", exactly(units, water)));
    }
    if let Some(room) = paper.room {
        parts.push(format!("coldest room {}", exactly(units, room)));
    }
    if let Some(room) = paper.hot_room {
        parts.push(format!("hottest room {}", exactly(units, room)));
    }
    if paper.lid {
        parts.push("a lid".to_owned());
    }
    for heater in &paper.heaters {
        parts.push(format!("heater {heater:.0} W"));
    }
    let stocking = match paper.stocking {
        slackwater_rules::plan::Stocking::Light => "light",
        slackwater_rules::plan::Stocking::Moderate => "moderate",
        slackwater_rules::plan::Stocking::Heavy => "heavy",
    };
    parts.push(format!("{stocking} stocking"));
    parts.join(", ")
}

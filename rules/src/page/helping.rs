//! The part of a card that is the site's own: where things are, whom to call, what a helper may do.

use crate::plan::{Help, Plan, TankId};

/// The lines for a page about this tank, or about the whole site.
pub(super) fn lines(plan: &Plan, about: Option<TankId>) -> Vec<String> {
    let tanks = (0..).map(TankId).zip(&plan.tanks).filter(|(id, _)| about.is_none_or(|about| about == *id));
    let of_tanks: Vec<(&str, &Help)> = tanks.map(|(_, tank)| (tank.title.as_str(), &tank.help)).collect();
    let place = |tank: Option<&str>, (thing, place): &(String, String)| match tank {
        Some(tank) => format!("- {}, {thing}: {place}", capital(tank)),
        None => format!("- {}: {place}", capital(thing)),
    };
    let mut lines: Vec<String> = plan.help.places.iter().map(|found| place(None, found)).collect();
    for (tank, help) in &of_tanks {
        lines.extend(help.places.iter().map(|found| place(Some(tank), found)));
    }
    for callee in &plan.help.call {
        lines.push(format!("- Call {}: {}", callee.name, callee.phone.dialled()));
    }
    lines.extend(plan.help.emergency.iter().map(|phone| format!("- Somebody is hurt: {}", phone.dialled())));
    let of_all = plan.help.may.iter().map(|may| format!("- A helper may: {may}"));
    lines.extend(of_all);
    for (tank, help) in &of_tanks {
        lines.extend(help.may.iter().map(|may| format!("- {}, a helper may: {may}", capital(tank))));
    }
    lines
}

fn capital(text: &str) -> String {
    let mut signs = text.chars();
    signs.next().map_or_else(String::new, |first| first.to_uppercase().chain(signs).collect())
}

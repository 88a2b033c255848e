//! The part of a card that is the site's own: where things are, whom to call, what a helper may do.

use crate::plan::{Contact, Help, Plan, TankId};
use crate::site::Callee;
use crate::words::capital;

/// What a helper leaves alone, whoever asks.
const NOT_FOR_HELPERS: &str =
    "Leave to the keeper: switching breakers back on, dosing, topping up, and hands in the water.";

/// Whom this reader may call, in the keeper's order. Nobody is told to call themselves.
pub(super) fn callees<'p>(
    plan: &'p Plan,
    reader: Option<(&'p str, &'p Contact)>,
) -> impl Iterator<Item = &'p Callee> {
    let is_reader = move |name: &str| reader.is_some_and(|(_, contact)| contact.name == name);
    plan.help.call.iter().filter(move |callee| !is_reader(&callee.name))
}

/// The lines for a page about this tank, or about the whole site.
pub(super) fn lines(plan: &Plan, about: Option<TankId>, reader: Option<(&str, &Contact)>) -> Vec<String> {
    let to_helper = reader.is_some_and(|(_, contact)| contact.helper);
    let tanks = (0..).map(TankId).zip(&plan.tanks).filter(|(id, _)| about.is_none_or(|about| about == *id));
    let of_tanks: Vec<(&str, &Help)> = tanks.map(|(_, tank)| (tank.title.as_str(), &tank.help)).collect();
    let place = |tank: Option<&str>, (thing, place): &(String, String)| match tank {
        Some(tank) => format!("{}, {thing}: {place}", capital(tank)),
        None => format!("{}: {place}", capital(thing)),
    };
    let mut lines: Vec<String> = plan.help.places.iter().map(|found| place(None, found)).collect();
    for (tank, help) in &of_tanks {
        lines.extend(help.places.iter().map(|found| place(Some(tank), found)));
    }
    for callee in callees(plan, reader) {
        lines.push(format!("Call {}: {}", callee.name, callee.phone.dialled()));
    }
    lines.extend(plan.help.emergency.iter().map(|phone| format!("Somebody is hurt: {}", phone.dialled())));
    let who = if to_helper { "You may" } else { "A helper may" };
    lines.extend(plan.help.may.iter().map(|may| format!("{who}: {may}")));
    for (tank, help) in &of_tanks {
        let may = |may: &String| format!("{}, {}: {may}", capital(tank), who.to_lowercase());
        lines.extend(help.may.iter().map(may));
    }
    lines.extend(to_helper.then(|| NOT_FOR_HELPERS.to_owned()));
    lines
}

//! The part of a card that is the site's own: which tank is meant, where things are, whom to call,
//! what a helper may do.

use crate::plan::ways::Skill;
use crate::plan::{Contact, Help, Plan, TankId};
use crate::site::Callee;
use crate::words::{capital, sentence};

/// What a helper leaves alone, whoever asks.
const NOT_FOR_HELPERS: &str = "switching breakers back on, dosing, topping up, and hands in the water";

/// Whom this reader may call, in the keeper's order. Nobody is told to call themselves.
pub(super) fn callees<'p>(
    plan: &'p Plan,
    reader: Option<(&'p str, &'p Contact)>,
) -> impl Iterator<Item = &'p Callee> {
    let is_reader = move |name: &str| reader.is_some_and(|(_, contact)| contact.name == name);
    plan.help.call.iter().filter(move |callee| !is_reader(&callee.name))
}

/// Where what a step names is to be found, of this tank first, then of the site: `Heater plugs:
/// left behind the stand.` A step names a thing if each word of the thing's name stands in it.
pub(super) fn place_of(plan: &Plan, about: Option<TankId>, step: &str) -> Option<String> {
    let of_tank = about.map(|tank| &plan.tank(tank).help.places);
    let known = of_tank.into_iter().chain([&plan.help.places]).flatten();
    let said: Vec<String> = stems(step).collect();
    let mut named = known.filter(|(thing, _)| stems(thing).all(|word| said.contains(&word)));
    named.next().map(|(thing, place)| format!("{}: {}.", capital(thing), place.trim_end_matches('.')))
}

/// The words in small letters, one and several of a thing alike.
fn stems(text: &str) -> impl Iterator<Item = String> + '_ {
    let words = text.split(|sign: char| !sign.is_alphanumeric());
    let words = words.filter(|word| !word.is_empty());
    words.map(|word| word.trim_end_matches('s').to_lowercase())
}

/// How a tank is told from others by who has never seen it: `Harbour: hall, the tall one`.
fn which_tank(plan: &Plan, tank: TankId) -> Option<String> {
    let tank = plan.tank(tank);
    tank.help.looks.as_ref().map(|looks| format!("{}: {looks}", capital(&tank.title)))
}

/// The same below a heading that names it, for who may not know what it is: `An aquarium: hall, the
/// tall one.`
pub(super) fn aquarium(plan: &Plan, tank: TankId) -> String {
    let looks = plan.tank(tank).help.looks.as_ref();
    sentence(&format!("An aquarium{}", looks.map(|looks| format!(": {looks}")).unwrap_or_default()))
}

/// The lines for a page about this tank, or about the whole site.
pub(super) fn lines(plan: &Plan, about: Option<TankId>, reader: Option<(&str, &Contact)>) -> Vec<String> {
    let to_helper = reader.is_some_and(|(_, contact)| contact.helper);
    let tanks = (0..).map(TankId).zip(&plan.tanks).filter(|(id, _)| about.is_none_or(|about| about == *id));
    let tanks: Vec<(TankId, &str, &Help)> =
        tanks.map(|(id, tank)| (id, tank.title.as_str(), &tank.help)).collect();
    let place = |tank: Option<&str>, (thing, place): &(String, String)| match tank {
        Some(tank) => format!("{}, {thing}: {place}", capital(tank)),
        None => format!("{}: {place}", capital(thing)),
    };
    let mut lines: Vec<String> = tanks.iter().filter_map(|(id, ..)| which_tank(plan, *id)).collect();
    lines.extend(plan.help.places.iter().map(|found| place(None, found)));
    for (_, tank, help) in &tanks {
        lines.extend(help.places.iter().map(|found| place(Some(tank), found)));
    }
    for callee in callees(plan, reader) {
        lines.push(format!("Call {}: {}", callee.name, callee.phone.dialled()));
    }
    lines.extend(plan.help.emergency.iter().map(|phone| format!("Somebody is hurt: {}", phone.dialled())));
    // The steps themselves are allowed: a list of what else is must not read as if it were all.
    let who = if to_helper {
        "You may do every step that stands here"
    } else {
        "A helper may do every step that is for anyone"
    };
    // Who is neither a helper nor at home with the watch asks whether they may.
    let keeps = |contact: &Contact| contact.can(Skill::Broker) || contact.can(Skill::Computer);
    if reader.is_some_and(|(_, contact)| !contact.helper && !keeps(contact)) {
        let yours = "You may do every step that stands here; those for who knows the tank only if you do.";
        lines.push(yours.to_owned());
    }
    match plan.help.may.as_slice() {
        [] => lines.push(format!("{who}.")),
        may => lines.push(format!("{who}, and besides: {}.", may.join("; "))),
    }
    for (_, tank, help) in tanks.iter().filter(|(_, _, help)| !help.may.is_empty()) {
        let who = if to_helper { "you may" } else { "a helper may" };
        lines.push(format!("{}: {who} besides: {}.", capital(tank), help.may.join("; ")));
    }
    let leaves = match to_helper {
        true => "Leave to the keeper (who looks after the aquariums)",
        false => "A helper leaves to the keeper",
    };
    lines.push(format!("{leaves}: {NOT_FOR_HELPERS}."));
    lines
}

#[cfg(test)]
mod tests {
    use super::stems;

    #[test]
    fn a_thing_is_known_in_a_step_whether_it_is_one_or_several() {
        let names = |thing: &str, step: &str| {
            let said: Vec<String> = stems(step).collect();
            stems(thing).all(|word| said.contains(&word))
        };
        for (thing, step) in [
            ("heater plugs", "Unplug the heaters, at a dry plug."),
            ("battery pump", "Start the battery air pump, the stone on its hose deep in the tank."),
            ("top off plug", "Unplug the top-off pump first, at a dry plug, from dry ground."),
            ("Panel", "Switch that circuit off at the panel."),
        ] {
            assert!(names(thing, step), "{thing}: {step}");
        }
        assert!(!names("heater plugs", "No grill, camp stove or gas heater indoors."));
        assert!(!names("torch", "Start the air pump."));
    }
}

//! The part of a card that is the site's own: which tank is meant, where things are, whom to call,
//! what a helper may do.

use crate::card;
use crate::plan::ways::Skill;
use crate::plan::{Contact, Help, Plan, Tank, TankId};
use crate::site::Callee;
use crate::words::capital;
use std::collections::BTreeSet;
use std::sync::OnceLock;

/// Words of the trade that no other word can stand for, and what they mean.
const MEANINGS: [(&str, &str); 17] = [
    ("sump", "the box of water below the tank"),
    ("return pump", "in the sump, lifts its water into the tank"),
    ("circulation pump", "hangs in the tank, moves its water"),
    ("top-off", "fills fresh water in from a can or box"),
    ("air pump", "blows bubbles: sink its hose's end deep, switch on"),
    ("dosing pump", "drips something from a bottle into the water"),
    ("skimmer", "a tall tube with a cup of foam on top"),
    ("reactor", "a closed tube that water is pumped through"),
    ("probe", "a sensor's end in the water"),
    ("gateway", "a box that brings to the watch what sensors say by radio"),
    ("router", "the box that joins the house to the internet"),
    ("UPS", "a box with a battery, for power cuts"),
    ("panel", "the box with the house's breakers or fuses"),
    ("mains", "the power that the house gets from outside"),
    ("salinity", "how salty the water is"),
    ("pH", "how acid the water is; low is acid"),
    ("the watch", "the small computer that reads the sensors and sends these messages"),
];
pub(super) const KEEPER: &str = "the keeper";
/// So begins the name of a gateway's place.
const GATEWAY: &str = "gateway ";

/// Things whose names are orders too: `switch on`, `plug in`.
const ORDERS: [&str; 2] = ["switch", "plug"];

/// What a helper leaves alone, whoever asks.
const NOT_FOR_HELPERS: &str =
    "adding anything to the water, switching breakers back on, and hands in the water";

/// Whom this reader may call, in the keeper's order. Nobody is told to call themselves.
pub(super) fn callees<'p>(
    plan: &'p Plan,
    reader: Option<(&'p str, &'p Contact)>,
) -> impl Iterator<Item = &'p Callee> {
    let is_reader = move |name: &str| reader.is_some_and(|(_, contact)| contact.name == name);
    plan.help.call.iter().filter(move |callee| !is_reader(&callee.name))
}

/// By which name a helper knows who keeps the tanks.
pub(super) fn keeper<'p>(plan: &'p Plan, reader: Option<(&'p str, &'p Contact)>) -> Option<&'p str> {
    let first = callees(plan, reader).next().filter(|_| reader.is_some_and(|(_, who)| who.helper))?;
    Some(&first.name)
}

/// Where what a step names is to be found, of this tank first, then of the site: `Heater plugs:
/// left of the stand.` A step names a thing if each word of the thing's name stands in it; of two
/// such names the one that says more is meant. The pump that gives air is the one on a battery,
/// whether the step says so or not. A step about no one tank is told the place in each: `Heater
/// plugs (lagoon): left of the stand.` The things that say most stand first.
pub(super) fn places_of(plan: &Plan, about: Option<TankId>, step: &str, gives_air: bool) -> Vec<String> {
    let tanks = || (0..).map(TankId).zip(&plan.tanks);
    let opens = |title: &str| step.strip_prefix(&*capital(title)).is_some_and(|rest| rest.starts_with(':'));
    let named = tanks().find(|(_, tank)| opens(&tank.title)).map(|(id, _)| id);
    let about =
        about.or(named).or_else(|| tanks().next().filter(|_| plan.tanks.len() == 1).map(|(id, _)| id));
    let of_tanks = tanks().filter(|(id, _)| about.is_none_or(|about| about == *id));
    let of_tanks = of_tanks.map(|(_, tank)| (Some(tank.title.as_str()), &tank.help.places));
    let known = of_tanks.chain([(None, &plan.help.places)]);
    let mut said: Vec<String> = stems(step).collect();
    // What is unplugged has a plug.
    if said.iter().any(|word| word == "unplug") {
        said.push("plug".to_owned());
    }
    if gives_air {
        said.extend(["battery", "air", "pump"].map(str::to_owned));
    }
    let known = known.flat_map(|(tank, places)| places.iter().map(move |entry| (tank, entry)));
    let named: Vec<_> =
        known.filter(|(_, (thing, _))| stems(thing).all(|word| said.contains(&word))).collect();
    // `pump` says less than `return pump`, and of two such the tank's own is meant.
    let is_part = |one: &str, other: &str| {
        stems(one).all(|word| stems(other).any(|it| it == word)) && stems(other).count() > stems(one).count()
    };
    let is_meant = |at: usize, thing: &str| {
        let again = about.is_some() && named.iter().take(at).any(|(_, (other, _))| other == thing);
        !again && !named.iter().any(|(_, (other, _))| is_part(thing, other))
    };
    let meant = named.iter().enumerate().filter(|(at, (_, (thing, _)))| is_meant(*at, thing));
    let place = |tank: &Option<&str>, entry| said_of(tank.filter(|_| about.is_none()), entry);
    let mut places: Vec<(usize, String)> =
        meant.map(|(_, (tank, entry))| (stems(&entry.0).count(), place(tank, entry))).collect();
    places.sort_by_key(|(words, _)| std::cmp::Reverse(*words));
    places.into_iter().map(|(_, place)| place).collect()
}

/// Whether a step of some built-in card needs it: it is said there, and on no other page.
fn is_named_by_cards(thing: &str) -> bool {
    static STEPS: OnceLock<Vec<Vec<String>>> = OnceLock::new();
    let steps = STEPS.get_or_init(|| {
        let lines = card::built_in().iter().flat_map(|known| &known.card.lines);
        lines.map(|line| stems(&line.words).collect()).collect()
    });
    let wanted: Vec<String> = stems(thing).collect();
    steps.iter().any(|said| wanted.iter().all(|word| said.contains(word)))
}

/// `Heater plugs: left of the stand.`, of this tank if several have some. A place that begins as an
/// order does is none: `the switch on the cord`.
fn said_of(tank: Option<&str>, (thing, place): &(String, String)) -> String {
    let of = tank.map(|tank| format!(" ({tank})")).unwrap_or_default();
    let ordered = ORDERS.iter().any(|order| place.strip_prefix(order).is_some_and(|it| it.starts_with(' ')));
    let the = if ordered { "the " } else { "" };
    format!("{}{of}: {the}{}.", capital(thing), place.trim_end_matches('.'))
}

/// Whether somebody is at home with the watch or its broker: a keeper.
pub(super) fn keeps(contact: &Contact) -> bool {
    !contact.helper && (contact.can(Skill::Broker) || contact.can(Skill::Computer))
}

/// The words of the trade in a text with what they mean, in its order, for who has never kept fish.
pub(super) fn meanings(text: &str) -> Vec<(&'static str, &'static str)> {
    let said: Vec<String> = words_of(text).collect();
    let first = |term: &str| {
        let wanted: Vec<String> = words_of(term).collect();
        let is =
            |(word, wanted): (&String, &String)| word == wanted || word.strip_suffix('s') == Some(wanted);
        said.windows(wanted.len()).position(|words| words.iter().zip(&wanted).all(is))
    };
    let mut found: Vec<_> =
        MEANINGS.iter().filter_map(|(term, what)| Some((first(term)?, (*term, *what)))).collect();
    found.sort_unstable();
    found.into_iter().map(|(_, meant)| meant).collect()
}

/// Who the keeper is, where a page names one.
pub(super) fn who_keeps(plan: &Plan, reader: Option<(&str, &Contact)>, page: &str) -> Option<String> {
    page.contains(KEEPER).then(|| {
        let call = callees(plan, reader).next();
        let call = call.map(|it| format!("; call {}", it.name)).unwrap_or_default();
        format!("Keeper: who looks after these aquariums{call}.")
    })
}

/// What a word means, beside the place of that thing if it is said too: `Sump: the box of water
/// below the tank; behind the doors.`
pub(super) fn explained((term, what): (&str, &str), places: &mut Vec<String>) {
    let title = format!("{}: ", capital(term));
    let at = places.iter().position(|place| place.starts_with(&title));
    let place = at.map(|at| places.remove(at));
    let place = place.as_deref().and_then(|place| place.strip_prefix(&title));
    places.insert(
        0,
        match place {
            Some(place) => format!("{title}{what}; {place}"),
            None => format!("{title}{what}."),
        },
    );
}

/// The words in small letters.
fn words_of(text: &str) -> impl Iterator<Item = String> + '_ {
    text.split(|sign: char| !sign.is_alphanumeric()).filter(|word| !word.is_empty()).map(str::to_lowercase)
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

/// A tank's title, and how somebody knows it who has never been there: `lagoon (hall, the tall
/// one)`.
pub(super) fn known_by(tank: &Tank) -> String {
    match &tank.help.looks {
        Some(looks) => format!("{} ({looks})", tank.title),
        None => tank.title.clone(),
    }
}

/// Below the heading, for who may never have been there: `Go to Halyard House, aquarium lagoon
/// (hall, the tall one).` Of a house with several the page says below which is where.
pub(super) fn where_to_go(plan: &Plan, about: Option<TankId>) -> String {
    let site = &plan.site;
    match (about.map(|about| plan.tank(about)), plan.tanks.as_slice()) {
        (Some(tank), _) | (None, [tank]) => format!("Go to {site}, aquarium {}.", known_by(tank)),
        (None, []) => format!("Go to {site}."),
        (None, many) => format!("Go to {site}: {} aquariums.", many.len()),
    }
}

/// The lines for a page about this tank, or about the whole site.
///
/// Where things are that no built-in card names, but for what was `said` beside the steps. All else
/// is said beside the steps that need it, and nowhere else; and so are those `called` first.
pub(super) fn lines(
    plan: &Plan,
    about: Option<TankId>,
    reader: Option<(&str, &Contact)>,
    said: &BTreeSet<String>,
    called: usize,
) -> Vec<String> {
    let to_helper = reader.is_some_and(|(_, contact)| contact.helper);
    let tanks = (0..).map(TankId).zip(&plan.tanks).filter(|(id, _)| about.is_none_or(|about| about == *id));
    let tanks: Vec<(TankId, &str, &Help)> =
        tanks.map(|(id, tank)| (id, tank.title.as_str(), &tank.help)).collect();
    let place = |(thing, place): &(String, String)| format!("{}: {place}", capital(thing));
    // Above it stands for a helper which aquarium is which.
    let which = tanks.iter().filter(|_| about.is_none() || !to_helper);
    let mut lines: Vec<String> = which.filter_map(|(id, ..)| which_tank(plan, *id)).collect();
    let is_new = |found: &&(String, String)| {
        !said.contains(&said_of(None, found)) && !found.0.starts_with(GATEWAY) && !is_named_by_cards(&found.0)
    };
    lines.extend(plan.help.places.iter().filter(is_new).map(place));
    for callee in callees(plan, reader).skip(called) {
        lines.push(format!("Call {}", callee.with_number()));
    }
    lines.extend(plan.help.emergency.iter().map(|phone| format!("Somebody is hurt: {}", phone.dialled())));
    // The steps themselves are allowed: a list of what else is must not read as if it were all.
    let who = if to_helper {
        "You may do every step that stands here"
    } else {
        "A helper may do every step that is for anyone"
    };
    // Who is neither a helper nor at home with the watch asks whether they may.
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
    let leaves = if to_helper {
        let who = keeper(plan, reader).unwrap_or(KEEPER);
        format!("Leave to {who}, who looks after the aquariums")
    } else {
        format!("A helper leaves to {KEEPER}")
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

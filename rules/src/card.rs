//! First-aid cards: what to do, in plain words, one action a line, safe for a neighbour who has
//! never kept fish. A page carries the first lines. Keepers can write cards of their own.
//!
//! Cautions come before actions: water and mains kill people, and no tank is worth one.

/// The steps of a built-in card.
pub fn steps(name: &str) -> Option<&'static [&'static str]> {
    CARDS.iter().find(|(card, _)| *card == name).map(|(_, steps)| *steps)
}

/// The names of all built-in cards.
pub fn names() -> impl Iterator<Item = &'static str> {
    CARDS.iter().map(|(name, _)| *name)
}

static CARDS: &[(&str, &[&str])] = &[
    (
        "no-power",
        &[
            "See whether only this house is dark, or the street too.",
            "Start the battery air pump, with its stone in the tank. Fish need air before they need heat.",
            "No air pump? Lift tank water with a clean jug and pour it back, again and again.",
            "Do not feed.",
            "Wrap the sides of the tank in blankets. Leave the top open for air.",
            "A generator runs outdoors only, far from doors and windows: its fumes kill.",
            "Leave plugs in wet places alone. In doubt call a licensed electrician.",
        ],
    ),
    (
        "circuit-dead",
        &[
            "Other rooms have power: a breaker or a ground-fault outlet (GFCI, RCD) has tripped.",
            "Look first: is water on the floor or at a plug? Then touch nothing, and switch the circuit off at the panel.",
            "With dry hands and on dry ground, reset it once.",
            "If it trips a second time, do not reset it again: unplug what hangs on it, at a dry plug.",
            "Start the battery air pump.",
            "Plug the flow pump into a dry ground-fault outlet that works, if its cord reaches without lying in water.",
            "Leave the tripped circuit off and call a licensed electrician.",
        ],
    ),
    (
        "no-flow",
        &[
            "Look at the water: does anything move it?",
            "See whether the pump is plugged in and switched on.",
            "Start the air pump: without moving water or air some fish have less than an hour.",
            "Unplug the pump before you reach into the water.",
            "Look for a clogged inlet, a closed valve, a low water level in the sump.",
            "Unplug a heater that stands in a sump without flow.",
            "Plug the pump in again, with the cable hanging lower than the plug, so that drops fall off it.",
        ],
    ),
    (
        "too-hot",
        &[
            "Feel the glass of the tank, or read a second thermometer.",
            "Unplug the heaters, at a dry plug.",
            "Switch the lights off and open the lid.",
            "Let a fan blow over the water, standing where it can't fall in.",
            "Start the air pump: warm water holds less oxygen.",
            "Cool slowly, by no more than 1 degC (2 degF) an hour. Never put ice into the tank.",
        ],
    ),
    (
        "too-cold",
        &[
            "Feel the glass of the tank, or read a second thermometer.",
            "See whether the heaters have power and their lamps are lit.",
            "Wrap the sides of the tank in blankets. Leave the top open for air.",
            "Unplug a heater before you move it, and let it cool under water.",
            "A heater that is cracked stays unplugged: keep hands out of the water until it is.",
            "Warm slowly, by no more than 1 degC (2 degF) an hour. Never pour hot water into the tank.",
        ],
    ),
    (
        "water-on-floor",
        &[
            "Stay out of the water if it reaches a plug, a cable or a power strip.",
            "Switch that circuit off at the panel, if you can get there on dry ground.",
            "See where it comes from: the tank, the sump, a hose.",
            "Unplug the top-off pump and the return pump, at a dry plug.",
            "Leave the air pump and the flow pump inside the tank running, if their plugs are dry.",
            "Nothing that got wet is plugged in again before an electrician has seen it.",
        ],
    ),
    (
        "power-back",
        &[
            "Look at the water: does it move? Pumps often do not start again by themselves.",
            "Unplug a pump that hums and does not turn, wait a minute, and plug it in again.",
            "Unplug a heater that does not stand under water, and let it cool before you touch it.",
            "Look for water on the floor: a siphon may have drained the tank.",
            "Leave the battery air pump on for an hour more.",
            "Do not feed today.",
        ],
    ),
    (
        "cloudy-water",
        &[
            "Look at the fish: do they breathe fast or hang at the surface?",
            "Start the air pump, and let the pumps move the surface.",
            "Stop all dosing: unplug the dosing pumps.",
            "Do not feed.",
            "Take out anything dead, with the pumps unplugged while your hand is in the water.",
            "Change nothing else before you have reached the keeper.",
        ],
    ),
    (
        "watch-silent",
        &[
            "The watch itself does not report: nobody is watching the tank now.",
            "Go and look: do the pumps run, is the water warm, is the floor dry?",
            "See whether the house and the router have power.",
            "See whether the small computer of the watch has power.",
            "Look at the tank again every few hours until the watch is back.",
        ],
    ),
];

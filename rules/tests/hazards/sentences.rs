//! What the trade asks of the cards, sentence by sentence: each hazard plays, and its first page
//! says it, in this order, to the keeper and to a helper.

use crate::site::{Story, rules};
use slackwater_rules::alarm::Priority;
use slackwater_rules::card::GATE;
use slackwater_rules::sim::SentPage;
use slackwater_rules::time::Span;

const fn min(minutes: i64) -> Span {
    Span::minutes(minutes)
}

const fn h(hours: i64) -> Span {
    Span::hours(hours)
}

/// All of them stand in the body, one behind the other.
#[track_caller]
fn in_order(page: &SentPage, words: &[&str]) {
    let mut rest = page.body.as_str();
    for word in words {
        let Some((_, after)) = rest.split_once(word) else {
            panic!("{word:?} is missing or too early in:\n{}", page.body)
        };
        rest = after;
    }
}

#[track_caller]
fn has_none(page: &SentPage, words: &[&str]) {
    for word in words {
        assert!(!page.body.contains(word), "{word:?} is in:\n{}", page.body);
    }
}

fn dark() -> Story {
    let mut story = Story::of("power-lost", "", &["mains"]);
    story.says("mains", "on").run(h(1)).says("mains", "off").run(min(2));
    story
}

fn leak() -> Story {
    let alarms = "[alarm.it]\nhazard = \"water-on-floor\"\n[alarm.low]\nhazard = \"level-low\"\nlimit = \"12 cm\"\n\
                  consequence-of = [\"it\"]\n";
    let mut story = Story::with(&rules(&["leak", "level"], alarms));
    story.says("leak", "dry").says("level", 24).run(h(1)).says("leak", "wet").run(min(2));
    story
}

fn still() -> Story {
    let mut story = Story::of("return-stopped", "", &["return-flow"]);
    story.says("return-flow", 2000).run(h(1)).says("return-flow", 0).run(min(4));
    story
}

fn warm() -> Story {
    let mut story = Story::of("too-warm", "", &["temperature"]);
    story.says("temperature", 25.3).ramp("temperature", 28.0, h(4)).run(min(10));
    story
}

fn cold() -> Story {
    let mut story = Story::of("too-cold", "", &["temperature"]);
    story.says("temperature", 25.3).ramp("temperature", 23.3, h(4)).run(min(10));
    story
}

fn back() -> Story {
    let mut story = Story::of("pump-not-started", "", &["mains", "return-flow"]);
    story.says("mains", "on").says("return-flow", 2000).run(h(3));
    story.says("mains", "off").says("return-flow", 0).run(h(1)).says("mains", "on").run(min(10));
    story
}

fn boils() -> Story {
    let keys = "heater-power = \"heater-power\"\nrelay = \"relay\"";
    let mut story = Story::of("heater-in-still-water", keys, &["return-flow", "heater-power", "relay"]);
    story.says("return-flow", 2000).says("heater-power", 200).run(h(1)).says("return-flow", 0).run(min(5));
    story
}

#[test]
fn flow_gone_and_a_heater_that_draws_is_critical_and_its_heaters_are_switched_off() {
    let story = boils();
    assert_eq!(story.page("ines.push").priority, Priority::Critical);
    assert_eq!(story.commands().first().map(String::as_str), Some("relay/set off"));
}

#[test]
fn flow_gone_and_a_heater_that_draws_begins_with_the_heaters_plug() {
    let story = boils();
    for to in ["ines.push", "neighbour.push"] {
        let page = story.page(to);
        in_order(page, &["\n2. Unplug the sump's heater.", "Start the air pump"]);
        assert!(page.text().contains("Unplug the sump's heater at a dry plug"), "{}", page.text());
    }
}

#[test]
fn a_probe_out_of_the_water_is_high_where_a_heater_may_follow_it_and_begins_with_that_heater() {
    let mut story = Story::of("probe-out-of-water", "", &["temperature"]);
    story.says("temperature", 25.3).run(h(2)).ramp("temperature", 21.0, min(15)).run(min(10));
    let page = story.page("neighbour.push");
    assert_eq!(page.priority, Priority::High);
    in_order(page, &["\n2. Unplug the heater that follows this probe."]);
    assert!(page.text().contains("Floor dry? Unplug that heater, at a dry plug"), "{}", page.text());
    // No heater follows a probe of salinity.
    let mut story = Story::of("probe-out-of-water", "salinity = \"salinity\"", &["salinity"]);
    story.says("salinity", 35).run(h(2)).says("salinity", 0).run(min(5));
    assert_eq!(story.page("ines.push").priority, Priority::Medium);
    has_none(story.page("ines.push"), &["nplug the heater"]);
}

#[test]
fn a_frozen_thermometer_of_a_tank_is_high_and_begins_with_its_heater_and_anything_else_is_low() {
    let frozen = |sensor: &str, value: f64| {
        let keys = format!("sensor = \"{sensor}\"\nlength = \"2 h\"");
        let mut story = Story::of("sensor-frozen", &keys, &[sensor]);
        story.says(sensor, value).run(h(3));
        story
    };
    let story = frozen("temperature", 25.3);
    let page = story.page("neighbour.push");
    assert_eq!(page.priority, Priority::High);
    in_order(page, &["\n2. Unplug the heater that follows this probe."]);
    assert!(page.text().contains("Unplug the heater that follows it, at a dry plug"), "{}", page.text());
    for (sensor, value) in [("salinity", 35.0), ("level", 21.0)] {
        let story = frozen(sensor, value);
        assert_eq!(story.page("ines.push").priority, Priority::Low, "{sensor}");
        has_none(story.page("ines.push"), &["nplug the heater"]);
    }
}

#[test]
fn in_a_power_cut_a_wet_floor_comes_first_then_air_then_the_jug_then_feeding() {
    let story = dark();
    for to in ["ines.push", "neighbour.push"] {
        in_order(
            story.page(to),
            &[
                GATE,
                "\n2. Take the torch. Start the battery air pump.",
                "\n3. A tank without bubbles? Lift its water with a jug by the handle, and pour it back from 10 cm (4 in) up.",
                "ive minutes in every fifteen, until the pumps run again. Hands out: power may return any second.",
                "Do not feed. Switch automatic feeders off.",
            ],
        );
    }
}

#[test]
fn in_a_power_cut_blankets_stay_off_plugs_lamps_and_the_top() {
    in_order(
        dark().page("neighbour.push"),
        &[
            "The water gets cold? Blankets round the sides only: not over the top, and away from plugs and lamps.",
        ],
    );
}

#[test]
fn in_a_power_cut_a_generator_is_the_keepers_outdoors_and_never_at_a_wall_socket() {
    let story = dark();
    in_order(
        story.page("ines.push"),
        &[
            "\nOnly for who knows the tank\n",
            "A generator runs outdoors only, 6 m (20 ft) from doors and windows, never in a garage.",
            "Never plug a generator into a wall socket.",
        ],
    );
    has_none(story.page("neighbour.push"), &["enerator"]);
}

#[test]
fn in_a_power_cut_nobody_burns_anything_indoors_and_a_headache_means_everyone_out() {
    for to in ["ines.push", "neighbour.push"] {
        in_order(
            dark().page(to),
            &[
                "No grill, camp stove or gas heater indoors.",
                "Headache or dizzy? Everyone out, and call the emergency number.",
            ],
        );
    }
}

#[test]
fn water_on_the_floor_parts_into_wet_the_panel_and_dry_the_top_off_the_sump_the_return_and_air() {
    let story = leak();
    for to in ["ines.push", "neighbour.push"] {
        in_order(
            story.page(to),
            &[
                GATE,
                "\n2. If wet: way to the panel dry? By torch, turn the house's main switch off there. Wet too? Leave the house.",
                "\n3. If dry: unplug the top-off pump, if there is one: it may pour water in.",
                "If dry, sump water 10 cm (4 in) or more below the rim: unplug the return pump; its water runs back.",
                "If dry, sump fuller: leave the return pump on.",
                "Then dry your hands, unplug the return pump and watch the sump fill",
                "Return pump unplugged, or house off? Start the battery air pump at a tank that is reached dry; it stays there.",
                "Never pull a wet plug.",
            ],
        );
    }
}

#[test]
fn a_low_level_during_a_leak_is_its_consequence_and_nobody_tops_up() {
    let mut story = leak();
    story.ramp("level", 9.0, min(30)).run(h(1));
    assert_eq!(story.headings(), ["Lagoon: water where it must be dry"]);
    for to in ["ines.push", "neighbour.push"] {
        in_order(story.page(to), &["Add no water, however low it stands"]);
        has_none(story.page(to), &["top up with fresh water"]);
    }
}

#[test]
fn without_flow_air_comes_first_and_hands_stay_out_until_every_plug_is_out() {
    let story = still();
    for to in ["ines.push", "neighbour.push"] {
        in_order(story.page(to), &[GATE, "\n2. Start the air pump", "Do not feed."]);
    }
    in_order(
        story.page("ines.push"),
        &[
            "\nOnly for who knows the tank\n",
            "until every plug of that tank is out.",
            "Every plug out? Look for a clogged inlet",
        ],
    );
    has_none(story.page("neighbour.push"), &["clogged inlet", "Plug that pump in again"]);
}

#[test]
fn too_warm_water_gets_air_second_and_is_cooled_slowly_without_ice() {
    for to in ["ines.push", "neighbour.push"] {
        in_order(
            warm().page(to),
            &[
                "\n2. Unplug the heaters.",
                "\n3. Start the air pump",
                "Cool slowly, by no more than 1 °C (2 °F) an hour on the thermometer. Do not put ice into the tank.",
            ],
        );
    }
}

#[test]
fn after_a_power_cut_pumps_are_looked_at_and_a_filter_that_stood_stays_off_until_rinsed() {
    let story = back();
    for to in ["ines.push", "neighbour.push"] {
        in_order(
            story.page(to),
            &[
                "\n2. Does the water move in every tank?",
                "A closed filter or reactor that stood for over two hours stays off until it is rinsed.",
                "Watch the skimmer: its cup may overflow.",
            ],
        );
    }
    in_order(story.page("ines.push"), &["\nOnly for who knows the tank\n", "Rinse it in tank water"]);
    has_none(story.page("neighbour.push"), &["Rinse it"]);
}

#[test]
fn cold_water_gets_air_before_heat_and_only_the_keeper_warms_it_slowly() {
    let story = cold();
    for to in ["ines.push", "neighbour.push"] {
        in_order(
            story.page(to),
            &[
                "\n2. Does the water move? If not, start the air pump: air comes before heat.",
                "heaters are plugged in",
            ],
        );
    }
    in_order(
        story.page("ines.push"),
        &["\nOnly for who knows the tank\n", "Warm slowly, by no more than about 1 °C (2 °F) an hour."],
    );
    has_none(story.page("neighbour.push"), &["Warm slowly"]);
}

#[test]
fn every_line_of_a_keepers_page_stands_under_the_title_of_whom_it_is_for() {
    for story in [dark(), leak(), still(), warm(), cold(), back(), boils()] {
        let page = story.page("ines.push");
        let helper = story.page("neighbour.push");
        let keepers = page.body.split("\nOnly for who knows the tank\n").nth(1).unwrap_or_default();
        let keepers = keepers.split("\n\n").next().unwrap_or_default();
        for line in keepers.lines() {
            let words = line.split_once(". ").map_or(line, |(_, words)| words);
            has_none(helper, &[words]);
        }
    }
}

//! What the library offers.

use crate::site::{check, rules};
use slackwater_rules::hazard;

/// Everything that a keeper would look for.
const NAMES: [&str; 54] = [
    "power-lost",
    "power-unstable",
    "circuit-dead",
    "pump-not-started",
    "battery-low",
    "battery-ending",
    "ups-ending",
    "battery-worn",
    "backup-heater-engaged",
    "heater-dead",
    "heater-works-more",
    "both-heaters-dead",
    "heater-stuck-on",
    "heater-cut-off-in-sump",
    "heater-in-still-water",
    "heater-relay-disobeys",
    "too-warm",
    "far-too-warm",
    "too-cold",
    "temperature-swing",
    "cooling-not-keeping-up",
    "return-stopped",
    "flow-fading",
    "circulation-stopped",
    "turnover-low",
    "level-high",
    "level-low",
    "water-on-floor",
    "top-off-running-on",
    "top-off-running-dry",
    "top-off-idle",
    "salinity-drifting",
    "ph-step",
    "ph-out-of-band",
    "dosing-running-on",
    "light-not-on",
    "light-stuck-on",
    "light-integral-off",
    "probe-out-of-water",
    "probes-disagree",
    "sensor-frozen",
    "sensor-silent",
    "heat-not-coming",
    "heat-uncalled",
    "cooling-not-coming",
    "losing-heat",
    "probe-shifted",
    "probe-in-the-air",
    "flow-lost-inside",
    "cooling-fast",
    "warming-fast",
    "oxygen-running-out",
    "spare-is-no-spare",
    "heaters-too-small",
];

/// Every part that a sensor or relay plays in the library.
const PARTS: [&str; 35] = [
    "room",
    "temperature",
    "first",
    "second",
    "sensor",
    "return-flow",
    "level",
    "salinity",
    "ph",
    "light",
    "battery",
    "runtime",
    "low-battery",
    "replace-battery",
    "pump-current",
    "leak",
    "mains",
    "circuit",
    "relay",
    "spare-power",
    "heater-power",
    "cooler-power",
    "pump-power",
    "top-off-power",
    "doser-power",
    "light-power",
    "spare-state",
    "heater-state",
    "heater-command",
    "cooler-state",
    "pump-state",
    "top-off-state",
    "doser-state",
    "light-state",
    "other-state",
];

#[test]
fn the_library_has_a_hazard_for_every_failure_it_promises() {
    assert_eq!(hazard::names().collect::<Vec<_>>(), NAMES);
}

#[test]
fn every_hazard_written_out_is_a_rule_that_checks() {
    for name in hazard::names() {
        let text = hazard::text(name).expect("it has a text");
        let written = text.split("named after their parts:\n").nth(1).expect("it is written out");
        let written = written
            .replace(" tank ", " lagoon ")
            .replace("of tank ", "of lagoon ")
            .replace("\"tank ", "\"lagoon ");
        let checked = check(&rules(&PARTS, &written));
        let errors = checked.report.contains("error:");
        assert!(!errors && checked.plan.is_some(), "{name}:\n{text}\n{}", checked.report);
    }
}

#[test]
fn every_hazard_says_what_follows_and_what_to_do_and_how_soon() {
    for name in hazard::names() {
        let text = hazard::text(name).expect("it has a text");
        for key in ["cause", "consequence", "response", "time-to-respond", "priority", "off-delay"] {
            let needed = key != "off-delay" || !text.contains("latching");
            assert!(!needed || text.contains(&format!("\n{key} = ")), "{name} has no {key}");
        }
        assert!(hazard::about(name).is_some_and(|about| about.ends_with('.')));
    }
}

#[test]
fn every_hazard_has_a_title_in_words_for_people() {
    let mut titles = std::collections::BTreeSet::new();
    for name in hazard::names() {
        let title = hazard::title(name).expect("it has a title");
        let plain = title.chars().all(|sign| sign.is_ascii_alphabetic() || " ,:'-".contains(sign));
        assert!(plain && title.chars().count() <= 40 && !title.ends_with('.'), "{name}: {title}");
        assert!(titles.insert(title), "{title} stands twice");
    }
}

#[test]
fn every_hazard_names_a_card_that_there_is_and_every_card_is_in_use() {
    let mut unused: std::collections::BTreeSet<&str> = slackwater_rules::card::names().collect();
    for name in hazard::names() {
        let used = crate::manual::cards_of(name);
        assert!(!used.is_empty(), "{name} has no card");
        for card in used {
            assert!(slackwater_rules::card::find(&card).is_some(), "{name}: there is no card {card}");
            unused.remove(card.as_str());
        }
    }
    // For keepers who watch over another site.
    assert_eq!(unused.into_iter().collect::<Vec<_>>(), ["heaters-cut", "watch-silent"]);
}

#[test]
fn every_default_says_where_it_comes_from() {
    let mut count = 0;
    for row in hazard::defaults() {
        let known =
            row.source.starts_with("common practice: ") || row.source.starts_with("engineering choice: ");
        assert!(row.value.is_none() || known, "{} {} is from nowhere", row.hazard, row.name);
        count += 1;
    }
    assert!(count > 50, "{count}");
}

#[test]
fn a_hazard_shows_how_it_is_used_and_all_that_it_is() {
    insta::assert_snapshot!(hazard::text("heater-stuck-on").expect("it is there"));
    assert_eq!(hazard::text("heater-stuck"), None);
}

#[test]
fn a_rehearsal_makes_up_a_story_for_a_duty_that_is_compared_with_its_own_past() {
    let when =
        "duty of heater-power > 20 W over 2 h - duty of heater-power > 20 W over 8 h, lagged 2 h > 15 %";
    let alarm = format!("[alarm.it]\nwhen = \"{when}\"\npriority = \"low\"\nresponse = \"Look.\"\n");
    let plan = check(&rules(&["heater-power"], &alarm)).plan.expect("it is right");
    assert!(slackwater_rules::rehearsal::probe(&plan)[0].raised.is_some());
}

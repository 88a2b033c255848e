//! What editors are given: findings as JSON, and the schema of the rule file.

use crate::site::{HALYARD, check};
use slackwater_rules::hazard;
use slackwater_rules::plan::{schema, schema_text};
use std::collections::BTreeSet;

const COMMITTED: &str = include_str!("../../schema/rules.schema.json");

#[test]
fn findings_as_json_have_their_places_in_lines_and_in_bytes() {
    let text =
        HALYARD.replace("lagoon-temp > 29 degC", "lagoon-tmp > 29 °C").replace("mains is off", "mains is of");
    let checked = check(&text);
    let view = checked.view();
    for finding in &view.findings {
        assert_eq!(
            text.get(finding.place.start..finding.place.end).map(|part| part.contains('\n')),
            Some(false)
        );
    }
    insta::assert_snapshot!(serde_json::to_string_pretty(&view).expect("it can be printed"));
}

/// To renew it: `cargo insta` does not; write what `schema_text` returns.
#[test]
fn the_committed_schema_is_what_the_reader_would_write() {
    assert!(COMMITTED == schema_text(), "rules/schema/rules.schema.json is out of date:\n{}", schema_text());
}

/// The keys that the reader knows in a table, as it says them of one that it doesn't.
fn known(text: &str, place: &str) -> BTreeSet<String> {
    let checked = check(text);
    let about = |title: &str| title.contains("`zzzzzzzzzzzz`") && title.contains(place);
    let finding = checked.findings.iter().find(|finding| about(&finding.title)).expect(&checked.report);
    let help = finding.help.as_deref().expect("it lists the others");
    help.split('`').skip(1).step_by(2).map(str::to_owned).collect()
}

#[test]
fn the_schema_has_the_keys_that_the_reader_knows_and_no_others() {
    let schema = schema();
    let keys = |pointer: &str| -> BTreeSet<String> {
        let properties = schema.pointer(pointer).and_then(|it| it.as_object()).expect(pointer);
        properties.keys().cloned().collect()
    };
    let unknown = "zzzzzzzzzzzz = 1";
    assert_eq!(known(unknown, "a rule file"), keys("/properties"));
    for (heading, of) in [
        ("site", "site"),
        ("sight", "sight"),
        ("tank.x", "tank"),
        ("sensor.x", "sensor"),
        ("relay.x", "relay"),
        ("battery.x", "battery"),
        ("alarm.x", "alarm"),
        ("callout.x", "callout"),
        ("work.x", "work"),
        ("card.x", "card"),
        ("watched.x", "watched"),
    ] {
        let text = format!("[{heading}]\n{unknown}\n");
        assert_eq!(known(&text, heading), keys(&format!("/$defs/{of}/properties")), "{heading}");
    }
    let command = format!("[relay.x]\ncommand = {{ {unknown} }}\n");
    assert_eq!(known(&command, "command"), keys("/$defs/relay/properties/command/properties"));
    for key in ["heater", "pumps", "air"] {
        let gear = format!("[tank.x]\n{key} = {{ {unknown} }}\n");
        let of = if key == "heater" { "/heater/anyOf/1" } else { &format!("/{key}") };
        assert_eq!(known(&gear, key), keys(&format!("/$defs/tank/properties{of}/properties")), "{key}");
    }
    let source = format!("[sensor.x]\nsource = {{ {unknown} }}\n");
    assert_eq!(known(&source, "source"), keys("/$defs/sensor/properties/source/properties"));
    let stopgap = format!("[alarm.x]\nstopgap = {{ {unknown} }}\n");
    assert_eq!(known(&stopgap, "stopgap"), keys("/$defs/alarm/properties/stopgap/properties"));
}

#[test]
fn the_schema_offers_each_hazard_with_its_parameters() {
    let schema = schema();
    let forms = schema.pointer("/$defs/alarm/allOf").and_then(|it| it.as_array()).expect("a list");
    assert_eq!(forms.len(), hazard::names().count());
    for (form, name) in forms.iter().zip(hazard::names()) {
        assert_eq!(form.pointer("/if/properties/hazard/const").and_then(|it| it.as_str()), Some(name));
        let assumed = hazard::defaults().filter(|row| row.hazard == name).collect::<Vec<_>>();
        for row in assumed {
            let found = form.pointer(&format!("/then/properties/{}/default", row.name));
            assert_eq!(found.and_then(|it| it.as_str()), row.value, "{name} {}", row.name);
        }
    }
}

//! Other sites in the rule file: what they come to, and what is wrong with them.

use crate::site::check;
use slackwater_rules::alarm::Priority;
use slackwater_rules::plan::Sight;
use slackwater_rules::time::Span;

/// RFC 8037, appendix A.2 (from memory).
const KEY: &str = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo";

const CALLOUT: &str = "[callout.own]\nsteps = [{ after = \"0 min\", to = [\"ines.push\"] }]\n";

#[test]
fn a_watched_site_comes_to_a_sensor_and_an_alarm_for_its_silence() {
    let checked = check(&format!("[watched.halyard]\nname = \"Halyard House\"\nkey = \"{KEY}\"\n{CALLOUT}"));
    assert_eq!(checked.report, "");
    let plan = checked.plan.expect("nothing is wrong");
    let site = &plan.watched[0];
    assert_eq!((site.name.as_str(), site.key.as_str(), site.asks), ("halyard", KEY, None));
    let names: Vec<_> = plan.alarms.iter().map(|alarm| alarm.name.as_str()).collect();
    assert_eq!(
        names,
        [
            "halyard-silent",
            "sight-broker",
            "health-journal",
            "health-clock",
            "health-settings",
            "health-rules",
            "health-ines.push"
        ],
        "its sensor has no second alarm"
    );
    let (silent, sensor) = (&plan.alarms[0], plan.sensor(site.sensor));
    assert_eq!(silent.sight, Some(Sight::Sensor(site.sensor)));
    assert_eq!(sensor.stale_after + silent.on_delay, Span::minutes(5), "five missed check-ins");
    assert_eq!((plan.place_of(silent), silent.priority), ("Halyard House", Priority::High));
    assert_eq!(plan.topics().into_iter().collect::<Vec<_>>(), ["slackwater/check-in/halyard"]);
}

#[test]
fn an_agent_with_tanks_of_its_own_can_be_a_witness_too() {
    let own = crate::site::HALYARD;
    let before = check(own).plan.expect("right");
    let text =
        format!("{own}\n[watched.nursery]\nkey = \"{KEY}\"\nhand-on = true\ncallout = \"household\"\n");
    let checked = check(&text);
    let plan = checked.plan.unwrap_or_else(|| panic!("{}", checked.report));
    let own: Vec<_> = before.sensors.iter().map(|sensor| &sensor.name).collect();
    let all: Vec<_> = plan.sensors.iter().map(|sensor| &sensor.name).collect();
    assert_eq!(all[..own.len()], own, "its own sensors keep their places");
    assert_eq!(all[own.len()..], ["nursery", "nursery-asks"]);
    for name in ["nursery-silent", "nursery-asks"] {
        assert!(plan.alarm_named(name).is_some(), "{name}");
    }
    let blind = |name: &str| plan.alarm_named(&format!("sight-{name}"));
    assert!(blind("nursery").is_none() && blind("nursery-asks").is_none());
}

#[test]
fn what_is_wrong_with_a_watched_site_is_said_where_it_is() {
    let text = format!(
        "[sensor.lagoon]\ntopic = \"lagoon\"\nmeasures = \"flow\"\nunit = \"L/h\"\nevery = \"30 s\"\n\
         [watched.lagoon]\nkey = \"{KEY}\"\n\
         [watched.halyard]\nkey = \"secret\"\nevery = \"1 min\"\nsilent-after = \"2 min\"\n\
         [watched.harbour]\nsilent = \"2 min\"\n{CALLOUT}"
    );
    let checked = check(&text);
    assert!(checked.plan.is_none());
    for words in [
        "`lagoon` is a sensor already",
        "this is not the public half of a check-in key",
        "`slackwater witness key` on the site's board",
        "a site is not silent so soon",
        "at least 3 min, so that a lost message wakes nobody",
        "`watched.harbour` lacks `key`",
        "`silent` is not known in `watched.harbour`",
    ] {
        assert!(checked.report.contains(words), "{words:?} is not in:\n{}", checked.report);
    }
}

//! Whether each alarm would reach somebody in time, as `check` sees it: the sound sample has none
//! of these warnings, and each of them stands in a file that lacks one thing.

use crate::fixtures::{UTC, around_in};
use crate::site::{HALYARD, check, check_in, hours, surroundings};
use jiff::civil::time;
use slackwater_rules::plan::{Checked, Severity, Surroundings};

const SAMPLE: &str = include_str!("../../../deploy/sample/rules.toml");

/// The people of the sample, with their hours.
fn household() -> Surroundings {
    let channels = ["ines.push", "ines.mail", "tom.mail", "neighbour.mail", "siren"];
    let mut around = around_in(UTC, &channels);
    let hours_of =
        [("tom", time(7, 0, 0, 0), time(23, 30, 0, 0)), ("neighbour", time(8, 0, 0, 0), time(22, 0, 0, 0))];
    for (name, from, until) in hours_of {
        around.directory.contacts.get_mut(name).expect(name).hours = vec![hours(from, until)];
    }
    around
}

fn titles(checked: &Checked) -> Vec<&str> {
    assert!(checked.plan.is_some(), "{}", checked.report);
    assert!(checked.findings.iter().all(|finding| finding.severity == Severity::Warning));
    checked.findings.iter().map(|finding| finding.title.as_str()).collect()
}

/// The sample with one thing changed.
#[track_caller]
fn sample(old: &str, new: &str) -> Checked {
    assert!(SAMPLE.contains(old), "{old} is not in the sample");
    check_in(&SAMPLE.replace(old, new), &household())
}

/// The one warning, which points at these words and has a remedy.
#[track_caller]
fn one(checked: &Checked, text: &str, at: &str) -> String {
    let [title] = titles(checked)[..] else { panic!("{}", checked.report) };
    let finding = &checked.findings[0];
    assert!(finding.help.is_some(), "{}", checked.report);
    assert_eq!(&text[finding.span.clone()], at);
    title.to_owned()
}

#[test]
fn the_sample_has_nothing_to_be_warned_of() {
    assert_eq!(titles(&check_in(SAMPLE, &household())), Vec::<&str>::new());
}

#[test]
fn a_critical_alarm_that_only_a_dead_router_would_carry_is_named() {
    let text = SAMPLE.replace("router = \"45 min\"", "modem = \"45 min\"");
    let title = one(&check_in(&text, &household()), &text, "power-lost");
    assert_eq!(
        title,
        "while the mains are off nobody would hear of `power-lost`, `lagoon-outlet-dead`, \
         `lagoon-heater-in-still-water` and 5 more"
    );
    // A text needs no router.
    let text = text.replace("to = [\"ines.push\", \"siren\"]", "to = [\"ines.text\", \"siren\"]");
    let mut around = household();
    let texts = around_in(UTC, &["ines.text"]).directory.channels;
    around.directory.channels.extend(texts);
    assert_eq!(titles(&check_in(&text, &around)), Vec::<&str>::new());
}

#[test]
fn a_call_out_that_only_leaves_files_to_try_it_out_is_let_be() {
    let text = HALYARD.replace("\"ines.push\", \"siren\"", "\"tom.mail\"").replace("ines.text", "tom.mail");
    let text = text.replace("\"neighbour.text\", \"neighbour.mail\"", "\"tom.mail\"");
    let mut around = surroundings();
    around.directory.contacts.get_mut("tom").expect("there").hours.clear();
    let found = check_in(&text, &around);
    assert_eq!(titles(&found).len(), 2, "{}", found.report);
    around.directory.on_paper.insert(slackwater_rules::plan::Target::parse("tom.mail"));
    assert_eq!(titles(&check_in(&text, &around)), Vec::<&str>::new());
}

#[test]
fn what_is_critical_or_high_and_told_to_nobody_is_named_once() {
    let text = SAMPLE.replace(
        "response    = \"card:water-on-floor\"\ncallout     = \"household\"",
        "response = \"card:water-on-floor\"\ncallout = \"none\"",
    );
    assert_eq!(
        one(&check_in(&text, &household()), &text, "water-on-floor"),
        "nobody is told of `water-on-floor`"
    );
}

#[test]
fn a_call_out_for_something_critical_makes_a_noise_at_night() {
    let checked = sample("to = [\"ines.push\", \"siren\"]", "to = [\"ines.push\"]");
    let found = titles(&checked);
    assert_eq!(found.len(), 1, "{}", checked.report);
    assert!(
        found[0].starts_with("`household` makes no noise at night, and calls for `power-lost`"),
        "{found:?}"
    );
    // A text to somebody who sleeps then is none either.
    let mut around = surroundings();
    let text = HALYARD
        .replace("[\"ines.push\", \"siren\"]", "[\"ines.push\"]")
        .replace("[\"ines.text\"]", "[\"neighbour.text\"]");
    assert_eq!(titles(&check_in(&text, &around)), Vec::<&str>::new());
    let neighbour = around.directory.contacts.get_mut("neighbour").expect("there");
    neighbour.hours = vec![hours(time(8, 0, 0, 0), time(22, 0, 0, 0))];
    let checked = check_in(&text, &around);
    assert!(
        titles(&checked).contains(&"`household` makes no noise at night, and calls for `power-lost`"),
        "{}",
        checked.report
    );
}

#[test]
fn a_step_whose_people_all_sleep_is_named_with_its_hours() {
    let text = SAMPLE.replace(
        "[\"ines.mail\", \"tom.mail\"] },\n  { after = \"15 min\"",
        "[\"tom.mail\", \"neighbour.mail\"] },\n  { after = \"15 min\"",
    );
    assert_eq!(
        one(&check_in(&text, &household()), &text, "steps"),
        "the step of `household` at 5 min reaches nobody between 23:30 and 07:00"
    );
}

#[test]
fn critical_cause_and_consequence_say_whether_the_second_is_expected() {
    let text = SAMPLE.lines().filter(|line| !line.starts_with("expected ")).collect::<Vec<_>>().join("\n");
    let title = one(&check_in(&text, &household()), &text, "lagoon-heater-in-still-water");
    assert_eq!(title, "`lagoon-heater-in-still-water` would break an answer to `lagoon-pump-not-restarted`");
    let said = sample("expected     = []", "expected = [\"lagoon-pump-not-restarted\"]");
    assert_eq!(titles(&said), Vec::<&str>::new());
    // Two words of one sensor are never said at once: the outlet's alarm asks for the mains to be
    // on.
    let both = "when        = \"lagoon-outlet is off\"";
    let checked = sample("when           = \"lagoon-outlet is off and mains is on\"", both);
    assert_eq!(titles(&checked), ["`lagoon-outlet-dead` would break an answer to `power-lost`"]);
}

#[test]
fn whoever_only_a_milder_consequence_would_call_is_named() {
    let rota = "[callout.rota]\nsteps = [{ after = \"0 min\", to = [\"tom.mail\", \"neighbour.text\"] }]\n";
    let text =
        HALYARD.replace("priority       = \"medium\"", "priority = \"medium\"\ncallout = \"rota\"").replacen(
            "callout        = \"household\"\nconsequence-of = [\"sight-gateway-shelf\"]",
            "consequence-of = [\"power-lost\"]",
            1,
        );
    let text = text.replace(
        "response        = \"card:no-flow\"",
        "response = \"card:no-flow\"\ncallout = \"household\"",
    );
    let text = format!("{text}\n{rota}");
    let text = text.replace("[sight]\n", "[sight]\ncallout = \"household\"\n").replace("[health]\n", "");
    let checked = check(&format!("{text}\n[health]\ncallout = \"household\"\n"));
    assert_eq!(titles(&checked), ["`tom` would not hear of `drain-open` while `power-lost` stands"]);
    let told = text.replace("[\"ines.text\"]", "[\"ines.text\", \"tom.mail\"]");
    let checked = check(&format!("{told}\n[health]\ncallout = \"household\"\n"));
    assert_eq!(titles(&checked), Vec::<&str>::new());
}

#[test]
fn a_priority_that_the_time_to_respond_contradicts_is_said() {
    let said = "priority        = \"high\"\nconsequence-of  = [\"power-lost\"]";
    assert!(HALYARD.contains(said));
    let title = |priority: &str, time: &str| {
        let text = HALYARD.replace(said, &said.replace("high", priority)).replace("\"30 min\"", time);
        titles(&check(&text)).join("\n")
    };
    assert_eq!(title("medium", "\"30 min\""), "`return-stopped` is medium, but leaves 30 min to respond");
    assert_eq!(title("high", "\"30 min\""), "");
    assert!(title("critical", "\"8 h\"").contains("`return-stopped` is critical, but leaves 8 h to respond"));
}

#[test]
fn sensors_without_any_alarm_are_told_to_be_no_watch() {
    let text = "[sensor.ph]\ntopic = \"ph\"\nmeasures = \"ph\"\nunit = \"pH\"\nevery = \"1 min\"\n";
    assert_eq!(one(&check(text), text, "ph"), "there is no alarm: nothing would be watched");
}

#[test]
fn too_cold_above_too_warm_is_told_with_both_places() {
    let text = SAMPLE.replace("\"harbour-temp < 23.5 degC\"", "\"harbour-temp < 28.5 degC\"");
    let checked = check_in(&text, &household());
    assert_eq!(one(&checked, &text, "harbour-cold"), "`harbour-cold` or `harbour-hot` always rings");
    assert!(
        checked.report.contains("below 28.5 degC") && checked.report.contains("above 28 degC"),
        "{}",
        checked.report
    );
    // In the sensor's own unit.
    let checked = sample("\"nursery-temp < 75 degF\"", "\"nursery-temp < 85 degF\"");
    assert!(
        checked.report.contains("below 85 degF") && checked.report.contains("above 82 degF"),
        "{}",
        checked.report
    );
}

#[test]
fn advice_is_in_the_sensors_own_unit_and_never_absurd() {
    let sensor = |measures: &str, unit: &str| {
        format!("[sensor.s]\ntopic = \"s\"\nmeasures = \"{measures}\"\nunit = \"{unit}\"\nevery = \"30 s\"\n")
    };
    let report = |measures: &str, unit: &str, when: &str| {
        let alarm = format!("[alarm.a]\nwhen = \"{when}\"\npriority = \"low\"\n");
        check(&format!("{}{alarm}", sensor(measures, unit))).report
    };
    let cases = [
        ("temperature", "degF", "s", "`s < 77 degF`"),
        ("temperature", "degC", "s", "`s < 25 degC`"),
        ("runtime", "s", "s", "`s < 10 min`"),
        ("runtime", "s", "s < 10 mi", "did you mean `10 min`?"),
        ("temperature", "degF", "s is 5 % above its mean over 1 h", "for instance `1 degF`"),
        ("temperature", "degF", "s falls faster than 5 min over 1 h", "for instance `1 degF/h`"),
    ];
    for (measures, unit, when, advice) in cases {
        let report = report(measures, unit, when);
        assert!(report.contains(advice) && !report.contains(" ms"), "{when}: {report}");
    }
    // A unit of another quantity is no advice.
    let wrong = check(&sensor("temperature", "watt")).report;
    assert!(wrong.contains("`watt` is not a unit") && !wrong.contains("did you mean"), "{wrong}");
}

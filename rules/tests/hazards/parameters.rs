//! How a keeper's table fills a hazard in, and what is said when it can't.

use crate::site::{check, rules};
use insta::assert_snapshot;
use slackwater_rules::alarm::Priority;
use slackwater_rules::plan::{Alarm, Plan};
use slackwater_rules::time::Span;

fn plan(sensors: &[&str], alarm: &str) -> Plan {
    let checked = check(&rules(sensors, &format!("[alarm.it]\n{alarm}\n")));
    checked.plan.unwrap_or_else(|| panic!("{}", checked.report))
}

fn it(plan: &Plan) -> &Alarm {
    plan.alarm(plan.alarm_named("it").expect("it is there"))
}

fn refused(sensors: &[&str], alarm: &str) -> String {
    let checked = check(&rules(sensors, &format!("[alarm.it]\n{alarm}\n")));
    assert!(checked.plan.is_none(), "nothing was wrong with {alarm}");
    checked.report
}

#[test]
fn the_only_sensor_of_its_kind_need_not_be_named() {
    let plan = plan(&["temperature", "return-flow", "mains"], "hazard = \"too-warm\"");
    assert_eq!(it(&plan).written, "temperature > 27.5 degC");
    assert_eq!(it(&plan).tank.map(|tank| plan.tanks[tank.index()].name.as_str()), Some("lagoon"));
    assert_eq!(it(&plan).hazard, Some("too-warm"));
}

#[test]
fn a_parameter_is_the_keepers_and_so_is_every_key_of_an_alarm() {
    let keys = "hazard = \"too-warm\"\ntemperature = \"second\"\nlimit = \"80 degF\"\npriority = \"low\"\n\
                on-delay = \"20 min\"\nresponse = \"Open a window.\"";
    let plan = plan(&["first", "second"], keys);
    let alarm = it(&plan);
    assert_eq!(alarm.written, "second > 80 degF");
    assert_eq!((alarm.priority, alarm.on_delay), (Priority::Low, Span::minutes(20)));
    assert_eq!(alarm.response.words(), ["Open a window."]);
    // What is not said stays as the hazard has it.
    assert_eq!(alarm.off_delay, Span::minutes(10));
    assert!(alarm.worse.is_some());
}

#[test]
fn the_words_are_those_that_the_sensor_declares() {
    let text = rules(&["leak"], "[alarm.it]\nhazard = \"water-on-floor\"\n").replace("wet = [", "yes = [");
    let plan = check(&text).plan.expect("`yes` is wet too");
    assert_eq!(it(&plan).written, "leak is yes");
}

#[test]
fn the_form_is_chosen_by_what_the_keeper_gives() {
    let sensors = ["temperature", "spare-power", "spare-state"];
    let written = |keys: &str| {
        it(&plan(&sensors, &format!("hazard = \"backup-heater-engaged\"\n{keys}"))).written.clone()
    };
    assert_eq!(written("spare-power = \"spare-power\""), "spare-power > 20 W");
    assert_eq!(written("spare-state = \"spare-state\""), "spare-state is on");
    assert!(
        written("primary-setpoint = \"78 degF\"\nbackup-setpoint = \"76 degF\"")
            .contains("78 degF - mean of temperature")
    );
}

#[test]
fn a_heater_in_still_water_is_cut_by_the_relay_whose_proof_looks_at_it() {
    let relay = |name: &str, of: &str| {
        format!(
            "[relay.{name}]\ncommand = {{ topic = \"{name}/set\", on = \"on\", off = \"off\" }}\nmoves = \"heat\"\n\
             proof = \"{of} > 20 W within 1 min\"\nlongest = \"2 h\"\n\n"
        )
    };
    let alarm = "[alarm.it]\nhazard = \"heater-in-still-water\"\nheater-power = \"heater-power\"\n";
    let sensors = ["return-flow", "heater-power", "spare-power"];
    let stopgap = |relays: &str| {
        let checked = check(&rules(&sensors, &(relays.to_owned() + alarm)));
        let plan = checked.plan.unwrap_or_else(|| panic!("{}", checked.report));
        it(&plan).stopgap.map(|stopgap| (plan.relays[stopgap.relay.index()].name.clone(), stopgap.on))
    };
    // Another tank's heaters are left alone, and so is everything if nobody could say which it is.
    let both = relay("others", "spare-power") + &relay("ours", "heater-power");
    assert_eq!(stopgap(&both), Some(("ours".to_owned(), false)));
    assert_eq!(stopgap(&relay("others", "spare-power")), None);
    assert_eq!(stopgap(&(relay("one", "heater-power") + &relay("two", "heater-power"))), None);
}

macro_rules! mistakes {
    ($($name:ident: $sensors:expr, $alarm:expr;)*) => { $(
        #[test]
        fn $name() {
            assert_snapshot!(refused(&$sensors, $alarm));
        }
    )* };
}

mistakes! {
    a_hazard_that_does_not_exist: ["temperature"], "hazard = \"too-wram\"";
    a_hazard_of_which_nothing_is_near: ["temperature"], "hazard = \"fire\"";
    a_hazard_beside_a_condition: ["temperature"], "hazard = \"too-warm\"\nwhen = \"temperature > 27 degC\"";
    a_part_that_nothing_can_play: ["mains"], "hazard = \"too-warm\"";
    a_part_that_two_sensors_can_play: ["first", "second"], "hazard = \"too-warm\"";
    a_battery_where_there_is_none: ["mains"], "hazard = \"battery-ending\"";
    a_battery_with_a_near_name: ["mains", "runtime"], "hazard = \"battery-ending\"\nbattery = \"batery\"";
    a_part_that_has_to_be_named: ["temperature", "heater-power"], "hazard = \"both-heaters-dead\"";
    several_ways_none_of_which_is_whole: ["temperature"], "hazard = \"backup-heater-engaged\"";
    a_part_played_by_a_sensor_of_another_kind: ["temperature", "return-flow"], "hazard = \"too-warm\"\ntemperature = \"return-flow\"";
    a_part_played_by_nobody: ["temperature"], "hazard = \"too-warm\"\ntemperature = \"temprature\"";
    parts_of_different_forms: ["temperature", "spare-power", "spare-state"], "hazard = \"backup-heater-engaged\"\nspare-power = \"spare-power\"\nspare-state = \"spare-state\"";
    a_limit_of_another_quantity: ["temperature"], "hazard = \"too-warm\"\nlimit = \"200 L/h\"";
    a_limit_of_another_quantity_than_its_sensor: ["level"], "hazard = \"level-low\"\nlimit = \"12 L/h\"";
    a_limit_that_is_needed: ["level"], "hazard = \"level-low\"";
    a_parameter_with_a_near_name: ["temperature"], "hazard = \"too-warm\"\nlimt = \"28 degC\"";
    a_word_that_is_not_one: ["leak"], "hazard = \"water-on-floor\"\nwet = \"very wet\"";
    a_word_that_the_sensor_never_says: ["leak"], "hazard = \"water-on-floor\"\nwet = \"soaked\"";
}

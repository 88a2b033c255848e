//! One snapshot for each kind of mistake: the texts are what a keeper reads, so a change of
//! them is looked at by a person.

use crate::site::{HALYARD, check};
use insta::assert_snapshot;

/// What is said of the invented site's file with one passage replaced.
fn said(from: &str, to: &str) -> String {
    assert!(HALYARD.contains(from), "the sample has no `{from}`");
    let checked = check(&HALYARD.replacen(from, to, 1));
    checked.report
}

/// The same, and the plan must have been refused.
fn refused(from: &str, to: &str) -> String {
    assert!(HALYARD.contains(from), "the sample has no `{from}`");
    let checked = check(&HALYARD.replacen(from, to, 1));
    assert!(checked.plan.is_none(), "nothing was wrong with `{to}`");
    checked.report
}

/// What is said of the call-out with these steps.
fn household(steps: &str) -> String {
    let start = HALYARD.find("  { after").unwrap_or_default();
    let end = HALYARD.find("]\nagain").unwrap_or_default();
    check(&format!("{}{steps}{}", &HALYARD[..start], &HALYARD[end..])).report
}

/// What is said of a condition, as the first alarm's.
fn condition(text: &str) -> String {
    refused("\"mains is off\"", &format!("\"{text}\""))
}

macro_rules! mistakes {
    ($($(#[$doc:meta])* $name:ident: $said:expr;)*) => { $(
        $(#[$doc])*
        #[test]
        fn $name() {
            assert_snapshot!($said);
        }
    )* };
}

mistakes! {
    // The file itself.
    text_that_is_not_toml: refused("measures = \"presence\"", "measures = \"presence");
    several_places_that_are_not_toml: check("[tank.lagoon\nvolume = 420 L\nsalinity == \"35 ppt\"\n").report;
    a_key_written_twice: refused("volume   = \"420 L\"", "volume = \"420 L\"\nvolume = \"421 L\"");
    a_table_written_twice: refused("[sensor.mains]", "[sensor.lagoon-temp]");
    an_unknown_key_with_a_near_name: refused("plausible = [\"5 degC\"", "plausibel = [\"5 degC\"");
    an_unknown_key_with_no_near_name: refused("longest = \"12 h\"", "longest = \"12 h\"\ncolour = \"blue\"");
    an_unknown_heading: refused("[tank.lagoon]", "[tanks.lagoon]");
    a_hazard_without_its_sensors: check("[alarm.backup-heater]\nhazard = \"backup-heater-engaged\"\n").report;
    keys_that_are_missing: refused("topic    = \"room2/mains\"\nmeasures = \"presence\"\n", "");
    a_number_where_text_belongs: refused("\"420 L\"", "420");
    text_where_a_list_belongs: refused("[\"5 degC\", \"45 degC\"]", "\"5 degC\"");
    a_list_of_three_where_two_belong: refused("[\"5 degC\", \"45 degC\"]", "[\"5 degC\", \"9 degC\", \"45 degC\"]");
    a_name_that_conditions_cannot_spell: refused("[tank.lagoon]", "[tank.\"big lagoon\"]\n\n[tank.lagoon]");
    a_name_with_a_nul: refused("[tank.lagoon]", "[tank.\"reef\\u0000\"]\n\n[tank.lagoon]");
    a_text_that_turns_the_direction_of_reading: refused("measures = \"presence\"", "measures = \"pres\\u202Eence\"");
    text_that_is_empty: refused("\"room2/mains\"", "\"\"");

    // Quantities.
    a_unit_that_does_not_exist: refused("\"420 L\"", "\"420 liters\"");
    a_unit_of_another_quantity: refused("\"420 L\"", "\"420 W\"");
    a_gallon_of_which_nobody_knows_whose: refused("\"420 L\"", "\"110 gal\"");
    a_gallon_in_a_condition: condition("lagoon-flow < 300 gph");
    a_unit_of_another_kind_is_never_advice: condition("lagoon-temp > 26 L/hr");
    a_specific_gravity_of_no_temperature: refused("salinity = \"35 ppt\"", "salinity = \"1.026 SG\"");
    water_that_boils_a_fish: condition("lagoon-temp > 120 degF or lagoon-temp > 82 degC");
    limits_below_absolute_zero: refused("[\"5 degC\", \"45 degC\"]", "[\"-300 degC\", \"-280 degC\"]");
    what_is_believed_from_below_absolute_zero: refused("[\"5 degC\", \"45 degC\"]", "[\"-400 degC\", \"45 degC\"]");
    a_tank_of_no_size: refused("\"420 L\"", "\"1e9 L\"");
    a_volume_as_salinity: refused("\"35 ppt\"", "\"35 gal\"");
    a_quantity_without_a_number: refused("\"420 L\"", "\"much\"");
    a_decimal_comma: refused("\"420 L\"", "\"420,5 L\"");
    a_negative_delay: refused("on-delay    = \"20 s\"", "on-delay = \"-20 s\"");
    a_delay_of_centuries: refused("on-delay    = \"20 s\"", "on-delay = \"1e9 h\"");
    a_deadband_of_another_quantity: refused("deadband        = \"50 L/h\"", "deadband = \"1 K\"");
    a_salinity_of_no_sea: refused("\"35 ppt\"", "\"350 ppt\"");
    a_specific_gravity_of_no_water: refused("\"35 ppt\"", "\"1.5 SG@25C\"");

    // Sensors.
    a_measure_that_does_not_exist: refused("measures  = \"temperature\"", "measures = \"temprature\"");
    a_unit_that_does_not_fit_the_measure: refused("unit      = \"degC\"", "unit = \"L/h\"");
    kelvin_is_no_unit_of_a_temperature: refused("unit      = \"degC\"", "unit = \"K\"");
    a_presence_without_words: refused("on       = [\"on\", \"1\", \"true\"]\noff      = [\"off\", \"0\", \"false\"]\n", "");
    one_payload_for_two_words: refused("[\"off\", \"0\", \"false\"]", "[\"off\", \"1\"]");
    a_plausible_range_for_words: refused("off      = [\"off\", \"0\", \"false\"]", "off = [\"off\"]\nplausible = [\"0\", \"1\"]");
    a_plausible_range_upside_down: refused("[\"5 degC\", \"45 degC\"]", "[\"45 degC\", \"5 degC\"]");
    limits_outside_what_is_plausible: refused("[\"24 degC\", \"27 degC\"]", "[\"24 degC\", \"50 degC\"]");
    a_sensor_that_would_always_be_stale: refused("stale-after  = \"3 min\"", "stale-after = \"20 s\"");
    a_topic_that_is_a_filter: refused("\"room2/mains\"", "\"room2/+\"");
    a_pointer_that_is_a_path: refused("\"/flow/rate\"", "\"flow.rate\"");
    a_pointer_with_a_lone_tilde: refused("\"/flow/rate\"", "\"/flow~rate\"");
    a_pointer_and_a_senml_name: refused("senml        =", "pointer = \"/t\"\nsenml =");
    a_unit_beside_a_value_that_is_all_there_is: refused("on       = [\"on\", \"1\", \"true\"]", "on = [\"on\"]\nunit-at = \"/unit\"\nscale = 0\noffset = \"4\"");
    a_column_beside_a_pointer: refused("\"/flow/rate\"", "\"/flow/rate\"\nunit-at = \"unit\"\nfield = 0");
    a_field_that_names_no_object: refused("pointer  = \"/flow/rate\"", "field = { key = \"id\" }");
    a_tank_that_does_not_exist: refused("tank      = \"lagoon\"", "tank = \"lagon\"");
    a_rate_in_the_wrong_unit: refused("\"2 degF/min\"", "\"2 L/min\"");
    a_sensor_named_like_a_larger_cause: refused("[sensor.drain-valve]", "[sensor.broker]\ntopic = \"b\"\nmeasures = \"ph\"\nunit = \"pH\"\nevery = \"1 min\"\n\n[sensor.drain-valve]");

    two_sensors_that_read_the_same_value: said("room2/airpump/current\"\ntank     = \"lagoon\"\nmeasures = \"current\"\nunit     = \"A\"", "room2/heater/power\"\nmeasures = \"power\"\nunit = \"W\"").split("\n\n").next().unwrap_or_default().to_owned();

    // Relays.
    a_relay_that_does_not_say_what_it_moves: refused("moves   = \"air\"\n", "");
    a_command_that_switches_nothing_off: refused("off = \"off\" }\nmoves   = \"air\"", "off = \"on\" }\nmoves = \"air\"");
    a_proof_without_a_time: refused("0.05 A within 20 s", "0.05 A");
    a_proof_with_a_mistake_inside: refused("0.05 A within 20 s", "0.05 V within 20 s");
    a_relay_that_would_be_left_on_and_heat: refused("moves   = \"heat\"\n", "moves   = \"heat\"\nsafe = \"on\"\n");
    a_heater_switched_on_under_a_condition: refused("moves   = \"heat\"\n", "moves   = \"heat\"\nonly-if = \"lagoon-temp < 24 degC\"\n");
    a_heater_given_back_by_the_watch: refused("moves   = \"heat\"\n", "moves   = \"heat\"\nhold = \"10 min\"\n");
    a_pause_longer_than_the_longest_run: refused("longest = \"12 h\"", "longest = \"12 h\"\npause = \"13 h\"");
    a_hold_that_is_neither_a_time_nor_a_condition: refused("longest = \"12 h\"", "longest = \"12 h\"\nhold = \"return-flow > 200 L/h\"");
    a_hold_with_a_mistake_inside: refused("longest = \"12 h\"", "longest = \"12 h\"\nhold = \"until return-flow > 200 W, at most 2 h\"");
    a_hold_whose_bound_is_no_time: refused("longest = \"12 h\"", "longest = \"12 h\"\nhold = \"until return-flow > 200 L/h, at most 2 L\"");
    a_hold_that_looks_back: refused("longest = \"12 h\"", "longest = \"12 h\"\nhold = \"until mean of return-flow over 5 min > 200 L/h\"");
    alarms_that_want_opposite_things_and_rank_alike: refused("priority        = \"high\"", "priority = \"critical\"\nstopgap = { relay = \"air-pump\", state = \"off\" }");

    // Conditions.
    a_flow_below_a_temperature: condition("return-flow < 22 degC");
    a_flow_less_a_temperature: condition("return-flow - lagoon-temp > 1 K");
    two_sensors_of_different_kinds: condition("mains is on and return-flow < lagoon-temp");
    a_temperature_against_a_difference: condition("lagoon-temp > 22 K");
    a_difference_less_a_temperature: condition("(lagoon-temp - sump-temp) - lagoon-temp > 1 K");
    a_quantity_less_a_sensor_of_another_kind: condition("22 degC - return-flow > 1 K");
    a_circle_among_the_alarms_for_lost_sight: refused(
        "consequence-of = [\"power-lost\"]\n\n[card",
        "consequence-of = [\"sight-broker\", \"sight-mains\"]\n\n[card"
    );
    a_proof_that_looks_back: refused("air-pump-current > 0.05 A within 20 s", "mean of air-pump-current over 1 min > 0.05 A within 20 s");
    a_mean_of_a_mean: condition("mean of mean of lagoon-temp over 1 h over 1 d > 27 degC");
    a_spell_inside_a_window: condition("duty of (mains has been off for 5 min) over 1 d > 50 %");
    a_window_without_a_length: condition("mean of lagoon-temp > 27 degC");
    a_window_that_lasts_a_temperature: condition("mean of lagoon-temp over 1 K > 27 degC");
    a_window_shorter_than_the_reports: condition("mean of lagoon-temp over 20 s > 27 degC");
    a_window_of_centuries: condition("mean of lagoon-temp over 9999 weeks > 27 degC");
    a_lag_that_would_take_too_much_memory: condition("return-flow is 30 % below its median over 1 h, lagged 1 week");
    a_duty_of_a_value: condition("duty of heater-power over 6 h > 80 %");
    a_mean_of_a_word: condition("mean of mains over 1 h > 0.5");
    a_total_of_temperatures: condition("total of lagoon-temp over 1 d > 3 K");
    a_duty_beyond_the_whole: condition("duty of mains is on over 1 d > 150 %");
    a_swing_compared_with_a_temperature: condition("swing of lagoon-temp over 1 d > 2 L");
    a_total_compared_with_a_flow: condition("total of return-flow over 1 d > 2 L/h");
    a_rate_that_is_no_rate: condition("lagoon-temp falls faster than 1 K over 30 min");
    a_rate_of_nothing: condition("lagoon-temp falls faster than 0 K/h over 30 min");
    a_percentage_of_a_temperature: condition("lagoon-temp is 30 % below its median over 14 d");
    more_than_all_below_its_past: condition("return-flow is 130 % below its median over 14 d");
    a_swing_as_a_baseline: condition("return-flow is 30 % below its swing over 14 d");
    a_number_where_a_word_belongs: condition("lagoon-temp is 25 degC");
    a_range_upside_down: condition("lagoon-temp is between 27 degC and 24 degC");
    a_range_that_holds_everything: condition("lagoon-temp is between 0 degC and 50 degC");
    a_range_of_another_quantity: condition("lagoon-temp is outside 20 L to 30 L");
    a_word_that_freezes: condition("mains is frozen for 2 h");
    a_freeze_without_a_duration: condition("lagoon-temp is frozen");
    a_relay_that_does_not_exist: condition("air-pumpp is commanded on");
    a_sensor_that_is_commanded: condition("mains is commanded on");
    a_relay_taken_for_a_sensor: condition("air-pump is on");
    a_tank_without_a_photoperiod: check(&HALYARD.replace("photoperiod = [\"10:00\", \"20:00\"]", "").replacen("mains is off", "lagoon is in its photoperiod", 1)).report;
    a_photoperiod_of_a_sensor: condition("mains is in its photoperiod");
    a_day_that_does_not_exist: condition("day is sunnday");
    a_time_that_does_not_exist: condition("time is between 22:00 and 25:30");
    a_stretch_of_no_time: condition("time is between 22:00 and 22:00");
    a_time_in_another_notation: condition("time is between 10 pm and 7 am");
    an_order_of_events_without_a_time: condition("mains is off then return-flow < 200 L/h");
    a_volume_of_no_tank: condition("return-flow / volume of lagon < 10 /h");
    a_ratio_compared_with_a_flow: condition("return-flow / volume of lagoon < 10 L/h");
    a_ratio_of_temperatures: condition("lagoon-temp / sump-temp > 1");
    a_division_by_nothing: condition("return-flow / 0 > 10 L/h");
    a_product: condition("return-flow * 2 > 10 L/h");
    a_sum_of_different_things: condition("heater-power + return-flow > 10 W");
    a_forecast_of_a_thermometer_that_may_stand_anywhere: condition("time until lagoon-temp < 22 degC is under 6 h");
    a_unit_that_is_near_none: refused("\"420 L\"", "\"420 q\"");
    a_number_without_its_unit: condition("return-flow < 200");
    a_unit_in_a_condition_that_does_not_exist: condition("return-flow < 200 L/hr");
    a_sensor_with_a_near_name: condition("lagoon-tmp < 22 degC");
    a_minus_without_blanks: condition("lagoon-temp-sump-temp > 1 K");
    a_negative_number_where_a_minus_was_meant: condition("lagoon-temp -1 K > 22 degC");
    a_word_of_a_sensor_of_numbers: condition("lagoon-temp is on");
    a_number_of_a_sensor_of_words: condition("mains < 1");
    a_word_that_is_not_declared: condition("mains is onn");
    a_word_that_is_far_from_any: condition("drain-valve is broken");
    silence_without_a_duration: condition("mains is silent");
    silence_that_lasts_a_temperature: condition("mains is silent for 5 K");
    silence_shorter_than_the_usual: condition("mains is silent for 10 s");
    a_value_where_a_condition_belongs: condition("mains and return-flow < 200 L/h");
    a_number_sensor_where_a_condition_belongs: condition("not lagoon-temp");
    a_condition_where_a_value_belongs: condition("(mains is off) < 3");
    a_limit_below_what_is_plausible: condition("lagoon-temp < 2 degC");
    a_limit_that_always_holds: condition("lagoon-temp < 50 degC");
    a_difference_beyond_what_is_plausible: condition("lagoon-temp - sump-temp > 60 K");
    a_comparison_of_constants: condition("1 K < 2 K");
    a_range_in_one_piece: condition("22 degC < lagoon-temp < 27 degC");
    an_equals_sign: condition("mains = on");
    a_sum_of_temperatures: condition("lagoon-temp + sump-temp > 50 degC");
    a_sign_of_another_language: condition("mains is off && lagoon-temp < 22 degC");
    a_parenthesis_left_open: condition("(mains is off or lagoon-temp < 22 degC");
    a_condition_that_stops_short: condition("mains is off and");
    a_condition_too_deep: condition(&"(".repeat(100_000 / 50));
    a_condition_too_long: condition(&"(".repeat(5_000)).lines().next().unwrap_or_default().to_owned();
    a_mistake_behind_an_escape: condition("mains is off\\u0020and lagoon-tmp < 22 degC");
    a_mistake_in_a_text_of_several_lines: refused("\"mains is off\"", "\"\"\"\n  mains is off\n  and lagoon-tmp < 22 degC\n\"\"\"");

    // Alarms.
    an_alarm_without_a_priority: refused("priority    = \"critical\"\n", "");
    a_priority_that_does_not_exist: refused("\"critical\"", "\"urgent\"");
    a_card_that_does_not_exist: refused("card:no-power", "card:no-pwoer");
    an_alarm_named_like_one_the_plan_adds: refused("[alarm.drain-open]", "[alarm.sight-mains]");
    a_cause_that_does_not_exist: refused("[\"power-lost\"]\nresponse        = \"card:no-flow\"", "[\"power-lst\"]");
    a_cause_that_is_itself: refused("[\"power-lost\"]\nresponse        = \"card:no-flow\"", "[\"return-stopped\"]");
    a_circle_of_causes: refused("callout     = \"household\"", "consequence-of = [\"return-stopped\"]");
    a_call_out_that_does_not_exist: refused("callout     = \"household\"", "callout = \"houshold\"");
    several_call_outs_and_none_named: refused("[callout.household]", "[callout.second]\nsteps = [{ after = \"0 s\", to = [\"ines.text\"] }]\n\n[callout.household]");
    a_stopgap_that_adds_heat: refused("{ relay = \"heater\", state = \"off\" }", "{ relay = \"heater\", state = \"on\" }");
    a_stopgap_on_a_relay_that_does_not_exist: refused("{ relay = \"heater\", state = \"off\" }", "{ relay = \"heather\", state = \"off\" }");
    a_key_by_the_name_it_had_before: refused("stopgap ", "fallback ");
    no_call_out_at_all: check("[sensor.mains]\ntopic = \"m\"\nmeasures = \"presence\"\non = [\"1\"]\noff = [\"0\"]\nevery = \"30 s\"\n\n[alarm.power-lost]\nwhen = \"mains is off\"\npriority = \"high\"\n").report;

    // Call-outs.
    a_target_that_does_not_exist: refused("[\"ines.text\"]", "[\"ines.txt\"]");
    a_target_told_twice: refused("[\"ines.text\"]", "[\"ines.text\", \"ines.text\"]");
    steps_that_go_back_in_time: refused("after = \"15 min\"", "after = \"5 min\"");
    a_call_out_that_reaches_no_person: household("{ after = \"0 s\", to = [\"siren\"] }");
    a_quiet_time_that_is_none: refused("[\"22:00\", \"07:30\"]", "[\"22:00\", \"7:30 pm\"]");
    hours_with_nobody_to_reach: household("{ after = \"0 s\", to = [\"tom.mail\", \"siren\"] }");
    a_relay_without_a_proof: said("proof   = \"heater-power > 20 W within 30 s\"
", "");

    // What helpers read.
    a_key_of_a_door_in_the_file: refused("[tank.lagoon]\n", "[tank.lagoon]\nwhere = { battery-pump = \"shed, the key is under the pot\", torch = \"gate 4711, then left\" }\n");
    a_place_with_a_code_for_its_name: refused("[tank.lagoon]\n", "[tank.lagoon]\nwhere = { door-code = \"ask Ines\" }\n");
    a_telephone_number_that_is_none: refused("name = \"Halyard House\"\n", "name = \"Halyard House\"\ncall = [{ name = \"Ines\", phone = \"ask Tom\" }]\nemergency = \"one one two\"\n");
    a_title_too_long_for_a_text: refused("[tank.lagoon]\n", "[tank.lagoon]\ntitle = \"the large reef tank on the left side of the living room\"\n");
    a_step_too_long_for_a_text: refused("[\"Swap the two probes.\", \"Write down which one moved.\"]", "[\"Swap the two probes.\", { do = \"Write down which one moved.\", text = \"Write down which of the two probes it was that moved, and when.\", for = \"neighbour\" }]");
    a_step_in_letters_that_no_text_has: refused("[\"Swap the two probes.\", \"Write down which one moved.\"]", "[{ do = \"Cool it to 25 °C.\", text = \"Cool it to 25 °C.\" }]");

    // Drills.
    drills_at_times_that_are_none: refused("[callout.household]", "[drill]\npages = \"someday 11:00\"\nwithin = \"9 d\"\noutage = \"monthly\"\n\n[callout.household]");

    // What is not wrong, but not well thought through.
    an_alarm_that_says_neither_what_follows_nor_what_to_do: said("consequence    = \"the tank drains to the overflow\"\nresponse       = \"Shut the drain valve by hand.\"\n", "");
    an_alarm_that_does_not_say_what_to_do: said("response       = \"Shut the drain valve by hand.\"\n", "");
    an_alarm_that_rings_when_it_is_too_late: said("time-to-respond = \"30 min\"", "time-to-respond = \"1 min\"");
    a_loss_of_sight_noticed_too_late: said("time-to-respond = \"30 min\"", "time-to-respond = \"2 min\"");
    a_deadband_below_the_resolution: said("deadband = \"0.5 K\"", "deadband = \"0.05 K\"");
    a_deadband_that_lets_nothing_return: said("deadband = \"0.5 K\"", "deadband = \"30 K\"");
    a_limit_in_another_unit_than_was_meant: said("lagoon-temp > 27 degC or sump-temp > 81 degF", "sump-temp > 27 degC or lagoon-temp > 43 degC");
    a_sensor_that_no_alarm_watches: said("drain-valve is open and not", "lagoon-temp > 26 degC and not");
    two_alarms_that_always_ring_together: said("[alarm.probes-disagree]\nwhen     = \"lagoon-temp - sump-temp > 1 K or sump-temp - lagoon-temp > 1 K\"", "[alarm.probes-disagree]\nwhen = \"(lagoon-temp > 27 degC) or  sump-temp > 81 degF\"");
    alarms_of_which_most_are_critical: check(&HALYARD.replace("= \"high\"\n", "= \"critical\"\n").replace("= \"low\"\n", "= \"critical\"\n")).report;
    a_stopgap_of_which_nobody_is_told: said("callout  = \"household\"\ndeadband = \"0.5 K\"", "callout = \"none\"\ndeadband = \"0.5 K\"");
    lost_sight_that_nobody_is_told_of: said("after          = \"3 min\"", "after = \"3 min\"\ncallout = \"none\"");

    // Work.
    work_that_pauses_a_leak: refused("[\"flow\", \"light\"]", "[\"flow\", \"leak\"]");
    work_that_pauses_no_measure: refused("[\"flow\", \"light\"]", "[\"flw\"]");
    a_card_without_steps: refused("[\"Swap the two probes.\", \"Write down which one moved.\"]", "[]");
}

#[test]
fn all_mistakes_are_said_at_once_in_the_order_of_the_file() {
    let text = r#"
[tank.lagoon]
volum = "420 L"

[sensor.lagoon-temp]
topic    = "room2/lagoon/temperature"
tank     = "lagon"
measures = "temperature"
unit     = "celsius"
every    = 30

[sensor.mains]
topic    = "room2/mains"
measures = "presence"
on       = ["on"]
off      = ["off"]
every    = "30 s"

[alarm.power-lost]
when     = "mains is of and lagoon-temp < 22 L or flow < 3"
priority = "critcal"
response = "card:no-power"
callout  = "household"

[callout.household]
steps = [
  { after = "5 min", to = ["ines.push"] },
  { after = "1 min", to = ["nieghbour.text"] },
]
"#;
    let checked = check(text);
    assert!(checked.plan.is_none());
    assert_snapshot!(checked.report);
}

//! The hazards that ask a model, each in two stories: it rings in its own, and stays quiet in the
//! nearest harmless one.

use crate::rig::{Rig, tank};
use crate::simulator::{Cooler, Faults, Sight, Tank};
use slackwater_rules::time::Span;

const DAYS: Span = Span::hours(5 * 24);

fn alarm(hazard: &str, keys: &str) -> String {
    format!("[alarm.it]\nhazard = \"{hazard}\"\ntank = \"lagoon\"\n{keys}\n")
}

fn learned(hazard: &str, keys: &str, tank: Tank) -> Rig {
    let mut rig = Rig::with(&alarm(hazard, keys), tank);
    rig.run(DAYS);
    assert_eq!(rig.raised("it"), None, "{}", rig.explained("it"));
    rig
}

fn told(mut rig: Rig, faults: Faults, span: Span) -> Rig {
    rig.faults(faults).run(span);
    rig
}

#[track_caller]
fn rang(rig: &Rig) {
    assert!(rig.raised("it").is_some(), "it did not ring: {}", rig.explained("it"));
}

#[track_caller]
fn quiet(rig: &Rig) {
    assert_eq!(rig.raised("it"), None, "it rang: {}", rig.explained("it"));
}

#[test]
fn heat_not_coming_rings_before_a_limit_two_degrees_fahrenheit_down() {
    let relay = Tank { sight: Sight::Relay, ..tank() };
    let rig = learned("heat-not-coming", "", relay);
    let began = rig.now.mono;
    let rig = told(rig, Faults { heater: 0.0, ..Faults::default() }, Span::hours(4));
    rang(&rig);
    let after = rig.raised("it").map(|at| at - began);
    assert!(after.is_some_and(|after| after < Span::hours(3)), "{after:?}");
}

#[test]
fn heat_not_coming_rings_for_a_heater_that_draws_nothing() {
    rang(&told(
        learned("heat-not-coming", "", tank()),
        Faults { heater: 0.0, ..Faults::default() },
        Span::hours(5),
    ));
}

#[test]
fn heat_not_coming_is_quiet_on_a_warm_day_on_which_the_heater_rests() {
    let warm = Faults { room: -3.0, ..Faults::default() };
    quiet(&told(learned("heat-not-coming", "", tank()), warm, Span::hours(12)));
}

#[test]
fn heat_uncalled_rings_for_a_relay_that_sticks() {
    let relay = Tank { sight: Sight::Relay, ..tank() };
    let stuck = Faults { stuck_on: true, ..Faults::default() };
    rang(&told(learned("heat-uncalled", "", relay), stuck, Span::hours(4)));
}

#[test]
fn heat_uncalled_is_quiet_when_the_room_grows_warmer() {
    let warm = Faults { room: -3.0, ..Faults::default() };
    quiet(&told(learned("heat-uncalled", "", tank()), warm, Span::hours(12)));
}

/// A tank in summer that its chiller holds.
fn cooled() -> Tank {
    Tank { room_mean: 27.0, cooler: Cooler::Chiller(150.0), ..tank() }
}

#[test]
fn cooling_not_coming_rings_for_a_dead_chiller_and_not_while_it_holds_the_tank() {
    let rig = learned("cooling-not-coming", "", cooled());
    quiet(&told(learned("cooling-not-coming", "", cooled()), Faults::default(), Span::hours(24)));
    rang(&told(rig, Faults { no_cooler: true, ..Faults::default() }, Span::hours(8)));
}

/// The same tank, whose model knows its thermometer alone.
fn bare(alarms: &str) -> Rig {
    Rig::seeing_the_water_alone(alarms, tank())
}

#[test]
fn heat_not_coming_rings_where_nobody_sees_the_heater() {
    let mut rig = bare(&alarm("heat-not-coming", ""));
    rig.run(DAYS);
    assert_eq!(rig.raised("it"), None, "{}", rig.explained("it"));
    rang(&told(rig, Faults { heater: 0.0, ..Faults::default() }, Span::hours(6)));
}

#[test]
fn what_holds_the_tank_outlives_a_restart() {
    let mut rig = learned("heat-not-coming", "", tank());
    rig.restart();
    rig.run(Span::minutes(30));
    assert!(!rig.explained("it").contains("cannot say"), "{}", rig.explained("it"));
    rang(&told(rig, Faults { heater: 0.0, ..Faults::default() }, Span::hours(5)));
}

#[test]
fn before_anything_was_learned_nobody_can_say() {
    let mut rig = Rig::with(&alarm("heat-not-coming", ""), tank());
    rig.run(Span::hours(1));
    assert!(rig.explained("it").contains("cannot say"), "{}", rig.explained("it"));
}

#[test]
fn losing_heat_rings_when_a_fan_blows_over_the_open_water() {
    // In a warm room, where the heater rests: else it would be the heater that seems weak.
    let fan = Faults { loss: 2.5, room: -2.0, ..Faults::default() };
    rang(&told(learned("losing-heat", "", tank()), fan, Span::hours(12)));
}

#[test]
fn losing_heat_is_quiet_in_a_colder_room_that_the_model_sees() {
    let cold = Faults { room: 1.5, ..Faults::default() };
    quiet(&told(learned("losing-heat", "", tank()), cold, Span::hours(12)));
}

#[test]
fn probe_in_the_air_rings_when_the_probe_slips_out_and_not_when_cold_water_is_poured_in() {
    let out = Faults { probe_out: true, ..Faults::default() };
    rang(&told(learned("probe-in-the-air", "", tank()), out, Span::hours(2)));
    let mut poured = learned("probe-in-the-air", "", tank());
    poured.world.tank.display -= 1.0;
    quiet(&told(poured, Faults::default(), Span::hours(6)));
}

#[test]
fn while_a_probe_is_believed_to_be_out_of_the_water_what_rests_on_it_is_unknown_and_not_raised() {
    let out = Faults { probe_out: true, ..Faults::default() };
    let cold = "\n[alarm.water-cold]\ntank = \"lagoon\"\nwhen = \"lagoon-temp < 22.5 degC\"\non-delay = \"3 h\"\n\
                priority = \"high\"\nresponse = \"Look.\"\n";
    let rules = format!("{}{cold}", alarm("probe-in-the-air", ""));
    let mut rig = Rig::with(&rules, tank());
    rig.run(DAYS);
    let rig = told(rig, out, Span::hours(12));
    let status = rig.engine.status(rig.now);
    let view = |name: &str| status.alarms.iter().find(|view| view.name == name).expect("there");
    assert_eq!(view("it").state, "unacknowledged", "{:?}", view("it"));
    let water = view("water-cold");
    assert_eq!((water.truth, water.state.as_str()), ("unknown", "normal"), "{water:?}");
    let explained = rig.engine.explain("water-cold", rig.now).expect("an alarm");
    assert!(format!("{explained:?}").contains("its probe seems to be out of the water"), "{explained:?}");
}

#[test]
fn a_thermometer_that_is_believed_to_be_out_of_the_water_is_lost_to_sight_and_somebody_is_told() {
    let cold = "\n[alarm.it]\ntank = \"lagoon\"\nwhen = \"lagoon-temp < 22.5 degC\"\non-delay = \"3 h\"\n\
                priority = \"high\"\nresponse = \"Look.\"\n";
    let mut rig = Rig::with(cold, tank());
    rig.run(DAYS);
    let rig = told(rig, Faults { probe_out: true, ..Faults::default() }, Span::hours(12));
    let view = |name: &str| {
        let views = rig.engine.status(rig.now).alarms;
        views.into_iter().find(|view| view.name == name).expect("there")
    };
    assert_eq!((view("it").truth, view("it").state.as_str()), ("unknown", "normal"));
    let sight = view("sight-lagoon-temp");
    assert_eq!((sight.truth, sight.state.as_str()), ("true", "unacknowledged"), "{sight:?}");
    assert!(sight.reading.contains("its probe seems to be out of the water"), "{sight:?}");
}

#[test]
fn cooling_fast_rings_in_a_power_cut_hours_before_the_limit_and_not_while_a_thermostat_holds() {
    let keys = "temperature = \"lagoon-temp\"";
    let rig = learned("cooling-fast", keys, tank());
    let dark = Faults { power: true, ..Faults::default() };
    let rig = told(rig, dark, Span::hours(4));
    rang(&rig);
    assert!(rig.world.tank.truth() > 22.0, "the limit itself has not been met: {}", rig.world.tank.truth());
}

#[test]
fn warming_fast_rings_for_a_stuck_heater_and_not_for_a_lamp() {
    let keys = "temperature = \"lagoon-temp\"\nwarm = \"27 degC\"";
    let rig = learned("warming-fast", keys, tank());
    rang(&told(rig, Faults { stuck_on: true, ..Faults::default() }, Span::hours(6)));
}

#[test]
fn oxygen_running_out_rings_when_the_water_stands_still_and_not_for_feeding_of_ten_minutes() {
    // Few fish: an hour is not over soon.
    let keys = "left = \"20 min\"";
    let rig = learned("oxygen-running-out", keys, tank());
    let still = Faults { pump: true, ..Faults::default() };
    let mut rig = told(rig, still, Span::minutes(10));
    rig.faults(Faults::default()).run(Span::hours(1));
    quiet(&rig);
    let still = Faults { pump: true, ..Faults::default() };
    rang(&told(rig, still, Span::hours(2)));
}

#[test]
fn a_spare_that_is_none_is_found_by_what_it_heats_and_a_strong_heater_is_not() {
    // The spare of the generator's tank was never on: its rating stands for it, with its range.
    let weak = Rig::with(&alarm("heaters-too-small", "set = \"25 degC\"\nroom = \"-10 degC\""), tank());
    rang(&told(weak, Faults::default(), DAYS));
    let strong = learned("heaters-too-small", "set = \"25 degC\"\nroom = \"19 degC\"", tank());
    quiet(&told(strong, Faults::default(), Span::hours(8)));
}

#[test]
fn a_probe_that_walks_off_is_found_and_a_steady_one_is_not() {
    let drifts = Faults { probe_drift: 0.02, ..Faults::default() };
    rang(&told(learned("probe-shifted", "", tank()), drifts, Span::hours(72)));
    quiet(&told(learned("probe-shifted", "", tank()), Faults::default(), Span::hours(48)));
}

#[test]
fn flow_lost_inside_rings_although_the_flow_sensor_lies_and_not_while_water_flows() {
    let mut rig = learned("flow-lost-inside", "", tank());
    rig.world.flow_lies = true;
    rang(&told(rig, Faults { pump: true, ..Faults::default() }, Span::hours(6)));
    quiet(&told(learned("flow-lost-inside", "", tank()), Faults::default(), Span::hours(24)));
}

#[test]
fn spare_is_no_spare_rings_for_a_cold_room_and_not_for_one_as_warm_as_the_tank() {
    let cold = alarm("spare-is-no-spare", "room = \"0 degC\"");
    rang(&told(Rig::with(&cold, tank()), Faults::default(), DAYS));
    quiet(&told(
        learned("spare-is-no-spare", "room = \"23 degC\"", tank()),
        Faults::default(),
        Span::hours(8),
    ));
}

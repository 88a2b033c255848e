//! What the rule file says of a tank's gear and of batteries, for the forecasts.

use crate::site::{HALYARD, check};
use insta::assert_snapshot;
use slackwater_rules::plan::{Checked, Plan, SensorId};

const ROOM: &str = "
[sensor.room-temp]
topic    = \"room2/temperature\"
measures = \"temperature\"
unit     = \"degC\"
every    = \"1 min\"

[sensor.ups-runtime]
topic    = \"room2/ups/runtime\"
measures = \"battery\"
unit     = \"s\"
every    = \"1 min\"
";

/// The invented site with these lines in its tank's table, and with what is written at the end.
fn with(tank: &str, end: &str) -> Checked {
    let text = HALYARD.replacen("[sensor.lagoon-temp]", &format!("{tank}\n[sensor.lagoon-temp]"), 1);
    check(&format!("{text}{ROOM}{end}"))
}

fn plan(tank: &str, end: &str) -> Plan {
    let checked = with(tank, end);
    checked.plan.expect(&checked.report)
}

fn refused(tank: &str, end: &str) -> String {
    let checked = with(tank, end);
    assert!(checked.plan.is_none(), "nothing was wrong with {tank}{end}");
    checked.report
}

fn id(plan: &Plan, name: &str) -> Option<SensorId> {
    plan.sensors.iter().position(|sensor| sensor.name == name).map(|at| SensorId(at as u32))
}

const GEAR: &str = "
footprint = [\"120 cm\", \"60 cm\"]
water     = \"lagoon-temp\"
sump      = \"sump-temp\"
heater    = { sensor = \"heater-power\", power = \"200 W\" }
spare     = { power = \"150 W\" }
pumps     = { sensor = \"return-flow\", least = \"200 L/h\", power = \"30 W\" }
air       = { relay = \"air-pump\", delivers = \"3 L/min\", depth = \"40 cm\", bubbles = \"fine\" }
";

#[test]
fn gear_is_known_by_its_sensors_and_ratings_in_base_units() {
    let plan = plan(GEAR, "");
    let gear = &plan.tanks[0].gear;
    let near =
        |found: Option<f64>, expected: f64| assert!((found.unwrap_or(f64::NAN) - expected).abs() < 1e-9);
    near(gear.surface, 0.72);
    assert_eq!(gear.water, id(&plan, "lagoon-temp"));
    assert_eq!(gear.sump, id(&plan, "sump-temp"));
    let [Some(heater), Some(spare)] = gear.heaters else { panic!("{:?}", gear.heaters) };
    assert_eq!((heater.sensor, heater.power), (id(&plan, "heater-power"), Some(200.0)));
    assert_eq!((spare.sensor, spare.power), (None, Some(150.0)));
    near(gear.pumps.and_then(|pumps| pumps.least), 0.2 / 3_600.0);
    let air = gear.air.expect("it is there");
    near(Some(air.pump.air_l_min), 3.0);
    near(Some(air.pump.depth_m), 0.4);
}

#[test]
fn the_only_thermometer_of_a_place_need_not_be_named_and_one_of_two_must() {
    let plan = plan("", "");
    // The lagoon has two.
    assert_eq!(plan.tanks[0].gear.water, None);
    assert_eq!(plan.tanks[0].gear.room, id(&plan, "room-temp"));
    assert_eq!(plan.mains, id(&plan, "mains"));
    let alone = check(&HALYARD.replace(
        "senml        = \"urn:dev:ow:10e2073a01080063\"\ntank         = \"lagoon\"",
        "senml = \"x\"",
    ));
    let alone = alone.plan.expect(&alone.report);
    assert_eq!(alone.tanks[0].gear.water, id(&alone, "lagoon-temp"));
}

#[test]
fn a_tank_that_nothing_heats_can_be_said_to_be_so() {
    assert!(plan("heater = \"none\"", "").tanks[0].gear.unheated);
    assert!(!plan("", "").tanks[0].gear.unheated);
}

#[test]
fn a_battery_is_rated_or_says_its_runtime() {
    let plan = plan(
        "",
        "[battery.box]\nfeeds = \"air-pump\"\nvoltage = \"12 V\"\ncapacity = \"20 Ah\"\nload = \"6 W\"\n\n[battery.ups]\nruntime = \"ups-runtime\"\n",
    );
    let [battery, ups] = plan.batteries.as_slice() else { panic!("{:?}", plan.batteries) };
    let (rating, load) = battery.rating.expect("rated");
    assert_eq!((rating.volts, rating.rated_ah, rating.rated_h, load), (12.0, 20.0, 20.0, 6.0));
    assert_eq!((ups.rating, ups.runtime), (None, id(&plan, "ups-runtime")));
}

#[test]
fn the_site_has_an_altitude_at_which_people_live() {
    let high = |altitude: &str| {
        check(&HALYARD.replacen("name = \"Halyard House\"", &format!("altitude = \"{altitude}\""), 1))
    };
    assert_eq!(high("650 m").plan.map(|plan| plan.altitude), Some(650.0));
    assert!(high("9000 m").plan.is_none());
}

#[test]
fn what_is_wrong_with_gear_is_said_where_it_is_wrong() {
    let all = [
        refused("footprint = [\"12 m\", \"60 m\"]", ""),
        refused("heater = { sensor = \"lagoon-temp\" }", ""),
        refused("heater = { sensor = \"heater-power\" }", ""),
        refused("heater = { sensor = \"drain-valve\" }", ""),
        refused("spare = { power = \"100 W\" }", ""),
        refused("heater = { power = \"0 W\" }", ""),
        refused("pumps = { sensor = \"return-flow\" }", ""),
        refused("pumps = { sensor = \"return-flow\", least = \"200 W\" }", ""),
        refused("water = \"lagoon-temp\"\nsump = \"lagoon-temp\"", ""),
        refused("room = \"room-tmp\"", ""),
        refused("air = { relay = \"air-pump\", depth = \"40 cm\" }", ""),
        refused("", "[battery.box]\nvoltage = \"12 V\"\n"),
        refused(
            "",
            "[battery.box]\ncharge = \"ups-runtime\"\nvoltage = \"12 V\"\ncapacity = \"20 Ah\"\nload = \"6 W\"\n",
        ),
        refused("", "[battery.box]\nruntime = \"ups-runtime\"\nconverter = \"110 %\"\n"),
    ];
    assert_snapshot!(all.join("\n"));
}

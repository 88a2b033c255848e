//! What the rule file says of a tank, as a tank on paper.

use slackwater_rules::forecast::planner::{Paper, Supply, USUAL_LIMITS};
use slackwater_rules::plan::{Plan, Sensor, Tank};
use slackwater_rules::units::Scale;

/// A tank of the plan.
pub(super) fn tank<'a>(plan: &'a Plan, name: &str) -> Result<&'a Tank, String> {
    plan.tanks.iter().find(|tank| tank.name == name).ok_or_else(|| {
        let names: Vec<&str> = plan.tanks.iter().map(|tank| tank.name.as_str()).collect();
        format!("the rule file has no tank `{name}`; it has {}", names.join(", "))
    })
}

/// What the rule file says of a tank, and the unit of its thermometer, or of the site's first.
pub(super) fn paper(plan: &Plan, name: &str) -> Result<(Paper, Option<Scale>), String> {
    let tank = tank(plan, name)?;
    let gear = &tank.gear;
    let thermometer: Option<&Sensor> = gear.water.and_then(|id| plan.sensors.get(id.index()));
    let (cold, warm) = thermometer.and_then(|sensor| sensor.limits).unwrap_or(USUAL_LIMITS);
    let air = gear.air.map(|air| air.pump);
    // The battery of the air pump's relay; or one that feeds nothing in particular.
    let relay = gear.air.and_then(|air| air.relay);
    let feeds = |of| plan.batteries.iter().find(|battery| battery.feeds == of && battery.rating.is_some());
    let battery = relay.and_then(|relay| feeds(Some(relay))).or_else(|| feeds(None));
    let supply = battery.and_then(|battery| battery.rating);
    let paper = Paper {
        volume: tank.volume,
        surface: gear.surface,
        salinity: tank.salinity,
        lid: gear.lid,
        heaters: gear.heaters.iter().flatten().filter_map(|heater| heater.power).collect(),
        stocking: tank.stocking,
        altitude: (plan.altitude != 0.0).then_some(plan.altitude),
        air,
        supply: supply.map(|(battery, load)| Supply { battery, load_w: Some(load) }),
        ..Paper::blank(cold, warm)
    };
    // A tank without a thermometer is told in the degrees of the site's others.
    let degrees = |sensor: &&Sensor| sensor.measure.name == "temperature";
    let thermometer = thermometer.or_else(|| plan.sensors.iter().find(degrees));
    Ok((paper, thermometer.map(|sensor| sensor.scale.clone())))
}

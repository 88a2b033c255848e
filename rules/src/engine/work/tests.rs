use crate::alarm::State;
use crate::engine::rig::{TestRig, ines, kinds};
use crate::engine::task::Task;
use crate::ids::{SensorId, TankId};
use crate::plan::{Directory, Plan, Surroundings};
use crate::time::Span;
use jiff::tz::TimeZone;

fn begin(rig: &mut TestRig, tank: &str, work: &str, minutes: i64) -> Vec<String> {
    let asked = (tank.to_owned(), work.to_owned());
    let next = rig.act(|cx, next| cx.work.on_begin(cx, asked, Some(Span::minutes(minutes)), ines(), next));
    kinds(&next)
}

#[test]
fn work_suppresses_what_it_disturbs_and_nothing_else() {
    let mut rig = TestRig::new();
    assert_eq!(
        begin(&mut rig, "lagoon", "feeding", 10),
        ["feeding on lagoon began, for 10 min, by ines (at the watch's computer)"]
    );
    let next = rig.act(|cx, next| cx.work.on_suppress(cx, true, next));
    assert_eq!(kinds(&next), ["still suppressed by work", "leak suppressed by work"]);
    assert_eq!(rig.parts.alarms.state(rig.alarm("power-lost")).state, State::Normal);
    let next = rig.act(|cx, next| cx.work.on_end(cx, TankId(0), None, next));
    assert_eq!(
        (kinds(&next), next.tasks),
        (vec!["feeding on lagoon ended by itself".to_owned()], vec![Task::Release])
    );
    let next = rig.act(|cx, next| cx.work.on_release(cx, next));
    assert_eq!(kinds(&next).len(), 2, "{:?}", kinds(&next));
}

#[test]
fn what_can_t_be_begun_is_refused_with_what_there_is() {
    let mut rig = TestRig::new();
    assert!(begin(&mut rig, "pond", "feeding", 10)[0].contains("there is no tank `pond`"));
    assert!(begin(&mut rig, "lagoon", "cleaning", 10)[0].contains("there is: feeding"));
    assert!(begin(&mut rig, "lagoon", "feeding", 31)[0].contains("at most 30 min"));
    begin(&mut rig, "lagoon", "feeding", 10);
    assert!(begin(&mut rig, "lagoon", "feeding", 10)[0].contains("end it first"));
}

/// Whether the fall of a tank's temperature may make this true.
fn by_a_fall(when: &str) -> bool {
    let sensor = |name: &str| {
        format!(
            "[sensor.{name}]\ntopic = \"{name}\"\ntank = \"lagoon\"\nmeasures = \"temperature\"\nunit = \"degC\"\nevery = \"30 s\"\n"
        )
    };
    let rules = format!(
        "[tank.lagoon]\nwater = \"water\"\nheater = {{ sensor = \"heater\", power = \"200 W\" }}\n{}{}\
         [sensor.heater]\ntopic = \"heater\"\ntank = \"lagoon\"\nmeasures = \"power\"\nunit = \"W\"\nevery = \"30 s\"\n\
         [alarm.a]\ntank = \"lagoon\"\nwhen = \"{when}\"\npriority = \"low\"\n",
        sensor("water"),
        sensor("room")
    );
    let around = Surroundings { directory: Directory::default(), zone: TimeZone::UTC, today: None };
    let checked = Plan::check("rules.toml", &rules, &around);
    let plan = checked
        .plan
        .unwrap_or_else(|| panic!("{when}\n{}", crate::plan::render("", &rules, &checked.findings)));
    plan.alarms[0].condition.may_come_by_a_fall(SensorId(0))
}

#[test]
fn cold_comes_by_a_fall_and_warmth_does_not() {
    for when in [
        "water < 24 degC",
        "24 degC > water",
        "not water > 24 degC",
        "water falls faster than 1 K/h over 30 min",
        "water is outside 24 degC to 27 degC",
        "swing of water over 1 d > 2 K",
        "highest of water over 2 h - water > 3 K",
        "mean of water over 1 h < 24 degC",
        "duty of water < 24 degC over 6 h > 50 %",
        "duty of water > 24 degC over 6 h < 50 %",
        "water has been < 24 degC for 2 h",
        "room - water > 1 K",
        "water is frozen for 2 h",
        "time until water < 22 degC is under 6 h",
        "lagoon shows no-heat",
    ] {
        assert!(by_a_fall(when), "{when}");
    }
    for when in [
        "water > 27 degC",
        "27 degC <= water",
        "not (water < 27 degC)",
        "water > 27 degC and room < 20 degC",
        "water rises faster than 1 K/h over 30 min",
        "highest of water over 6 h > 27 degC",
        "duty of water > 27 degC over 6 h > 50 %",
        "water has been > 27 degC for 2 h",
        "water - room > 8 K",
        "room < 15 degC",
        "time until water > 28 degC is under 6 h",
        "lagoon shows heat-without-heater",
    ] {
        assert!(!by_a_fall(when), "{when}");
    }
}

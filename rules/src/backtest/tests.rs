use super::*;
use crate::plan::Surroundings;
use jiff::tz::TimeZone;

fn plan() -> Plan {
    plan_with("")
}

fn plan_with(more: &str) -> Plan {
    let text = "[tank.lagoon]\nvolume = \"420 L\"\n\
        [sensor.lagoon-temp]\ntopic = \"t\"\ntank = \"lagoon\"\nmeasures = \"temperature\"\nunit = \"degC\"\n\
        every = \"1 min\"\nplausible = [\"5 degC\", \"45 degC\"]\n\
        [alarm.too-warm]\ntank = \"lagoon\"\nwhen = \"lagoon-temp > 27 degC\"\non-delay = \"2 min\"\n\
        off-delay = \"2 min\"\npriority = \"high\"\nconsequence = \"oxygen falls\"\nresponse = \"Open a window.\"\n\
        [alarm.outside]\ntank = \"lagoon\"\nwhen = \"lagoon-temp is outside 22 degC to 30 degC\"\n\
        on-delay = \"2 min\"\npriority = \"high\"\nconsequence = \"loss\"\nresponse = \"Look.\"\n";
    let text = &format!("{text}{more}");
    let around = Surroundings { directory: Default::default(), zone: TimeZone::UTC, today: None };
    let checked = Plan::check("rules.toml", text, &around);
    checked.plan.unwrap_or_else(|| panic!("{}", crate::plan::render("rules.toml", text, &checked.findings)))
}

const START: Wall = Wall(1_772_452_800_000);

/// A reading a minute, in degrees Celsius.
fn play(plan: &Plan, since: i64, minutes: impl IntoIterator<Item = (i64, f64)>) -> Outcomes {
    let mut backtest = Backtest::new(plan, START, START + Span::minutes(since));
    let mut last = START;
    for (minute, celsius) in minutes {
        last = START + Span::minutes(minute);
        backtest.hear(last, SensorId(0), Value::Number(celsius));
    }
    backtest.finish(last)
}

fn rang(outcomes: &Outcomes) -> Vec<(&str, i64, i64, bool)> {
    let minute = |wall: Wall| (wall - START).0 / 60_000;
    outcomes
        .spells
        .iter()
        .map(|spell| (spell.alarm.as_str(), minute(spell.from), minute(spell.to), spell.stands))
        .collect()
}

/// Warm from 60 to 90. A jump of 3 K is believed at its third reading, then the on-delay runs.
fn warm(minute: i64) -> (i64, f64) {
    (minute, if (60..90).contains(&minute) { 28.0 } else { 25.0 } + (minute % 7) as f64 * 0.01)
}

#[test]
fn what_would_have_rung_is_told_with_its_delays() {
    let outcomes = play(&plan(), 0, (0..200).map(warm));
    assert_eq!(rang(&outcomes), [("too-warm", 64, 94, false)]);
    assert_eq!((outcomes.readings, outcomes.away.len()), (200, 0));
}

#[test]
fn what_comes_before_the_stretch_fills_windows_and_is_not_told() {
    let outcomes = play(&plan(), 100, (0..200).map(warm));
    assert_eq!(rang(&outcomes), []);
    // What reaches into it is.
    let outcomes = play(&plan(), 80, (0..200).map(warm));
    assert_eq!(rang(&outcomes), [("too-warm", 64, 94, false)]);
}

#[test]
fn a_hole_in_the_history_is_a_watch_away_and_no_dead_sensor() {
    let outcomes = play(&plan(), 0, (0..70).chain(300..320).map(|minute| (minute, warm(minute.min(70)).1)));
    assert_eq!(outcomes.away.len(), 1);
    assert_eq!(rang(&outcomes), [("too-warm", 64, 319, true)]);
}

#[test]
fn a_sensor_that_is_never_heard_does_not_lengthen_what_counts_as_a_hole() {
    let slow = "[sensor.alk]\ntopic = \"a\"\ntank = \"lagoon\"\nmeasures = \"alkalinity\"\nunit = \"dKH\"\n\
        every = \"1 d\"\n[alarm.alk]\ntank = \"lagoon\"\nwhen = \"alk < 6 dKH\"\npriority = \"low\"\n\
        consequence = \"loss\"\nresponse = \"Dose.\"\n";
    let plan = plan_with(slow);
    let hole = (0..70).chain(300..320).map(|minute| (minute, warm(0).1));
    assert_eq!(play(&plan, 0, hole.clone()).away.len(), 1);
    // Where it is heard, a day of silence may be its own pace.
    let mut backtest = Backtest::new(&plan, START, START);
    backtest.hear(START, SensorId(1), Value::Number(7.0));
    hole.for_each(|(minute, celsius)| {
        backtest.hear(START + Span::minutes(minute), SensorId(0), Value::Number(celsius));
    });
    assert_eq!(backtest.finish(START + Span::minutes(319)).away.len(), 0);
}

#[test]
fn a_limit_is_moved_in_its_own_unit() {
    let plan = plan();
    let alarm = with_limit(&plan, &plan.alarms[0], "limit", 27.5).unwrap();
    assert_eq!(alarm.written, "lagoon-temp > 27.5 degC");
    let alarm = with_limit(&plan, &plan.alarms[1], "lagoon-temp high", 29.0).unwrap();
    assert_eq!(alarm.written, "lagoon-temp is outside 22 degC to 29 degC");
}

#[test]
fn a_limit_that_is_not_there_is_said_with_those_that_are() {
    let plan = plan();
    let which = with_limit(&plan, &plan.alarms[1], "limit", 29.0).unwrap_err();
    assert_eq!(
        which.to_string(),
        "`limit` is not one limit of this alarm; its limits are: \
         `lagoon-temp low` (22 degC), `lagoon-temp high` (30 degC)"
    );
    let wrong = with_limit(&plan, &plan.alarms[0], "limit", 50.0).unwrap_err();
    assert!(wrong.to_string().contains("can never be true"), "{wrong}");
}

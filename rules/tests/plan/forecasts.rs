//! Conditions about what is to come: which end of a range counts, and what can't be asked.

use crate::site::{HALYARD, check};
use insta::assert_snapshot;
use proptest::prelude::*;
use slackwater_rules::condition::query::{Holding, Question, Symptom};
use slackwater_rules::condition::{Condition, Memory, Present, Truth, World};
use slackwater_rules::forecast::{CannotSay, Estimate, Interval};
use slackwater_rules::plan::{Plan, SensorId, Sight, TankId};
use slackwater_rules::reading::Value;
use slackwater_rules::time::{Moment, Span};

/// What the invented site lacks for forecasts.
pub(crate) const GEAR: &str = "
water  = \"lagoon-temp\"
sump   = \"sump-temp\"
room   = \"room-temp\"
heater = { sensor = \"heater-power\", power = \"200 W\" }
spare  = { sensor = \"heater-power\", power = \"200 W\" }
pumps  = { sensor = \"return-flow\", least = \"200 L/h\" }
air    = { delivers = \"3 L/min\", depth = \"40 cm\" }

[sensor.room-temp]
topic    = \"room2/temperature\"
measures = \"temperature\"
unit     = \"degC\"
every    = \"1 min\"

[battery.ups]
voltage  = \"12 V\"
capacity = \"20 Ah\"
load     = \"6 W\"
";

fn plan() -> Plan {
    let text = HALYARD.replacen("[sensor.lagoon-temp]", &format!("{GEAR}\n[sensor.lagoon-temp]"), 1);
    let checked = check(&text);
    checked.plan.expect(&checked.report)
}

/// A world that knows what will come, and whether water was changed and nobody said so.
struct Prophet {
    comes: Result<Interval, CannotSay>,
    poured: Option<Span>,
}

fn prophet(comes: Result<Interval, CannotSay>) -> Prophet {
    Prophet { comes, poured: None }
}

impl World for Prophet {
    fn value(&self, _: SensorId) -> Option<Value> {
        None
    }

    fn heard(&self, _: SensorId) -> Moment {
        Moment(0)
    }

    fn good(&self, sensor: SensorId) -> Moment {
        self.heard(sensor)
    }

    fn blind(&self, _: &Sight) -> Truth {
        Truth::False
    }

    fn foretell(&self, _: &Question) -> Result<Estimate, CannotSay> {
        self.comes.clone().map(|range| Estimate::new(range, []))
    }

    fn shows(&self, _: TankId, _: Symptom) -> Result<bool, CannotSay> {
        self.comes.clone().map(|range| range.low < 1.0)
    }

    fn coldest_room(&self, _: &Holding) -> Result<Estimate, CannotSay> {
        self.comes.clone().map(|range| Estimate::new(range, []))
    }

    fn undeclared(&self, _: TankId) -> Option<Span> {
        self.poured
    }
}

fn ask(text: &str, world: &Prophet) -> Truth {
    let condition = Condition::parse(text, &plan().scope()).expect(text);
    condition.evaluate(&Present { world, memory: &Memory::default(), now: Moment(0) }, None).truth
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// True to the reference: the early end counts, on both sides.
    #[test]
    fn the_early_end_of_a_forecast_counts_on_both_sides(
        low in 0.0..80.0f64, more in 0.0..80.0f64, within in 1..72u32,
    ) {
        let world = prophet(Ok(Interval::new(low, low + more / 2.0, low + more)));
        let said = |side: &str| ask(&format!("time until lagoon-temp < 22 degC is {side} {within} h"), &world);
        prop_assert_eq!(said("under"), (low < f64::from(within)).into());
        prop_assert_eq!(said("over"), (low > f64::from(within)).into());
    }

    #[test]
    fn what_heaters_can_hold_is_true_false_or_between(low in 0.0..20.0f64, more in 0.1..8.0f64, room in 1..25i32) {
        let world = prophet(Ok(Interval::new(low, low + more / 2.0, low + more)));
        let said = ask(&format!("lagoon can hold 24 degC in a room of {room} degC"), &world);
        let room = f64::from(room);
        let expected = match () {
            () if room >= low + more => Truth::True,
            () if room < low => Truth::False,
            () => Truth::Unknown,
        };
        prop_assert_eq!(said, expected);
    }
}

#[test]
fn what_nobody_can_say_is_unknown_also_behind_not() {
    let silent = prophet(Err(CannotSay::Missing("water temperature")));
    for text in [
        "time until lagoon-temp < 22 degC is under 6 h",
        "not time until lagoon-temp > 28 degC with the heater stuck on is under 3 h",
        "time until oxygen of lagoon < 2.3 mg/L is under 1 h",
        "time until ups is empty is over 30 min",
        "lagoon shows no-heat",
        "not lagoon can hold 24 degC in a room of 15 degC on its spare",
    ] {
        assert_eq!(ask(text, &silent), Truth::Unknown, "{text}");
    }
    let never = prophet(Ok(Interval::exact(f64::INFINITY)));
    assert_eq!(ask("time until lagoon-temp < 22 degC is under 72 h", &never), Truth::False);
    assert_eq!(ask("time until lagoon-temp < 22 degC is over 72 h", &never), Truth::True);
}

#[test]
fn an_inch_is_still_an_inch() {
    let text = HALYARD.to_owned()
        + "\n[sensor.line]\ntopic = \"line\"\nmeasures = \"level\"\nunit = \"in\"\nevery = \"1 min\"\n";
    let plan = check(&text).plan.expect("right");
    assert!(Condition::parse("line < 5 in and mains is on", &plan.scope()).is_ok());
}

#[test]
fn what_can_not_be_foretold_is_a_mistake_with_its_reason() {
    let plan = plan();
    let scope = plan.scope();
    let said = |text: &str| match Condition::parse(text, &scope) {
        Ok(_) => panic!("nothing was wrong with {text}"),
        Err(findings) => slackwater_rules::plan::render("when", text, &findings),
    };
    let all = [
        said("time until sump-temp < 22 degC is under 6 h"),
        said("time until return-flow < 200 L/h is under 6 h"),
        said("time until lagoon-temp < 50 degC is under 6 h"),
        said("time until lagoon-temp < 22 L is under 6 h"),
        said("time until lagoon-temp < 22 degC is under 100 h"),
        said("time until lagoon-temp < 22 degC with air is under 6 h"),
        said("time until lagoon-temp > 28 degC without heat with the heater stuck on is under 6 h"),
        said("time until lagoon-temp < 22 degC in a room of 90 degC is under 6 h"),
        said("time until lagoon-temp < 22 degC is 6 h"),
        said("time until oxygen of lagoon > 2.3 mg/L is under 6 h"),
        said("time until oxygen of lagon < 2.3 mg/L is under 6 h"),
        said("time until box is empty is under 6 h"),
        said("time until ups is full is under 6 h"),
        said("lagoon shows no-heet"),
        said("lagoon-temp shows no-heat"),
        said("lagoon can hold 24 degC in a room of 15 degC on its boiler"),
    ];
    assert_snapshot!(all.join("\n"));
}

#[test]
fn every_fault_that_a_model_finds_can_be_asked_for() {
    use slackwater_rules::forecast::faults::Fault;
    for fault in Fault::ALL {
        assert!(Symptom::ALL.iter().any(|(_, sign)| *sign == Symptom::Fault(fault)), "{fault:?}");
    }
}

#[test]
fn what_was_found_after_undeclared_work_asks_whether_it_was_a_water_change() {
    let plan = plan();
    let says = |poured: Option<Span>| {
        let world = &Prophet { comes: Ok(Interval::exact(0.0)), poured };
        let condition = Condition::parse("lagoon shows heat-missing", &plan.scope()).unwrap();
        let present = Present { world, memory: &Memory::default(), now: Moment(20_000_000) };
        condition.because(&plan, &present)
    };
    let asked = says(Some(Span::hours(3)));
    assert!(asked.contains("was this a water change? 3 h ago it stepped"), "{asked}");
    assert!(!says(None).contains("water change"));
}

#[test]
fn check_says_which_forecasts_a_tanks_sensors_carry_and_how_often_each_rings_falsely() {
    use slackwater_rules::plan::{FALSE_ALARMS, SeenOfTank};
    let bare = HALYARD.replacen("[sensor.lagoon-temp]", "water = \"lagoon-temp\"\n\n[sensor.lagoon-temp]", 1);
    let of = |plan: &Plan| plan.carries(TankId(0)).expect("it has a thermometer");
    let (seen, all) = of(&plan());
    assert_eq!(seen, SeenOfTank::All);
    let (seen_of_less, less) = of(&check(&bare).plan.expect("right"));
    assert_eq!(seen_of_less, SeenOfTank::Water);
    let rate = |carried: &[slackwater_rules::plan::CarriedForecast], name: &str| {
        carried.iter().find(|it| it.hazard == name).expect(name).a_year
    };
    assert!(rate(&less, "heat-not-coming").unwrap() > rate(&all, "heat-not-coming").unwrap());
    assert!(rate(&all, "losing-heat").is_ok());
    assert_eq!(rate(&less, "losing-heat"), Err("the heater's sensor"));
    assert_eq!(rate(&all, "cooling-not-coming"), Err("the sensor of a chiller or fan"));
    // A chiller that nobody sees makes water alone ring more often, and `check` says so.
    let gear = |chiller: &str| {
        let text = bare.replacen("[sensor.lagoon-temp]", &format!("{chiller}\n\n[sensor.lagoon-temp]"), 1);
        let checked = check(&text);
        of(&checked.plan.expect(&checked.report))
    };
    let (seen_of_chilled, chilled) = gear("chiller = { power = \"150 W\" }");
    assert_eq!(seen_of_chilled, SeenOfTank::ChilledWater);
    assert!(rate(&chilled, "heat-not-coming").unwrap() > 2.0 * rate(&less, "heat-not-coming").unwrap());
    assert_eq!(rate(&chilled, "cooling-not-coming"), Err("the sensor of a chiller or fan"));
    let (seen_with_sensor, cooled) = gear("chiller = { sensor = \"heater-power\", power = \"150 W\" }");
    assert_eq!(seen_with_sensor, SeenOfTank::Water);
    assert!(rate(&cooled, "cooling-not-coming").is_ok());
    // What is promised of all of them together.
    for (nth, most) in [2.0, 4.0, 4.0, 4.0].into_iter().enumerate() {
        let sum: f64 = FALSE_ALARMS.iter().filter_map(|figures| figures.a_year[nth]).sum();
        assert!(sum <= most, "{nth}: {sum}");
    }
    // Each is a hazard of the library, and each of these that asks a model of heat has its figures.
    for figures in &FALSE_ALARMS {
        assert!(slackwater_rules::hazard::names().any(|name| name == figures.hazard), "{}", figures.hazard);
    }
}

#[test]
fn what_would_be_noise_is_refused() {
    let plan = |gear: &str| {
        let text = HALYARD.replacen("[sensor.lagoon-temp]", &format!("{gear}\n\n[sensor.lagoon-temp]"), 1);
        let checked = check(&text);
        checked.plan.expect(&checked.report)
    };
    let heater = "water = \"lagoon-temp\"\nheater = { sensor = \"heater-power\", power = \"200 W\" }";
    let refused = |gear: &str, text: &str| match Condition::parse(text, &plan(gear).scope()) {
        Ok(_) => panic!("{text} was taken"),
        Err(findings) => findings.into_iter().map(|finding| finding.title).collect::<Vec<_>>().join("; "),
    };
    assert!(refused(heater, "lagoon shows losing-heat").contains("room's thermometer"));
    let bare = "water = \"lagoon-temp\"";
    assert!(refused(bare, "lagoon shows heat-without-heater").contains("sensor of its heater"));
    assert!(refused(bare, "lagoon shows cooling-missing").contains("sensor of its chiller or fan"));
}

#[test]
fn an_alkalinity_in_ppm_is_told_its_unit() {
    let alk = "[sensor.alk]\ntopic = \"a\"\ntank = \"lagoon\"\nmeasures = \"alkalinity\"\nunit = \"dKH\"\nevery = \"1 d\"\n";
    let checked = check(&format!("{HALYARD}\n{alk}"));
    let plan = checked.plan.expect(&checked.report);
    let refused = Condition::parse("alk > 220 ppm", &plan.scope()).expect_err("a concentration");
    let help = refused.into_iter().find_map(|finding| finding.help);
    assert!(help.is_some_and(|help| help.contains("`ppm-CaCO3`")));
    assert!(Condition::parse("alk > 220 ppm-CaCO3", &plan.scope()).is_ok());
}

//! The condition language: what it reads, what it prints, and what it says of a world.

use crate::site::{HALYARD, check};
use proptest::prelude::*;
use slackwater_rules::condition::{
    Aggregate, Comparison, Condition, HeldSince, Lapse, Memory, Present, Supposed, Truth, Verdict, Written,
    WrittenSubject,
};
use slackwater_rules::condition::{DEEPEST, World};
use slackwater_rules::plan::{At, Hours, Plan, SensorId, Sight};
use slackwater_rules::reading::Value;
use slackwater_rules::time::{Moment, Span};
use slackwater_rules::units::Dimension;
use std::collections::BTreeMap;

/// A world that is told what to say.
#[derive(Default)]
struct Stage {
    values: BTreeMap<SensorId, Value>,
    heard: BTreeMap<SensorId, Moment>,
    good: BTreeMap<SensorId, Moment>,
}

impl World for Stage {
    fn value(&self, sensor: SensorId) -> Option<Value> {
        self.values.get(&sensor).copied()
    }

    fn heard(&self, sensor: SensorId) -> Moment {
        self.heard.get(&sensor).copied().unwrap_or_default()
    }

    fn good(&self, sensor: SensorId) -> Moment {
        self.good.get(&sensor).copied().unwrap_or_default()
    }

    fn blind(&self, sight: &Sight) -> Truth {
        (*sight == Sight::Broker).into()
    }

    fn doubt(&self, _sensor: SensorId) -> Option<String> {
        Some("stale for 5 min".to_owned())
    }
}

fn plan() -> Plan {
    check(HALYARD).plan.expect("the sample is right")
}

fn id(plan: &Plan, name: &str) -> SensorId {
    let index = plan.sensors.iter().position(|sensor| sensor.name == name);
    SensorId(index.expect("a sensor of the sample") as u32)
}

/// A stage on which these sensors say these numbers (base units) or words.
fn stage(plan: &Plan, says: &[(&str, Value)]) -> Stage {
    let values = says.iter().map(|(name, value)| (id(plan, name), *value)).collect();
    Stage { values, ..Stage::default() }
}

fn condition(plan: &Plan, text: &str) -> Condition {
    Condition::parse(text, &plan.scope()).expect(text)
}

fn truth(text: &str, says: &[(&str, Value)]) -> Truth {
    held(text, says, None)
}

fn held(text: &str, says: &[(&str, Value)], hold: HeldSince) -> Truth {
    let plan = plan();
    ask(&condition(&plan, text), &stage(&plan, says), Moment(0), hold).truth
}

/// What a condition says that remembers nothing yet.
fn ask(condition: &Condition, stage: &Stage, now: Moment, hold: HeldSince) -> Verdict {
    let memory = Memory::of(condition, now);
    condition.evaluate(&Present { world: stage, memory: &memory, now }, hold)
}

const ON: Value = Value::Word(0);
const OFF: Value = Value::Word(1);

fn number(value: f64) -> Value {
    Value::Number(value)
}

#[test]
fn units_on_both_sides_need_not_be_the_same() {
    // 200 L/h = 0.2 m3 / 3600 s; 52.8 US gal/h = 199.87 L/h (NIST SP 811: 1 US gal = 3.785412 L).
    let flow = [("return-flow", number(0.2 / 3600.0 * 0.9999))];
    assert_eq!(truth("return-flow < 200 L/h", &flow), Truth::True);
    assert_eq!(truth("return-flow < 52.8 US gal/h", &flow), Truth::False);
    assert_eq!(truth("lagoon-temp > 78 degF", &[("lagoon-temp", number(25.6))]), Truth::True);
    assert_eq!(truth("lagoon-temp > 78 degF", &[("lagoon-temp", number(25.5))]), Truth::False);
}

#[test]
fn a_limit_itself_is_neither_below_nor_above() {
    let at = [("lagoon-temp", number(22.0))];
    assert_eq!(truth("lagoon-temp < 22 degC", &at), Truth::False);
    assert_eq!(truth("lagoon-temp > 22 degC", &at), Truth::False);
    assert_eq!(truth("lagoon-temp <= 22 degC", &at), Truth::True);
    assert_eq!(truth("lagoon-temp >= 22 degC", &at), Truth::True);
}

#[test]
fn a_difference_of_two_temperatures_is_compared_in_kelvin() {
    let says = [("lagoon-temp", number(26.0)), ("sump-temp", number(24.5))];
    assert_eq!(truth("lagoon-temp - sump-temp > 1 K", &says), Truth::True);
    // 2 degF of difference are 1.11 K, not -16.67 degC.
    assert_eq!(truth("lagoon-temp - sump-temp > 2 degF", &says), Truth::True);
    assert_eq!(truth("lagoon-temp - sump-temp > 3 degF", &says), Truth::False);
    assert_eq!(truth("lagoon-temp - 2 K < sump-temp", &says), Truth::True);
    assert_eq!(truth("lagoon-temp - 1 K < sump-temp", &says), Truth::False);
    assert_eq!(truth("lagoon-temp - 25 degC > 0.5 K", &says), Truth::True);
}

#[test]
fn unknown_is_not_false_and_not_true() {
    let power = [("mains", OFF)];
    assert_eq!(truth("lagoon-temp < 22 degC", &power), Truth::Unknown);
    assert_eq!(truth("not lagoon-temp < 22 degC", &power), Truth::Unknown);
    assert_eq!(truth("mains is off and lagoon-temp < 22 degC", &power), Truth::Unknown);
    assert_eq!(truth("mains is on and lagoon-temp < 22 degC", &power), Truth::False);
    assert_eq!(truth("mains is off or lagoon-temp < 22 degC", &power), Truth::True);
    assert_eq!(truth("mains is on or lagoon-temp < 22 degC", &power), Truth::Unknown);
    assert_eq!(truth("lagoon-temp - sump-temp > 1 K", &[("sump-temp", number(24.0))]), Truth::Unknown);
}

#[test]
fn kleenes_tables_are_whole() {
    use Truth::{False, True, Unknown};
    // Kleene, Introduction to Metamathematics (1952), section 64, the strong connectives;
    // from memory.
    let and = [[True, False, Unknown], [False, False, False], [Unknown, False, Unknown]];
    let or = [[True, True, True], [True, False, Unknown], [True, Unknown, Unknown]];
    for (i, a) in [True, False, Unknown].into_iter().enumerate() {
        for (j, b) in [True, False, Unknown].into_iter().enumerate() {
            assert_eq!(a.and(b), and[i][j], "{a} and {b}");
            assert_eq!(a.or(b), or[i][j], "{a} or {b}");
        }
    }
    assert_eq!([True, False, Unknown].map(Truth::negated), [False, True, Unknown]);
}

#[test]
fn and_binds_tighter_than_or_and_not_tighter_than_both() {
    let says = [("mains", ON), ("lagoon-temp", number(21.0)), ("drain-valve", Value::Word(1))];
    assert_eq!(truth("mains is on or lagoon-temp < 22 degC and drain-valve is open", &says), Truth::True);
    assert_eq!(truth("(mains is on or lagoon-temp < 22 degC) and drain-valve is open", &says), Truth::False);
    assert_eq!(truth("not mains is off and drain-valve is shut", &says), Truth::True);
    assert_eq!(truth("not (mains is on and drain-valve is open)", &says), Truth::True);
    assert_eq!(truth("mains is not off", &says), Truth::True);
}

#[test]
fn a_deadband_keeps_a_standing_alarm_until_the_value_is_well_back() {
    let hold = Some((Dimension::DIFFERENCE, 0.5));
    let at = |value| [("lagoon-temp", number(value))];
    assert_eq!(held("lagoon-temp < 22 degC", &at(22.4), hold), Truth::True);
    assert_eq!(held("lagoon-temp < 22 degC", &at(22.5), hold), Truth::False);
    assert_eq!(held("lagoon-temp > 27 degC", &at(26.6), hold), Truth::True);
    assert_eq!(held("lagoon-temp > 27 degC", &at(26.5), hold), Truth::False);
    assert_eq!(held("22 degC > lagoon-temp", &at(22.4), hold), Truth::True);
    assert_eq!(held("22 degC > lagoon-temp", &at(22.5), hold), Truth::False);
}

#[test]
fn a_deadband_works_the_other_way_round_under_a_not() {
    let hold = Some((Dimension::DIFFERENCE, 0.5));
    let at = |value| [("lagoon-temp", number(value))];
    assert_eq!(held("not lagoon-temp >= 22 degC", &at(22.4), hold), Truth::True);
    assert_eq!(held("not lagoon-temp >= 22 degC", &at(22.5), hold), Truth::False);
    assert_eq!(held("not not lagoon-temp < 22 degC", &at(22.4), hold), Truth::True);
}

#[test]
fn a_deadband_of_one_quantity_leaves_others_alone() {
    let hold = Some((Dimension::FLOW, 1.0));
    assert_eq!(held("lagoon-temp < 22 degC", &[("lagoon-temp", number(22.0))], hold), Truth::False);
}

#[test]
fn silence_becomes_true_by_time_alone_and_says_when() {
    let plan = plan();
    let silent = condition(&plan, "return-flow is silent for 5 min");
    let stage =
        Stage { heard: BTreeMap::from([(id(&plan, "return-flow"), Moment(1_000))]), ..Stage::default() };
    let before = ask(&silent, &stage, Moment(300_999), None);
    assert_eq!((before.truth, before.until), (Truth::False, Some(Moment(301_000))));
    let after = ask(&silent, &stage, Moment(301_000), None);
    assert_eq!((after.truth, after.until), (Truth::True, None));
}

#[test]
fn what_is_heard_and_not_believed_is_no_silence_but_not_good() {
    let plan = plan();
    let heard = BTreeMap::from([(id(&plan, "return-flow"), Moment(299_000))]);
    let good = BTreeMap::from([(id(&plan, "return-flow"), Moment(1_000))]);
    let stage = Stage { heard, good, ..Stage::default() };
    let silent = condition(&plan, "return-flow is silent for 5 min");
    let not_good = condition(&plan, "return-flow is not good for 5 min");
    assert_eq!(ask(&silent, &stage, Moment(301_000), None).truth, Truth::False);
    let before = ask(&not_good, &stage, Moment(300_999), None);
    assert_eq!((before.truth, before.until), (Truth::False, Some(Moment(301_000))));
    assert_eq!(ask(&not_good, &stage, Moment(301_000), None).truth, Truth::True);
}

#[test]
fn of_several_parts_the_earliest_says_when_to_look_again() {
    let plan = plan();
    let text = "return-flow is silent for 5 min or mains is silent for 2 min and mains is off";
    let verdict = ask(&condition(&plan, text), &Stage::default(), Moment(0), None);
    assert_eq!(verdict.until, Some(Moment(0) + Span::minutes(2)));
}

#[test]
fn a_condition_knows_its_sensors() {
    let plan = plan();
    let condition =
        condition(&plan, "mains is off or not (lagoon-temp - sump-temp > 1 K and mains is silent for 5 min)");
    let expected = ["mains", "lagoon-temp", "sump-temp"].map(|name| id(&plan, name));
    assert_eq!(condition.sensors(), expected.into());
}

fn explained(text: &str, says: &[(&str, Value)], hold: HeldSince) -> String {
    let plan = plan();
    let condition = condition(&plan, text);
    let (world, now) = (stage(&plan, says), Moment(60_000));
    let memory = Memory::of(&condition, now);
    let reasons = condition.explain(&plan, &Present { world: &world, memory: &memory, now }, hold);
    let lines: Vec<_> =
        reasons.iter().map(|reason| format!("{}{}", "  ".repeat(reason.depth), reason.text)).collect();
    lines.join("\n")
}

#[test]
fn an_explanation_shows_every_part_with_its_value_and_how_far_it_is_from_the_limit() {
    let says = [
        ("lagoon-temp", number(24.6)),
        ("sump-temp", number(24.0)),
        ("mains", OFF),
        ("return-flow", number(0.21 / 3600.0)),
    ];
    let text = "mains is off and (lagoon-temp < 22 degC or not sump-temp > 70 degF) \
                and lagoon-temp - sump-temp > 1 K and return-flow < 200 L/h \
                and heater-power > 20 W and mains is silent for 5 min and sump-temp < lagoon-temp";
    insta::assert_snapshot!(explained(text, &says, None), @r"
    all of these: false
      mains is off: true: off
      at least one of these: false
        lagoon temp < 22 °C: false: 24.6 °C, 2.6 °C above the limit
        not: false
          lagoon sump temp > 70 °F: true: 75.2 °F, 5.2 °F above the limit
      lagoon temp - lagoon sump temp > 1 °C: false: 0.6 °C, 0.4 °C below the limit
      lagoon return flow < 200 L/h: false: 210 L/h, 10 L/h above the limit
      lagoon heater power > 20 W: unknown: lagoon heater power unknown (stale for 5 min)
      mains is silent for 5 min: false: last heard 1 min ago
      lagoon sump temp < lagoon temp: true: 75.2 °F against 76.3 °F, 1.08 °F below
    ");
}

#[test]
fn an_explanation_says_when_the_deadband_holds_a_limit() {
    let hold = Some((Dimension::DIFFERENCE, 0.5));
    let says = [("lagoon-temp", number(22.2))];
    insta::assert_snapshot!(
        explained("lagoon-temp < 22 degC", &says, hold),
        @"lagoon temp < 22 °C: true: 22.2 °C, 0.3 °C below the limit that the deadband holds"
    );
}

#[test]
fn because_names_only_the_readings_that_the_truth_rests_on() {
    let plan = plan();
    let says = [("lagoon-temp", number(23.1)), ("mains", OFF)];
    let because = |text: &str| {
        let (condition, world, now) = (condition(&plan, text), stage(&plan, &says), Moment(0));
        let memory = Memory::of(&condition, now);
        condition.because(&plan, &Present { world: &world, memory: &memory, now })
    };
    assert_eq!(
        because("mains is off and lagoon-temp < 24 degC"),
        "mains off, lagoon temp 23.1 °C, should be at least 24 °C"
    );
    assert_eq!(because("mains is off or lagoon-temp < 22 degC"), "mains off");
    assert_eq!(because("not (mains is on and lagoon-temp < 24 degC)"), "mains off");
    assert_eq!(
        because("lagoon-temp - sump-temp > 1 K"),
        "lagoon temp 23.1 °C, sump temp unknown (stale for 5 min)"
    );
}

#[test]
fn a_limit_is_said_as_what_should_be_where_crossing_it_is_the_fault() {
    let plan = plan();
    let says = [("lagoon-temp", number(23.1)), ("sump-temp", number(27.0)), ("mains", OFF)];
    let because = |text: &str| {
        let (condition, world, now) = (condition(&plan, text), stage(&plan, &says), Moment(0));
        let memory = Memory::of(&condition, now);
        condition.because(&plan, &Present { world: &world, memory: &memory, now })
    };
    for (text, beside) in [
        ("lagoon-temp < 24 degC", ", should be at least 24 °C"),
        ("24 degC > lagoon-temp", ", should be at least 24 °C"),
        ("not (lagoon-temp >= 24 degC)", ", should be at least 24 °C"),
        ("lagoon-temp > 22 degC", ", should be at most 22 °C"),
        ("mains is off and not (lagoon-temp <= 22 degC)", ", should be at most 22 °C"),
    ] {
        let said = because(text);
        assert!(said.ends_with(&format!("lagoon temp 23.1 °C{beside}")), "{text}: {said}");
    }
    // Of two that only count together neither says what should be.
    assert_eq!(
        because("lagoon-temp < 24 degC and sump-temp > 26 degC"),
        "lagoon temp 23.1 °C, less than 24 °C, sump temp 80.6 °F, more than 78.8 °F"
    );
    assert_eq!(
        because("lagoon-temp < 24 degC or sump-temp > 26 degC"),
        "lagoon temp 23.1 °C, should be at least 24 °C, sump temp 80.6 °F, should be at most 78.8 °F"
    );
}

#[test]
fn nesting_is_bounded_and_exhausts_no_stack() {
    for text in ["(".repeat(100_000), "not ".repeat(1_000), format!("a{} < 1", " - a".repeat(1_000))] {
        assert!(Written::parse(&text).is_err());
    }
    let deepest = format!("{}mains is on{}", "(".repeat(DEEPEST), ")".repeat(DEEPEST));
    assert!(Written::parse(&deepest).is_ok());
}

#[test]
fn a_condition_at_the_deepest_prints_as_text_that_is_not_deeper() {
    let said = [
        "mains is not on",
        "day is not monday",
        "mains is not silent for 5 min",
        "mains is not good for 5 min",
        "lagoon-temp is not 2 K above its mean over 1 d",
        "mains has been not on for 5 min",
        "(mains is on or mains is off) has been not true for 5 min",
        "lagoon-temp / (return-flow / (return-flow / lagoon-temp)) is not on",
        "mains is not on then mains is not off within 5 min",
    ];
    for (said, nots) in said.iter().flat_map(|said| (DEEPEST - 4..=DEEPEST).map(move |nots| (said, nots))) {
        if let Ok(written) = Written::parse(&format!("{}{said}", "not ".repeat(nots))) {
            let printed = written.it.to_string();
            assert_eq!(Written::parse(&printed).as_ref(), Ok(&written), "{printed}");
        }
    }
}

/// Any tree that the grammar can spell.
fn written() -> impl Strategy<Value = Written> {
    let taken = ["and", "or", "not", "is", "has", "then", "within", "over", "time", "day"];
    let name = move || {
        "[a-z][a-z0-9_]{0,6}(-[a-z0-9]{1,4}){0,2}".prop_filter("a word of the language", move |name| {
            !taken.contains(&name.as_str()) && !["in", "between", "outside"].contains(&name.as_str())
        })
    };
    let at = |it| At::new(it, 0..0);
    let unit = prop::sample::select(vec!["", "K", "degC", "L/h", "US gal/h", "%", "mol/m2", "min"]);
    let quantity =
        (-1e6..1e6f64, unit).prop_map(|(number, unit)| Written::Quantity { number, unit: unit.to_owned() });
    let amount = {
        let quantity = quantity.clone();
        move || quantity.clone().prop_map(move |it| Box::new(at(it)))
    };
    let order = prop::sample::select(vec![
        Comparison::Less,
        Comparison::AtMost,
        Comparison::Greater,
        Comparison::AtLeast,
    ]);
    let aggregate = || {
        use Aggregate::*;
        prop::sample::select(vec![
            Mean, Median, Lowest, Highest, Swing, Slope, Total, Duty, Changes, Spells, Longest,
        ])
    };
    let hours = (0..24i8, 0..60i8, 1..1_440i32).prop_map(|(hour, minute, length)| {
        let clock = |minutes: i32| {
            let minutes = minutes % 1_440;
            jiff::civil::time((minutes / 60) as i8, (minutes % 60) as i8, 0, 0)
        };
        let from = i32::from(hour) * 60 + i32::from(minute);
        Hours { from: clock(from), until: clock(from + length) }
    });
    let word = move || name().prop_map(move |word| At::new(word, 0..0));
    let warm = || {
        (-50..90i32).prop_map(|degrees| {
            let warm = Written::Quantity { number: f64::from(degrees), unit: "degC".to_owned() };
            Box::new(At::new(warm, 0..0))
        })
    };
    let coming = prop_oneof![
        (word(), order.clone(), warm())
            .prop_map(|(name, order, limit)| WrittenSubject::Water(name, order, limit)),
        (word(), warm()).prop_map(|(tank, limit)| WrittenSubject::Oxygen(tank, limit)),
        word().prop_map(WrittenSubject::Empty),
    ];
    let supposed = prop_oneof![
        Just(Supposed::NoHeat),
        Just(Supposed::Stuck),
        Just(Supposed::NoPower),
        Just(Supposed::Still),
        Just(Supposed::Air),
        Just(Supposed::NoAir),
        warm().prop_map(Supposed::Room),
    ];
    let tank = move || name().prop_map(move |tank| Box::new(At::new(Written::Name(tank), 0..0)));
    let heater = prop::option::of(prop::sample::select(vec!["heater", "spare"]));
    let leaf = prop_oneof![
        (coming, prop::collection::vec(supposed, 0..3), any::<bool>(), amount()).prop_map(
            |(subject, supposing, over, length)| Written::Until { subject, supposing, over, length }
        ),
        (tank(), word()).prop_map(|(subject, sign)| Written::Shows { subject, sign }),
        (tank(), warm(), warm(), heater).prop_map(|(subject, set, room, on)| Written::Holds {
            subject,
            set,
            room,
            on: on.map(|on| At::new(on.to_owned(), 0..0)),
        }),
        name().prop_map(Written::Name),
        quantity.clone(),
        word().prop_map(Written::Volume),
        word().prop_map(Written::Day),
        (hours, any::<bool>()).prop_map(|(hours, outside)| Written::Time { hours, outside }),
    ];
    leaf.prop_recursive(5, 40, 4, move |inner| {
        let part = move || inner.clone().prop_map(at);
        let boxed = {
            let part = part.clone();
            move || part().prop_map(Box::new)
        };
        let lag = prop::option::of(amount());
        prop_oneof![
            prop::collection::vec(part(), 2..4).prop_map(Written::All),
            prop::collection::vec(part(), 2..4).prop_map(Written::Any),
            boxed().prop_map(Written::Not),
            (boxed(), boxed(), amount()).prop_map(|(first, second, within)| Written::Then {
                first,
                second,
                within
            }),
            (amount(), boxed()).prop_map(|(within, what)| Written::After { within, what }),
            // A name alone has not been true: its word has.
            (boxed().prop_filter("no bare name", |part| !matches!(part.it, Written::Name(_))), amount())
                .prop_map(|(what, length)| Written::HasBeen { what, length }),
            (boxed(), order.clone(), boxed()).prop_map(|(left, order, right)| Written::Compare {
                left,
                order,
                right
            }),
            (boxed(), boxed(), boxed(), any::<bool>())
                .prop_map(|(subject, low, high, outside)| { Written::Range { subject, low, high, outside } }),
            (boxed(), amount(), any::<bool>(), aggregate(), amount(), lag.clone()).prop_map(
                |(subject, by, above, what, over, lag)| Written::Baseline {
                    subject,
                    by,
                    above,
                    what,
                    over,
                    lag
                }
            ),
            (boxed(), any::<bool>(), amount(), amount())
                .prop_map(|(subject, rises, rate, over)| { Written::Moves { subject, rises, rate, over } }),
            (boxed(), word()).prop_map(|(subject, word)| Written::Is { subject, word }),
            (
                proptest::sample::select(&[Lapse::Silent, Lapse::Frozen, Lapse::NotGood][..]),
                boxed(),
                amount()
            )
                .prop_map(|(lapse, subject, length)| Written::Lapse { lapse, subject, length }),
            (boxed(), any::<bool>()).prop_map(|(subject, on)| Written::Commanded {
                subject,
                word: At::new(if on { "on" } else { "off" }.to_owned(), 0..0)
            }),
            boxed().prop_map(Written::Photoperiod),
            (boxed(), boxed()).prop_map(|(left, right)| Written::Sum(left, right)),
            (boxed(), boxed()).prop_map(|(left, right)| Written::Difference(left, right)),
            (boxed(), boxed()).prop_map(|(left, right)| Written::Ratio(left, right)),
            (aggregate(), boxed(), amount(), lag).prop_map(|(what, of, over, lag)| Written::Aggregate {
                what,
                of,
                over,
                lag
            }),
        ]
    })
}

proptest! {
    #[test]
    fn printing_a_condition_and_reading_it_again_gives_the_same(written in written()) {
        let text = written.to_string();
        prop_assume!(text.len() <= slackwater_rules::condition::LONGEST);
        let read = Written::parse(&text).map_err(|finding| TestCaseError::fail(format!("{text}: {}", finding.title)))?;
        prop_assert_eq!(read.it, written, "{}", text);
    }

    #[test]
    fn any_text_is_read_or_refused_at_a_place_inside_it(text in "[a-z0-9 ()<>=.,:%/≤°+-]{0,60}|\\PC{0,60}") {
        if let Err(finding) = Written::parse(&text) {
            prop_assert!(finding.span.start <= finding.span.end && finding.span.end <= text.len());
            prop_assert!(text.is_char_boundary(finding.span.start) && text.is_char_boundary(finding.span.end));
        }
    }
}

#[test]
fn every_example_of_the_reference_is_read_as_it_stands() {
    let reference = include_str!("../../../deploy/manual/conditions.md");
    let forms = reference.split("## Quantities").next().unwrap_or_default();
    let rules = HALYARD
        .replace(
            "[sensor.drain-valve]",
            "[sensor.spare-power]\ntopic = \"s\"\nmeasures = \"power\"\nunit = \"W\"\nevery = \"30 s\"\n\n[sensor.drain-valve]",
        )
        .replace("[sensor.lagoon-temp]", &format!("{}\n[sensor.lagoon-temp]", crate::forecasts::GEAR));
    let plan = check(&rules).plan.expect("the sample is right");
    let mut examples = 0;
    for line in forms.lines().filter(|line| line.starts_with("| ") && line.contains("` |")) {
        let example = line.rsplit("| `").next().and_then(|rest| rest.strip_suffix("` |")).expect(line);
        let parsed = Condition::parse(example, &plan.scope());
        assert!(parsed.is_ok(), "{example}: {parsed:#?}");
        examples += 1;
    }
    assert!(examples > 35, "{examples} examples");
}

#[test]
fn the_memory_of_a_condition_is_known_beforehand() {
    let plan = plan();
    assert_eq!(condition(&plan, "lagoon-temp < 24 degC and mains is silent for 5 min").bytes(), 0);
    let day = condition(&plan, "mean of lagoon-temp over 1 d > 27 degC").bytes();
    let fortnight = condition(&plan, "swing of lagoon-temp over 14 d > 4 K").bytes();
    assert_eq!(day, fortnight, "a longer window has longer parts, not more of them");
    assert!((15_000..16_000).contains(&day), "{day} bytes");
    let lagged = condition(&plan, "return-flow is 30 % below its median over 14 d, lagged 1 week").bytes();
    assert!(lagged < day + day * 6 / 10, "half a window's lag adds half its parts: {lagged} bytes");
    assert!(condition(&plan, "mains has been off for 3 d").bytes() < 512);
}

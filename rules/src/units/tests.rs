use super::*;

fn base(text: &str, wanted: Dimension) -> f64 {
    Quantity::parse(text).unwrap().base(wanted).unwrap()
}

#[track_caller]
fn assert_close(found: f64, wanted: f64) {
    assert!((found - wanted).abs() <= 1e-12 * wanted.abs().max(1.0), "{found} is not {wanted}");
}

/// NIST SP 811 (2008), appendix B.8, from memory.
#[test]
fn factors_are_those_of_nist_sp_811() {
    let table = [
        ("1 US gal", Dimension::VOLUME, 3.785_411_784e-3),
        ("1 imp gal", Dimension::VOLUME, 4.546_09e-3),
        ("1 in", Dimension::LENGTH, 2.54e-2),
        ("1 ft", Dimension::LENGTH, 3.048e-1),
        ("1 L", Dimension::VOLUME, 1e-3),
        ("1 kWh", Dimension::ENERGY, 3.6e6),
        ("1 Wh", Dimension::ENERGY, 3.6e3),
        ("1 Ah", Dimension::CHARGE, 3.6e3),
        ("1 d", Dimension::TIME, 8.64e4),
        ("1 inHg", Dimension::PRESSURE, 3.386_389e3),
        ("1 mmHg", Dimension::PRESSURE, 1.333_224e2),
        ("32 degF", Dimension::TEMPERATURE, 0.0),
        ("1.8 degF", Dimension::DIFFERENCE, 1.0),
        ("1 bar", Dimension::PRESSURE, 1e5),
        ("1013.25 mbar", Dimension::PRESSURE, 101_325.0),
        ("7000 mAh", Dimension::CHARGE, 7.0 * 3_600.0),
        ("35 PSU", Dimension::SALINITY, 35.0),
    ];
    for (text, dimension, wanted) in table {
        assert_close(base(text, dimension), wanted);
    }
}

/// The rows of tests/data/unit_conversions.csv: exact decimals and seven-digit factors of NIST
/// SP 811 (2008), each compared with Pint 0.25.3 when the table was made; its head says how.
mod the_table {
    use super::*;

    const TABLE: &str = include_str!("../../tests/data/unit_conversions.csv");

    /// No keeper's quantity: each is named, so that a new row of the table can't slip by.
    const NOT_OFFERED: [&str; 5] = ["cubic foot", "cubic inch", "pound", "atmosphere", "Btu(IT) per hour"];

    fn rows(kind: &str) -> Vec<[&'static str; 6]> {
        TABLE
            .lines()
            .filter(|line| !line.starts_with('#'))
            .map(|line| line.split(',').collect::<Vec<_>>().try_into().expect("six columns"))
            .filter(|row: &[&str; 6]| row[0] == kind)
            .collect()
    }

    fn ours(name: &'static str) -> &'static str {
        match name {
            "US gallon" => "US gal",
            "imperial gallon" => "imp gal",
            "US gallon per hour" => "US gal/h",
            "US gallon per minute" => "US gal/min",
            "inch" => "in",
            "foot" => "ft",
            "inch of mercury (conventional)" => "inHg",
            "mm of mercury (conventional)" => "mmHg",
            "watt hour" => "Wh",
            "degF difference" => "degF",
            other => other,
        }
    }

    fn agree(row: [&'static str; 6], difference: bool) {
        let [_, value_in, unit_in, value_out, unit_out, status] = row;
        let [value_in, value_out] = [value_in, value_out].map(|text| text.parse::<f64>().unwrap());
        let [from, to] = [unit_in, unit_out]
            .map(|name| Unit::named(ours(name)).unwrap_or_else(|| panic!("{name} is no unit")));
        assert_eq!(from.dimension.difference(), to.dimension.difference(), "{row:?}");
        let found = match difference {
            true => to.difference_from_base(from.difference_to_base(value_in)),
            false => to.from_base(from.to_base(value_in)),
        };
        let tolerance = if status == "exact" { 1e-11 } else { 1e-6 };
        assert!((found - value_out).abs() <= tolerance * value_out.abs().max(1.0), "{row:?}: {found}");
    }

    #[test]
    fn has_the_factors_that_we_use() {
        let (not_offered, offered): (Vec<_>, Vec<_>) =
            rows("factor").into_iter().partition(|row| NOT_OFFERED.contains(&row[2]));
        assert_eq!((offered.len(), not_offered.len()), (13, 5));
        for row in offered {
            agree(row, false);
        }
        for row in not_offered {
            assert_eq!(Unit::named(row[2]), None);
        }
    }

    #[test]
    fn has_the_temperatures_that_we_find() {
        let rows = rows("temperature");
        assert_eq!(rows.len(), 23);
        for row in rows {
            agree(row, false);
        }
    }

    #[test]
    fn has_the_temperature_differences_that_we_find() {
        let rows = rows("temperature difference");
        assert_eq!(rows.len(), 4);
        for row in rows {
            agree(row, true);
        }
    }

    #[test]
    fn has_the_turnovers_that_a_flow_per_volume_makes() {
        let rows = rows("turnover");
        assert_eq!(rows.len(), 8);
        for row in rows {
            let [_, written, _, wanted, unit, _] = row;
            assert_eq!(unit, "1/h");
            let (flow, volume) = written.split_once(" / ").unwrap();
            let flow = flow.replace("gph", "US gal/h").replace("gpm", "US gal/min");
            let volume = volume.replace("gal", "US gal");
            let per_second = base(&flow, Dimension::FLOW) / base(&volume, Dimension::VOLUME);
            assert_eq!(Dimension::FLOW.per(Dimension::VOLUME).words(), "a rate per time");
            let found = Unit::named("/h").unwrap().from_base(per_second);
            let wanted: f64 = wanted.parse().unwrap();
            assert!((found - wanted).abs() <= 1e-9 * wanted.max(1.0), "{row:?}: {found}");
        }
    }

    /// Exact by definition (NIST SP 811).
    #[test]
    fn a_turnover_is_a_flow_over_a_volume() {
        let base = |text: &str, dimension| {
            let text = text.replace("gph", "US gal/h").replace("gpm", "US gal/min");
            let text = if text.ends_with(" gal") { text.replace(" gal", " US gal") } else { text };
            Quantity::parse(&text).unwrap().base(dimension).unwrap()
        };
        let rows = rows("turnover");
        assert_eq!(rows.len(), 8);
        for [_, value_in, _, value_out, _, _] in rows {
            let (flow, volume) = value_in.split_once(" / ").unwrap();
            let flow = base(flow, Dimension::VOLUME.per(Dimension::TIME)) * 3_600.0;
            let turnover =
                crate::forecast::circulation::turnover(flow, base(volume, Dimension::VOLUME)).unwrap();
            assert!((turnover - value_out.parse::<f64>().unwrap()).abs() < 1e-9, "{value_in}");
        }
    }
}

#[test]
fn a_quantity_is_a_number_and_a_unit_with_or_without_a_blank() {
    for text in ["420 L", "420L", " 420  L ", "4.2e2 L", "+420 L", "0.42 m3"] {
        assert_close(base(text, Dimension::VOLUME), 0.42);
    }
    assert_close(base("-3.5 degC", Dimension::TEMPERATURE), -3.5);
    assert_close(base("10 %", Dimension::NUMBER), 0.1);
    assert_close(base("2", Dimension::NUMBER), 2.0);
    assert_close(base("2 degF", Dimension::DIFFERENCE), 2.0 / 1.8);
    assert_close(base("1.8 degF/h", Dimension::DIFFERENCE.per(Dimension::TIME)), 1.0 / 3_600.0);
    assert_close(base("0.5 in/day", Dimension::LENGTH.per(Dimension::TIME)), 0.0127 / 86_400.0);
}

#[test]
fn a_text_that_is_no_quantity_says_why() {
    let why = |text| Quantity::parse(text).unwrap_err().to_string();
    for text in ["", " ", "L", "+", "-", ".", "degC 24", "1.2.3 L", "nan degC", "inf L", "−5 degC"] {
        assert_eq!(why(text), "it does not begin with a number", "{text}");
    }
    assert_eq!(why("1e400 L"), "the number is not finite");
    assert_eq!(why("20 gal"), "`gal` is not a unit");
    assert_eq!(why("20 L/gal"), "`L/gal` is not a unit");
    assert_eq!(why("1e L"), "`e L` is not a unit");
    assert_eq!(why("24,5 degC"), "`,5 degC` is not a unit");
}

#[test]
fn a_quantity_of_another_dimension_is_refused() {
    let why = |text: &str, wanted| Quantity::parse(text).unwrap().base(wanted).unwrap_err().to_string();
    assert_eq!(why("22 degC", Dimension::FLOW), "this is a temperature, but a flow is wanted here");
    assert_eq!(
        why("297.75 K", Dimension::TEMPERATURE),
        "this is a temperature difference, but a temperature is wanted here: \
         K is a difference here, a temperature is in degC or degF"
    );
    assert_eq!(
        why("35 ppt", Dimension::NUMBER),
        "this is a salinity, but a plain number or share is wanted here"
    );
    assert_eq!(why("8 pH", Dimension::SALINITY), "this is a pH, but a salinity is wanted here");
}

#[test]
fn a_duration_becomes_whole_milliseconds_and_never_wraps() {
    let span = |text| Quantity::parse(text).unwrap().span();
    assert_eq!(span("90 s"), Ok(Span::seconds(90)));
    assert_eq!(span("1.5 min"), Ok(Span::seconds(90)));
    assert_eq!(span("2 days"), Ok(Span::hours(48)));
    assert_eq!(span("1e300 week"), Ok(Span(i64::MAX)));
    assert!(span("90 L").is_err());
}

#[test]
fn each_unit_has_one_meaning_and_gives_back_what_it_took() {
    for (name, unit) in UNITS {
        assert_eq!(UNITS.iter().filter(|(other, _)| other == name).count(), 1, "{name}");
        // A hydrometer has no 25.
        let value = if unit.curve.is_some() && unit.factor > 1e3 { 1.02 } else { 25.0 };
        assert!((unit.from_base(unit.to_base(value)) - value).abs() < 1e-9, "{name}");
        assert_ne!(unit.dimension.words(), "a compound quantity", "{name}");
        assert_close(unit.difference_from_base(unit.difference_to_base(25.0)), 25.0);
    }
}

#[test]
fn the_nearest_unit_is_named_if_one_is_near() {
    let table = [
        ("°F", "degF"),
        ("C", "degC"),
        ("Celsius", "degC"),
        ("degc", "degC"),
        ("dgeC", "degC"),
        ("deg C", "degC"),
        ("kelvin", "K"),
        ("l/hour", "L/h"),
        ("LPH", "L/h"),
        ("inches/day", "in/day"),
        ("mins", "min"),
        ("watt", "W"),
        ("PPT", "ppt"),
        ("us gallon", "US gal"),
    ];
    for (written, meant) in table {
        assert_eq!(near_unit(written, &|_| true), Some(NearUnit::One(meant.to_owned())), "{written}");
        assert!(Unit::named(meant).is_some());
    }
    for far in ["", "parsec", "bananas", "furlong/fortnight", "x/y/z", "🐠"] {
        assert_eq!(near_unit(far, &|_| true), None, "{far}");
    }
}

#[test]
fn a_value_is_shown_in_the_keepers_unit_with_no_more_digits_than_a_person_needs() {
    let show =
        |name: &str, base: f64| Scale { unit: Unit::named(name).unwrap(), name: name.to_owned() }.show(base);
    assert_eq!(show("degC", 24.6), "24.6 degC");
    assert_eq!(show("degC", 24.6375), "24.6 degC");
    assert_eq!(show("degF", 25.5), "77.9 degF");
    assert_eq!(show("degC", -0.001), "-0.001 degC");
    assert_eq!(show("degC", -0.000_001), "0 degC");
    assert_eq!(show("degC", 25.0), "25 degC");
    assert_eq!(show("degC", 100.4), "100 degC");
    assert_eq!(show("L/h", 1_830.0 * 1e-3 / 3_600.0), "1830 L/h");
    assert_eq!(show("US gal", 0.420), "111 US gal");
    assert_eq!(show("A", 0.05), "0.05 A");
    assert_eq!(show("pH", 8.21), "8.21 pH");
    assert_eq!(show("", 3.0), "3");
    assert_eq!(show("%", 0.425), "42.5 %");
}

#[test]
fn a_difference_is_shown_without_the_zero_of_the_scale() {
    let fahrenheit = Scale { unit: Unit::named("degF").unwrap(), name: "degF".to_owned() };
    assert_eq!(fahrenheit.show_difference(1.0), "1.8 degF");
    assert_eq!(fahrenheit.show_difference(-0.5), "-0.9 degF");
    assert_eq!(fahrenheit.show(0.0), "32 degF");
}

#[test]
fn a_gallon_is_asked_about_and_never_guessed() {
    let asked = |name: &str, of: Dimension| {
        near_unit(name, &|dimension| dimension == of).map(|near| near.ask(|unit| format!("`{unit}`")))
    };
    let gallons = "(a US gallon is 3.785 L, an imperial one 4.546 L)";
    for name in ["gal", "Gallons", "GAL"] {
        let wanted = format!("which of them: `US gal` or `imp gal`? {gallons}");
        assert_eq!(asked(name, Dimension::VOLUME), Some(wanted), "{name}");
    }
    for name in ["gal/h", "gph", "gallons/hour", "GPH"] {
        let wanted = format!("which of them: `US gal/h` or `imp gal/h`? {gallons}");
        assert_eq!(asked(name, Dimension::FLOW), Some(wanted), "{name}");
    }
    let gravity = asked("SG", Dimension::SALINITY).expect("it is asked");
    assert!(gravity.contains("`SG@25C` or `SG@20C` or `SG@60F`"), "{gravity}");
    for name in ["gal", "gph", "SG"] {
        assert!(Unit::named(name).is_none(), "{name}");
        assert_eq!(near_unit(name, &|_| true).and_then(NearUnit::only), None, "{name}");
    }
}

#[test]
fn advice_never_names_a_unit_of_another_kind() {
    let names = UNITS.iter().map(|(name, _)| *name);
    let typed = ["m", "c", "f", "gal", "gph", "sg", "MS/cm", "degc", "galons", "hh", "Hpa", "kw", "PPMM"];
    for name in names.chain(typed) {
        for (_, of) in UNITS {
            match near_unit(name, &|dimension| dimension == of.dimension) {
                Some(NearUnit::One(near)) => {
                    assert_eq!(Unit::named(&near).map(|unit| unit.dimension), Some(of.dimension), "{name}");
                }
                Some(NearUnit::Which(all, _)) => {
                    assert!(all.len() > 1);
                    for near in all {
                        let found = Unit::named(&near).map(|unit| unit.dimension);
                        assert_eq!(found, Some(of.dimension), "{name}");
                    }
                }
                None => {}
            }
        }
    }
}

/// tests/data/sea_water_units.csv, made with gsw (TEOS-10) and molmass; its head says how.
#[test]
fn conductivity_gravity_and_alkalinity_are_those_of_independent_libraries() {
    const TABLE: &str = include_str!("../../tests/data/sea_water_units.csv");
    let mut seen = 0;
    for line in TABLE.lines().filter(|line| !line.starts_with(['#', 'k'])) {
        let [kind, amount, celsius, value, unit] = line.split(',').collect::<Vec<_>>().try_into().unwrap();
        let [amount, celsius, value]: [f64; 3] = [amount, celsius, value].map(|text| text.parse().unwrap());
        let near = |found: f64, wanted: f64, by: f64| {
            assert!((found - wanted).abs() <= by, "{line}: {found} for {wanted}");
        };
        match kind {
            "conductivity" => {
                near(salt::conductivity_of_salinity(amount, celsius), value, 1e-4);
                near(salt::salinity_of_conductivity(value, celsius), amount, 1e-4);
            }
            // EOS-80 and TEOS-10 differ by up to 0.006 kg/m³.
            "specific gravity" => {
                near(salt::gravity_of_salinity(amount, celsius), value, 1.5e-5);
                near(salt::salinity_of_gravity(value, celsius), amount, 0.02);
            }
            "alkalinity" => {
                let unit = if unit == "dKH" { unit } else { "ppm-CaCO3" };
                near(Unit::named(unit).unwrap().from_base(amount), value, 1e-4);
            }
            other => panic!("{other}"),
        }
        seen += 1;
    }
    assert_eq!(seen, 8 * 10 + 8 * 5 + 3 * 2);
}

#[test]
fn a_hydrometers_temperature_is_a_part_of_its_unit() {
    let salinity = |text: &str| base(text, Dimension::SALINITY);
    assert!((salinity("1.02637 SG@25C") - 35.0).abs() < 0.02);
    assert!((salinity("1.02661 sg@20c") - 35.0).abs() < 0.02);
    assert!((salinity("1.02486 SG@25C") - 33.0).abs() < 0.02);
    assert!((salinity("53.071 mS/cm@25C") - 35.0).abs() < 0.001);
    // A hundredth of a step of a hydrometer as a difference: 1.32 psu for 0.001 at 25 degC.
    let step = Quantity::parse("0.001 SG@25C").unwrap().unit.difference_to_base(0.001);
    assert!((step - (salinity("1.0269 SG@25C") - salinity("1.0259 SG@25C"))).abs() < 0.01, "{step}");
    let scale = Scale { unit: Unit::named("SG@25C").unwrap(), name: "SG@25C".to_owned() };
    assert_eq!(scale.show(35.0), "1.0264 SG@25C");
    assert_eq!(scale.show_difference(1.32), "0.001 SG@25C");
}

#[test]
fn alkalinity_is_the_same_in_each_of_its_units() {
    let alkalinity = |text: &str| base(text, Dimension::ALKALINITY);
    for text in ["2.5 meq/L", "7.00968 dKH", "7.00968 DKH", "125.1087 ppm-CaCO3"] {
        assert!((alkalinity(text) - 2.5).abs() < 1e-4, "{text}");
    }
    for text in ["30 PSI", "7 MAH", "35 PPT", "5 PPM", "1.2 BAR"] {
        assert!(Quantity::parse(text).is_ok(), "{text}");
    }
}

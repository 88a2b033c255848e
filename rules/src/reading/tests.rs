use super::*;
use crate::time::{Span, Wall};
use crate::units::Unit;
use proptest::prelude::*;

const NOW: Now = Now { mono: Moment(1_000_000), wall: Wall(1_320_067_700_000), wall_trusted: true };

fn number(unit: &str) -> Content {
    Content::Number(Scale { unit: Unit::named(unit).unwrap(), name: unit.to_owned() })
}

fn presence() -> Content {
    let word = |name: &str, spellings: &[&str]| Word {
        name: name.to_owned(),
        spellings: spellings.iter().map(|&spelling| spelling.to_owned()).collect(),
    };
    Content::Words([word("on", &["on", "1", "true"]), word("off", &["off", "0", "false"])].into())
}

fn at(pointer: &str, content: Content) -> Mapping {
    Mapping::at(FieldPlace::Pointer(parse_pointer(pointer).unwrap()), content)
}

#[track_caller]
fn reads(mapping: &Mapping, payload: &str, wanted: f64) {
    match mapping.read(payload.as_bytes(), &NOW) {
        Ok(Reading { value: Value::Number(found), .. }) => {
            assert!((found - wanted).abs() <= 1e-9 * wanted.abs().max(1e-3), "{payload}: {found}");
        }
        other => panic!("{payload}: {other:?}"),
    }
}

#[track_caller]
fn word_of(mapping: &Mapping, payload: &str) -> u16 {
    match mapping.read(payload.as_bytes(), &NOW) {
        Ok(Reading { value: Value::Word(place), measured: None }) => place,
        other => panic!("{payload}: {other:?}"),
    }
}

fn refusal(mapping: &Mapping, payload: impl AsRef<[u8]>) -> String {
    match mapping.read(payload.as_ref(), &NOW) {
        Err(bad) => bad.to_string(),
        Ok(reading) => panic!("{reading:?}"),
    }
}

mod a_plain_number {
    use super::*;

    #[test]
    fn is_read_as_devices_write_it() {
        let celsius = Mapping::whole(number("degC"));
        for payload in [
            "24.6",
            " 24.6\r\n",
            "24,6",
            " 24,6 ",
            "+24.6",
            "2.46e1",
            "2,46e1",
            "24.6 degC",
            "24.6degC",
            "24.6 °C",
            "24.6 C",
            "24,6 °C",
        ] {
            reads(&celsius, payload, 24.6);
        }
        reads(&celsius, "1e2", 100.0);
        reads(&celsius, "-127", -127.0);
        reads(&celsius, ".5", 0.5);
        reads(&celsius, "-0,5", -0.5);
        reads(&celsius, "0,625", 0.625);
        reads(&celsius, "24,6250", 24.625);
        reads(&celsius, "12345,678", 12_345.678);
    }

    #[test]
    fn is_in_the_unit_it_names_or_else_in_the_declared_one() {
        reads(&Mapping::whole(number("degC")), "76.28 degF", 24.6);
        reads(&Mapping::whole(number("degF")), "76.28", 24.6);
        reads(&Mapping::whole(number("L/h")), "1800", 0.0005);
        reads(&Mapping::whole(number("L/h")), "30 l/min", 0.0005);
        reads(&Mapping::whole(number("K")), "1.8 degF", 1.0);
    }

    #[test]
    fn is_refused_where_two_readers_could_differ() {
        let celsius = Mapping::whole(number("degC"));
        let ambiguous =
            |text| format!("`{text}` may have a decimal comma or parted thousands: send a decimal point");
        for payload in ["1,234", "-24,625", "24,625 degC"] {
            assert_eq!(refusal(&celsius, payload), ambiguous(payload));
        }
        for payload in
            ["1,234.5", "1.234,5", "1,234,567", "24,", ",5", "1e2,5", "24, 6", "24.6 24.7", "1 830", "24.6 -"]
        {
            assert_eq!(refusal(&celsius, payload), format!("`{payload}` is not a number"));
        }
    }

    #[test]
    fn is_refused_if_it_is_none() {
        let celsius = Mapping::whole(number("degC"));
        for payload in ["+", "-", ".", "e5", "on", "--1", "+-1", "null", "{}", "\"24.6\"", "degC"] {
            let shown = payload;
            assert_eq!(refusal(&celsius, payload), format!("`{shown}` is not a number"));
        }
        for payload in ["nan", "NaN", "-nan", "inf", "-Inf", "+Infinity", "nan degC", "1e400", "-1e999 degF"]
        {
            assert_eq!(refusal(&celsius, payload), format!("`{payload}` is not a finite number"));
        }
    }

    #[test]
    fn too_large_in_base_units_is_refused() {
        let energy = Mapping::whole(number("kWh"));
        assert!(refusal(&energy, "1e305").ends_with("is not a finite number"));
    }

    #[test]
    fn in_a_wrong_unit_is_refused() {
        let celsius = Mapping::whole(number("degC"));
        assert_eq!(refusal(&celsius, "24.6 degX"), "`degX` is not a unit; perhaps `degC`");
        assert_eq!(refusal(&celsius, "24.6 L/h"), "`L/h` is a flow, but the sensor measures a temperature");
        assert_eq!(
            refusal(&celsius, "297.75 K"),
            "`K` is a temperature difference, but the sensor measures a temperature: \
             K is a difference here, a temperature is in degC or degF"
        );
    }
}

mod any_payload {
    use super::*;

    #[test]
    fn that_is_empty_too_long_or_no_text_is_refused() {
        let mapping = Mapping::whole(number("degC"));
        assert_eq!(refusal(&mapping, ""), "the value is empty");
        assert_eq!(refusal(&mapping, " \r\n\t"), "the value is empty");
        assert_eq!(refusal(&mapping, b"24\xff6"), "the payload is not UTF-8 text from byte 2 on");
        assert_eq!(
            refusal(&mapping, vec![b'1'; LONGEST + 1]),
            "the payload is 65537 bytes long, more than 65536"
        );
        assert!(refusal(&mapping, vec![b'1'; LONGEST]).ends_with("is not a finite number"));
    }

    #[test]
    fn is_quoted_short_and_escaped() {
        let mapping = Mapping::whole(number("degC"));
        assert_eq!(refusal(&mapping, "\u{1b}[2J\u{202e}\0"), r"`\u{1b}[2J\u{202e}\0` is not a number");
        let long = refusal(&mapping, "x".repeat(5_000));
        assert_eq!(long, format!("`{}…` is not a number", "x".repeat(40)));
    }

    fn any_mapping() -> impl Strategy<Value = Mapping> {
        let content = prop_oneof![
            Just(number("degC")),
            Just(number("degF")),
            Just(number("kWh")),
            Just(number("K")),
            Just(presence())
        ];
        (content, 0..5u8).prop_map(|(content, kind)| match kind {
            0 => Mapping::whole(content),
            1 => at("", content),
            2 => at("/a/0", content),
            3 => Mapping::senml("a".to_owned(), content),
            _ => Mapping::senml(String::new(), content),
        })
    }

    /// Bytes, text, texts close to numbers, and JSON close to what the mappings look for.
    fn any_payload() -> impl Strategy<Value = Vec<u8>> {
        let json = prop_oneof![
            Just("null".to_owned()),
            any::<f64>().prop_map(|number| format!("{number:e}")),
            any::<i64>().prop_map(|number| number.to_string()),
            "\"[0-9,.eE+a-z °%-]{0,12}\"",
            Just("true".to_owned()),
            Just("1e308".to_owned()),
        ];
        let field = prop_oneof![
            Just("a"),
            Just("n"),
            Just("v"),
            Just("vs"),
            Just("vb"),
            Just("t"),
            Just("u"),
            Just("bn"),
            Just("bt"),
            Just("bv"),
            Just("bu"),
            Just("bver"),
            Just("x_"),
        ];
        let object = prop::collection::vec((field, json.clone()), 0..6).prop_map(|fields| {
            let fields: Vec<String> =
                fields.into_iter().map(|(field, json)| format!("\"{field}\":{json}")).collect();
            format!("{{{}}}", fields.join(","))
        });
        let pack = prop::collection::vec(object.clone(), 0..4).prop_map(|all| format!("[{}]", all.join(",")));
        prop_oneof![
            prop::collection::vec(any::<u8>(), 0..64),
            any::<String>().prop_map(String::into_bytes),
            "[0-9,.eE+ degCFnainf°%/-]{0,16}".prop_map(String::into_bytes),
            json.prop_map(String::into_bytes),
            object.prop_map(String::into_bytes),
            pack.prop_map(String::into_bytes),
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, cases: 2_000, ..ProptestConfig::default() })]

        #[test]
        fn never_panics_never_gives_a_number_without_end_and_never_a_long_text(
            mapping in any_mapping(),
            payload in any_payload(),
            wall in any::<i64>(),
            mono in any::<i64>(),
            wall_trusted in any::<bool>(),
        ) {
            let now = Now { mono: Moment(mono), wall: Wall(wall), wall_trusted };
            match mapping.read(&payload, &now) {
                Ok(Reading { value: Value::Number(number), measured }) => {
                    prop_assert!(number.is_finite());
                    prop_assert!(measured.is_none_or(|measured| measured <= now.mono));
                }
                Ok(Reading { value: Value::Word(place), .. }) => prop_assert!(place < 2),
                Err(bad) => {
                    let text = bad.to_string();
                    prop_assert!(text.chars().count() < 220, "{text}");
                    prop_assert!(!text.chars().any(char::is_control), "{text}");
                }
            }
        }
    }
}

mod words {
    use super::*;

    #[test]
    fn are_known_by_their_spellings_whatever_the_capitals_and_blanks() {
        let mapping = Mapping::whole(presence());
        for payload in ["on", "ON", " On\n", "1", "TRUE"] {
            assert_eq!(word_of(&mapping, payload), 0, "{payload}");
        }
        for payload in ["off", "0", "False"] {
            assert_eq!(word_of(&mapping, payload), 1, "{payload}");
        }
    }

    #[test]
    fn may_come_as_json_values() {
        let mapping = at("/state", presence());
        for payload in [r#"{"state":"On"}"#, r#"{"state":true}"#, r#"{"state":1}"#, r#"{"state":1.0}"#] {
            assert_eq!(word_of(&mapping, payload), 0, "{payload}");
        }
        assert_eq!(word_of(&mapping, r#"{"state":false}"#), 1);
    }

    #[test]
    fn that_were_not_declared_are_no_off() {
        let mapping = Mapping::whole(presence());
        for payload in ["onn", "maybe", "2", "-"] {
            assert_eq!(
                refusal(&mapping, payload),
                format!("`{payload}` is none of the words on, 1, true, off, 0, false")
            );
        }
        assert_eq!(refusal(&mapping, " Offline "), "its sender says `Offline`");
        assert_eq!(
            refusal(&at("/state", presence()), r#"{"state":2}"#),
            "`2` is none of the words on, 1, true, off, 0, false"
        );
    }
}

mod a_pointer {
    use super::*;

    /// RFC 6901, section 5: its document, and its pointers with what they evaluate to, as JSON.
    #[test]
    fn finds_what_rfc_6901_says() {
        let document = r#"{
            "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4,
            "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8
        }"#;
        let document: Json = serde_json::from_str(document).unwrap();
        let pointers = [
            (r#""""#, document.to_string()),
            (r#""/foo""#, r#"["bar","baz"]"#.to_owned()),
            (r#""/foo/0""#, r#""bar""#.to_owned()),
            (r#""/""#, "0".to_owned()),
            (r#""/a~1b""#, "1".to_owned()),
            (r#""/c%d""#, "2".to_owned()),
            (r#""/e^f""#, "3".to_owned()),
            (r#""/g|h""#, "4".to_owned()),
            (r#""/i\\j""#, "5".to_owned()),
            (r#""/k\"l""#, "6".to_owned()),
            (r#""/ ""#, "7".to_owned()),
            (r#""/m~0n""#, "8".to_owned()),
        ];
        for (pointer, wanted) in pointers {
            let pointer: String = serde_json::from_str(pointer).unwrap();
            let tokens = parse_pointer(&pointer).unwrap();
            let found = pointer::resolve(&document, &tokens).map(Json::to_string);
            assert_eq!(found, Some(wanted), "{pointer}");
        }
    }

    /// RFC 6901, sections 3 and 4.
    #[test]
    fn is_parsed_by_the_rules() {
        assert_eq!(
            parse_pointer("/~01/a~1b/~0~1"),
            Ok(vec!["~1".to_owned(), "a/b".to_owned(), "~/".to_owned()])
        );
        assert_eq!(parse_pointer("//"), Ok(vec![String::new(), String::new()]));
        assert_eq!(parse_pointer("flow"), Err(PointerError::NoSlash("flow".to_owned())));
        assert_eq!(parse_pointer("/a/~"), Err(PointerError::BadEscape { at: 3 }));
        assert_eq!(parse_pointer("/a~2b"), Err(PointerError::BadEscape { at: 2 }));
        assert_eq!(
            parse_pointer("flow").unwrap_err().to_string(),
            "a JSON Pointer begins with `/`: `flow` does not"
        );
    }

    #[test]
    fn into_an_array_is_a_plain_index() {
        let payload = r#"{"t":[24.5,25.5]}"#;
        reads(&at("/t/1", number("degC")), payload, 25.5);
        for missing in
            ["/t/2", "/t/-", "/t/01", "/t/-1", "/t/+1", "/t/", "/t/1 ", "/t/99999999999999999999", "/t/0/x"]
        {
            assert_eq!(
                refusal(&at(missing, number("degC")), payload),
                format!("the document has nothing at `{missing}`")
            );
        }
    }

    #[test]
    fn leads_to_a_number_or_a_text_that_holds_one() {
        let mapping = at("/flow/rate", number("L/h"));
        reads(&mapping, r#"{"flow":{"rate":1800}}"#, 0.0005);
        reads(&mapping, r#"{"flow":{"rate":1.8e3,"unit":"L/h"}}"#, 0.0005);
        reads(&mapping, r#"{"flow":{"rate":"1800,0"}}"#, 0.0005);
        reads(&mapping, r#"{"flow":{"rate":"30 L/min"}}"#, 0.0005);
        reads(&at("", number("degC")), "24.6", 24.6);
        reads(&at("", number("degC")), "\"24.6\"", 24.6);
    }

    #[test]
    fn to_what_is_no_single_value_is_refused() {
        let mapping = at("/a~1b", number("degC"));
        let refused = |json: &str| refusal(&mapping, format!("{{\"a/b\":{json}}}"));
        assert_eq!(refused("null"), "at `/a~1b` stands null, not a single value");
        assert_eq!(refused("[1]"), "at `/a~1b` stands an array, not a single value");
        assert_eq!(refused("{}"), "at `/a~1b` stands an object, not a single value");
        assert_eq!(refused("true"), "`true` is not a number");
        assert_eq!(refused("\"\""), "the value is empty");
        assert_eq!(refused("\"nan\""), "`nan` is not a finite number");
        assert!(refused("NaN").starts_with("the payload is not JSON: "));
        assert!(refused("1e999").starts_with("the payload is not JSON: "));
    }

    #[test]
    fn into_a_document_of_endless_depth_is_refused() {
        let deep = "[".repeat(60_000);
        assert!(refusal(&at("/0", number("degC")), deep).starts_with("the payload is not JSON: recursion"));
    }
}

/// The packs are those of RFC 8428, section 5.1, taken from a published transcription of them.
mod senml_of_the_rfc {
    use super::*;

    fn named(name: &str, unit: &str) -> Mapping {
        Mapping::senml(name.to_owned(), number(unit))
    }

    /// Wall time of the pack's time, `after` seconds later.
    fn now(time: f64, after: f64) -> Now {
        Now {
            mono: Moment(5_000_000),
            wall: Wall(((time + after) * 1_000.0).round() as i64),
            wall_trusted: true,
        }
    }

    #[track_caller]
    fn gives(mapping: &Mapping, pack: &str, now: &Now, wanted: f64, seconds_ago: Option<f64>) {
        let reading = mapping.read(pack.as_bytes(), now).unwrap();
        let Value::Number(found) = reading.value else { panic!("{reading:?}") };
        assert!((found - wanted).abs() < 1e-9, "{found}");
        assert_eq!(reading.measured, seconds_ago.map(|ago| now.mono - Span((ago * 1_000.0) as i64)));
    }

    #[test]
    fn single_datapoint() {
        let pack = r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#;
        gives(&named("urn:dev:ow:10e2073a01080063", "degF"), pack, &NOW, 23.1, None);
    }

    #[test]
    fn multiple_datapoints_now() {
        let pack = r#"[
            {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
            {"n":"current","u":"A","v":1.2}
        ]"#;
        gives(&named("urn:dev:ow:10e2073a01080063:voltage", "V"), pack, &NOW, 120.1, None);
        gives(&named("urn:dev:ow:10e2073a01080063:current", "mA"), pack, &NOW, 1.2, None);
    }

    #[test]
    fn multiple_datapoints_with_a_base_time() {
        let pack = r#"[
            {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
             "n":"voltage","u":"V","v":120.1},
            {"n":"current","t":-5,"v":1.2},
            {"n":"current","t":-4,"v":1.3},
            {"n":"current","t":-3,"v":1.4},
            {"n":"current","t":-2,"v":1.5},
            {"n":"current","t":-1,"v":1.6},
            {"n":"current","v":1.7}
        ]"#;
        let current = named("urn:dev:ow:10e2073a0108006:current", "A");
        let later = now(1.276020076001e9, 10.0);
        gives(&current, pack, &later, 1.7, Some(10.0));
        gives(&named("urn:dev:ow:10e2073a0108006:voltage", "V"), pack, &later, 120.1, Some(10.0));
        // Under a clock that may be wrong, an absolute time says nothing.
        gives(&current, pack, &Now { wall_trusted: false, ..later }, 1.7, None);
    }

    #[test]
    fn multiple_measurements_of_one_name_told_apart_by_unit() {
        let pack = r#"[
            {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
            {"u":"lon","v":24.30621},
            {"u":"lat","v":60.07965},
            {"t":60,"v":20.3},
            {"u":"lon","t":60,"v":24.30622},
            {"u":"lat","t":60,"v":60.07965},
            {"t":120,"v":20.7},
            {"u":"lon","t":120,"v":24.30623},
            {"u":"lat","t":120,"v":60.07966},
            {"u":"%EL","t":150,"v":98},
            {"t":180,"v":21.2},
            {"u":"lon","t":180,"v":24.30628},
            {"u":"lat","t":180,"v":60.07967}
        ]"#;
        let humidity = named("urn:dev:ow:10e2073a01080063", "%");
        gives(&humidity, pack, &now(1.320067464e9, 200.0), 0.212, Some(20.0));
        // The last two minutes of the pack still lie ahead: nobody has measured them.
        gives(&humidity, pack, &now(1.320067464e9, 60.0), 0.212, None);
        let temperature = named("urn:dev:ow:10e2073a01080063", "degC");
        assert_eq!(
            refusal(&temperature, pack),
            "`lat` is not a unit; perhaps `L`".replace("; perhaps `L`", "")
        );
    }

    #[test]
    fn multiple_data_types() {
        let pack = r#"[
            {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
            {"n":"label","vs":"Machine Room"},
            {"n":"open","vb":false},
            {"n":"nfc-reader","vd":"aGkgCg"}
        ]"#;
        gives(&named("urn:dev:ow:10e2073a01080063:temp", "degC"), pack, &NOW, 23.1, None);
        let open = Mapping::senml("urn:dev:ow:10e2073a01080063:open".to_owned(), presence());
        assert_eq!(word_of(&open, pack), 1);
        let label = Mapping::senml("urn:dev:ow:10e2073a01080063:label".to_owned(), presence());
        assert!(refusal(&label, pack).starts_with("`Machine Room` is none of the words"));
        let data = named("urn:dev:ow:10e2073a01080063:nfc-reader", "degC");
        assert_eq!(refusal(&data, pack), "SenML: record 3 has no single value");
    }

    #[test]
    fn collection_of_resources() {
        let pack = r#"[
            {"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
            {"n":"humidity","u":"%RH","v":30},
            {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
            {"n":"humidity","u":"%RH","v":67}
        ]"#;
        let now = now(1.320078429e9, 3.0);
        gives(&named("2001:db8::2/temperature", "degC"), pack, &now, 25.2, Some(3.0));
        gives(&named("2001:db8::2/humidity", "%"), pack, &now, 0.30, Some(3.0));
        gives(&named("2001:db8::1/temperature", "degC"), pack, &now, 12.3, Some(3.0));
        gives(&named("2001:db8::1/humidity", "%"), pack, &now, 0.67, Some(3.0));
    }

    #[test]
    fn setting_an_actuator() {
        let pack = r#"[
            {"bn":"urn:dev:ow:10e2073a01080063:"},
            {"n":"temp","u":"Cel","v":23.1},
            {"n":"heat","u":"/","v":1},
            {"n":"fan","u":"/","v":0}
        ]"#;
        gives(&named("urn:dev:ow:10e2073a01080063:temp", "degC"), pack, &NOW, 23.1, None);
        let word = |name: &str| Mapping::senml(format!("urn:dev:ow:10e2073a01080063:{name}"), presence());
        assert_eq!((word_of(&word("heat"), pack), word_of(&word("fan"), pack)), (0, 1));
    }
}

/// The rules of RFC 8428, section 4, from memory.
mod senml {
    use super::*;

    fn temperature() -> Mapping {
        Mapping::senml("dev:t".to_owned(), number("degC"))
    }

    fn measured(pack: &str) -> Option<Moment> {
        temperature().read(pack.as_bytes(), &NOW).unwrap().measured
    }

    #[test]
    fn kelvin_is_a_temperature_in_a_pack_and_a_difference_for_a_difference() {
        reads(&temperature(), r#"[{"n":"dev:t","u":"K","v":297.75}]"#, 24.6);
        let difference = Mapping::senml("dev:t".to_owned(), number("K"));
        reads(&difference, r#"[{"n":"dev:t","u":"K","v":1.5}]"#, 1.5);
        reads(&difference, r#"[{"n":"dev:t","u":"Cel","v":1.5}]"#, 1.5);
    }

    #[test]
    fn the_base_value_is_added_and_stands_alone_where_there_is_no_other() {
        reads(&temperature(), r#"[{"bn":"dev:","bv":20,"n":"t","v":4.6}]"#, 24.6);
        reads(&temperature(), r#"[{"bn":"dev:","bv":24.6,"n":"t"}]"#, 24.6);
        reads(&temperature(), r#"[{"bn":"x:","bv":20},{"bn":"dev:t"},{"v":4.6}]"#, 24.6);
    }

    #[test]
    fn a_time_below_two_to_the_28th_is_relative_to_now() {
        let moment = |seconds_ago: i64| Some(NOW.mono - Span::seconds(seconds_ago));
        assert_eq!(measured(r#"[{"n":"dev:t","v":1,"t":-30}]"#), moment(30));
        assert_eq!(measured(r#"[{"n":"dev:t","v":1,"bt":-30,"t":-5}]"#), moment(35));
        assert_eq!(measured(r#"[{"n":"dev:t","v":1,"t":0}]"#), None);
        assert_eq!(measured(r#"[{"n":"dev:t","v":1,"t":30}]"#), None);
        assert_eq!(measured(r#"[{"n":"dev:t","v":1,"t":268435455}]"#), None);
        assert_eq!(measured(r#"[{"n":"dev:t","v":1,"t":268435456}]"#), moment(1_320_067_700 - 268_435_456));
        assert_eq!(measured(r#"[{"n":"dev:t","v":1,"t":-1e300}]"#), Some(NOW.mono + Span(i64::MIN)));
        assert_eq!(measured(r#"[{"n":"dev:t","v":1,"t":1e300}]"#), None);
    }

    #[test]
    fn the_latest_record_counts_and_of_equals_the_last() {
        let pack = r#"[{"n":"dev:t","v":1,"t":-9},{"n":"dev:t","v":2,"t":-1},{"n":"dev:t","v":3,"t":-5}]"#;
        reads(&temperature(), pack, 2.0);
        reads(&temperature(), r#"[{"n":"dev:t","v":1},{"n":"dev:t","v":2}]"#, 2.0);
    }

    #[test]
    fn fields_that_must_be_understood_refuse_the_pack_and_others_do_not() {
        reads(&temperature(), r#"[{"n":"dev:t","v":1,"ut":60,"s":7,"new":{}}]"#, 1.0);
        assert_eq!(
            refusal(&temperature(), r#"[{"n":"dev:t","v":1},{"n":"x","v":1,"odd_":1}]"#),
            "SenML: record 1 has `odd_`, which must be understood and isn't"
        );
        reads(&temperature(), r#"[{"bver":10,"n":"dev:t","v":1}]"#, 1.0);
        assert_eq!(
            refusal(&temperature(), r#"[{"bver":11,"n":"dev:t","v":1}]"#),
            "SenML: version 11 is later than 10"
        );
    }

    #[test]
    fn what_is_no_pack_says_why() {
        let why = |pack| refusal(&temperature(), pack);
        assert_eq!(why(r#"{"n":"dev:t","v":1}"#), "SenML: a pack is an array of objects");
        assert_eq!(why("[1]"), "SenML: a pack is an array of objects");
        assert_eq!(why("[]"), "SenML: no record is named `dev:t`");
        assert_eq!(why(r#"[{"n":"dev:tt","v":1}]"#), "SenML: no record is named `dev:t`");
        assert_eq!(why(r#"[{"n":"dev:t"}]"#), "SenML: record 0 has no single value");
        assert_eq!(why(r#"[{"n":"dev:t","s":3}]"#), "SenML: record 0 has no single value");
        assert_eq!(why(r#"[{"n":"dev:t","v":1,"vb":true}]"#), "SenML: record 0 has no single value");
        assert_eq!(why(r#"[{"n":"dev:t","v":"1"}]"#), "SenML: `v` of record 0 is not a number");
        assert_eq!(why(r#"[{"bn":1}]"#), "SenML: `bn` of record 0 is not a text");
        assert_eq!(why(r#"[{"n":"dev:t","vb":1}]"#), "SenML: `vb` of record 0 is not true or false");
        assert_eq!(
            why(r#"[{"n":"dev:t","u":"W","v":1}]"#),
            "`W` is a power, but the sensor measures a temperature"
        );
        assert_eq!(why(r#"[{"n":"dev:t","bv":1e308,"v":1e308}]"#), "`inf` is not a finite number");
    }
}

/// Payloads of devices that nobody here wrote, one row for each shape.
mod a_value_among_others {
    use super::*;

    fn parts(value: FieldPlace, unit: Option<FieldPlace>, time: Option<FieldPlace>) -> Mapping {
        let placed = PlacedValue { value, unit, time, line: Linear::AS_SENT };
        Mapping { found: ValuePlace::At(Arc::new(placed)), content: number("degC") }
    }

    fn pointer(text: &str) -> FieldPlace {
        FieldPlace::Pointer(parse_pointer(text).unwrap())
    }

    fn field(name: &str) -> FieldPlace {
        FieldPlace::Field(name.to_owned())
    }

    #[test]
    fn is_found_in_columns_however_they_are_parted() {
        let third = Mapping::at(FieldPlace::Column(3), number("degC"));
        for payload in [
            "1700000000,lagoon,25.4",
            "1700000000;lagoon;25,4",
            "a\tb\t25.4\tc",
            "a b 25.4",
            "\"a\", \"b\", \"25.4\"",
        ] {
            reads(&third, payload, 25.4);
        }
        assert_eq!(refusal(&third, "25.4"), "there is no column 3: the payload has 1");
        assert_eq!(refusal(&third, "1;2"), "there is no column 3: the payload has 2");
    }

    #[test]
    fn is_found_among_named_values() {
        let temp = Mapping::at(field("temp"), number("degC"));
        for payload in [
            "temp=25.4",
            "hum=60 temp=25.4",
            "hum=60,temp=25.4",
            "hum: 60; temp: 25,4",
            "hum=60&temp=25.4&x=",
            "hum=60\ntemp=25.4\n",
        ] {
            reads(&temp, payload, 25.4);
        }
        assert_eq!(refusal(&temp, "hum=60"), "the payload has no field `temp`");
        // A decimal comma would read as 25.
        assert_eq!(
            refusal(&temp, "temp=25,4,hum=60"),
            "`4` stands among named values without a name; has a number a decimal comma?"
        );
    }

    #[test]
    fn is_found_in_the_object_of_a_list_that_has_its_name() {
        let member = |is: &str| {
            let (key, is, value) = ("id".to_owned(), is.to_owned(), "c".to_owned());
            let list = vec!["probes".to_owned()];
            Mapping::at(FieldPlace::Member { list, key, is, value }, number("degC"))
        };
        let payload =
            r#"{"probes": [{"id": "p1", "c": 20}, {"id": "p2", "c": 25.4}, {"id": 3, "c": 30}, 7]}"#;
        reads(&member("p2"), payload, 25.4);
        reads(&member("3"), payload, 30.0);
        assert_eq!(refusal(&member("p4"), payload), "no object of the list has `id` `p4`");
        assert_eq!(
            refusal(&member("p1"), r#"{"probes": [{"id": "p1"}]}"#),
            "the document has nothing at `/probes/c`"
        );
    }

    #[test]
    fn has_the_unit_that_stands_beside_it() {
        let mapping = parts(pointer("/t"), Some(pointer("/u")), None);
        reads(&mapping, r#"{"t": 78.1, "u": "°F"}"#, (78.1 - 32.0) / 1.8);
        reads(&mapping, r#"{"t": 25.4, "u": "C"}"#, 25.4);
        assert_eq!(refusal(&mapping, r#"{"t": 78.1}"#), "the document has nothing at `/u`");
        assert!(refusal(&mapping, r#"{"t": 78.1, "u": "Fahr"}"#).starts_with("`Fahr` is not a unit"));
        assert!(refusal(&mapping, r#"{"t": 78.1, "u": "L/h"}"#).contains("the sensor measures"));
        reads(
            &parts(FieldPlace::Column(1), Some(FieldPlace::Column(2)), None),
            "78.1;degF",
            25.611_111_111_111_11,
        );
    }

    /// `NOW` is 2011-10-31T13:28:20Z.
    #[test]
    fn has_the_time_that_stands_beside_it_however_it_is_written() {
        let mapping = parts(pointer("/t"), None, Some(pointer("/at")));
        let measured = |at: &str| {
            let payload = format!(r#"{{"t": 25.4, "at": {at}}}"#);
            mapping.read(payload.as_bytes(), &NOW).map(|reading| reading.measured)
        };
        let two_minutes_ago = Some(Moment(NOW.mono.0 - 120_000));
        for at in [
            "\"2011-10-31T13:26:20Z\"",
            "\"2011-10-31T14:26:20+01:00\"",
            "1320067580",
            "1320067580000",
            "\"1320067580\"",
        ] {
            assert_eq!(measured(at), Ok(two_minutes_ago), "{at}");
        }
        assert!(
            measured("\"2010-10-31T13:26:20Z\"").is_ok_and(|at| at < two_minutes_ago),
            "old, and said so"
        );
        assert_eq!(measured("\"2012-01-01T00:00:00Z\""), Ok(None), "nobody has measured the future");
        for none in ["\"2011-10-31T13:26:20\"", "\"noon\"", "12345", "true", "-5"] {
            assert!(matches!(measured(none), Err(BadReading::NotATime(_))), "{none}");
        }
    }

    #[test]
    fn is_meant_otherwise_than_it_is_sent() {
        let tenths = |content: Content| Mapping {
            found: ValuePlace::At(Arc::new(PlacedValue {
                value: FieldPlace::Whole,
                unit: None,
                time: None,
                line: Linear { scale: 0.1, offset: -40.0 },
            })),
            content,
        };
        reads(&tenths(number("degC")), "654", 25.4);
        reads(&tenths(number("degF")), "1181", 25.611_111_111_111_11);
    }
}

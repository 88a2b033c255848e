//! Nothing that can stand in a file makes the check fail otherwise than with findings.

use crate::site::{HALYARD, check};
use proptest::prelude::*;
use slackwater_rules::condition::Written;
use slackwater_rules::plan::Severity;

/// Checks a text, and holds the outcome to its promises.
fn sound(text: &str) -> Result<(), TestCaseError> {
    let checked = check(text);
    let wrong = checked.findings.iter().any(|finding| finding.severity == Severity::Error);
    prop_assert_eq!(checked.plan.is_none(), wrong, "no plan without a mistake said: {}", checked.report);
    prop_assert_eq!(checked.report.is_empty(), checked.findings.is_empty());
    for finding in &checked.findings {
        prop_assert!(finding.span.start <= finding.span.end && finding.span.end <= text.len());
        prop_assert!(!finding.title.is_empty());
    }
    Ok(())
}

/// Pieces that mean something somewhere.
fn piece() -> impl Strategy<Value = String> {
    let known = [
        "\"",
        "'",
        "\"\"\"",
        "[",
        "]",
        "{",
        "}",
        "=",
        ",",
        ".",
        "#",
        "\n",
        "\r\n",
        "\\",
        "\\u0000",
        "-",
        "and",
        "or",
        "not ",
        "(",
        ")",
        "is",
        "on",
        " < ",
        "NaN",
        "inf",
        "1e999",
        "-1e-9",
        "99999999999999999999",
        "degC",
        "\u{feff}",
        "°",
        "日本",
        "[[alarm.x]]",
        "[sensor]",
        "card:",
        "sight-broker",
        "within",
        "2026-11-25",
        "22:00",
        "99:99",
        " over 1 h",
        "mean of ",
        "count of spells of ",
        ", lagged 1 week",
        " has been ",
        " then ",
        " is between ",
        " rises faster than ",
        "volume of ",
        " / ",
        "hazard = \"too-warm\"\n",
        "limit = \"28 degC\"\n",
        "{temperature}",
    ];
    prop_oneof![prop::sample::select(known.to_vec()).prop_map(str::to_owned), "\\PC{0,4}", "[ -~]{0,8}"]
}

/// The invented site, with more of the language in it.
fn sample() -> String {
    let more = r#"
[alarm.warm]
hazard      = "too-warm"
temperature = "lagoon-temp"
limit       = "27.5 degC"

[alarm.backup]
hazard           = "backup-heater-engaged"
tank             = "lagoon"
temperature      = "sump-temp"
primary-setpoint = "78 degF"
backup-setpoint  = "76 degF"

[alarm.odd]
when = """
  mean of lagoon-temp over 1 h is 2 K above its median over 1 d, lagged 1 week
  or (mains is off then return-flow < 200 L/h within 5 min)
  or within 10 min after drain-valve has been open for 2 min
  or time is between 22:00 and 07:30 and duty of heater-power > 20 W over 6 h > 90 %
"""
priority = "low"
"#;
    format!("{HALYARD}{more}")
}

/// Conditions put together from pieces of the language, some of which fit.
fn pieced() -> impl Strategy<Value = String> {
    let pieces = [
        "lagoon-temp",
        "sump-temp",
        "return-flow",
        "mains",
        "drain-valve",
        "heater-power",
        "air-pump",
        "lagoon",
        "22 degC",
        "1 K",
        "1 K/h",
        "200 L/h",
        "30 %",
        "5 min",
        "1 h",
        "14 d",
        "0",
        "2",
        "22:00",
        "07:30",
        "<",
        ">",
        "<=",
        "-",
        "+",
        "/",
        "(",
        ")",
        ",",
        "and",
        "or",
        "not",
        "but no",
        "is",
        "is not",
        "has been",
        "true",
        "on",
        "off",
        "open",
        "for",
        "over",
        "lagged",
        "within",
        "after",
        "then",
        "between",
        "outside",
        "to",
        "in its photoperiod",
        "commanded",
        "silent",
        "frozen",
        "rises faster than",
        "falls faster than",
        "below its",
        "above its",
        "mean",
        "median",
        "lowest",
        "highest",
        "swing",
        "slope",
        "total",
        "duty",
        "of",
        "count of changes of",
        "count of spells of",
        "longest spell of",
        "volume of",
        "time is",
        "day is",
        "weekend",
        "mean of lagoon-temp over 1 h",
        "mains is off",
    ];
    prop::collection::vec(prop::sample::select(pieces.to_vec()), 1..14).prop_map(|pieces| pieces.join(" "))
}

/// The sample with some stretches cut out and other pieces put in their place.
fn mutated() -> impl Strategy<Value = String> {
    let cut = (any::<prop::sample::Index>(), 0..12usize, piece());
    prop::collection::vec(cut, 1..6).prop_map(|cuts| {
        let mut text: Vec<char> = sample().chars().collect();
        for (at, length, piece) in cuts {
            let start = at.index(text.len().max(1)).min(text.len());
            let end = (start + length).min(text.len());
            text.splice(start..end, piece.chars());
        }
        text.into_iter().collect()
    })
}

/// The sample with one whole line moved, doubled or dropped.
fn shuffled() -> impl Strategy<Value = String> {
    (any::<prop::sample::Index>(), any::<prop::sample::Index>(), any::<bool>()).prop_map(
        |(from, to, keep)| {
            let sample = sample();
            let mut lines: Vec<&str> = sample.lines().collect();
            let line = lines[from.index(lines.len())];
            if !keep {
                lines.remove(from.index(lines.len()));
            }
            lines.insert(to.index(lines.len()), line);
            lines.join("\n")
        },
    )
}

proptest! {
    #[test]
    fn arbitrary_text_is_refused_and_never_a_crash(text in "\\PC{0,200}|[\\[\\]a-z.=\"'#\n -]{0,200}") {
        sound(&text)?;
    }

    #[test]
    fn a_damaged_rule_file_is_refused_and_never_a_crash(text in mutated()) {
        sound(&text)?;
    }

    #[test]
    fn a_shuffled_rule_file_is_refused_and_never_a_crash(text in shuffled()) {
        sound(&text)?;
    }

    #[test]
    fn any_text_as_a_condition_is_refused_and_never_a_crash(text in "[a-z0-9 ()<>=.%≤°+-]{0,40}") {
        sound(&HALYARD.replace("mains is off", &text))?;
    }

    #[test]
    fn pieces_of_the_language_in_any_order_are_refused_or_understood(text in pieced()) {
        sound(&HALYARD.replacen("mains is off", &text, 1))?;
        // What is understood prints as something that is understood alike.
        if let Ok(written) = Written::parse(&text) {
            let printed = written.it.to_string();
            let again = Written::parse(&printed).map_err(|why| TestCaseError::fail(format!("{printed}: {}", why.title)))?;
            prop_assert_eq!(again.it, written.it, "{}", printed);
        }
    }
}

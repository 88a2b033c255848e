//! Nothing that can stand in a file makes the check fail otherwise than with findings.

use crate::site::{HALYARD, check};
use proptest::prelude::*;
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
    ];
    prop_oneof![prop::sample::select(known.to_vec()).prop_map(str::to_owned), "\\PC{0,4}", "[ -~]{0,8}"]
}

/// The sample with some stretches cut out and other pieces put in their place.
fn mutated() -> impl Strategy<Value = String> {
    let cut = (any::<prop::sample::Index>(), 0..12usize, piece());
    prop::collection::vec(cut, 1..6).prop_map(|cuts| {
        let mut text: Vec<char> = HALYARD.chars().collect();
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
            let mut lines: Vec<&str> = HALYARD.lines().collect();
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
}

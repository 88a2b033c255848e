//! Text that came from outside, made harmless for the places it goes to: the log, the journal, a
//! terminal, a page. Servers, devices and people flow in; one line of bounded length flows out, in
//! which nothing hides: no control signs, none that turn the direction of reading, no secret.

pub(crate) use slackwater_rules::signs::{clip, is_deceptive, one_line};

use crate::secret::strike_out;

/// What somebody outside said, fit to be kept and shown: one line of at most `most` characters,
/// without any secret of ours.
pub(crate) fn tame(text: &str, most: usize) -> String {
    // Secrets first: what is cut through is not found any more.
    clip(&one_line(&strike_out(text)), most)
}

/// Lines for a person, at most so many and so long together; what is left out is told by `rest`.
pub(crate) fn beginning(text: &str, lines: usize, most: usize, rest: &str) -> String {
    let mut kept = String::new();
    for (count, line) in text.lines().enumerate() {
        let line = clip(line, most / 4);
        if count == lines || kept.chars().count() + line.chars().count() > most {
            let left = text.lines().count() - count;
            return format!("{kept}… and {left} more lines: {rest}");
        }
        kept += &line;
        kept.push('\n');
    }
    kept.truncate(kept.trim_end().len());
    kept
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::secret::Secret;

    #[test]
    fn a_line_break_or_a_turn_of_direction_cannot_survive_in_one_line() {
        assert_eq!(one_line("Halyard\r\nBcc: all@example.org\u{0}\u{85}x"), "Halyard Bcc: all@example.org x");
        assert_eq!(one_line("code \u{202e}3Q7K\u{2066}\u{2028}x"), "code 3Q7K x");
        assert_eq!(one_line("Хата, 家, עוגן"), "Хата, 家, עוגן", "people's own letters stay");
    }

    #[test]
    fn clipping_counts_characters_and_not_bytes() {
        assert_eq!(clip("äöü", 3), "äöü");
        assert_eq!(clip("äöüß", 3), "äöü…");
    }

    #[test]
    fn what_is_tamed_is_short_and_holds_no_secret() {
        let _secret = Secret::new("sandbank-42");
        let said = tame(&format!("535 sandbank-42\n{}", "x".repeat(100_000)), 20);
        assert_eq!(said, "535 (secret) xxxxxxx…");
    }

    #[test]
    fn of_many_lines_the_first_are_shown_and_the_rest_is_counted() {
        let text = (0..100).map(|n| format!("line {n}\n")).collect::<String>();
        assert_eq!(beginning(&text, 2, 1_000, "see there"), "line 0\nline 1\n… and 98 more lines: see there");
        assert_eq!(beginning("one\ntwo", 2, 1_000, "see there"), "one\ntwo");
        let wide = beginning(&"x".repeat(1_000_000), 10, 400, "see there");
        assert!(wide.chars().count() <= 400, "{}", wide.len());
    }
}

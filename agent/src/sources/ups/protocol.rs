//! Lines of the UPS management protocol, RFC 9271: words with spaces between, those with spaces
//! of their own in quotes; lists between a first and a last line; refusals that begin with `ERR`.
//! Whatever a server sends is either understood here or a text that says why not.

use std::collections::BTreeMap;

/// What a UPS says of itself, by name.
pub(super) type Variables = BTreeMap<String, String>;

/// Why a server gives no answer: the error responses of RFC 9271.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum UpsRefusal {
    /// It hears its driver, but the driver not the UPS.
    DataStale,
    /// It does not hear the driver.
    DriverNotConnected,
    /// It has no UPS of this name.
    UnknownUps,
    /// Of the login: not with this user, this password, or from this machine.
    AccessDenied,
    /// Another reason, in its own symbol.
    Other(String),
}

impl UpsRefusal {
    /// What a server's line says, if it refuses.
    pub(super) fn read(line: &str) -> Option<Self> {
        let reason = line.strip_prefix("ERR ")?.split_whitespace().next().unwrap_or_default();
        Some(match reason {
            "DATA-STALE" => Self::DataStale,
            "DRIVER-NOT-CONNECTED" => Self::DriverNotConnected,
            "UNKNOWN-UPS" => Self::UnknownUps,
            "ACCESS-DENIED" | "INVALID-PASSWORD" | "INVALID-USERNAME" | "USERNAME-REQUIRED"
            | "PASSWORD-REQUIRED" => Self::AccessDenied,
            other => Self::Other(quoted(other)),
        })
    }

    /// In words for a keeper.
    pub(super) fn words(&self, ups: &str) -> String {
        match self {
            Self::DataStale => "its server no longer hears it (DATA-STALE): see to the data cable".to_owned(),
            Self::DriverNotConnected => {
                "its driver on the server does not run (DRIVER-NOT-CONNECTED)".to_owned()
            }
            Self::UnknownUps => format!("no UPS is called `{ups}`"),
            Self::AccessDenied => "user, password or this machine is not accepted".to_owned(),
            Self::Other(symbol) => format!("refused with {symbol}"),
        }
    }
}

/// How a list goes on.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum UpsItem {
    /// A variable and its value.
    Variable(String, String),
    /// The last line.
    End,
}

/// A line in answer to `LIST VAR`, after the first. RFC 9271, section 4.2.7.7.
pub(super) fn item(line: &str, ups: &str) -> Option<UpsItem> {
    let words = words(line)?;
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words[..] {
        ["VAR", of, name, value] if of == ups => Some(UpsItem::Variable(name.to_owned(), value.to_owned())),
        ["END", "LIST", "VAR", of] if of == ups => Some(UpsItem::End),
        _ => None,
    }
}

/// Whether a line begins the list.
pub(super) fn begins(line: &str, ups: &str) -> bool {
    words(line).is_some_and(|words| words == ["BEGIN", "LIST", "VAR", ups])
}

/// The words of a line; nothing if a quotation does not end.
fn words(line: &str) -> Option<Vec<String>> {
    let mut words = Vec::new();
    let mut rest = line.chars().peekable();
    loop {
        while rest.next_if(|c| c.is_ascii_whitespace()).is_some() {}
        let Some(first) = rest.next() else { return Some(words) };
        let in_quotes = first == '"';
        let mut word = String::new();
        let mut next = if in_quotes { rest.next() } else { Some(first) };
        loop {
            match next {
                None if in_quotes => return None,
                None => break,
                Some('"') if in_quotes => break,
                Some(c) if c.is_ascii_whitespace() && !in_quotes => break,
                Some('\\') => word.push(rest.next()?),
                Some(c) => word.push(c),
            }
            next = rest.next();
        }
        words.push(word);
    }
}

/// A piece of what a server sent, short and without control characters.
pub(super) fn quoted(text: &str) -> String {
    const LONGEST: usize = 60;
    let clean: String = text.trim().chars().flat_map(char::escape_debug).take(LONGEST).collect();
    format!("`{clean}`")
}

/// A word of ours as the protocol wants it.
pub(super) fn word(text: &str) -> String {
    let escaped = text.replace('\\', "\\\\").replace('"', "\\\"");
    format!("\"{escaped}\"")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn split(line: &str) -> Vec<String> {
        words(line).expect("words")
    }

    // The conversations are those of docs/net-protocol.txt of Network UPS Tools, which RFC 9271
    // describes; its sections are named beside them (from memory, but for 4.2.7.7).

    /// RFC 9271, section 4.2.7.7: LIST VAR.
    #[test]
    fn a_list_of_variables_has_a_first_line_and_a_last_one() {
        assert!(begins("BEGIN LIST VAR su700", "su700"));
        assert!(!begins("BEGIN LIST VAR su700", "su1000") && !begins("BEGIN LIST RW su700", "su700"));
        let variable = |line| item(line, "su700");
        let expected = UpsItem::Variable("ups.mfr".to_owned(), "APC".to_owned());
        assert_eq!(variable("VAR su700 ups.mfr \"APC\""), Some(expected));
        let date = UpsItem::Variable("ups.mfr.date".to_owned(), "10/17/96".to_owned());
        assert_eq!(variable("VAR su700 ups.mfr.date \"10/17/96\""), Some(date));
        let status = UpsItem::Variable("ups.status".to_owned(), "OL CHRG".to_owned());
        assert_eq!(variable("VAR su700 ups.status \"OL CHRG\""), Some(status));
        assert_eq!(variable("END LIST VAR su700"), Some(UpsItem::End));
    }

    #[test]
    fn lines_of_another_ups_or_of_no_list_are_not_understood() {
        for line in
            ["VAR su1000 ups.mfr \"APC\"", "END LIST VAR su1000", "OK", "", "VAR su700", "VAR su700 x \"y"]
        {
            assert_eq!(item(line, "su700"), None, "{line}");
        }
    }

    /// RFC 9271, section 4.1: words, quotation marks and backslashes.
    #[test]
    fn words_may_have_spaces_quotes_and_backslashes() {
        assert_eq!(split("UPSDESC su700 \"Development box\""), ["UPSDESC", "su700", "Development box"]);
        assert_eq!(split(r#"VAR a b "say \"hi\" \\ bye""#), ["VAR", "a", "b", r#"say "hi" \ bye"#]);
        assert_eq!(split("  VAR  a\tb \"\" "), ["VAR", "a", "b", ""]);
        assert_eq!(words("VAR a \"open"), None);
        assert_eq!(words("VAR a \\"), None);
        for text in ["plain", "two words", r#"quo"te"#, r"back\slash", ""] {
            assert_eq!(split(&word(text)), [text]);
        }
    }

    /// RFC 9271, section 4.3: error responses.
    #[test]
    fn every_refusal_has_its_words() {
        let words = |line| UpsRefusal::read(line).map(|refusal| refusal.words("su700"));
        assert!(words("ERR DATA-STALE").is_some_and(|words| words.contains("data cable")));
        assert!(words("ERR DRIVER-NOT-CONNECTED").is_some_and(|words| words.contains("driver")));
        assert!(words("ERR UNKNOWN-UPS").is_some_and(|words| words.contains("`su700`")));
        for denied in ["ACCESS-DENIED", "INVALID-PASSWORD", "INVALID-USERNAME", "PASSWORD-REQUIRED"] {
            let line = format!("ERR {denied}");
            assert_eq!(UpsRefusal::read(&line), Some(UpsRefusal::AccessDenied), "{denied}");
        }
        assert!(words("ERR FEATURE-NOT-CONFIGURED extra").is_some_and(|words| words.contains("FEATURE")));
        assert!(words("ERR \u{1b}[2J").is_some_and(|words| !words.contains('\u{1b}')));
        assert_eq!(UpsRefusal::read("VAR su700 ups.status \"ERR\""), None);
        assert_eq!(UpsRefusal::read("OK"), None);
    }
}

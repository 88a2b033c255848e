//! JSON Pointer, RFC 6901: from its text to its tokens when a rule file is read, and from the
//! tokens to the value when a message comes in.

use super::bad::short;
use serde_json::Value as Json;
use std::fmt;

/// Why a text is no JSON Pointer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PointerError {
    /// It is not empty and does not begin with `/`.
    NoSlash(String),
    /// A `~` is followed by something else than `0` or `1`.
    BadEscape {
        /// Byte of the `~`.
        at: usize,
    },
}

impl fmt::Display for PointerError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoSlash(text) => write!(f, "a JSON Pointer begins with `/`: `{text}` does not"),
            Self::BadEscape { at } => {
                write!(f, "the `~` at byte {at} of a JSON Pointer must be `~0` (for ~) or `~1` (for /)")
            }
        }
    }
}

impl std::error::Error for PointerError {}

/// The tokens of a JSON Pointer, unescaped. The empty text means the whole document.
pub fn parse_pointer(text: &str) -> Result<Vec<String>, PointerError> {
    if text.is_empty() {
        return Ok(Vec::new());
    }
    if !text.starts_with('/') {
        return Err(PointerError::NoSlash(short(text)));
    }
    let escape = |(at, _): &(usize, &str)| !matches!(text.as_bytes().get(at + 1), Some(b'0' | b'1'));
    if let Some((at, _)) = text.match_indices('~').find(escape) {
        return Err(PointerError::BadEscape { at });
    }
    // In this order, so that `~01` becomes `~1` and not `/` (RFC 6901, section 4).
    Ok(text.split('/').skip(1).map(|token| token.replace("~1", "/").replace("~0", "~")).collect())
}

/// The pointer's text, cut short, for people.
pub(super) fn written(tokens: &[String]) -> String {
    let text: String =
        tokens.iter().map(|token| format!("/{}", token.replace('~', "~0").replace('/', "~1"))).collect();
    short(&text)
}

/// What stands at the place, if anything does.
pub(super) fn resolve<'a>(document: &'a Json, tokens: &[String]) -> Option<&'a Json> {
    tokens.iter().try_fold(document, |at, token| match at {
        Json::Object(members) => members.get(token),
        Json::Array(items) => items.get(index(token)?),
        Json::Null | Json::Bool(_) | Json::Number(_) | Json::String(_) => None,
    })
}

/// An array index: digits without leading zeros. `-`, the place behind the last, holds nothing.
fn index(token: &str) -> Option<usize> {
    let plain = token.bytes().all(|b| b.is_ascii_digit()) && (token == "0" || !token.starts_with('0'));
    if plain { token.parse().ok() } else { None }
}

//! What a secret looks like where it comes back: as it is, quoted, in an address, coded for a
//! login. A secret flows in, what has to be looked for in a text flows out.

use base64::Engine as _;
use base64::alphabet::{Alphabet, STANDARD, URL_SAFE};
use base64::engine::general_purpose::{GeneralPurpose, NO_PAD};
use std::fmt::Write as _;
use zeroize::Zeroizing;

/// Shorter ones are found by chance in any text.
const SHORTEST: usize = 4;

/// From here on a secret is looked for within words too.
const LONG: usize = 8;

/// A part of a coded secret has to have so many signs to be told from chance.
const SHORTEST_CODED: usize = 6;

/// One thing to look for.
pub(super) struct Spelling {
    text: Zeroizing<String>,
    kind: SpellingKind,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum SpellingKind {
    /// Wherever it stands.
    Anywhere,
    /// Only with something else than letters and digits on both sides.
    Word,
    /// The middle of a text in base64: all of that is taken.
    Coded,
}

impl Spelling {
    fn new(text: &str) -> Option<Self> {
        let kind = if text.chars().count() < LONG { SpellingKind::Word } else { SpellingKind::Anywhere };
        (text.chars().count() >= SHORTEST).then(|| Self { text: Zeroizing::new(text.to_owned()), kind })
    }

    #[cfg(test)]
    pub(super) fn text(&self) -> &Zeroizing<String> {
        &self.text
    }

    /// Whether it could be any number of our own.
    pub(super) fn is_short_number(&self) -> bool {
        self.kind == SpellingKind::Word && self.text.bytes().all(|b| b.is_ascii_digit())
    }

    /// The text without it; none if it is not there.
    pub(super) fn struck(&self, text: &str, by: &str) -> Option<String> {
        let mut out = String::new();
        let mut from = 0;
        let mut search = 0;
        while let Some((begin, end)) = self.next(text, search) {
            if self.counts(text, begin, end) {
                out.push_str(text.get(from..begin)?);
                out.push_str(by);
                from = end;
            }
            search = end;
        }
        if from == 0 {
            return None;
        }
        out.push_str(text.get(from..)?);
        Some(out)
    }

    fn next(&self, text: &str, from: usize) -> Option<(usize, usize)> {
        let begin = from + text.get(from..)?.find(self.text.as_str())?;
        let end = begin + self.text.len();
        if self.kind != SpellingKind::Coded {
            return Some((begin, end));
        }
        let is_coded = |b: &u8| b.is_ascii_alphanumeric() || b"+/-_=".contains(b);
        let before =
            text.as_bytes().get(from..begin).into_iter().flatten().rev().take_while(|b| is_coded(b)).count();
        let after = text.as_bytes().get(end..).into_iter().flatten().take_while(|b| is_coded(b)).count();
        Some((begin - before, end + after))
    }

    fn counts(&self, text: &str, begin: usize, end: usize) -> bool {
        let is_part = |c: Option<char>| c.is_some_and(char::is_alphanumeric);
        let before = text.get(..begin).and_then(|before| before.chars().next_back());
        let after = text.get(end..).and_then(|after| after.chars().next());
        self.kind != SpellingKind::Word || !(is_part(before) || is_part(after))
    }
}

/// All spellings of a secret, the longest first, so that none leaves a part of another.
pub(super) fn spellings(secret: &str) -> Vec<Spelling> {
    let mut found = of_text(secret);
    // `Bearer …`: the token is the secret.
    let parts = secret.split_whitespace().filter(|part| part.len() < secret.len() && part.len() >= LONG);
    found.extend(parts.flat_map(of_text));
    sorted(found)
}

/// Those of an address: what stands behind the host, whole, and what in it looks like a token.
pub(super) fn of_address(url: &str) -> Vec<Spelling> {
    let mut found: Vec<_> = Spelling::new(url).into_iter().collect();
    let behind = url.split_once("://").map_or(url, |(_, rest)| rest);
    if let Some(path) = behind.find(['/', '?']).and_then(|at| behind.get(at..)) {
        found.extend(Spelling::new(path));
        let is_token = |part: &&str| {
            part.len() >= 2 * LONG || (part.len() >= LONG && part.contains(|c: char| c.is_ascii_digit()))
        };
        found.extend(path.split(['/', '?', '&', '=']).filter(is_token).flat_map(of_text));
    }
    sorted(found)
}

fn sorted(mut found: Vec<Spelling>) -> Vec<Spelling> {
    found.sort_by_key(|spelling| std::cmp::Reverse(spelling.text.len()));
    found
}

fn of_text(secret: &str) -> Vec<Spelling> {
    let quoted = Zeroizing::new(secret.replace('\\', "\\\\").replace('"', "\\\""));
    let mut percent = Zeroizing::new(String::with_capacity(3 * secret.len()));
    for byte in secret.bytes() {
        // Writing to a text can't fail.
        let _ = match byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            true => write!(percent, "{}", char::from(byte)),
            false => write!(percent, "%{byte:02X}"),
        };
    }
    let plain = [secret, &quoted, &percent];
    let differ =
        plain.iter().enumerate().filter(|(at, text)| !plain.iter().take(*at).any(|before| before == *text));
    let mut found: Vec<_> = differ.filter_map(|(_, text)| Spelling::new(text)).collect();
    for alphabet in [&STANDARD, &URL_SAFE] {
        found.extend((0..3).filter_map(|before| coded(secret, before, alphabet)));
    }
    found
}

/// The signs of a text in base64 (RFC 4648, section 4) that this secret alone decides, if it begins
/// after so many bytes, counted modulo three: six bits make a sign.
fn coded(secret: &str, before: usize, alphabet: &Alphabet) -> Option<Spelling> {
    let bytes = Zeroizing::new([&vec![0; before][..], secret.as_bytes()].concat());
    let whole = Zeroizing::new(GeneralPurpose::new(alphabet, NO_PAD).encode(&*bytes));
    let own = whole.get((8 * before).div_ceil(6)..8 * bytes.len() / 6)?;
    let long_enough = own.len() >= SHORTEST_CODED && secret.chars().count() >= SHORTEST;
    long_enough.then(|| Spelling { text: Zeroizing::new(own.to_owned()), kind: SpellingKind::Coded })
}

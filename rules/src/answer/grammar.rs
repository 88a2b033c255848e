//! The grammar of an answer: a few phrases, one code, perhaps a time, in any order, and nothing
//! else. It is a list of what is allowed, so that whatever nobody thought of is no answer.

use super::time::{self, HoldsUntil};
use super::{CODE_LENGTH, CODE_LETTERS, Meaning, NoAnswer, Which};

/// Phrases of somebody who takes care of it. Longer ones come first.
const HAS: &[&str] = &[
    "i will take care of it",
    "ill take care of it",
    "i take care of it",
    "i still have it",
    "i have got it",
    "i am still on it",
    "i am on my way",
    "still have it",
    "im still on it",
    "im on my way",
    "ive got it",
    "still on it",
    "i have it",
    "i got it",
    "i am on it",
    "i am coming",
    "ill take it",
    "i take it",
    "on my way",
    "have it",
    "got it",
    "im on it",
    "im coming",
    "on it",
    "coming",
    "acknowledged",
    "acknowledge",
    "ack",
    "taken",
    "mine",
];

/// Phrases of somebody who hands it on.
const NEXT: &[&str] = &[
    "hand on to the next now",
    "hand on to the next",
    "next person now",
    "call the next",
    "next person",
    "call next",
    "the next",
    "hand on",
    "next now",
    "next",
];

/// Words that change nothing.
const EITHER: &[&str] = &[
    "yes",
    "yep",
    "yeah",
    "y",
    "okay",
    "ok",
    "sure",
    "please",
    "thank you",
    "thanks",
    "thx",
    "hello",
    "hi",
    "code",
    "text",
    "reply",
];

/// Words that have the letters of a code, and that people or pages write: none of them is one.
const NOT: &[&str] =
    &["cant", "away", "late", "then", "here", "that", "them", "they", "need", "dear", "tank", "heat", "read"];

/// Signs that stand between words, and those that say yes.
const BETWEEN: &str = ".,!:;-–—()/…'’*_👍✅👌🙏✔☑\u{fe0f}\u{1f3fb}\u{1f3fc}\u{1f3fd}\u{1f3fe}\u{1f3ff}";
/// Signs by which something is quoted, as reactions quote what they react to.
const QUOTES: &str = "\"“”„«»>‟‹›";
/// Signs of a question.
const ASKS: &str = "?¿？";

/// What has been found so far.
#[derive(Default)]
struct FoundWords {
    which: Option<Which>,
    until: Option<HoldsUntil>,
    has: bool,
    next: bool,
}

/// The meaning of a text that is not empty, or why it has none.
pub(super) fn meaning(text: &str) -> Result<Meaning, NoAnswer> {
    let words = words(text)?;
    if words.is_empty() {
        return Err(NoAnswer::NoCode);
    }
    let mut rest: &[String] = &words;
    let mut found = FoundWords::default();
    while !rest.is_empty() {
        rest = found.take(rest)?;
    }
    let which = found.which.ok_or(NoAnswer::NoCode)?;
    match (found.next, found.has, found.until) {
        (false, _, until) => Ok(Meaning::Has { which, until }),
        (true, false, None) => Ok(Meaning::HandsOn { which }),
        // To have it and to hand it on: nobody can tell which is meant.
        (true, _, _) => Err(NoAnswer::Sentence),
    }
}

/// Whether these letters are a word of an answer.
pub(super) fn is_a_word(word: &str) -> bool {
    let phrases = [HAS, NEXT, EITHER, NOT].into_iter().flatten();
    let mut words = phrases.flat_map(|phrase| phrase.split(' ')).chain(time::WORDS.iter().copied());
    words.any(|known| known == word) || time::begins(&[word.to_owned()]).is_some()
}

impl FoundWords {
    /// Takes what the words begin with; gives what is left of them.
    fn take<'w>(&mut self, words: &'w [String]) -> Result<&'w [String], NoAnswer> {
        if let Some((until, rest)) = time::begins(words) {
            return match self.until.replace(until) {
                None => Ok(rest),
                Some(_) => Err(NoAnswer::Sentence),
            };
        }
        for (phrases, flag) in [(HAS, Some(true)), (NEXT, Some(false)), (EITHER, None)] {
            if let Some(rest) = phrases.iter().find_map(|phrase| after(words, phrase)) {
                match flag {
                    Some(true) => self.has = true,
                    Some(false) => self.next = true,
                    None => {}
                }
                return Ok(rest);
            }
        }
        let (word, rest) = words.split_first().ok_or(NoAnswer::Sentence)?;
        let which = which(word).ok_or(NoAnswer::Sentence)?;
        match &self.which {
            Some(known) if *known != which => Err(NoAnswer::SeveralCodes),
            _ => {
                self.which = Some(which);
                Ok(rest)
            }
        }
    }
}

/// The words after a phrase, if they begin with it.
fn after<'w>(words: &'w [String], phrase: &str) -> Option<&'w [String]> {
    let length = phrase.split(' ').count();
    let (head, rest) = words.split_at_checked(length)?;
    head.iter().map(String::as_str).eq(phrase.split(' ')).then_some(rest)
}

fn which(word: &str) -> Option<Which> {
    if NOT.contains(&word) {
        return None;
    }
    let upper = word.to_ascii_uppercase();
    if upper.len() == CODE_LENGTH && upper.bytes().all(|letter| CODE_LETTERS.contains(&letter)) {
        return Some(Which::Code(upper));
    }
    match word.as_bytes() {
        [digit @ b'1'..=b'9'] => Some(Which::Number(digit - b'0')),
        _ => None,
    }
}

/// Words in small letters. A point or a colon between two digits belongs to a time.
fn words(text: &str) -> Result<Vec<String>, NoAnswer> {
    let signs: Vec<char> = text.chars().collect();
    let digit = |at: Option<usize>| at.and_then(|at| signs.get(at)).is_some_and(char::is_ascii_digit);
    let mut words = vec![String::new()];
    for (at, sign) in signs.iter().copied().enumerate() {
        let joins = digit(at.checked_sub(1)) && digit(Some(at + 1));
        match sign {
            '\'' | '’' => {}
            ':' | '.' if joins => words.last_mut().into_iter().for_each(|word| word.push(sign)),
            _ if QUOTES.contains(sign) => return Err(NoAnswer::Quotes),
            _ if ASKS.contains(sign) => return Err(NoAnswer::Asks),
            _ if sign.is_whitespace() || BETWEEN.contains(sign) => words.push(String::new()),
            _ if sign.is_alphanumeric() => {
                words.last_mut().into_iter().for_each(|word| word.extend(sign.to_lowercase()));
            }
            _ => return Err(NoAnswer::Sentence),
        }
    }
    words.retain(|word| !word.is_empty());
    Ok(words)
}

/// Whether a line only greets or agrees, and leaves the word to the next one.
pub(super) fn only_greets(line: &str) -> bool {
    let Ok(words) = words(line) else { return false };
    let mut rest: &[String] = &words;
    while let Some(after) = EITHER.iter().find_map(|phrase| after(rest, phrase)) {
        rest = after;
    }
    !words.is_empty() && rest.is_empty()
}

//! What is an answer. The words that a person texts, mails or publishes flow in, and what they mean
//! flows out: somebody has it, perhaps until a time; the next person is to be called; or nothing of
//! the kind. One wrongly taken would end a call-out that nobody heard, so a message counts only if
//! all of it is an answer: a code in any other sentence, a reaction or a machine that quotes the
//! page, is none. What is no answer gets a reply, and the ladder goes on.

mod grammar;
mod html;
mod machine;
mod own_words;
mod reply;
mod time;

pub use html::readable;
pub use machine::machine_made;
pub use own_words::{Flow, first_own_line};
pub use reply::{Open, Refused, how_to_answer, not_taken, receipt, which};
pub use time::{ClockNotSet, FRESH, HoldsUntil, is_fresh};

/// The letters and digits of codes: none that is taken for another one.
pub const CODE_LETTERS: &[u8; 24] = b"ACDEFGHJKMNPQRTUVWXY3479";
/// How many of them a code has.
pub(crate) const CODE_LENGTH: usize = 4;

/// An answer is short: what is longer is a letter, and is not looked into.
const LONGEST: usize = 120;

/// What a message means.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// Whoever says so takes care of it.
    Has {
        /// What it is about.
        which: Which,
        /// HoldsUntil when, if that was said.
        until: Option<HoldsUntil>,
    },
    /// The next person is to be called now.
    HandsOn {
        /// What it is about.
        which: Which,
    },
    /// No answer.
    Nothing(NoAnswer),
}

/// What an answer is about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Which {
    /// The code on the page, in capitals.
    Code(String),
    /// A number from a list that the watch has sent: 1 to 9.
    Number(u8),
}

/// Why a message is no answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoAnswer {
    /// There is nothing in it.
    Empty,
    /// It would be one, with a code.
    NoCode,
    /// More than one code: which one is meant can't be told.
    SeveralCodes,
    /// It quotes something, as reactions and smart replies do.
    Quotes,
    /// It asks something.
    Asks,
    /// Anything else, whatever is in it.
    Sentence,
}

impl NoAnswer {
    /// The same in words: `there is no code in it`.
    pub fn words(self) -> &'static str {
        match self {
            Self::Empty => "there is nothing in it",
            Self::NoCode => "there is no code in it",
            Self::SeveralCodes => "there is more than one code in it",
            Self::Quotes => "it quotes something",
            Self::Asks => "it is a question",
            Self::Sentence => "it is not the code, nor an answer with it",
        }
    }
}

impl Meaning {
    /// Reads a whole message.
    ///
    /// ```
    /// use slackwater_rules::answer::{Meaning, NoAnswer, Which};
    /// let has = Meaning::Has { which: Which::Code("4QTE".to_owned()), until: None };
    /// assert_eq!(Meaning::of("have it 4qte"), has);
    /// assert_eq!(Meaning::of("I can't come, 4QTE"), Meaning::Nothing(NoAnswer::Sentence));
    /// ```
    pub fn of(text: &str) -> Self {
        let text = text.trim();
        if text.is_empty() {
            return Self::Nothing(NoAnswer::Empty);
        }
        if text.chars().nth(LONGEST).is_some() {
            return Self::Nothing(NoAnswer::Sentence);
        }
        grammar::meaning(text).unwrap_or_else(Self::Nothing)
    }
}

/// Whether a code made of these letters would be taken for a word of an answer.
pub(crate) fn is_a_word(code: &str) -> bool {
    grammar::is_a_word(&code.to_ascii_lowercase())
}

#[cfg(test)]
mod tests;

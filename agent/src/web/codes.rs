//! Codes that sign somebody in: asked for in a browser by a name, sent by a channel of the person's
//! own, and typed into the same browser. What that browser holds is 256 random bits, so that a code
//! is of no use in another; a code is good once, for ten minutes and for a few tries. How many are
//! sent is bounded for each person and in all: whoever reaches the page may ask, and must not make
//! somebody's phone ring all night.

use super::sessions::{hash, token};
use ring::rand::{SecureRandom as _, SystemRandom};
use slackwater_rules::answer::CODE_LETTERS;
use std::time::{Duration, Instant};

/// A code is good for so long …
const GOOD_FOR: Duration = Duration::from_secs(600);
/// … and for so many tries.
const TRIES: u8 = 5;
/// So many letters, of 24: about 10^11 codes, of which somebody who asks all day long may try 480.
const LENGTH: usize = 8;

/// So many codes are sent to one person …
const MOST_OF_ONE: usize = 4;
/// … and to all …
const MOST: usize = 12;
/// … within this.
const WITHIN: Duration = Duration::from_secs(3_600);

/// A code that was sent.
struct SentCode {
    /// The hash of what the browser that asked holds.
    asked: String,
    hash: String,
    who: String,
    until: Instant,
    tries: u8,
}

/// All that are on their way, and when codes were sent.
#[derive(Default)]
pub(super) struct Codes {
    sent: Vec<SentCode>,
    lately: Vec<(String, Instant)>,
}

/// A code to be sent.
pub(super) struct NewCode {
    /// What the browser holds.
    pub(super) asked: String,
    /// What is sent, as people read it: `K7QX-M4XD`.
    pub(super) code: String,
}

/// What was typed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum CodeTyped {
    /// It signs this contact in.
    Right(String),
    /// It does not; another try is left, perhaps.
    Wrong,
    /// It was the last try in this contact's name.
    Guessed(String),
}

impl Codes {
    /// Another code for this contact; none if there were too many lately, or the system has no
    /// random bits.
    pub(super) fn another(&mut self, who: &str, now: Instant) -> Option<NewCode> {
        self.lately.retain(|(_, at)| now.duration_since(*at) < WITHIN);
        self.sent.retain(|sent| sent.until > now);
        let own = self.lately.iter().filter(|(known, _)| known == who).count();
        if own >= MOST_OF_ONE || self.lately.len() >= MOST {
            return None;
        }
        let new = NewCode { asked: token()?, code: letters()? };
        self.lately.push((who.to_owned(), now));
        self.sent.push(SentCode {
            asked: hash(&new.asked),
            hash: hash(&plain(&new.code)),
            who: who.to_owned(),
            until: now + GOOD_FOR,
            tries: TRIES,
        });
        Some(new)
    }

    /// A code was typed into the browser that holds this.
    pub(super) fn typed(&mut self, asked: &str, code: &str, now: Instant) -> CodeTyped {
        let (asked, code) = (hash(asked), hash(&plain(code)));
        let found = self.sent.iter().position(|sent| sent.asked == asked && sent.until > now);
        let Some((place, sent)) = found.and_then(|place| Some((place, self.sent.get_mut(place)?))) else {
            return CodeTyped::Wrong;
        };
        sent.tries = sent.tries.saturating_sub(1);
        let (right, over) = (sent.hash == code, sent.tries == 0);
        if !right && !over {
            return CodeTyped::Wrong;
        }
        let who = self.sent.remove(place).who;
        if right { CodeTyped::Right(who) } else { CodeTyped::Guessed(who) }
    }
}

/// Capital letters and digits alone: how a code is parted is of no interest.
fn plain(code: &str) -> String {
    let signs = code.chars().filter(char::is_ascii_alphanumeric);
    signs.map(|sign| sign.to_ascii_uppercase()).take(LENGTH + 1).collect()
}

/// Each letter as likely as any other: octets above the last multiple of 24 are left out.
fn letters() -> Option<String> {
    let random = SystemRandom::new();
    let fair = 256 - 256 % CODE_LETTERS.len();
    let mut code = String::new();
    while code.len() <= LENGTH {
        let mut octets = [0_u8; 16];
        random.fill(&mut octets).ok()?;
        for octet in octets.into_iter().map(usize::from).filter(|octet| *octet < fair) {
            match code.len() {
                4 => code.push('-'),
                length if length > LENGTH => break,
                _ => code.push(char::from(*CODE_LETTERS.get(octet % CODE_LETTERS.len())?)),
            }
        }
    }
    Some(code)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_good_once_and_in_the_browser_that_asked() {
        let (mut codes, now) = (Codes::default(), Instant::now());
        let one = codes.another("ines", now).expect("a code");
        let other = codes.another("ines", now).expect("a code");
        assert_eq!(one.code.len(), 9, "{}", one.code);
        assert_eq!(codes.typed(&other.asked, &one.code, now), CodeTyped::Wrong);
        assert_eq!(codes.typed("made up", &one.code, now), CodeTyped::Wrong);
        let typed = one.code.to_lowercase().replace('-', " ");
        assert_eq!(codes.typed(&one.asked, &typed, now), CodeTyped::Right("ines".to_owned()));
        assert_eq!(codes.typed(&one.asked, &one.code, now), CodeTyped::Wrong);
    }

    #[test]
    fn a_code_lasts_ten_minutes_and_five_tries() {
        let (mut codes, now) = (Codes::default(), Instant::now());
        let late = codes.another("ines", now).expect("a code");
        assert_eq!(codes.typed(&late.asked, &late.code, now + GOOD_FOR), CodeTyped::Wrong);
        let guessed = codes.another("tom", now).expect("a code");
        for _ in 1..TRIES {
            assert_eq!(codes.typed(&guessed.asked, "AAAA-AAAA", now), CodeTyped::Wrong);
        }
        assert_eq!(codes.typed(&guessed.asked, "AAAA-AAAA", now), CodeTyped::Guessed("tom".to_owned()));
        assert_eq!(codes.typed(&guessed.asked, &guessed.code, now), CodeTyped::Wrong, "it is used up");
        let long = codes.another("tom", now).expect("a code");
        let longer = format!("{}A", long.code);
        assert_eq!(codes.typed(&long.asked, &longer, now), CodeTyped::Wrong, "what begins with it is not it");
    }

    #[test]
    fn how_many_are_sent_is_bounded_for_each_and_in_all() {
        let (mut codes, now) = (Codes::default(), Instant::now());
        let sent =
            |codes: &mut Codes, who: &str, now| (0..50).filter(|_| codes.another(who, now).is_some()).count();
        assert_eq!(sent(&mut codes, "ines", now), MOST_OF_ONE);
        let others: usize = (0..50).map(|nth| sent(&mut codes, &format!("contact-{nth}"), now)).sum();
        assert_eq!(others, MOST - MOST_OF_ONE);
        assert_eq!(sent(&mut codes, "ines", now + WITHIN), MOST_OF_ONE, "an hour later");
    }
}

//! Text that must never be seen: passwords and access tokens. It has no `Display`, its `Debug`
//! shows nothing, nothing can serialise it, and whoever needs it has to say [`Secret::expose`].
//! Its memory is wiped when the last of its copies is gone.
//!
//! A secret also comes back from outside: a server that refuses a login may repeat it. So all
//! secrets that live are known here, and [`strike_out`] takes them, and what they look like on
//! the wire, out of whatever goes to the log, the journal or a person. That is one list for the
//! whole process on purpose: whoever words a server's answer need not know whose secret it holds.

mod spellings;

use spellings::{Spelling, spellings};
use std::borrow::Cow;
use std::fmt;
use std::sync::{Arc, PoisonError, RwLock, Weak};
use zeroize::Zeroizing;

/// What is shown in a secret's place.
const STRUCK: &str = "(secret)";

/// All that live.
static KNOWN: RwLock<Vec<Weak<Hidden>>> = RwLock::new(Vec::new());

/// A password or token.
#[derive(Clone)]
pub struct Secret(Arc<Hidden>);

struct Hidden {
    text: Zeroizing<String>,
    spellings: Vec<Spelling>,
}

impl Secret {
    /// Hides `text`.
    pub fn new(text: impl Into<String>) -> Self {
        let text = Zeroizing::new(text.into());
        let spellings = spellings(&text);
        Self::known(text, spellings)
    }

    /// Hides the address of a request, which may hold a token in its path or query.
    pub fn address(url: impl Into<String>) -> Self {
        let text = Zeroizing::new(url.into());
        let spellings = spellings::of_address(&text);
        Self::known(text, spellings)
    }

    fn known(text: Zeroizing<String>, spellings: Vec<Spelling>) -> Self {
        let hidden = Arc::new(Hidden { text, spellings });
        let mut known = KNOWN.write().unwrap_or_else(PoisonError::into_inner);
        known.retain(|other| other.strong_count() > 0);
        known.push(Arc::downgrade(&hidden));
        Self(hidden)
    }

    /// The text itself, for the one place that sends it.
    pub fn expose(&self) -> &str {
        &self.0.text
    }
}

impl PartialEq for Secret {
    fn eq(&self, other: &Self) -> bool {
        self.0.text == other.0.text
    }
}

impl Eq for Secret {}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(secret)")
    }
}

/// Text that came from outside, without any secret that lives.
pub fn strike_out(text: &str) -> Cow<'_, str> {
    strike(text, |_| true)
}

/// A line of our own log, the same; but for short numbers, like the PIN of a SIM, which would be
/// found in every number of it, and told by what is missing.
pub(crate) fn strike_from_log(line: &str) -> Cow<'_, str> {
    strike(line, |spelling| !spelling.is_short_number())
}

fn strike(text: &str, counts: impl Fn(&Spelling) -> bool) -> Cow<'_, str> {
    let living: Vec<Arc<Hidden>> = {
        let known = KNOWN.read().unwrap_or_else(PoisonError::into_inner);
        known.iter().filter_map(Weak::upgrade).collect()
    };
    let mut text = Cow::Borrowed(text);
    for spelling in living.iter().flat_map(|hidden| &hidden.spellings).filter(|one| counts(one)) {
        if let Some(struck) = spelling.struck(&text, STRUCK) {
            text = Cow::Owned(struck);
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use base64::Engine as _;
    use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
    use proptest::prelude::*;

    #[test]
    fn a_secret_is_not_shown_by_debug() {
        assert_eq!(format!("{:?}", Secret::new("hunter2")), "(secret)");
    }

    #[test]
    fn what_comes_back_from_outside_is_shown_without_the_secrets_in_it() {
        let _password = Secret::new("spr\"ing ebb-7");
        let _token = Secret::new("Bearer mangrove-0914");
        for (said, shown) in [
            ("535 is spr\"ing ebb-7, which is wrong", "535 is (secret), which is wrong"),
            (r#"{"error": "spr\"ing ebb-7"}"#, r#"{"error": "(secret)"}"#),
            ("password=spr%22ing%20ebb-7&x", "password=(secret)&x"),
            ("Authorization: Bearer mangrove-0914", "Authorization: (secret)"),
            ("no such token mangrove-0914.", "no such token (secret)."),
            ("spring ebb", "spring ebb"),
            ("", ""),
        ] {
            assert_eq!(strike_out(said), shown);
        }
    }

    /// RFC 4616 and RFC 4648: wherever in a coded text the secret begins.
    #[test]
    fn a_login_that_comes_back_coded_is_struck_out_whole() {
        let _password = Secret::new("kelp forest");
        for user in ["a", "ab", "abc", "watch@example.org"] {
            let line = format!("\0{user}\0kelp forest");
            for coded in [STANDARD.encode(&line), URL_SAFE_NO_PAD.encode(&line)] {
                assert_eq!(strike_out(&format!("535 {coded} x")), "535 (secret) x", "{user}");
            }
        }
        assert_eq!(strike_out(&STANDARD.encode("kelp forest")), "(secret)");
    }

    #[test]
    fn short_secrets_are_words_of_their_own_and_numbers_of_our_log_stay() {
        let _pin = Secret::new("8093");
        assert_eq!(strike_out("AT+CPIN=8093"), "AT+CPIN=(secret)");
        assert_eq!(strike_out("taken as 880930"), "taken as 880930");
        assert_eq!(strike_from_log("page=8093 taken"), "page=8093 taken");
        let _word = Secret::new("tide-1");
        assert_eq!(strike_from_log("said tide-1!"), "said (secret)!");
    }

    #[test]
    fn of_an_address_its_path_and_its_tokens_are_struck_out() {
        let _url = Secret::address("https://push.example.org/v1/reef9token/halyard?key=a1b2c3d4e5");
        for (said, shown) in [
            ("404 /v1/reef9token/halyard?key=a1b2c3d4e5", "404 (secret)"),
            ("no topic reef9token", "no topic (secret)"),
            ("key a1b2c3d4e5 has run out", "key (secret) has run out"),
            ("push.example.org says v1, halyard", "push.example.org says v1, halyard"),
        ] {
            assert_eq!(strike_out(said), shown);
        }
    }

    #[test]
    fn a_secret_that_is_gone_is_known_no_more() {
        let (one, said) = (Secret::new("eelgrass-meadow"), "it was eelgrass-meadow");
        let other = one.clone();
        drop(one);
        assert_eq!(strike_out(said), "it was (secret)");
        drop(other);
        assert_eq!(strike_out(said), said);
    }

    proptest! {
        #[test]
        fn wherever_a_long_secret_stands_nothing_of_it_is_left(
            secret in "[a-zäöü家0-9 \"\\\\%+/=_-]{8,40}",
            before in "\\PC{0,20}",
            after in "\\PC{0,20}",
        ) {
            prop_assume!(secret.trim().len() >= 8 && !before.contains(&secret) && !after.contains(&secret));
            let _hidden = Secret::new(secret.as_str());
            let quoted = serde_json::to_string(&secret).expect("text");
            for said in [secret.clone(), quoted, STANDARD.encode(&secret), URL_SAFE_NO_PAD.encode(&secret)] {
                let shown = strike_out(&format!("{before}|{said}|{after}")).into_owned();
                prop_assert!(!shown.contains(said.trim_matches('"')), "{}", shown);
            }
        }
    }

    /// What is dropped is wiped: that is a promise of the type, which can't be looked at from safe
    /// code.
    #[test]
    fn the_text_of_a_secret_is_of_a_kind_that_is_wiped() {
        fn wiped<T: zeroize::ZeroizeOnDrop>(_: &T) {}
        let secret = Secret::new("seagrass");
        wiped(&secret.0.text);
        secret.0.spellings.iter().for_each(|spelling| wiped(spelling.text()));
    }
}

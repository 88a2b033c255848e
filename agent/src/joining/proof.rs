//! What a site says to join, and what its witness says to that. Both are JSON Web Signatures, each
//! of a kind of its own; only bytes whose signature holds are parsed. The request is signed with
//! the invitation's key and holds the site's new public key, with a proof by that key that is good
//! for this witness, this name and this invitation. The answer is signed with the witness's key and
//! names the request by its digest.

use crate::checkin::{NotSealed, SiteKey, open_as, seal_as};
use crate::plain_text::tame;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64URL;
use ring::digest::{SHA256, digest};
use serde::{Deserialize, Serialize};
use std::fmt;

const PROOF: &str = "slackwater-join-proof";
const REQUEST: &str = "slackwater-join";
const ANSWER: &str = "slackwater-joined";

/// Of both forms.
const VERSION: u32 = 1;

/// A request has a thousand octets, an answer half of that.
pub const LARGEST: usize = 4_096;

/// So much of a reason is told, in characters.
const LONGEST_WHY: usize = 300;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct JoinWish {
    version: u32,
    /// The site's new public key.
    key: String,
    /// A signature with that key over what it is for.
    proof: String,
}

/// What a proof is good for and for nothing else.
fn meant_for(site: &str, witness: &str, invitation: &str) -> String {
    format!("{site} {witness} {invitation}")
}

/// What a site sends.
pub fn request(site: &str, witness: &str, invitation: &SiteKey, key: &SiteKey) -> String {
    let meant = meant_for(site, witness, &invitation.public());
    let wish = JoinWish { version: VERSION, key: key.public(), proof: seal_as(key, PROOF, meant.as_bytes()) };
    // A few texts are always JSON.
    seal_as(invitation, REQUEST, &serde_json::to_vec(&wish).unwrap_or_default())
}

/// The public key that a request proves, if whoever has the invitation's private half has made it
/// for this site and this witness.
///
/// # Errors
/// What is wrong with it.
pub fn proved(payload: &[u8], site: &str, witness: &str, invitation: &str) -> Result<String, Unproved> {
    let body = open_as(invitation, REQUEST, payload).map_err(|wrong| match wrong {
        NotSealed::Garbled => Unproved::Garbled,
        NotSealed::Forged => Unproved::Forged,
    })?;
    let wish: JoinWish = serde_json::from_slice(&body).map_err(|_| Unproved::Garbled)?;
    if wish.version != VERSION {
        return Err(Unproved::Version(wish.version));
    }
    match open_as(&wish.key, PROOF, wish.proof.as_bytes()) {
        Ok(meant) if meant == meant_for(site, witness, invitation).as_bytes() => Ok(wish.key),
        Ok(_) | Err(_) => Err(Unproved::Forged),
    }
}

/// Why a request proves nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unproved {
    /// It hasn't the form of one.
    Garbled,
    /// It is not signed with the invitation's key, or the new key is not proved.
    Forged,
    /// It is of a version that is not understood.
    Version(u32),
}

impl fmt::Display for Unproved {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Garbled => f.write_str("it is not in the form of a request to join"),
            Self::Forged => f.write_str("it was not made with the link that is open for this site"),
            Self::Version(version) => {
                write!(f, "its form is version {version}, and {VERSION} is understood here")
            }
        }
    }
}

/// What a witness says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct JoinAnswer {
    version: u32,
    /// Digest of the request.
    to: String,
    /// Why not; taken if none.
    why: Option<String>,
}

fn named(request: &[u8]) -> String {
    BASE64URL.encode(digest(&SHA256, request))
}

/// The witness's word on a request: taken, or why not.
pub fn answer(key: &SiteKey, request: &[u8], verdict: Result<(), &str>) -> String {
    let why = verdict.err().map(|why| tame(why, LONGEST_WHY));
    let told = JoinAnswer { version: VERSION, to: named(request), why };
    seal_as(key, ANSWER, &serde_json::to_vec(&told).unwrap_or_default())
}

/// What came where answers come, as the site that sent `request` hears it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum JoinVerdict {
    /// The witness has taken the key.
    Taken,
    /// It has not, for this reason.
    Refused(String),
    /// Not by the witness that the link is of.
    Stranger,
    /// No answer, or not to this.
    Nothing,
}

/// Reads it; `witness` is the public half of the key that the link names.
pub fn heard(payload: &[u8], witness: &str, request: &[u8]) -> JoinVerdict {
    if payload.len() > LARGEST {
        return JoinVerdict::Nothing;
    }
    match open_as(witness, ANSWER, payload) {
        Err(NotSealed::Garbled) => JoinVerdict::Nothing,
        Err(NotSealed::Forged) => JoinVerdict::Stranger,
        Ok(body) => match serde_json::from_slice::<JoinAnswer>(&body) {
            Ok(told) if told.version == VERSION && told.to == named(request) => match told.why {
                None => JoinVerdict::Taken,
                Some(why) => JoinVerdict::Refused(tame(&why, LONGEST_WHY)),
            },
            Ok(_) | Err(_) => JoinVerdict::Nothing,
        },
    }
}

/// No octets are believed that no key has signed, and none that were signed break anything.
#[cfg(any(test, feature = "fuzzing"))]
#[expect(clippy::expect_used, reason = "a broken promise panics")]
pub(super) fn promise(octets: &[u8]) {
    let key = SiteKey::read("nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A").expect("a key");
    let public = key.public();
    assert!(proved(octets, "halyard", &public, &public).is_err());
    assert!(matches!(heard(octets, &public, b"x"), JoinVerdict::Nothing | JoinVerdict::Stranger));
    let signed = seal_as(&key, REQUEST, octets);
    assert!(proved(signed.as_bytes(), "halyard", &public, &public).is_err(), "no proof of a key in it");
    let told = seal_as(&key, ANSWER, octets);
    if let JoinVerdict::Refused(why) = heard(told.as_bytes(), &public, b"x") {
        assert!(!why.contains(char::is_control));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn key() -> SiteKey {
        SiteKey::make().expect("randomness").0
    }

    #[test]
    fn a_request_proves_the_new_key_to_one_witness_under_one_name_by_one_invitation() {
        let (witness, invitation, own) = (key(), key(), key());
        let asked = request("halyard", &witness.public(), &invitation, &own);
        assert!(asked.len() < LARGEST / 2, "{}", asked.len());
        let look = |site: &str, witness: &SiteKey, invitation: &SiteKey| {
            proved(asked.as_bytes(), site, &witness.public(), &invitation.public())
        };
        assert_eq!(look("halyard", &witness, &invitation), Ok(own.public()));
        assert_eq!(look("nursery", &witness, &invitation), Err(Unproved::Forged));
        assert_eq!(look("halyard", &key(), &invitation), Err(Unproved::Forged));
        assert_eq!(look("halyard", &witness, &key()), Err(Unproved::Forged));
    }

    #[test]
    fn who_has_the_link_can_put_no_key_into_it_that_is_not_his() {
        let (witness, invitation, other) = (key(), key(), key());
        let meant = meant_for("halyard", &witness.public(), &invitation.public());
        let proof = seal_as(&invitation, PROOF, meant.as_bytes());
        let wish = JoinWish { version: VERSION, key: other.public(), proof };
        let asked = seal_as(&invitation, REQUEST, &serde_json::to_vec(&wish).expect("JSON"));
        let look = proved(asked.as_bytes(), "halyard", &witness.public(), &invitation.public());
        assert_eq!(look, Err(Unproved::Forged));
    }

    #[test]
    fn an_answer_is_the_witness_s_and_to_this_request() {
        let (witness, asked) = (key(), b"asked".as_slice());
        let hear = |answer: &str| heard(answer.as_bytes(), &witness.public(), asked);
        assert_eq!(hear(&answer(&witness, asked, Ok(()))), JoinVerdict::Taken);
        let refused = hear(&answer(&witness, asked, Err("the link\nhas been used")));
        assert!(
            matches!(refused, JoinVerdict::Refused(why) if why.contains("has been used") && !why.contains('\n'))
        );
        assert_eq!(hear(&answer(&key(), asked, Ok(()))), JoinVerdict::Stranger);
        assert_eq!(hear(&answer(&witness, b"other", Ok(()))), JoinVerdict::Nothing);
        assert_eq!(hear(&"A".repeat(LARGEST + 1)), JoinVerdict::Nothing);
    }

    proptest! {
        #[test]
        fn any_octets_prove_nothing(octets: Vec<u8>) {
            promise(&octets);
        }
    }
}

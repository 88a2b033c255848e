//! Signing and opening: a JSON Web Signature in its compact form (RFC 7515, 3.1) with Ed25519
//! (RFC 8037), so that any web address that takes check-ins can prove them with a library of its
//! choice. One header is understood and no other, so that nobody can talk the witness into
//! another algorithm; only bytes whose signature holds are parsed.

use crate::secret::Secret;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64URL;
use ring::rand::{SecureRandom, SystemRandom};
use ring::signature::{ED25519, Ed25519KeyPair, KeyPair, UnparsedPublicKey};
use std::fmt;
use std::sync::Arc;
use zeroize::Zeroizing;

/// Of a sealed check-in, where it goes by HTTP: RFC 7515, 9.2.1.
pub const MEDIA_TYPE: &str = "application/jose";

/// What keeps a signature of anything else from passing for a check-in.
const CHECK_IN: &str = "slackwater-check-in";

/// RFC 8032: a private key is a seed of 32 bytes.
const SEED: usize = 32;

/// The private half of a site's key.
#[derive(Clone)]
pub struct SiteKey(Arc<Ed25519KeyPair>);

/// Why a text is no check-in of the site.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotSealed {
    /// It hasn't the form of one.
    Garbled,
    /// The signature is not by the site's key.
    Forged,
}

impl SiteKey {
    /// A new one, and the line that a key file holds.
    ///
    /// # Errors
    /// If the system has no randomness to give.
    pub fn make() -> Result<(Self, Secret), String> {
        let mut seed = Zeroizing::new([0; SEED]);
        SystemRandom::new().fill(&mut *seed).map_err(|_| "the system gives no random numbers".to_owned())?;
        let line = BASE64URL.encode(*seed);
        let key = Self::read(&line).ok_or("the key just made can't be read")?;
        Ok((key, Secret::new(line)))
    }

    /// The key in the line of a key file; none if it is no key.
    pub fn read(line: &str) -> Option<Self> {
        let seed = Zeroizing::new(BASE64URL.decode(line.trim()).ok()?);
        if seed.len() != SEED {
            return None;
        }
        Ed25519KeyPair::from_seed_unchecked(&seed).ok().map(|key| Self(Arc::new(key)))
    }

    /// The beginning of the public half, for people who compare keys.
    pub fn print(&self) -> String {
        print(&self.public())
    }

    /// The public half, as a rule file has it: it may be seen by anybody.
    pub fn public(&self) -> String {
        BASE64URL.encode(self.0.public_key().as_ref())
    }
}

/// So many signs of a public key tell it from others for people.
const PRINT: usize = 8;

/// The beginning of a public key, for people who compare keys.
pub fn print(public: &str) -> String {
    public.chars().take(PRINT).collect()
}

impl fmt::Debug for SiteKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "SiteKey(public {})", self.public())
    }
}

/// The one header there is for what is of this kind: a signature of one kind never passes for
/// another.
fn header(kind: &str) -> String {
    format!(r#"{{"alg":"EdDSA","typ":"{kind}"}}"#)
}

/// A check-in's signed form.
pub fn seal(key: &SiteKey, body: &[u8]) -> String {
    seal_as(key, CHECK_IN, body)
}

/// The signed form of something of this kind.
pub fn seal_as(key: &SiteKey, kind: &'static str, body: &[u8]) -> String {
    sign(key, &header(kind), body)
}

fn sign(key: &SiteKey, header: &str, body: &[u8]) -> String {
    let signed = format!("{}.{}", BASE64URL.encode(header), BASE64URL.encode(body));
    let signature = BASE64URL.encode(key.0.sign(signed.as_bytes()).as_ref());
    format!("{signed}.{signature}")
}

/// A check-in's body, if it was signed with the key of which `public` is the public half.
///
/// # Errors
/// If it was not, or is no signed form at all.
pub fn open(public: &str, sealed: &[u8]) -> Result<Vec<u8>, NotSealed> {
    open_as(public, CHECK_IN, sealed)
}

/// The same of something of this kind.
pub(crate) fn open_as(public: &str, kind: &'static str, sealed: &[u8]) -> Result<Vec<u8>, NotSealed> {
    let text = std::str::from_utf8(sealed).map_err(|_| NotSealed::Garbled)?.trim_end();
    let (signed, signature) = text.rsplit_once('.').ok_or(NotSealed::Garbled)?;
    let (header, body) = signed.split_once('.').ok_or(NotSealed::Garbled)?;
    if header != BASE64URL.encode(self::header(kind)) {
        return Err(NotSealed::Garbled);
    }
    let bytes = |text: &str| BASE64URL.decode(text).map_err(|_| NotSealed::Garbled);
    let (public, signature) = (bytes(public)?, bytes(signature)?);
    let key = UnparsedPublicKey::new(&ED25519, public);
    key.verify(signed.as_bytes(), &signature).map_err(|_| NotSealed::Forged)?;
    bytes(body)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8037, appendix A.1 and A.2 (from memory, and borne out by A.4 below).
    const SECRET: &str = "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A";
    const PUBLIC: &str = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo";

    #[test]
    fn signatures_are_those_of_rfc_8037() {
        let key = SiteKey::read(SECRET).expect("a key");
        assert_eq!(key.public(), PUBLIC);
        // RFC 8037, appendix A.4 (from memory).
        let signed = sign(&key, r#"{"alg":"EdDSA"}"#, b"Example of Ed25519 signing");
        assert_eq!(
            signed,
            "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc.hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"
        );
        assert_eq!(open(PUBLIC, signed.as_bytes()), Err(NotSealed::Garbled), "it has another header");
    }

    #[test]
    fn what_was_sealed_opens_with_the_public_half_and_with_no_other() {
        let (key, line) = SiteKey::make().expect("a key");
        let sealed = seal(&key, b"alive");
        assert_eq!(open(&key.public(), sealed.as_bytes()), Ok(b"alive".to_vec()));
        assert_eq!(open(PUBLIC, sealed.as_bytes()), Err(NotSealed::Forged));
        let again = SiteKey::read(line.expose()).expect("the key again");
        assert_eq!(seal(&again, b"alive"), sealed, "a seed gives the same signatures");
        assert!(!format!("{key:?}").contains(line.expose()), "the private half is not shown");
    }

    #[test]
    fn a_signature_of_one_kind_is_none_of_another() {
        let (key, _) = SiteKey::make().expect("a key");
        let other = seal_as(&key, "slackwater-other", b"{}");
        assert_eq!(open_as(&key.public(), "slackwater-other", other.as_bytes()), Ok(b"{}".to_vec()));
        assert_eq!(open(&key.public(), other.as_bytes()), Err(NotSealed::Garbled));
        let check_in = seal(&key, b"{}");
        assert_eq!(open_as(&key.public(), "slackwater-other", check_in.as_bytes()), Err(NotSealed::Garbled));
    }

    #[test]
    fn a_changed_byte_anywhere_is_noticed() {
        let (key, _) = SiteKey::make().expect("a key");
        let sealed = seal(&key, br#"{"alive":true}"#);
        for at in 0..sealed.len() {
            let mut bytes = sealed.clone().into_bytes();
            // The last character of the signature has bits that mean nothing, and are refused too.
            bytes[at] = if bytes[at] == b'A' { b'Q' } else { b'A' };
            assert!(open(&key.public(), &bytes).is_err(), "byte {at}");
        }
        for wrong in ["", ".", "..", "a.b.c", "\u{0}", &sealed[..sealed.len() - 1]] {
            assert!(open(&key.public(), wrong.as_bytes()).is_err(), "{wrong:?}");
        }
    }

    #[test]
    fn what_is_no_key_is_not_taken_for_one() {
        for wrong in ["", "short", &"A".repeat(44), "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A=", "ü"] {
            assert!(SiteKey::read(wrong).is_none(), "{wrong:?}");
        }
    }
}

//! The link: one word without any sign that a shell or a mail changes. `slackwater-join:` and then,
//! in base64url (RFC 4648, 5), JSON with the first octets of its digest behind it. What a keeper
//! gives flows in and a [`JoinLink`] with nothing but bounded and plausible parts flows out, or why
//! it is no link.

use crate::checkin::SiteKey;
use crate::mqtt::{BrokerAddress, MOST_BROKERS};
use crate::plain_text::is_deceptive;
use crate::secret::Secret;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64URL;
use ring::digest::{SHA256, digest};
use serde::{Deserialize, Serialize};
use slackwater_rules::plan::is_site_name;
use std::fmt;

const BEGINS: &str = "slackwater-join:";

/// The form below. Another one is not understood.
const VERSION: u32 = 1;

/// Octets of the digest: a slip passes once in four thousand million times.
const CHECK: usize = 4;

/// A link with an authority's certificates is this long at most.
const LONGEST: usize = 12 * 1024;

/// Certificates of the broker's own authority, and octets of each.
const MOST_CERTIFICATES: usize = 3;
const LARGEST_CERTIFICATE: usize = 2_560;

/// A host's name (RFC 1035, 2.3.4), a user's or a password.
const LONGEST_TEXT: usize = 253;

/// A public key in base64url.
const KEY_LENGTH: usize = 43;

/// What a link carries.
#[derive(Clone, Debug)]
pub struct JoinLink {
    /// What the witness calls the site.
    pub site: String,
    /// Where the broker is.
    pub brokers: Vec<BrokerAddress>,
    /// How to be sure of it; in the clear if none.
    pub tls: Option<LinkTls>,
    /// Who sites are to it.
    pub user: Option<String>,
    /// With this password.
    pub password: Option<Secret>,
    /// The invitation's own key, as the line of a key file.
    pub invitation: Secret,
    /// The public half of the witness's key.
    pub witness: String,
}

/// How to be sure of the broker.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LinkTls {
    /// Certificates of its own authority (DER); the system's are trusted if none.
    pub authority: Vec<Vec<u8>>,
    /// The name in its certificate, if that is not the host's.
    pub server_name: Option<String>,
}

/// Why a text is no link that can be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoLink {
    /// It does not look like one.
    Other,
    /// It is damaged, cut off most likely.
    Damaged,
    /// Another version of the program has made it.
    Version(u32),
    /// It is whole, but says something that can't be.
    Nonsense(&'static str),
}

impl fmt::Display for NoLink {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Other => {
                write!(f, "this is no link of `slackwater witness enrol`: it begins with `{BEGINS}`")
            }
            Self::Damaged => f.write_str("the link is damaged: copy it again, from its beginning to its end"),
            Self::Version(version) => write!(
                f,
                "the link has version {version}, and {VERSION} is understood here: witness and site need versions of \
                 Slackwater that go together"
            ),
            Self::Nonsense(what) => write!(f, "the link can't be used: {what}"),
        }
    }
}

/// What can be read of any version.
#[derive(Deserialize)]
struct AnyVersion {
    v: u32,
}

/// The link as JSON.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    v: u32,
    site: String,
    to: Vec<(String, u16)>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    tls: Option<WrittenTls>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    user: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    password: Option<String>,
    key: String,
    witness: String,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenTls {
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    ca: Vec<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
}

impl JoinLink {
    /// The link in what a keeper gives.
    ///
    /// # Errors
    /// Why it is none.
    pub fn read(text: &str) -> Result<Self, NoLink> {
        let coded = text.trim().strip_prefix(BEGINS).ok_or(NoLink::Other)?;
        if coded.len() > LONGEST {
            return Err(NoLink::Damaged);
        }
        let octets = BASE64URL.decode(coded).map_err(|_| NoLink::Damaged)?;
        let (json, check) = octets.split_last_chunk::<CHECK>().ok_or(NoLink::Damaged)?;
        if check_of(json) != *check {
            return Err(NoLink::Damaged);
        }
        let AnyVersion { v } = serde_json::from_slice(json).map_err(|_| NoLink::Damaged)?;
        if v != VERSION {
            return Err(NoLink::Version(v));
        }
        let written: Written = serde_json::from_slice(json)
            .map_err(|_| NoLink::Nonsense("it is not in the form of its version"))?;
        written.checked()
    }

    /// The link as it is given to a keeper.
    ///
    /// # Errors
    /// What of it is too much for a link.
    pub fn text(&self) -> Result<String, NoLink> {
        let tls = self.tls.as_ref().map(|tls| WrittenTls {
            ca: tls.authority.iter().map(|one| BASE64URL.encode(one)).collect(),
            name: tls.server_name.clone(),
        });
        let written = Written {
            v: VERSION,
            site: self.site.clone(),
            to: self.brokers.iter().map(|place| (place.host.clone(), place.port)).collect(),
            tls,
            user: self.user.clone(),
            password: self.password.as_ref().map(|password| password.expose().to_owned()),
            key: self.invitation.expose().to_owned(),
            witness: self.witness.clone(),
        };
        let mut octets = serde_json::to_vec(&written).map_err(|_| NoLink::Nonsense("it can't be written"))?;
        let check = check_of(&octets);
        octets.extend(check);
        let text = format!("{BEGINS}{}", BASE64URL.encode(octets));
        // Nothing leaves that would not be taken.
        Self::read(&text).map(|_| text)
    }

    /// The invitation's own key.
    pub fn invitation(&self) -> Option<SiteKey> {
        SiteKey::read(self.invitation.expose())
    }
}

impl Written {
    fn checked(self) -> Result<JoinLink, NoLink> {
        let nonsense = |wrong: bool, what| if wrong { Err(NoLink::Nonsense(what)) } else { Ok(()) };
        nonsense(!is_site_name(&self.site), "no site can have its name")?;
        let places = self.to.len();
        nonsense(places == 0 || places > MOST_BROKERS, "it names no broker, or too many")?;
        let wrong_host =
            |host: &str| !is_text(host) || host.contains(|c: char| c.is_whitespace() || c == '/');
        let wrong = self.to.iter().any(|(host, port)| wrong_host(host) || *port == 0);
        nonsense(wrong, "its broker can't be where it says")?;
        let mut texts = self.user.iter().chain(&self.password);
        nonsense(!texts.all(|text| is_text(text)), "user or password have signs that can't be seen")?;
        nonsense(SiteKey::read(&self.key).is_none(), "it holds no key")?;
        let key = |text: &str| text.len() == KEY_LENGTH && BASE64URL.decode(text).is_ok();
        nonsense(!key(&self.witness), "it names no witness")?;
        let tls = self.tls.map(|tls| {
            nonsense(tls.ca.len() > MOST_CERTIFICATES, "it has too many certificates")?;
            let wrong = tls.name.as_ref().is_some_and(|name| wrong_host(name));
            nonsense(wrong, "its broker can't be called what it says")?;
            let one = |coded: &String| BASE64URL.decode(coded).ok();
            let authority: Option<Vec<_>> = tls.ca.iter().map(one).collect();
            let authority = authority.filter(|all| all.iter().all(|one| one.len() <= LARGEST_CERTIFICATE));
            let authority =
                authority.ok_or(NoLink::Nonsense("its certificates can't be read, or are too long"))?;
            Ok(LinkTls { authority, server_name: tls.name })
        });
        Ok(JoinLink {
            site: self.site,
            brokers: self.to.into_iter().map(|(host, port)| BrokerAddress { host, port }).collect(),
            tls: tls.transpose()?,
            user: self.user,
            password: self.password.map(Secret::new),
            invitation: Secret::new(self.key),
            witness: self.witness,
        })
    }
}

/// The first octets of a digest.
fn check_of(octets: &[u8]) -> [u8; CHECK] {
    digest(&SHA256, octets).as_ref().first_chunk().copied().unwrap_or_default()
}

fn is_text(text: &str) -> bool {
    (1..=LONGEST_TEXT).contains(&text.len()) && !text.contains(is_deceptive)
}

/// Any octets are a link that can be written again, or none.
#[cfg(any(test, feature = "fuzzing"))]
#[expect(clippy::expect_used, reason = "a broken promise panics")]
pub(super) fn promise(octets: &[u8]) {
    // What fuzzing makes has no right digest: it is put behind.
    let whole = [octets, &check_of(octets)].concat();
    let made = format!("{BEGINS}{}", BASE64URL.encode(whole));
    for text in [String::from_utf8_lossy(octets).into_owned(), made] {
        match JoinLink::read(&text) {
            Ok(link) => {
                let again = JoinLink::read(&link.text().expect("it was read")).expect("it was written");
                assert_eq!((again.site, again.brokers), (link.site.clone(), link.brokers.clone()));
                assert!(is_site_name(&link.site) && link.invitation().is_some());
            }
            Err(why) => assert!(!why.to_string().contains(char::is_control)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn link() -> JoinLink {
        let (_, invitation) = SiteKey::make().expect("randomness");
        JoinLink {
            site: "halyard".to_owned(),
            brokers: vec![BrokerAddress { host: "mqtt.example.org".to_owned(), port: 8883 }],
            tls: Some(LinkTls { authority: vec![vec![0x30; 500]], server_name: None }),
            user: Some("sites".to_owned()),
            password: Some(Secret::new("spring ebb \"7\"")),
            invitation,
            witness: SiteKey::make().expect("randomness").0.public(),
        }
    }

    #[test]
    fn a_link_says_what_it_was_made_of() {
        let link = link();
        let text = link.text().expect("short enough");
        assert!(text.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_:".contains(&b)), "one word: {text}");
        let read = JoinLink::read(&format!(" {text}\n")).expect("a link");
        assert_eq!(format!("{read:?}"), format!("{link:?}"));
        assert_eq!((read.password, read.invitation), (link.password, link.invitation));
    }

    #[test]
    fn a_link_that_is_not_whole_is_told_from_what_is_none() {
        let text = link().text().expect("short enough");
        let read = |text: &str| JoinLink::read(text).expect_err("no link");
        assert_eq!(read("https://halyard.home.arpa:8740/in/x"), NoLink::Other);
        assert_eq!(read(&text[..text.len() - 5]), NoLink::Damaged);
        assert_eq!(read(&text.replacen("slackwater-join:", "slackwater-join:A", 1)), NoLink::Damaged);
        assert_eq!(read(&format!("{BEGINS}{}", "A".repeat(LONGEST + 1))), NoLink::Damaged);
        assert_eq!(read(BEGINS), NoLink::Damaged);
    }

    #[test]
    fn a_link_of_another_version_or_with_impossible_parts_is_refused_with_the_reason() {
        let with = |from: &str, to: &str| {
            let text = link().text().expect("short enough");
            let mut octets = BASE64URL.decode(&text[BEGINS.len()..]).expect("coded");
            octets.truncate(octets.len() - CHECK);
            let json = String::from_utf8(octets).expect("JSON").replacen(from, to, 1).into_bytes();
            let whole = [json.as_slice(), &check_of(&json)].concat();
            JoinLink::read(&format!("{BEGINS}{}", BASE64URL.encode(whole))).expect_err("refused").to_string()
        };
        assert!(with("\"v\":1", "\"v\":2,\"more\":[]").contains("version 2"));
        assert!(with("halyard", "../../etc").contains("no site can have its name"));
        assert!(with("mqtt.example.org", "mqtt.example.org/x y").contains("its broker can't be"));
        assert!(with("sites", "si\\ntes").contains("can't be seen"));
        assert!(with("\"to\":", "\"from\":").contains("not in the form"));
    }

    proptest! {
        #[test]
        fn any_octets_are_a_link_that_can_be_written_again_or_none(octets: Vec<u8>) {
            promise(&octets);
        }
    }
}

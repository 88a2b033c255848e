//! What a failed handshake means, in words that a keeper can act on, and whether trying again can
//! help. It goes by the types of rustls's errors, never by their texts.

use jiff::Timestamp;
use rustls::pki_types::UnixTime;
use rustls::{AlertDescription, CertificateError, InvalidMessage, OtherError, PeerIncompatible};
use slackwater_rules::record::Outcome;
use std::error::Error;
use std::fmt;
use std::io;

/// So many of the names that a certificate carries are told, each so long.
const MOST_NAMES: usize = 5;
const LONGEST_NAME: usize = 80;

/// A server's certificate that no authority has signed for it, though it is refused for another
/// reason, or for none that says so.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct OwnSigned {
    /// It is signed by its own key.
    pub(super) by_itself: bool,
    /// It says that it belongs to an authority, which no server's may (RFC 5280, section 4.2.1.9).
    pub(super) as_authority: bool,
}

impl fmt::Display for OwnSigned {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match (self.by_itself, self.as_authority) {
            (true, true) => "a self-signed certificate made for an authority",
            (_, false) => "a self-signed certificate",
            (false, true) => "a certificate made for an authority",
        })
    }
}

impl Error for OwnSigned {}

/// The outcome of a failed handshake, if TLS is what failed. Most such failures are the
/// settings' fault and trying again only knocks at the same door. A wrong clock is not: a board
/// without a battery clock starts in the past after a power cut, or wherever a failing one has
/// put it, until the network tells it the time, and just then the page must go out. So what a
/// clock can be the cause of is tried again. The check itself is never left out.
pub(crate) fn outcome(error: &(dyn Error + 'static), peer: &str) -> Option<Outcome> {
    let tls = cause(error)?;
    let why = format!("{peer}: {}", words(tls));
    Some(match tls {
        rustls::Error::InvalidCertificate(
            CertificateError::NotValidYet
            | CertificateError::NotValidYetContext { .. }
            | CertificateError::Expired
            | CertificateError::ExpiredContext { .. },
        ) => Outcome::deferred(why),
        // RFC 8446, section 6.2: an error that has nothing to do with us, such as want of memory.
        rustls::Error::AlertReceived(AlertDescription::InternalError) => Outcome::deferred(why),
        _ => Outcome::Failed { why: format!("settings: {why}") },
    })
}

/// The same in words alone, for who sends no pages.
pub(crate) fn trouble(error: &(dyn Error + 'static), peer: &str) -> Option<String> {
    cause(error).map(|tls| format!("{peer}: {}", words(tls)))
}

/// Whether what the other side said is not TLS at all.
pub(crate) fn is_no_tls(error: &(dyn Error + 'static)) -> bool {
    matches!(cause(error), Some(rustls::Error::InvalidMessage(_)))
}

/// The TLS error among the causes. An I/O error hides what it wraps from `source`.
fn cause<'a>(error: &'a (dyn Error + 'static)) -> Option<&'a rustls::Error> {
    let mut next = Some(error);
    while let Some(error) = next {
        let wrapped = error.downcast_ref::<io::Error>().and_then(io::Error::get_ref);
        let inner = wrapped.and_then(|inner| inner.downcast_ref::<rustls::Error>());
        if let Some(tls) = error.downcast_ref::<rustls::Error>().or(inner) {
            return Some(tls);
        }
        next = error.source();
    }
    None
}

fn words(error: &rustls::Error) -> String {
    match error {
        rustls::Error::InvalidCertificate(certificate) => refused(certificate),
        rustls::Error::InvalidMessage(InvalidMessage::InvalidContentType) => {
            "no TLS is spoken on this port, or not from the first byte".to_owned()
        }
        rustls::Error::InvalidMessage(_) => {
            "no TLS is spoken on this port, or not from the first byte, or the line garbles it".to_owned()
        }
        rustls::Error::NoCertificatesPresented => "the server shows no certificate".to_owned(),
        rustls::Error::PeerIncompatible(why) => format!("no common way to encrypt: {}", incompatible(why)),
        rustls::Error::AlertReceived(alert) => format!("the server broke off: {}", alerted(*alert)),
        other => format!("TLS failed: {other}"),
    }
}

/// Why a certificate is refused.
#[expect(deprecated, reason = "older variants must be told in the same words as those that replace them")]
fn refused(error: &CertificateError) -> String {
    use CertificateError as E;
    match error {
        E::Expired => "certificate has expired, unless the board's clock is wrong".to_owned(),
        E::ExpiredContext { time, not_after } => format!(
            "certificate has expired, unless the board's clock is wrong: it was valid until {}, and here it is {}",
            date(*not_after),
            date(*time)
        ),
        E::NotValidYet => "certificate not valid yet: is the board's clock right?".to_owned(),
        E::NotValidYetContext { time, not_before } => format!(
            "certificate not valid yet: is the board's clock right? It is valid from {}, and here it is {}",
            date(*not_before),
            date(*time)
        ),
        // A bad signature is what an authority made anew under its old name looks like.
        E::UnknownIssuer | E::BadSignature => {
            "certificate of an authority that is not trusted here; if it is your own, set ca-file".to_owned()
        }
        E::NotValidForName => "certificate is for another name".to_owned(),
        E::NotValidForNameContext { expected, presented } => format!(
            "certificate is for another name: `{}` was asked for, and it has {}",
            expected.to_str(),
            names(presented)
        ),
        E::Revoked => "certificate was revoked by its authority".to_owned(),
        E::UnknownRevocationStatus | E::ExpiredRevocationList | E::ExpiredRevocationListContext { .. } => {
            "whether the certificate was revoked can't be known".to_owned()
        }
        E::BadEncoding => "certificate can't be read: it is none of X.509, version 3".to_owned(),
        E::UnhandledCriticalExtension => {
            "certificate makes a condition that this program does not know (a critical extension)".to_owned()
        }
        E::UnsupportedSignatureAlgorithm
        | E::UnsupportedSignatureAlgorithmContext { .. }
        | E::UnsupportedSignatureAlgorithmForPublicKeyContext { .. } => {
            "certificate is signed in a way that is not safe, or not known here: have a new one made"
                .to_owned()
        }
        E::InvalidPurpose | E::InvalidPurposeContext { .. } => {
            "certificate was made for another purpose than a server's (its extended key usage)".to_owned()
        }
        E::InvalidOcspResponse => "the server's proof that its certificate still holds is wrong".to_owned(),
        E::ApplicationVerificationFailure => "certificate not accepted".to_owned(),
        E::Other(OtherError(other)) => match other.downcast_ref::<OwnSigned>() {
            Some(OwnSigned { by_itself: true, as_authority: false }) => {
                "certificate is self-signed; if the server is your own, set ca-file to this certificate"
                    .to_owned()
            }
            Some(OwnSigned { by_itself: true, as_authority: true }) => {
                "certificate is self-signed and made for an authority (CA:TRUE), which no server's may be: \
                 have that authority sign one for the server, and set ca-file to the authority's"
                    .to_owned()
            }
            Some(OwnSigned { by_itself: false, .. }) => {
                "certificate was made for an authority (CA:TRUE), which no server's may be".to_owned()
            }
            None => format!("certificate not accepted: {error}"),
        },
        other => format!("certificate not accepted: {other}"),
    }
}

fn date(time: UnixTime) -> String {
    let second = i64::try_from(time.as_secs()).ok().and_then(|second| Timestamp::from_second(second).ok());
    second.map_or_else(|| "beyond the calendar".to_owned(), |time| time.to_string())
}

/// Names of a certificate may be anything that somebody could have signed: only plain signs of
/// them are shown.
fn names(presented: &[String]) -> String {
    let plain = |c: char| if c.is_ascii_graphic() && c != '`' { c } else { '?' };
    let shown = presented.iter().take(MOST_NAMES).map(|name| {
        // `DnsName("mail.example.org")`
        let inner = name.split_once('(').and_then(|(_, rest)| rest.strip_suffix(')')).unwrap_or(name);
        let name: String = inner.trim_matches('"').chars().take(LONGEST_NAME).map(plain).collect();
        format!("`{name}`")
    });
    let shown = shown.collect::<Vec<_>>().join(", ");
    match presented.len().saturating_sub(MOST_NAMES) {
        _ if presented.is_empty() => "none".to_owned(),
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}

fn incompatible(why: &PeerIncompatible) -> &'static str {
    match why {
        PeerIncompatible::ServerDoesNotSupportTls12Or13
        | PeerIncompatible::ServerTlsVersionIsDisabledByOurConfig
        | PeerIncompatible::Tls12NotOffered
        | PeerIncompatible::Tls12NotOfferedOrEnabled
        | PeerIncompatible::SupportedVersionsExtensionRequired => {
            "the server knows neither TLS 1.2 nor TLS 1.3, which are the ones that are safe"
        }
        PeerIncompatible::NoCipherSuitesInCommon
        | PeerIncompatible::NoKxGroupsInCommon
        | PeerIncompatible::NoSignatureSchemesInCommon
        | PeerIncompatible::NamedGroupsExtensionRequired => {
            "the server knows only ciphers that are no longer safe, or only ones not known here"
        }
        _ => "the server lacks a part of TLS that is needed",
    }
}

fn alerted(alert: AlertDescription) -> String {
    let words = match alert {
        AlertDescription::HandshakeFailure
        | AlertDescription::ProtocolVersion
        | AlertDescription::InsufficientSecurity => "it finds no common way to encrypt",
        AlertDescription::CertificateRequired
        | AlertDescription::NoCertificate
        | AlertDescription::BadCertificate
        | AlertDescription::UnknownCA
        | AlertDescription::AccessDenied => {
            "it wants a certificate of ours, and this program has none: let it ask for a password instead"
        }
        AlertDescription::UnrecognisedName => "it knows no host of this name",
        AlertDescription::InternalError => "it has an internal error",
        _ => return format!("it gives {alert:?} as its reason"),
    };
    words.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustls::pki_types::ServerName;
    use std::sync::Arc;
    use std::time::Duration;

    fn said(error: impl Into<rustls::Error>) -> String {
        let io = io::Error::other(error.into());
        trouble(&io, "mail.example.org:465").expect("it is of TLS")
    }

    #[test]
    fn every_fault_of_a_certificate_has_words_of_its_own() {
        use CertificateError as E;
        let at = |seconds| UnixTime::since_unix_epoch(Duration::from_secs(seconds));
        let own =
            |by_itself, as_authority| E::Other(OtherError(Arc::new(OwnSigned { by_itself, as_authority })));
        let expected = ServerName::try_from("mail.example.org").expect("a name");
        let presented = vec!["DnsName(\"a\u{0}b\u{202e}\")".to_owned()];
        for (error, words) in [
            (own(true, false), "certificate is self-signed; if the server is your own, set ca-file"),
            (own(true, true), "self-signed and made for an authority (CA:TRUE)"),
            (own(false, true), "made for an authority (CA:TRUE), which no server's may be"),
            (E::UnknownIssuer, "authority that is not trusted here; if it is your own, set ca-file"),
            (E::BadSignature, "authority that is not trusted here"),
            (
                E::ExpiredContext { time: at(1_795_489_965), not_after: at(978_307_200) },
                "expired, unless the board's clock is wrong: it was valid until 2001-01-01T00:00:00Z, and here it is 2026-11-24T03:12:45Z",
            ),
            (
                E::NotValidYetContext { time: at(0), not_before: at(978_307_200) },
                "not valid yet: is the board's clock right? It is valid from 2001-01-01T00:00:00Z, and here it is 1970-01-01T00:00:00Z",
            ),
            (
                E::NotValidForNameContext { expected, presented },
                "for another name: `mail.example.org` was asked for, and it has `a?b?`",
            ),
            (E::Revoked, "revoked"),
            (E::BadEncoding, "can't be read"),
            (E::InvalidPurpose, "another purpose"),
            (E::UnhandledCriticalExtension, "critical extension"),
        ] {
            let said = said(error.clone());
            assert!(said.contains(words), "{error:?}: {said}");
        }
    }

    #[test]
    fn what_a_clock_or_the_server_can_be_the_cause_of_is_tried_again_and_all_else_is_the_settings_fault() {
        let outcome = |error: CertificateError| {
            outcome(&io::Error::other(rustls::Error::from(error)), "here").expect("of TLS")
        };
        for error in [CertificateError::Expired, CertificateError::NotValidYet] {
            assert!(matches!(outcome(error.clone()), Outcome::Deferred { .. }), "{error:?}");
        }
        for error in [CertificateError::UnknownIssuer, CertificateError::NotValidForName] {
            let settings = |why: &str| why.starts_with("settings: here: ");
            assert!(matches!(outcome(error.clone()), Outcome::Failed { why } if settings(&why)), "{error:?}");
        }
        assert!(super::outcome(&io::Error::other("unplugged"), "here").is_none());
        let alert = |alert| super::outcome(&io::Error::other(rustls::Error::AlertReceived(alert)), "here");
        assert!(matches!(alert(AlertDescription::InternalError), Some(Outcome::Deferred { .. })));
        assert!(matches!(alert(AlertDescription::CertificateRequired), Some(Outcome::Failed { .. })));
    }

    #[test]
    fn other_ends_of_a_handshake_say_what_to_look_at() {
        for (error, words) in [
            (
                rustls::Error::InvalidMessage(InvalidMessage::InvalidContentType),
                "no TLS is spoken on this port",
            ),
            (
                rustls::Error::AlertReceived(AlertDescription::CertificateRequired),
                "wants a certificate of ours",
            ),
            (rustls::Error::AlertReceived(AlertDescription::ProtocolVersion), "no common way to encrypt"),
            (PeerIncompatible::ServerDoesNotSupportTls12Or13.into(), "neither TLS 1.2 nor TLS 1.3"),
        ] {
            let said = said(error);
            assert!(said.contains(words), "{words}: {said}");
        }
    }
}

//! Whom to trust, and what a failed handshake means in words that a keeper can act on. Mail, push
//! and UPS servers share it, so that all trust the same authorities and say the same things.

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{CertificateError, ClientConfig, RootCertStore};
use slackwater_rules::record::Outcome;
use std::error::Error;
use std::io;
use std::net::IpAddr;
use std::path::Path;
use std::sync::Arc;

/// The authorities in `ca_file`, and no others; the system's if there is no file.
pub(crate) fn authorities(ca_file: Option<&Path>) -> Result<Vec<CertificateDer<'static>>, String> {
    let Some(path) = ca_file else {
        let found = rustls_native_certs::load_native_certs().certs;
        let usable: Vec<_> =
            found.into_iter().filter(|der| RootCertStore::empty().add(der.clone()).is_ok()).collect();
        return match usable.is_empty() {
            true => Err("this system has no certificate authorities (Debian package ca-certificates); \
                 install them, or set ca-file"
                .into()),
            false => Ok(usable),
        };
    };
    let wrong = |e: &dyn std::fmt::Display| format!("ca-file {}: {e}", path.display());
    let read = CertificateDer::pem_file_iter(path).map_err(|e| wrong(&e))?;
    let certificates = read.collect::<Result<Vec<_>, _>>().map_err(|e| wrong(&e))?;
    for certificate in &certificates {
        RootCertStore::empty().add(certificate.clone()).map_err(|e| wrong(&e))?;
    }
    match certificates.is_empty() {
        true => Err(wrong(&"no certificate in it")),
        false => Ok(certificates),
    }
}

/// A client that trusts these authorities.
pub(crate) fn client(authorities: Vec<CertificateDer<'static>>) -> Result<Arc<ClientConfig>, String> {
    let mut roots = RootCertStore::empty();
    roots.add_parsable_certificates(authorities);
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| format!("TLS cannot be set up: {e}"))?;
    Ok(Arc::new(builder.with_root_certificates(roots).with_no_client_auth()))
}

/// Whether a host is this very machine, by its text alone: a loopback address, or `localhost`,
/// which never leaves the machine (RFC 6761, section 6.3).
pub(super) fn is_loopback(host: &str) -> bool {
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    bare.eq_ignore_ascii_case("localhost") || bare.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// The outcome of a failed handshake, if TLS is what failed. Most such failures are the
/// settings' fault and trying again only knocks at the same door. A wrong clock is not: a board
/// without a battery clock starts in the past after a power cut, or wherever a failing one has
/// put it, until the network tells it the time, and just then the page must go out. So what a
/// clock can be the cause of is tried again. The check itself is never left out.
pub(super) fn outcome(error: &(dyn Error + 'static), peer: &str) -> Option<Outcome> {
    let tls = cause(error)?;
    let settings = |why: String| Outcome::Failed { why: format!("settings: {why}") };
    Some(match tls {
        rustls::Error::InvalidCertificate(certificate) => match certificate {
            CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. } => {
                Outcome::Deferred {
                    why: format!(
                        "{peer}: certificate not valid yet: is the board's clock right? ({certificate})"
                    ),
                }
            }
            CertificateError::Expired | CertificateError::ExpiredContext { .. } => Outcome::Deferred {
                why: format!(
                    "{peer}: certificate has expired, unless the board's clock is wrong ({certificate})"
                ),
            },
            // A bad signature is what an authority made anew under its old name looks like.
            CertificateError::UnknownIssuer | CertificateError::BadSignature => settings(format!(
                "{peer}: certificate of an authority that is not trusted here; if it is your own, set ca-file"
            )),
            CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. } => {
                settings(format!("{peer}: certificate is for another name ({certificate})"))
            }
            other => settings(format!("{peer}: certificate not accepted: {other}")),
        },
        rustls::Error::InvalidMessage(_) => {
            settings(format!("{peer}: no TLS is spoken on this port, or not from the first byte"))
        }
        other => settings(format!("{peer}: TLS failed: {other}")),
    })
}

/// The same in words alone, for who sends no pages.
pub(crate) fn trouble(error: &(dyn Error + 'static), peer: &str) -> Option<String> {
    match outcome(error, peer)? {
        Outcome::Deferred { why } | Outcome::Failed { why } => Some(why),
        Outcome::Accepted { .. } => None,
    }
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

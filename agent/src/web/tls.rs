//! How the page is encrypted: the keeper's certificate, or one that the watch makes once and keeps
//! beside its journal, so that a browser that was told to trust it goes on doing so.

use crate::settings::{WebSettings, WebTls};
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use std::io;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::Path;
use std::sync::Arc;
use tokio_rustls::TlsAcceptor;

/// Files of its own making, beside the journal.
const CERTIFICATE: &str = "web-certificate.pem";
const KEY: &str = "web-key.pem";

/// What speaks TLS, if it is to be spoken.
///
/// # Errors
/// If a file can't be read or made, or does not hold what it should; with words for a person.
pub(super) fn acceptor(settings: &WebSettings, journal: &Path) -> io::Result<Option<TlsAcceptor>> {
    let (certificates, key) = match &settings.tls {
        None => return Ok(None),
        Some(WebTls::Keepers { certificates, key }) => (certificates.clone(), key.clone()),
        Some(WebTls::OwnMaking) => {
            let places = (journal.with_file_name(CERTIFICATE), journal.with_file_name(KEY));
            if !places.0.exists() || !places.1.exists() {
                make(settings, &places.0, &places.1)?;
            }
            places
        }
    };
    let named =
        |file: &Path, why: &dyn std::fmt::Display| io::Error::other(format!("{}: {why}", file.display()));
    let chain = CertificateDer::pem_file_iter(&certificates)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|error| named(&certificates, &error))?;
    if chain.is_empty() {
        return Err(named(&certificates, &"there is no certificate in it"));
    }
    let secret = PrivateKeyDer::from_pem_file(&key).map_err(|error| named(&key, &error))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .and_then(|config| config.with_no_client_auth().with_single_cert(chain, secret))
        .map_err(|error| named(&key, &error))?;
    Ok(Some(TlsAcceptor::from(Arc::new(config))))
}

/// Makes a certificate for every name that this page may be asked for by.
fn make(settings: &WebSettings, certificate: &Path, key: &Path) -> io::Result<()> {
    let mut names = vec!["localhost".to_owned()];
    names.extend(settings.url_host());
    names.extend(settings.hosts.iter().cloned());
    let ip = settings.listen.ip();
    if !ip.is_unspecified() {
        names.push(ip.to_string());
    }
    names.sort();
    names.dedup();
    let made = rcgen::generate_simple_self_signed(names).map_err(io::Error::other)?;
    private(key, made.signing_key.serialize_pem().as_bytes())?;
    std::fs::write(certificate, made.cert.pem())
}

fn private(file: &Path, octets: &[u8]) -> io::Result<()> {
    let mut to =
        std::fs::OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(file)?;
    io::Write::write_all(&mut to, octets)
}

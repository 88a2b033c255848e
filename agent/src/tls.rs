//! Whom to trust, for all connections under TLS: mail, push, UPS servers and brokers share it, so
//! that all trust the same authorities and say the same things when a server can't be trusted
//! ([`fault`]). Files of authorities flow in, clients for rustls flow out.

pub(crate) mod expiry;
mod fault;

pub(crate) use fault::{is_no_tls, outcome, trouble};

use fault::OwnSigned;
use rustls::client::WebPkiServerVerifier;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName, UnixTime};
use rustls::{
    CertificateError, ClientConfig, DigitallySignedStruct, OtherError, RootCertStore, SignatureScheme,
};
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The authorities in `ca_file`, and no others; the system's if there is no file.
fn authorities(ca_file: Option<&Path>) -> Result<Vec<CertificateDer<'static>>, String> {
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

/// Who we are to a server that asks for a certificate.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClientIdentity {
    /// PEM file with our certificate and those that lead to its authority.
    pub certificate: PathBuf,
    /// PEM file with its private key.
    pub key: PathBuf,
}

impl ClientIdentity {
    fn load(&self) -> Result<(Vec<CertificateDer<'static>>, PrivateKeyDer<'static>), String> {
        let wrong = |path: &Path, e: &dyn std::fmt::Display| format!("{}: {e}", path.display());
        let read = CertificateDer::pem_file_iter(&self.certificate);
        let read = read.and_then(Iterator::collect::<Result<Vec<_>, _>>);
        let certificates = read.map_err(|e| wrong(&self.certificate, &e))?;
        let key = PrivateKeyDer::from_pem_file(&self.key).map_err(|e| wrong(&self.key, &e))?;
        Ok((certificates, key))
    }
}

/// A client that trusts the authorities in `ca_file`, or the system's, and says who it is.
pub(crate) fn client(
    ca_file: Option<&Path>,
    identity: Option<&ClientIdentity>,
) -> Result<Arc<ClientConfig>, String> {
    let mut roots = RootCertStore::empty();
    roots.add_parsable_certificates(authorities(ca_file)?);
    let wrong = |e: &dyn std::fmt::Display| format!("TLS cannot be set up: {e}");
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let verifier = WebPkiServerVerifier::builder_with_provider(Arc::new(roots), Arc::clone(&provider));
    let verifier = Explaining(verifier.build().map_err(|e| wrong(&e))?);
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| wrong(&e))?;
    // It asks the usual verifier and only explains its refusals: what that refuses stays refused.
    let builder = builder.dangerous().with_custom_certificate_verifier(Arc::new(verifier));
    match identity {
        None => Ok(Arc::new(builder.with_no_client_auth())),
        Some(identity) => {
            let (certificates, key) = identity.load()?;
            let built = builder.with_client_auth_cert(certificates, key);
            let place = identity.certificate.display();
            Ok(Arc::new(built.map_err(|e| format!("{place} and its key can't be used: {e}"))?))
        }
    }
}

/// The usual verifier, whose refusals also tell a certificate that is signed by itself from one of
/// an authority that is not known: rustls has one error for both, and a keeper does different
/// things about them.
#[derive(Debug)]
struct Explaining(Arc<WebPkiServerVerifier>);

impl ServerCertVerifier for Explaining {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        intermediates: &[CertificateDer<'_>],
        server_name: &ServerName<'_>,
        ocsp_response: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        let verified = self.0.verify_server_cert(end_entity, intermediates, server_name, ocsp_response, now);
        verified
            .inspect(|_| expiry::note(server_name, end_entity))
            .map_err(|error| explained(error, end_entity))
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        self.0.verify_tls12_signature(message, cert, dss)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        self.0.verify_tls13_signature(message, cert, dss)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.0.supported_verify_schemes()
    }
}

fn explained(error: rustls::Error, end_entity: &CertificateDer<'_>) -> rustls::Error {
    let as_authority = match &error {
        rustls::Error::InvalidCertificate(CertificateError::UnknownIssuer) => false,
        rustls::Error::InvalidCertificate(CertificateError::Other(OtherError(other))) => {
            match other.downcast_ref::<webpki::Error>() {
                Some(webpki::Error::CaUsedAsEndEntity) => true,
                Some(_) | None => return error,
            }
        }
        _ => return error,
    };
    let by_itself = webpki::EndEntityCert::try_from(end_entity).is_ok_and(|c| c.issuer() == c.subject());
    match (by_itself, as_authority) {
        (true, _) | (false, true) => {
            let own = OwnSigned { by_itself, as_authority };
            CertificateError::Other(OtherError(Arc::new(own))).into()
        }
        (false, false) => error,
    }
}

/// Whether a host is this very machine, by its text alone: a loopback address, or `localhost`,
/// which never leaves the machine (RFC 6761, section 6.3).
pub(crate) fn is_loopback(host: &str) -> bool {
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    bare.eq_ignore_ascii_case("localhost") || bare.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

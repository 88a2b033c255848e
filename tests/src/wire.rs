//! What scripted servers share: a stream that may or may not be encrypted, TLS of an identity,
//! and a port where nobody listens.

use crate::certs::{Authority, Identity};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::WebPkiClientVerifier;
use rustls::{RootCertStore, ServerConfig};
use std::io;
use std::sync::Arc;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;

/// A connection, encrypted or not.
pub trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}

impl<T: AsyncRead + AsyncWrite + Send + Unpin> Stream for T {}

/// A server's side of TLS.
///
/// # Errors
/// When the identity's files cannot be read or do not fit together.
pub fn tls(identity: &Identity) -> io::Result<Arc<ServerConfig>> {
    serving(identity, None)
}

/// The same for those alone who show a certificate of this authority.
///
/// # Errors
/// As [`tls`].
pub fn tls_among_friends(identity: &Identity, authority: &Authority) -> io::Result<Arc<ServerConfig>> {
    serving(identity, Some(authority))
}

fn serving(identity: &Identity, friends: Option<&Authority>) -> io::Result<Arc<ServerConfig>> {
    let chain = CertificateDer::pem_file_iter(&identity.certificate)
        .map_err(io::Error::other)?
        .collect::<Result<Vec<_>, _>>()
        .map_err(io::Error::other)?;
    let key = PrivateKeyDer::from_pem_file(&identity.key).map_err(io::Error::other)?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(io::Error::other)?;
    let builder = match friends {
        None => builder.with_no_client_auth(),
        Some(authority) => {
            let provider = Arc::new(rustls::crypto::ring::default_provider());
            let mut known = RootCertStore::empty();
            let own = CertificateDer::from_pem_file(authority.file()).map_err(io::Error::other)?;
            known.add(own).map_err(io::Error::other)?;
            let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(known), provider).build();
            builder.with_client_cert_verifier(verifier.map_err(io::Error::other)?)
        }
    };
    Ok(Arc::new(builder.with_single_cert(chain, key).map_err(io::Error::other)?))
}

/// A local port that refuses connections.
///
/// # Errors
/// When no port can be had.
pub async fn closed_port() -> io::Result<u16> {
    Ok(TcpListener::bind(("127.0.0.1", 0)).await?.local_addr()?.port())
}

/// Base64 (RFC 4648, section 4).
pub fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::new();
    for chunk in bytes.chunks(3) {
        let group =
            chunk.iter().fold(0u32, |group, byte| group << 8 | u32::from(*byte)) << (8 * (3 - chunk.len()));
        for place in 0..4 {
            let letter = LETTERS[(group >> (18 - 6 * place)) as usize & 63];
            out.push(if place > chunk.len() { '=' } else { char::from(letter) });
        }
    }
    out
}

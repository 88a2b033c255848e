//! TLS to the broker, outside the client library.
//!
//! The library's own TLS features would bring old and unmaintained crates with known advisories, and blur
//! every TLS error into a closed connection. It offers no other way to hand it a stream than a Unix socket,
//! so the encrypted stream is made here first, with its errors in clear words, and then bridged to it over
//! a socket in Linux's abstract namespace: no file, no folder, no permissions to get wrong. The name is
//! random, and only a peer that is this very process is let in.

use std::fmt;
use std::io;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{CertificateError, ClientConfig, RootCertStore};
use tokio::io::copy_bidirectional;
use tokio::net::{TcpStream, UnixListener, UnixStream};
use tokio::task::JoinHandle;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;

use super::retry::random;
use super::settings::{Settings, Tls};

/// For the name, the connection and the handshake together.
const OPENING: Duration = Duration::from_secs(10);
/// For the last bytes, and for a reason to arrive, after the library has let go.
const CLOSING: Duration = Duration::from_millis(500);

pub(super) struct Tunnel {
    /// The path to give to the library.
    pub(super) path: String,
    bridge: JoinHandle<io::Result<()>>,
}

/// Connects and shakes hands with the broker.
///
/// # Errors
/// The cause in words for a person.
pub(super) async fn open(settings: Settings, tls: Tls) -> Result<Tunnel, String> {
    let place = format!("{}:{}", settings.host, settings.port);
    match timeout(OPENING, connect(&settings, tls, &place)).await {
        Ok(stream) => {
            bridge(stream?).map_err(|e| format!("cannot make a local socket for the TLS tunnel: {e}"))
        }
        Err(_) => Err(format!("no TLS connection to {place} within {} s", OPENING.as_secs())),
    }
}

async fn connect(settings: &Settings, tls: Tls, place: &str) -> Result<TlsStream<TcpStream>, String> {
    let name = settings.server_name().to_owned();
    let server_name =
        ServerName::try_from(name.clone()).map_err(|e| format!("TLS server name {name:?}: {e}"))?;
    // Reading the system's certificates takes a while on a slow card.
    let config = tokio::task::spawn_blocking(move || config(tls.ca_file.as_deref()))
        .await
        .map_err(|e| format!("reading the trusted certificates failed: {e}"))??;
    let address = (settings.host.as_str(), settings.port);
    let tcp = TcpStream::connect(address).await.map_err(|e| format!("cannot reach {place}: {e}"))?;
    tcp.set_nodelay(true).map_err(|e| format!("cannot set up the connection to {place}: {e}"))?;
    let connector = TlsConnector::from(Arc::new(config));
    connector.connect(server_name, tcp).await.map_err(|e| format!("TLS with {place}: {}", Cause(&e, &name)))
}

fn config(ca_file: Option<&Path>) -> Result<ClientConfig, String> {
    let mut roots = RootCertStore::empty();
    match ca_file {
        Some(path) => {
            let wrong = |e: &dyn fmt::Display| format!("CA file {}: {e}", path.display());
            for certificate in CertificateDer::pem_file_iter(path).map_err(|e| wrong(&e))? {
                let certificate = certificate.map_err(|e| wrong(&e))?;
                roots.add(certificate).map_err(|e| wrong(&e))?;
            }
            if roots.is_empty() {
                return Err(wrong(&"no certificate in it"));
            }
        }
        None => {
            roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
            if roots.is_empty() {
                return Err("the system has no trusted certificates (package ca-certificates)".into());
            }
        }
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| format!("TLS cannot be set up: {e}"))?;
    Ok(builder.with_root_certificates(roots).with_no_client_auth())
}

/// The cause of a TLS error, as a person can act on it.
struct Cause<'a>(&'a io::Error, &'a str);

impl fmt::Display for Cause<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self(error, name) = self;
        let tls = error.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>());
        match tls {
            Some(rustls::Error::InvalidCertificate(certificate)) => match certificate {
                CertificateError::Expired | CertificateError::ExpiredContext { .. } => {
                    f.write_str("the broker's certificate has expired (or is the clock wrong?)")
                }
                CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. } => {
                    f.write_str("the broker's certificate is not valid yet: is the clock right?")
                }
                CertificateError::UnknownIssuer => {
                    f.write_str("the broker's certificate comes from an authority that is not trusted here")
                }
                CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. } => {
                    write!(f, "the broker's certificate is not for the name {name:?}")
                }
                other => write!(f, "the broker's certificate is not accepted: {other}"),
            },
            Some(rustls::Error::InvalidMessage(_)) => {
                f.write_str("the other side does not speak TLS on this port")
            }
            Some(other) => write!(f, "{other}"),
            None if error.kind() == io::ErrorKind::UnexpectedEof => {
                f.write_str("the other side closed the connection; does it speak TLS on this port?")
            }
            None => write!(f, "{error}"),
        }
    }
}

fn bridge(mut stream: TlsStream<TcpStream>) -> io::Result<Tunnel> {
    let path = format!("\0slackwater-{:016x}{:016x}", random(), random());
    let listener = UnixListener::bind(&path)?;
    let bridge = tokio::spawn(async move {
        let mut library = accept_ourselves(&listener).await?;
        drop(listener);
        copy_bidirectional(&mut library, &mut stream).await.map(|_| ())
    });
    Ok(Tunnel { path, bridge })
}

async fn accept_ourselves(listener: &UnixListener) -> io::Result<UnixStream> {
    loop {
        let (peer, _) = listener.accept().await?;
        let pid = peer.peer_cred()?.pid();
        if pid.is_some_and(|pid| u32::try_from(pid) == Ok(std::process::id())) {
            return Ok(peer);
        }
        tracing::warn!(pid, "another process knocked at the TLS tunnel and was turned away");
    }
}

impl Tunnel {
    /// Lets the last bytes out, after the library has let go of its end, and tells what TLS had against the
    /// connection, if that was the cause. A mere end of the stream says nothing the library does not know.
    pub(super) async fn close(mut self) -> Option<String> {
        let ended = timeout(CLOSING, &mut self.bridge).await.ok()?.ok()?;
        let error = ended.err()?;
        let tls = error.get_ref()?.downcast_ref::<rustls::Error>()?;
        Some(format!("TLS: {tls}"))
    }
}

impl Drop for Tunnel {
    fn drop(&mut self) {
        self.bridge.abort();
    }
}

//! TLS to the broker, outside the client library.
//!
//! The library's own TLS features would bring old and unmaintained crates with known advisories, and blur
//! every TLS error into a closed connection. It offers no other way to hand it a stream than a Unix socket,
//! so the encrypted stream is made here first, with its errors in clear words, and then bridged to it over
//! a socket in Linux's abstract namespace: no file, no folder, no permissions to get wrong. The name is
//! random, and only a peer that is this very process is let in.

use std::io;
use std::time::Duration;

use rustls::pki_types::ServerName;
use tokio::io::copy_bidirectional;
use tokio::net::{TcpStream, UnixListener, UnixStream};
use tokio::task::JoinHandle;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;

use super::retry::random;
use super::settings::{MqttSettings, Tls};
use crate::tls::{authorities, client, trouble};

/// For the name, the connection and the handshake together.
const OPENING: Duration = Duration::from_secs(10);
/// For the last bytes, and for a reason to arrive, after the library has let go.
const CLOSING: Duration = Duration::from_millis(500);

pub(super) struct Tunnel {
    /// The path to give to the library.
    pub(super) path: String,
    bridge: JoinHandle<io::Result<()>>,
    /// The broker, for texts.
    place: String,
}

/// Connects and shakes hands with the broker.
///
/// # Errors
/// The cause in words for a person.
pub(super) async fn open(settings: MqttSettings, tls: Tls) -> Result<Tunnel, String> {
    let place = format!("{}:{}", settings.host, settings.port);
    match timeout(OPENING, connect(&settings, tls, &place)).await {
        Ok(stream) => {
            bridge(stream?, place).map_err(|e| format!("cannot make a local socket for the TLS tunnel: {e}"))
        }
        Err(_) => Err(format!("no TLS connection to {place} within {} s", OPENING.as_secs())),
    }
}

async fn connect(settings: &MqttSettings, tls: Tls, place: &str) -> Result<TlsStream<TcpStream>, String> {
    let name = settings.server_name().to_owned();
    let server_name =
        ServerName::try_from(name.clone()).map_err(|e| format!("TLS server name {name:?}: {e}"))?;
    // Reading the system's certificates takes a while on a slow card.
    let config = tokio::task::spawn_blocking(move || client(authorities(tls.ca_file.as_deref())?))
        .await
        .map_err(|e| format!("reading the trusted certificates failed: {e}"))??;
    let address = (settings.host.as_str(), settings.port);
    let tcp = TcpStream::connect(address).await.map_err(|e| format!("cannot reach {place}: {e}"))?;
    tcp.set_nodelay(true).map_err(|e| format!("cannot set up the connection to {place}: {e}"))?;
    TlsConnector::from(config).connect(server_name, tcp).await.map_err(|e| cause(&e, place))
}

/// The cause of a failed handshake, as a person can act on it.
fn cause(error: &io::Error, place: &str) -> String {
    match trouble(error, place) {
        Some(why) => why,
        None if error.kind() == io::ErrorKind::UnexpectedEof => {
            format!("{place}: the other side closed the connection; does it speak TLS on this port?")
        }
        None => format!("{place}: TLS: {error}"),
    }
}

fn bridge(mut stream: TlsStream<TcpStream>, place: String) -> io::Result<Tunnel> {
    let path = format!("\0slackwater-{:016x}{:016x}", random(), random());
    let listener = UnixListener::bind(&path)?;
    let bridge = tokio::spawn(async move {
        let mut library = accept_ourselves(&listener).await?;
        drop(listener);
        copy_bidirectional(&mut library, &mut stream).await.map(|_| ())
    });
    Ok(Tunnel { path, bridge, place })
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
        trouble(&ended.err()?, &self.place)
    }
}

impl Drop for Tunnel {
    fn drop(&mut self) {
        self.bridge.abort();
    }
}

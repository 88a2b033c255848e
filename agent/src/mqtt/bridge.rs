//! The stream to a broker, made outside the client library and bridged to it.
//!
//! The library tries the addresses of a name one after the other, so that one which swallows what
//! is sent to it hides the next; its TLS features would bring old and unmaintained crates with
//! known advisories, and blur every TLS error into a closed connection. It offers no other way to
//! hand it a stream than a Unix socket. So the stream is made here first, with its errors in clear
//! words, and then bridged to the library over a socket in Linux's abstract namespace: no file, no
//! folder, no permissions to get wrong. The name is random, and only a peer that is this very
//! process is let in. On its way the broker's first packet is looked at: an old broker says there
//! what it is, in a form that the library can't read.

use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use rustls::pki_types::ServerName;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf, copy_bidirectional};
use tokio::net::{TcpStream, UnixListener, UnixStream};
use tokio::task::JoinHandle;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;

use super::retry::random;
use super::settings::{BrokerAddress, MqttSettings, Tls};
use super::version::{self, CONNACK};
use crate::dial::dial;
use crate::line_stream::Stream;
use crate::tls::{client, trouble};

/// For the name, the connection and the handshake together.
const OPENING: Duration = Duration::from_secs(10);
/// For the last bytes, and for a reason to arrive, after the library has let go.
const CLOSING: Duration = Duration::from_millis(500);

/// A broker's stream, on its way to the library.
pub(super) struct Bridge {
    /// The path to give to the library.
    pub(super) path: String,
    task: JoinHandle<io::Result<()>>,
    /// The broker, for texts.
    place: String,
    first: Arc<FirstWord>,
}

/// How the broker began.
#[derive(Default)]
struct FirstWord {
    /// It has answered as brokers of MQTT 3.1.1 do.
    old: AtomicBool,
    /// It has ended the stream before it said anything.
    none: AtomicBool,
}

/// Connects to a broker, and shakes hands with it if it is to be encrypted.
///
/// # Errors
/// The cause in words for a person.
pub(super) async fn open(settings: &MqttSettings, broker: &BrokerAddress) -> Result<Bridge, String> {
    let place = broker.to_string();
    let stream = timeout(OPENING, reach(settings, broker)).await;
    let stream =
        stream.map_err(|_| format!("no TLS connection to {place} within {} s", OPENING.as_secs()))??;
    bridge(stream, place).map_err(|e| format!("cannot make a local socket to the broker: {e}"))
}

/// As far as the first octet of MQTT.
pub(super) async fn reach(
    settings: &MqttSettings,
    broker: &BrokerAddress,
) -> Result<Box<dyn Stream>, String> {
    let tcp = dial(&broker.host, broker.port, OPENING / 2).await;
    let tcp = tcp.map_err(|e| format!("cannot reach {broker}: {e}"))?;
    match &settings.tls {
        Some(tls) => Ok(Box::new(encrypted(tcp, tls.clone(), broker).await?)),
        None => Ok(Box::new(tcp)),
    }
}

async fn encrypted(tcp: TcpStream, tls: Tls, broker: &BrokerAddress) -> Result<TlsStream<TcpStream>, String> {
    let name = tls.server_name.clone().unwrap_or_else(|| broker.host.clone());
    let server_name =
        ServerName::try_from(name.clone()).map_err(|e| format!("TLS server name {name:?}: {e}"))?;
    // Reading the system's certificates takes a while on a slow card.
    let config = tokio::task::spawn_blocking(move || client(tls.ca_file.as_deref(), tls.identity.as_ref()))
        .await
        .map_err(|e| format!("reading the trusted certificates failed: {e}"))??;
    let place = broker.to_string();
    TlsConnector::from(config).connect(server_name, tcp).await.map_err(|e| cause(&e, &place))
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

fn bridge(stream: Box<dyn Stream>, place: String) -> io::Result<Bridge> {
    let path = format!("\0slackwater-{:016x}{:016x}", random(), random());
    let listener = UnixListener::bind(&path)?;
    let first = Arc::new(FirstWord::default());
    let mut broker = FirstPacket { stream, begun: false, first: Arc::clone(&first) };
    let task = tokio::spawn(async move {
        let mut library = accept_ourselves(&listener).await?;
        drop(listener);
        copy_bidirectional(&mut library, &mut broker).await.map(|_| ())
    });
    Ok(Bridge { path, task, place, first })
}

async fn accept_ourselves(listener: &UnixListener) -> io::Result<UnixStream> {
    loop {
        let (peer, _) = listener.accept().await?;
        let pid = peer.peer_cred()?.pid();
        if pid.is_some_and(|pid| u32::try_from(pid) == Ok(std::process::id())) {
            return Ok(peer);
        }
        tracing::warn!(pid, "another process knocked at the bridge to the broker and was turned away");
    }
}

impl Bridge {
    /// Whether the broker has closed the connection without a word.
    pub(super) fn is_mute(&self) -> bool {
        self.first.none.load(Ordering::Relaxed)
    }

    /// Lets the last bytes out, after the library has let go of its end, and tells what the stream
    /// had against the connection, if that was the cause. A mere end of the stream says nothing the
    /// library does not know.
    pub(super) async fn close(mut self) -> Option<String> {
        let ended = timeout(CLOSING, &mut self.task).await;
        if self.first.old.load(Ordering::Relaxed) {
            return Some(version::too_old(&self.place));
        }
        trouble(&ended.ok()?.ok()?.err()?, &self.place)
    }
}

impl Drop for Bridge {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// So much follows its head in MQTT 3.1.1; in MQTT 5 there is at least a length of properties more.
const OLD_LENGTH: u8 = 2;

/// A stream whose first octets are looked at as they pass.
struct FirstPacket {
    stream: Box<dyn Stream>,
    begun: bool,
    first: Arc<FirstWord>,
}

impl AsyncRead for FirstPacket {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = buf.filled().len();
        ready!(Pin::new(&mut self.stream).poll_read(cx, buf))?;
        if !self.begun {
            self.begun = true;
            match buf.filled().get(before..) {
                Some([CONNACK, OLD_LENGTH, ..]) => self.first.old.store(true, Ordering::Relaxed),
                Some([]) => self.first.none.store(true, Ordering::Relaxed),
                Some(_) | None => {}
            }
        }
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for FirstPacket {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(cx, buf)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}

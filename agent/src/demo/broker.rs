//! A small MQTT 5 broker for the demo and for fault tests, on the client library's own codec.
//!
//! It lives in memory and serves what the demo's rig and the agent need, to the letter of MQTT 5.0:
//! QoS 0 and 1, sessions that outlive their connection, retained messages, last wills, takeover,
//! keep-alive, the client's own limits. It announces what it lacks (QoS 2, shared subscriptions,
//! subscription ids, topic aliases) and ignores will delay and message expiry. It has no accounts:
//! bind it to loopback only.
//!
//! One task per connection reads packets and applies them to the [`sessions`] under one lock, and
//! writes what they have queued for its client, so that a slow client stops nobody.

mod sessions;

use std::io;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, AtomicU16, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use bytes::BytesMut;
use rumqttc::v5::mqttbytes::Error as CodecError;
use rumqttc::v5::mqttbytes::v5::{Disconnect, DisconnectReasonCode, Packet};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpStream, ToSocketAddrs};
use tokio::sync::{mpsc, watch};
use tokio::time::timeout;

use sessions::{Core, Entered, LARGEST_PACKET};

/// For a new connection to say who it is.
const GREETING: Duration = Duration::from_secs(10);

/// A broker that has its address, and serves while [`Broker::run`] is polled.
pub struct Broker {
    listener: TcpListener,
    address: SocketAddr,
    shared: Arc<Shared>,
}

/// Switches that make the broker fail on purpose. Cheap to clone.
#[derive(Clone)]
pub struct BrokerFaults(Arc<Shared>);

struct Shared {
    core: Mutex<Core>,
    /// While true, nothing is read or written.
    stalled: watch::Sender<bool>,
    /// Changes to cut every connection.
    cuts: watch::Sender<u64>,
    refuse_subscriptions: AtomicBool,
    /// In seconds; 0: the client's own.
    keep_alive: AtomicU16,
}

impl Broker {
    /// Binds the address; port 0 takes a free one.
    ///
    /// # Errors
    /// When the address cannot be bound.
    pub async fn bind(address: impl ToSocketAddrs) -> io::Result<Self> {
        let listener = TcpListener::bind(address).await?;
        let address = listener.local_addr()?;
        let shared = Arc::new(Shared {
            core: Mutex::default(),
            stalled: watch::Sender::new(false),
            cuts: watch::Sender::new(0),
            refuse_subscriptions: AtomicBool::new(false),
            keep_alive: AtomicU16::new(0),
        });
        Ok(Self { listener, address, shared })
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Switches for fault tests.
    pub fn faults(&self) -> BrokerFaults {
        BrokerFaults(Arc::clone(&self.shared))
    }

    /// Serves for ever. Dropping the future ends the broker and every connection.
    pub async fn run(self) {
        let mut connections = tokio::task::JoinSet::new();
        loop {
            tokio::select! {
                accepted = self.listener.accept() => match accepted {
                    Ok((stream, _)) => {
                        let shared = Arc::clone(&self.shared);
                        connections.spawn(async move {
                            if let Err(e) = serve(stream, &shared).await {
                                tracing::debug!("demo broker: connection closed: {e}");
                            }
                        });
                    }
                    // Out of file descriptors, most likely: some will come back.
                    Err(_) => tokio::time::sleep(Duration::from_millis(100)).await,
                },
                Some(_) = connections.join_next() => {}
            }
        }
    }
}

impl BrokerFaults {
    /// Stops or resumes all reading and writing. The connections stay open.
    pub fn stall(&self, stalled: bool) {
        self.0.stalled.send_replace(stalled);
    }

    /// Cuts every connection, without a word.
    pub fn cut(&self) {
        self.0.cuts.send_modify(|cuts| *cuts += 1);
    }

    /// Refuses subscriptions from now on, or no more.
    pub fn refuse_subscriptions(&self, refuse: bool) {
        self.0.refuse_subscriptions.store(refuse, Ordering::Relaxed);
    }

    /// Forgets all subscriptions, without telling anybody.
    pub fn forget_subscriptions(&self) {
        for session in self.0.core().sessions.values_mut() {
            session.filters.clear();
        }
    }

    /// Prescribes a keep-alive in seconds to clients that connect from now on. 0 leaves theirs.
    pub fn keep_alive(&self, seconds: u16) {
        self.0.keep_alive.store(seconds, Ordering::Relaxed);
    }
}

impl Shared {
    fn core(&self) -> MutexGuard<'_, Core> {
        self.core.lock().unwrap_or_else(PoisonError::into_inner)
    }

    async fn pass_gate(&self) {
        // The sender lives as long as we do, so this only ends by the gate's opening.
        let _ = self.stalled.subscribe().wait_for(|stalled| !stalled).await;
    }
}

struct Reader {
    half: OwnedReadHalf,
    buffer: BytesMut,
}

impl Reader {
    /// The next packet; `None` at an orderly end of the stream.
    async fn next(&mut self, shared: &Shared) -> Result<Option<Packet>, CodecError> {
        loop {
            let before = self.buffer.len();
            // The codec refuses a goodbye without a reason, or with a reason only.
            if self.buffer.starts_with(&[0xE0, 0]) || self.buffer.starts_with(&[0xE0, 1, 0]) {
                return Ok(Some(Packet::Disconnect(Disconnect::new(
                    DisconnectReasonCode::NormalDisconnection,
                ))));
            }
            match Packet::read(&mut self.buffer, Some(LARGEST_PACKET)) {
                Ok(packet) => return Ok(Some(packet)),
                // The codec says this too of a complete packet whose insides end early; it has
                // taken it out then.
                Err(CodecError::InsufficientBytes(_)) if self.buffer.len() < before => {
                    return Err(CodecError::MalformedPacket);
                }
                Err(CodecError::InsufficientBytes(_)) => {}
                Err(e) => return Err(e),
            }
            let read = self.half.read_buf(&mut self.buffer).await?;
            shared.pass_gate().await;
            if read == 0 {
                return Ok(None);
            }
        }
    }
}

async fn serve(stream: TcpStream, shared: &Shared) -> Result<(), CodecError> {
    stream.set_nodelay(true)?;
    let mut cuts = shared.cuts.subscribe();
    let (half, mut write) = stream.into_split();
    let mut reader = Reader { half, buffer: BytesMut::with_capacity(4096) };
    let greeting = async {
        // Anything but a CONNECT might wait for ever for its length's worth of bytes.
        let mut kind = [0];
        reader.half.peek(&mut kind).await?;
        if kind == [0x10] { reader.next(shared).await } else { Err(CodecError::IncorrectPacketFormat) }
    };
    let Ok(greeting) = timeout(GREETING, greeting).await else { return Ok(()) };
    let (connect, will) = match greeting {
        Ok(Some(Packet::Connect(connect, will, _))) => (connect, will),
        Err(CodecError::InvalidProtocolLevel(_)) => {
            // CONNACK of MQTT 3.1.1, 3.2.2.3: unacceptable protocol level.
            write.write_all(&[0x20, 0x02, 0x00, 0x01]).await?;
            return Ok(());
        }
        Ok(_) => return Err(CodecError::IncorrectPacketFormat),
        Err(e) => return Err(e),
    };
    let prescribed = shared.keep_alive.load(Ordering::Relaxed);
    let entered = shared.core().enter(connect, will, prescribed);
    let Entered { client, number, queue, keep_alive } = entered;
    let end = tokio::select! {
        end = attend(&mut reader, &client, number, keep_alive, shared) => end,
        // Taken over, or the client's socket is gone.
        () = write_out(write, queue, shared) => Ok(false),
        _ = cuts.changed() => Ok(false),
    };
    shared.core().leave(&client, number, matches!(end, Ok(true)));
    end.map(|_| ())
}

/// Applies a client's packets until it leaves: `true` if it said goodbye.
async fn attend(
    reader: &mut Reader,
    client: &str,
    number: u64,
    keep_alive: Duration,
    shared: &Shared,
) -> Result<bool, CodecError> {
    // MQTT 5.0, 3.1.2.10: one and a half times the keep-alive; 0 turns it off.
    let patience =
        if keep_alive.is_zero() { Duration::from_secs(u32::MAX.into()) } else { keep_alive * 3 / 2 };
    loop {
        let packet = match timeout(patience, reader.next(shared)).await {
            Ok(Ok(Some(packet))) => packet,
            Ok(Ok(None)) | Err(_) => return Ok(false),
            Ok(Err(e)) => return Err(e),
        };
        match packet {
            Packet::Disconnect(goodbye) => {
                return Ok(goodbye.reason_code == DisconnectReasonCode::NormalDisconnection);
            }
            packet => {
                let refuse = shared.refuse_subscriptions.load(Ordering::Relaxed);
                shared.core().apply(client, number, packet, refuse)?;
            }
        }
    }
}

async fn write_out(mut write: OwnedWriteHalf, mut queue: mpsc::Receiver<Packet>, shared: &Shared) {
    let mut batch = Vec::new();
    let mut buffer = BytesMut::new();
    while queue.recv_many(&mut batch, 256).await > 0 {
        for packet in batch.drain(..) {
            if let Err(e) = packet.write(&mut buffer, None) {
                tracing::warn!("demo broker: cannot write a packet: {e}");
            }
        }
        shared.pass_gate().await;
        if write.write_all_buf(&mut buffer).await.is_err() {
            return;
        }
    }
    let _ = write.shutdown().await;
}

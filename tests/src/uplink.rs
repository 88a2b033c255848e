//! A house's way out, which can die: connections to what lies elsewhere lead through it. A dead
//! router says nothing: what is open stays open and carries nothing, and what is new is never
//! answered.

use std::io;
use std::net::Ipv4Addr;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::io::copy_bidirectional;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinSet;

/// The way out; ends when dropped.
pub struct Uplink {
    up: watch::Sender<bool>,
    tasks: JoinSet<()>,
}

impl Default for Uplink {
    fn default() -> Self {
        Self { up: watch::Sender::new(true), tasks: JoinSet::new() }
    }
}

impl Uplink {
    /// A port of the house's own that leads to `port` elsewhere.
    ///
    /// # Errors
    /// When no port can be had.
    pub async fn lead_to(&mut self, port: u16) -> io::Result<u16> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await?;
        let own = listener.local_addr()?.port();
        let up = self.up.subscribe();
        self.tasks.spawn(async move {
            let mut open = JoinSet::new();
            while let Ok((near, _)) = listener.accept().await {
                open.spawn(carry(near, port, up.clone()));
            }
        });
        Ok(own)
    }

    /// It dies.
    pub fn cut(&self) {
        self.up.send_replace(false);
    }

    /// It lives again; what was open before is closed.
    pub fn mend(&self) {
        self.up.send_replace(true);
    }
}

async fn carry(mut near: TcpStream, port: u16, mut up: watch::Receiver<bool>) {
    if *up.borrow_and_update() {
        let Ok(mut far) = TcpStream::connect((Ipv4Addr::LOCALHOST, port)).await else { return };
        let mut cut = up.clone();
        tokio::select! {
            _ = copy_bidirectional(&mut near, &mut far) => return,
            _ = cut.wait_for(|up| !*up) => {}
        }
    }
    // Held open until the way out lives again, or the test ends.
    let _ = up.wait_for(|up| *up).await;
}

/// A way to one server that can become slow: whatever is carried waits. Ends when dropped.
pub struct SlowWay {
    /// Where it begins, on 127.0.0.1.
    pub port: u16,
    millis: Arc<AtomicU64>,
    _task: JoinSet<()>,
}

impl SlowWay {
    /// A way to `port`, as fast as any.
    ///
    /// # Errors
    /// When no port can be had.
    pub async fn lead_to(port: u16) -> io::Result<Self> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await?;
        let own = listener.local_addr()?.port();
        let millis = Arc::new(AtomicU64::new(0));
        let shared = Arc::clone(&millis);
        let mut task = JoinSet::new();
        task.spawn(async move {
            let mut open = JoinSet::new();
            while let Ok((near, _)) = listener.accept().await {
                let millis = Arc::clone(&shared);
                open.spawn(async move {
                    let Ok(far) = TcpStream::connect((Ipv4Addr::LOCALHOST, port)).await else { return };
                    let ((near_in, near_out), (far_in, far_out)) = (near.into_split(), far.into_split());
                    // The end of one direction is the end of both.
                    tokio::select! {
                        () = crawl(near_in, far_out, &millis) => {}
                        () = crawl(far_in, near_out, &millis) => {}
                    }
                });
                while open.try_join_next().is_some() {}
            }
        });
        Ok(Self { port: own, millis, _task: task })
    }

    /// Each piece that is carried waits for so long from now on.
    pub fn slow(&self, by: Duration) {
        self.millis.store(u64::try_from(by.as_millis()).unwrap_or(u64::MAX), Ordering::Relaxed);
    }
}

async fn crawl(
    mut from: tokio::net::tcp::OwnedReadHalf,
    mut to: tokio::net::tcp::OwnedWriteHalf,
    millis: &AtomicU64,
) {
    let mut piece = vec![0; 16 * 1024];
    while let Ok(length @ 1..) = from.read(&mut piece).await {
        let wait = millis.load(Ordering::Relaxed);
        if wait > 0 {
            tokio::time::sleep(Duration::from_millis(wait)).await;
        }
        if to.write_all(&piece[..length]).await.is_err() {
            return;
        }
    }
}

//! A house's way out, which can die: connections to what lies elsewhere lead through it. A dead
//! router says nothing: what is open stays open and carries nothing, and what is new is never
//! answered.

use std::io;
use std::net::Ipv4Addr;
use tokio::io::copy_bidirectional;
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

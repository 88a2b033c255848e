//! The way to the fleet's database: its settings flow in, an open store flows out. Encryption is
//! rustls like everywhere else, by the same authorities.

use crate::settings::FleetSettings;
use crate::tls;
use rustls::pki_types::ServerName;
use slackwater_fleet::store::{Store, StoreError};
use std::future::Future;
use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_postgres::config::SslMode;
use tokio_postgres::tls::{ChannelBinding, MakeTlsConnect, TlsConnect, TlsStream};
use tokio_postgres::{Config, NoTls, Socket};
use tokio_rustls::TlsConnector;

const PATIENCE: Duration = Duration::from_secs(10);

/// Connects, and makes the tables what this program needs.
///
/// # Errors
/// Why not, in words.
pub(super) async fn open(settings: &FleetSettings) -> Result<Store, String> {
    let FleetSettings { host, port, database, user, password, tls, .. } = settings;
    let mut config = Config::new();
    config.host(host).port(*port).dbname(database).user(user).application_name("slackwater");
    config.connect_timeout(PATIENCE).keepalives_idle(Duration::from_secs(60));
    if let Some(password) = password {
        config.password(password.expose());
    }
    let opened = match tls {
        None => Store::open(config.ssl_mode(SslMode::Disable), NoTls).await,
        Some(tls) => {
            let client = tls::client(tls.ca_file.as_deref(), tls.identity.as_ref())?;
            let name = tls.server_name.as_ref().unwrap_or(host).clone();
            let name = ServerName::try_from(name).map_err(|wrong| wrong.to_string())?;
            Store::open(config.ssl_mode(SslMode::Require), Encryption { client, name }).await
        }
    };
    opened.map_err(|error| words(&error))
}

/// What went wrong, and why as far as that is known.
pub(super) fn words(error: &StoreError) -> String {
    let mut words = error.to_string();
    let mut cause = std::error::Error::source(error);
    while let Some(deeper) = cause {
        let said = deeper.to_string();
        if !words.contains(&said) {
            words = format!("{words}: {said}");
        }
        cause = deeper.source();
    }
    words
}

/// How to be sure of the database.
#[derive(Clone)]
struct Encryption {
    client: Arc<rustls::ClientConfig>,
    name: ServerName<'static>,
}

impl MakeTlsConnect<Socket> for Encryption {
    type Stream = Encrypted;
    type TlsConnect = Self;
    type Error = io::Error;

    fn make_tls_connect(&mut self, _host: &str) -> io::Result<Self> {
        Ok(self.clone())
    }
}

impl TlsConnect<Socket> for Encryption {
    type Stream = Encrypted;
    type Error = io::Error;
    type Future = Pin<Box<dyn Future<Output = io::Result<Encrypted>> + Send>>;

    fn connect(self, socket: Socket) -> Self::Future {
        Box::pin(
            async move { TlsConnector::from(self.client).connect(self.name, socket).await.map(Encrypted) },
        )
    }
}

/// An encrypted connection, in the form that the client library asks for.
struct Encrypted(tokio_rustls::client::TlsStream<Socket>);

impl TlsStream for Encrypted {
    fn channel_binding(&self) -> ChannelBinding {
        ChannelBinding::none()
    }
}

impl AsyncRead for Encrypted {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_read(cx, buf)
    }
}

impl AsyncWrite for Encrypted {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.0).poll_write(cx, buf)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_shutdown(cx)
    }
}

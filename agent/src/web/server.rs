//! The door of the page: connections come in, a bounded number of them, each for a bounded time and
//! by a bounded number from one address; requests go out to `route`. One that is too many, too
//! large or too slow is closed, and nothing waits for it.

use super::ask::{WebCommand, WebRequest};
use super::history::keep_warm;
use super::house::House;
use super::{route, tls};
use crate::qr;
use crate::settings::{Places, WebSettings};
use hyper::body::Incoming;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use slackwater_rules::plan::Plan;
use slackwater_rules::time::Wall;
use std::collections::HashMap;
use std::convert::Infallible;
use std::fmt::Write as _;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::Instant;

/// So many connections at once …
const CONNECTIONS: usize = 96;
/// … and so many from one address.
const FROM_ONE: usize = 48;
/// A TLS handshake, and the head of a request, take no longer.
const HEAD_WITHIN: Duration = Duration::from_secs(5);
/// A connection on which nothing is taken or asked for so long is closed.
pub(super) const IDLE: Duration = Duration::from_secs(30);
/// What hyper may hold of one connection that is not read yet.
const BUFFER: usize = 16 << 10;
/// Fields of a head.
const FIELDS: usize = 64;
/// Requests that may wait for the event loop.
const WAITING: usize = 16;

/// The page, being served.
pub struct WebServer {
    house: Arc<House>,
    address: SocketAddr,
    task: JoinHandle<()>,
}

impl std::fmt::Debug for WebServer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("WebServer").field("address", &self.address).finish_non_exhaustive()
    }
}

impl Drop for WebServer {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// The time by which a connection is closed, put off by whatever it does.
#[derive(Clone)]
pub(super) struct Deadline(watch::Sender<Instant>);

impl Deadline {
    pub(super) fn put_off(&self) {
        self.0.send_replace(Instant::now() + IDLE);
    }
}

impl WebServer {
    /// Opens the door.
    ///
    /// # Errors
    /// If it can't listen there, or a certificate can't be used; with words for a person.
    pub async fn open(
        settings: &WebSettings,
        places: &Places,
    ) -> io::Result<(Self, mpsc::Receiver<WebRequest>)> {
        let acceptor = tls::acceptor(settings, &places.journal.path)?;
        let listen = settings.listen;
        let listener = TcpListener::bind(listen)
            .await
            .map_err(|error| io::Error::new(error.kind(), format!("it can't listen on {listen}: {error}")))?;
        let address = listener.local_addr()?;
        let (asks, requests) = mpsc::channel(WAITING);
        let house = House::new(settings.clone(), places.zone.clone(), places.journal.path.clone(), asks);
        let house = Arc::new(house);
        let task = {
            let house = Arc::clone(&house);
            tokio::spawn(async move {
                tokio::join!(accept(listener, acceptor, Arc::clone(&house)), keep_warm(house));
            })
        };
        Ok((Self { house, address, task }, requests))
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Whether its task runs.
    pub fn lives(&self) -> bool {
        !self.task.is_finished()
    }

    /// How people reach it: as the file says, else by its address.
    pub fn url(&self) -> String {
        let settings = &self.house.settings;
        settings.url.clone().unwrap_or_else(|| {
            let scheme = if self.house.encrypted() { "https" } else { "http" };
            let host = match self.address.ip() {
                ip if ip.is_unspecified() => format!("localhost:{}", self.address.port()),
                _ => self.address.to_string(),
            };
            format!("{scheme}://{host}")
        })
    }

    /// What the command line asks.
    ///
    /// # Errors
    /// If it can't be done, with words for a person.
    pub fn command(&self, command: &WebCommand, plan: &Plan) -> Result<String, String> {
        match command {
            WebCommand::Invite { who } => self.invite(who, plan),
            WebCommand::Sessions => Ok(self.listed()),
            WebCommand::Withdraw { which } => match self.house.sessions().withdraw(which) {
                0 => Err(format!(
                    "nobody is signed in as `{which}`, and no session's mark begins so: `slackwater web sessions` lists them"
                )),
                1 => Ok("1 session is over".to_owned()),
                n => Ok(format!("{n} sessions are over")),
            },
        }
    }

    fn invite(&self, who: &str, plan: &Plan) -> Result<String, String> {
        if !plan.directory.contacts.contains_key(who) {
            let names: Vec<&str> = plan.directory.contacts.keys().map(String::as_str).collect();
            return Err(format!("there is no contact `{who}`; there are: {}", names.join(", ")));
        }
        let token = self.house.sessions().invite(who).ok_or("the system gives no random bits")?;
        let link = format!("{}/in/{token}", self.url());
        let mut text = format!("This link signs {who} in, once, within ten minutes:\n{link}\n");
        if let Some(square) = qr::terminal(&link) {
            let _ = write!(text, "\n{square}");
        }
        Ok(text)
    }

    fn listed(&self) -> String {
        let sessions = self.house.sessions();
        if sessions.all().is_empty() {
            return "nobody is signed in: `slackwater web invite NAME` makes a link".to_owned();
        }
        let day = |seconds: u64| {
            let at = Wall(i64::try_from(seconds).unwrap_or(0).saturating_mul(1_000));
            at.civil(&self.house.zone).strftime("%Y-%m-%d %H:%M").to_string()
        };
        let line = |session: &super::sessions::Session| {
            let device = crate::plain_text::tame(&session.device, 80);
            format!(
                "{}  {:<12} since {}, used {}  {device}",
                session.mark(),
                session.who,
                day(session.made),
                day(session.used)
            )
        };
        sessions.all().iter().map(line).collect::<Vec<_>>().join("\n")
    }
}

/// How many connections there are, and from where.
#[derive(Default)]
struct TakenPlaces(Mutex<HashMap<IpAddr, usize>>);

/// One connection's place, given back when it ends.
struct ConnectionPlace(Arc<TakenPlaces>, IpAddr);

impl TakenPlaces {
    fn take(places: &Arc<Self>, from: IpAddr) -> Option<ConnectionPlace> {
        let mut taken = places.0.lock().unwrap_or_else(PoisonError::into_inner);
        let all: usize = taken.values().sum();
        let own = taken.entry(from).or_default();
        if all >= CONNECTIONS || *own >= FROM_ONE {
            return None;
        }
        *own += 1;
        Some(ConnectionPlace(Arc::clone(places), from))
    }
}

impl Drop for ConnectionPlace {
    fn drop(&mut self) {
        let mut taken = self.0.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(own) = taken.get_mut(&self.1) {
            *own -= 1;
            if *own == 0 {
                taken.remove(&self.1);
            }
        }
    }
}

async fn accept(listener: TcpListener, acceptor: Option<tokio_rustls::TlsAcceptor>, house: Arc<House>) {
    let places = Arc::new(TakenPlaces::default());
    loop {
        match listener.accept().await {
            Ok((stream, from)) => {
                // One too many is closed at once.
                let Some(place) = TakenPlaces::take(&places, from.ip()) else { continue };
                let (house, acceptor) = (Arc::clone(&house), acceptor.clone());
                tokio::spawn(async move {
                    let _place = place;
                    match acceptor {
                        None => serve(stream, house).await,
                        Some(acceptor) => {
                            let shaken = tokio::time::timeout(HEAD_WITHIN, acceptor.accept(stream)).await;
                            // A handshake that fails is a stranger's, or a browser that was not
                            // told to trust us.
                            if let Ok(Ok(stream)) = shaken {
                                serve(stream, house).await;
                            }
                        }
                    }
                });
            }
            Err(error) => {
                // Out of file handles, perhaps: it passes, and the watch goes on.
                tracing::warn!(%error, "the page in the house");
                tokio::time::sleep(Duration::from_secs(1)).await;
            }
        }
    }
}

async fn serve(stream: impl AsyncRead + AsyncWrite + Unpin, house: Arc<House>) {
    let (deadline, mut until) = watch::channel(Instant::now() + IDLE);
    let deadline = Deadline(deadline);
    let service = service_fn(|request: hyper::Request<Incoming>| {
        deadline.put_off();
        let (house, deadline) = (Arc::clone(&house), deadline.clone());
        async move { Ok::<_, Infallible>(route::answer(request, &house, deadline).await) }
    });
    let mut http = hyper::server::conn::http1::Builder::new();
    http.timer(TokioTimer::new()).header_read_timeout(HEAD_WITHIN).max_buf_size(BUFFER).max_headers(FIELDS);
    let connection = http.serve_connection(TokioIo::new(stream), service);
    let over = async {
        loop {
            let at = *until.borrow_and_update();
            tokio::time::sleep_until(at).await;
            if *until.borrow() <= Instant::now() {
                break;
            }
        }
    };
    tokio::select! {
        // How it ended is of no interest: browsers go whenever they like.
        _ = connection => {}
        () = over => {}
    }
}

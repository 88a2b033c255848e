//! The local control socket: how the command line reaches the running agent. One request, a
//! line of JSON, comes in; one reply, a line of JSON, goes out. It is a Unix socket and never
//! TCP: who may open the file may speak. What may be said, and by how many at once, is bounded
//! (`limits`): the watch must hold whatever is done at its door.

mod limits;

pub(crate) use limits::words as check_words;

use crate::line_stream::LineStream;
use crate::plain_text::tame;
use crate::secret::strike_out;
use crate::web::ask::WebCommand;
use serde::{Deserialize, Serialize};
use slackwater_rules::engine::OperatorCommand;
use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, oneshot};

/// A request may be this long; all but a drill's are far shorter.
const LONGEST_REQUEST: usize = 64 << 10;

/// A reply may be this long: the status of a site with thousands of alarms.
const LONGEST_REPLY: usize = 4 << 20;

/// So many are listened to at once; others are turned away, with words.
const AT_ONCE: usize = 16;

/// Both sides wait this long for the other.
const PATIENCE: Duration = Duration::from_secs(10);

/// Requests that may wait for the event loop.
const WAITING: usize = 16;

/// What can be asked.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "kebab-case")]
pub enum Request {
    /// Everything there is to see.
    Status {
        /// As JSON.
        json: bool,
    },
    /// Why an alarm rings or doesn't.
    Explain {
        /// Its name.
        alarm: String,
        /// As JSON.
        json: bool,
    },
    /// To read the files again.
    Reload {
        /// Even if that drops an alarm that is open.
        insists: bool,
    },
    /// What an outage drill of an alarm has to wait for: a course, as JSON.
    Course {
        /// Its name; the one that power loss raises if none.
        alarm: Option<String>,
    },
    /// Something that is asked of the page in the house.
    Web(WebCommand),
    /// Something that is asked of the witness of other sites.
    Witness {
        /// By whom.
        who: String,
        /// What.
        witness: WitnessCommand,
    },
    /// Something that a person says.
    Say {
        /// Who.
        who: String,
        /// What.
        say: OperatorCommand,
    },
}

/// What the command line asks of a witness.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(tag = "witness", rename_all = "kebab-case")]
pub enum WitnessCommand {
    /// A link by which a site joins.
    Enrol {
        /// The site's name.
        site: String,
        /// As pages say it, if that is another.
        title: Option<String>,
        /// Who is told if it is silent; the only call-out if none.
        callout: Option<String>,
        /// For another key of a site that is watched already.
        again: bool,
    },
    /// Takes a site's key back, or its link.
    Withdraw {
        /// The site's name.
        site: String,
    },
    /// Which sites there are.
    Sites,
}

/// What comes back: words, or JSON where that was asked for.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ControlReply {
    /// Whether it was taken.
    pub ok: bool,
    /// To be printed. No secret that this process knows is in it.
    pub text: String,
    /// A link that was asked for, to be printed first: it may hold a secret on purpose.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub link: Option<String>,
}

impl ControlReply {
    /// It was taken.
    pub fn taken(text: impl Into<String>) -> Self {
        Self { ok: true, text: text.into(), link: None }
    }

    /// It was not.
    pub fn refused(why: impl Into<String>) -> Self {
        Self { ok: false, text: why.into(), link: None }
    }

    /// What was asked for, in words or why not.
    pub fn of(done: Result<String, String>) -> Self {
        done.map_or_else(Self::refused, Self::taken)
    }
}

/// A request on its way to the event loop, and the way back.
pub type PendingRequest = (Request, oneshot::Sender<ControlReply>);

/// The socket file; removed when the agent ends.
#[derive(Debug)]
pub struct Control {
    path: PathBuf,
}

impl Drop for Control {
    fn drop(&mut self) {
        if let Err(error) = std::fs::remove_file(&self.path) {
            tracing::debug!(%error, "the control socket was gone already");
        }
    }
}

/// Opens the socket, for its owner and group only.
///
/// # Errors
/// If another agent answers there, or the file can't be made.
pub async fn listen(path: &Path) -> io::Result<(Control, mpsc::Receiver<PendingRequest>)> {
    if UnixStream::connect(path).await.is_ok() {
        return Err(io::Error::new(
            io::ErrorKind::AddrInUse,
            format!("another agent answers on {}: two may not watch one site", path.display()),
        ));
    }
    let named = |error: io::Error| io::Error::new(error.kind(), format!("{}: {error}", path.display()));
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(named)?;
    }
    // Left by an agent that was killed: nobody answers on it.
    match std::fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(named(error)),
        Ok(()) | Err(_) => {}
    }
    let listener = UnixListener::bind(path).map_err(named)?;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o660)).map_err(named)?;
    let (asked, requests) = mpsc::channel(WAITING);
    let places = Arc::new(Semaphore::new(AT_ONCE));
    tokio::spawn(async move {
        loop {
            match listener.accept().await {
                Ok((stream, _)) => match Arc::clone(&places).try_acquire_owned() {
                    Ok(place) => drop(tokio::spawn(serve(stream, asked.clone(), place))),
                    Err(_) => turn_away(&stream),
                },
                Err(error) => {
                    // Out of file handles, perhaps: it passes, and the watch goes on.
                    tracing::warn!(%error, "the control socket");
                    tokio::time::sleep(Duration::from_secs(1)).await;
                }
            }
        }
    });
    Ok((Control { path: path.to_owned() }, requests))
}

/// At once, and without waiting for anything: the next one may be served.
fn turn_away(stream: &UnixStream) {
    let text = format!("{AT_ONCE} others are being listened to: try again in a few seconds");
    if let Ok(line) = line(&ControlReply::refused(text)) {
        // A new connection has room for a line; a client that has gone needs none.
        let _ = stream.try_write(&line);
    }
}

/// `_place` is free again when this ends.
async fn serve(stream: UnixStream, asked: mpsc::Sender<PendingRequest>, _place: OwnedSemaphorePermit) {
    let mut stream = LineStream::new(stream, LONGEST_REQUEST);
    let reply = match tokio::time::timeout(PATIENCE, hear(&mut stream, asked)).await {
        Ok(reply) => reply,
        Err(_) => ControlReply::refused(format!("no whole request within {} s", PATIENCE.as_secs())),
    };
    let reply = line(&ControlReply { text: strike_out(&reply.text).into_owned(), ..reply });
    match reply {
        // A client that has gone needs no reply.
        Ok(line) => drop(tokio::time::timeout(PATIENCE, stream.say(&line)).await),
        Err(error) => tracing::error!(%error, "a reply can't be written"),
    }
}

async fn hear(stream: &mut LineStream<UnixStream>, asked: mpsc::Sender<PendingRequest>) -> ControlReply {
    let refused = |why: String| ControlReply::refused(why);
    let line = match stream.exact_line().await {
        Ok(line) => line,
        Err(none) => return refused(format!("the request can't be read: {none}")),
    };
    let request = match serde_json::from_str(&line) {
        Ok(request) => request,
        Err(error) => {
            return refused(format!("the request is not understood: {}", tame(&error.to_string(), 200)));
        }
    };
    if let Err(why) = limits::check(&request) {
        return refused(why);
    }
    let (answer, reply) = oneshot::channel();
    if asked.send((request, answer)).await.is_err() {
        return refused("the agent is stopping".to_owned());
    }
    reply.await.unwrap_or_else(|_| refused("the agent is stopping".to_owned()))
}

/// A value and the end of its line.
fn line(value: &impl Serialize) -> io::Result<Vec<u8>> {
    let mut line = serde_json::to_vec(value)?;
    line.push(b'\n');
    Ok(line)
}

/// Asks the agent behind the socket.
///
/// # Errors
/// If none answers, with words for a person.
pub async fn ask(path: &Path, request: &Request) -> Result<ControlReply, String> {
    let name = path.display();
    let talk = async {
        let stream = UnixStream::connect(path).await?;
        let mut stream = LineStream::new(stream, LONGEST_REPLY);
        // Whoever is turned away may find the door closed while still speaking.
        let said = stream.say(&line(request)?).await;
        let reply = stream.exact_line().await.map_err(|none| io::Error::other(none.to_string()));
        Ok(serde_json::from_str(&reply.or_else(|none| said.and(Err(none)))?)?)
    };
    match tokio::time::timeout(PATIENCE * 2, talk).await {
        Ok(Ok(reply)) => Ok(reply),
        Ok(Err(error)) => Err(unreachable(&name, &error)),
        Err(_) => Err(format!("no agent answers on {name} within {} s", PATIENCE.as_secs() * 2)),
    }
}

fn unreachable(name: &std::path::Display<'_>, error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused => {
            format!("no agent is running here: nobody answers on {name}")
        }
        io::ErrorKind::PermissionDenied => {
            format!("{name}: you may not speak to the agent: be its user, or a member of its group")
        }
        _ => format!("{name}: {error}"),
    }
}

/// What must hold for any line at the control socket: it is refused in words, or says the same when
/// it is written again.
#[cfg(any(test, feature = "fuzzing"))]
#[expect(clippy::expect_used, reason = "a broken promise panics")]
pub(crate) fn promise(octets: &[u8]) {
    let Ok(request) = serde_json::from_slice::<Request>(octets) else { return };
    match limits::check(&request) {
        Ok(()) => {
            let again = serde_json::to_string(&request).expect("it was read");
            let read: Request = serde_json::from_str(&again).expect("it was written");
            assert_eq!(format!("{read:?}"), format!("{request:?}"));
        }
        Err(why) => assert!(!why.is_empty() && !why.contains(char::is_control), "{why:?}"),
    }
}

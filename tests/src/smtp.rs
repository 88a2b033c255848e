//! A scripted mail server: a keeper's submission server (RFC 5321, RFC 6409) with STARTTLS
//! (RFC 3207), AUTH PLAIN and LOGIN (RFC 4954) and SIZE (RFC 1870), that keeps what it is given
//! and fails on request. It follows the standard's replies and nothing cleverer.

use crate::wire::{Stream, base64};
use rustls::ServerConfig;
use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Notify;
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;

/// The largest message it takes.
pub const SIZE: usize = 1_000_000;

/// How the server is set up.
#[derive(Clone, Default)]
pub struct Script {
    /// TLS, if it can be had.
    pub tls: Option<Arc<ServerConfig>>,
    /// From the first byte, instead of by STARTTLS.
    pub at_once: bool,
    /// A login is demanded: user and password.
    pub login: Option<(String, String)>,
    /// Only this way of logging in is offered; PLAIN and LOGIN if empty.
    pub mechanism: &'static str,
}

/// What goes wrong.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Fault {
    /// Nothing.
    #[default]
    None,
    /// Takes the connection and says nothing.
    SilentFromTheStart,
    /// Takes the message and never answers.
    SilentAfterMessage,
    /// Closes while the message comes in.
    DropInMessage,
    /// Takes the message, then closes without a reply.
    DropAfterMessage,
    /// Answers a command (`EHLO`, `AUTH`, `MAIL`, `RCPT`, `DATA`, or `.` for the message) so.
    Reply(&'static str, &'static str),
    /// Closes the connection once a message is taken, as an idle server does.
    CloseWhenIdle,
    /// Says nothing more once a message is taken: a connection that a router has forgotten.
    SilentWhenIdle,
    /// Somebody on the path: behind the 220 to STARTTLS stand answers to all that will be asked,
    /// in the clear. Then comes an honest handshake, and nothing more is said or taken.
    AnswersBeforeEncryption,
    /// Answers a command by a line that never ends; the greeting is `""`.
    EndlessLine(&'static str),
    /// Answers a command by lines without end; the greeting is `""`.
    EndlessLines(&'static str),
    /// Refuses a login, and repeats it in the refusal: as it came, and as what it says.
    EchoLogin,
}

/// What somebody on the path would like to be taken for the server's answers.
const FORGED: &str = "250-mail.example.org\r\n250 AUTH PLAIN LOGIN\r\n235 2.7.0 welcome\r\n250 2.1.0 sender ok\r\n\
                      250 2.1.5 recipient ok\r\n354 go on\r\n250 2.0.0 taken as 666\r\n";

/// Of an endless line, or of endless lines, at once.
const PIECE: usize = 64 * 1024;

/// A message taken.
#[derive(Clone, Debug)]
pub struct Taken {
    /// Envelope sender.
    pub from: String,
    /// Envelope recipients.
    pub to: Vec<String>,
    /// Header and body, dots unstuffed.
    pub data: Vec<u8>,
    /// The connection was encrypted.
    pub encrypted: bool,
    /// Who logged in.
    pub user: Option<String>,
    /// When all of it was here.
    pub at: Instant,
}

impl Taken {
    /// The message as text.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.data).into_owned()
    }
}

/// A running server; ends when dropped.
pub struct Server {
    /// Where it listens, on 127.0.0.1.
    pub port: u16,
    shared: Arc<Shared>,
    _task: JoinSet<()>,
}

#[derive(Default)]
struct Shared {
    state: Mutex<State>,
    changed: Notify,
}

#[derive(Default)]
struct State {
    fault: Fault,
    taken: Vec<Taken>,
    commands: Vec<String>,
    connections: usize,
}

impl Shared {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn change(&self, change: impl FnOnce(&mut State)) {
        change(&mut self.state());
        self.changed.notify_waiters();
    }
}

impl Server {
    /// Starts on a free port.
    ///
    /// # Errors
    /// When no port can be had.
    pub async fn start(script: Script, fault: Fault) -> io::Result<Self> {
        let listener = TcpListener::bind(("127.0.0.1", 0)).await?;
        let port = listener.local_addr()?.port();
        let shared = Arc::new(Shared::default());
        shared.state().fault = fault;
        let mut task = JoinSet::new();
        let for_task = Arc::clone(&shared);
        task.spawn(async move {
            let mut sessions = JoinSet::new();
            while let Ok((stream, _)) = listener.accept().await {
                for_task.change(|state| state.connections += 1);
                let (script, shared) = (script.clone(), Arc::clone(&for_task));
                // A session that breaks off is the client's affair, or the script's.
                sessions.spawn(async move { drop(greet(stream, &script, &shared).await) });
            }
        });
        Ok(Self { port, shared, _task: task })
    }

    /// From now on something else goes wrong.
    pub fn set_fault(&self, fault: Fault) {
        self.shared.state().fault = fault;
    }

    /// The messages taken so far.
    pub fn taken_so_far(&self) -> Vec<Taken> {
        self.shared.state().taken.clone()
    }

    /// The messages taken, once there are so many; as many as there are after 10 seconds.
    pub async fn taken(&self, count: usize) -> Vec<Taken> {
        self.until(|state| state.taken.len() >= count).await;
        self.shared.state().taken.clone()
    }

    /// Waits until a command with this beginning has come; false after 10 seconds without.
    pub async fn heard(&self, beginning: &str) -> bool {
        self.until(|state| state.commands.iter().any(|command| command.starts_with(beginning))).await
    }

    /// Every command so far, without secrets, as they came.
    pub fn commands(&self) -> Vec<String> {
        self.shared.state().commands.clone()
    }

    /// How many connections there have been.
    pub fn connections(&self) -> usize {
        self.shared.state().connections
    }

    /// Waits until there have been so many connections; false after 10 seconds without.
    pub async fn connected(&self, count: usize) -> bool {
        self.until(|state| state.connections >= count).await
    }

    async fn until(&self, met: impl Fn(&State) -> bool) -> bool {
        let wait = async {
            loop {
                let changed = self.shared.changed.notified();
                if met(&self.shared.state()) {
                    return;
                }
                changed.await;
            }
        };
        tokio::time::timeout(Duration::from_secs(10), wait).await.is_ok()
    }
}

async fn greet(stream: TcpStream, script: &Script, shared: &Shared) -> io::Result<()> {
    // Else what it says behind the tickets of TLS 1.3 waits for their acknowledgement, for 40 ms.
    stream.set_nodelay(true)?;
    if shared.state().fault == Fault::SilentFromTheStart {
        return std::future::pending().await;
    }
    let (stream, encrypted): (Box<dyn Stream>, _) = match &script.tls {
        Some(tls) if script.at_once => {
            (Box::new(TlsAcceptor::from(Arc::clone(tls)).accept(stream).await?), true)
        }
        _ => (Box::new(stream), false),
    };
    let mut session = Session { stream: BufReader::new(stream), script, shared, encrypted, user: None };
    session.flood("").await?;
    session.say("220 mail.example.org ESMTP").await?;
    if session.talk().await? {
        let plain = session.stream.into_inner();
        if let Some(tls) = &script.tls {
            if shared.state().fault == Fault::AnswersBeforeEncryption {
                let mut stream = TlsAcceptor::from(Arc::clone(tls)).accept(plain).await?;
                // All that is asked is read, so that nothing breaks, and comes to nothing.
                return tokio::io::copy(&mut stream, &mut tokio::io::sink()).await.map(drop);
            }
            let stream: Box<dyn Stream> = Box::new(TlsAcceptor::from(Arc::clone(tls)).accept(plain).await?);
            let stream = BufReader::new(stream);
            Session { stream, script, shared, encrypted: true, user: None }.talk().await?;
        }
    }
    Ok(())
}

struct Session<'a> {
    stream: BufReader<Box<dyn Stream>>,
    script: &'a Script,
    shared: &'a Shared,
    encrypted: bool,
    user: Option<String>,
}

impl Session<'_> {
    async fn say(&mut self, reply: &str) -> io::Result<()> {
        self.stream.write_all(format!("{reply}\r\n").as_bytes()).await?;
        self.stream.flush().await
    }

    async fn hear(&mut self) -> io::Result<String> {
        let mut line = String::new();
        match self.stream.read_line(&mut line).await? {
            0 => Err(io::ErrorKind::UnexpectedEof.into()),
            _ => Ok(line.trim_end().to_owned()),
        }
    }

    /// Answers without end, until the client has had enough, if the fault is to answer so.
    async fn flood(&mut self, verb: &str) -> io::Result<()> {
        let fault = self.shared.state().fault;
        let piece = match fault {
            Fault::EndlessLine(to) if to == verb => vec![b'x'; PIECE],
            Fault::EndlessLines(to) if to == verb => b"250-and more\r\n".repeat(PIECE / 14),
            _ => return Ok(()),
        };
        loop {
            self.stream.write_all(&piece).await?;
        }
    }

    /// The fault's reply to a command, if it has one.
    fn scripted(&self, verb: &str) -> Option<&'static str> {
        match self.shared.state().fault {
            Fault::Reply(to, reply) if to == verb => Some(reply),
            _ => None,
        }
    }

    /// Talks until the end, or until TLS is to begin: then true.
    async fn talk(&mut self) -> io::Result<bool> {
        let (mut from, mut to) = (String::new(), Vec::new());
        loop {
            let line = self.hear().await?;
            let verb = line.split([' ', ':']).next().unwrap_or_default().to_ascii_uppercase();
            let shown = if verb == "AUTH" { "AUTH".to_owned() } else { line.clone() };
            self.shared.change(|state| state.commands.push(shown));
            self.flood(&verb).await?;
            if let Some(reply) = self.scripted(&verb) {
                self.say(reply).await?;
                continue;
            }
            match verb.as_str() {
                "EHLO" => self.say(&self.offers()).await?,
                "STARTTLS" if self.script.tls.is_some() && !self.encrypted => {
                    let forged = self.shared.state().fault == Fault::AnswersBeforeEncryption;
                    let behind = if forged { FORGED } else { "" };
                    self.stream.write_all(format!("220 2.0.0 ready\r\n{behind}").as_bytes()).await?;
                    self.stream.flush().await?;
                    return Ok(true);
                }
                "AUTH" => self.login(&line).await?,
                "MAIL" if self.script.login.is_some() && self.user.is_none() => {
                    self.say("530 5.7.0 authentication required").await?;
                }
                "MAIL" => {
                    (from, to) = (address(&line), Vec::new());
                    self.say("250 2.1.0 sender ok").await?;
                }
                "RCPT" => {
                    to.push(address(&line));
                    self.say("250 2.1.5 recipient ok").await?;
                }
                "DATA" => {
                    self.say("354 go on").await?;
                    let data = self.message().await?;
                    let (from, to) = (from.clone(), to.clone());
                    let (encrypted, user, at) = (self.encrypted, self.user.clone(), Instant::now());
                    if !self.end(Taken { from, to, data, encrypted, user, at }).await? {
                        return Ok(false);
                    }
                }
                "NOOP" | "RSET" => self.say("250 2.0.0 ok").await?,
                "QUIT" => {
                    self.say("221 2.0.0 bye").await?;
                    return Ok(false);
                }
                _ => self.say("502 5.5.1 not here").await?,
            }
        }
    }

    fn offers(&self) -> String {
        let mut offers = "250-mail.example.org".to_owned();
        if self.script.tls.is_some() && !self.encrypted {
            offers += "\r\n250-STARTTLS";
        }
        if self.script.login.is_some() {
            let mechanism =
                if self.script.mechanism.is_empty() { "PLAIN LOGIN" } else { self.script.mechanism };
            offers += &format!("\r\n250-AUTH {mechanism}");
        }
        format!("{offers}\r\n250 SIZE {SIZE}")
    }

    async fn login(&mut self, line: &str) -> io::Result<()> {
        let Some((user, password)) = &self.script.login else {
            return self.say("503 5.5.1 no logins here").await;
        };
        let mut words = line.split(' ').skip(1);
        let good = match (words.next(), words.next()) {
            (Some("PLAIN"), Some(given)) => given == base64(format!("\0{user}\0{password}").as_bytes()),
            (Some("LOGIN"), None) => {
                self.say(&format!("334 {}", base64(b"Username:"))).await?;
                let given_user = self.hear().await?;
                self.say(&format!("334 {}", base64(b"Password:"))).await?;
                let given_password = self.hear().await?;
                given_user == base64(user.as_bytes()) && given_password == base64(password.as_bytes())
            }
            _ => return self.say("504 5.5.4 no such mechanism").await,
        };
        match good {
            _ if self.shared.state().fault == Fault::EchoLogin => {
                self.say(&format!("535 5.7.8 {line} is {user} {password}, which is wrong here")).await
            }
            true => {
                self.user = Some(user.clone());
                self.say("235 2.7.0 welcome").await
            }
            false => self.say("535 5.7.8 user or password wrong").await,
        }
    }

    async fn message(&mut self) -> io::Result<Vec<u8>> {
        let mut data = Vec::new();
        loop {
            let start = data.len();
            if self.stream.read_until(b'\n', &mut data).await? == 0 || data.len() > SIZE {
                return Err(io::ErrorKind::UnexpectedEof.into());
            }
            if self.shared.state().fault == Fault::DropInMessage {
                return Err(io::ErrorKind::ConnectionAborted.into());
            }
            match &data[start..] {
                b".\r\n" => {
                    data.truncate(start);
                    return Ok(data);
                }
                [b'.', ..] => drop(data.remove(start)),
                _ => {}
            }
        }
    }

    /// What follows a message; false if that is the end of the connection.
    async fn end(&mut self, taken: Taken) -> io::Result<bool> {
        let fault = self.shared.state().fault;
        if let Fault::Reply(".", reply) = fault {
            self.say(reply).await?;
            return Ok(true);
        }
        self.shared.change(|state| state.taken.push(taken));
        match fault {
            Fault::SilentAfterMessage => std::future::pending().await,
            Fault::DropAfterMessage => return Ok(false),
            _ => {}
        }
        self.say("250 2.0.0 taken as 4711").await?;
        match fault {
            Fault::CloseWhenIdle => Ok(false),
            Fault::SilentWhenIdle => std::future::pending().await,
            _ => Ok(true),
        }
    }
}

/// What stands between the angle brackets.
fn address(line: &str) -> String {
    let after = line.split_once('<').map_or("", |(_, after)| after);
    after.split_once('>').map_or("", |(address, _)| address).to_owned()
}

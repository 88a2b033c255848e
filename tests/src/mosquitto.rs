//! A real broker for tests: mosquitto as its own process, on a free port, in a fresh folder.

use std::fmt::Write as _;
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use std::{env, fs, io, thread};

use rustix::process::{Pid, Signal, kill_process};
use serde_json::json;
use tempfile::TempDir;

use crate::certs::Identity;

const BINARY: &str = "/usr/sbin/mosquitto";
const PASSWORDS: &str = "/usr/bin/mosquitto_passwd";
/// Debian's multiarch folder is left to the dynamic loader.
const ACCESS_PLUGIN: &str = "mosquitto_dynamic_security.so";
/// For the broker to open its port. Generous: tests run side by side on small machines.
const START: Duration = Duration::from_secs(20);

/// What differs from test to test.
#[derive(Default)]
pub struct Options {
    /// Users and their passwords. None: everybody may come in.
    pub users: Vec<(String, String)>,
    /// A topic filter that nobody may subscribe or publish to.
    pub refused: Option<String>,
    /// Who may do what, in the words of mosquitto's `acl_file`.
    pub rights: Option<String>,
    /// TLS with this identity, and nothing else.
    pub tls: Option<Identity>,
    /// A second port without encryption, for devices that can't.
    pub plain_too: bool,
    /// Further lines of the configuration.
    pub lines: Vec<String>,
}

/// A running broker. Killed when dropped.
pub struct Mosquitto {
    child: Child,
    folder: TempDir,
    port: u16,
    plain: Option<u16>,
}

/// Whether the real broker is there. Without it a test has nothing to look at, and says so; where
/// `SLACKWATER_NEED_REAL=1` is set, that is a failure.
///
/// # Panics
/// When it is missing and needed.
pub fn available() -> bool {
    if Path::new(BINARY).exists() && Path::new(PASSWORDS).exists() {
        return true;
    }
    assert!(
        env::var_os("SLACKWATER_NEED_REAL").is_none_or(|value| value != "1"),
        "{BINARY} is missing, and SLACKWATER_NEED_REAL=1"
    );
    eprintln!("SKIPPED: {BINARY} is missing (apt-get install mosquitto)");
    false
}

/// A port of 127.0.0.1 on which nobody listens at the moment.
///
/// # Errors
/// When there is none.
pub fn free_port() -> io::Result<u16> {
    Ok(TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()?.port())
}

impl Mosquitto {
    /// Starts a broker and waits until its port is open.
    ///
    /// # Errors
    /// When it cannot be configured or does not open its port; with its log.
    pub fn start(options: &Options) -> io::Result<Self> {
        // A test beside this one may take the free port first.
        Self::launch(options).or_else(|_| Self::launch(options)).or_else(|_| Self::launch(options))
    }

    fn launch(options: &Options) -> io::Result<Self> {
        let folder = tempfile::tempdir()?;
        let port = free_port()?;
        // mosquitto would give up root for a user who cannot read the folder.
        let mut lines = format!("user root\nlog_dest stderr\nlistener {port} 127.0.0.1\n");
        let mut line = |key: &str, path: &Path| {
            let _ = writeln!(lines, "{key} {}", path.display());
        };
        if options.users.is_empty() {
            line("allow_anonymous", Path::new("true"));
        } else {
            let file = folder.path().join("passwords");
            fs::write(&file, "")?;
            for (user, password) in &options.users {
                let done = Command::new(PASSWORDS).arg("-b").arg(&file).args([user, password]).output()?;
                if !done.status.success() {
                    return Err(io::Error::other(String::from_utf8_lossy(&done.stderr).into_owned()));
                }
            }
            line("password_file", &file);
        }
        if let Some(rights) = &options.rights {
            let file = folder.path().join("rights");
            fs::write(&file, rights)?;
            line("acl_file", &file);
        }
        if let Some(filter) = &options.refused {
            let file = folder.path().join("access.json");
            fs::write(&file, refusing(filter).to_string())?;
            line("plugin", Path::new(ACCESS_PLUGIN));
            line("plugin_opt_config_file", &file);
        }
        if let Some(identity) = &options.tls {
            line("certfile", &identity.certificate);
            line("keyfile", &identity.key);
        }
        for own in &options.lines {
            line(own, Path::new(""));
        }
        let plain = options.plain_too.then(free_port).transpose()?;
        if let Some(plain) = plain {
            // Users and rights hold for all listeners; TLS does not.
            let _ = writeln!(lines, "listener {plain} 127.0.0.1");
        }
        fs::write(folder.path().join("mosquitto.conf"), lines)?;
        let child = launch(folder.path())?;
        let mut broker = Self { child, folder, port, plain };
        broker.wait_until_open()?;
        Ok(broker)
    }

    fn wait_until_open(&mut self) -> io::Result<()> {
        let started = Instant::now();
        // Listeners are opened in their order.
        let last = self.plain_port();
        // Its own word counts first: on a port that somebody else was quicker to take, they answer.
        while !self.log().contains(" running") || TcpStream::connect((Ipv4Addr::LOCALHOST, last)).is_err() {
            let ended = self.child.try_wait()?;
            if ended.is_some() || started.elapsed() > START {
                let log = self.log();
                return Err(io::Error::other(format!("mosquitto does not listen ({ended:?}): {log}")));
            }
            thread::sleep(Duration::from_millis(10));
        }
        Ok(())
    }

    /// Where it listens, on 127.0.0.1.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Where it listens without encryption: [`Self::port`] if there is no second port.
    pub fn plain_port(&self) -> u16 {
        self.plain.unwrap_or(self.port)
    }

    /// What it has logged since it was last started.
    pub fn log(&self) -> String {
        fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    /// Ends it without a warning, as a power cut would.
    ///
    /// # Errors
    /// When it could not be ended.
    pub fn kill(&mut self) -> io::Result<()> {
        self.child.kill()?;
        self.child.wait().map(|_| ())
    }

    /// Starts it again on the same port, after [`Self::kill`].
    ///
    /// # Errors
    /// As [`Self::start`].
    pub fn restart(&mut self) -> io::Result<()> {
        self.child = launch(self.folder.path())?;
        self.wait_until_open()
    }

    /// Freezes it: its connections stay open, nothing moves.
    ///
    /// # Errors
    /// When the signal cannot be sent.
    pub fn freeze(&self) -> io::Result<()> {
        self.signal(Signal::STOP)
    }

    /// Lets it move again.
    ///
    /// # Errors
    /// When the signal cannot be sent.
    pub fn thaw(&self) -> io::Result<()> {
        self.signal(Signal::CONT)
    }

    fn signal(&self, signal: Signal) -> io::Result<()> {
        kill_process(Pid::from_child(&self.child), signal)?;
        Ok(())
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        // Nothing is left to do if it is gone already.
        let _ = self.kill();
    }
}

/// The access plugin's file: everybody may do everything, but for one filter.
fn refusing(filter: &str) -> serde_json::Value {
    let kinds = ["publishClientSend", "subscribePattern"];
    let acls = kinds.map(|kind| json!({ "acltype": kind, "topic": filter, "priority": 1, "allow": false }));
    json!({
        "defaultACLAccess": {
            "publishClientSend": true, "publishClientReceive": true, "subscribe": true, "unsubscribe": true
        },
        "roles": [{ "rolename": "guest", "acls": acls }],
        "groups": [{ "groupname": "guests", "roles": [{ "rolename": "guest" }] }],
        "anonymousGroup": "guests"
    })
}

fn launch(folder: &Path) -> io::Result<Child> {
    let log = fs::File::create(folder.join("log"))?;
    Command::new(BINARY)
        .arg("-c")
        .arg(folder.join("mosquitto.conf"))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(log)
        .spawn()
}

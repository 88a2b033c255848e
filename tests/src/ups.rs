//! A real UPS server for tests: `upsd` with its `dummy-ups` driver, each a process of its own, on a
//! free port of 127.0.0.1 and in a fresh folder. The invented UPS says what the test writes down.

use crate::mosquitto::free_port;
use rustix::process::{Pid, Signal, kill_process};
use std::fmt::Write as _;
use std::net::{Ipv4Addr, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use std::{env, fs, io, thread};
use tempfile::TempDir;

/// Debian's own `/usr/sbin/upsd` refuses to run unless the machine's configuration wants it.
const SERVER: &str = "/lib/nut/upsd";
const DRIVER: &str = "/lib/nut/dummy-ups";

/// For a process to be ready. Generous: tests run side by side on small machines.
const START: Duration = Duration::from_secs(20);

/// Of the driver, between two looks at what the UPS says.
const POLL: u64 = 1;

/// Without a word of its driver for this long, the server holds its data to be stale.
const MAX_AGE: u64 = 3;

/// The name of the invented UPS.
pub const NAME: &str = "rack";

/// The login that the server knows.
pub const LOGIN: (&str, &str) = ("watch", "neap tide");

/// A running UPS server with its driver. Both are killed when it is dropped.
pub struct Ups {
    server: Option<Child>,
    driver: Option<Child>,
    folder: TempDir,
    port: u16,
}

/// Whether the real server is there. Without it a test has nothing to look at, and says so; where
/// `SLACKWATER_NEED_REAL=1` is set, that is a failure.
///
/// # Panics
/// When it is missing and needed.
pub fn available() -> bool {
    if Path::new(SERVER).exists() && Path::new(DRIVER).exists() {
        return true;
    }
    assert!(
        env::var_os("SLACKWATER_NEED_REAL").is_none_or(|value| value != "1"),
        "{SERVER} is missing, and SLACKWATER_NEED_REAL=1"
    );
    eprintln!("SKIPPED: {SERVER} is missing (apt-get install nut-server)");
    false
}

impl Ups {
    /// Starts a server whose UPS says this, and waits until it can be asked.
    ///
    /// # Errors
    /// When it can't be configured or does not answer; with its log.
    pub fn start(says: &[(&str, &str)]) -> io::Result<Self> {
        // A test beside this one may take the free port first.
        Self::launch(says).or_else(|_| Self::launch(says)).or_else(|_| Self::launch(says))
    }

    fn launch(says: &[(&str, &str)]) -> io::Result<Self> {
        let folder = tempfile::tempdir()?;
        let port = free_port()?;
        let write = |name: &str, text: String| fs::write(folder.path().join(name), text);
        write(
            "ups.conf",
            format!(
                "[{NAME}]\ndriver = dummy-ups\nport = said.dev\nmode = dummy-loop\npollinterval = {POLL}\n"
            ),
        )?;
        write("upsd.conf", format!("LISTEN 127.0.0.1 {port}\nMAXAGE {MAX_AGE}\n"))?;
        let (user, password) = LOGIN;
        write("upsd.users", format!("[{user}]\npassword = \"{password}\"\nupsmon secondary\n"))?;
        let mut ups = Self { server: None, driver: None, folder, port };
        ups.says(says)?;
        ups.begin_driver()?;
        ups.begin_server()?;
        Ok(ups)
    }

    /// From now on the UPS says this and nothing else.
    ///
    /// # Errors
    /// When it can't be written.
    pub fn says(&self, variables: &[(&str, &str)]) -> io::Result<()> {
        let mut text = String::new();
        for (name, value) in variables {
            let _ = writeln!(text, "{name}: {value}");
        }
        // The driver may be reading: it sees the old text or the new one.
        let next = self.folder.path().join("next.dev");
        fs::write(&next, text)?;
        fs::rename(next, self.folder.path().join("said.dev"))
    }

    /// Where the server listens, on 127.0.0.1.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// What server and driver have logged.
    pub fn log(&self) -> String {
        let read = |name| fs::read_to_string(self.folder.path().join(name)).unwrap_or_default();
        read("upsd.log") + &read("driver.log")
    }

    /// The data cable is pulled: the driver says nothing more.
    ///
    /// # Errors
    /// When the signal can't be sent.
    pub fn unplug(&self) -> io::Result<()> {
        self.signal(Signal::STOP)
    }

    /// It is back.
    ///
    /// # Errors
    /// When the signal can't be sent.
    pub fn plug_in(&self) -> io::Result<()> {
        self.signal(Signal::CONT)
    }

    /// Ends the server without a warning.
    ///
    /// # Errors
    /// When it could not be ended.
    pub fn kill_server(&mut self) -> io::Result<()> {
        end(&mut self.server)
    }

    /// Starts it again on the same port, after [`Self::kill_server`].
    ///
    /// # Errors
    /// As [`Self::start`].
    pub fn restart_server(&mut self) -> io::Result<()> {
        self.begin_server()
    }

    fn begin_driver(&mut self) -> io::Result<()> {
        self.driver = Some(self.spawn(DRIVER, &["-a", NAME], "driver.log")?);
        let socket = self.folder.path().join(format!("dummy-ups-{NAME}"));
        self.wait(|| socket.exists())
    }

    fn begin_server(&mut self) -> io::Result<()> {
        self.server = Some(self.spawn(SERVER, &[], "upsd.log")?);
        let port = self.port;
        self.wait(|| TcpStream::connect((Ipv4Addr::LOCALHOST, port)).is_ok())
    }

    /// In the foreground, and as whoever runs the test.
    fn spawn(&self, program: &str, arguments: &[&str], log: &str) -> io::Result<Child> {
        let folder = self.folder.path();
        let log = fs::File::create(folder.join(log))?;
        let mut command = Command::new(program);
        command.args(arguments).arg("-F");
        if rustix::process::geteuid().is_root() {
            command.args(["-u", "root"]);
        }
        for variable in ["NUT_CONFPATH", "NUT_STATEPATH", "NUT_ALTPIDPATH"] {
            command.env(variable, folder);
        }
        command.stdin(Stdio::null()).stdout(log.try_clone()?).stderr(log).spawn()
    }

    fn wait(&mut self, ready: impl Fn() -> bool) -> io::Result<()> {
        let begun = Instant::now();
        while !ready() {
            let children = [&mut self.server, &mut self.driver];
            let ended = children.into_iter().flatten().any(|child| !matches!(child.try_wait(), Ok(None)));
            if ended || begun.elapsed() > START {
                return Err(io::Error::other(format!("the UPS server does not start: {}", self.log())));
            }
            thread::sleep(Duration::from_millis(10));
        }
        Ok(())
    }

    fn signal(&self, signal: Signal) -> io::Result<()> {
        let driver = self.driver.as_ref().ok_or_else(|| io::Error::other("there is no driver"))?;
        Ok(kill_process(Pid::from_child(driver), signal)?)
    }
}

fn end(child: &mut Option<Child>) -> io::Result<()> {
    let Some(mut child) = child.take() else { return Ok(()) };
    child.kill()?;
    child.wait().map(|_| ())
}

impl Drop for Ups {
    fn drop(&mut self) {
        // Nothing is left to do if they are gone already.
        let _ = end(&mut self.server);
        let _ = end(&mut self.driver);
    }
}

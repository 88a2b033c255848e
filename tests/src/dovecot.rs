//! A real mailbox for tests: dovecot as its own process, on a free port of 127.0.0.1 and in a fresh
//! folder, with one user. Mail arrives as a mail server would leave it: as a file in the Maildir.

use crate::certs::Identity;
use crate::mosquitto::free_port;
use rustix::process::{Pid, Signal, kill_process};
use std::fs::{self, File, Permissions};
use std::io::{self, Write};
use std::net::{Ipv4Addr, TcpStream};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant, SystemTime};
use std::{env, thread};
use tempfile::TempDir;

const BINARY: &str = "/usr/sbin/dovecot";

/// For the server to open its port. Generous: tests run side by side on small machines.
const START: Duration = Duration::from_secs(20);

/// The login that the server knows.
pub const LOGIN: (&str, &str) = ("watch@example.org", "spring \"tide\"");

/// A running server. Ended when dropped.
pub struct Dovecot {
    child: Option<Child>,
    folder: TempDir,
    port: u16,
    count: u32,
}

/// Whether the real server is there, and may be started: it changes its user, which takes root.
/// Where `SLACKWATER_NEED_REAL=1` is set, its absence is a failure.
///
/// # Panics
/// When it is missing and needed.
pub fn available() -> bool {
    let root = rustix::process::geteuid().is_root();
    if Path::new(BINARY).exists() && root {
        return true;
    }
    assert!(
        !root || env::var_os("SLACKWATER_NEED_REAL").is_none_or(|value| value != "1"),
        "{BINARY} is missing, and SLACKWATER_NEED_REAL=1"
    );
    eprintln!("SKIPPED: {BINARY} is missing (apt-get install dovecot-imapd), or this is not root");
    false
}

impl Dovecot {
    /// Starts a server and waits until its port is open.
    ///
    /// # Errors
    /// When it can't be configured or does not open its port; with its log.
    pub fn start(identity: &Identity) -> io::Result<Self> {
        Self::start_on(identity, ("imaps", "imap"), "ssl = yes")
    }

    /// The same in the clear at first, and under TLS after STARTTLS.
    ///
    /// # Errors
    /// As [`Self::start`].
    pub fn start_with_starttls(identity: &Identity) -> io::Result<Self> {
        Self::start_on(identity, ("imap", "imaps"), "")
    }

    fn start_on(identity: &Identity, (used, unused): (&str, &str), how: &str) -> io::Result<Self> {
        let folder = tempfile::tempdir()?;
        let all = Permissions::from_mode(0o755);
        fs::set_permissions(folder.path(), all)?;
        let port = free_port()?;
        let base = folder.path().display().to_string();
        for name in ["cur", "new", "tmp"] {
            fs::create_dir_all(folder.path().join("Maildir").join(name))?;
        }
        for name in ["Maildir", "Maildir/cur", "Maildir/new", "Maildir/tmp"] {
            fs::set_permissions(folder.path().join(name), Permissions::from_mode(0o777))?;
        }
        let (_, password) = LOGIN;
        fs::write(folder.path().join("users"), format!("{}:{{PLAIN}}{password}\n", LOGIN.0))?;
        let (certificate, key) = (identity.certificate.display(), identity.key.display());
        let configuration = format!(
            "protocols = imap\nbase_dir = {base}/run\nstate_dir = {base}/state\nlog_path = {base}/log\n\
             ssl = required\nssl_cert = <{certificate}\nssl_key = <{key}\n\
             mail_location = maildir:{base}/Maildir\nfirst_valid_uid = 1\n\
             maildir_very_dirty_syncs = no\nmailbox_idle_check_interval = 1 secs\n\
             service imap-login {{\n  inet_listener {unused} {{\n    port = 0\n  }}\n  inet_listener {used} {{\n    \
             address = 127.0.0.1\n    port = {port}\n    {how}\n  }}\n}}\n\
             passdb {{\n  driver = passwd-file\n  args = {base}/users\n}}\n\
             userdb {{\n  driver = static\n  args = uid=nobody gid=nogroup home={base}\n}}\n"
        );
        fs::write(folder.path().join("dovecot.conf"), configuration)?;
        fs::set_permissions(folder.path().join("users"), Permissions::from_mode(0o644))?;
        let mut server = Self { child: None, folder, port, count: 0 };
        server.begin()?;
        Ok(server)
    }

    fn begin(&mut self) -> io::Result<()> {
        let configuration = self.folder.path().join("dovecot.conf");
        let mut command = Command::new(BINARY);
        command.args(["-F", "-c"]).arg(configuration);
        self.child = Some(command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn()?);
        let started = Instant::now();
        while TcpStream::connect((Ipv4Addr::LOCALHOST, self.port)).is_err() {
            let ended = self.child.as_mut().and_then(|child| child.try_wait().ok().flatten());
            if ended.is_some() || started.elapsed() > START {
                return Err(io::Error::other(format!("dovecot does not listen ({ended:?}): {}", self.log())));
            }
            thread::sleep(Duration::from_millis(20));
        }
        Ok(())
    }

    /// Where it listens, on 127.0.0.1.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// What it has logged.
    pub fn log(&self) -> String {
        fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    /// A message arrives, so long ago.
    ///
    /// # Errors
    /// When it can't be written.
    pub fn deliver(&mut self, message: &str, ago: Duration) -> io::Result<()> {
        self.count += 1;
        let name = format!("{}.test{}.localhost", 1_700_000_000 + self.count, self.count);
        let aside = self.maildir().join("tmp").join(&name);
        let mut file = File::create(&aside)?;
        file.write_all(message.replace('\n', "\r\n").as_bytes())?;
        file.set_permissions(Permissions::from_mode(0o666))?;
        file.set_modified(SystemTime::now() - ago)?;
        fs::rename(aside, self.maildir().join("new").join(name))
    }

    fn maildir(&self) -> PathBuf {
        self.folder.path().join("Maildir")
    }

    /// The names of the messages in a folder, with their flags: `""` is the one in which mail
    /// arrives.
    pub fn messages(&self, folder: &str) -> Vec<String> {
        let at = if folder.is_empty() { self.maildir() } else { self.maildir().join(format!(".{folder}")) };
        let names = |below: &str| {
            let entries = fs::read_dir(at.join(below)).into_iter().flatten().flatten();
            entries.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect::<Vec<_>>()
        };
        [names("new"), names("cur")].concat()
    }

    /// Ends the server with all its connections.
    pub fn stop(&mut self) {
        let Some(mut child) = self.child.take() else { return };
        if let Some(pid) = i32::try_from(child.id()).ok().and_then(Pid::from_raw) {
            // It may have ended by itself.
            let _ = kill_process(pid, Signal::TERM);
        }
        let started = Instant::now();
        while matches!(child.try_wait(), Ok(None)) && started.elapsed() < START {
            thread::sleep(Duration::from_millis(20));
        }
        let _ = child.kill();
        let _ = child.wait();
    }

    /// Starts it again on the same port.
    ///
    /// # Errors
    /// When it does not open it.
    pub fn restart(&mut self) -> io::Result<()> {
        self.begin()
    }
}

impl Drop for Dovecot {
    fn drop(&mut self) {
        self.stop();
    }
}

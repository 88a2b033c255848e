//! A real database for tests: PostgreSQL as its own process, on a free port of 127.0.0.1, in a
//! fresh folder, as a user who is not root.

use crate::certs::Identity;
use crate::mosquitto::free_port;
use rustix::process::{Pid, Signal, kill_process};
use std::io::Write as _;
use std::os::unix::fs::{PermissionsExt, chown};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use std::{env, fs, io, thread};
use tempfile::TempDir;

/// Debian has a folder for each version.
const VERSIONS: &str = "/usr/lib/postgresql";

/// For the server to take a connection. Generous: tests run side by side on small machines.
const START: Duration = Duration::from_secs(40);

/// Who may do everything, and the password.
pub const LOGIN: (&str, &str) = ("slackwater", "spring tide");

/// A running server with a database named as its user. Killed when dropped.
pub struct Postgres {
    child: Child,
    folder: TempDir,
    port: u16,
}

fn programs() -> Option<PathBuf> {
    let mut found: Vec<_> = fs::read_dir(VERSIONS).ok()?.flatten().map(|it| it.path().join("bin")).collect();
    found.sort();
    found.into_iter().rev().find(|folder| folder.join("initdb").exists())
}

/// Whether the real server is there. Where `SLACKWATER_NEED_REAL=1` is set, its absence is a
/// failure.
///
/// # Panics
/// When it is missing and needed.
pub fn available() -> bool {
    if programs().is_some() {
        return true;
    }
    assert!(
        env::var_os("SLACKWATER_NEED_REAL").is_none_or(|value| value != "1"),
        "no PostgreSQL in {VERSIONS}, and SLACKWATER_NEED_REAL=1"
    );
    eprintln!("SKIPPED: no PostgreSQL in {VERSIONS} (apt-get install postgresql)");
    false
}

/// A program of the server, as its own user where we are root: it refuses to run as root.
fn program(name: &str) -> io::Result<Command> {
    let folder = programs().ok_or_else(|| io::Error::other("no PostgreSQL"))?;
    let mut command = Command::new(folder.join(name));
    if let Some((user, group)) = own_user()? {
        command.uid(user).gid(group);
    }
    command.current_dir("/").stdin(Stdio::null());
    Ok(command)
}

/// Whom Debian's package makes; none if we are not root, and can be nobody else.
fn own_user() -> io::Result<Option<(u32, u32)>> {
    if !rustix::process::geteuid().is_root() {
        return Ok(None);
    }
    let id = |which: &str| {
        let said = Command::new("id").args([which, "postgres"]).output()?;
        String::from_utf8_lossy(&said.stdout).trim().parse().map_err(io::Error::other)
    };
    Ok(Some((id("-u")?, id("-g")?)))
}

fn well(command: &mut Command) -> io::Result<String> {
    let said = command.output()?;
    match said.status.success() {
        true => Ok(String::from_utf8_lossy(&said.stdout).into_owned()),
        false => Err(io::Error::other(format!("{command:?}: {}", String::from_utf8_lossy(&said.stderr)))),
    }
}

impl Postgres {
    /// Starts a server and waits until it takes a connection.
    ///
    /// # Errors
    /// When it can't be set up or does not start; with its log.
    pub fn start() -> io::Result<Self> {
        Self::start_as(None)
    }

    /// The same, which takes connections under TLS with this identity, and no others but from psql
    /// here, which looks at no certificate.
    ///
    /// # Errors
    /// When it can't be set up or does not start; with its log.
    pub fn start_as(identity: Option<&Identity>) -> io::Result<Self> {
        let folder = tempfile::tempdir()?;
        fs::write(folder.path().join("password"), LOGIN.1)?;
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755))?;
        if let Some((user, group)) = own_user()? {
            chown(folder.path(), Some(user), Some(group))?;
        }
        let data = folder.path().join("data");
        well(
            program("initdb")?
                .args([
                    "--no-sync",
                    "--auth=scram-sha-256",
                    "--encoding=UTF8",
                    "--locale=C",
                    "--username",
                    LOGIN.0,
                ])
                .arg("--pwfile")
                .arg(folder.path().join("password"))
                .arg(&data),
        )?;
        if let Some(identity) = identity {
            for (from, name) in [(&identity.certificate, "server.crt"), (&identity.key, "server.key")] {
                let own = data.join(name);
                fs::copy(from, &own)?;
                fs::set_permissions(&own, fs::Permissions::from_mode(0o600))?;
                if let Some((user, group)) = own_user()? {
                    chown(&own, Some(user), Some(group))?;
                }
            }
            fs::write(data.join("pg_hba.conf"), "hostssl all all 127.0.0.1/32 scram-sha-256\n")?;
            let configuration = fs::OpenOptions::new().append(true).open(data.join("postgresql.conf"));
            configuration?.write_all(b"ssl = on\n")?;
        }
        let port = free_port()?;
        let child = launch(folder.path(), port)?;
        let mut server = Self { child, folder, port };
        server.wait_until_open()?;
        server.query_in("postgres", &format!("CREATE DATABASE {}", LOGIN.0))?;
        Ok(server)
    }

    fn wait_until_open(&mut self) -> io::Result<()> {
        let started = Instant::now();
        while let Err(error) = self.query_in("postgres", "SELECT 1") {
            if self.child.try_wait()?.is_some() || started.elapsed() > START {
                let log = fs::read_to_string(self.folder.path().join("log")).unwrap_or_default();
                return Err(io::Error::other(format!("PostgreSQL does not answer: {error}\n{log}")));
            }
            thread::sleep(Duration::from_millis(50));
        }
        Ok(())
    }

    /// Where it listens, on 127.0.0.1.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// The lines that this says, its columns with `|` between.
    ///
    /// # Errors
    /// What the server says.
    pub fn query(&self, sql: &str) -> io::Result<Vec<String>> {
        self.query_in(LOGIN.0, sql)
    }

    fn query_in(&self, database: &str, sql: &str) -> io::Result<Vec<String>> {
        let mut psql = program("psql")?;
        psql.args([
            "--no-psqlrc",
            "--tuples-only",
            "--no-align",
            "--set=ON_ERROR_STOP=1",
            "--host=127.0.0.1",
        ]);
        psql.env("PGPASSWORD", LOGIN.1).env("PGCONNECT_TIMEOUT", "5");
        // It would look for certificates of ours in a home that is not its user's.
        psql.env("HOME", self.folder.path());
        // Also where a test has set the database to be read only.
        psql.env("PGOPTIONS", "-c default_transaction_read_only=off");
        psql.args(["--port", &self.port.to_string(), "--username", LOGIN.0, "--dbname", database]);
        let said = well(psql.args(["--command", sql]))?;
        Ok(said.lines().filter(|line| !line.is_empty()).map(str::to_owned).collect())
    }

    /// Takes the power away.
    ///
    /// # Errors
    /// When it can't be reached.
    pub fn kill(&mut self) -> io::Result<()> {
        if self.child.try_wait()?.is_some() {
            return Ok(());
        }
        // To its children too, without tidying up: what a power cut leaves is mended at the start.
        kill_process(Pid::from_child(&self.child), Signal::QUIT)?;
        self.child.wait().map(drop)
    }

    /// Starts it again on the same data, where it was.
    ///
    /// # Errors
    /// When it does not answer.
    pub fn restart(&mut self) -> io::Result<()> {
        self.child = launch(self.folder.path(), self.port)?;
        self.wait_until_open()
    }
}

fn launch(folder: &Path, port: u16) -> io::Result<Child> {
    let log = fs::OpenOptions::new().create(true).append(true).open(folder.join("log"))?;
    program("postgres")?
        .arg("-D")
        .arg(folder.join("data"))
        .args(["-p", &port.to_string(), "-c", "listen_addresses=127.0.0.1"])
        .args(["-c", "unix_socket_directories=", "-c", "max_connections=20", "-c", "shared_buffers=16MB"])
        .stdout(Stdio::null())
        .stderr(log)
        .spawn()
}

impl Drop for Postgres {
    fn drop(&mut self) {
        // Nothing is left to do if it is gone already.
        let _ = self.kill();
    }
}

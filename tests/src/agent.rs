//! The real program, seen from outside: a fresh folder with its files, the process that watches
//! there, and the command line beside it. What can be looked at is what a keeper can look at:
//! exit codes, output, the log, the journal.

use rustix::process::{Pid, Signal, kill_process};
use slackwater::journal::JournalLog;
use slackwater_rules::record::{Body, Record};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::time::{Duration, Instant};
use std::{fs, io, thread};
use tempfile::TempDir;

/// For anything that should happen soon. Generous: tests run side by side on small machines.
pub const SOON: Duration = Duration::from_secs(20);

/// Between two looks at what is waited for.
const LOOK: Duration = Duration::from_millis(20);

/// Looks again and again until there is something.
///
/// # Panics
/// When there is nothing within the bound; with what `story` tells.
pub fn until<T>(
    what: &str,
    bound: Duration,
    mut look: impl FnMut() -> Option<T>,
    story: impl Fn() -> String,
) -> T {
    let begun = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(begun.elapsed() < bound, "not within {bound:?}: {what}\n{}", story());
        thread::sleep(LOOK);
    }
}

/// A folder with the program's files.
pub struct Home {
    folder: TempDir,
    binary: PathBuf,
    variables: Vec<(String, String)>,
    /// What the watch is started by, instead of directly.
    by: Vec<String>,
    journal: PathBuf,
}

/// What a command said.
#[derive(Debug)]
pub struct Said {
    /// The exit code; none if it was killed.
    pub code: Option<i32>,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

impl Said {
    /// Its output, if it ended well.
    ///
    /// # Panics
    /// If it did not.
    #[track_caller]
    pub fn well(self) -> String {
        assert_eq!(self.code, Some(0), "{self:#?}");
        self.out
    }

    /// Its complaint, if it ended with this code.
    ///
    /// # Panics
    /// If it did not.
    #[track_caller]
    pub fn failed(self, code: i32) -> String {
        assert_eq!(self.code, Some(code), "{self:#?}");
        self.err
    }
}

impl From<Output> for Said {
    fn from(output: Output) -> Self {
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        Self { code: output.status.code(), out: text(&output.stdout), err: text(&output.stderr) }
    }
}

impl Home {
    /// An empty one for the program at `binary`.
    ///
    /// # Errors
    /// When there is no place for it.
    pub fn new(binary: &str) -> io::Result<Self> {
        let journal = "journal.sqlite".into();
        let (variables, by) = (Vec::new(), Vec::new());
        Ok(Self { folder: tempfile::tempdir()?, binary: binary.into(), variables, by, journal })
    }

    /// From now on the program sees this variable. It sees no other but those of a bare machine.
    pub fn set(&mut self, name: &str, value: &str) {
        self.variables.push((name.to_owned(), value.to_owned()));
    }

    /// The watch is started by this program, which is given its command line and becomes it.
    pub fn start_by(&mut self, program: &[&str]) {
        self.by = program.iter().map(|word| (*word).to_owned()).collect();
    }

    /// The journal is kept in this file of the folder.
    pub fn keep_journal_in(&mut self, name: &str) {
        self.set("SLACKWATER_JOURNAL__PATH", name);
        self.journal = name.into();
    }

    /// The variables that were set.
    pub fn variables(&self) -> &[(String, String)] {
        &self.variables
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// A file in it.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder().join(name)
    }

    /// Writes a file that only its owner may read, as secrets have to be.
    ///
    /// # Errors
    /// When it can't be written.
    pub fn write(&self, name: &str, text: &str) -> io::Result<()> {
        fs::write(self.path(name), text)?;
        fs::set_permissions(self.path(name), fs::Permissions::from_mode(0o600))
    }

    /// The program with these arguments, in the folder, not yet started.
    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(&self.binary);
        // Usage lines name the program as it was called.
        command.arg0("slackwater");
        self.equip(command, arguments)
    }

    fn equip(&self, mut command: Command, arguments: &[&str]) -> Command {
        command
            .args(arguments)
            .current_dir(self.folder())
            .env_clear()
            .env("TZ", "UTC")
            .env("HOME", self.folder())
            .env("USER", "keeper")
            .env("SLACKWATER_CONFIG", self.path("agent.toml"))
            .envs(self.variables.iter().map(|(name, value)| (name, value)))
            .stdin(Stdio::null());
        command
    }

    /// What the program says to these words.
    ///
    /// # Panics
    /// When it can't be run.
    pub fn say(&self, arguments: &[&str]) -> Said {
        self.command(arguments).output().expect("the program runs").into()
    }

    /// Starts the watch, without waiting for anything.
    ///
    /// # Errors
    /// When it can't be started.
    pub fn start(&self) -> io::Result<Agent> {
        self.start_as(&["run"])
    }

    /// The same by another command that watches.
    ///
    /// # Errors
    /// When it can't be started.
    pub fn start_as(&self, arguments: &[&str]) -> io::Result<Agent> {
        let log = fs::OpenOptions::new().create(true).append(true).open(self.path("log"))?;
        let since = log.metadata()?.len();
        let mut command = match self.by.split_first() {
            None => self.command(arguments),
            Some((program, before)) => {
                let mut command = Command::new(program);
                command.args(before).arg(&self.binary);
                self.equip(command, arguments)
            }
        };
        let child = command.stdout(Stdio::null()).stderr(log).spawn()?;
        Ok(Agent { log: self.path("log"), child, since })
    }

    /// All that has been logged by every watch so far.
    pub fn log(&self) -> String {
        fs::read_to_string(self.path("log")).unwrap_or_default()
    }

    /// Where the journal is kept.
    pub fn journal(&self) -> PathBuf {
        self.folder().join(&self.journal)
    }

    /// The journal's records; none before there is a journal.
    pub fn records(&self) -> Vec<Record> {
        let mut records = Vec::new();
        let Ok(log) = JournalLog::open(&self.journal()) else { return records };
        let unreadable = log.walk(0, |record| {
            records.push(record);
            true
        });
        match unreadable {
            Ok(unreadable) => assert_eq!(unreadable, Vec::<u64>::new(), "records that can't be read"),
            // Between the making of the file and that of its tables.
            Err(_) => records.clear(),
        }
        records
    }

    /// Waits for something in the journal.
    ///
    /// # Panics
    /// When it does not come soon; with the log.
    #[track_caller]
    pub fn until<T>(&self, what: &str, pick: impl Fn(&[Record]) -> Option<T>) -> T {
        until(what, SOON, || pick(&self.records()), || self.log())
    }

    /// Waits for a record after number `after`.
    ///
    /// # Panics
    /// When it does not come soon; with the log.
    #[track_caller]
    pub fn record(&self, what: &str, after: u64, is: impl Fn(&Body) -> bool) -> Record {
        self.until(what, |records| {
            records.iter().find(|record| record.seq > after && is(&record.body)).cloned()
        })
    }
}

/// A watch that runs. Killed when dropped.
pub struct Agent {
    log: PathBuf,
    child: Child,
    since: u64,
}

impl Agent {
    /// What this watch has logged.
    pub fn log(&self) -> String {
        let log = fs::read(&self.log).unwrap_or_default();
        let since = usize::try_from(self.since).unwrap_or(usize::MAX).min(log.len());
        String::from_utf8_lossy(&log[since..]).into_owned()
    }

    /// Waits until this watch has logged something.
    ///
    /// # Panics
    /// When it ends before, or does not soon.
    #[track_caller]
    pub fn logs(&mut self, text: &str) {
        let begun = Instant::now();
        while !self.log().contains(text) {
            let ended = self.child.try_wait().expect("a child");
            assert!(ended.is_none(), "ended with {ended:?} before it logged {text:?}:\n{}", self.log());
            assert!(begun.elapsed() < SOON, "not within {SOON:?} in the log: {text:?}\n{}", self.log());
            thread::sleep(LOOK);
        }
    }

    /// A line of its `/proc/PID/status` in KiB: `VmHWM` is the most that it has ever had in memory,
    /// `RssAnon` what it has now that is its own.
    ///
    /// # Panics
    /// When it has ended.
    pub fn kibibytes(&self, key: &str) -> u64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.child.id())).expect("it runs");
        let line = status.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix(':'));
        let number = line.and_then(|line| line.trim().strip_suffix(" kB")?.parse().ok());
        number.unwrap_or_else(|| panic!("no {key} in:\n{status}"))
    }

    /// The number of its process.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// How it has ended by itself; none while it runs.
    pub fn has_ended(&mut self) -> Option<ExitStatus> {
        self.child.try_wait().ok().flatten()
    }

    /// Waits until it hears the broker.
    ///
    /// # Panics
    /// When it does not soon.
    #[track_caller]
    pub fn hears(&mut self) {
        self.logs("the broker can be heard");
    }

    /// Sends it a signal.
    ///
    /// # Panics
    /// When it has been waited for already.
    pub fn signal(&self, signal: Signal) {
        kill_process(Pid::from_child(&self.child), signal).expect("it runs");
    }

    /// Ends it without a warning.
    ///
    /// # Panics
    /// When it can't be.
    pub fn kill(mut self) {
        self.child.kill().and_then(|()| self.child.wait()).expect("it can be killed");
    }

    /// Waits for its end.
    ///
    /// # Panics
    /// When it does not end within the bound.
    #[track_caller]
    pub fn ended(&mut self, bound: Duration) -> ExitStatus {
        let child = &mut self.child;
        let ended = until("the end of the watch", bound, || child.try_wait().transpose(), String::new);
        ended.expect("a child")
    }

    /// Asks it to end in good order, and waits for that.
    ///
    /// # Panics
    /// When it does not, or complains.
    #[track_caller]
    pub fn terminate(mut self) {
        self.signal(Signal::TERM);
        let status = self.ended(SOON);
        assert!(status.success(), "{status}\n{}", self.log());
    }
}

impl Drop for Agent {
    fn drop(&mut self) {
        // Nothing is left to do if it is gone already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

//! A process under measurement: started, known to be ready, and read from `/proc`.

use crate::Result;
use rustix::process::{Pid, Signal, kill_process};
use std::fs::{self, File};
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// `USER_HZ`: proc(5) counts CPU time in these on every Linux.
const TICKS_PER_SECOND: f64 = 100.0;

/// Killed when dropped, unless it has been ended.
pub(crate) struct Process {
    child: Child,
    /// From starting it to its READY.
    pub(crate) started_in: Duration,
}

impl Process {
    /// Starts the agent with its configuration file and waits for its READY.
    pub(crate) fn agent(config: &Path) -> Result<Self> {
        let mut command = Command::new(env!("CARGO_BIN_EXE_slackwater-under-test"));
        command.arg("run").arg("--config").arg(config);
        Self::start(command, &config.with_file_name("agent.log"))
    }

    /// Starts a baseline: this program with other words. It says READY as the agent does.
    pub(crate) fn baseline(words: &[&str], log: &Path) -> Result<Self> {
        let mut command = Command::new(std::env::current_exe()?);
        command.args(words);
        Self::start(command, log)
    }

    fn start(mut command: Command, log: &Path) -> Result<Self> {
        let notify = log.with_extension("notify");
        let socket = UnixDatagram::bind(&notify)?;
        socket.set_read_timeout(Some(Duration::from_secs(20)))?;
        let begun = Instant::now();
        let child = command
            .env("NOTIFY_SOCKET", &notify)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(File::create(log)?)
            .spawn()?;
        let mut process = Self { child, started_in: Duration::ZERO };
        let mut buffer = [0; 1024];
        loop {
            let length = socket.recv(&mut buffer).map_err(|_| {
                format!("{command:?} did not get ready: {}", fs::read_to_string(log).unwrap_or_default())
            })?;
            if buffer[..length].starts_with(b"READY=1") {
                process.started_in = begun.elapsed();
                fs::remove_file(&notify)?;
                return Ok(process);
            }
        }
    }

    /// Ends it in good order.
    pub(crate) fn end(mut self) -> Result<()> {
        kill_process(Pid::from_child(&self.child), Signal::TERM)?;
        self.child.wait()?;
        Ok(())
    }

    fn proc(&self, file: &str) -> Result<String> {
        Ok(fs::read_to_string(format!("/proc/{}/{file}", self.child.id()))?)
    }

    /// CPU time used so far, in seconds, user and system.
    pub(crate) fn cpu(&self) -> Result<f64> {
        let stat = self.proc("stat")?;
        // Behind the name, which may hold spaces: the 12th and 13th field from there.
        let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or_default().split_whitespace().collect();
        let ticks = |at: usize| fields.get(at).and_then(|field| field.parse::<f64>().ok());
        let (user, system) = ticks(11).zip(ticks(12)).ok_or("no CPU time in /proc/PID/stat")?;
        Ok((user + system) / TICKS_PER_SECOND)
    }

    /// The same to the nanosecond, of the threads that still live: for what takes less than a tick.
    pub(crate) fn cpu_to_now(&self) -> Result<f64> {
        let mut nanos = 0.0;
        for thread in fs::read_dir(format!("/proc/{}/task", self.child.id()))? {
            let stat = fs::read_to_string(thread?.path().join("schedstat"))?;
            nanos += stat.split(' ').next().and_then(|first| first.parse::<f64>().ok()).unwrap_or(0.0);
        }
        Ok(nanos / 1e9)
    }

    /// A line of `/proc/PID/status` in MiB.
    pub(crate) fn mebibytes(&self, key: &str) -> Result<f64> {
        let status = self.proc("status")?;
        let line = status.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix(':'));
        let kibibytes = line.and_then(|line| line.trim().strip_suffix(" kB")?.parse::<f64>().ok());
        Ok(kibibytes.ok_or_else(|| format!("no {key} in /proc/PID/status"))? / 1024.0)
    }

    /// How often its threads have gone to sleep by themselves, which is how often they woke up.
    pub(crate) fn sleeps(&self) -> Result<f64> {
        let mut sleeps = 0.0;
        for thread in fs::read_dir(format!("/proc/{}/task", self.child.id()))? {
            let status = fs::read_to_string(thread?.path().join("status"))?;
            let line = status.lines().find_map(|line| line.strip_prefix("voluntary_ctxt_switches:"));
            sleeps += line.and_then(|line| line.trim().parse::<f64>().ok()).unwrap_or(0.0);
        }
        Ok(sleeps)
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What this program has caused to be written to the disk, in bytes (proc(5), `io`).
pub(crate) fn written() -> Result<f64> {
    let io = fs::read_to_string("/proc/self/io")?;
    let line = io.lines().find_map(|line| line.strip_prefix("write_bytes: "));
    Ok(line.and_then(|bytes| bytes.parse().ok()).ok_or("no write_bytes in /proc/self/io")?)
}

/// The machine in one line.
pub(crate) fn machine() -> String {
    let read = |path: &str| fs::read_to_string(path).unwrap_or_default();
    let cpu = read("/proc/cpuinfo");
    let model = cpu.lines().find_map(|line| line.strip_prefix("model name")?.split_once(": "));
    format!(
        "{}, {} cores, Linux {}, load {}",
        model.map_or("unknown CPU", |(_, name)| name),
        cpu.lines().filter(|line| line.starts_with("processor")).count(),
        read("/proc/sys/kernel/osrelease").trim(),
        read("/proc/loadavg").split(' ').take(2).collect::<Vec<_>>().join(" "),
    )
}

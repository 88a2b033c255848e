//! What must hold for any octets at all that come to the agent from outside: they are refused in
//! words or become what can be relied on; nothing panics, and nothing grows without a bound. The
//! fuzz targets of `agent/fuzz` call these with what they make up, the tests here with what is kept
//! in its corpus, so that a found input stays found.

#![expect(clippy::expect_used, reason = "a broken promise panics")]

use crate::journal::JournalLog;
use crate::settings::{Environment, Settings, UnusableFile};
use jiff::tz::TimeZone;
use slackwater_rules::plan::{Directory, Plan, Surroundings};
use slackwater_rules::time::Wall;
use std::path::Path;
use std::pin::pin;
use std::sync::LazyLock;
use std::task::{Context, Poll, Waker};

/// The sensors that a table may tell of.
static SHELF: LazyLock<Plan> = LazyLock::new(|| {
    let rules = "[sensor.lagoon-temp]\ntopic = \"lagoon/temperature\"\nmeasures = \"temperature\"\nunit = \"degC\"\n\
                 every = \"30 s\"\n[sensor.mains]\ntopic = \"house/mains\"\nmeasures = \"presence\"\n\
                 on = [\"on\"]\noff = [\"off\"]\nevery = \"30 s\"\n";
    let around = Surroundings { directory: Directory::default(), zone: TimeZone::UTC, today: None };
    Plan::check("rules.toml", rules, &around).plan.expect("it is sound")
});

/// What waits for nothing ends at once.
pub(crate) fn at_once(task: impl Future<Output = ()>) {
    let mut task = pin!(task);
    let done = task.as_mut().poll(&mut Context::from_waker(Waker::noop()));
    assert_eq!(done, Poll::Ready(()), "it waits for more than there is");
}

/// Octets as what a UPS server or the kernel says.
pub fn source(octets: &[u8]) {
    crate::sources::promise(octets);
}

/// Octets as what a modem says.
pub fn modem(octets: &[u8]) {
    crate::modem::promise(octets);
}

/// Octets as what an IMAP server says, and as a mail.
pub fn imap(octets: &[u8]) {
    crate::answers::promise(octets);
}

/// Octets as what a gateway answers, and as what a mail server does.
pub fn reply(octets: &[u8]) {
    crate::channels::promise(octets);
}

/// Octets as a line at the control socket.
pub fn control(octets: &[u8]) {
    crate::control::promise(octets);
}

/// Octets as what a browser sends.
#[cfg(feature = "web")]
pub fn http(octets: &[u8]) {
    crate::web::promise(octets);
}

/// Octets as a check-in of a site whose key is known: nobody else's opens.
pub fn checkin(octets: &[u8]) {
    // The public half of RFC 8037, appendix A.2.
    let opened = crate::checkin::open("11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo", octets);
    if let Err(why) = opened {
        assert!(!format!("{why:?}").is_empty());
    }
}

/// Octets as a link to join by, as a request to join and as what a witness says to it.
pub fn join(octets: &[u8]) {
    crate::joining::promise(octets);
}

/// Octets as a table of readings.
pub fn table(octets: &[u8]) {
    crate::command::promise(octets, &SHELF);
}

/// Octets as the agent's file: settings, or what is wrong in words.
pub fn agent_file(octets: &[u8]) {
    let text = String::from_utf8_lossy(octets).into_owned();
    let environment: Environment = [("HOME", "/nowhere")].into_iter().collect();
    for reading in [UnusableFile::Whole, UnusableFile::Sound] {
        let read = Settings::read_text(Path::new("agent.toml"), text.clone(), &environment, reading);
        assert_eq!(read.settings.is_none(), read.report.is_wrong(), "nothing is refused without a word");
    }
}

/// Octets as a journal's file: records in order, or an error.
///
/// # Panics
/// When the machine has no room for a small file, too.
pub fn journal(octets: &[u8]) {
    let folder = Scratch::new();
    let path = folder.0.join("journal.sqlite");
    std::fs::write(&path, octets).expect("room for a small file");
    let Ok(log) = JournalLog::open(&path) else { return };
    let _ = log.site();
    let mut last = 0;
    let _ = log.walk(0, |record| {
        assert!(record.seq >= last, "{} after {last}", record.seq);
        last = record.seq;
        true
    });
    let _ = log.walk_readings(Wall(0), Wall(i64::MAX / 4), |_, _| {});
}

/// A folder for one file, gone when dropped.
struct Scratch(std::path::PathBuf);

impl Scratch {
    fn new() -> Self {
        use std::sync::atomic::{AtomicU64, Ordering};
        static COUNT: AtomicU64 = AtomicU64::new(0);
        let nth = COUNT.fetch_add(1, Ordering::Relaxed);
        let folder = std::env::temp_dir().join(format!("slackwater-octets-{}-{nth}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a folder");
        Self(folder)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

#[cfg(test)]
mod tests {
    /// Replays every input of a target, and says which one it was if a promise breaks.
    fn replay(target: &str, promise: fn(&[u8])) {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus").join(target);
        let entries = std::fs::read_dir(&folder).expect("a corpus");
        let mut paths: Vec<_> = entries.map(|entry| entry.expect("an entry").path()).collect();
        paths.sort();
        assert!(!paths.is_empty(), "{} is empty", folder.display());
        let breaks = |path: &std::path::PathBuf| {
            let octets = std::fs::read(path).expect("an input");
            std::panic::catch_unwind(|| promise(&octets)).is_err()
        };
        let broken: Vec<_> = paths.iter().filter(|path| breaks(path)).collect();
        assert!(broken.is_empty(), "a promise is broken by {broken:?}");
    }

    #[test]
    fn whatever_came_from_outside_once_is_refused_or_relied_on() {
        replay("source", super::source);
        replay("modem", super::modem);
        replay("imap", super::imap);
        replay("reply", super::reply);
        replay("control", super::control);
        #[cfg(feature = "web")]
        replay("http", super::http);
        replay("checkin", super::checkin);
        replay("join", super::join);
        replay("table", super::table);
        replay("agent_file", super::agent_file);
        replay("journal", super::journal);
    }
}

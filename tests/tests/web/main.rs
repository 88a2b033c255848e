//! The page in the house, from outside: as people use it in a browser, and as strangers try it. The
//! house is one that stands still until somebody wants something to happen, or the demo's: a real
//! agent, real messages, a night with a power cut.

#![cfg(test)]

mod door;
mod intruders;
mod mailed;
mod report;
mod small_house;
mod standing_house;

use slackwater_tests::agent::{Home, until};
use standing_house::StandingHouse;
use std::fs;
use std::io::{BufRead as _, BufReader, Write as _};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

/// A busy machine takes its time.
const BOUND: Duration = Duration::from_secs(60);

/// The demo while it plays; killed at the end.
struct Night {
    home: Home,
    child: Child,
    /// Signs one device in as Ines.
    link: String,
}

impl Drop for Night {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Night {
    fn begin(speed: &str, length: &str) -> Self {
        let home = Home::new(SLACKWATER).expect("a folder");
        let out = fs::File::create(home.path("out")).expect("a file");
        let arguments = ["demo", "--speed", speed, "--for", length, "--unanswered", "--page-port", "0"];
        let child = home.command(&arguments).stdout(out).stderr(Stdio::inherit()).spawn().expect("it starts");
        let shown = || fs::read_to_string(home.path("out")).unwrap_or_default();
        let find =
            || shown().lines().map(str::trim).find(|line| line.starts_with("http://")).map(str::to_owned);
        let link = until("a link that signs in", BOUND, find, shown);
        Self { home, child, link }
    }

    /// `127.0.0.1:8740`
    fn address(&self) -> String {
        self.link.trim_start_matches("http://").split('/').next().expect("a host").to_owned()
    }

    fn invitation(&self) -> &str {
        self.link.rsplit('/').next().expect("a token")
    }
}

/// Runs a script in Chromium, by playwright for Python, with axe-core beside them: what CI
/// installs. It says what is to happen, a line each, and hears when it has; its last line is `end`.
/// False where that can't be had, and need not be.
fn in_chromium(script: &str, words: &[&str], end: &str, happens: impl Fn(&str)) -> bool {
    let there = Command::new("python3").args(["-c", "import playwright"]).stderr(Stdio::null()).status();
    if !there.is_ok_and(|status| status.success()) {
        assert!(
            std::env::var_os("SLACKWATER_NEED_REAL").is_none(),
            "python3 has no playwright, which is demanded"
        );
        eprintln!("not tried: python3 has no playwright (pip install playwright, apt install chromium)");
        return false;
    }
    let mut child = Command::new("python3")
        .arg(format!("{}/tests/web/{script}", env!("CARGO_MANIFEST_DIR")))
        .env("SLACKWATER", SLACKWATER)
        .args(words)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("it runs");
    let mut answers = child.stdin.take().expect("piped");
    let mut last = String::new();
    for line in BufReader::new(child.stdout.take().expect("piped")).lines() {
        last = line.expect("read");
        if last != end {
            happens(&last);
            writeln!(answers, "done").expect("it listens");
        }
    }
    let status = child.wait().expect("it ends");
    assert!(status.success() && last == end, "{script}: {status}; what is wrong stands above");
    true
}

/// Where pictures go: where somebody wants to look at them, or nowhere for long.
fn pictures(home: &Home) -> String {
    let kept = std::env::var_os("SLACKWATER_PICTURES").map(std::path::PathBuf::from);
    let pictures = kept.unwrap_or_else(|| home.path("pictures"));
    fs::create_dir_all(&pictures).expect("made");
    pictures.display().to_string()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_power_cut_in_a_browser_seen_answered_and_found_accessible() {
    let Some(house) = StandingHouse::begin() else { return };
    let folder = house.home.folder().display().to_string();
    let words = [&house.link, &folder, &pictures(&house.home), &house.config.display().to_string()];
    let words = words.map(String::as_str);
    in_chromium("browser.py", &words, "the whole night was seen", |what| house.does(what));
}

//! The page in the house, from outside: as people use it in a browser, and as strangers try it. The
//! demo is the house: a real agent, real messages, a night with a power cut.

#![cfg(test)]

mod door;
mod intruders;
mod small_house;

use slackwater_tests::agent::{Home, until};
use std::fs;
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

/// Chromium by playwright for Python, and axe-core beside them: what CI installs.
#[test]
fn a_night_in_a_browser_seen_answered_and_found_accessible() {
    let there = Command::new("python3").args(["-c", "import playwright"]).stderr(Stdio::null()).status();
    if !there.is_ok_and(|status| status.success()) {
        assert!(
            std::env::var_os("SLACKWATER_NEED_REAL").is_none(),
            "python3 has no playwright, which is demanded"
        );
        eprintln!("not tried: python3 has no playwright (pip install playwright, apt install chromium)");
        return;
    }
    let night = Night::begin("400", "72 h");
    // Where somebody wants to look at them.
    let kept = std::env::var_os("SLACKWATER_PICTURES").map(std::path::PathBuf::from);
    let pictures = kept.unwrap_or_else(|| night.home.path("pictures"));
    fs::create_dir_all(&pictures).expect("made");
    let said = Command::new("python3")
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/web/browser.py"))
        .env("SLACKWATER", SLACKWATER)
        .args([&night.link, &night.home.path("out").display().to_string(), &pictures.display().to_string()])
        .output()
        .expect("it runs");
    let (out, err) = (String::from_utf8_lossy(&said.stdout), String::from_utf8_lossy(&said.stderr));
    assert!(said.status.success(), "{out}\n{err}");
    assert!(out.contains("the whole night was seen"), "{out}\n{err}");
}

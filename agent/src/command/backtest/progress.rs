//! How far a backtest has come, on a terminal: one line that is written over, with the time that is
//! left. Who reads through a pipe is told nothing on the way.

use jiff::tz::TimeZone;
use slackwater_rules::time::{Span, Wall};
use std::fmt::Write as _;
use std::io::{IsTerminal as _, Write as _};
use std::time::{Duration, Instant};

/// What is done sooner needs no word.
const SILENT_FOR: Duration = Duration::from_secs(1);
/// Between two lines.
const PAUSE: Duration = Duration::from_millis(250);

/// Takes a line that takes the place of the one before.
type ProgressTeller = Box<dyn FnMut(&str)>;

/// Tells how far it has come.
pub(super) struct BacktestProgress {
    began: Instant,
    told: Option<Instant>,
    zone: TimeZone,
    to: Option<ProgressTeller>,
}

impl BacktestProgress {
    /// On the terminal that shows mistakes, if it is one.
    pub(super) fn on_terminal(zone: &TimeZone) -> Self {
        let tell = |line: &str| {
            // A terminal that is gone ends no backtest.
            drop(std::io::stderr().write_all(line.as_bytes()));
        };
        let is_terminal = std::io::stderr().is_terminal();
        let to: Option<ProgressTeller> = if is_terminal { Some(Box::new(tell)) } else { None };
        Self { began: Instant::now(), told: None, zone: zone.clone(), to }
    }

    /// It has come so far, as a share of the whole, and to this time of the past.
    pub(super) fn come(&mut self, share: f64, at: Wall) {
        let Some(tell) = &mut self.to else { return };
        let now = Instant::now();
        let due = self.told.map_or(self.began + SILENT_FOR, |told| told + PAUSE);
        if now >= due {
            self.told = Some(now);
            tell(&format!("\r{}\u{1b}[K", words(share, now - self.began, at, &self.zone)));
        }
    }
}

impl Drop for BacktestProgress {
    fn drop(&mut self) {
        if let (Some(tell), Some(_)) = (&mut self.to, self.told) {
            tell("\r\u{1b}[K");
        }
    }
}

/// `43 %, to 2026-08-02 12:00, about 20 s left`.
fn words(share: f64, taken: Duration, at: Wall, zone: &TimeZone) -> String {
    let share = share.clamp(0.0, 1.0);
    let mut words =
        format!("{:.0} %, played to {}", 100.0 * share, at.civil(zone).strftime("%Y-%m-%d %H:%M"));
    if share > 0.01 {
        let left = taken.as_secs_f64() * (1.0 - share) / share;
        let _ = write!(words, ", about {} left", Span::seconds(left.ceil() as i64));
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_follows_from_what_was_taken() {
        let at = Wall(1_785_672_000_000);
        let said = words(0.25, Duration::from_secs(10), at, &TimeZone::UTC);
        assert!(
            said.starts_with("25 %, played to 2026-08-02 12:00") && said.ends_with("about 30 s left"),
            "{said}"
        );
        assert!(!words(0.0, Duration::ZERO, at, &TimeZone::UTC).contains("left"));
    }

    #[test]
    fn a_short_one_says_nothing_and_a_pipe_is_never_written_to() {
        let lines = std::rc::Rc::new(std::cell::RefCell::new(Vec::<String>::new()));
        let written = std::rc::Rc::clone(&lines);
        let to: Box<dyn FnMut(&str)> = Box::new(move |line: &str| written.borrow_mut().push(line.to_owned()));
        let mut progress =
            BacktestProgress { began: Instant::now(), told: None, zone: TimeZone::UTC, to: Some(to) };
        progress.come(0.5, Wall(0));
        assert!(lines.borrow().is_empty());
        progress.began -= SILENT_FOR;
        progress.come(0.5, Wall(0));
        progress.come(0.6, Wall(0));
        drop(progress);
        let lines = lines.borrow();
        assert_eq!(lines.len(), 2, "one line and its end: {lines:?}");
        assert!(lines[0].contains("50 %") && lines[1] == "\r\u{1b}[K", "{lines:?}");
        // Under a test nothing is a terminal.
        let mut progress = BacktestProgress {
            began: Instant::now() - SILENT_FOR,
            told: None,
            zone: TimeZone::UTC,
            to: None,
        };
        progress.come(0.5, Wall(0));
        assert_eq!(progress.told, None);
    }
}

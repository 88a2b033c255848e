//! The agent as a service of the machine: what it tells the service manager (sd_notify(3)) and
//! which signals reach it. Without a manager all telling is silently left out.
//!
//! The watchdog is fed by finished turns and by nothing else: a loop that hangs is restarted,
//! however lively its side tasks are. So the loop has to make a turn, if need be an empty one,
//! by [`Service::turn_wanted_by`].

use sd_notify::NotifyState;
use slackwater_rules::time::{Moment, Span};
use std::io;
use tokio::signal::unix::{self, SignalKind};

/// Feeding this many times per interval leaves room for one lost datagram and one slow turn.
const FEEDS_PER_INTERVAL: u128 = 3;

/// The line to the service manager.
#[derive(Debug)]
pub struct Service {
    /// Between two feeds of the watchdog; none if nobody watches.
    pace: Option<Span>,
    fed: Option<Moment>,
}

impl Service {
    /// As the manager's environment says: `NOTIFY_SOCKET`, `WATCHDOG_USEC`, `WATCHDOG_PID`.
    pub fn from_environment() -> Self {
        let millis = sd_notify::watchdog_enabled().map(|interval| interval.as_millis() / FEEDS_PER_INTERVAL);
        let pace = millis.map(|millis| Span(i64::try_from(millis).unwrap_or(i64::MAX).max(1)));
        Self { pace, fed: None }
    }

    /// Restored, connected, subscribed. Also ends a reload.
    pub fn ready(&self, status: &str) {
        tell(&[NotifyState::Ready, NotifyState::Status(&line(status))]);
    }

    /// A reload begins; [`Service::ready`] ends it, whether or not the new files were taken.
    pub fn reloading(&self) {
        // systemd needs the time to tell this reload's READY from an older one's.
        match NotifyState::monotonic_usec_now() {
            Ok(now) => tell(&[NotifyState::Reloading, now]),
            Err(error) => tracing::warn!(%error, "the service manager is not told of the reload"),
        }
    }

    /// The drain begins.
    pub fn stopping(&self, why: &str) {
        tell(&[NotifyState::Stopping, NotifyState::Status(&line(why))]);
    }

    /// One line for who asks the manager how the service is.
    pub fn status(&self, text: &str) {
        tell(&[NotifyState::Status(&line(text))]);
    }

    /// Feeds the watchdog, if it is time again.
    pub fn turn_finished(&mut self, now: Moment) {
        if self.turn_wanted_by().is_some_and(|due| due <= now) {
            tell(&[NotifyState::Watchdog]);
            self.fed = Some(now);
        }
    }

    /// When the next turn has to be finished at the latest; none if nobody watches.
    pub fn turn_wanted_by(&self) -> Option<Moment> {
        let pace = self.pace?;
        Some(self.fed.map_or(Moment(i64::MIN), |fed| fed + pace))
    }
}

/// The protocol has one assignment a line.
fn line(text: &str) -> String {
    text.replace(char::is_control, " ")
}

fn tell(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::warn!(%error, "the service manager can't be told");
    }
}

/// What the machine or its keeper may ask of the process.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ServiceSignal {
    /// SIGTERM: stop in good order.
    Terminate,
    /// SIGINT: the same, typed by hand.
    Interrupt,
    /// SIGHUP: read the files again.
    Hangup,
}

/// The signals, one after the other.
#[derive(Debug)]
pub struct Signals {
    terminate: unix::Signal,
    interrupt: unix::Signal,
    hangup: unix::Signal,
}

impl Signals {
    /// From now on they end the process no more. Needs a runtime.
    ///
    /// # Errors
    /// If the system refuses a handler.
    pub fn listen() -> io::Result<Self> {
        Ok(Self {
            terminate: unix::signal(SignalKind::terminate())?,
            interrupt: unix::signal(SignalKind::interrupt())?,
            hangup: unix::signal(SignalKind::hangup())?,
        })
    }

    /// The next one. Can be dropped and begun again without losing any; several of one kind that
    /// come before it is asked for may count as one.
    pub async fn next(&mut self) -> ServiceSignal {
        tokio::select! {
            biased;
            _ = self.terminate.recv() => ServiceSignal::Terminate,
            _ = self.interrupt.recv() => ServiceSignal::Interrupt,
            _ = self.hangup.recv() => ServiceSignal::Hangup,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustix::process::{Signal as Number, getpid, kill_process};
    use std::os::unix::net::UnixDatagram;
    use std::process::Command;
    use std::time::Duration;

    /// Runs `name` (an ignored test of this module) alone in a process of its own, with a
    /// manager's socket and a watchdog of 30 s, and returns the datagrams that it sent.
    fn told_by(name: &str) -> Vec<String> {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("notify");
        let socket = UnixDatagram::bind(&path).expect("a socket");
        let run = Command::new(std::env::current_exe().expect("this program"))
            .args(["--exact", &format!("service::tests::{name}"), "--ignored"])
            .env("NOTIFY_SOCKET", &path)
            .env("WATCHDOG_USEC", "30000000")
            .env_remove("WATCHDOG_PID")
            .output()
            .expect("it runs");
        assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stdout));
        socket.set_nonblocking(true).expect("a socket");
        let mut buffer = [0; 4096];
        std::iter::from_fn(|| {
            let length = socket.recv(&mut buffer).ok()?;
            Some(String::from_utf8_lossy(&buffer[..length]).into_owned())
        })
        .collect()
    }

    #[test]
    fn the_manager_hears_of_a_life_in_the_words_of_sd_notify() {
        let told = told_by("a_life");
        // sd_notify(3): RELOADING=1 comes with the time in us; everything else is fixed text.
        let (reload, rest): (Vec<_>, Vec<_>) =
            told.iter().partition(|datagram| datagram.starts_with("RELOADING"));
        assert_eq!(
            rest,
            ["READY=1\nSTATUS=watching 3 tanks\n", "STATUS=a b\n", "STOPPING=1\nSTATUS=SIGTERM\n"]
        );
        let time = reload[0].strip_prefix("RELOADING=1\nMONOTONIC_USEC=").map(str::trim_end);
        assert!(time.is_some_and(|time| time.parse::<u64>().is_ok_and(|time| time > 0)), "{reload:?}");
    }

    #[test]
    #[ignore = "run by the test above in a process of its own"]
    fn a_life() {
        let service = Service::from_environment();
        service.ready("watching 3 tanks");
        service.status("a\nb");
        service.reloading();
        service.stopping("SIGTERM");
    }

    #[test]
    fn finished_turns_feed_the_watchdog_three_times_an_interval() {
        // 100 turns, one a second, with an interval of 30 s: at 0, 10, … 90 s.
        assert_eq!(told_by("turns"), vec!["WATCHDOG=1\n"; 10]);
    }

    #[test]
    #[ignore = "run by the test above in a process of its own"]
    fn turns() {
        let mut service = Service::from_environment();
        if service.pace.is_none() {
            return;
        }
        let begun = Moment::default() + Span::hours(5);
        for second in 0..100 {
            service.turn_finished(begun + Span::seconds(second));
        }
        assert_eq!(service.turn_wanted_by(), Some(begun + Span::seconds(100)));
    }

    #[test]
    fn without_a_manager_nothing_is_told_and_no_turn_is_wanted() {
        let mut service = Service { pace: None, fed: None };
        service.turn_finished(Moment::default());
        assert_eq!(service.turn_wanted_by(), None);
    }

    #[tokio::test]
    async fn signals_arrive_and_do_not_end_the_process() {
        let mut signals = Signals::listen().expect("handlers");
        for (number, signal) in [
            (Number::HUP, ServiceSignal::Hangup),
            (Number::TERM, ServiceSignal::Terminate),
            (Number::INT, ServiceSignal::Interrupt),
        ] {
            kill_process(getpid(), number).expect("sent");
            let got = tokio::time::timeout(Duration::from_secs(5), signals.next()).await;
            assert_eq!(got, Ok(signal));
        }
    }
}

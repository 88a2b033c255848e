//! How each fault strikes a place and how it is mended. Waits for nothing: what comes of it is what
//! is looked at.

use super::fault::Fault;
use super::place::{Place, RULE_FILE};
use super::slow_disk::SlowDisk;
use super::watch::{Watch, YEARS};
use crate::board::flood;
use crate::house::LAGOON;
use crate::http::Answer;
use crate::smtp;
use rustix::process::Signal;
use slackwater::clock::Steering;
use slackwater_rules::time::Span;
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// What a slow broker adds to each piece that it carries.
const SLOW: Duration = Duration::from_millis(400);

/// Readings of a flood, and of what.
const FLOOD: usize = 20_000;
pub(super) const FLOODED: (&str, &str) = ("lagoon/sump", "25.1");

impl Place {
    /// The fault strikes.
    ///
    /// # Panics
    /// When it can't be made to.
    pub fn strike(&mut self, fault: Fault) {
        match fault {
            Fault::BrokerGone => self.house.broker.kill().expect("it can be killed"),
            Fault::BrokerRestarted => {
                self.house.broker.kill().expect("it can be killed");
                self.house.broker.restart().expect("it starts again");
            }
            Fault::DeafSession => self.house.broker.freeze().expect("it can be frozen"),
            Fault::BrokerSlow => self.way.as_ref().expect("a way").slow(SLOW),
            Fault::DnsGone => self.house.home.write("hosts", "\n").expect("written"),
            Fault::MailRefuses => {
                self.house.mail.set_fault(smtp::Fault::Reply("AUTH", "535 5.7.8 user or password wrong"));
            }
            Fault::MailEchoes => self.house.mail.set_fault(smtp::Fault::EchoLogin),
            Fault::MailHangs => self.house.mail.set_fault(smtp::Fault::SilentFromTheStart),
            Fault::MailDropsInMessage => self.house.mail.set_fault(smtp::Fault::DropInMessage),
            Fault::MailTakesInSilence => self.house.mail.set_fault(smtp::Fault::SilentAfterMessage),
            Fault::MailBadCertificate => {}
            Fault::PushHangs => self.house.push.set_answer(Answer::Silent),
            Fault::ModemUnplugged => self.modem.as_mut().expect("a modem").unplug(),
            Fault::DiskFull => {
                self.disk.as_ref().expect("a disk").fill().expect("it can be filled");
            }
            Fault::ReadOnly => {
                // A mount with open files can't be made so; a board that finds its card so can.
                self.kill();
                self.disk.as_ref().expect("a disk").remount("ro");
                self.begin();
            }
            Fault::DiskSlow => self.slow_disk = Some(SlowDisk::under(&self.house.home.journal())),
            Fault::DatabaseDamaged => {
                self.kill();
                damage(&self.house.home.journal());
                self.begin();
            }
            Fault::ClockBehind => self.clock.set(Span::minutes(-52), false),
            Fault::ClockAhead => self.clock.set(YEARS, false),
            Fault::ClockUntrusted => self.clock.set(Span::ZERO, false),
            Fault::Killed => {
                self.kill();
                self.begin();
            }
            Fault::Rebooted => {
                self.kill();
                // Its monotonic clock begins anew, its wall clock is behind, nothing vouches for
                // it.
                self.boots += 1;
                self.clock = Arc::new(Steering::new(&format!("boot {}", self.boots), Span::ZERO));
                self.clock.set(Span::minutes(-52), false);
                self.begin();
            }
            Fault::UpsGone => self.ups.as_mut().expect("a UPS").kill_server().expect("it can be killed"),
            Fault::Frozen => self.signal(Signal::STOP),
            Fault::ReloadGood => self.reload(&format!("{}\n# Looked through once more.\n", self.rules)),
            Fault::ReloadBad => {
                self.reload(&self.rules.replace("lagoon-temp < 24 degC", "lagoon-temp < 24 L"));
            }
            Fault::Flood => {
                let (topic, payload) = FLOODED;
                let port = self.house.broker.plain_port();
                self.servers.spawn(flood(port, LAGOON, topic, payload, FLOOD));
            }
        }
    }

    /// It is mended.
    ///
    /// # Panics
    /// When it can't be.
    pub fn mend(&mut self, fault: Fault) {
        match fault {
            Fault::BrokerGone => self.house.broker.restart().expect("it starts again"),
            Fault::DeafSession => self.house.broker.thaw().expect("it moves again"),
            Fault::BrokerSlow => self.way.as_ref().expect("a way").slow(Duration::ZERO),
            Fault::DnsGone => self.house.home.write("hosts", "127.0.0.1 localhost\n").expect("written"),
            Fault::MailRefuses | Fault::MailEchoes => {
                // The keeper mends the password, and the settings say that something is new.
                self.house.mail.set_fault(smtp::Fault::None);
                let configuration = fs::read_to_string(self.house.home.path("agent.toml")).expect("readable");
                let (was, is) = match configuration.contains("timeout       = \"5 s\"") {
                    true => ("timeout       = \"5 s\"", "timeout       = \"6 s\""),
                    false => ("timeout       = \"6 s\"", "timeout       = \"5 s\""),
                };
                let mended = configuration.replace(was, is);
                assert_ne!(mended, configuration);
                self.house.home.write("agent.toml", &mended).expect("written");
                // A watch that is being started reads them anyway.
                self.house.home.say(&["reload"]);
            }
            Fault::MailHangs | Fault::MailDropsInMessage | Fault::MailTakesInSilence => {
                self.house.mail.set_fault(smtp::Fault::None);
            }
            Fault::PushHangs => self.house.push.set_answer(Answer::status("202 Accepted")),
            Fault::ModemUnplugged => {
                self.modem.as_mut().expect("a modem").plug().expect("a pseudo-terminal");
            }
            Fault::DiskFull => self.disk.as_ref().expect("a disk").empty().expect("it was there"),
            Fault::ReadOnly => self.disk.as_ref().expect("a disk").remount("rw"),
            Fault::DiskSlow => self.slow_disk = None,
            Fault::DatabaseDamaged => {
                let mut aside = self.house.home.journal().into_os_string();
                aside.push(".damaged-1");
                match fs::remove_file(aside) {
                    Ok(()) => {}
                    // The watch was killed before it looked.
                    Err(error) => assert_eq!(error.kind(), ErrorKind::NotFound, "{error}"),
                }
            }
            Fault::ClockBehind | Fault::ClockAhead | Fault::ClockUntrusted | Fault::Rebooted => {
                self.clock.set(Span::ZERO, true);
            }
            Fault::UpsGone => {
                self.ups.as_mut().expect("a UPS").restart_server().expect("it starts again");
            }
            Fault::Frozen => self.signal(Signal::CONT),
            Fault::ReloadGood | Fault::ReloadBad => self.reload(&self.rules),
            Fault::BrokerRestarted | Fault::MailBadCertificate | Fault::Killed | Fault::Flood => {}
        }
    }

    /// Writes the rule file and has it read; what comes of it is in the log.
    fn reload(&self, rules: &str) {
        self.house.home.write(RULE_FILE, rules).expect("written");
        self.house.home.say(&["reload"]);
    }

    /// To a process; a thread takes none.
    fn signal(&self, signal: Signal) {
        match &self.watch {
            Some(Watch::Program(agent)) => agent.signal(signal),
            Some(Watch::Here(_)) | None => {}
        }
    }
}

/// Nothing of the file makes sense any more, its log of writes included.
fn damage(journal: &Path) {
    for suffix in ["", "-wal", "-shm"] {
        let path = PathBuf::from(format!("{}{suffix}", journal.display()));
        if let Ok(length) = fs::metadata(&path).map(|metadata| metadata.len()) {
            fs::write(path, vec![0xA5; usize::try_from(length).expect("it is small")]).expect("written");
        }
    }
}

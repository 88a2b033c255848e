//! A house for one row of the table: Halyard House with a second gateway that is known by its
//! address, and what it takes to make the fault strike and to mend it.

use crate::SLACKWATER;
use crate::arrivals::Arrival;
use crate::fault::{Fault, MOUNT, UNSHARE};
use crate::watch::{Here, Watch, YEARS};
use slackwater::clock::Steering;
use slackwater_rules::record::{Body, Record};
use slackwater_rules::time::Span;
use slackwater_tests::agent::{Home, until};
use slackwater_tests::certs::Validity;
use slackwater_tests::house::{House, RULES};
use slackwater_tests::http::{Answer, Gateway};
use slackwater_tests::modem::{Manner, Modem};
use slackwater_tests::smtp;
use slackwater_tests::wire;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// For whatever has to come of a fault: the promise is 90 s for the first page, and a disk that was
/// full or a page that had to wait are looked at again after half a minute.
const BOUND: Duration = Duration::from_secs(90);

/// How long it has to stay so before nothing more is expected.
const QUIET: Duration = Duration::from_secs(3);

/// A house with one thing that can fail.
pub(crate) struct Place {
    fault: Fault,
    watch: Option<Watch>,
    clock: Arc<Steering>,
    pub(crate) house: House,
    /// The neighbour's.
    side: Gateway,
    modem: Option<Modem>,
    disk: Option<Disk>,
    servers: tokio::runtime::Runtime,
}

/// The ladder, with the neighbour's second way; and alarms for health that do not wait for minutes.
fn rules(with_text: bool) -> String {
    let ladder = "{ after = \"4 s\", to = [\"neighbour.mail\"] }";
    assert!(RULES.contains(ladder), "the ladder has changed");
    let text = if with_text { ", \"neighbour.text\"" } else { "" };
    let with_more = format!("{{ after = \"4 s\", to = [\"neighbour.mail\", \"neighbour.push\"{text}] }}");
    format!("{}\n[health]\nafter = \"2 s\"\n", RULES.replace(ladder, &with_more))
}

impl Place {
    pub(crate) fn build(fault: Fault) -> Self {
        let servers = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
        let servers = servers.expect("a runtime");
        let mut home = Home::new(SLACKWATER).expect("a folder");
        let disk = fault.needs_a_disk().then(|| Disk::mount(&home.path("disk")));
        if disk.is_some() {
            home.keep_journal_in("disk/journal.sqlite");
        }
        if fault == Fault::DnsGone {
            home.write("hosts", "127.0.0.1 localhost\n").expect("written");
            home.write("resolv.conf", "nameserver 192.0.2.1\n").expect("written");
            home.write("nsswitch.conf", "hosts: files dns\n").expect("written");
            let bind = ["hosts", "resolv.conf", "nsswitch.conf"]
                .map(|name| format!("{MOUNT} --bind {} /etc/{name}", home.path(name).display()));
            let script = format!("{} && exec \"$@\"", bind.join(" && "));
            home.start_by(&[UNSHARE, "--mount", "/bin/sh", "-c", &script, "sh"]);
        }
        let (mut house, side) = servers.block_on(async {
            let house = House::build_in(home).await.expect("the house can be set up");
            let identity = house.authority.identity("127.0.0.1", Validity::Now).expect("a certificate");
            let side =
                Gateway::start(Some(wire::tls(&identity).expect("its TLS")), Answer::status("202 Accepted"));
            (house, side.await.expect("a second gateway"))
        });
        if fault == Fault::MailBadCertificate {
            servers.block_on(house.move_mail(Validity::Past)).expect("another mail server");
        }
        house.home.write("rules.toml", &rules(fault.needs_a_modem())).expect("written");
        let clock = Arc::new(Steering::new("first", Span::hours(10)));
        let modem = fault.needs_a_modem();
        let modem = modem.then(|| Modem::start(Manner::default()).expect("a pseudo-terminal"));
        let place = Self { fault, watch: None, clock, house, side, modem, disk, servers };
        place.house.configure(&place.more()).expect("written");
        place
    }

    /// The neighbour's further ways.
    fn more(&self) -> String {
        let (port, ca) = (self.side.port, self.house.authority.file());
        let push = format!(
            "\n[contact.neighbour.channel.push]\nkind = \"push\"\nurl = \"https://127.0.0.1:{port}/\"\n\
             ca-file = \"{}\"\ntimeout = \"5 s\"\n",
            ca.display()
        );
        let text = self.modem.as_ref().map(|modem| {
            format!(
                "\n[modem]\ndevice = \"{}\"\n\n[contact.neighbour.channel.text]\nkind = \"text\"\n\
                 to = \"+351900000012\"\n",
                modem.device().display()
            )
        });
        push + &text.unwrap_or_default()
    }

    /// Starts the watch, and waits until it sees.
    pub(crate) fn start(&mut self) {
        self.begin();
        self.well();
    }

    fn begin(&mut self) {
        self.watch = Some(match self.fault.needs_clocks() {
            true => Watch::Here(Here::start(&self.house.home, Arc::clone(&self.clock))),
            false => Watch::Program(self.house.home.start().expect("the program starts")),
        });
    }

    /// Waits until every sensor is heard.
    pub(crate) fn well(&self) {
        let seen = || {
            let said = self.house.home.say(&["status", "--json"]);
            let status: serde_json::Value = serde_json::from_str(&said.out).ok()?;
            let sensors = status["status"]["sensors"].as_array()?;
            (status["health"]["broker"]["deaf"].is_null()
                && sensors.iter().all(|sensor| sensor["quality"] == "good"))
            .then_some(())
        };
        until("every sensor is heard", BOUND, seen, || self.story());
    }

    /// An alarm that is not critical comes, is told, and goes.
    pub(crate) fn cold_spell(&self) {
        self.house.board.set("lagoon/temperature", "23");
        self.arrival("news of the cold", |page| page.to == "neighbour.push");
        self.house.board.set("lagoon/temperature", "25.5");
    }

    pub(crate) fn strike(&mut self) {
        match self.fault {
            Fault::BrokerGone => self.house.broker.kill().expect("it can be killed"),
            Fault::BrokerRestarted => {
                self.house.broker.kill().expect("it can be killed");
                self.house.broker.restart().expect("it starts again");
            }
            Fault::DeafSession => self.house.broker.freeze().expect("it can be frozen"),
            Fault::DnsGone => self.house.home.write("hosts", "\n").expect("written"),
            Fault::MailRefuses => {
                self.house.mail.set_fault(smtp::Fault::Reply("AUTH", "535 5.7.8 user or password wrong"));
            }
            Fault::MailHangs => self.house.mail.set_fault(smtp::Fault::SilentFromTheStart),
            Fault::MailDropsInMessage => self.house.mail.set_fault(smtp::Fault::DropInMessage),
            Fault::MailBadCertificate => {}
            Fault::PushHangs => self.house.push.set_answer(Answer::Silent),
            Fault::ModemUnplugged => self.modem.as_mut().expect("a modem").unplug(),
            Fault::DiskFull => self.disk.as_ref().expect("a disk").fill(),
            Fault::ReadOnly => {
                // A mount with open files can't be made so; a board that finds its card so can.
                self.take_watch().terminate();
                self.disk.as_ref().expect("a disk").set("ro");
                self.start();
            }
            Fault::DatabaseDamaged => {
                self.take_watch().kill();
                damage(&self.house.home.path("journal.sqlite"));
                self.start();
            }
            Fault::ClockBehind => self.clock.set(Span::minutes(-52), false),
            Fault::ClockAhead => self.clock.set(YEARS, false),
            Fault::Killed => {
                self.take_watch().kill();
                self.start();
            }
            Fault::Rebooted => {
                self.take_watch().kill();
                // Its monotonic clock begins anew, its wall clock is behind, nothing vouches for
                // it.
                self.clock = Arc::new(Steering::new("second", Span::ZERO));
                self.clock.set(Span::minutes(-52), false);
                self.start();
            }
        }
    }

    pub(crate) fn mend(&mut self) {
        match self.fault {
            Fault::BrokerGone => self.house.broker.restart().expect("it starts again"),
            Fault::DeafSession => self.house.broker.thaw().expect("it moves again"),
            Fault::DnsGone => self.house.home.write("hosts", "127.0.0.1 localhost\n").expect("written"),
            Fault::MailRefuses => {
                // The keeper mends the password, and the settings say that something is new.
                self.house.mail.set_fault(smtp::Fault::None);
                let configuration = fs::read_to_string(self.house.home.path("agent.toml")).expect("readable");
                let mended = configuration.replace("timeout       = \"5 s\"", "timeout       = \"6 s\"");
                assert_ne!(mended, configuration);
                self.house.home.write("agent.toml", &mended).expect("written");
                self.house.home.say(&["reload"]).well();
                // Whether it works is seen by the next page: an answer's lease brings one.
                if let Some(page) = self.arrivals().iter().rfind(|page| page.headline.contains("health-")) {
                    let code = page.headline.rsplit(' ').next().expect("a code");
                    self.house.home.say(&["ack", code, "--as", "ines"]).well();
                }
            }
            Fault::MailHangs | Fault::MailDropsInMessage => self.house.mail.set_fault(smtp::Fault::None),
            Fault::PushHangs => self.house.push.set_answer(Answer::status("202 Accepted")),
            Fault::ModemUnplugged => {
                self.modem.as_mut().expect("a modem").plug().expect("a pseudo-terminal");
            }
            Fault::DiskFull => self.disk.as_ref().expect("a disk").make_room(),
            Fault::ReadOnly => self.disk.as_ref().expect("a disk").set("rw"),
            Fault::DatabaseDamaged => {
                let aside = self.house.home.path("journal.sqlite.damaged-1");
                fs::remove_file(aside).expect("the damaged one was kept");
            }
            Fault::ClockBehind | Fault::ClockAhead | Fault::Rebooted => self.clock.set(Span::ZERO, true),
            Fault::BrokerRestarted | Fault::MailBadCertificate | Fault::Killed => {}
        }
    }

    fn take_watch(&mut self) -> Watch {
        self.watch.take().expect("it runs")
    }

    /// All pages that have arrived. What a gateway took without an answer has arrived too.
    pub(crate) fn arrivals(&self) -> Vec<Arrival> {
        let mails = self.servers.block_on(self.house.mail.taken(0));
        let push = self.house.push.taken();
        let side = self.side.taken();
        let pushes = push.iter().map(|request| Arrival::of_push(request, "ines.push"));
        let aside = side.iter().map(|request| Arrival::of_push(request, "neighbour.push"));
        let texts = self.modem.as_ref().map(Modem::sent).unwrap_or_default();
        let texts = texts.iter().enumerate().map(|(nth, text)| Arrival::of_text(nth, text));
        mails.iter().map(Arrival::of_mail).chain(pushes).chain(aside).chain(texts).collect()
    }

    /// Waits for a page.
    pub(crate) fn arrival(&self, what: &str, is: impl Fn(&Arrival) -> bool) -> Arrival {
        until(what, BOUND, || self.arrivals().into_iter().find(&is), || self.story())
    }

    /// Waits until every page that can have a fate has one, and nothing more comes.
    pub(crate) fn quiet(&self) {
        let mut last = (self.arrivals().len(), Instant::now());
        let settled = || {
            let count = self.arrivals().len();
            if count != last.0 {
                last = (count, Instant::now());
            }
            (last.1.elapsed() > QUIET && self.waiting().is_empty()).then_some(())
        };
        until("an end of it", BOUND, settled, || format!("{:?}\n{}", self.waiting(), self.story()));
    }

    /// Pages that wait although their way is open, and call-outs that still run.
    fn waiting(&self) -> Vec<String> {
        let mut waiting: BTreeMap<u64, String> = BTreeMap::new();
        for record in self.house.home.records() {
            match record.body {
                Body::Paged { target, .. } if !self.fault.shuts(&target) || self.fault.can_be_mended() => {
                    waiting.insert(record.seq, target);
                }
                Body::CallBegan { .. } => drop(waiting.insert(record.seq, "call-out".to_owned())),
                Body::CallEnded { call } => drop(waiting.remove(&call)),
                Body::Delivered { page, result } if !result.is_for_now() => drop(waiting.remove(&page)),
                _ => {}
            }
        }
        waiting.retain(|_, what| self.fault.can_be_mended() || what != "call-out");
        waiting.into_values().collect()
    }

    /// Ends the watch in good order.
    pub(crate) fn finish(mut self) -> (Vec<Record>, Vec<Arrival>) {
        self.take_watch().terminate();
        (self.house.home.records(), self.arrivals())
    }

    fn story(&self) -> String {
        let records = self.house.home.records();
        let lines = records.iter().map(|record| format!("{:>6} {}\n", record.seq, record.body));
        let pages: Vec<_> = self
            .arrivals()
            .iter()
            .map(|page| format!("{} {} {}\n", page.name, page.to, page.headline))
            .collect();
        format!(
            "{}\n{}\n{}\n{}",
            self.fault.name(),
            lines.collect::<String>(),
            pages.concat(),
            self.house.home.log()
        )
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

/// A small disk in memory; gone when dropped.
struct Disk {
    folder: PathBuf,
}

impl Disk {
    fn mount(folder: &Path) -> Self {
        fs::create_dir(folder).expect("a folder");
        let disk = Self { folder: folder.to_owned() };
        disk.run(&[MOUNT, "-t", "tmpfs", "-o", "size=8m", "tmpfs"]);
        disk
    }

    fn set(&self, how: &str) {
        self.run(&[MOUNT, "-o", &format!("remount,{how}")]);
    }

    fn run(&self, words: &[&str]) {
        let (program, rest) = words.split_first().expect("a program");
        let output = Command::new(program).args(rest).arg(&self.folder).output().expect("it runs");
        assert!(output.status.success(), "{words:?}: {}", String::from_utf8_lossy(&output.stderr));
    }

    /// Leaves no byte free.
    fn fill(&self) {
        let mut file = fs::File::create(self.folder.join("filler")).expect("a file");
        let chunk = [0_u8; 4096];
        while std::io::Write::write_all(&mut file, &chunk).is_ok() {}
    }

    fn make_room(&self) {
        fs::remove_file(self.folder.join("filler")).expect("it was there");
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        // The folder goes with the test's; a mount would outlive it.
        let _ = Command::new("/usr/bin/umount").arg("-l").arg(&self.folder).status();
    }
}

//! Halyard House for the matrix and the proof: with a second gateway that is known by its address,
//! an air pump behind a relay, and what it takes to make each of its faults strike and to mend it.
//! What is built flows in as faults and a rule file; what arrived, with its time, flows out.

use super::arrivals::Arrival;
use super::fault::{Fault, MOUNT, UNSHARE};
use super::slow_disk::SlowDisk;
use super::striking::FLOODED;
use super::watch::{Here, Watch};
use crate::agent::{Home, until};
use crate::certs::Validity;
use crate::disk::MemoryDisk;
use crate::house::{House, LAGOON};
use crate::http::{Answer, Gateway};
use crate::modem::{Manner, Modem};
use crate::relay::Relay;
use crate::uplink::SlowWay;
use crate::ups::{NAME, Ups};
use crate::wire;
use slackwater::clock::Steering;
use slackwater_rules::record::{Body, Record};
use slackwater_rules::time::Span;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fs;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// For whatever has to come of a fault: the promise is 90 s for the first page, and a disk that was
/// full or a page that had to wait are looked at again after half a minute.
pub const BOUND: Duration = Duration::from_secs(90);

/// How long it has to stay so before nothing more is expected.
const QUIET: Duration = Duration::from_secs(3);

/// Where the air pump is switched, and where its current is seen.
const PUMP: (&str, &str) = ("lagoon/airpump/set", "lagoon/airpump/current");

/// What the UPS says.
const UPS_IS_WELL: &[(&str, &str)] =
    &[("ups.status", "OL"), ("battery.charge", "100"), ("battery.runtime", "1806")];

/// That it is heard.
const UPS_SENSOR: &str =
    "\n[sensor.rack-charge]\nsource = { ups = \"rack\", reads = \"charge\" }\nevery = \"1 s\"\n";

/// The file of rules.
pub(super) const RULE_FILE: &str = "rules.toml";

/// A house with things that can fail.
pub struct Place {
    pub(super) faults: Vec<Fault>,
    pub(super) watch: Option<Watch>,
    pub(super) clock: Arc<Steering>,
    /// How often its board was started.
    pub(super) boots: u32,
    /// The house.
    pub house: House,
    pub(super) rules: String,
    /// The neighbour's gateway.
    side: Gateway,
    pub(super) modem: Option<Modem>,
    /// When each of its texts was there at the latest.
    texts_seen: RefCell<Vec<Instant>>,
    pub(super) disk: Option<MemoryDisk>,
    pub(super) slow_disk: Option<SlowDisk>,
    pub(super) ups: Option<Ups>,
    pub(super) way: Option<SlowWay>,
    pump: Relay,
    pub(super) servers: tokio::runtime::Runtime,
}

impl Place {
    /// A house around the program at `program` in which these faults can strike, with this rule
    /// file; nothing has struck yet but a certificate that is too old.
    ///
    /// # Panics
    /// When a part of it can't be set up.
    pub fn build(program: &str, faults: &[Fault], rules: &str) -> Self {
        let has = |is: fn(Fault) -> bool| faults.iter().copied().any(is);
        let servers = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
        let servers = servers.expect("a runtime");
        let mut home = Home::new(program).expect("a folder");
        let disk = has(Fault::needs_a_disk).then(|| {
            let disk = MemoryDisk::mount(&home.path("disk"), "a fault of the disk is not tried");
            disk.expect("whoever draws such a fault has asked whether it can be made")
        });
        if disk.is_some() {
            home.keep_journal_in("disk/journal.sqlite");
        }
        if faults.contains(&Fault::DnsGone) {
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
        if faults.contains(&Fault::MailBadCertificate) {
            servers.block_on(house.move_mail(Validity::Past)).expect("another mail server");
        }
        let ups = faults.contains(&Fault::UpsGone).then(|| Ups::start(UPS_IS_WELL).expect("a UPS server"));
        let way = faults
            .contains(&Fault::BrokerSlow)
            .then(|| servers.block_on(SlowWay::lead_to(house.broker.port())).expect("a way to the broker"));
        let rules = format!("{rules}{}", if ups.is_some() { UPS_SENSOR } else { "" });
        house.home.write(RULE_FILE, &rules).expect("written");
        let modem = has(Fault::needs_a_modem);
        let modem = modem.then(|| Modem::start(Manner::default()).expect("a pseudo-terminal"));
        house.board.set(PUMP.1, "0");
        house.board.set(FLOODED.0, FLOODED.1);
        let pump = {
            let _inside = servers.enter();
            Relay::start(house.broker.plain_port(), LAGOON, PUMP.0, &house.board, (PUMP.1, "0.21"))
        };
        let place = Self {
            faults: faults.to_vec(),
            watch: None,
            clock: Arc::new(Steering::new("boot 1", Span::hours(10))),
            boots: 1,
            house,
            rules,
            side,
            modem,
            texts_seen: RefCell::default(),
            disk,
            slow_disk: None,
            ups,
            way,
            pump,
            servers,
        };
        place.configure();
        place
    }

    /// The agent's configuration: the house's, the neighbour's further ways, and the UPS.
    fn configure(&self) {
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
        let ups = self
            .ups
            .as_ref()
            .map(|ups| format!("\n[ups.{NAME}]\nhost = \"127.0.0.1\"\nport = {}\n", ups.port()));
        self.house
            .configure(&(push + &text.unwrap_or_default() + &ups.unwrap_or_default()))
            .expect("written");
        if let Some(way) = &self.way {
            let usual = fs::read_to_string(self.house.home.path("agent.toml")).expect("readable");
            let direct = format!("port           = {}", self.house.broker.port());
            assert!(usual.contains(&direct), "the house's configuration has changed");
            let detour = usual.replace(&direct, &format!("port           = {}", way.port));
            self.house.home.write("agent.toml", &detour).expect("written");
        }
    }

    /// Starts the watch, and waits until it sees.
    ///
    /// # Panics
    /// When it does not.
    pub fn start(&mut self) {
        self.begin();
        self.well();
    }

    /// Starts the watch.
    ///
    /// # Panics
    /// When it can't be started.
    pub fn begin(&mut self) {
        self.watch = Some(match self.faults.iter().any(|fault| fault.needs_clocks()) {
            true => Watch::Here(Here::start(&self.house.home, Arc::clone(&self.clock))),
            false => Watch::Program(self.house.home.start().expect("the program starts")),
        });
    }

    /// Waits until every sensor is heard.
    ///
    /// # Panics
    /// When that does not come.
    pub fn well(&self) {
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
    ///
    /// # Panics
    /// When it is not told.
    pub fn cold_spell(&self) {
        self.house.board.set("lagoon/temperature", "23");
        self.arrival("news of the cold", |page| page.to == "neighbour.push");
        self.house.board.set("lagoon/temperature", "25.5");
    }

    /// The watch ends by itself, which it never should: how.
    pub fn has_ended(&mut self) -> Option<String> {
        self.watch.as_mut().and_then(Watch::has_ended)
    }

    /// The plug of the watch is pulled.
    ///
    /// # Panics
    /// When it does not run.
    pub fn kill(&mut self) {
        self.take_watch().kill();
    }

    fn take_watch(&mut self) -> Watch {
        self.watch.take().expect("it runs")
    }

    /// Every command that has reached the air pump, and when.
    pub fn commands(&self) -> Vec<(Instant, String)> {
        self.pump.heard_when()
    }

    /// All pages that have arrived. What a gateway took without an answer has arrived too.
    pub fn arrivals(&self) -> Vec<Arrival> {
        let mails = self.house.mail.taken_so_far();
        let push = self.house.push.taken();
        let side = self.side.taken();
        let pushes = push.iter().map(|request| Arrival::of_push(request, "ines.push"));
        let aside = side.iter().map(|request| Arrival::of_push(request, "neighbour.push"));
        let texts = self.modem.as_ref().map(Modem::sent).unwrap_or_default();
        let mut seen = self.texts_seen.borrow_mut();
        let many = texts.len().max(seen.len());
        seen.resize(many, Instant::now());
        let texts = texts.iter().zip(seen.iter()).enumerate();
        let texts = texts.map(|(nth, (text, at))| Arrival::of_text(nth, text, *at));
        mails.iter().map(Arrival::of_mail).chain(pushes).chain(aside).chain(texts).collect()
    }

    /// Waits for a page.
    ///
    /// # Panics
    /// When it does not come.
    pub fn arrival(&self, what: &str, is: impl Fn(&Arrival) -> bool) -> Arrival {
        until(what, BOUND, || self.arrivals().into_iter().find(&is), || self.story())
    }

    /// Waits until every page that can have a fate has one, and nothing more comes.
    ///
    /// # Panics
    /// When there is no end of it.
    pub fn quiet(&self) {
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
        let shut = |target: &str| {
            let mut shutting = self.faults.iter().filter(|fault| fault.shuts(target));
            shutting.any(|fault| !fault.can_be_mended())
        };
        let mut waiting: BTreeMap<u64, String> = BTreeMap::new();
        for record in self.house.home.records() {
            match record.body {
                Body::Paged { target, .. } if !shut(&target) => {
                    waiting.insert(record.seq, target);
                }
                Body::CallBegan { .. } => drop(waiting.insert(record.seq, "call-out".to_owned())),
                Body::CallEnded { call } => drop(waiting.remove(&call)),
                Body::Delivered { page, result } if !result.is_for_now() => drop(waiting.remove(&page)),
                _ => {}
            }
        }
        let all_mended = self.faults.iter().all(|fault| fault.can_be_mended());
        waiting.retain(|_, what| all_mended || what != "call-out");
        waiting.into_values().collect()
    }

    /// Whether the journal knows what came of every page; by a way that something here shuts, that
    /// it waits is enough.
    pub fn knows_all_fates(&self) -> bool {
        let mut waiting = BTreeMap::new();
        for record in self.house.home.records() {
            match record.body {
                Body::Paged { target, .. } => {
                    let shut = self.faults.iter().any(|fault| fault.shuts(&target));
                    waiting.insert(record.seq, shut);
                }
                Body::Delivered { page, result }
                    if !result.is_for_now() || waiting.get(&page) == Some(&true) =>
                {
                    waiting.remove(&page);
                }
                _ => {}
            }
        }
        waiting.is_empty()
    }

    /// Ends the watch without a warning, as every life of a round ends.
    ///
    /// # Panics
    /// When it does not run.
    pub fn cut_off(mut self) -> (Vec<Record>, Vec<Arrival>) {
        self.kill();
        (self.house.home.records(), self.arrivals())
    }

    /// Ends the watch in good order.
    ///
    /// # Panics
    /// When it does not end so.
    pub fn finish(mut self) -> (Vec<Record>, Vec<Arrival>) {
        self.take_watch().terminate();
        (self.house.home.records(), self.arrivals())
    }

    /// The journal, the pages and the log, for whoever has to find out.
    pub fn story(&self) -> String {
        let records = self.house.home.records();
        let lines = records.iter().map(|record| format!("{:>6} {}\n", record.seq, record.body));
        let pages: Vec<_> = self
            .arrivals()
            .iter()
            .map(|page| format!("{} {} {}\n", page.name, page.to, page.headline))
            .collect();
        format!(
            "{}\n{}\n{}\n{}",
            self.faults.iter().map(|fault| fault.name()).collect::<Vec<_>>().join(" and "),
            lines.collect::<String>(),
            pages.concat(),
            self.house.home.log()
        )
    }
}

//! What a witness of 500 sites on one broker costs, and how soon it notices the silent ones. These
//! sites check in six times as often as by default, so that a minute shows much; what that comes
//! to at the default is worked out from it. And what one of 20,000 sites costs that check in once a
//! minute.

use crate::process::Process;
use crate::table::{self, Figures};
use crate::{Result, broker};
use slackwater::checkin::{SiteKey, seal};
use slackwater::journal::JournalLog;
use slackwater_rules::alarm::Priority;
use slackwater_rules::checkin::{CheckIn, LastReading, OpenAlarm, VERSION};
use slackwater_rules::record::Body;
use slackwater_rules::time::{Span, Wall};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

const SITES: usize = 500;
const MANY: usize = 20_000;
const EVERY: Duration = Duration::from_secs(10);
const SILENT_AFTER: Duration = Duration::from_secs(50);
/// Of the many.
const MINUTE: Duration = Duration::from_secs(60);
/// What the rule file assumes: `every = "1 min"`.
const DEFAULT_EVERY: f64 = 60.0;

const WARM: Duration = Duration::from_secs(20);
const MEASURED: Duration = Duration::from_secs(60);
/// So many fall silent one by one, before all of them do.
const FIRST: usize = 7;

/// All sites, on one connection: MQTT 3.1.1, QoS 0.
struct Sites {
    out: TcpStream,
    keys: Vec<SiteKey>,
    every: Duration,
    sent: usize,
    begun: Instant,
    last: Vec<Option<Wall>>,
    bytes: usize,
}

fn wall() -> Result<Wall> {
    Ok(Wall(i64::try_from(SystemTime::now().duration_since(SystemTime::UNIX_EPOCH)?.as_millis())?))
}

fn name(site: usize) -> String {
    format!("site-{site:03}")
}

impl Sites {
    fn connect(port: u16, sites: usize, every: Duration) -> Result<Self> {
        let mut out = TcpStream::connect(("127.0.0.1", port))?;
        out.set_nodelay(true)?;
        out.write_all(b"\x10\x11\0\x04MQTT\x04\x02\0\0\0\x05sites")?;
        out.read_exact(&mut [0; 4])?;
        let keys: std::result::Result<Vec<_>, _> =
            (0..sites).map(|_| SiteKey::make().map(|(key, _)| key)).collect();
        Ok(Self {
            out,
            keys: keys?,
            every,
            sent: 0,
            begun: Instant::now(),
            last: vec![None; sites],
            bytes: 0,
        })
    }

    /// Each site checks in in its turn, from `lives` on; those before are silent.
    fn go_on(&mut self, length: Duration, lives: usize) -> Result<()> {
        let (end, sites) = (Instant::now() + length, self.keys.len());
        loop {
            let due = self.begun + self.every.mul_f64(self.sent as f64 / sites as f64);
            if due > end {
                return Ok(());
            }
            std::thread::sleep(due.saturating_duration_since(Instant::now()));
            let (site, round) = (self.sent % sites, self.sent / sites);
            self.sent += 1;
            if site >= lives {
                self.check_in(site, round as u64 + 1)?;
            }
        }
    }

    fn check_in(&mut self, site: usize, count: u64) -> Result<()> {
        let at = wall()?;
        let said = |n: usize| LastReading {
            sensor: format!("lagoon-sensor-{n}"),
            value: format!("24.{n} degC"),
            age: Span::seconds(4),
        };
        let check_in = CheckIn {
            version: VERSION,
            site: name(site),
            journal: "0123456789abcdef".to_owned(),
            start: 4_711,
            count,
            at,
            at_trusted: true,
            boot: "8d42bfea-0643-4521-aff0-29e541362f05".to_owned(),
            next: Span(i64::try_from(self.every.as_millis())?),
            software: "0.1.0".to_owned(),
            mains: Some("on".to_owned()),
            open: vec![OpenAlarm {
                name: "return-stopped".to_owned(),
                place: "lagoon".to_owned(),
                priority: Priority::High,
                stood: Span::minutes(3),
                answered: true,
            }],
            more: 0,
            asks: false,
            sensors: (12, 12),
            readings: (0..12).map(said).collect(),
            troubles: Vec::new(),
            silence: None,
            dark: None,
        };
        let sealed = seal(&self.keys[site], &serde_json::to_vec(&check_in)?);
        self.bytes = sealed.len();
        let topic = format!("slackwater/check-in/{}", name(site));
        let mut packet = vec![0x30];
        let mut length = 2 + topic.len() + sealed.len();
        while length > 0 {
            let more = if length > 127 { 0x80 } else { 0 };
            packet.push(u8::try_from(length % 128)? | more);
            length /= 128;
        }
        packet.extend(u16::try_from(topic.len())?.to_be_bytes());
        packet.extend(topic.bytes());
        packet.extend(sealed.bytes());
        self.out.write_all(&packet)?;
        self.last[site] = Some(at);
        Ok(())
    }
}

fn write(
    folder: &Path,
    broker: u16,
    keys: &[SiteKey],
    (every, silent_after): (Duration, Duration),
) -> Result<PathBuf> {
    let place = folder.display();
    let config = format!(
        "[site]\nrules = \"rules.toml\"\nzone = \"UTC\"\n\n\
         [broker]\nhost = \"127.0.0.1\"\nport = {broker}\nclient-id = \"witness\"\n\n\
         [journal]\npath = \"{place}/journal.sqlite\"\n\n\
         [control]\nsocket = \"{place}/control.sock\"\n\n\
         [clock]\ntrust = \"always\"\n\n\
         [contact.tom.channel.pages]\nkind = \"folder\"\nfolder = \"{place}/pages\"\nto = \"tom@example.org\"\n"
    );
    let mut rules = "[site]\nname = \"Tom's shed\"\n\n[callout.tom]\n\
                     steps = [{ after = \"0 min\", to = [\"tom.pages\"] }]\n"
        .to_owned();
    let (every, silent) = (every.as_secs(), silent_after.as_secs());
    for (site, key) in keys.iter().enumerate() {
        write!(
            rules,
            "\n[watched.{}]\nname = \"Site {site}\"\nkey = \"{}\"\nevery = \"{every} s\"\nsilent-after = \"{silent} s\"\n",
            name(site),
            key.public()
        )?;
    }
    fs::write(folder.join("rules.toml"), rules)?;
    let file = folder.join("agent.toml");
    fs::write(&file, config)?;
    Ok(file)
}

/// When each site's alarm was raised.
fn raised(folder: &Path) -> Result<BTreeMap<String, Wall>> {
    let mut found = BTreeMap::new();
    JournalLog::open(&folder.join("journal.sqlite"))?.walk(0, |record| {
        if let Body::Raised { alarm, .. } = &record.body {
            found.entry(alarm.clone()).or_insert(record.at.wall);
        }
        true
    })?;
    Ok(found)
}

pub(crate) fn measure() -> Result<()> {
    many()?;
    few()
}

fn many() -> Result<()> {
    table::title("a witness of 20,000 sites on one broker, each checking in once a minute");
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    let broker = broker()?;
    let mut sites = Sites::connect(broker.port(), MANY, MINUTE)?;
    let pace = (MINUTE, MINUTE * 5);
    let process = Process::agent(&write(folder.path(), broker.port(), &sites.keys, pace)?)?;
    table::single("from the start to READY", process.started_in.as_secs_f64() * 1e3, "ms");
    sites.begun = Instant::now();
    // Everybody once, and once more.
    sites.go_on(MINUTE, 0)?;
    let (cpu, sent, begun) = (process.cpu()?, sites.sent, Instant::now());
    sites.go_on(MINUTE, 0)?;
    let used = process.cpu()? - cpu;
    table::single("CPU time for a check-in", used * 1e6 / (sites.sent - sent) as f64, "us");
    table::single("of one core (aim: under 10)", used / begun.elapsed().as_secs_f64() * 100.0, "%");
    table::single("resident with all sites heard (aim: under 100)", process.mebibytes("VmRSS")?, "MiB");
    if !raised(folder.path())?.is_empty() {
        return Err("a living site was called silent".into());
    }
    let stopping = Instant::now();
    process.end()?;
    table::single("to keep what is known of all, and end", stopping.elapsed().as_secs_f64() * 1e3, "ms");
    Ok(())
}

fn few() -> Result<()> {
    table::title("a witness of 500 sites on one broker, each checking in every 10 s");
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    let broker = broker()?;
    let mut sites = Sites::connect(broker.port(), SITES, EVERY)?;
    let pace = (EVERY, SILENT_AFTER);
    let process = Process::agent(&write(folder.path(), broker.port(), &sites.keys, pace)?)?;
    table::single("from the start to READY", process.started_in.as_secs_f64() * 1e3, "ms");
    std::thread::sleep(Duration::from_secs(2));
    table::single("resident before the first check-in", process.mebibytes("VmRSS")?, "MiB");

    sites.begun = Instant::now();
    sites.go_on(WARM, 0)?;
    table::single("a check-in on the wire", sites.bytes as f64, "bytes");
    let (cpu, sent) = (process.cpu()?, sites.sent);
    sites.go_on(MEASURED, 0)?;
    let used = (process.cpu()? - cpu) / (sites.sent - sent) as f64;
    table::single("CPU time for a check-in", used * 1e6, "us");
    table::single("of one core, at one a minute", used * SITES as f64 / DEFAULT_EVERY * 100.0, "%");
    table::single("resident with all sites heard", process.mebibytes("VmRSS")?, "MiB");
    if !raised(folder.path())?.is_empty() {
        return Err("a living site was called silent".into());
    }

    sites.go_on(SILENT_AFTER + EVERY + Duration::from_secs(5), FIRST)?;
    let noticed = raised(folder.path())?;
    let mut late = Figures::default();
    for site in 0..FIRST {
        let at = noticed.get(&format!("{}-silent", name(site))).ok_or("a silent site was not noticed")?;
        let last = sites.last[site].ok_or("it never spoke")?;
        late.push((*at - last).as_seconds() - SILENT_AFTER.as_secs_f64());
    }
    if noticed.len() != FIRST {
        return Err("a living site was called silent".into());
    }
    table::line("noticed after the 50 s that were asked for, by", &late, "s");

    // The rest fall silent at once: the line to the broker elsewhere is cut for all of them.
    std::thread::sleep(SILENT_AFTER + EVERY);
    std::thread::sleep(Duration::from_secs(5));
    let all = raised(folder.path())?;
    let mut late = Figures::default();
    for site in FIRST..SITES {
        let at = all.get(&format!("{}-silent", name(site))).ok_or("a silent site was not noticed")?;
        let last = sites.last[site].ok_or("it never spoke")?;
        late.push((*at - last).as_seconds() - SILENT_AFTER.as_secs_f64());
    }
    table::line("the other 493 at once: noticed late by", &late, "s");
    table::single("resident with 500 call-outs open", process.mebibytes("VmRSS")?, "MiB");
    let pages = fs::read_dir(folder.path().join("pages"))?.count();
    table::single("pages left for their people", pages as f64, "");
    process.end()
}

//! The page in the house over a year's journal of 20 sensors, with a bad fortnight at its end: how
//! soon "now" begins to come and how large it is, a month and a year of one sensor, the report of a
//! fortnight, memory with ten viewers and under two thousand connections, and what the page costs
//! readings as they are taken in.

use crate::process::Process;
use crate::publisher::Publisher;
use crate::site::{self, To};
use crate::table::{self, Figures};
use crate::{Result, broker};
use slackwater::journal::writer::Keeper;
use slackwater::journal::{BootId, JournalLimits};
use slackwater::settings::Environment;
use slackwater::site::SiteFiles;
use slackwater_rules::engine::Sample;
use slackwater_rules::quality::Quality;
use slackwater_rules::reading::{Content, Value};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use slackwater_tests::holiday;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

const DAYS: i64 = 365;
const MINUTES: i64 = DAYS * 24 * 60;
const FORTNIGHT: i64 = 14 * 24 * 60;
/// A year of 20 sensors, a reading a minute each, needs more than what is usual.
const LARGE: u64 = 2 << 30;
const LOOKS: usize = 40;
const ROUNDS: usize = 5;
const READINGS: usize = 200_000;
const MEBIBYTE: f64 = 1_048_576.0;

/// The page of an agent under measurement.
struct Page {
    address: String,
    cookie: String,
}

/// What came, after how long its first byte, and after how long all of it.
struct Came {
    text: String,
    first: f64,
    whole: f64,
}

pub(crate) fn measure() -> Result<()> {
    table::title("the page in the house: 20 sensors, a year's journal, a reading a minute each");
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    let begun = Instant::now();
    let broker = broker()?;
    let port = TcpListener::bind("127.0.0.1:0")?.local_addr()?.port();
    let config = holiday::write_files(folder.path(), broker.port(), Some(port), 1)?;
    year_before(&config)?;
    let past = holiday::Past { days: FORTNIGHT / 1_440, every: 1, eventful: true };
    let calls = holiday::live_through(&config, past)?;
    let size = std::fs::metadata(folder.path().join("journal.sqlite"))?.len();
    table::single("the journal, filled", size as f64 / MEBIBYTE, "MiB");
    table::single("  which took", begun.elapsed().as_secs_f64(), "s");
    table::single("  call-outs in its last fortnight", calls as f64, "");

    let process = Process::agent(&config)?;
    table::single("READY with it", process.started_in.as_secs_f64() * 1e3, "ms");
    let mut publisher = Publisher::connect(broker.port())?;
    let page = Page::open(&config)?;
    for (topic, value) in holiday::well() {
        publisher.say_on(topic, &value)?;
    }
    std::thread::sleep(Duration::from_secs(6));
    table::single("at rest: resident", process.mebibytes("VmRSS")?, "MiB");

    let (mut first, mut whole) = (Figures::default(), Figures::default());
    for _ in 0..LOOKS {
        // The look that is shared for a second is over each time.
        std::thread::sleep(Duration::from_millis(1_050));
        let came = page.get("/")?;
        first.push(came.first * 1e3);
        whole.push(came.whole * 1e3);
    }
    table::line("now: first byte (aim: under 20)", &first, "ms");
    table::line("now: all of it", &whole, "ms");
    let now = page.get("/")?.text;
    let assets = ["/look.css", "/live.js", "/icon.svg"].iter().map(|path| page.get(path));
    let sizes = assets.collect::<Result<Vec<_>>>()?.iter().map(|came| came.text.len()).sum::<usize>();
    table::single("now: the page alone", now.len() as f64 / 1024.0, "KiB");
    table::single(
        "now: with sheet, script and mark (aim: under 60)",
        (now.len() + sizes) as f64 / 1024.0,
        "KiB",
    );

    for (what, path) in [
        ("a day of one sensor", "/tank/lagoon?span=day&sensor=lagoon-temp"),
        ("a week of one sensor", "/tank/lagoon?span=week&sensor=lagoon-temp"),
        ("a month of one sensor (aim: under 300)", "/tank/lagoon?span=month&sensor=lagoon-temp"),
        ("a year of one sensor (aim: under 1,000)", "/tank/lagoon?span=year&sensor=lagoon-temp"),
        ("the report of a fortnight (aim: under 2,000)", "/log/report.html?since=14d"),
    ] {
        let mut took = Figures::default();
        let mut size = 0;
        for _ in 0..ROUNDS {
            let came = page.get(path)?;
            took.push(came.whole * 1e3);
            size = came.text.len();
        }
        table::line(what, &took, "ms");
        table::single("  its size", size as f64 / 1024.0, "KiB");
    }
    table::single("after all that: the most ever resident", process.mebibytes("VmHWM")?, "MiB");
    process.end()?;

    keep_for_the_eye(folder.path(), &config)?;

    // What one who watches costs, without what drawing a year has left behind.
    let process = Process::agent(&config)?;
    let page = Page::open(&config)?;
    std::thread::sleep(Duration::from_secs(6));
    let streams: Vec<TcpStream> = (0..10).map(|_| page.watch()).collect::<Result<_>>()?;
    for _ in 0..10 {
        for _ in 0..10 {
            page.get("/")?;
        }
        std::thread::sleep(Duration::from_secs(1));
    }
    table::single("with ten viewers: resident (aim: under 20)", process.mebibytes("VmRSS")?, "MiB");
    table::single("with ten viewers: the most ever (aim: under 20)", process.mebibytes("VmHWM")?, "MiB");
    drop(streams);
    attack(&process, &page, folder.path())?;
    process.end()
}

/// The report goes where somebody wants to look at it.
fn keep_for_the_eye(folder: &Path, config: &Path) -> Result<()> {
    let Some(pictures) = std::env::var_os("SLACKWATER_PICTURES") else { return Ok(()) };
    let file = folder.join("report.html");
    command(config, &["review", "--since", "14 d", "--html", &file.display().to_string()])?;
    std::fs::copy(&file, Path::new(&pictures).join("bench-report.html"))?;
    Ok(())
}

/// Two thousand connections that say nothing, half a head, or a form without end; and a page that
/// leaves meanwhile.
fn attack(process: &Process, page: &Page, folder: &Path) -> Result<()> {
    let mut held = Vec::new();
    for nth in 0..2_000 {
        let mut stream = TcpStream::connect(&page.address)?;
        let begun: &[u8] = match nth % 3 {
            0 => b"",
            1 => b"GET / HTTP/1.1\r\nHost: ",
            _ => b"POST /in HTTP/1.1\r\nHost: localhost\r\nContent-Length: 8000\r\n\r\n",
        };
        // Whoever is one too many is closed at once.
        let _ = stream.write_all(begun);
        held.push(stream);
    }
    let letters =
        || std::fs::read_dir(folder.join("pages")).map(|found| found.flatten().filter(is_letter).count());
    std::fs::create_dir_all(folder.join("pages"))?;
    let (before, begun) = (letters()?, Instant::now());
    command(&folder.join("agent.toml"), &["drill", "callout", "household"])?;
    while letters()? == before {
        if begun.elapsed() > Duration::from_secs(60) {
            return Err("no page left within a minute".into());
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    table::single("2,000 connections: a page has left after", begun.elapsed().as_secs_f64() * 1e3, "ms");
    std::thread::sleep(Duration::from_secs(3));
    table::single("2,000 connections: the most ever (aim: under 24)", process.mebibytes("VmHWM")?, "MiB");
    drop(held);
    Ok(())
}

fn is_letter(entry: &std::fs::DirEntry) -> bool {
    entry.path().extension().is_some_and(|end| end == "eml")
}

/// With the page shut, open, and looked at by ten, in turn.
pub(crate) fn ingest() -> Result<()> {
    table::title("readings as they are taken in, without the page and with it");
    let mut sides = [Figures::default(), Figures::default(), Figures::default()];
    for _ in 0..ROUNDS {
        for (viewers, side) in [None, Some(0), Some(10)].into_iter().zip(&mut sides) {
            let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
            let broker = broker()?;
            let config = match viewers {
                None => site::write(folder.path(), broker.port(), &To::Siren)?,
                Some(_) => with_page(folder.path(), broker.port())?,
            };
            let process = Process::agent(&config)?;
            let page = viewers.map(|_| Page::open(&config)).transpose()?;
            let streams: Vec<TcpStream> = page
                .iter()
                .flat_map(|page| (0..viewers.unwrap_or(0)).map(|_| page.watch()))
                .collect::<Result<_>>()?;
            let mut publisher = Publisher::connect(broker.port())?;
            let begun = Instant::now();
            publisher.flood(READINGS)?;
            publisher.say(0, &site::ringing(0))?;
            publisher.done()?;
            side.push(READINGS as f64 / begun.elapsed().as_secs_f64());
            drop(streams);
            process.end()?;
        }
    }
    let [shut, open, watched] = &sides;
    table::line("readings per second, without the page", shut, "/s");
    table::line("with it, by without (aim: 0.95 or more)", &open.ratios(shut), "");
    table::line("with ten viewers, by without", &watched.ratios(shut), "");
    Ok(())
}

/// The site's files with a page on a free port.
fn with_page(folder: &Path, broker: u16) -> Result<std::path::PathBuf> {
    let file = site::write(folder, broker, &To::Siren)?;
    let port = TcpListener::bind("127.0.0.1:0")?.local_addr()?.port();
    let config = std::fs::read_to_string(&file)?;
    let config = config.replace("[control]", "max-size = \"2 GiB\"\n\n[control]");
    std::fs::write(&file, format!("{config}\n[web]\nlisten = \"127.0.0.1:{port}\"\n"))?;
    Ok(file)
}

fn command(config: &Path, words: &[&str]) -> Result<String> {
    let out = Command::new(env!("CARGO_BIN_EXE_slackwater-under-test"))
        .args(words)
        .arg("--config")
        .arg(config)
        .output()?;
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    if out.status.success() {
        Ok(said)
    } else {
        Err(String::from_utf8_lossy(&out.stderr).into_owned().into())
    }
}

impl Page {
    /// Signs Ines in.
    fn open(config: &Path) -> Result<Self> {
        let said = command(config, &["web", "invite", "ines"])?;
        let link = said.lines().find(|line| line.contains("/in/")).ok_or("no link")?.trim();
        let (site, token) = link.split_once("/in/").ok_or("no token")?;
        let address = site.trim_start_matches("http://").to_owned();
        let body = format!("invitation={token}");
        let request = format!(
            "POST /in HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\nSec-Fetch-Site: same-origin\r\n\
             Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        );
        let mut page = Self { address, cookie: String::new() };
        let reply = page.say(&request)?.text;
        let set =
            reply.lines().find(|line| line.to_lowercase().starts_with("set-cookie:")).ok_or("no cookie")?;
        page.cookie = set.split([':', ';']).nth(1).unwrap_or_default().trim().to_owned();
        Ok(page)
    }

    fn say(&self, request: &str) -> Result<Came> {
        let begun = Instant::now();
        let mut stream = TcpStream::connect(&self.address)?;
        stream.set_read_timeout(Some(Duration::from_secs(60)))?;
        stream.write_all(request.as_bytes())?;
        let mut heard = vec![0; 1];
        stream.read_exact(&mut heard)?;
        let first = begun.elapsed().as_secs_f64();
        stream.read_to_end(&mut heard)?;
        let text = String::from_utf8_lossy(&heard).into_owned();
        Ok(Came { text, first, whole: begun.elapsed().as_secs_f64() })
    }

    fn get(&self, path: &str) -> Result<Came> {
        let came = self.say(&format!(
            "GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\nCookie: {}\r\n\r\n",
            self.address, self.cookie
        ))?;
        if !came.text.starts_with("HTTP/1.1 200") {
            return Err(format!("{path}: {}", came.text.lines().next().unwrap_or_default()).into());
        }
        Ok(came)
    }

    /// Somebody who watches values change.
    fn watch(&self) -> Result<TcpStream> {
        let mut stream = TcpStream::connect(&self.address)?;
        let request =
            format!("GET /live HTTP/1.1\r\nHost: {}\r\nCookie: {}\r\n\r\n", self.address, self.cookie);
        stream.write_all(request.as_bytes())?;
        let mut heard = [0; 12];
        stream.read_exact(&mut heard)?;
        if heard != *b"HTTP/1.1 200" {
            return Err("the stream was refused".into());
        }
        let mut reading = stream.try_clone()?;
        std::thread::spawn(move || std::io::copy(&mut reading, &mut std::io::sink()));
        Ok(stream)
    }
}

/// The readings of the year before the last fortnight, straight to the journal.
fn year_before(config: &Path) -> Result<()> {
    let site = SiteFiles::load(config, &Environment::default()).map_err(|wrong| wrong.text)?;
    let end = i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH)?.as_millis())?;
    let at = |minute: i64| Now {
        mono: Moment(minute * 60_000),
        wall: Wall(end - (MINUTES - minute) * 60_000),
        wall_trusted: true,
    };
    let limits = JournalLimits { bytes: LARGE, every: Span::hours(2), ..JournalLimits::default() };
    let journal = site.settings.places.journal.path.clone();
    let boot = BootId("the year before".to_owned());
    let (mut keeper, _) = Keeper::open(journal, boot, limits, &site.plan.site, &at(0))?;
    let names: Vec<(Arc<str>, bool)> = site
        .plan
        .sensors
        .iter()
        .map(|sensor| (sensor.name.as_str().into(), matches!(sensor.mapping.content, Content::Words(_))))
        .collect();
    let last = MINUTES - FORTNIGHT - 1;
    for minute in 0..last {
        let sample = |(n, (name, in_words)): (usize, &(Arc<str>, bool))| Sample {
            sensor: Arc::clone(name),
            at: Moment(minute * 60_000),
            // Water that warms and cools over hours, seen through a probe of 0.01 K.
            value: Some(match in_words {
                true => Value::Word(0),
                false => Value::Number(
                    (2_500.0 + 100.0 * (minute as f64 / 180.0 + n as f64).sin()).round() / 100.0,
                ),
            }),
            quality: Quality::Good,
        };
        let samples: Vec<Sample> = names.iter().enumerate().map(sample).collect();
        keeper.sample(&samples);
        // A sign of life a minute would be half a million writes that wait for the disk.
        if minute % 60 == 0 {
            keeper.tend(&at(minute));
        }
    }
    keeper.close(|| 0, &at(last));
    Ok(())
}

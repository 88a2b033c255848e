//! The real program for hours at fifty messages a second from a real broker: what it needs of
//! memory and disk, and how long a danger takes from the board to a page in hand, minute by minute,
//! the first and the last part side by side.

use super::flat::{Times, load, mebibytes, on_disk};
use crate::agent::until;
use crate::board::client;
use crate::house::{House, ROOM2};
use rumqttc::v5::mqttbytes::QoS;
use std::fmt::Write as _;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// That speak in turn.
const SENSORS: usize = 50;

/// No sensor's danger.
const NONE: usize = usize::MAX;

/// For a page or an all-clear: the promise.
const BOUND: Duration = Duration::from_secs(90);

/// A part of the run.
#[derive(Clone, Debug, Default)]
pub struct Part {
    /// From the board to the page in hand.
    pub pages: Times,
    /// At its end, MiB of the program's own.
    pub memory: f64,
    /// At its end, the most that it has ever had.
    pub peak: f64,
    /// At its end, MiB of the journal.
    pub disk: f64,
}

fn rules() -> String {
    let mut rules = "[site]\nname = \"Halyard House\"\n[tank.lagoon]\nvolume = \"420 L\"\n".to_owned();
    for sensor in 0..SENSORS {
        let _ = write!(
            rules,
            "[callout.of-{sensor:02}]\nsteps = [{{ after = \"0 s\", to = [\"ines.push\"] }}]\nsettle = \"1 s\"\n\
             [sensor.temp-{sensor:02}]\ntopic = \"room2/{sensor:02}\"\ntank = \"lagoon\"\nmeasures = \"temperature\"\n\
             unit = \"degC\"\nevery = \"30 s\"\nplausible = [\"5 degC\", \"45 degC\"]\nmax-rate = \"none\"\n\
             [alarm.shelf-{sensor:02}-hot]\ntank = \"lagoon\"\nwhen = \"temp-{sensor:02} > 28 degC\"\n\
             on-delay = \"0 s\"\noff-delay = \"0 s\"\npriority = \"high\"\nresponse = [\"Look.\"]\n\
             callout = \"of-{sensor:02}\"\n"
        );
    }
    rules
}

/// Watches for so long with so many messages a second; each part is told as it ends.
///
/// # Errors
/// When the house can't be set up.
///
/// # Panics
/// When a danger is not told, or not called over, within 90 s.
#[expect(clippy::print_stdout, reason = "a long run shows how far it is")]
pub fn run(program: &str, length: Duration, per_second: u32, parts: u32) -> io::Result<Vec<Part>> {
    let servers = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build()?;
    let house = servers.block_on(House::build(program))?;
    house.home.write("rules.toml", &rules())?;
    let hot = Arc::new(AtomicUsize::new(NONE));
    servers.spawn(speak(house.broker.plain_port(), per_second, Arc::clone(&hot)));
    let agent = house.watch();
    let pid = agent.id().to_string();
    println!("load {}; {SENSORS} sensors, {per_second} messages a second", load());
    let (begun, mut told) = (Instant::now(), Vec::new());
    // What comes twice within three hours settles for an hour: each sensor has one danger.
    let (mut sensors, apart) = ((0..SENSORS).zip(1_u32..), length / SENSORS as u32);
    for nth in 1..=parts {
        let end = begun + length * nth / parts;
        let mut part = Part::default();
        while Instant::now() < end {
            let Some((sensor, at)) = sensors.next() else { break };
            part.pages.push(danger(&house, &hot, sensor));
            std::thread::sleep((begun + apart * at).saturating_duration_since(Instant::now()));
        }
        std::thread::sleep(end.saturating_duration_since(Instant::now()));
        part.memory = mebibytes(&pid, "RssAnon");
        part.peak = mebibytes(&pid, "VmHWM");
        part.disk = on_disk(house.home.folder());
        println!(
            "part {nth:>3}, until {:>6.1} min: own memory {:>5.2} MiB (most in all {:>5.1}), journal {:>6.2} MiB, load {}\n          \
             a page {}",
            begun.elapsed().as_secs_f64() / 60.0,
            part.memory,
            part.peak,
            part.disk,
            load(),
            part.pages
        );
        told.push(part);
    }
    agent.terminate();
    Ok(told)
}

/// One danger from its beginning to its end; how long until it was told.
fn danger(house: &House, hot: &AtomicUsize, sensor: usize) -> Duration {
    let words = format!("shelf {sensor:02} hot");
    let seen = house.push.taken().len();
    let page = |clear: bool| {
        house.push.taken().iter().skip(seen).find_map(|request| {
            let event: serde_json::Value = serde_json::from_slice(&request.body).ok()?;
            let headline = event["data"]["headline"].as_str()?;
            (headline.contains(&words) && headline.contains("all clear") == clear).then_some(request.at)
        })
    };
    let begun = Instant::now();
    hot.store(sensor, Ordering::Relaxed);
    let came = until("a page", BOUND, || page(false), || house.home.log());
    hot.store(NONE, Ordering::Relaxed);
    until("an all-clear", BOUND, || page(true), || house.home.log());
    house.push.forget();
    came - begun
}

/// All sensors in turn; one that has become hot says so at once.
async fn speak(port: u16, per_second: u32, hot: Arc<AtomicUsize>) {
    let (client, mut eventloop) = client(port, ROOM2, "shelves");
    tokio::spawn(async move {
        loop {
            if eventloop.poll().await.is_err() {
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    });
    let mut tick = tokio::time::interval(Duration::from_secs(1) / per_second.max(1));
    let mut said = NONE;
    for nth in 0_usize.. {
        tick.tick().await;
        let now = hot.load(Ordering::Relaxed);
        let news = [said, now].into_iter().find(|sensor| now != said && *sensor != NONE);
        said = now;
        let sensor = news.unwrap_or(nth % SENSORS);
        let value = if sensor == now {
            "29.5".to_owned()
        } else {
            format!("{:.1}", 25.0 + (nth / SENSORS % 9) as f64 / 10.0)
        };
        // A full queue means that the broker lags.
        let _ = client.try_publish(format!("room2/{sensor:02}"), QoS::AtMostOnce, false, value);
    }
}

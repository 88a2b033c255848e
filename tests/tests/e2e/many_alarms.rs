//! A rule file of a size that no site has, ten thousand alarms: it is checked, watched (with the
//! page) and exchanged for another within the memory that the unit gives, and some of that is left.

use super::house;
use std::fmt::Write as _;
use std::fs;
use std::process::Stdio;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::Duration;

/// `MemoryMax=` of the unit, in KiB.
pub(crate) const UNIT: u64 = 48 << 10;

/// The text of the program itself, as far as it is read, in what ships; it counts in the unit too.
pub(crate) const TEXT: u64 = 13_800;

/// So much at least is left at the peak.
const LEFT: u64 = 2 << 10;

/// Alarms of these numbers on a hundred sensors, in the house's own words.
fn rules(numbers: std::ops::Range<u32>) -> String {
    let mut text = String::from(
        "[site]\nname = \"Halyard House\"\n[callout.household]\nsteps = [{ after = \"0 min\", to = [\"ines.mail\"] }]\n",
    );
    for n in 0..100 {
        let _ = write!(
            text,
            "[sensor.s{n}]\ntopic = \"hall/{n}\"\nmeasures = \"temperature\"\nunit = \"degC\"\nevery = \"30 s\"\n"
        );
    }
    for n in numbers {
        let limit = format!("{}.{:02}", 20 + n % 7, n / 100 % 100);
        let _ = write!(
            text,
            "[alarm.a{n}]\nwhen = \"s{} > {limit} degC\"\npriority = \"low\"\nconsequence = \"corals die\"\n\
             response = \"Look at the tank.\"\ncallout = \"household\"\n",
            n % 100
        );
    }
    text
}

/// The most that a process has had in memory of its own while it ran, or while `go_on` says so:
/// KiB. It is looked at a thousand times a second, and what is looked for stands for a tenth of a
/// second at least.
fn most(id: u32, go_on: impl Fn() -> bool) -> u64 {
    let mut most = 0;
    while go_on() {
        let Ok(status) = fs::read_to_string(format!("/proc/{id}/status")) else { break };
        let line = status.lines().find_map(|line| line.strip_prefix("RssAnon:")?.trim().strip_suffix(" kB"));
        // A process that has ended and was not waited for has no memory.
        let Some(now) = line.and_then(|line| line.trim().parse().ok()) else { break };
        most = most.max(now);
        thread::sleep(Duration::from_millis(1));
    }
    most
}

fn fits(what: &str, most: u64) {
    println!("{what}: at most {most} KiB of its own");
    assert!(most > 4 << 10, "{what}: {most} KiB is no measure of ten thousand alarms");
    assert!(
        most + TEXT + LEFT < UNIT,
        "{what}: {most} KiB, with {TEXT} KiB of program, in a unit of {UNIT} KiB"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn ten_thousand_alarms_are_checked_watched_and_exchanged_within_the_units_memory() {
    let Some(house) = house().await else { return };
    house.home.write("rules.toml", &rules(0..10_000)).expect("written");
    // With the page, which looks at it all by itself.
    let port = slackwater_tests::mosquitto::free_port().expect("a port");
    house.configure(&format!("\n[web]\nlisten = \"127.0.0.1:{port}\"\n")).expect("written");
    let mut check = house.home.command(&["check"]).stdout(Stdio::null()).spawn().expect("it starts");
    fits("check", most(check.id(), || true));
    assert!(check.wait().expect("a child").success());

    let mut agent = house.home.start().expect("the program starts");
    let begins = AtomicBool::new(true);
    thread::scope(|scope| {
        let (id, begins) = (agent.id(), &begins);
        let looks = scope.spawn(move || most(id, || begins.load(Ordering::Relaxed)));
        agent.hears();
        begins.store(false, Ordering::Relaxed);
        fits("a start", looks.join().expect("it only looks"));
    });
    agent.logs("the page in the house is served");
    // What goes and what comes, and then the same the other way round: nothing piles up.
    for numbers in [5_000..15_000, 0..10_000, 5_000..15_000] {
        house.home.write("rules.toml", &rules(numbers)).expect("written");
        let reloads = AtomicBool::new(true);
        thread::scope(|scope| {
            let looks = scope.spawn(|| most(agent.id(), || reloads.load(Ordering::Relaxed)));
            let said = house.home.say(&["reload", "--yes"]).well();
            reloads.store(false, Ordering::Relaxed);
            // By name so many, of the others how many.
            assert!(
                said.contains("is gone") && said.contains("more things have changed"),
                "{}",
                &said[..300]
            );
            assert!(said.len() < 10_000, "{} bytes", said.len());
            fits("a reload", looks.join().expect("it only looks"));
        });
    }
    agent.terminate();
}

//! What the watch costs, measured on a real broker and a scripted mail server, each figure
//! beside a baseline of the same run where there is one:
//!
//! ```text
//! cargo bench -p slackwater-tests                        # everything, about nine minutes
//! cargo bench -p slackwater-tests --bench figures -- page watched    # some of its sections
//! ```
//!
//! The agent that is measured is the binary as it ships, in a process of its own. So are the
//! baselines (this program again, with other words), and CPU time and memory of each can be read
//! from `/proc`.

#![expect(clippy::indexing_slicing, reason = "a bench fails by panicking")]

mod baseline;
mod disk;
mod ingest;
mod memory;
mod page;
mod paging;
mod process;
mod publisher;
mod site;
mod start;
mod table;
mod witness;

use slackwater_tests::mosquitto::{self, Mosquitto, Options};
use std::error::Error;
use std::process::ExitCode;

type Result<T> = std::result::Result<T, Box<dyn Error>>;

/// What it is called, and what measures it.
type Section = (&'static str, fn() -> Result<()>);

const SECTIONS: [Section; 8] = [
    ("ingest", ingest::measure),
    ("paging", paging::measure),
    ("memory", memory::measure),
    ("page", page::measure),
    ("watched", page::ingest),
    ("disk", disk::measure),
    ("start", start::measure),
    ("witness", witness::measure),
];

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let done = match words.first().map(String::as_str) {
        Some("count") => baseline::count(&words[1..]),
        Some("forward") => baseline::forward(&words[1..]),
        // What merely lists or runs tests is shown nothing.
        _ if !std::env::args().any(|word| word == "--bench") => Ok(()),
        _ => measure(&words),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn measure(wanted: &[String]) -> Result<()> {
    if !mosquitto::available() {
        return Ok(());
    }
    println!("{}", process::machine());
    for (name, section) in SECTIONS {
        if wanted.is_empty() || wanted.iter().any(|word| word == name) {
            section()?;
        }
    }
    Ok(())
}

/// A broker that queues without a limit: what is measured is not what it drops.
fn broker() -> Result<Mosquitto> {
    let lines = vec!["max_queued_messages 0".to_owned(), "set_tcp_nodelay true".to_owned()];
    Ok(Mosquitto::start(&Options { lines, ..Options::default() })?)
}

//! How the code is laid out, in figures: which files of the engine call each other, how long its
//! functions are, which names stand for several things. The source goes in as text, through a
//! parser of Rust; figures and the places behind them come out. `cargo run -p slackwater-tests
//! --bin structure` prints them, and a test holds them where they should stay.
//!
//! Calls are told apart by name and by what a field's type says, not by a compiler: what can't be
//! told apart (a method of several types on a value whose type is not written) is left out.

mod calls;
mod names;
mod source;

pub use source::{File, read};
use std::collections::BTreeSet;
use std::fmt;
use std::path::Path;

/// So many lines of a file, without its tests, fit in a head.
pub const ROOM: usize = 400;

/// What the engine is: one file and the folder of its name.
const ENGINE: &str = "rules/src/engine";

/// The way of a reading from its topic to a mail, in the order in which a reader walks it: the
/// files that somebody opens who wants to know why a mail went out.
pub const TOPIC_TO_MAIL: &[&str] = &[
    "agent/src/mqtt/connection/incoming.rs",
    "agent/src/event_loop/mqtt_inputs.rs",
    "agent/src/event_loop.rs",
    "rules/src/engine.rs",
    "rules/src/engine/dispatch.rs",
    "rules/src/engine/sensors.rs",
    "rules/src/reading.rs",
    "rules/src/quality.rs",
    "rules/src/engine/alarms/judging.rs",
    "rules/src/condition/evaluate.rs",
    "rules/src/alarm.rs",
    "rules/src/engine/task.rs",
    "rules/src/engine/callouts.rs",
    "rules/src/engine/callouts/joining.rs",
    "rules/src/engine/callouts/climbing.rs",
    "rules/src/engine/delivery.rs",
    "rules/src/engine/delivery/wording.rs",
    "rules/src/page.rs",
    "rules/src/record.rs",
    "agent/src/channels.rs",
    "agent/src/channels/worker.rs",
    "agent/src/channels/mail.rs",
    "agent/src/channels/email.rs",
    "agent/src/channels/smtp.rs",
];

/// The figures, with what stands behind each.
#[derive(Debug)]
pub struct Structure {
    /// Files of the engine that reach each other by calls, there and back: the largest such knot.
    pub knot: Vec<String>,
    /// Pairs of the engine's files that call each other directly.
    pub pairs: Vec<(String, String)>,
    /// The same two, of calls that may change something: of methods that take `&mut self`.
    pub changing_knot: Vec<String>,
    /// Pairs of the engine's files that call each other so.
    pub changing_pairs: Vec<(String, String)>,
    /// Functions in `impl Engine`, wherever they stand.
    pub engine_methods: usize,
    /// Length in lines, file and name of the engine's longest function.
    pub longest_in_engine: (usize, String),
    /// The same for all that ships.
    pub longest: (usize, String),
    /// Files that are longer than [`ROOM`] without their tests, with their lines.
    pub long_files: Vec<(usize, String)>,
    /// Type names that are declared more than once, with the files; pairs of written and checked
    /// are left out.
    pub shared_names: Vec<(String, Vec<String>)>,
    /// Files on the walk from a topic to a mail.
    pub walk: usize,
    /// Files of that list that are not there.
    pub walk_gone: Vec<String>,
}

/// Reads all that ships below `root` and counts. An unreadable file is an error that names it.
pub fn measure(root: &Path) -> Result<Structure, String> {
    let files = read(root)?;
    let engine: Vec<&File> = files.iter().filter(|file| file.below(ENGINE)).collect();
    let calls = calls::between(&engine, calls::Which::All);
    let changing = calls::between(&engine, calls::Which::Changing);
    let longest = |files: &mut dyn Iterator<Item = &File>| {
        files.flat_map(File::functions).max().unwrap_or_else(|| (0, String::new()))
    };
    let mut long_files: Vec<_> =
        files.iter().map(|file| (file.lines, file.name.clone())).filter(|(lines, _)| *lines > ROOM).collect();
    long_files.sort_by(|a, b| b.cmp(a));
    let there: BTreeSet<&str> = files.iter().map(|file| file.name.as_str()).collect();
    Ok(Structure {
        knot: calls::largest_knot(&calls),
        pairs: calls::mutual(&calls),
        changing_knot: calls::largest_knot(&changing),
        changing_pairs: calls::mutual(&changing),
        engine_methods: engine.iter().map(|file| file.methods_on("Engine")).sum(),
        longest_in_engine: longest(&mut engine.iter().copied()),
        longest: longest(&mut files.iter()),
        long_files,
        shared_names: names::shared(&files),
        walk: TOPIC_TO_MAIL.len(),
        walk_gone: TOPIC_TO_MAIL
            .iter()
            .filter(|file| !there.contains(*file))
            .map(ToString::to_string)
            .collect(),
    })
}

impl fmt::Display for Structure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "files in the engine's largest knot of mutual calls: {}", self.knot.len())?;
        writeln!(f, "    {}", self.knot.join(" "))?;
        writeln!(f, "pairs of engine files that call each other: {}", self.pairs.len())?;
        for (one, other) in &self.pairs {
            writeln!(f, "    {one} <-> {other}")?;
        }
        writeln!(f, "  of calls that may change something, knot: {}", self.changing_knot.len())?;
        writeln!(f, "    {}", self.changing_knot.join(" "))?;
        writeln!(f, "  of calls that may change something, pairs: {}", self.changing_pairs.len())?;
        for (one, other) in &self.changing_pairs {
            writeln!(f, "    {one} <-> {other}")?;
        }
        writeln!(f, "methods on Engine: {}", self.engine_methods)?;
        let (lines, place) = &self.longest_in_engine;
        writeln!(f, "longest function of the engine: {lines} lines, {place}")?;
        let (lines, place) = &self.longest;
        writeln!(f, "longest function of all that ships: {lines} lines, {place}")?;
        writeln!(f, "files over {ROOM} lines without tests: {}", self.long_files.len())?;
        for (lines, file) in &self.long_files {
            writeln!(f, "    {lines} {file}")?;
        }
        writeln!(f, "type names that stand for more than one thing: {}", self.shared_names.len())?;
        for (name, files) in &self.shared_names {
            writeln!(f, "    {name}: {}", files.join(" "))?;
        }
        writeln!(f, "files on the walk from a topic to a mail: {}", self.walk)?;
        for file in &self.walk_gone {
            writeln!(f, "    not there: {file}")?;
        }
        Ok(())
    }
}

//! `[site]`, `[journal]` and `[control]`: where things are on this machine. The command line
//! reads these alone, so that a keeper who may not read the secrets can still ask for the
//! status or print a review.
//!
//! Defaults come from the folders that systemd hands to a unit, else from the XDG base
//! directories.

use super::files::{Files, UnusableFile};
use super::kept::kept_settings;
use super::reader::{self, line, size, span};
use super::report::{Found, Report};
use super::source::Environment;
use jiff::tz::TimeZone;
use slackwater_rules::diagnostic::{Finding, Item, Table};
use slackwater_rules::time::Span;
use std::path::{Path, PathBuf};

/// Where things are on this machine, and the zone it stands in.
#[derive(Clone, Debug)]
pub struct Places {
    /// The rule file.
    pub rules: PathBuf,
    /// The zone that times of day are meant in.
    pub zone: TimeZone,
    /// Where the durable record is kept.
    pub journal: JournalSettings,
    /// How the command line reaches the running agent.
    pub control: ControlSettings,
}

/// Where the durable record is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JournalSettings {
    /// The database file.
    pub path: PathBuf,
    /// It may grow to this many bytes; readings go first, alarm records last.
    pub max_size: u64,
    /// Readings wait at most this long before they are written.
    pub flush_every: Span,
}

/// How the command line reaches the running agent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ControlSettings {
    /// A Unix socket; its access mode is to be 0660.
    pub socket: PathBuf,
}

/// The longest path of a Unix socket on Linux: `sun_path` is 108 bytes with the final zero
/// (unix(7)).
const LONGEST_SOCKET_PATH: usize = 107;

/// What `[site]` says, as far as it is right.
pub(super) struct SitePlaces {
    pub(super) rules: Option<PathBuf>,
    pub(super) zone: Option<TimeZone>,
}

impl SitePlaces {
    pub(super) fn read(root: &Table<'_>, files: &Files<'_>) -> Self {
        let site = root.need("site", "{ rules = \"rules.toml\" }").and_then(Item::table);
        let Some(table) = site else { return Self { rules: None, zone: None } };
        let rules = table.need("rules", "\"rules.toml\"").and_then(|item| files.path(item));
        let zone = match table.get("zone") {
            Some(item) => zone(item),
            None => system_zone(&table),
        };
        table.finish();
        Self { rules, zone }
    }
}

impl Places {
    /// Reads these sections alone, and no secret. If the file is broken, its last good copy says
    /// them, by which a watch may run.
    ///
    /// # Errors
    /// All that is wrong with them.
    pub fn load(file: &Path, environment: &Environment) -> Result<Self, Found> {
        let (known, report) = match reader::text_of(file) {
            Ok(text) => Self::of_text(file, &text, environment),
            Err(report) => (None, *report),
        };
        let journal = known.as_ref().map(|places| places.journal.path.clone());
        let by_copy = || {
            let (places, report) =
                Self::of_text(file, &kept_settings(file, journal.as_deref(), environment)?, environment);
            places.filter(|_| !report.is_wrong())
        };
        match known {
            Some(places) if !report.is_wrong() => Ok(places),
            _ => by_copy().ok_or_else(|| report.conclude()),
        }
    }

    /// As far as the text says them, with what is wrong.
    fn of_text(file: &Path, text: &str, environment: &Environment) -> (Option<Self>, Report) {
        let files = Files::new(file, environment, UnusableFile::Whole);
        reader::read(file, text, environment, |root| {
            let site = SitePlaces::read(&root, &files);
            let places = Self::read(&root, &files, site);
            root.leave_the_rest();
            places
        })
    }

    pub(super) fn read(root: &Table<'_>, files: &Files<'_>, site: SitePlaces) -> Option<Self> {
        let journal = root.get("journal").and_then(Item::table);
        let control = root.get("control").and_then(Item::table);
        let of_journal = |key| journal.as_ref().and_then(|table| table.get(key));
        let path = of_journal("path").and_then(|item| files.path(item));
        let max_size = of_journal("max-size").and_then(|item| size(item, 16 << 20..=64 << 30));
        let flush = Span::seconds(1)..=Span::hours(1);
        let flush_every = of_journal("flush-every").and_then(|item| span(item, flush));
        let socket = control.as_ref().and_then(|table| table.get("socket"));
        let socket = socket.and_then(|item| socket_path(item, files));
        [journal, control].into_iter().flatten().for_each(Table::finish);
        let environment = files.environment;
        Some(Self {
            rules: site.rules?,
            zone: site.zone?,
            journal: JournalSettings {
                path: path.unwrap_or_else(|| state_folder(environment).join("journal.sqlite")),
                max_size: max_size.unwrap_or(256 << 20),
                flush_every: flush_every.unwrap_or(Span::minutes(10)),
            },
            control: ControlSettings {
                socket: socket.unwrap_or_else(|| runtime_folder(environment).join("control.sock")),
            },
        })
    }
}

fn socket_path(item: Item<'_>, files: &Files<'_>) -> Option<PathBuf> {
    let path = files.path(item)?;
    let length = path.as_os_str().len();
    if length > LONGEST_SOCKET_PATH {
        let title = format!("the path of a socket has at most {LONGEST_SOCKET_PATH} bytes");
        return item.wrong(title, format!("this comes to {length}"), None);
    }
    Some(path)
}

fn zone(item: Item<'_>) -> Option<TimeZone> {
    let name = line(item)?;
    TimeZone::get(&name).ok().or_else(|| {
        let help = "a name like \"Europe/Lisbon\"; the system's `tzdata` package must be installed";
        let title = format!("`{name}` is not a time zone of this system");
        item.wrong(title, "not a known name", Some(help.to_owned()))
    })
}

fn system_zone(site: &Table<'_>) -> Option<TimeZone> {
    TimeZone::try_system().ok().or_else(|| {
        let title = format!("`{}` lacks `zone`, and the system's own can't be told", site.name);
        let help =
            "for instance `zone = \"Europe/Lisbon\"`; or set /etc/localtime and install the `tzdata` package";
        site.note(Finding::error(site.span.clone(), title, "not complete").help(help));
        None
    })
}

/// systemd lists several folders with colons between; the first is ours (systemd.exec(5)).
fn first_folder(environment: &Environment, variable: &str) -> Option<PathBuf> {
    let folders = environment.get(variable)?;
    folders.split(':').next().filter(|folder| !folder.is_empty()).map(PathBuf::from)
}

pub(super) fn state_folder(environment: &Environment) -> PathBuf {
    let base = || environment.get("XDG_STATE_HOME").map(PathBuf::from);
    let home = || environment.get("HOME").map(|home| Path::new(home).join(".local/state"));
    first_folder(environment, "STATE_DIRECTORY")
        .or_else(|| base().or_else(home).map(|folder| folder.join("slackwater")))
        .unwrap_or_else(|| PathBuf::from("/var/lib/slackwater"))
}

fn runtime_folder(environment: &Environment) -> PathBuf {
    first_folder(environment, "RUNTIME_DIRECTORY")
        .or_else(|| environment.get("XDG_RUNTIME_DIR").map(|base| Path::new(base).join("slackwater")))
        .unwrap_or_else(|| PathBuf::from("/run/slackwater"))
}

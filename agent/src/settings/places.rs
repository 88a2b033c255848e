//! `[site]`, `[journal]` and `[control]`: where things are on this machine. The command line
//! reads these alone, so that a keeper who may not read the secrets can still ask for the
//! status or print a review.
//!
//! Defaults come from the folders that systemd hands to a unit, else from the XDG base
//! directories.

use super::source::{self, Environment};
use super::tree::{Item, Mistakes, Table};
use jiff::tz::TimeZone;
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

/// The longest path of a Unix socket on Linux: `sun_path` is 108 bytes with the final zero (unix(7)).
const LONGEST_SOCKET_PATH: usize = 107;

impl Places {
    /// Reads these sections alone, and no secret.
    pub fn load(file: &Path, environment: &Environment) -> Result<Self, Mistakes> {
        source::read(file, environment, |root| {
            let places = Self::read(root);
            root.leave_the_rest();
            places
        })
    }

    pub(super) fn read(root: &mut Table<'_>) -> Option<Self> {
        let site = root.need("site", |item| {
            let mut table = item.table()?;
            let rules = table.need("rules", Item::path);
            let zone = table.may("zone", zone)?.or_else(|| system_zone(&table));
            Some((rules?, zone?))
        });
        let environment = root.environment();
        let journal = JournalSettings {
            path: state_folder(environment).join("journal.sqlite"),
            max_size: 256 << 20,
            flush_every: Span::minutes(10),
        };
        let control = ControlSettings { socket: runtime_folder(environment).join("control.sock") };
        let journal = root.or("journal", journal.clone(), |item| {
            let mut table = item.table()?;
            let path = table.or("path", journal.path, Item::path);
            let max_size = table.or("max-size", journal.max_size, |i| i.size(16 << 20..=64 << 30));
            let flush_every =
                table.or("flush-every", journal.flush_every, |i| i.span(Span::seconds(1)..=Span::hours(1)));
            Some(JournalSettings { path: path?, max_size: max_size?, flush_every: flush_every? })
        });
        let control = root.or("control", control.clone(), |item| {
            let mut table = item.table()?;
            Some(ControlSettings { socket: table.or("socket", control.socket, socket)? })
        });
        let (rules, zone) = site?;
        Some(Self { rules, zone, journal: journal?, control: control? })
    }
}

fn socket(item: &Item<'_>) -> Option<PathBuf> {
    let path = item.path()?;
    let length = path.as_os_str().len();
    if length > LONGEST_SOCKET_PATH {
        return item.wrong(format!(
            "`{}` is {length} bytes long, but the path of a socket has at most {LONGEST_SOCKET_PATH}",
            path.display()
        ));
    }
    Some(path)
}

fn zone(item: &Item<'_>) -> Option<TimeZone> {
    let name = item.text()?;
    TimeZone::get(&name).ok().or_else(|| {
        item.wrong(format!(
            "`{name}` is not a time zone of this system: a name like `Europe/Lisbon` is expected, \
             and the system's `tzdata` package must be installed"
        ))
    })
}

fn system_zone(site: &Table<'_>) -> Option<TimeZone> {
    TimeZone::try_system().ok().or_else(|| {
        site.wrong(
            "zone",
            "it is missing, and the system's own time zone can't be told: set it to a name like \
             `Europe/Lisbon`, or set /etc/localtime and install the `tzdata` package",
        )
    })
}

/// systemd lists several folders with colons between; the first is ours (systemd.exec(5)).
fn first_folder(environment: &Environment, variable: &str) -> Option<PathBuf> {
    let folders = environment.get(variable)?;
    folders.split(':').next().filter(|folder| !folder.is_empty()).map(PathBuf::from)
}

fn state_folder(environment: &Environment) -> PathBuf {
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

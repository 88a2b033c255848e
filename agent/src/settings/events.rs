//! `[events]`: whether this site tells its records to a fleet's journal; and `[fleet]`: where the
//! one who watches the sites keeps them. Both off unless they are there.

use super::broker::host;
use super::channels::this_machine;
use super::files::Files;
use super::in_clear;
use super::reader::{count, line, port};
use super::{CheckInSettings, TlsSettings};
use crate::secret::Secret;
use slackwater_rules::diagnostic::{Finding, Item};

/// PostgreSQL's own.
const USUAL_PORT: u16 = 5432;

/// Weeks that are kept: two years.
const USUAL_WEEKS: u32 = 104;
const MOST_WEEKS: u32 = 5_200;

/// That this site tells its records. Changes take a restart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EventsSettings;

/// The database of a fleet's journal. Changes take a restart.
#[derive(Clone, Debug, PartialEq)]
pub struct FleetSettings {
    /// Name or address of the machine, or the folder of its socket.
    pub host: String,
    /// TCP port, which is a part of the socket's name too.
    pub port: u16,
    /// The database's name.
    pub database: String,
    /// Who we are there.
    pub user: String,
    /// That user's password, if it wants one.
    pub password: Option<Secret>,
    /// Encryption.
    pub tls: Option<TlsSettings>,
    /// Why what sites tell may go without, if it may.
    pub in_clear_because: Option<String>,
    /// Weeks that are kept, besides the present one.
    pub keep_weeks: u32,
}

impl EventsSettings {
    /// `check_in` is none if it can't be used, and `there` whether the file has it at all.
    pub(super) fn read(item: Item<'_>, check_in: Option<&CheckInSettings>, there: bool) -> Option<Self> {
        let table = item.table()?;
        if !there || check_in.is_some_and(|own| own.broker.is_none()) {
            let title = "`[events]` goes where `[check-in.broker]` leads, and there is none";
            table.note(Finding::error(table.span.clone(), title, "events would go nowhere"));
        }
        table.finish();
        check_in.map(|_| Self)
    }
}

impl FleetSettings {
    pub(super) fn read(item: Item<'_>, files: &Files<'_>) -> Option<Self> {
        let table = item.table()?;
        if cfg!(not(feature = "fleet")) {
            let title = "this program was built without a fleet's journal";
            let finding = Finding::error(table.span.clone(), title, "events can't be kept");
            table.note(finding.help("build it with `--features fleet`, or leave `[fleet]` out"));
        }
        let place = table.need("host", "\"localhost\"").and_then(|item| match line(item)? {
            folder if folder.starts_with('/') => Some(folder),
            _ => host(item),
        });
        let port = table.get("port").map_or(Some(USUAL_PORT), port);
        let database = table.get("database").map_or(Some("slackwater".to_owned()), line);
        let user = table.get("user").map_or(Some("slackwater".to_owned()), line);
        let password = table.get("password-file").and_then(|item| files.secret(item));
        let tls = table.get("tls").and_then(|item| TlsSettings::read(item, files)).flatten();
        let in_clear_because = in_clear::because(&table);
        let keep_weeks =
            table.get("keep-weeks").map_or(Some(USUAL_WEEKS), |item| count(item, 1..=MOST_WEEKS));
        if let Some(host) = place.as_ref().filter(|place| !is_socket(place)) {
            in_clear::check(&table, "what sites tell of homes", host, tls.is_some());
        }
        table.finish();
        Some(Self {
            host: place?,
            port: port?,
            database: database?,
            user: user?,
            password,
            tls,
            in_clear_because,
            keep_weeks: keep_weeks?,
        })
    }

    /// Whether what goes to it stays on this machine.
    pub(super) fn stays_here(&self) -> bool {
        is_socket(&self.host) || this_machine(&self.host)
    }
}

fn is_socket(place: &str) -> bool {
    place.starts_with('/')
}

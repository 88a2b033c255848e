//! `[sources]` and `[ups.…]`: where the readings are found that need no broker. Rule files name a
//! UPS; its server, and a login if that wants one, stand here. A UPS that is not named here is
//! looked for on this very machine.

use super::broker::{TlsSettings, host};
use super::channels::together;
use super::files::Files;
use super::in_clear;
use super::reader::{is_name, line, port};
use crate::secret::Secret;
use slackwater_rules::diagnostic::{Item, Table};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Where sources are found.
#[derive(Clone, Debug, PartialEq)]
pub struct SourceSettings {
    /// The kernel's folder of 1-Wire devices.
    pub one_wire: PathBuf,
    /// The kernel's folder of power supplies.
    pub power_supplies: PathBuf,
    /// Servers of UPS, by the name that rule files use.
    pub ups: BTreeMap<String, UpsSettings>,
}

/// The way to a UPS.
#[derive(Clone, Debug, PartialEq)]
pub struct UpsSettings {
    /// Name or address of its server.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// What the server calls it.
    pub name: String,
    /// User and password, if the server answers nobody else.
    pub login: Option<(String, Secret)>,
    /// Encryption, if the server offers it.
    pub tls: Option<TlsSettings>,
    /// Why the password may go without encryption, if it may.
    pub in_clear_because: Option<String>,
    /// Why it can't be asked as it is set up: its password or its certificates can't be read.
    pub unusable: Option<String>,
}

/// Assigned by IANA to this protocol.
const PORT: u16 = 3493;

impl UpsSettings {
    /// The UPS of this name on this machine.
    pub fn local(name: &str) -> Self {
        Self {
            host: "localhost".to_owned(),
            port: PORT,
            name: name.to_owned(),
            login: None,
            tls: None,
            in_clear_because: None,
            unusable: None,
        }
    }

    /// Its server, for texts.
    pub fn place(&self) -> String {
        format!("{}:{}", self.host, self.port)
    }

    fn read(name: &str, table: Table<'_>, files: &Files<'_>) -> Self {
        let local = Self::local(name);
        let host = table.get("host").and_then(host).unwrap_or(local.host);
        let port = table.get("port").and_then(port);
        let name = table.get("name").and_then(line);
        let user = table.get("user").and_then(line);
        let password = table.get("password-file").and_then(|item| files.secret(item));
        let tls = table.get("tls").and_then(|item| TlsSettings::read(item, files)).flatten();
        let in_clear_because = in_clear::because(&table);
        if password.is_some() {
            in_clear::check(&table, "the password", &host, tls.is_some());
        }
        together(&table, "user", "password-file");
        table.finish();
        Self {
            host,
            port: port.unwrap_or(local.port),
            name: name.unwrap_or(local.name),
            login: user.zip(password),
            tls,
            in_clear_because,
            unusable: None,
        }
    }
}

impl SourceSettings {
    pub(super) fn read(root: &Table<'_>, files: &Files<'_>) -> Self {
        let folders = root.get("sources").and_then(Item::table);
        let folder =
            |key| folders.as_ref().and_then(|table| table.get(key)).and_then(|item| files.path(item));
        let (one_wire, power_supplies) = (folder("one-wire"), folder("power-supplies"));
        folders.into_iter().for_each(Table::finish);
        let mut ups = BTreeMap::new();
        for (name, table) in root.tables("ups") {
            is_name(&name, &table);
            let (read, unusable) = files.noting(|| UpsSettings::read(&name.it, table, files));
            ups.insert(name.it.clone(), UpsSettings { unusable, ..read });
        }
        Self {
            one_wire: one_wire.unwrap_or_else(|| PathBuf::from("/sys/bus/w1/devices")),
            power_supplies: power_supplies.unwrap_or_else(|| PathBuf::from("/sys/class/power_supply")),
            ups,
        }
    }
}

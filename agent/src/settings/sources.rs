//! `[sources]` and `[ups.…]`: where the readings are found that need no broker. Rule files name a
//! UPS; its server, and a login if that wants one, stand here. A UPS that is not named here is
//! looked for on this very machine.

use super::broker::TlsSettings;
use super::contacts::each;
use super::in_clear;
use super::tree::{Item, Table};
use crate::secret::Secret;
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
        }
    }

    /// Its server, for texts.
    pub fn place(&self) -> String {
        format!("{}:{}", self.host, self.port)
    }

    fn read(name: &str, item: &Item<'_>) -> Option<Self> {
        let local = Self::local(name);
        let mut table = item.table()?;
        let host = table.or("host", local.host, Item::host);
        let port = table.or("port", local.port, Item::port);
        let name = table.or("name", local.name, Item::text);
        let user = table.may("user", Item::text);
        let password = table.may("password-file", Item::secret);
        let tls = table.or("tls", None, TlsSettings::read);
        let in_clear_because = in_clear::because(&mut table);
        let login = match (user?, password?) {
            (Some(user), Some(password)) => Some((user, password)),
            (None, None) => None,
            (Some(_), None) => return table.wrong("password-file", "it is missing, but there is a `user`"),
            (None, Some(_)) => return table.wrong("user", "it is missing, but there is a `password-file`"),
        };
        let (host, tls, in_clear_because) = (host?, tls?, in_clear_because?);
        let open = in_clear::fault("the password", &host, tls.is_some(), in_clear_because.as_ref());
        if let Some(fault) = open.filter(|_| login.is_some()) {
            return table.wrong("tls", fault);
        }
        Some(Self { host, port: port?, name: name?, login, tls, in_clear_because })
    }
}

impl SourceSettings {
    pub(super) fn read(root: &mut Table<'_>) -> Option<Self> {
        let one_wire = PathBuf::from("/sys/bus/w1/devices");
        let power_supplies = PathBuf::from("/sys/class/power_supply");
        let folders = root.or("sources", (one_wire.clone(), power_supplies.clone()), |item| {
            let mut table = item.table()?;
            let one_wire = table.or("one-wire", one_wire, Item::path);
            let power_supplies = table.or("power-supplies", power_supplies, Item::path);
            Some((one_wire?, power_supplies?))
        });
        let ups = root.or("ups", Vec::new(), |item| {
            each(item, |name, item| UpsSettings::read(name, item).map(|ups| (name.to_owned(), ups)))
        });
        let (one_wire, power_supplies) = folders?;
        Some(Self { one_wire, power_supplies, ups: ups?.into_iter().collect() })
    }
}

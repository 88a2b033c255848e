//! `[witness]`: what a watch needs as the witness of other sites, so that they can join by a link.
//! Off unless it is there; sites that the rule file itself names need none of it.

use super::files::Files;
use super::{BrokerSettings, in_clear};
use slackwater_rules::diagnostic::Item;
use slackwater_rules::plan::CHECK_INS;
use std::path::{Path, PathBuf};

/// The folder of sites, beside the rule file.
const USUAL_FOLDER: &str = "sites.d";

/// How sites join, and where they stand.
#[derive(Clone, Debug, PartialEq)]
pub struct WitnessSettings {
    /// The folder with a file for each site.
    pub sites: PathBuf,
    /// The broker as sites reach it, and who they are to it; as this watch reaches it, and nobody
    /// in particular, if none.
    pub broker: Option<BrokerSettings>,
}

impl WitnessSettings {
    pub(super) fn read(item: Item<'_>, files: &Files<'_>, rules: Option<&Path>) -> Option<Self> {
        let table = item.table()?;
        let sites = table.get("sites").map(|item| files.path(item));
        let beside = || rules.map(|rules| rules.with_file_name(USUAL_FOLDER));
        let broker = table.get("broker").and_then(|item| {
            let before = item.errors();
            let below = format!("{CHECK_INS}site");
            let broker = BrokerSettings::read_as(item, files, "slackwater-site".to_owned(), Some(below))?;
            if item.errors() == before {
                let table = item.table()?;
                for place in &broker.places {
                    let tls = broker.tls.is_some();
                    in_clear::check(&table, "what check-ins say of a home", &place.host, tls);
                }
            }
            Some(broker)
        });
        table.finish();
        Some(Self { sites: sites.unwrap_or_else(beside)?, broker })
    }
}

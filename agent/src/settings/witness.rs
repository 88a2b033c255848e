//! `[witness]`: what a watch needs as the witness of other sites, so that they can join by a link.
//! Off unless it is there; sites that the rule file itself names need none of it.

use super::BrokerSettings;
use super::files::Files;
use slackwater_rules::diagnostic::Item;
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
            BrokerSettings::read_elsewhere(item, files, "slackwater-site".to_owned(), "site")
        });
        table.finish();
        Some(Self { sites: sites.unwrap_or_else(beside)?, broker })
    }
}

//! `slackwater hazards`: the library of ready-made alarms, for people to read.

use super::failed;
use crate::output::outln;
use slackwater_rules::diagnostic::did_you_mean;
use slackwater_rules::hazard;
use std::process::ExitCode;

/// What is to be printed.
#[derive(clap::Subcommand, Debug)]
pub(super) enum HazardsVerb {
    /// Print the rule text of a hazard: how to use it, and all of it written out.
    Show {
        /// Its name.
        name: String,
    },
    /// Print every value that is assumed, and where it comes from.
    Defaults,
}

pub(super) fn print(what: Option<&HazardsVerb>) -> ExitCode {
    match what {
        None => {
            let wide = hazard::names().map(str::len).max().unwrap_or(0);
            for name in hazard::names() {
                outln!("{name:<wide$}  {}", hazard::about(name).unwrap_or_default());
            }
        }
        Some(HazardsVerb::Show { name }) => match hazard::text(name) {
            Some(text) => outln!("{}", text.trim_end()),
            None => {
                let near =
                    did_you_mean(name, hazard::names()).map_or(String::new(), |near| format!("; {near}"));
                return failed(&format!(
                    "there is no hazard `{name}`{near}; `slackwater hazards` lists them"
                ));
            }
        },
        Some(HazardsVerb::Defaults) => {
            for assumed in hazard::defaults() {
                let value = assumed.value.unwrap_or("(to be given)");
                outln!("{}: {} = {value}: {}", assumed.hazard, assumed.name, assumed.source);
            }
        }
    }
    ExitCode::SUCCESS
}

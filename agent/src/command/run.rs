//! `slackwater run`: the watch itself, begun with what is sound, until it is told to end.

use super::{Config, failed, wrong};
use crate::clock::Clock;
use crate::event_loop::{self, Parts};
use crate::journal::JournalError;
use crate::log::init_log;
use crate::settings::Environment;
use crate::site::SiteFiles;
use std::process::ExitCode;

pub(super) async fn run(config: Config) -> ExitCode {
    let environment = Environment::of_process();
    let site = match SiteFiles::load_sound(&config.config, &environment) {
        Ok(site) => site,
        Err(mistakes) => return wrong(&mistakes.text),
    };
    watch(config, environment, site).await
}

pub(super) async fn watch(config: Config, environment: Environment, site: SiteFiles) -> ExitCode {
    let _log = match init_log(&site.settings.log) {
        Ok(log) => log,
        Err(error) => return failed(&format!("the log can't be started: {error}")),
    };
    for line in site.warnings.lines() {
        tracing::warn!("{line}");
    }
    for (part, why) in &site.unusable {
        tracing::error!("{part} can't be used, the watch begins without it: {why}");
    }
    let clock = Clock::system(site.settings.trust);
    let parts = Parts {
        config: config.config,
        site,
        environment,
        clock,
        onlooker: None,
        until: Box::pin(std::future::pending()),
    };
    match event_loop::run(parts).await {
        Ok(()) => ExitCode::SUCCESS,
        // It may end, and then the next start succeeds.
        Err(trouble @ event_loop::RunError::Journal(JournalError::InUse { .. })) => {
            failed(&trouble.to_string())
        }
        Err(trouble @ event_loop::RunError::Journal(_)) => wrong(&trouble.to_string()),
        Err(trouble) => failed(&trouble.to_string()),
    }
}

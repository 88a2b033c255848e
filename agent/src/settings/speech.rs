//! The small sections `[log]`, `[metrics]` and `[clock]`: how the agent speaks about itself, and
//! whose word it takes for the time.

use super::files::Files;
use super::reader::line;
use slackwater_rules::diagnostic::Item;
use std::path::PathBuf;
use tracing_subscriber::EnvFilter;

/// How the agent speaks about itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LogSettings {
    /// For whom.
    pub format: LogFormat,
    /// How much: a level (`info`) or directives (`info,slackwater::mqtt=debug`).
    pub level: String,
}

impl Default for LogSettings {
    fn default() -> Self {
        Self { format: LogFormat::Auto, level: "info".to_owned() }
    }
}

/// Whom the log is written for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LogFormat {
    /// The journal if standard error is connected to it, else a terminal.
    #[default]
    Auto,
    /// No time, a syslog level in front of each line.
    Journal,
    /// With time and, on a terminal, colours.
    Terminal,
    /// One JSON object a line.
    Json,
}

/// Where figures about the watch are left for whoever collects them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MetricsSettings {
    /// A text file, replaced after news and every ten seconds.
    pub file: PathBuf,
}

impl MetricsSettings {
    pub(super) fn read(item: Item<'_>, files: &Files<'_>) -> Option<Self> {
        let table = item.table()?;
        let example = "\"/var/lib/prometheus/node-exporter/slackwater.prom\"";
        let file = table.need("file", example).and_then(|item| files.path(item));
        table.finish();
        Some(Self { file: file? })
    }
}

/// When the wall clock is believed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Trust {
    /// When the kernel says that it is synchronised.
    #[default]
    System,
    /// Always: for containers and boards whose time daemon the kernel does not know of.
    Always,
}

impl LogSettings {
    pub(super) fn read(item: Item<'_>) -> Option<Self> {
        let table = item.table()?;
        let formats = [
            ("auto", LogFormat::Auto),
            ("journal", LogFormat::Journal),
            ("terminal", LogFormat::Terminal),
            ("json", LogFormat::Json),
        ];
        let format = table.get("format").and_then(|item| item.one_of(&formats));
        let level = table.get("level").and_then(level);
        table.finish();
        let usual = Self::default();
        Some(Self { format: format.unwrap_or(usual.format), level: level.unwrap_or(usual.level) })
    }
}

fn level(item: Item<'_>) -> Option<String> {
    let text = line(item)?;
    match EnvFilter::try_new(&text) {
        Ok(_) => Some(text),
        Err(error) => {
            let help = "`error`, `warn`, `info`, `debug` or `trace`, or directives like \"info,slackwater::mqtt=debug\"";
            item.wrong(format!("`{text}` is not a log level"), error.to_string(), Some(help.to_owned()))
        }
    }
}

impl Trust {
    pub(super) fn read(item: Item<'_>) -> Option<Self> {
        let table = item.table()?;
        let kinds = [("system", Self::System), ("always", Self::Always)];
        let trust = table.get("trust").and_then(|item| item.one_of(&kinds));
        table.finish();
        trust
    }
}

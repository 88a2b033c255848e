//! How the watch is, told to machines: metrics in a file for whoever collects them, and its state
//! on a topic for a house's dashboard. What the engine and the parts say flows in; text flows out,
//! after a finished turn. It decides nothing, and what fails here is said once and keeps nobody
//! from anything.

use super::EventLoop;
use super::health::PartsHealth;
use crate::tls::expiry;
use jiff::Timestamp;
use serde_json::json;
use slackwater_rules::engine::Status;
use slackwater_rules::time::{Moment, Now, Span};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{self, Write as _};
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

/// The state is looked at after news, but not more often than this …
const CALM: Span = Span::seconds(1);
/// … and without news so often: silence is news to sensors, too.
const AGAIN: Span = Span::seconds(10);

/// What was told last, and when the next look is due.
#[derive(Debug, Default)]
pub(super) struct LastTold {
    due: Option<Moment>,
    last: Option<Moment>,
    state: Option<String>,
    trouble: Option<String>,
}

impl EventLoop {
    /// When the next look is due; none if nobody wants any.
    pub(super) fn telling_due(&self) -> Option<Moment> {
        let wanted = self.settings.metrics.is_some() || self.settings.broker.state_topic.is_some();
        self.telling.due.filter(|_| wanted)
    }

    /// After a finished turn.
    pub(super) fn tell_machines(&mut self, now: &Now, has_news: bool) {
        if self.settings.metrics.is_none() && self.settings.broker.state_topic.is_none() {
            return;
        }
        let unsaid = self.telling.state.is_none() && self.health.deaf.is_none();
        if has_news || unsaid && self.settings.broker.state_topic.is_some() {
            let soon = self.telling.last.map_or(now.mono, |last| last + CALM);
            self.telling.due = Some(self.telling.due.map_or(soon, |due| due.min(soon)));
        }
        if now.mono < *self.telling.due.get_or_insert(now.mono) {
            return;
        }
        self.telling.last = Some(now.mono);
        self.telling.due = Some(now.mono + AGAIN);
        let status = self.engine.status(*now);
        self.health.look(&self.channels, &self.keeper, self.context.modem.as_ref());
        self.health.check_ins = self.ways_out();
        self.write_metrics(&status);
        self.publish_state(&status);
    }

    fn write_metrics(&mut self, status: &Status) {
        let Some(metrics) = &self.settings.metrics else { return };
        let text = metrics_text(status, &self.health, &expiry::all_seen());
        let trouble = replace(&metrics.file, &text).err().map(|error| error.to_string());
        if let Some(why) = trouble.as_ref().filter(|_| trouble != self.telling.trouble) {
            tracing::warn!("metrics: {}: {why}", metrics.file.display());
        }
        self.telling.trouble = trouble;
    }

    fn publish_state(&mut self, status: &Status) {
        let Some(topic) = &self.settings.broker.state_topic else { return };
        if self.health.deaf.is_some() {
            // A broker that comes back may have forgotten it.
            self.telling.state = None;
            return;
        }
        let state = state_text(status, &self.health);
        if self.telling.state.as_ref() == Some(&state) {
            return;
        }
        match self.outlet.state(topic, &state) {
            Ok(()) => self.telling.state = Some(state),
            Err(why) => tracing::warn!("the state was not published: {why}"),
        }
    }
}

/// Whole or not at all: whoever collects reads no half file. Anybody may read it.
fn replace(file: &Path, text: &str) -> io::Result<()> {
    let new = file.with_extension("new");
    let mut draft = File::create(&new)?;
    draft.set_permissions(fs::Permissions::from_mode(0o644))?;
    draft.write_all(text.as_bytes())?;
    fs::rename(new, file)
}

/// Parts of the agent that fail, in words of one or two.
pub(super) fn ill(status: &Status, health: &PartsHealth) -> Vec<String> {
    let mut ill = Vec::new();
    ill.extend(health.deaf.as_ref().map(|_| "broker".to_owned()));
    ill.extend(health.journal.as_ref().map(|_| "journal".to_owned()));
    ill.extend((!status.at.wall_trusted).then(|| "clock".to_owned()));
    ill.extend(health.set_up().map(|_| "set-up".to_owned()));
    ill.extend(health.modem.as_ref().filter(|view| view.is_err()).map(|_| "modem".to_owned()));
    let failing = health.channels.iter().filter(|(_, channel)| matches!(channel.known, Some(Err(_))));
    ill.extend(failing.map(|(target, _)| target.to_string()));
    let silent = health.sources.iter().filter(|(_, trouble)| trouble.is_some());
    ill.extend(silent.map(|(source, _)| source.clone()));
    let lost = health.check_ins.iter().filter(|(_, way)| way.trouble.is_some());
    ill.extend(lost.map(|(way, _)| (*way).to_owned()));
    ill
}

/// The watch's state for a dashboard: JSON, the same text as long as it is the same.
pub(super) fn state_text(status: &Status, health: &PartsHealth) -> String {
    let open: Vec<_> = status.alarms.iter().filter(|alarm| alarm.code.is_some()).collect();
    let unseen: Vec<_> = status.sensors.iter().filter(|sensor| sensor.quality != "good").collect();
    let ill = ill(status, health);
    let state = match (open.is_empty(), ill.is_empty()) {
        (false, _) => "ringing",
        (true, false) => "ill",
        (true, true) => "well",
    };
    json!({
        "version": 1,
        "site": status.site,
        "state": state,
        "open": open.iter().map(|alarm| json!({
            "alarm": alarm.name, "place": alarm.place, "priority": alarm.priority.to_string(), "state": alarm.state,
        })).collect::<Vec<_>>(),
        "unseen": unseen.iter().map(|sensor| &sensor.name).collect::<Vec<_>>(),
        "ill": ill,
    })
    .to_string()
}

/// OpenMetrics 1.0 text.
pub(super) fn metrics_text(
    status: &Status,
    health: &PartsHealth,
    certificates: &BTreeMap<String, Timestamp>,
) -> String {
    let mut out = Metrics::default();
    out.family("slackwater_build", "info", "The program.");
    out.sample("slackwater_build_info", &[("version", env!("CARGO_PKG_VERSION"))], 1.0);
    let flag = |is: bool| f64::from(u8::from(is));
    for (name, help, value) in [
        ("slackwater_broker_heard", "Whether our own message comes back.", flag(health.deaf.is_none())),
        ("slackwater_journal_kept", "Whether the journal is written.", flag(health.journal.is_none())),
        ("slackwater_clock_trusted", "Whether wall time is believed.", flag(status.at.wall_trusted)),
        ("slackwater_set_up_whole", "Whether all that is set up is used.", flag(health.set_up().is_none())),
        ("slackwater_callouts", "Call-outs that run.", status.calls.len() as f64),
    ] {
        out.family(name, "gauge", help);
        out.sample(name, &[], value);
    }
    out.family("slackwater_turn_timestamp_seconds", "gauge", "When this was written.");
    out.sample("slackwater_turn_timestamp_seconds", &[], status.at.wall.0 as f64 / 1_000.0);
    out.family("slackwater_sensor_good", "gauge", "Whether the sensor's reading is believed.");
    for sensor in &status.sensors {
        out.sample("slackwater_sensor_good", &[("sensor", &sensor.name)], flag(sensor.quality == "good"));
    }
    out.family("slackwater_sensor_age_seconds", "gauge", "Since the last live message.");
    for (sensor, age) in status.sensors.iter().filter_map(|sensor| Some((sensor, sensor.age?))) {
        out.sample("slackwater_sensor_age_seconds", &[("sensor", &sensor.name)], age.as_seconds());
    }
    out.family("slackwater_sensor_rejected", "counter", "Readings that were not believed, since the start.");
    for sensor in &status.sensors {
        out.sample("slackwater_sensor_rejected_total", &[("sensor", &sensor.name)], sensor.rejected as f64);
    }
    out.family("slackwater_alarm_open", "gauge", "Whether the alarm has an open episode.");
    for alarm in &status.alarms {
        let priority = alarm.priority.to_string();
        let labels = [("alarm", alarm.name.as_str()), ("priority", priority.as_str())];
        out.sample("slackwater_alarm_open", &labels, flag(alarm.code.is_some()));
    }
    out.family("slackwater_channel_well", "gauge", "Whether the channel's last page went out.");
    for (target, channel) in &health.channels {
        if let Some(known) = &channel.known {
            out.sample("slackwater_channel_well", &[("channel", &target.to_string())], flag(known.is_ok()));
        }
    }
    out.family("slackwater_source_answers", "gauge", "Whether a source that needs no broker answers.");
    for (source, trouble) in &health.sources {
        out.sample("slackwater_source_answers", &[("source", source)], flag(trouble.is_none()));
    }
    out.family(
        "slackwater_certificate_end_timestamp_seconds",
        "gauge",
        "Until when a server's certificate holds.",
    );
    for (server, end) in certificates {
        let end = end.as_second() as f64;
        out.sample("slackwater_certificate_end_timestamp_seconds", &[("server", server)], end);
    }
    out.text.push_str("# EOF\n");
    out.text
}

/// The text as it grows.
#[derive(Default)]
struct Metrics {
    text: String,
}

impl Metrics {
    fn family(&mut self, name: &str, kind: &str, help: &str) {
        let _ = writeln!(self.text, "# TYPE {name} {kind}\n# HELP {name} {help}");
    }

    fn sample(&mut self, name: &str, labels: &[(&str, &str)], value: f64) {
        let escaped = |text: &str| text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n");
        let labels: Vec<_> =
            labels.iter().map(|(key, text)| format!("{key}=\"{}\"", escaped(text))).collect();
        let labels = if labels.is_empty() { String::new() } else { format!("{{{}}}", labels.join(",")) };
        let _ = writeln!(self.text, "{name}{labels} {value}");
    }
}

//! From two files to a site that can be watched: the agent's configuration and the rule file
//! it names, read and checked by the same code for `run`, `check` and a reload. All that is
//! wrong comes out at once, in words; a site comes out only if nothing is.

use crate::channels::Channel;
use crate::mqtt;
use crate::settings::{BrokerSettings, Environment, Settings};
use slackwater_rules::plan::{Plan, Surroundings, Target, render};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A site, ready to be watched.
#[derive(Debug)]
pub struct Site {
    /// The agent's own configuration.
    pub settings: Settings,
    /// What to watch and when to ring.
    pub plan: Plan,
    /// Every way to reach someone, ready to be tried.
    pub channels: BTreeMap<Target, Channel>,
    /// What `check` would warn of, in words; empty if nothing.
    pub warnings: String,
}

/// Why there is no site: all of it, in words for a person.
#[derive(Debug)]
pub struct WrongConfiguration(pub String);

impl Site {
    /// Reads everything. Connects to nothing.
    ///
    /// # Errors
    /// All mistakes of the configuration, or else all of the rule file and the channels.
    pub fn load(config: &Path, environment: &Environment) -> Result<Self, WrongConfiguration> {
        let settings =
            Settings::load(config, environment).map_err(|wrong| WrongConfiguration(wrong.to_string()))?;
        let mut wrong = Vec::new();

        let mut channels = BTreeMap::new();
        for (target, channel) in &settings.channels {
            match Channel::new(channel, settings.mail.as_ref()) {
                Ok(channel) => drop(channels.insert(target.clone(), channel)),
                Err(texts) => {
                    wrong.extend(texts.into_iter().map(|text| format!("error: channel {target}: {text}")))
                }
            }
        }
        let read = read_plan(&settings);
        let mut warnings = String::new();
        let plan = match read {
            Ok((plan, said)) => {
                warnings = said;
                let broker = broker(&settings.broker, topics(&plan));
                let refused = broker.validate().err().into_iter().flatten();
                wrong.extend(refused.map(|error| format!("error: [broker]: {error}")));
                Some(plan)
            }
            Err(text) => {
                wrong.push(text);
                None
            }
        };
        match plan {
            Some(plan) if wrong.is_empty() => Ok(Self { settings, plan, channels, warnings }),
            _ => Err(WrongConfiguration(wrong.join("\n"))),
        }
    }
}

/// Reads the configuration and a rule file, the configured one or another, for what only tries
/// rules out: no channel is made ready.
///
/// # Errors
/// All mistakes of the configuration, or else of the rule file.
pub fn load_plan(
    config: &Path,
    environment: &Environment,
    rules: Option<&Path>,
) -> Result<(Settings, Plan), WrongConfiguration> {
    let mut settings =
        Settings::load(config, environment).map_err(|wrong| WrongConfiguration(wrong.to_string()))?;
    if let Some(rules) = rules {
        settings.places.rules = rules.to_owned();
    }
    let (plan, _) = read_plan(&settings).map_err(WrongConfiguration)?;
    Ok((settings, plan))
}

/// Reads and checks the rule file alone: the plan with its warnings, or all that is wrong.
fn read_plan(settings: &Settings) -> Result<(Plan, String), String> {
    let file: &PathBuf = &settings.places.rules;
    let name = file.display().to_string();
    let text = std::fs::read_to_string(file)
        .map_err(|error| format!("error: the rule file {name} can't be read: {error}"))?;
    let today = jiff::ZonedDateTime::now().with_time_zone(settings.places.zone.clone()).date();
    let around = Surroundings {
        directory: settings.directory(),
        zone: settings.places.zone.clone(),
        today: Some(today),
    };
    let checked = Plan::check(&name, &text, &around);
    let said = render(&name, &text, &checked.findings);
    checked.plan.map(|plan| (plan, said.clone())).ok_or(said)
}

/// The topics that the plan's sensors are fed by.
pub fn topics(plan: &Plan) -> Vec<String> {
    let topics: BTreeSet<&String> = plan.sensors.iter().map(|sensor| &sensor.topic).collect();
    topics.into_iter().cloned().collect()
}

/// The connection's settings for these topics.
pub fn broker(settings: &BrokerSettings, subscriptions: Vec<String>) -> mqtt::Settings {
    let time = |span: slackwater_rules::time::Span| Duration::from_millis(span.0.max(0).cast_unsigned());
    mqtt::Settings {
        host: settings.host.clone(),
        port: settings.port,
        client_id: settings.client_id.clone(),
        user: settings.user.clone(),
        password: settings.password.clone(),
        tls: settings
            .tls
            .as_ref()
            .map(|tls| mqtt::Tls { ca_file: tls.ca_file.clone(), server_name: tls.server_name.clone() }),
        keep_alive: time(settings.keep_alive),
        session_expiry: time(settings.session_expiry),
        max_packet: settings.max_packet,
        subscriptions,
        status_topic: settings.status_topic.clone(),
        loopback_topic: settings.loopback_topic.clone(),
    }
}

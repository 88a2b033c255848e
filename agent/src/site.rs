//! From two files to a site that can be watched: the agent's configuration and the rule file
//! it names, read and checked by the same code for `run`, `check` and a reload. All that is
//! wrong comes out at once, in words; a site comes out only if nothing is.

use crate::channels::Channel;
use crate::checkin;
use crate::mqtt;
use crate::settings::{BrokerSettings, Environment, Settings, UpsSettings};
use slackwater_rules::plan::{
    CHECK_INS, Checked, FindingsView, Output, Plan, Register, Relay, Sensor, Source, Surroundings, Target,
    clashes_in_words,
};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
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
    /// The ways of check-ins, ready to be used; none if the site sends none.
    pub ways: Vec<checkin::Way>,
    /// Whose each topic is that the agent publishes on.
    pub outputs: Register,
    /// What `check` would warn of, in words; empty if nothing.
    pub warnings: String,
    /// The same for programs.
    pub findings: FindingsView,
}

/// Why there is no site: all of it.
#[derive(Debug, Default)]
pub struct WrongConfiguration {
    /// In words for a person.
    pub text: String,
    /// What is wrong with the agent's configuration and its channels, an item each.
    pub configuration: Vec<String>,
    /// What is wrong with the rule file, if it could be read.
    pub findings: Option<FindingsView>,
}

impl Site {
    /// Reads everything. Connects to nothing.
    ///
    /// # Errors
    /// All mistakes of the configuration, or else all of the rule file and the channels.
    pub fn load(config: &Path, environment: &Environment) -> Result<Self, WrongConfiguration> {
        let settings = load_settings(config, environment)?;
        let mut wrong = Vec::new();
        let mut channels = BTreeMap::new();
        for (target, channel) in &settings.channels {
            match Channel::new(channel, settings.mail.as_ref()) {
                Ok(channel) => drop(channels.insert(target.clone(), channel)),
                Err(texts) => wrong.extend(texts.into_iter().map(|text| format!("channel {target}: {text}"))),
            }
        }
        wrong.extend(clashes_in_words(&settings.outputs()));
        let rules = read_rules(&settings).map_err(|text| wrong.push(text)).ok();
        let (plan, said, findings) = match rules {
            Some((checked, findings)) => (checked.plan, checked.report, Some(findings)),
            None => (None, String::new(), None),
        };
        if let Some(plan) = &plan {
            let refused = broker(&settings.broker, plan).validate().err().into_iter().flatten();
            wrong.extend(refused.map(|error| format!("[broker]: {error}")));
            wrong.extend(unread(&settings.sources.ups, plan));
        }
        let ways = settings.check_in.as_ref().map(checkin::ways).transpose();
        let ways = ways.map_err(|texts| wrong.extend(texts)).ok().flatten().unwrap_or_default();
        if let (Some(plan), Some(check_in)) = (&plan, &settings.check_in) {
            wrong.extend(check_in.unknown_in(plan));
        }
        match (plan, findings) {
            (Some(plan), Some(findings)) if wrong.is_empty() => {
                let clear = settings.in_clear().into_iter().map(|text| format!("warning: {text}"));
                let lines = clear.chain([said]).filter(|text| !text.is_empty());
                let warnings = lines.collect::<Vec<_>>().join("\n");
                let outputs = register(&plan, settings.outputs()).0;
                Ok(Self { settings, plan, channels, ways, outputs, warnings, findings })
            }
            (_, findings) => {
                let lines = wrong.iter().map(|text| format!("error: {text}")).chain([said]);
                let text = lines.filter(|line| !line.is_empty()).collect::<Vec<_>>().join("\n");
                Err(WrongConfiguration { text, configuration: wrong, findings })
            }
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
    let mut settings = load_settings(config, environment)?;
    if let Some(rules) = rules {
        settings.places.rules = rules.to_owned();
    }
    match read_rules(&settings) {
        Ok((Checked { plan: Some(plan), .. }, _)) => Ok((settings, plan)),
        Ok((checked, findings)) => Err(WrongConfiguration {
            text: checked.report,
            configuration: Vec::new(),
            findings: Some(findings),
        }),
        Err(text) => Err(WrongConfiguration {
            text: format!("error: {text}"),
            configuration: vec![text],
            findings: None,
        }),
    }
}

fn load_settings(config: &Path, environment: &Environment) -> Result<Settings, WrongConfiguration> {
    Settings::load(config, environment).map_err(|wrong| WrongConfiguration {
        text: wrong.to_string(),
        configuration: wrong.0.iter().map(ToString::to_string).collect(),
        findings: None,
    })
}

/// Reads and checks the rule file alone.
fn read_rules(settings: &Settings) -> Result<(Checked, FindingsView), String> {
    let file = &settings.places.rules;
    let name = file.display().to_string();
    let text = std::fs::read_to_string(file)
        .map_err(|error| format!("the rule file {name} can't be read: {error}"))?;
    let today = jiff::ZonedDateTime::now().with_time_zone(settings.places.zone.clone()).date();
    let around = Surroundings {
        directory: settings.directory(),
        zone: settings.places.zone.clone(),
        today: Some(today),
    };
    let checked = Plan::check_beside(&name, &text, &around, &settings.outputs());
    let findings = FindingsView::of(&name, &text, &checked.findings);
    Ok((checked, findings))
}

/// The register of what the plan's relays and `elsewhere` publish on, and what collides, in words.
pub fn register(plan: &Plan, elsewhere: Vec<Output>) -> (Register, Vec<String>) {
    let outputs: Vec<_> = elsewhere.into_iter().chain(plan.relays.iter().map(Relay::output)).collect();
    (Register::new(&outputs).0, clashes_in_words(&outputs))
}

/// UPS that no sensor reads: most likely a slip in a name, and then the server of another is asked.
fn unread(declared: &BTreeMap<String, UpsSettings>, plan: &Plan) -> Vec<String> {
    let name = |sensor: &Sensor| match sensor.feed.source() {
        Some(Source::Ups { ups, .. }) => Some(ups.clone()),
        Some(Source::OneWire { .. } | Source::Supply { .. }) | None => None,
    };
    let read: BTreeSet<String> = plan.sensors.iter().filter_map(name).collect();
    let known = if read.is_empty() { "none".to_owned() } else { Vec::from_iter(read.clone()).join(", ") };
    let unread = declared.keys().filter(|name| !read.contains(*name));
    unread.map(|name| format!("[ups.{name}]: no sensor reads it; sensors read: {known}")).collect()
}

/// What has to be subscribed to for the plan: check-ins of hundreds of sites by one filter.
pub fn subscriptions(plan: &Plan) -> Vec<String> {
    let topics = plan.topics().into_iter().filter(|topic| !topic.starts_with(CHECK_INS));
    let all_check_ins = (!plan.watched.is_empty()).then(|| format!("{CHECK_INS}+"));
    topics.map(str::to_owned).chain(all_check_ins).collect()
}

/// The connection's settings for the plan.
pub fn broker(settings: &BrokerSettings, plan: &Plan) -> mqtt::Settings {
    connection(settings, subscriptions(plan))
}

/// The settings of a connection that hears these topics.
pub fn connection(settings: &BrokerSettings, subscriptions: Vec<String>) -> mqtt::Settings {
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

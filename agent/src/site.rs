//! From two files to a site that can be watched: the agent's configuration and the rule file
//! it names, read and checked by the same code for `run`, `check` and a reload. All that is
//! wrong comes out at once, in words; a site comes out only if nothing is.

use crate::channels::Channel;
use crate::checkin;
use crate::mqtt;
use crate::settings::{BrokerSettings, Environment, Read, Report, Settings, UpsSettings, key_of, read_text};
use jiff::tz::TimeZone;
use slackwater_rules::diagnostic::{did_you_mean, listed};
use slackwater_rules::plan::{
    CHECK_INS, Checked, FindingsView, Output, Plan, Register, Relay, Sensor, Source, Surroundings, Target,
    clashes, clashes_in_words,
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
    pub ways: Vec<checkin::CheckInWay>,
    /// Whose each topic is that the agent publishes on.
    pub outputs: Register,
    /// What `check` would warn of, in words; empty if nothing.
    pub warnings: String,
    /// The same for programs: of the agent's file, and of the rule file.
    pub findings: (FindingsView, FindingsView),
}

/// Why there is no site: all of it, of both files.
#[derive(Debug)]
pub struct WrongConfiguration {
    /// In words for a person.
    pub text: String,
    /// What is wrong with the agent's file.
    pub agent: FindingsView,
    /// What is wrong with the rule file, if it could be read.
    pub rules: Option<FindingsView>,
}

impl Site {
    /// Reads everything. Connects to nothing.
    ///
    /// # Errors
    /// All mistakes of both files: what is wrong with one hides nothing of the other.
    pub fn load(config: &Path, environment: &Environment) -> Result<Self, Box<WrongConfiguration>> {
        let Read { settings, rules, zone, report } = Settings::read(config, environment);
        let checked = read_rules(&report, rules.as_deref(), zone, settings.as_ref());
        let (Some(settings), Some(checked)) = (settings, &checked) else {
            return Err(wrong(report, checked));
        };
        for (output, said) in clashes(&settings.outputs()) {
            report.note(&key_of(&output.publisher), said, "every topic and word has one meaning", None);
        }
        let channels = channels(&settings, &report);
        let ways = settings.check_in.as_ref().map(checkin::ways).transpose();
        let ways = ways.map_err(|texts| note_all(&report, "check-in", texts)).unwrap_or_default();
        if let Some(plan) = &checked.plan {
            let refused = broker(&settings, plan).validate().err().into_iter().flatten();
            note_all(&report, "broker", refused.map(|error| error.to_string()));
            unread(&settings.sources.ups, plan, &report);
            for (path, title) in settings.check_in.iter().flat_map(|check_in| check_in.unknown_in(plan)) {
                report.note(path, title, "not a known name", None);
            }
        }
        match &checked.plan {
            Some(plan) if !report.is_wrong() => {
                settings.in_clear().into_iter().for_each(|(path, text)| report.warn(&path, text));
                let agent = report.conclude();
                let warnings = both(&agent.text, &checked.report);
                let (plan, findings) = (plan.clone(), (agent.view, checked.view()));
                let outputs = register(&plan, settings.outputs()).0;
                let ways = ways.unwrap_or_default();
                Ok(Self { settings, plan, channels, ways, outputs, warnings, findings })
            }
            _ => Err(wrong(report, Some(checked.clone()))),
        }
    }
}

/// Everything that was found in both files, as the reason why there is no site.
fn wrong(report: Report, checked: Option<Checked>) -> Box<WrongConfiguration> {
    let agent = report.conclude();
    let rules = checked.as_ref().map_or("", |checked| &checked.report);
    Box::new(WrongConfiguration {
        text: both(&agent.text, rules),
        agent: agent.view,
        rules: checked.map(|checked| checked.view()),
    })
}

/// What was found in two files, with a line between if it is in both.
fn both(agent: &str, rules: &str) -> String {
    let texts = [agent, rules].into_iter().filter(|text| !text.is_empty());
    texts.collect::<Vec<_>>().join("\n")
}

/// The channels, each ready to be tried; those that can't be are noted at their place in the file.
fn channels(settings: &Settings, report: &Report) -> BTreeMap<Target, Channel> {
    let mut channels = BTreeMap::new();
    for (target, channel) in &settings.channels {
        match Channel::new(channel, settings.mail.as_ref()) {
            Ok(channel) => drop(channels.insert(target.clone(), channel)),
            Err(texts) => {
                let path = match &target.contact {
                    Some(contact) => format!("contact.{contact}.channel.{}", target.channel),
                    None => format!("channel.{}", target.channel),
                };
                note_all(report, &path, texts.into_iter().map(|text| format!("channel {target}: {text}")));
            }
        }
    }
    channels
}

fn note_all(report: &Report, path: &str, texts: impl IntoIterator<Item = String>) {
    texts.into_iter().for_each(|text| report.note(path, text, "", None));
}

/// Reads the configuration and a rule file, the configured one or another, for what only tries
/// rules out: no channel is made ready.
///
/// # Errors
/// All mistakes of both.
pub fn load_plan(
    config: &Path,
    environment: &Environment,
    rules: Option<&Path>,
) -> Result<(Settings, Plan), Box<WrongConfiguration>> {
    let read = Settings::read(config, environment);
    let rules = rules.map(Path::to_owned).or(read.rules);
    let checked = read_rules(&read.report, rules.as_deref(), read.zone, read.settings.as_ref());
    match (read.settings, checked) {
        (Some(mut settings), Some(Checked { plan: Some(plan), .. })) => {
            settings.places.rules = rules.unwrap_or(settings.places.rules);
            Ok((settings, plan))
        }
        (_, checked) => Err(wrong(read.report, checked)),
    }
}

/// Reads and checks the rule file, as far as that is possible: nothing if it is not known which it
/// is or it can't be read, which is noted where the agent's file names it.
fn read_rules(
    report: &Report,
    file: Option<&Path>,
    zone: Option<TimeZone>,
    settings: Option<&Settings>,
) -> Option<Checked> {
    let file = file?;
    let text = match read_text(file, "the rule file") {
        Ok(text) => text,
        Err(why) => {
            report.note("site.rules", why, "named here", None);
            return None;
        }
    };
    let name = file.display().to_string();
    let zone = zone.unwrap_or(TimeZone::UTC);
    let today = jiff::ZonedDateTime::now().with_time_zone(zone.clone()).date();
    Some(match settings {
        Some(settings) => {
            let around = Surroundings { directory: settings.directory(), zone, today: Some(today) };
            Plan::check_beside(&name, &text, &around, &settings.outputs())
        }
        None => Plan::check_without_people(&name, &text, zone, Some(today)),
    })
}

/// The register of what the plan's relays and `elsewhere` publish on, and what collides, in words.
pub fn register(plan: &Plan, elsewhere: Vec<Output>) -> (Register, Vec<String>) {
    let outputs: Vec<_> = elsewhere.into_iter().chain(plan.relays.iter().map(Relay::output)).collect();
    (Register::new(&outputs).0, clashes_in_words(&outputs))
}

/// Notes each UPS that no sensor reads: most likely a slip in a name, and then the server of another
/// is asked.
fn unread(declared: &BTreeMap<String, UpsSettings>, plan: &Plan, report: &Report) {
    let name = |sensor: &Sensor| match sensor.feed.source() {
        Some(Source::Ups { ups, .. }) => Some(ups.clone()),
        Some(Source::OneWire { .. } | Source::Supply { .. }) | None => None,
    };
    let read: BTreeSet<String> = plan.sensors.iter().filter_map(name).collect();
    let read: Vec<&str> = read.iter().map(String::as_str).collect();
    for name in declared.keys().filter(|name| !read.contains(&name.as_str())) {
        let help = did_you_mean(name, read.iter().copied()).or_else(|| match read.as_slice() {
            [] => Some("the rule file has no sensor of a UPS".to_owned()),
            read => Some(format!("sensors read {}", listed(read))),
        });
        report.note(
            &format!("ups.{name}"),
            format!("no sensor reads UPS `{name}`"),
            "not in the rule file",
            help,
        );
    }
}

/// What has to be subscribed to for the plan: check-ins of hundreds of sites by one filter.
pub fn subscriptions(settings: &Settings, plan: &Plan) -> Vec<String> {
    let topics = plan.topics().into_iter().filter(|topic| !topic.starts_with(CHECK_INS));
    let all_check_ins = (!plan.watched.is_empty()).then(|| format!("{CHECK_INS}+"));
    let answers = settings.answer_topic().map(|topic| format!("{topic}/+"));
    topics.map(str::to_owned).chain(all_check_ins).chain(answers).collect()
}

/// The connection's settings for the plan.
pub fn broker(settings: &Settings, plan: &Plan) -> mqtt::MqttSettings {
    connection(&settings.broker, subscriptions(settings, plan))
}

/// The settings of a connection that hears these topics.
pub fn connection(settings: &BrokerSettings, subscriptions: Vec<String>) -> mqtt::MqttSettings {
    let time = |span: slackwater_rules::time::Span| Duration::from_millis(span.0.max(0).cast_unsigned());
    mqtt::MqttSettings {
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

#[cfg(test)]
mod tests;

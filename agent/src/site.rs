//! From two files to a site that can be watched: the agent's configuration and the rule file
//! it names, read and checked by the same code for `run`, `check` and a reload. All that is
//! wrong comes out at once, in words; a site comes out only if nothing is. A watch that starts
//! takes what is sound ([`SiteFiles::load_sound`]): the rest comes out beside it, to be told and
//! tried again.

mod connection;
pub mod last_good;
mod sites_folder;

pub use connection::{broker, connection, subscriptions};

use crate::channels::Channel;
use crate::checkin;
use crate::settings::{
    ChannelSettings, Environment, NamedFile, Read, Report, Settings, UnusableFile, UpsSettings, key_of,
    read_text,
};
use jiff::tz::TimeZone;
use last_good::TakenTexts;
use slackwater_rules::diagnostic::{did_you_mean, listed};
use slackwater_rules::plan::{
    Checked, FindingsView, Output, Plan, Register, Relay, RuleTexts, Sensor, Source, Surroundings, Target,
    clashes, clashes_in_words,
};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// A site, ready to be watched.
#[derive(Debug)]
pub struct SiteFiles {
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
    /// Every file that some key of the configuration names.
    pub named: Vec<NamedFile>,
    /// The texts of both files, to be kept as the last good copies.
    pub taken: TakenTexts,
    /// Parts that can't be used as they are set up, and why; empty unless the site was loaded by
    /// [`SiteFiles::load_sound`].
    pub unusable: BTreeMap<String, String>,
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

impl SiteFiles {
    /// Reads everything. Connects to nothing.
    ///
    /// # Errors
    /// All mistakes of both files: what is wrong with one hides nothing of the other.
    pub fn load(config: &Path, environment: &Environment) -> Result<Self, Box<WrongConfiguration>> {
        Self::of(Settings::read(config, environment, UnusableFile::Whole), UnusableFile::Whole)
    }

    /// The same for a watch that starts: what a password, a certificate or another file keeps from
    /// being used is left out, and for a broken file its last good copy is taken. All of that is in
    /// [`SiteFiles::unusable`].
    ///
    /// # Errors
    /// All mistakes of both files, if nothing can be watched or nobody can be told.
    pub fn load_sound(config: &Path, environment: &Environment) -> Result<Self, Box<WrongConfiguration>> {
        let read = Settings::read(config, environment, UnusableFile::Sound);
        let journal = read.journal.clone();
        Self::of(read, UnusableFile::Sound).or_else(|wrong| {
            last_good::by_kept_settings(config, environment, journal.as_deref(), &wrong).ok_or(wrong)
        })
    }

    fn of(read: Read, reading: UnusableFile) -> Result<Self, Box<WrongConfiguration>> {
        let Read { settings, rules, zone, named, report, text: own, .. } = read;
        let read = rules.as_deref().map(|file| read_rules(file, zone.clone(), settings.as_ref()));
        let copy = match (&read, &settings, reading) {
            (Some(read), Some(settings), UnusableFile::Sound) if !is_whole(read) => last_good(settings, zone),
            _ => None,
        };
        let whole = rules.as_deref().zip(read.as_ref());
        let why_copied = copy.as_ref().and(whole).map(|(file, read)| why_not(file, read));
        let from_copy = why_copied.is_some();
        let read = if from_copy { copy.map(Ok) } else { read };
        let checked = noted(&report, read);
        let (mut settings, mut checked, text) = match (settings, checked) {
            (Some(settings), Some((checked, text))) => (settings, checked, text),
            (_, checked) => return Err(wrong(report, checked.map(|(checked, _)| checked))),
        };
        for (output, said) in clashes(&settings.outputs()) {
            report.note(&key_of(&output.publisher), said, "every topic and word has one meaning", None);
        }
        let channels = channels(&mut settings, &report, reading);
        let ways = ways(&mut settings, &report, reading);
        if let Some(plan) = &checked.plan {
            let refused = broker(&settings, plan).validate().err().into_iter().flatten();
            note_all(&report, "broker", refused.map(|error| error.to_string()));
            // An older copy of the rules may know less.
            if !from_copy {
                unread(&settings.sources.ups, plan, &report);
                for (path, title) in settings.check_in.iter().flat_map(|check_in| check_in.unknown_in(plan)) {
                    report.note(path, title, "not a known name", None);
                }
            }
        }
        if reading == UnusableFile::Sound {
            nobody_told(&settings, &report);
        }
        match checked.plan.take() {
            Some(plan) if !report.is_wrong() => {
                settings.in_clear().into_iter().for_each(|(path, text)| report.warn(&path, text));
                let mut unusable = unusable(&settings);
                unusable.extend(why_copied.map(|why| ("site.rules".to_owned(), why)));
                let agent = report.conclude();
                let warnings = both(&agent.text, &checked.report);
                let findings = (agent.view, checked.view());
                let outputs = register(&plan, settings.outputs()).0;
                let taken = TakenTexts { rules: (!from_copy).then_some(text), settings: own };
                Ok(Self {
                    settings,
                    plan,
                    channels,
                    ways,
                    outputs,
                    warnings,
                    findings,
                    named,
                    taken,
                    unusable,
                })
            }
            _ => Err(wrong(report, Some(checked))),
        }
    }
}

/// A rule file as far as it could be checked, with its text and those of its sites; or why it could
/// not be read.
type ReadRules = Result<(Checked, String), String>;

fn is_whole(read: &ReadRules) -> bool {
    read.as_ref().is_ok_and(|(checked, _)| checked.plan.is_some())
}

/// The last good copy of the rules, if it can be used.
fn last_good(settings: &Settings, zone: Option<TimeZone>) -> Option<(Checked, String)> {
    let (place, text) = last_good::read(&settings.places.journal.path)?;
    let texts = RuleTexts::file(&place.display().to_string(), &text);
    let checked = check_rules(texts, zone, Some(settings));
    checked.plan.is_some().then_some((checked, text))
}

/// Why the last good copy runs, with the first mistake.
fn why_not(file: &Path, read: &ReadRules) -> String {
    let file = file.display();
    let rest = "the last good copy of it is in force; `slackwater check` says all of it";
    match read {
        Err(why) => format!("{why}: {rest}"),
        Ok((checked, _)) => {
            let view = checked.view();
            let first = view.first_mistake().unwrap_or_default();
            format!("{file} has mistakes ({first}): {rest}")
        }
    }
}

/// What was read; a rule file that can't be read is a mistake where the agent's file names it.
fn noted(report: &Report, read: Option<ReadRules>) -> Option<(Checked, String)> {
    read?.map_err(|why| report.note("site.rules", why, "named here", None)).ok()
}

/// The ways of check-ins; those that can't be made are noted, or left out.
fn ways(settings: &mut Settings, report: &Report, reading: UnusableFile) -> Vec<checkin::CheckInWay> {
    let ways = settings.check_in.as_ref().map(checkin::ways).transpose();
    match (ways, reading) {
        (Ok(ways), _) => ways.unwrap_or_default(),
        (Err(texts), UnusableFile::Whole) => {
            note_all(report, "check-in", texts);
            Vec::new()
        }
        (Err(texts), UnusableFile::Sound) => {
            settings.check_in = None;
            settings.unusable.insert("check-in".to_owned(), texts.join("; "));
            Vec::new()
        }
    }
}

/// A watch that can tell nobody is none: every way to someone is broken.
fn nobody_told(settings: &Settings, report: &Report) {
    let why = |channel: &ChannelSettings| match channel {
        ChannelSettings::Unusable(unusable) => Some(unusable.why.clone()),
        ChannelSettings::Mail(_)
        | ChannelSettings::Push(_)
        | ChannelSettings::Folder(_)
        | ChannelSettings::Siren(_)
        | ChannelSettings::Text(_)
        | ChannelSettings::Ring(_) => None,
    };
    let all: Vec<_> = settings.channels.iter().map(|(target, channel)| (target, why(channel))).collect();
    if all.iter().any(|(_, why)| why.is_none()) {
        return;
    }
    for (target, why) in all {
        let title = format!("nobody could be told: channel {target}: {}", why.unwrap_or_default());
        report.note(&path_of(target), title, "", None);
    }
}

/// Everything that can't be used, by the path of its section.
fn unusable(settings: &Settings) -> BTreeMap<String, String> {
    let mut found = settings.unusable.clone();
    for (target, channel) in &settings.channels {
        if let ChannelSettings::Unusable(unusable) = channel {
            found.insert(path_of(target), unusable.why.clone());
        }
    }
    for (name, ups) in &settings.sources.ups {
        found.extend(ups.unusable.iter().map(|why| (format!("ups.{name}"), why.clone())));
    }
    found
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

/// The channels, each ready to be tried; those that can't be are noted at their place in the file,
/// or stand as unusable.
fn channels(settings: &mut Settings, report: &Report, reading: UnusableFile) -> BTreeMap<Target, Channel> {
    let mut channels = BTreeMap::new();
    for (target, set_up) in &mut settings.channels {
        let made = Channel::new(set_up, settings.mail.as_ref()).or_else(|texts| match reading {
            UnusableFile::Whole => Err(texts),
            UnusableFile::Sound => {
                *set_up = set_up.unusable(texts.join("; "));
                Channel::new(set_up, None)
            }
        });
        match made {
            Ok(channel) => drop(channels.insert(target.clone(), channel)),
            Err(texts) => {
                let texts = texts.into_iter().map(|text| format!("channel {target}: {text}"));
                note_all(report, &path_of(target), texts);
            }
        }
    }
    channels
}

/// Where the agent's file sets up a channel.
fn path_of(target: &Target) -> String {
    match &target.contact {
        Some(contact) => format!("contact.{contact}.channel.{}", target.channel),
        None => format!("channel.{}", target.channel),
    }
}

fn note_all(report: &Report, path: &str, texts: impl IntoIterator<Item = String>) {
    texts.into_iter().for_each(|text| report.note(path, text, "", None));
}

/// Reads the configuration and a rule file, the configured one or another, for what only tries
/// rules out: no channel is made ready, and no secret is needed.
///
/// # Errors
/// All mistakes of both.
pub fn load_plan(
    config: &Path,
    environment: &Environment,
    rules: Option<&Path>,
) -> Result<(Settings, Plan), Box<WrongConfiguration>> {
    let read = Settings::read(config, environment, UnusableFile::Sound);
    let rules = rules.map(Path::to_owned).or(read.rules);
    let checked = rules.as_deref().map(|file| read_rules(file, read.zone, read.settings.as_ref()));
    let checked = noted(&read.report, checked).map(|(checked, _)| checked);
    match (read.settings, checked) {
        (Some(mut settings), Some(Checked { plan: Some(plan), .. })) => {
            settings.places.rules = rules.unwrap_or(settings.places.rules);
            Ok((settings, plan))
        }
        (_, checked) => Err(wrong(read.report, checked)),
    }
}

/// Reads and checks the rule file, as far as that is possible.
fn read_rules(file: &Path, zone: Option<TimeZone>, settings: Option<&Settings>) -> ReadRules {
    let texts = RuleTexts::file(&file.display().to_string(), &read_text(file, "the rule file")?);
    let texts = match settings.and_then(|settings| settings.witness.as_ref()) {
        Some(witness) => sites_folder::with_sites(texts, &witness.sites)?,
        None => texts,
    };
    let text = texts.text().to_owned();
    Ok((check_rules(texts, zone, settings), text))
}

fn check_rules(texts: RuleTexts, zone: Option<TimeZone>, settings: Option<&Settings>) -> Checked {
    let zone = zone.unwrap_or(TimeZone::UTC);
    let today = jiff::ZonedDateTime::now().with_time_zone(zone.clone()).date();
    match settings {
        Some(settings) => {
            let around = Surroundings { directory: settings.directory(), zone, today: Some(today) };
            Plan::check_beside(texts, &around, &settings.outputs())
        }
        None => Plan::check_without_people(texts, zone, Some(today)),
    }
}

/// The register of what the plan's relays and `elsewhere` publish on, and what collides, in words.
pub fn register(plan: &Plan, elsewhere: Vec<Output>) -> (Register, Vec<String>) {
    let outputs: Vec<_> = elsewhere.into_iter().chain(plan.relays.iter().map(Relay::output)).collect();
    (Register::new(&outputs).0, clashes_in_words(&outputs))
}

/// Notes each UPS that no sensor reads: most likely a slip in a name, and then the server of
/// another is asked.
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

#[cfg(test)]
mod tests;

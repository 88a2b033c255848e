//! The agent's own configuration: where the broker is, who the people are, which secrets open
//! what. A TOML file and the environment flow in through the `config` crate as one tree of values
//! with places (`source`); every section asks its part of the tree, by the same tables and items as
//! rule files are read by (`reader`), and notes what is wrong; [`Settings`] flow out only if
//! nothing at all is, and a [`Report`] in any case.
//!
//! What to watch and when to ring stands in the rule file, not here. Secrets stand in neither:
//! keys that end in `-file` name the files that hold them (`secrets`). A configuration that
//! can't be read is an error, never a reason to go on with defaults.

mod answers;
mod broker;
mod channels;
mod checkin;
mod contacts;
mod events;
mod files;
mod gateway;
mod in_clear;
mod kept;
mod outputs;
mod places;
mod reader;
mod report;
mod source;
mod sources;
mod speech;
mod web;
mod witness;

pub use broker::{BrokerSettings, TlsSettings};
pub use channels::{
    ChannelSettings, FolderSettings, MailSettings, PushSettings, RingSettings, Security, SirenSettings,
    UnusableChannel,
};
pub use checkin::CheckInSettings;
pub use events::{EventsSettings, FleetSettings};
pub use files::{NamedFile, UnusableFile};
pub use kept::{keep_settings, kept_settings, write_whole};
pub use outputs::{key_of, usual_reply_topic};
pub use places::{ControlSettings, JournalSettings, Places};
pub use reader::read_text;
pub use report::{Found, Report};
pub use source::Environment;
pub use sources::{SourceSettings, UpsSettings};
pub use speech::{LogFormat, LogSettings, MetricsSettings, Trust};
pub use web::{USUAL_LISTEN, WebSettings, WebTls};
pub use witness::WitnessSettings;

use crate::answers::{AnswerSettings, MailboxSettings};
use crate::modem::ModemSettings;
use files::Files;
use jiff::tz::TimeZone;
use places::SitePlaces;
use slackwater_rules::diagnostic::Table;
use slackwater_rules::plan::ways::Way;
use slackwater_rules::plan::{ChannelKind, Contact, Directory, HushButton, Target};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Everything the agent needs to know besides the rules, checked.
#[derive(Clone, Debug)]
pub struct Settings {
    /// Where things are on this machine.
    pub places: Places,
    /// When the wall clock is believed.
    pub trust: Trust,
    /// The way to the readings and relays.
    pub broker: BrokerSettings,
    /// How the site shows its witness that it lives, if it does.
    pub check_in: Option<CheckInSettings>,
    /// Whether the site tells its records to a fleet's journal.
    pub events: Option<EventsSettings>,
    /// Where the records of watched sites are kept, if they are.
    pub fleet: Option<FleetSettings>,
    /// What it needs as the witness of sites that join by a link, if it is one.
    pub witness: Option<WitnessSettings>,
    /// The way to the readings that need no broker.
    pub sources: SourceSettings,
    /// How the agent speaks about itself.
    pub log: LogSettings,
    /// Where figures about the watch are left, if anywhere.
    pub metrics: Option<MetricsSettings>,
    /// The mail server. Present if any channel is a mail channel.
    pub mail: Option<MailSettings>,
    /// The modem. Present if any channel is a text channel.
    pub modem: Option<ModemSettings>,
    /// How people may answer, besides the command line and texts.
    pub answers: Option<AnswerSettings>,
    /// The page in the house, if it is to be served.
    pub web: Option<WebSettings>,
    /// People by the name that rule files use.
    pub contacts: BTreeMap<String, Contact>,
    /// Every way to reach them, and every siren.
    pub channels: BTreeMap<Target, ChannelSettings>,
    /// Sections that a file keeps from being used, and why: only where
    /// [`UnusableFile::Sound`](files::UnusableFile::Sound) was asked for. Those of channels are
    /// [`ChannelSettings::Unusable`].
    pub unusable: BTreeMap<String, String>,
}

/// What came of reading the configuration.
#[derive(Debug)]
pub struct Read {
    /// Whole, if nothing is wrong.
    pub settings: Option<Settings>,
    /// The rule file, if at least that could be read.
    pub rules: Option<PathBuf>,
    /// The zone that times of day are meant in, if at least that could be read.
    pub zone: Option<TimeZone>,
    /// The journal's file, if at least that could be read.
    pub journal: Option<PathBuf>,
    /// The file's text, if nothing is wrong.
    pub text: Option<String>,
    /// Every file that some key names.
    pub named: Vec<NamedFile>,
    /// What is wrong.
    pub report: Report,
}

impl Settings {
    /// Reads the configuration and checks all of it, the files with secrets included.
    pub fn read(file: &Path, environment: &Environment, reading: UnusableFile) -> Read {
        match reader::text_of(file) {
            Ok(text) => Self::read_text(file, text, environment, reading),
            Err(report) => Read {
                settings: None,
                rules: None,
                zone: None,
                journal: None,
                text: None,
                named: Vec::new(),
                report: *report,
            },
        }
    }

    /// The same by this text in place of the file's own.
    pub fn read_text(file: &Path, text: String, environment: &Environment, reading: UnusableFile) -> Read {
        let files = Files::new(file, environment, reading);
        let (known, report) = reader::read(file, &text, environment, |root| {
            let site = SitePlaces::read(&root, &files);
            let (rules, zone) = (site.rules.clone(), site.zone.clone());
            let places = Places::read(&root, &files, site);
            let journal = places.as_ref().map(|places| places.journal.path.clone());
            (Self::sections(root, places, &files), rules, zone, journal)
        });
        let (settings, rules, zone, journal) = known;
        let settings = settings.filter(|_| !report.is_wrong());
        let text = settings.is_some().then_some(text);
        Read { settings, rules, zone, journal, text, named: files.into_named(), report }
    }

    /// The same for whom nothing but the whole is of use.
    ///
    /// # Errors
    /// All that is wrong.
    pub fn load(file: &Path, environment: &Environment) -> Result<Self, Found> {
        let read = Self::read(file, environment, UnusableFile::Whole);
        read.settings.ok_or_else(|| read.report.conclude())
    }

    fn sections(root: Table<'_>, places: Option<Places>, files: &Files<'_>) -> Option<Self> {
        let trust = root.get("clock").and_then(Trust::read);
        let log = root.get("log").and_then(LogSettings::read);
        let metrics = root.get("metrics").and_then(|item| MetricsSettings::read(item, files));
        let broker = root.need("broker", "{ host = \"localhost\" }");
        let mut unusable = BTreeMap::new();
        let mut note = |section: &str, why: Option<String>| {
            unusable.extend(why.map(|why| (section.to_owned(), why)));
        };
        let (broker, why) = files.noting(|| broker.and_then(|item| BrokerSettings::read(item, files)));
        note("broker", why);
        let sources = SourceSettings::read(&root, files);
        let (mail, why) = files.noting(|| root.get("mail").and_then(|item| MailSettings::read(item, files)));
        note("mail", why);
        let (check_in, why) =
            files.noting(|| root.get("check-in").and_then(|item| CheckInSettings::read(item, files)));
        let check_in = check_in.filter(|_| why.is_none());
        let events = root
            .get("events")
            .and_then(|item| EventsSettings::read(item, check_in.as_ref(), root.has("check-in")));
        note("check-in", why);
        let (fleet, why) =
            files.noting(|| root.get("fleet").and_then(|item| FleetSettings::read(item, files)));
        let fleet = fleet.filter(|_| why.is_none());
        note("fleet", why);
        let rules = places.as_ref().map(|places| places.rules.as_path());
        let (witness, why) =
            files.noting(|| root.get("witness").and_then(|item| WitnessSettings::read(item, files, rules)));
        note("witness.broker", why);
        let (modem, why) =
            files.noting(|| root.get("modem").and_then(|item| ModemSettings::read(item, files)));
        // Without its PIN a SIM must not be tried.
        let modem = modem.filter(|_| why.is_none());
        note("modem", why);
        let (answers, why) =
            files.noting(|| root.get("answers").and_then(|item| AnswerSettings::read(item, files, &root)));
        note("answers.mail", why);
        let (web, why) = files.noting(|| root.get("web").and_then(|item| WebSettings::read(item, files)));
        let web = web.filter(|_| why.is_none());
        note("web", why);
        let mut people = contacts::read(&root, files);
        let by_modem = |channel: &ChannelSettings| {
            matches!(channel, ChannelSettings::Text(_) | ChannelSettings::Ring(_))
        };
        people.check_rings(&root);
        people.check_skills(&root, answers.as_ref().is_some_and(|answers| answers.topic.is_some()));
        people.want(&root, "mail", |channel| matches!(channel, ChannelSettings::Mail(_)));
        people.want(&root, "modem", by_modem);
        people.go_without("mail", &unusable, |channel| matches!(channel, ChannelSettings::Mail(_)));
        people.go_without("modem", &unusable, by_modem);
        root.finish();
        Some(Self {
            places: places?,
            trust: trust.unwrap_or_default(),
            broker: broker?,
            check_in,
            events,
            fleet,
            witness,
            sources,
            log: log.unwrap_or_default(),
            metrics,
            mail,
            modem,
            answers,
            web,
            contacts: people.contacts,
            channels: people.channels,
            unusable,
        })
    }

    /// Sections that differ from `other` and that a running agent does not change: they need a
    /// restart.
    pub fn restart_for(&self, other: &Self) -> Vec<&'static str> {
        let differ = |one: &dyn std::fmt::Debug, other: &dyn std::fmt::Debug| {
            format!("{one:?}") != format!("{other:?}")
        };
        [
            ("[modem]", self.modem != other.modem),
            ("[answers.mail]", self.mailbox() != other.mailbox()),
            ("[check-in]", differ(&self.check_in, &other.check_in)),
            ("[events]", self.events != other.events),
            ("[fleet]", self.fleet != other.fleet),
            ("[journal]", self.places.journal != other.places.journal),
            ("[control]", self.places.control != other.places.control),
            ("[web]", self.web != other.web),
            ("[log]", differ(&self.log, &other.log)),
            ("[clock]", self.trust != other.trust),
        ]
        .into_iter()
        .filter_map(|(section, differs)| differs.then_some(section))
        .collect()
    }

    /// Sections that differ and are in force at once when the files are read again.
    pub fn taken_at_once(&self, other: &Self) -> Vec<&'static str> {
        let people = self.contacts != other.contacts || self.channels != other.channels;
        [
            ("[broker]", self.broker != other.broker),
            ("[witness]", self.witness != other.witness),
            ("[mail]", self.mail != other.mail),
            ("people and channels", people),
            ("[answers] topic", self.answer_topic() != other.answer_topic()),
            ("[site] zone", self.places.zone != other.places.zone),
            ("sources", self.sources != other.sources),
            ("[metrics]", self.metrics != other.metrics),
        ]
        .into_iter()
        .filter_map(|(section, differs)| differs.then_some(section))
        .collect()
    }

    /// Takes over what is in force at once, so that the next reading of the files is held against
    /// it. The broker's is taken where its connection is.
    pub fn take_at_once(&mut self, other: &Self) {
        self.witness.clone_from(&other.witness);
        self.mail.clone_from(&other.mail);
        self.contacts.clone_from(&other.contacts);
        self.channels.clone_from(&other.channels);
        self.sources.clone_from(&other.sources);
        self.metrics.clone_from(&other.metrics);
        self.places.zone.clone_from(&other.places.zone);
        let topic = other.answer_topic();
        if let Some(answers) = &mut self.answers {
            answers.topic = topic;
        } else if topic.is_some() {
            self.answers = Some(AnswerSettings { topic, mailbox: None });
        }
    }

    /// The mailbox in which replies to pages arrive.
    pub fn mailbox(&self) -> Option<&MailboxSettings> {
        self.answers.as_ref()?.mailbox.as_ref()
    }

    /// How pages can be answered, the easiest first.
    fn ways_to_answer(&self) -> Vec<Way> {
        let by_mail = self.mailbox().is_some().then(Way::reply_by_mail);
        let number = self.modem.as_ref().and_then(|modem| modem.number.as_ref());
        let phones = || self.numbers().into_iter().map(|(_, who)| who).collect();
        let by_text = number.map(|number| Way::text_to(number, phones()));
        let on_topic = self.answer_topic().map(|topic| Way::topic(&topic));
        let web = self.web.as_ref();
        let on_the_page = web.and_then(|web| Some(Way::on_the_page(web.url.as_deref()?, web.needs_router())));
        let easy = [Way::reply_by_text()].into_iter().chain(by_text).chain(by_mail).chain(on_the_page);
        easy.chain(on_topic).chain([Way::command()]).collect()
    }

    /// The topic below which contacts answer.
    pub fn answer_topic(&self) -> Option<String> {
        self.answers.as_ref()?.topic.clone()
    }

    fn siren_settings(&self) -> impl Iterator<Item = (&Target, &SirenSettings)> {
        self.channels.iter().filter_map(|(target, channel)| match channel {
            ChannelSettings::Siren(siren) => Some((target, siren)),
            _ => None,
        })
    }

    /// Who can be told, and when, as the rules need to know it.
    pub fn directory(&self) -> Directory {
        Directory {
            contacts: self.contacts.clone(),
            channels: self
                .channels
                .iter()
                .map(|(target, channel)| (target.clone(), channel.kind()))
                .collect(),
            on_paper: self
                .channels
                .iter()
                .filter(|(_, channel)| channel.kind() == ChannelKind::Mail && !channel.needs_router())
                .map(|(target, _)| target.clone())
                .collect(),
            sirens: self.siren_settings().map(|(target, siren)| (target.clone(), siren.limits)).collect(),
            hush_buttons: self
                .siren_settings()
                .filter_map(|(target, siren)| hush_button(target, siren))
                .collect(),
            ways: self.ways_to_answer(),
            mailbox: self.mailbox().is_some(),
        }
    }
}

fn hush_button(target: &Target, siren: &SirenSettings) -> Option<HushButton> {
    let (topic, press) = siren.hush.clone()?;
    Some(HushButton { topic, press, siren: target.clone() })
}

#[cfg(test)]
mod tests;

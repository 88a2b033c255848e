//! The agent's own configuration: where the broker is, who the people are, which secrets open
//! what. A TOML file and the environment flow in through the `config` crate as one tree of
//! values (`source`); every section reads its part of the tree and notes what is wrong
//! (`tree`); [`Settings`] flow out only if nothing at all is wrong.
//!
//! What to watch and when to ring stands in the rule file, not here. Secrets stand in neither:
//! keys that end in `-file` name the files that hold them (`secrets`). A configuration that
//! can't be read is an error, never a reason to go on with defaults.

mod broker;
mod channels;
mod checkin;
mod contacts;
mod files;
mod in_clear;
mod outputs;
mod places;
mod source;
mod sources;
mod speech;
mod tree;

pub use broker::{BrokerSettings, TlsSettings};
pub use channels::{ChannelSettings, FolderSettings, MailSettings, PushSettings, Security, SirenSettings};
pub use checkin::CheckInSettings;
pub use places::{ControlSettings, JournalSettings, Places};
pub use source::Environment;
pub use sources::{SourceSettings, UpsSettings};
pub use speech::{LogFormat, LogSettings, Trust};
pub use tree::{Mistake, Mistakes};

use crate::modem::{ModemSettings, Number};
use slackwater_rules::plan::{Contact, Directory, Target};
use std::collections::BTreeMap;
use std::path::Path;

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
    /// The way to the readings that need no broker.
    pub sources: SourceSettings,
    /// How the agent speaks about itself.
    pub log: LogSettings,
    /// The mail server. Present if any channel is a mail channel.
    pub mail: Option<MailSettings>,
    /// The modem. Present if any channel is a text channel.
    pub modem: Option<ModemSettings>,
    /// People by the name that rule files use.
    pub contacts: BTreeMap<String, Contact>,
    /// Every way to reach them, and every siren.
    pub channels: BTreeMap<Target, ChannelSettings>,
}

impl Settings {
    /// Reads the configuration and checks all of it, the files with secrets included.
    pub fn load(file: &Path, environment: &Environment) -> Result<Self, Mistakes> {
        source::read(file, environment, |root| {
            let places = Places::read(root);
            let trust = root.or("clock", Trust::default(), Trust::read);
            let log = root.or("log", LogSettings::default(), LogSettings::read);
            let broker = root.need("broker", BrokerSettings::read);
            let sources = SourceSettings::read(root);
            let mail = root.may("mail", MailSettings::read);
            let check_in = root.may("check-in", CheckInSettings::read);
            let modem = root.may("modem", ModemSettings::read);
            let people = contacts::read(root);
            let (contacts, channels) = people?;
            if matches!(mail, Some(None)) {
                contacts::want(root, "mail", "mail", &channels, |c| matches!(c, ChannelSettings::Mail(_)))?;
            }
            if matches!(modem, Some(None)) {
                contacts::want(root, "modem", "text", &channels, |c| matches!(c, ChannelSettings::Text(_)))?;
            }
            Some(Self {
                places: places?,
                trust: trust?,
                broker: broker?,
                check_in: check_in?,
                sources: sources?,
                log: log?,
                mail: mail?,
                modem: modem?,
                contacts,
                channels,
            })
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
            ("[broker]", differ(&self.broker, &other.broker)),
            ("[check-in]", differ(&self.check_in, &other.check_in)),
            ("[journal]", self.places.journal != other.places.journal),
            ("[control]", self.places.control != other.places.control),
            ("[log]", differ(&self.log, &other.log)),
            ("[clock]", self.trust != other.trust),
        ]
        .into_iter()
        .filter_map(|(section, differs)| differs.then_some(section))
        .collect()
    }

    /// What goes in the clear because the file says why, in words.
    pub fn in_clear(&self) -> Vec<String> {
        let told = |name: &str, host: &str, tls: bool, because: &Option<String>| {
            let why = because.as_ref().filter(|_| !tls && !channels::this_machine(host))?;
            Some(format!("{name}: nothing to `{host}` is encrypted, because: {why}"))
        };
        let broker = |name: &str, broker: &BrokerSettings| {
            told(name, &broker.host, broker.tls.is_some(), &broker.in_clear_because)
        };
        let own = broker("[broker]", &self.broker);
        let elsewhere = self.check_in.as_ref().and_then(|own| own.broker.as_ref());
        let elsewhere = elsewhere.and_then(|settings| broker("[check-in.broker]", settings));
        let upses = self.sources.ups.iter().filter_map(|(name, ups)| {
            told(&format!("[ups.{name}]"), &ups.host, ups.tls.is_some(), &ups.in_clear_because)
        });
        own.into_iter().chain(elsewhere).chain(upses).collect()
    }

    /// Whose numbers texts may come from, by the names that rule files use.
    pub fn numbers(&self) -> Vec<(Number, String)> {
        let theirs = |(target, channel): (&Target, &ChannelSettings)| match (&target.contact, channel) {
            (Some(contact), ChannelSettings::Text(number)) => Some((number.clone(), contact.clone())),
            _ => None,
        };
        self.channels.iter().filter_map(theirs).collect()
    }

    /// People whose every way needs the router: as pages say their names.
    pub fn cut_off_without_router(&self) -> Vec<&str> {
        let cut_off = |name: &String| {
            let mut theirs =
                self.channels.iter().filter(|(target, _)| target.contact.as_ref() == Some(name)).peekable();
            theirs.peek().is_some() && theirs.all(|(_, channel)| channel.needs_router())
        };
        self.contacts
            .iter()
            .filter(|(name, _)| cut_off(name))
            .map(|(_, contact)| contact.name.as_str())
            .collect()
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
        }
    }
}

#[cfg(test)]
mod tests;

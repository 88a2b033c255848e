//! How the agent's own parts are, told to the engine when it changes: the journal, the clock,
//! files that were not taken, every channel. What follows from it, alarms and who is told, the
//! engine decides as for anything else.

use super::EventLoop;
use crate::answers::Mailbox;
use crate::modem::{self, Modem};
use crate::settings::{ChannelSettings, MailSettings, Settings};
use slackwater_rules::engine::{Health, Input};
use slackwater_rules::plan::{Part, Target};
use std::collections::BTreeMap;

/// Nothing vouches for the wall clock.
const UNTRUSTED: &str = "nothing says that it is synchronised";

/// What has been told, and of which channels.
#[derive(Debug)]
pub(super) struct ToldHealth {
    parts: BTreeMap<Part, Health>,
    mail: Option<MailSettings>,
    channels: BTreeMap<Target, ChannelSettings>,
    /// What a text channel's last page met while the modem failed: over with the modem's trouble.
    met: BTreeMap<Target, String>,
}

impl ToldHealth {
    pub(super) fn nothing(settings: &Settings) -> Self {
        let Settings { mail, channels, .. } = settings.clone();
        Self { parts: BTreeMap::new(), mail, channels, met: BTreeMap::new() }
    }

    /// A text channel is as well as the modem, and as its last page if that was not the modem's
    /// fault.
    fn text(&mut self, target: &Target, modem: &modem::View, known: Option<Result<(), String>>) -> Health {
        match (modem, known) {
            (Err(why), known) => {
                self.met.extend(known.and_then(Result::err).map(|met| (target.clone(), met)));
                health(Some(why))
            }
            (Ok(_), Some(Err(why))) if self.met.get(target) != Some(&why) => health(Some(&why)),
            (Ok(_), _) => Health::Well,
        }
    }

    /// Channels that are set up otherwise from now on: what was known of them holds no more.
    fn forget_changed(&mut self, settings: &Settings) -> Vec<Target> {
        let before = std::mem::replace(self, Self::nothing(settings));
        let same_mail = before.mail == self.mail;
        let same = |target: &Target| match (before.channels.get(target), self.channels.get(target)) {
            (Some(ChannelSettings::Mail(one)), Some(ChannelSettings::Mail(other))) => {
                same_mail && one == other
            }
            (one, other) => one == other,
        };
        let (changed, kept): (Vec<Target>, Vec<Target>) =
            before.channels.keys().cloned().partition(|target| !same(target));
        let kept = |part: &Part| match part {
            Part::Channel(target) => kept.contains(target),
            Part::Journal | Part::Clock | Part::Settings | Part::Rules | Part::Mailbox => true,
        };
        self.parts = before.parts.into_iter().filter(|(part, _)| kept(part)).collect();
        changed
    }
}

fn health(trouble: Option<&str>) -> Health {
    trouble.map_or(Health::Well, |why| Health::Fails { why: why.to_owned() })
}

impl EventLoop {
    /// Tells what has changed. Comes before the fate of a page, which says the same of its
    /// channel, and after whatever else may have changed it.
    pub(super) fn tell_health(&mut self) {
        let now = self.clock.now();
        self.health.fleet = self.fleet.health_kept();
        let untrusted = (!now.wall_trusted).then_some(UNTRUSTED);
        let mut parts = vec![
            (Part::Journal, health(self.keeper.ailment())),
            (Part::Clock, health(untrusted)),
            (Part::Settings, health(self.health.set_up().as_deref())),
        ];
        if let Some(view) = self.answers.mailbox.as_ref().and_then(Mailbox::view) {
            parts.push((Part::Mailbox, health(view.err().as_deref())));
        }
        let modem = self.context.modem.as_ref().map(Modem::view);
        for (target, channel) in self.channels.health() {
            let modem = match self.told.channels.get(&target) {
                Some(ChannelSettings::Text(_)) => modem.as_ref(),
                _ => None,
            };
            let health = match modem {
                Some(modem) => Some(self.told.text(&target, modem, channel.known)),
                None => channel.known.map(|known| health(known.err().as_deref())),
            };
            parts.extend(health.map(|health| (Part::Channel(target), health)));
        }
        for (part, health) in parts {
            if self.told.parts.get(&part) != Some(&health) {
                self.told.parts.insert(part.clone(), health.clone());
                self.turn(now, Input::Health { part, health });
            }
        }
    }

    /// The files were taken: of a channel that is set up otherwise, nobody can tell how it is.
    pub(super) fn forget_changed_channels(&mut self, settings: &Settings) {
        for target in self.told.forget_changed(settings) {
            self.take(Input::Health { part: Part::Channel(target), health: Health::Unknown });
        }
    }
}

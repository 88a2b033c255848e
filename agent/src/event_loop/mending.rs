//! What could not be used at the start, tried again. A password file that was missing, a
//! certificate, a control socket that had no place: each is looked at every ten seconds, and taken
//! as soon as it is sound. Files that were changed meanwhile wait for a reload: nobody's
//! half-written rules are taken by themselves.

use super::web_inputs::WEB;
use super::{EventLoop, checkin, mail_inputs};
use crate::control::{self, Control, PendingRequest};
use crate::modem::Modem;
use crate::site::SiteFiles;
use slackwater_rules::time::{Moment, Span};
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::io;
use std::path::{Path, PathBuf};
use tokio::sync::mpsc;

/// Between two tries.
const EVERY: Span = Span::seconds(10);

/// The name of the control socket among parts that can't be used: its key.
pub(super) const SOCKET: &str = "control.socket";

/// The control socket, open or not.
pub(super) struct Door {
    path: PathBuf,
    control: Option<Control>,
    /// Never brings anything while the socket is not open.
    pub(super) requests: mpsc::Receiver<PendingRequest>,
}

impl Door {
    /// Opens it. Where that can't be done the watch goes on without, and says why.
    ///
    /// # Errors
    /// If another agent answers there: two may not watch one site.
    pub(super) async fn open(path: PathBuf) -> io::Result<(Self, Option<String>)> {
        match control::listen(&path).await {
            Ok((control, requests)) => Ok((Self { path, control: Some(control), requests }, None)),
            Err(error) if error.kind() == io::ErrorKind::AddrInUse => Err(error),
            Err(error) => {
                tracing::error!("the control socket: {error}; the watch goes on without it");
                let closed = Self { path, control: None, requests: mpsc::channel(1).1 };
                Ok((closed, Some(error.to_string())))
            }
        }
    }
}

/// When the next try is, and of which files.
#[derive(Debug, Default)]
pub(super) struct Mending {
    due: Option<Moment>,
    files: u64,
}

impl Mending {
    /// Begins, if there is anything to mend.
    pub(super) fn of(config: &Path, rules: &Path, unusable: &BTreeMap<String, String>, now: Moment) -> Self {
        Self { due: (!unusable.is_empty()).then(|| now + EVERY), files: fingerprint(config, rules) }
    }

    pub(super) fn due(&self) -> Option<Moment> {
        self.due
    }
}

/// Whether two looks at the files saw the same is all that this is for.
fn fingerprint(config: &Path, rules: &Path) -> u64 {
    let mut hasher = DefaultHasher::new();
    [config, rules].map(|file| std::fs::read(file).ok()).hash(&mut hasher);
    hasher.finish()
}

impl EventLoop {
    /// Files were taken: what can't be used now is what they say.
    pub(super) fn note_unusable(&mut self, unusable: BTreeMap<String, String>) {
        let doors = [SOCKET, WEB].map(|door| self.health.unusable.remove_entry(door));
        self.health.unusable = unusable;
        self.health.unusable.extend(doors.into_iter().flatten());
        let rules = &self.settings.places.rules;
        self.mending = Mending::of(&self.config, rules, &self.health.unusable, self.clock.now().mono);
    }

    /// Tries again what is due.
    pub(super) async fn mend(&mut self) {
        self.note_web_lost();
        let now = self.clock.now().mono;
        if self.mending.due.is_none_or(|due| now < due) {
            return;
        }
        self.mend_door().await;
        self.mend_web().await;
        self.mend_files();
        self.mending.due = (!self.health.unusable.is_empty()).then(|| now + EVERY);
    }

    /// Something has to be mended that could be used before.
    pub(super) fn mend_soon(&mut self) {
        let due = self.clock.now().mono + EVERY;
        self.mending.due = Some(self.mending.due.map_or(due, |known| known.min(due)));
    }

    async fn mend_door(&mut self) {
        if self.door.control.is_some() {
            return;
        }
        match Door::open(self.door.path.clone()).await {
            Ok((door, None)) => {
                tracing::info!("the control socket is open");
                self.door = door;
                self.health.unusable.remove(SOCKET);
            }
            Ok((_, Some(why))) => drop(self.health.unusable.insert(SOCKET.to_owned(), why)),
            Err(error) => drop(self.health.unusable.insert(SOCKET.to_owned(), error.to_string())),
        }
    }

    fn mend_files(&mut self) {
        let known = self.health.unusable.iter().filter(|(part, _)| *part != SOCKET && *part != WEB);
        let known: BTreeMap<String, String> = known.map(|(part, why)| (part.clone(), why.clone())).collect();
        if known.is_empty() || fingerprint(&self.config, &self.settings.places.rules) != self.mending.files {
            return;
        }
        let Ok(site) = SiteFiles::load_sound(&self.config, &self.environment) else { return };
        if site.unusable == known {
            return;
        }
        for part in known.keys().filter(|part| !site.unusable.contains_key(*part)) {
            match part.as_str() {
                "answers.mail" => tracing::warn!("{part} is mended: a restart takes it"),
                _ => tracing::info!("{part} can be used now"),
            }
        }
        self.take_late(&site);
        // What was refused at a reload stays refused until the next.
        let refused = self.health.reload_refused.take();
        self.adopt(site);
        self.health.reload_refused = refused;
    }

    /// What a reload leaves to a restart, because it is in use, and what was never begun here.
    fn take_late(&mut self, site: &SiteFiles) {
        let mended =
            |part: &str| self.health.unusable.contains_key(part) && !site.unusable.contains_key(part);
        if mended("modem")
            && let Some(settings) = &site.settings.modem
        {
            let (modem, texts) = Modem::start(settings.clone());
            self.context.modem = Some(modem);
            self.texts = texts;
            self.settings.modem = Some(settings.clone());
        }
        if mended("answers.mail") {
            (self.answers.mailbox, self.letters) = mail_inputs::open(&site.settings, &self.clock);
            self.context.reply_to = site.settings.mailbox().and_then(|mailbox| mailbox.address.clone());
            self.settings.answers.clone_from(&site.settings.answers);
        }
        if mended("check-in")
            && let Some(own) = &site.settings.check_in
        {
            let ways = checkin::ways(own).map_err(|wrong| wrong.join("; "));
            let sender = ways.and_then(|ways| {
                checkin::CheckInSender::start(own.clone(), ways, self.identity.clone(), &self.clock)
            });
            match sender {
                Ok(sender) => self.sender = Some(sender),
                Err(why) => tracing::error!("check-ins: {why}"),
            }
            self.settings.check_in = Some(own.clone());
            self.settings.events.clone_from(&site.settings.events);
            self.fleet.start_out(&self.settings, &self.clock);
        }
        if mended("fleet")
            && let Some(own) = &site.settings.fleet
        {
            self.settings.fleet = Some(own.clone());
            self.fleet.start_kept(&self.settings, self.engine.plan());
        }
    }
}

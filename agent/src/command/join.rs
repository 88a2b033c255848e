//! `slackwater witness join`: this site makes its key, has its witness take it, and writes
//! `[check-in]`. Nothing of the configuration is touched before the witness has said yes, and the
//! key lies beside its place until then, so that a join that was cut off goes on with the same
//! link.

use super::check::in_the_way;
use super::{failed, wrong};
use crate::checkin::SiteKey;
use crate::joining::asking::{self, NotJoined};
use crate::joining::link::JoinLink;
use crate::joining::section::{
    AUTHORITY_FILE, CheckInWritten, KEY_FILE, PASSWORD_FILE, added, existing, pem,
};
use crate::output::outln;
use crate::settings::{Environment, Settings, UnusableFile, read_text};
use crate::site::{SiteFiles, load_plan};
use std::fs::{self, OpenOptions};
use std::io::{self, Write as _};
use std::os::unix::fs::{MetadataExt as _, OpenOptionsExt as _, PermissionsExt as _, chown};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// The folder beside the configuration that secrets are kept in, if it is there.
const SECRETS: &str = "secrets";

/// Only its owner may read it; or everybody may.
const SECRET: u32 = 0o600;
const OPEN: u32 = 0o644;

/// What a join will do.
struct Join {
    config: PathBuf,
    link: JoinLink,
    /// The whole text of the configuration as it will be; it stays as it is for another key.
    text: Option<String>,
    /// Where the key goes.
    key: PathBuf,
    /// Where the password of the broker elsewhere goes.
    password: PathBuf,
    /// Where the certificates of its authority go.
    authority: PathBuf,
}

pub(super) async fn join(config: &Path, link: &str, again: bool) -> ExitCode {
    let link = match JoinLink::read(link) {
        Ok(link) => link,
        Err(why) => return failed(&why.to_string()),
    };
    let plan = match Join::prepared(config, link, again) {
        Ok(join) => join,
        Err(Unprepared::Refused(why)) => return failed(&why),
        Err(Unprepared::Wrong(why)) => return wrong(&why),
    };
    match plan.carry_out().await {
        Ok(key) => plan.say_what_is_next(&key),
        Err(why) => failed(&why),
    }
}

/// Why nothing was begun.
enum Unprepared {
    /// It is not to be.
    Refused(String),
    /// The configuration is wrong.
    Wrong(String),
}

impl Join {
    /// Looks at all that can be looked at before the link is used: it is good once.
    fn prepared(config: &Path, link: JoinLink, again: bool) -> Result<Self, Unprepared> {
        let said = |why: String| Unprepared::Wrong(format!("{}: {why}", config.display()));
        let config = fs::canonicalize(config).map_err(|error| said(error.to_string()))?;
        let text = read_text(&config, "the agent's file").map_err(Unprepared::Wrong)?;
        let folder = config.parent().unwrap_or(Path::new("/")).to_owned();
        let secrets = Some(folder.join(SECRETS)).filter(|secrets| secrets.is_dir());
        let secrets = secrets.unwrap_or_else(|| folder.clone());
        let refused = |why: String| Err(Unprepared::Refused(why));
        let (key, text) = match (existing(&text).map_err(said)?, again) {
            (Some(CheckInWritten { name, .. }), false) => {
                return refused(format!(
                    "{} has `[check-in]` already, as `{name}`. `--again` gives it another key",
                    config.display()
                ));
            }
            (None, true) => return refused("there is no `[check-in]` yet: without `--again`".to_owned()),
            (Some(CheckInWritten { name, .. }), true) if name != link.site => {
                return refused(format!(
                    "this site checks in as `{name}`, and the link is for `{}`",
                    link.site
                ));
            }
            (Some(CheckInWritten { key_file, .. }), true) => {
                let beside = folder.join(&key_file);
                (if beside.exists() { beside } else { folder.join(SECRETS).join(&key_file) }, None)
            }
            (None, false) => (secrets.join(KEY_FILE), Some(added(&text, &link, mains(&config).as_deref()))),
        };
        let join = Self {
            password: secrets.join(PASSWORD_FILE),
            authority: folder.join(AUTHORITY_FILE),
            config,
            link,
            text,
            key,
        };
        join.is_sound()?;
        Ok(join)
    }

    /// The configuration as it will be must be right, and nothing of another's be written over.
    fn is_sound(&self) -> Result<(), Unprepared> {
        let Some(text) = &self.text else { return Ok(()) };
        let password = self.link.password.as_ref().map(|_| &self.password);
        for file in [&self.key].into_iter().chain(password) {
            if file.exists() {
                let why = format!("{} is there already, and is not written over", file.display());
                return Err(Unprepared::Refused(why));
            }
        }
        // The files that it names come later.
        let environment = Environment::of_process();
        let read = Settings::read_text(&self.config, text.clone(), &environment, UnusableFile::Sound);
        match read.settings {
            Some(_) => Ok(()),
            None => Err(Unprepared::Wrong(format!(
                "with `[check-in]` in it, {} would be wrong:\n{}",
                self.config.display(),
                read.report.conclude().text
            ))),
        }
    }

    /// Makes the key, has it taken, and writes what is to be written. The key's public half.
    async fn carry_out(&self) -> Result<SiteKey, String> {
        let new = with_ending(&self.key, "new");
        let key = kept_key(&new)?;
        let authority = match &self.link.tls {
            Some(tls) if !tls.authority.is_empty() => {
                let file = if self.text.is_some() {
                    self.authority.clone()
                } else {
                    with_ending(&self.authority, "new")
                };
                write(&file, &pem(&tls.authority), OPEN)?;
                Some(file)
            }
            Some(_) | None => None,
        };
        let told = asking::ask(&self.link, authority.clone(), &key).await;
        if let (None, Some(file)) = (&self.text, &authority) {
            drop(fs::remove_file(file));
        }
        if let Err(why) = told {
            // What nobody has taken is of no use; what may have been taken is asked again with it.
            if matches!(why, NotJoined::Refused(_) | NotJoined::Unusable(_)) {
                drop(fs::remove_file(&new));
                drop(authority.map(fs::remove_file));
            }
            return Err(why.to_string());
        }
        fs::rename(&new, &self.key).map_err(|error| format!("{}: {error}", self.key.display()))?;
        if let Some(text) = &self.text {
            if let Some(password) = &self.link.password {
                write(&self.password, &format!("{}\n", password.expose()), SECRET)?;
            }
            replace(&self.config, text)?;
        }
        Ok(key)
    }

    fn say_what_is_next(&self, key: &SiteKey) -> ExitCode {
        let (site, print) = (&self.link.site, key.print());
        let config = self.config.display();
        match self.text {
            Some(_) => outln!(
                "`{site}` has joined: its witness has taken the key {print}. {config} has `[check-in]` now, and the key is \
                 {}.",
                self.key.display()
            ),
            None => outln!(
                "`{site}` has another key, {print}. The old one is good until the first check-in with the new one."
            ),
        }
        let site = match SiteFiles::load(&self.config, &Environment::of_process()) {
            Ok(site) => site,
            Err(mistakes) => return wrong(&mistakes.text),
        };
        outln!("Now:");
        for remark in in_the_way(&self.config, &site) {
            outln!("- {remark};");
        }
        outln!("- restart the agent (`systemctl restart slackwater`): check-ins begin with that;");
        outln!("- see `check-in by broker: well` in `slackwater status`.");
        if self.text.is_some() {
            outln!(
                "`goes-dark` in `[check-in]` would tell the witness how long the watch lasts in a power cut: see its manual."
            );
        }
        ExitCode::SUCCESS
    }
}

/// The sensor that shows the mains, if the rules have one.
fn mains(config: &Path) -> Option<String> {
    let (_, plan) = load_plan(config, &Environment::of_process(), None).ok()?;
    plan.mains.map(|mains| plan.sensor(mains).name.clone())
}

fn with_ending(file: &Path, ending: &str) -> PathBuf {
    let mut name = file.file_name().unwrap_or_default().to_owned();
    name.push(".");
    name.push(ending);
    file.with_file_name(name)
}

/// The key that a join before this one has left, or a new one in its place.
fn kept_key(file: &Path) -> Result<SiteKey, String> {
    if let Some(key) = fs::read_to_string(file).ok().and_then(|line| SiteKey::read(&line)) {
        return Ok(key);
    }
    let (key, line) = SiteKey::make()?;
    write(file, &format!("{}\n", line.expose()), SECRET)?;
    Ok(key)
}

/// A new file for whoever owns the folder: where root joins, the service must be able to read it.
fn write(file: &Path, text: &str, mode: u32) -> Result<(), String> {
    let said = |error: io::Error| format!("{}: {error}", file.display());
    let mut to =
        OpenOptions::new().write(true).create(true).truncate(true).mode(mode).open(file).map_err(said)?;
    to.set_permissions(fs::Permissions::from_mode(mode)).map_err(said)?;
    to.write_all(text.as_bytes()).and_then(|()| to.sync_all()).map_err(said)?;
    if let Some(folder) = file.parent().and_then(|folder| fs::metadata(folder).ok()) {
        // Only root can give files away, and only for root there is need to.
        drop(chown(file, Some(folder.uid()), Some(folder.gid())));
    }
    Ok(())
}

/// Another text in the place of a file, whole or not at all, for the same owner and as open.
fn replace(file: &Path, text: &str) -> Result<(), String> {
    let said = |error: io::Error| format!("{}: {error}", file.display());
    let about = fs::metadata(file).map_err(said)?;
    let new = with_ending(file, "new");
    write(&new, text, about.mode() & 0o777)?;
    drop(chown(&new, Some(about.uid()), Some(about.gid())));
    fs::rename(&new, file).map_err(said)
}

//! What the service's user can't read or write. `check` runs as whoever calls it, mostly as root;
//! the service runs as a user of its own, in a sandbox that lets it write to two folders. A
//! configuration that only root can use would pass and then fail every two seconds. Paths of a
//! checked site flow in, what is in the way flows out, each with its remedy.

use crate::settings::{ChannelSettings, WebTls};
use crate::site::SiteFiles;
use std::fs::{self, Metadata};
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

/// Where the services have their configuration.
const SERVICES: &str = "/etc/slackwater";

/// Where drop-ins of the units are.
const UNITS: [&str; 3] = ["/etc/systemd/system", "/run/systemd/system", "/usr/lib/systemd/system"];

/// The user of both units: see slackwater.sysusers.
const USER: &str = "slackwater";

/// Permissions of one class: `r`, `w`, `x`.
const READ: u32 = 4;
const WRITE: u32 = 2;
const ENTER: u32 = 1;

/// Whom the kernel takes the service for.
#[derive(Debug)]
struct Ids {
    user: u32,
    groups: Vec<u32>,
}

/// A unit as far as it matters here.
#[derive(Debug)]
struct ServiceUnit {
    name: &'static str,
    /// Folders that it may write to.
    writes: Vec<PathBuf>,
    /// Secrets that the service manager hands over: files that only root need be able to read.
    credentials: Vec<PathBuf>,
    /// Whether the sandbox lets it see devices.
    devices: bool,
    /// Groups that a drop-in adds.
    groups: Vec<u32>,
}

/// What is in the way of the service, if this is a service's configuration and its user is there.
pub(in crate::command) fn in_the_way(config: &Path, site: &SiteFiles) -> Vec<String> {
    let absolute = std::path::absolute(config).unwrap_or_else(|_| config.to_owned());
    if !absolute.starts_with(SERVICES) {
        return Vec::new();
    }
    let Some(ids) = ids(USER) else { return Vec::new() };
    look(&absolute, site, &ids, &ServiceUnit::of(&absolute))
}

fn look(config: &Path, site: &SiteFiles, ids: &Ids, unit: &ServiceUnit) -> Vec<String> {
    let mut found = Vec::new();
    let places = &site.settings.places;
    let own = [config.to_owned(), places.rules.clone()];
    let named = site.named.iter().filter(|file| !(file.secret && unit.credentials.contains(&file.path)));
    let key = match site.settings.web.as_ref().and_then(|web| web.tls.as_ref()) {
        Some(WebTls::Keepers { key, .. }) => Some(key),
        Some(WebTls::OwnMaking) | None => None,
    };
    for path in own.iter().chain(named.map(|file| &file.path)).chain(key) {
        found.extend(unreadable(path, ids));
    }
    found.extend(site.settings.modem.as_ref().and_then(|modem| out_of_reach(&modem.device, ids, unit)));
    let folder = |path: &Path| path.parent().map(Path::to_owned);
    let folders = site.settings.channels.values().filter_map(|channel| match channel {
        ChannelSettings::Folder(folder) => Some(folder.folder.clone()),
        _ => None,
    });
    let metrics = site.settings.metrics.as_ref().and_then(|metrics| folder(&metrics.file));
    let sites = site.settings.witness.as_ref().map(|witness| witness.sites.clone());
    let written = [folder(&places.journal.path), folder(&places.control.socket), metrics, sites];
    for path in written.into_iter().flatten().chain(folders) {
        found.extend(unwritable(&path, ids, unit));
    }
    found.sort();
    found.dedup();
    found
}

/// Why the service can't read a file.
fn unreadable(path: &Path, ids: &Ids) -> Option<String> {
    let shown = path.display();
    if hidden(path) {
        return Some(format!("{shown} is hidden from the service (ProtectHome=yes): move it to {SERVICES}"));
    }
    if let Some(folder) = closed_folder(path, ids) {
        let folder = folder.display();
        return Some(format!(
            "{USER} can't enter {folder}, where {shown} is: `chgrp {USER} {folder} && chmod g+x {folder}`"
        ));
    }
    match fs::metadata(path) {
        Ok(about) if !ids.may(&about, READ) => {
            Some(format!("{USER} can't read {shown}: `chown {USER} {shown}`"))
        }
        Ok(_) | Err(_) => None,
    }
}

/// Why the service can't use a device. One that is not plugged in, or is named by a pattern, is
/// told by the watch itself.
fn out_of_reach(device: &Path, ids: &Ids, unit: &ServiceUnit) -> Option<String> {
    let about = fs::metadata(device).ok()?;
    let shown = device.display();
    if !unit.devices {
        return Some(format!(
            "{} sees no devices, and {shown} is one: `systemctl edit {0}` with the lines about devices that stand in it",
            unit.name
        ));
    }
    let may = ids.may(&about, READ | WRITE)
        || (unit.groups.contains(&about.gid()) && (about.mode() >> 3) & (READ | WRITE) == READ | WRITE);
    (!may).then(|| {
        let group = group_named(about.gid()).unwrap_or_else(|| about.gid().to_string());
        format!("{USER} can't use {shown}: `SupplementaryGroups={group}` in a drop-in of {}", unit.name)
    })
}

/// Why the service can't write to a folder, or make it.
fn unwritable(folder: &Path, ids: &Ids, unit: &ServiceUnit) -> Option<String> {
    let shown = folder.display();
    let Some(own) = unit.writes.iter().find(|own| folder.starts_with(own)) else {
        let own: Vec<_> = unit.writes.iter().map(|path| path.display().to_string()).collect();
        return Some(format!(
            "{} may write to {} only, not to {shown}: name a place there",
            unit.name,
            own.join(" and ")
        ));
    };
    // The service manager makes its folders, for this user.
    let there = folder.ancestors().take_while(|above| above.starts_with(own)).find(|above| above.exists())?;
    if let Some(closed) = closed_folder(folder, ids) {
        let closed = closed.display();
        return Some(format!("{USER} can't enter {closed}: `chown {USER} {closed}`"));
    }
    let about = fs::metadata(there).ok()?;
    let there = there.display();
    (!ids.may(&about, WRITE | ENTER))
        .then(|| format!("{USER} can't write to {there}: `chown -R {USER} {there}`"))
}

/// The first folder on the way to `path` that can't be entered.
fn closed_folder(path: &Path, ids: &Ids) -> Option<PathBuf> {
    let above: Vec<&Path> = path.ancestors().skip(1).filter(|above| !above.as_os_str().is_empty()).collect();
    let closed = |folder: &&&Path| fs::metadata(folder).is_ok_and(|about| !ids.may(&about, ENTER));
    above.iter().rev().find(closed).map(|folder| folder.to_path_buf())
}

/// Whether the unit's sandbox hides this place.
fn hidden(path: &Path) -> bool {
    ["/home", "/root", "/run/user"].iter().any(|hidden| path.starts_with(hidden))
}

impl Ids {
    /// Whether the kernel would let it, by mode and owner; access lists are not looked at.
    fn may(&self, about: &Metadata, wanted: u32) -> bool {
        let class = match () {
            () if self.user == 0 => return true,
            () if about.uid() == self.user => 6,
            () if self.groups.contains(&about.gid()) => 3,
            () => 0,
        };
        (about.mode() >> class) & wanted == wanted
    }
}

/// The ids of a user of this machine: passwd(5), group(5).
fn ids(user: &str) -> Option<Ids> {
    ids_in(user, &fs::read_to_string("/etc/passwd").ok()?, &fs::read_to_string("/etc/group").ok()?)
}

fn ids_in(user: &str, passwd: &str, group: &str) -> Option<Ids> {
    let fields = |line: &str| line.split(':').map(str::to_owned).collect::<Vec<_>>();
    let own = passwd.lines().map(fields).find(|fields| fields.first().is_some_and(|name| name == user))?;
    let (id, main) = (own.get(2)?.parse().ok()?, own.get(3)?.parse().ok()?);
    let others = group.lines().map(fields).filter_map(|fields| {
        let members = fields.get(3)?;
        members.split(',').any(|member| member == user).then(|| fields.get(2)?.parse().ok()).flatten()
    });
    Some(Ids { user: id, groups: [main].into_iter().chain(others).collect() })
}

/// Of group(5): its fields, by what is in one of them.
fn group_with(nth: usize, is: &str) -> Option<Vec<String>> {
    let text = fs::read_to_string("/etc/group").ok()?;
    let fields = |line: &str| line.split(':').map(str::to_owned).collect::<Vec<_>>();
    text.lines().map(fields).find(|fields| fields.get(nth).is_some_and(|field| field == is))
}

fn group_id(name: &str) -> Option<u32> {
    name.parse().ok().or_else(|| group_with(0, name)?.get(2)?.parse().ok())
}

fn group_named(id: u32) -> Option<String> {
    group_with(2, &id.to_string())?.into_iter().next()
}

impl ServiceUnit {
    /// The unit that runs with this configuration, with what its drop-ins say.
    fn of(config: &Path) -> Self {
        let witness = config.file_name().is_some_and(|name| name == "witness.toml");
        let name = if witness { "slackwater-witness.service" } else { "slackwater.service" };
        let own = name.trim_end_matches(".service");
        let mut unit = Self {
            name,
            writes: vec![Path::new("/var/lib").join(own), Path::new("/run").join(own)],
            credentials: Vec::new(),
            devices: false,
            groups: Vec::new(),
        };
        for folder in UNITS {
            unit.read(&Path::new(folder).join(name));
            let drop_ins = fs::read_dir(Path::new(folder).join(format!("{name}.d")));
            drop_ins.into_iter().flatten().flatten().for_each(|entry| unit.read(&entry.path()));
        }
        unit
    }

    fn read(&mut self, file: &Path) {
        fs::read_to_string(file).unwrap_or_default().lines().for_each(|line| self.take(line.trim()));
    }

    /// One line of a unit: systemd.exec(5).
    fn take(&mut self, line: &str) {
        let Some((key, value)) = line.split_once('=') else { return };
        match key.trim() {
            "ReadWritePaths" => {
                let paths = value.split_whitespace().map(|path| path.trim_start_matches(['-', '+']));
                self.writes.extend(paths.map(PathBuf::from));
            }
            "LoadCredential" | "LoadCredentialEncrypted" => {
                self.credentials.extend(value.split_once(':').map(|(_, path)| PathBuf::from(path.trim())));
            }
            "PrivateDevices" => {
                self.devices = ["no", "false", "off", "0"].contains(&value.trim().to_lowercase().as_str());
            }
            "SupplementaryGroups" => self.groups.extend(value.split_whitespace().filter_map(group_id)),
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Environment;
    use std::os::unix::fs::PermissionsExt as _;

    const STRANGER: Ids = Ids { user: 4_000_001, groups: Vec::new() };

    fn set(path: &Path, mode: u32) {
        fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
    }

    fn unit(writes: Vec<PathBuf>) -> ServiceUnit {
        ServiceUnit { name: "a unit", writes, credentials: Vec::new(), devices: false, groups: Vec::new() }
    }

    fn seen(change: impl FnOnce(&Path)) -> Vec<String> {
        seen_with("", |folder, unit| {
            change(folder);
            unit
        })
    }

    /// A site in a folder, with its journal in `state` and these sections more (`HERE` is the
    /// folder), as a service's user sees it.
    fn seen_with(more: &str, change: impl FnOnce(&Path, ServiceUnit) -> ServiceUnit) -> Vec<String> {
        let folder = tempfile::tempdir().unwrap();
        let state = folder.path().join("state");
        fs::create_dir(&state).unwrap();
        let config = folder.path().join("agent.toml");
        let text = format!(
            "[site]\nrules = \"rules.toml\"\nzone = \"UTC\"\n[broker]\nhost = \"localhost\"\n[journal]\n\
             path = \"{0}/journal.sqlite\"\n[control]\nsocket = \"{0}/control.sock\"\n",
            state.display()
        );
        let more = more.replace("HERE", &folder.path().display().to_string());
        for file in ["web.key", "modem", "mail-password"] {
            fs::write(folder.path().join(file), file).unwrap();
            set(&folder.path().join(file), if file.ends_with("password") { 0o600 } else { 0o644 });
        }
        fs::write(&config, text + &more).unwrap();
        let rules = "[sensor.ph]\ntopic = \"ph\"\nmeasures = \"ph\"\nunit = \"pH\"\nevery = \"1 min\"\n";
        fs::write(folder.path().join("rules.toml"), rules).unwrap();
        set(folder.path(), 0o755);
        set(&state, 0o777);
        set(&config, 0o644);
        set(&folder.path().join("rules.toml"), 0o644);
        let site = SiteFiles::load(&config, &Environment::default()).unwrap();
        let unit = change(folder.path(), unit(vec![state]));
        let said = look(&config, &site, &STRANGER, &unit);
        let place = folder.path().display().to_string();
        said.iter().map(|line| line.replace(&place, "HERE")).collect()
    }

    #[test]
    fn what_the_services_user_can_use_is_not_named() {
        assert_eq!(seen(|_| {}), [""; 0]);
    }

    #[test]
    fn a_file_that_only_root_can_read_is_named_with_its_remedy() {
        let said = seen(|folder| set(&folder.join("rules.toml"), 0o600));
        assert_eq!(said, ["slackwater can't read HERE/rules.toml: `chown slackwater HERE/rules.toml`"]);
    }

    #[test]
    fn a_folder_that_can_t_be_entered_is_named_once_for_each_file_in_it() {
        let said = seen(|folder| set(folder, 0o700));
        assert!(said.iter().all(|line| line.contains("can't enter HERE")), "{said:?}");
        assert!(said.iter().any(|line| line.contains("HERE/agent.toml")), "{said:?}");
    }

    #[test]
    fn a_state_folder_that_can_t_be_written_is_named() {
        let said = seen(|folder| set(&folder.join("state"), 0o755));
        assert_eq!(said, ["slackwater can't write to HERE/state: `chown -R slackwater HERE/state`"]);
    }

    #[test]
    fn a_place_outside_of_the_units_folders_is_named() {
        let unit = unit(vec!["/var/lib/x".into(), "/run/x".into()]);
        let said = unwritable(Path::new("/etc/x"), &STRANGER, &unit);
        let expected = "a unit may write to /var/lib/x and /run/x only, not to /etc/x: name a place there";
        assert_eq!(said.as_deref(), Some(expected));
        assert_eq!(unwritable(Path::new("/run/x/not-yet"), &STRANGER, &unit), None);
    }

    #[cfg(feature = "web")]
    #[test]
    fn the_page_s_own_key_is_one_of_the_files_that_the_service_has_to_read() {
        let web = "[web]\ncertificate-file = \"HERE/web.pem\"\nkey-file = \"HERE/web.key\"\n";
        let made = rcgen::generate_simple_self_signed(vec!["halyard.example".to_owned()]).unwrap();
        let certificate = tempfile::NamedTempFile::new().unwrap();
        fs::write(certificate.path(), made.cert.pem()).unwrap();
        set(certificate.path(), 0o644);
        let web = &web.replace("HERE/web.pem", &certificate.path().display().to_string());
        let closed = |folder: &Path, unit| {
            set(&folder.join("web.key"), 0o600);
            unit
        };
        let said = seen_with(web, closed);
        assert_eq!(said, ["slackwater can't read HERE/web.key: `chown slackwater HERE/web.key`"]);
        assert_eq!(seen_with(web, |_, unit| unit), [""; 0]);
    }

    #[test]
    fn a_secret_is_to_be_read_or_handed_over() {
        let mail = "[mail]\nhost = \"localhost\"\nfrom = \"watch@example.org\"\nuser = \"watch\"\npassword-file = \"HERE/mail-password\"\n";
        let said = seen_with(mail, |_, unit| unit);
        assert_eq!(said, ["slackwater can't read HERE/mail-password: `chown slackwater HERE/mail-password`"]);
        let handed_over =
            |folder: &Path, unit| ServiceUnit { credentials: vec![folder.join("mail-password")], ..unit };
        assert_eq!(seen_with(mail, handed_over), [""; 0]);
    }

    #[test]
    fn a_modem_that_the_sandbox_hides_or_its_group_keeps_is_named() {
        let modem = "[modem]\ndevice = \"HERE/modem\"\n";
        let said = seen_with(modem, |_, unit| unit);
        assert!(
            said.len() == 1 && said[0].starts_with("a unit sees no devices, and HERE/modem is one"),
            "{said:?}"
        );
        let of = |mode: u32, groups: &[u32]| {
            seen_with(modem, |folder, unit| {
                set(&folder.join("modem"), mode);
                ServiceUnit { devices: true, groups: groups.to_vec(), ..unit }
            })
        };
        let own = rustix::process::getegid().as_raw();
        assert_eq!(of(0o666, &[]), [""; 0]);
        assert_eq!(of(0o660, &[own]), [""; 0]);
        let said = of(0o660, &[]);
        assert!(
            said.len() == 1 && said[0].contains("can't use HERE/modem: `SupplementaryGroups="),
            "{said:?}"
        );
    }

    #[test]
    fn what_a_home_folder_holds_the_service_can_t_see() {
        assert!(unreadable(Path::new("/home/ines/ca.pem"), &STRANGER).is_some());
    }

    #[test]
    fn a_unit_s_drop_ins_open_folders_and_hand_secrets_over() {
        let mut unit = unit(Vec::new());
        unit.take("ReadWritePaths=/srv/pages -/srv/more");
        unit.take("LoadCredential=mail-password:/etc/slackwater/secrets/mail-password");
        unit.take("#LoadCredential=x:/y");
        unit.take("PrivateDevices=yes");
        assert!(!unit.devices);
        unit.take("PrivateDevices=no");
        unit.take("SupplementaryGroups=root 20");
        assert!(unit.devices && unit.groups == [0, 20]);
        assert_eq!(unit.writes, [Path::new("/srv/pages"), Path::new("/srv/more")]);
        assert_eq!(unit.credentials, [Path::new("/etc/slackwater/secrets/mail-password")]);
    }

    #[test]
    fn ids_come_with_the_groups_of_the_user() {
        let passwd = "root:x:0:0::/root:/bin/sh\nslackwater:x:990:980::/:/usr/sbin/nologin\n";
        let group = "slackwater:x:980:\ndialout:x:20:ines,slackwater\nadm:x:4:ines\n";
        let ids = ids_in("slackwater", passwd, group).unwrap();
        assert_eq!((ids.user, ids.groups), (990, vec![980, 20]));
        assert!(ids_in("tom", passwd, group).is_none());
    }
}

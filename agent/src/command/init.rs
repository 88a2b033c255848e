//! `slackwater init`: a folder in, a small site that can be checked, rehearsed and run out. It
//! asks, on a terminal, or is told by flags: which tanks, which broker, who is told. A beginner
//! changes what is there sooner than he writes what is not.

mod answers;

use super::failed;
use crate::output::outln;
use answers::{InitAnswers, ask, is_slug};
use rustix::fs::{Gid, Mode, chmod, chown};
use std::fs::OpenOptions;
use std::io::{IsTerminal as _, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Where to, and what is known already.
#[derive(clap::Args, Debug)]
pub(super) struct Init {
    /// The folder; made if it is not there. For the service: /etc/slackwater.
    #[arg(value_name = "FOLDER", default_value = ".")]
    folder: PathBuf,
    /// A tank: small letters, digits and hyphens. Once for each.
    #[arg(long = "tank", value_name = "NAME", value_parser = tank)]
    tanks: Vec<String>,
    /// The broker's name or address, and its port.
    #[arg(long, value_name = "HOST[:PORT]")]
    broker: Option<String>,
    /// The user that the broker knows the watch as; its password goes into the file that is named
    /// then.
    #[arg(long, value_name = "USER")]
    broker_user: Option<String>,
    /// Who is told, as pages say it.
    #[arg(long, value_name = "NAME")]
    who: Option<String>,
    /// Where that person gets mail.
    #[arg(long, value_name = "ADDRESS", requires = "mail_host")]
    mail: Option<String>,
    /// The server that mail goes through; its user is the address.
    #[arg(long, value_name = "HOST", requires = "mail")]
    mail_host: Option<String>,
}

fn tank(text: &str) -> Result<String, String> {
    match is_slug(text) {
        true => Ok(text.to_owned()),
        false => Err("small letters a to z, digits and hyphens are expected".to_owned()),
    }
}

/// Where the service has its configuration: what is written there is for its user and its sandbox.
const SERVICE: &str = "/etc/slackwater";

/// The group of the service's user.
const GROUP: &str = "slackwater";

/// Where the watch may write.
#[derive(Debug, PartialEq, Eq)]
struct Writable {
    journal: &'static str,
    socket: &'static str,
    pages: &'static str,
}

/// The folders that the unit makes for it; elsewhere all stands beside the files.
const OF_SERVICE: Writable = Writable {
    journal: "/var/lib/slackwater/journal.sqlite",
    socket: "/run/slackwater/control.sock",
    pages: "/var/lib/slackwater/pages",
};
const BESIDE: Writable = Writable { journal: "journal.sqlite", socket: "control.sock", pages: "pages" };

fn is_service(folder: &Path) -> bool {
    std::path::absolute(folder).unwrap_or_else(|_| folder.to_owned()).starts_with(SERVICE)
}

fn writable(folder: &Path) -> &'static Writable {
    if is_service(folder) { &OF_SERVICE } else { &BESIDE }
}

pub(super) fn write(init: &Init) -> ExitCode {
    let told = InitAnswers {
        tanks: init.tanks.clone(),
        broker: init.broker.clone(),
        broker_user: init.broker_user.clone(),
        who: init.who.clone(),
        mail: init.mail.clone().zip(init.mail_host.clone()),
    };
    if let Err(text) = free(&init.folder) {
        return failed(&text);
    }
    let answers = match told == InitAnswers::default() && std::io::stdin().is_terminal() {
        true => ask(&mut std::io::stdin().lock(), &mut std::io::stdout()),
        false => told,
    };
    match write_all(&init.folder, &answers) {
        Ok(written) => {
            let names: Vec<_> = written.iter().map(|path| path.display().to_string()).collect();
            outln!("{} written: make them yours.", names.join(" and "));
            secrets(&init.folder, &answers).iter().for_each(|line| outln!("{line}"));
            outln!("Next:");
            next(&init.folder).iter().for_each(|line| outln!("  {line}"));
            ExitCode::SUCCESS
        }
        Err(text) => failed(&text),
    }
}

/// Which secrets the files name, and how each gets to its place.
fn secrets(folder: &Path, answers: &InitAnswers) -> Vec<String> {
    let owner = if is_service(folder) { format!("-o {GROUP} ") } else { String::new() };
    let line = |name: &str| {
        let file = folder.join("secrets").join(name);
        format!("Type the {}: install -D {owner}-m 600 /dev/stdin {}", name.replace('-', " "), file.display())
    };
    let broker = answers.broker_user.as_ref().map(|_| line("broker-password"));
    broker.into_iter().chain(answers.mail.as_ref().map(|_| line("mail-password"))).collect()
}

/// The next three commands to type.
fn next(folder: &Path) -> Vec<String> {
    if is_service(folder) {
        let config = match folder == Path::new(SERVICE) {
            true => String::new(),
            false => format!(" --config {}", folder.join("agent.toml").display()),
        };
        return vec![
            format!(
                "slackwater listen{config}        # what is on the broker, and a rule file to begin with"
            ),
            format!("slackwater check --live{config}  # once rules.toml is yours"),
            "systemctl enable --now slackwater".to_owned(),
        ];
    }
    let cd = if folder == Path::new(".") { String::new() } else { format!("cd {}; ", folder.display()) };
    vec![
        format!("{cd}slackwater listen   # what is on the broker, and a rule file to begin with"),
        "slackwater check --live   # once rules.toml is yours".to_owned(),
        "slackwater run".to_owned(),
    ]
}

fn free(folder: &Path) -> Result<(), String> {
    let files = ["agent.toml", "rules.toml"].map(|name| folder.join(name));
    match files.iter().find(|path| path.exists()) {
        Some(there) => Err(format!("{} is there already: nothing was written", there.display())),
        None => Ok(()),
    }
}

/// Writes all files or none over: what is there already stays as it is.
fn write_all(folder: &Path, answers: &InitAnswers) -> Result<Vec<PathBuf>, String> {
    free(folder)?;
    std::fs::create_dir_all(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    let places = writable(folder);
    let agent = answers
        .agent(include_str!("init/agent.toml"))
        .replace("{journal}", places.journal)
        .replace("{socket}", places.socket)
        .replace("{pages}", places.pages);
    let rules = answers.rules(include_str!("init/rules.toml"));
    let files = [("agent.toml", agent), ("rules.toml", rules)].map(|(name, text)| (folder.join(name), text));
    for (path, text) in &files {
        let mut file = OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(path)
            .map_err(|error| format!("{}: {error}", path.display()))?;
        file.write_all(text.as_bytes()).map_err(|error| format!("{}: {error}", path.display()))?;
    }
    let files = files.map(|(path, _)| path).to_vec();
    if is_service(folder) {
        open_to_service(folder, &files)?;
    }
    Ok(files)
}

/// For the service's user to read, and for nobody else but root; if there is that user already.
fn open_to_service(folder: &Path, files: &[PathBuf]) -> Result<(), String> {
    let groups = std::fs::read_to_string("/etc/group").unwrap_or_default();
    let mut fields = groups.lines().map(|line| line.split(':').collect::<Vec<_>>());
    let own = fields.find(|fields| fields.first() == Some(&GROUP));
    let Some(id) = own.and_then(|fields| fields.get(2)?.parse().ok()) else { return Ok(()) };
    let give = |path: &Path, mode: u32| {
        let given =
            chown(path, None, Some(Gid::from_raw(id))).and_then(|()| chmod(path, Mode::from_raw_mode(mode)));
        given.map_err(|error| format!("{}: {error}", path.display()))
    };
    give(folder, 0o750)?;
    files.iter().try_for_each(|file| give(file, 0o640))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Environment;
    use crate::site::SiteFiles;
    use slackwater_rules::rehearsal::probe;

    #[test]
    fn what_init_writes_can_run_and_each_of_its_alarms_rings() {
        let folder = tempfile::tempdir().unwrap();
        write_all(folder.path(), &InitAnswers::default()).unwrap();
        let site = SiteFiles::load(&folder.path().join("agent.toml"), &Environment::default()).unwrap();
        assert_eq!(site.warnings, "");
        let probes = probe(&site.plan);
        assert!(probes.len() >= 4 && probes.iter().all(|found| found.raised.is_some()), "{probes:?}");
    }

    #[test]
    fn what_was_answered_stands_in_files_that_pass() {
        let folder = tempfile::tempdir().unwrap();
        let answers = InitAnswers {
            tanks: vec!["lagoon".into(), "harbour-2".into()],
            broker: Some("10.0.0.5:8884".into()),
            broker_user: None,
            who: Some("Ines \"the keeper\" \\".into()),
            mail: Some(("ines@example.org".into(), "mail.example.org".into())),
        };
        write_all(folder.path(), &answers).unwrap();
        let secrets = folder.path().join("secrets");
        std::fs::create_dir(&secrets).unwrap();
        std::fs::write(secrets.join("mail-password"), "neap").unwrap();
        chmod(secrets.join("mail-password"), Mode::from_raw_mode(0o600)).unwrap();
        let site = SiteFiles::load(&folder.path().join("agent.toml"), &Environment::default());
        let site = site.unwrap_or_else(|wrong| panic!("{}", wrong.text));
        assert_eq!(site.plan.tanks.len(), 2);
        assert_eq!(
            site.settings.broker.places.first().map(ToString::to_string).as_deref(),
            Some("10.0.0.5:8884")
        );
        assert_eq!(site.settings.contacts["me"].name, "Ines \"the keeper\" \\");
        let targets: Vec<_> = site.settings.channels.keys().map(ToString::to_string).collect();
        assert_eq!(targets, ["me.folder", "me.mail"]);
        assert!(probe(&site.plan).iter().all(|found| found.raised.is_some()));
    }

    #[test]
    fn for_the_service_all_that_is_written_is_where_it_may_write() {
        for folder in ["/etc/slackwater", "/etc/slackwater/", "/etc/slackwater/second-site"] {
            assert_eq!(writable(Path::new(folder)), &OF_SERVICE);
        }
        for folder in ["/etc/slackwater-old", "tanks", "."] {
            assert_eq!(writable(Path::new(folder)), &BESIDE);
        }
    }

    #[test]
    fn init_never_writes_over_a_file() {
        let folder = tempfile::tempdir().unwrap();
        let rules = folder.path().join("rules.toml");
        std::fs::write(&rules, "mine").unwrap();
        let why = write_all(folder.path(), &InitAnswers::default()).unwrap_err();
        assert!(why.contains("rules.toml is there already"), "{why}");
        assert_eq!(std::fs::read_to_string(rules).unwrap(), "mine");
        assert!(!folder.path().join("agent.toml").exists());
    }
}

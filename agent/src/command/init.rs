//! `slackwater init`: an empty folder in, a small site that can be checked, rehearsed and run
//! out. A beginner changes what is there sooner than he writes what is not.

use super::failed;
use std::fs::OpenOptions;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

const FILES: [(&str, &str); 2] =
    [("agent.toml", include_str!("init/agent.toml")), ("rules.toml", include_str!("init/rules.toml"))];

/// Where to.
#[derive(clap::Args, Debug)]
pub(super) struct Init {
    /// The folder; made if it is not there.
    #[arg(value_name = "FOLDER", default_value = ".")]
    folder: PathBuf,
}

/// Where the service has its configuration: what is written there is for its user and its sandbox.
const SERVICE: &str = "/etc/slackwater";

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

fn writable(folder: &Path) -> &'static Writable {
    let absolute = std::path::absolute(folder).unwrap_or_else(|_| folder.to_owned());
    if absolute.starts_with(SERVICE) { &OF_SERVICE } else { &BESIDE }
}

pub(super) fn write(init: &Init) -> ExitCode {
    match write_all(&init.folder) {
        Ok(written) => {
            let names: Vec<_> = written.iter().map(|path| path.display().to_string()).collect();
            println!("{} written: make them yours.", names.join(" and "));
            match init.folder.as_path() {
                here if here == Path::new(".") => println!("Next: slackwater check"),
                folder => println!("Next: cd {}; slackwater check", folder.display()),
            }
            ExitCode::SUCCESS
        }
        Err(text) => failed(&text),
    }
}

/// Writes all files or none over: what is there already stays as it is.
fn write_all(folder: &Path) -> Result<Vec<PathBuf>, String> {
    std::fs::create_dir_all(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    let places = writable(folder);
    let files = FILES.map(|(name, text)| {
        let text = text
            .replace("{journal}", places.journal)
            .replace("{socket}", places.socket)
            .replace("{pages}", places.pages);
        (folder.join(name), text)
    });
    if let Some((there, _)) = files.iter().find(|(path, _)| path.exists()) {
        return Err(format!("{} is there already: nothing was written", there.display()));
    }
    for (path, text) in &files {
        let mut file = OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(path)
            .map_err(|error| format!("{}: {error}", path.display()))?;
        file.write_all(text.as_bytes()).map_err(|error| format!("{}: {error}", path.display()))?;
    }
    Ok(files.map(|(path, _)| path).to_vec())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Environment;
    use crate::site::Site;
    use slackwater_rules::rehearsal::probe;

    #[test]
    fn what_init_writes_can_run_and_each_of_its_alarms_rings() {
        let folder = tempfile::tempdir().unwrap();
        write_all(folder.path()).unwrap();
        let site = Site::load(&folder.path().join("agent.toml"), &Environment::default()).unwrap();
        assert_eq!(site.warnings, "");
        let probes = probe(&site.plan);
        assert!(probes.len() >= 4 && probes.iter().all(|found| found.raised.is_some()), "{probes:?}");
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
        let why = write_all(folder.path()).unwrap_err();
        assert!(why.contains("rules.toml is there already"), "{why}");
        assert_eq!(std::fs::read_to_string(rules).unwrap(), "mine");
        assert!(!folder.path().join("agent.toml").exists());
    }
}

//! The shipped units under systemd's own eyes: they are understood without a warning, and are
//! well locked up. Where systemd's tools are missing the tests say so and pass, unless
//! SLACKWATER_NEED_REAL=1 says that nothing may be left out.

#![cfg(test)]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Of 100, where 0 is best: what `systemd-analyze security` calls "OK" or better ends at 20.
const WORST_EXPOSURE: u32 = 20;

fn shipped(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../systemd").join(name)
}

/// Runs a tool; nothing if it is not on this machine.
fn tool(program: &str, arguments: &[&str]) -> Option<Output> {
    match Command::new(program).args(arguments).output() {
        Ok(output) => Some(output),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            let needed = std::env::var("SLACKWATER_NEED_REAL").is_ok_and(|value| value == "1");
            assert!(!needed, "SLACKWATER_NEED_REAL=1, but {program} is not on this machine");
            eprintln!("left out: {program} is not on this machine");
            None
        }
        Err(error) => panic!("{program}: {error}"),
    }
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&[output.stdout.as_slice(), &output.stderr].concat()).into_owned()
}

/// The agent and the witness, each with what it runs.
const UNITS: [(&str, &str); 2] = [("slackwater.service", "run"), ("slackwater-witness.service", "witness")];

/// The unit with this build's program in place of the installed one, in a folder of its own.
fn unit(folder: &Path, (name, verb): (&str, &str)) -> PathBuf {
    let text = std::fs::read_to_string(shipped(name)).expect("the unit");
    assert!(text.contains(&format!("ExecStart=/usr/bin/slackwater {verb} ")));
    let here = text
        .replace("/usr/bin/slackwater", env!("CARGO_BIN_EXE_slackwater"))
        .replace("man:slackwater(1)", "https://example.org/");
    let path = folder.join(name);
    std::fs::write(&path, here).expect("written");
    path
}

#[test]
fn systemd_understands_the_unit_without_a_warning() {
    let folder = tempfile::tempdir().expect("a folder");
    for shipped in UNITS {
        let unit = unit(folder.path(), shipped);
        let Some(output) = tool("systemd-analyze", &["verify", "--man=no", &unit.display().to_string()])
        else {
            return;
        };
        // Units of the machine that the verification drags in may have warnings of their own.
        let ours: Vec<_> =
            said(&output).lines().filter(|line| line.contains("slackwater")).map(str::to_owned).collect();
        assert!(ours.is_empty() && output.status.success(), "{}", said(&output));
    }
}

#[test]
fn the_unit_is_well_locked_up() {
    let folder = tempfile::tempdir().expect("a folder");
    for shipped in UNITS {
        let (unit, threshold) = (unit(folder.path(), shipped), format!("--threshold={WORST_EXPOSURE}"));
        let arguments = ["security", "--offline=true", "--no-pager", &threshold, &unit.display().to_string()];
        let Some(output) = tool("systemd-analyze", &arguments) else { return };
        assert!(output.status.success(), "{}", said(&output));
    }
}

#[test]
fn a_wrong_configuration_is_not_tried_again_and_the_clock_can_be_read() {
    for (name, _) in UNITS {
        let text = std::fs::read_to_string(shipped(name)).expect("the unit");
        is_careful(&text.lines().collect::<Vec<_>>());
    }
}

fn is_careful(lines: &[&str]) {
    for line in [
        "Type=notify",
        "Restart=on-failure",
        "RestartPreventExitStatus=78",
        "StartLimitIntervalSec=0",
        // ProtectClock= forbids even reading adjtimex: systemd.exec(5).
        "SystemCallFilter=adjtimex clock_adjtime clock_adjtime64",
    ] {
        assert!(lines.contains(&line), "{line}");
    }
    for word in ["ProtectClock=", "network-online.target", "ProcSubset="] {
        assert!(
            !lines.iter().any(|line| line.starts_with(word) || line.contains(&format!("={word}"))),
            "{word}"
        );
    }
}

#[test]
fn the_user_of_the_unit_is_the_one_that_is_made() {
    let Some(output) =
        tool("systemd-sysusers", &["--dry-run", &shipped("slackwater.sysusers").display().to_string()])
    else {
        return;
    };
    assert!(output.status.success(), "{}", said(&output));
}

//! Makes the man pages, and the shells' completions if a folder for them is named too:
//! `cargo run -p slackwater-tests --bin manual -- FOLDER DATE [COMPLETIONS]`.

use clap::CommandFactory as _;
use clap_complete::{Shell, generate_to};
use slackwater::command::Cli;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let (Some(folder), Some(date)) = (arguments.next(), arguments.next()) else {
        eprintln!("a folder and the date of the release are expected: manual target/man 2026-11-29");
        return ExitCode::from(2);
    };
    let completions = arguments.next().map_or(Ok(()), |folder| complete(Path::new(&folder)));
    match completions.and_then(|()| write(&PathBuf::from(folder), &date)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn write(folder: &Path, date: &str) -> Result<(), String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    std::fs::create_dir_all(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    for (name, text) in slackwater_tests::manual::pages(&root, date)? {
        let path = folder.join(name);
        std::fs::write(&path, text).map_err(|error| format!("{}: {error}", path.display()))?;
        println!("{}", path.display());
    }
    Ok(())
}

fn complete(folder: &Path) -> Result<(), String> {
    let failed = |error: std::io::Error| format!("{}: {error}", folder.display());
    std::fs::create_dir_all(folder).map_err(failed)?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        println!(
            "{}",
            generate_to(shell, &mut Cli::command(), "slackwater", folder).map_err(failed)?.display()
        );
    }
    Ok(())
}

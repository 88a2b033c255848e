//! Prints how the code is laid out, in figures: `cargo run -p slackwater-tests --bin structure
//! [FOLDER]`. FOLDER is a clone of the repository, also one of another commit; this one if it is
//! left out.

use std::path::PathBuf;
use std::process::ExitCode;

fn main() -> ExitCode {
    let here = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/.."));
    let root = std::env::args_os().nth(1).map_or(here, PathBuf::from);
    match slackwater_tests::structure::measure(&root) {
        Ok(structure) => {
            print!("{structure}");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

//! The demo.
pub mod broker;
/// x
#[derive(Debug, clap::Args)]
pub struct Demo {}
/// x
pub async fn play(_: Demo) -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}

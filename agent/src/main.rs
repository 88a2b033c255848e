//! The `slackwater` program. Only this file ends the process.

fn main() -> std::process::ExitCode {
    slackwater::command::main()
}

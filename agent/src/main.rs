//! The `slackwater` program. It ends here, or where what it prints has lost its reader (`output`).

fn main() -> std::process::ExitCode {
    slackwater::command::main()
}

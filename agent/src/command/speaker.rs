//! Who speaks: a name for the journal, as told on the command line or by the login.

use clap::Args;

/// Who speaks.
#[derive(Args, Clone, Debug)]
pub(super) struct Speaker {
    /// The name to record; your login name if none is given.
    #[arg(long = "as", value_name = "NAME")]
    pub(super) who: Option<String>,
}

impl Speaker {
    /// As told, or by the login.
    pub(super) fn name(self) -> String {
        let login = || std::env::var("SUDO_USER").or_else(|_| std::env::var("USER")).ok();
        self.who.or_else(login).unwrap_or_else(|| "someone".to_owned())
    }
}

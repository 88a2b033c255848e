//! `slackwater web`: who may sign in on the page in the house, and who is signed in.

use super::{Config, ask};
use crate::control::Request;
use crate::web::ask::WebCommand;
use clap::{Args, Subcommand};
use std::process::ExitCode;

/// What is wanted of the page.
#[derive(Args, Debug)]
pub(super) struct WebArgs {
    #[command(subcommand)]
    pub(super) what: WebVerb,
}

#[derive(Debug, Subcommand)]
pub(super) enum WebVerb {
    /// Print a link, and a square for a phone's camera, that signs a contact in: once, within ten
    /// minutes.
    #[command(after_help = "Example: slackwater web invite ines")]
    Invite {
        /// The contact, by the name in agent.toml.
        who: String,
        #[command(flatten)]
        config: Config,
    },
    /// List the devices that are signed in.
    #[command(after_help = "Example: slackwater web sessions")]
    Sessions {
        #[command(flatten)]
        config: Config,
    },
    /// Sign a device out, or all of a contact's.
    #[command(after_help = "Example: slackwater web withdraw 3fa09c1e\n         slackwater web withdraw tom")]
    Withdraw {
        /// The beginning of a session's mark, or the contact.
        which: String,
        #[command(flatten)]
        config: Config,
    },
}

pub(super) async fn carry_out(verb: WebVerb) -> ExitCode {
    match verb {
        WebVerb::Invite { who, config } => ask(&config, Request::Web(WebCommand::Invite { who })).await,
        WebVerb::Sessions { config } => ask(&config, Request::Web(WebCommand::Sessions)).await,
        WebVerb::Withdraw { which, config } => {
            ask(&config, Request::Web(WebCommand::Withdraw { which })).await
        }
    }
}

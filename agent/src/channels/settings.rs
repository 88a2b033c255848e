//! What a channel needs to know, checked by the configuration.

use super::{AcceptedIf, Proxy};
use crate::modem::Number;
use crate::secret::Secret;
use crate::tls::ClientIdentity;
use lettre::message::Mailbox;
use slackwater_rules::plan::{ChannelKind, SirenLimits};
use slackwater_rules::time::Span;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// One way to reach someone.
#[derive(Clone, Debug, PartialEq)]
pub enum ChannelSettings {
    /// A mail to this address.
    Mail(Mailbox),
    /// An HTTPS request.
    Push(Box<PushSettings>),
    /// A file in a folder.
    Folder(FolderSettings),
    /// An MQTT publish.
    Siren(SirenSettings),
    /// A text to this number.
    Text(Number),
    /// A ring that wakes.
    Ring(RingSettings),
    /// One that can't be used as it is set up: pages for it fail at once, and go another way.
    Unusable(UnusableChannel),
}

/// A telephone that rings for a while, and is hung up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RingSettings {
    /// The number.
    pub to: Number,
    /// It rings for so long.
    pub length: Span,
}

/// What stands in the place of a channel whose password, certificate or text can't be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnusableChannel {
    /// What it would carry.
    pub kind: ChannelKind,
    /// Whether it would need the router.
    pub needs_router: bool,
    /// What is in the way, for people.
    pub why: String,
}

/// The mail server.
#[derive(Clone, Debug, PartialEq)]
pub struct MailSettings {
    /// Name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// How the connection is encrypted.
    pub security: Security,
    /// The user that the server knows us as.
    pub user: Option<String>,
    /// That user's password; present exactly if the user is.
    pub password: Option<Secret>,
    /// The sender of every page.
    pub from: Mailbox,
    /// PEM certificates to trust instead of the system's.
    pub ca_file: Option<PathBuf>,
    /// Who we are, where the server wants a certificate.
    pub identity: Option<ClientIdentity>,
    /// The name that we give when we greet the server (RFC 5321, 4.1.1.1); the machine's full name
    /// if none, or its address if it has no full one.
    pub hello: Option<String>,
    /// One attempt may take this long, from connecting to the server's last word.
    pub timeout: Span,
}

/// How a mail connection is encrypted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Security {
    /// Plain at first, then STARTTLS (RFC 3207), which the server must offer.
    Starttls,
    /// TLS from the first byte (RFC 8314).
    Tls,
    /// None: only to this very machine.
    Plain,
}

/// A push gateway.
#[derive(Clone, Debug, PartialEq)]
pub struct PushSettings {
    /// Absolute; `https`, or `http` to this very machine. Kept secret, since many gateways put
    /// a token into its path or query.
    pub url: Secret,
    /// `POST` or `PUT`.
    pub method: hyper::Method,
    /// Headers that may be seen.
    pub headers: BTreeMap<String, String>,
    /// Headers that may not.
    pub secret_headers: BTreeMap<String, Secret>,
    /// The keeper's own body; a CloudEvents 1.0 event in JSON if none.
    pub template: Option<String>,
    /// Of the body.
    pub content_type: String,
    /// What a good answer says beside its status, for gateways that say 200 in any case.
    pub accepted_if: Option<AcceptedIf>,
    /// By way of this machine.
    pub proxy: Option<Proxy>,
    /// Who we are, where the gateway wants a certificate.
    pub identity: Option<ClientIdentity>,
    /// PEM certificates to trust instead of the system's.
    pub ca_file: Option<PathBuf>,
    /// One attempt may take this long.
    pub timeout: Span,
}

/// A folder that pages are left in as mails, one file each: to try things out without a mail
/// account, or for another program to fetch.
#[derive(Clone, Debug, PartialEq)]
pub struct FolderSettings {
    /// The folder; made if it is missing.
    pub folder: PathBuf,
    /// The receiver that the mails name.
    pub to: Mailbox,
}

/// A siren or lamp behind an MQTT topic.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SirenSettings {
    /// Where commands go.
    pub topic: String,
    /// The payload that starts it.
    pub on: String,
    /// The payload that stops it.
    pub off: String,
    /// How long it may sound, and for what.
    pub limits: SirenLimits,
    /// A button beside it that hushes it: its topic, and what it says when it is pressed.
    pub hush: Option<(String, String)>,
}

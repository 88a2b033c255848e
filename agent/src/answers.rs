//! Answers by mail. One task keeps a connection to the mailbox in which replies to pages arrive
//! (`mailbox`, over `imap`), reads each new message of a contact (`letter`) and hands it to the
//! loop, which says what it comes to; then the message is marked or moved, never deleted, and
//! whoever wrote it is written back (`reply`). Reports of pages that did not arrive come the same
//! way (`returned`). What a message means is not decided here.

mod imap;
mod letter;
mod mailbox;
mod reply;
mod returned;
mod said;

pub use letter::Letter;
pub use mailbox::{ArrivedMail, LetterFate, Mailbox};
pub use returned::ReturnedMail;

use crate::channels::Security;
use crate::secret::Secret;
use lettre::message::Mailbox as Address;
use slackwater_rules::time::Span;
use std::path::PathBuf;

/// Connects, logs in and selects the folder; no message is read, marked or moved.
///
/// # Errors
/// What is in the way, in words for a person.
pub async fn try_out(settings: &MailboxSettings) -> Result<String, String> {
    let place = format!("{}:{}", settings.host, settings.port);
    match imap::Imap::open(settings).await {
        Ok(_) => Ok(format!("{place} takes our login, and has the folder {}", settings.folder)),
        Err(fault) => Err(format!("{place}: {fault}")),
    }
}

/// How people may answer, besides the command line and texts.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct AnswerSettings {
    /// Contacts publish their answers below this topic, each on the subtopic of their name.
    pub topic: Option<String>,
    /// Where replies to pages arrive.
    pub mailbox: Option<MailboxSettings>,
}

/// The mailbox in which replies to pages arrive.
#[derive(Clone, Debug, PartialEq)]
pub struct MailboxSettings {
    /// Name or address of its server.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// How the connection is encrypted.
    pub security: Security,
    /// Why its password and the mail may go without encryption, if they may.
    pub in_clear_because: Option<String>,
    /// The user that the server knows us as.
    pub user: String,
    /// That user's password.
    pub password: Secret,
    /// The folder in which mail arrives.
    pub folder: String,
    /// Where messages go that were handled; they are marked where they are if there is none.
    pub done: Option<String>,
    /// Where replies are to go, if not to the address that pages come from.
    pub address: Option<Address>,
    /// PEM certificates to trust instead of the system's.
    pub ca_file: Option<PathBuf>,
    /// One command may take this long.
    pub timeout: Span,
}

#[cfg(any(test, feature = "fuzzing"))]
/// What must hold for any octets that a mail server may send: responses end or break off, within
/// their bounds; and for any mail in them.
pub(crate) fn promise(octets: &[u8]) {
    said::promise(octets);
    letter::promise(octets);
}

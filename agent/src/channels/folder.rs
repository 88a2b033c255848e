//! The folder: a page becomes a mail in a file of its own, named by its number. To try things out
//! without a mail account, or for another program to fetch.

use super::enclosed::with_report;
use super::worker::Progress;
use super::{FolderSettings, SharedParts, email};
use lettre::message::Mailbox;
use slackwater_rules::page::Page;
use slackwater_rules::record::Outcome;
use std::fs;
use std::io::{self, Write};
use std::time::Duration;

/// Writing a small file takes no time, unless the disk is ill.
pub(super) const LIMIT: Duration = Duration::from_secs(20);

/// A folder that is set up.
pub(super) struct Folder {
    settings: FolderSettings,
    from: Mailbox,
}

impl Folder {
    pub(super) fn new(settings: &FolderSettings) -> Result<Self, Vec<String>> {
        let from = "slackwater@localhost".parse().map_err(|error| vec![format!("folder: {error}")])?;
        Ok(Self { settings: settings.clone(), from })
    }

    pub(super) async fn attempt(&self, page: &Page, context: &SharedParts, progress: &Progress) -> Outcome {
        let id = page.id;
        let page = with_report(page, context.reports.as_ref()).await;
        let message = match email::compose(&page, &self.from, &self.settings.to, context) {
            Ok(message) => message.formatted(),
            Err(error) => return Outcome::Failed { why: format!("the mail could not be written: {error}") },
        };
        progress.at("while writing");
        let name = format!("{}-{}.eml", context.names.name("page", id), self.settings.to.email.user());
        match self.write(&name, &message) {
            Ok(()) => Outcome::Accepted { note: format!("left as {name}") },
            Err(error) => {
                Outcome::deferred(format!("{}: {error}", self.settings.folder.join(name).display()))
            }
        }
    }

    /// Whether files can be left there; a folder that is not there yet is not made.
    pub(super) fn try_out(&self) -> Result<String, String> {
        let folder = &self.settings.folder;
        if !folder.exists() {
            return Ok(format!("{} is made by the first page", folder.display()));
        }
        let draft = folder.join(format!(".try-{}.part", std::process::id()));
        let tried = fs::File::create(&draft).and_then(|_| fs::remove_file(&draft));
        tried.map(|()| "can be written".to_owned()).map_err(|error| format!("{}: {error}", draft.display()))
    }

    /// Whole or not at all: whoever looks into the folder finds no half mail.
    fn write(&self, name: &str, message: &[u8]) -> io::Result<()> {
        fs::create_dir_all(&self.settings.folder)?;
        let draft = self.settings.folder.join(format!(".{name}.part"));
        let mut file = fs::File::create(&draft)?;
        file.write_all(message)?;
        file.sync_all()?;
        fs::rename(&draft, self.settings.folder.join(name))
    }
}

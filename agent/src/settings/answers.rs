//! `[answers]`: the ways by which people answer from wherever they are, besides texts, which come
//! with `[modem]`: a topic, and the mailbox in which replies to pages arrive.

use super::broker::{host, topic};
use super::channels::{mailbox, this_machine};
use super::files::Files;
use super::in_clear;
use super::reader::{line, port, span};
use crate::answers::{AnswerSettings, MailboxSettings};
use crate::channels::Security;
use slackwater_rules::diagnostic::{Finding, Item, Table};
use slackwater_rules::time::Span;

impl AnswerSettings {
    pub(super) fn read(item: Item<'_>, files: &Files<'_>, root: &Table<'_>) -> Option<Self> {
        let table = item.table()?;
        let topic = table.get("topic").and_then(topic);
        let mailbox = table.get("mail").and_then(|item| MailboxSettings::read(item, files));
        if !table.has("topic") && !table.has("mail") {
            let finding = Finding::error(
                table.span.clone(),
                "`[answers]` names no way to answer",
                "nothing stands here",
            );
            table.note(finding.help("give it a `topic`, or a mailbox by `[answers.mail]`"));
        }
        if table.has("mail") && !root.has("mail") {
            let title = "answers by mail could not be replied to";
            let finding =
                Finding::error(table.key_span("mail"), title, "it needs `[mail]`, which is missing");
            table.note(finding.help("`[mail]` names the server that pages and replies leave by"));
        }
        table.finish();
        Some(Self { topic, mailbox })
    }
}

/// RFC 8314: 993 for TLS from the first byte; 143 else.
const USUAL_PORTS: (u16, u16) = (993, 143);

impl MailboxSettings {
    fn read(item: Item<'_>, files: &Files<'_>) -> Option<Self> {
        let table = item.table()?;
        let host = table.need("host", "\"imap.example.org\"").and_then(host);
        let kinds = [("tls", Security::Tls), ("starttls", Security::Starttls), ("none", Security::Plain)];
        let security = table.get("security").and_then(|item| item.one_of(&kinds)).unwrap_or(Security::Tls);
        let in_clear_because = in_clear::because(&table);
        if let (Some(host), Security::Plain) = (&host, security)
            && !table.has("in-clear-because")
            && !this_machine(host)
        {
            let title = format!("the password and the mail would go to `{host}` in the clear");
            let finding = Finding::error(table.key_span("security"), title, "for everybody on the way");
            table
                .note(finding.help(
                    "use \"tls\" or \"starttls\", or say by `in-clear-because` why that is right here",
                ));
        }
        let usual_port = if security == Security::Tls { USUAL_PORTS.0 } else { USUAL_PORTS.1 };
        let port = table.get("port").and_then(port).unwrap_or(usual_port);
        let user = table.need("user", "\"watch@example.org\"").and_then(plain_line);
        let password = table.need("password-file", "\"imap-password\"").and_then(|item| files.secret(item));
        let folder = table.get("folder").and_then(plain_line);
        let done = table.get("done").and_then(plain_line);
        let address = table.get("address").and_then(mailbox);
        let ca_file = table.get("ca-file").and_then(|item| files.certificates(item));
        let timeout = table.get("timeout").and_then(|item| span(item, Span::seconds(5)..=Span::minutes(5)));
        let folder = folder.unwrap_or_else(|| "INBOX".to_owned());
        if done.as_ref().is_some_and(|done| done.eq_ignore_ascii_case(&folder)) {
            let title = "handled messages would stay where they are";
            table.note(Finding::error(table.key_span("done"), title, "the same as `folder`"));
        }
        table.finish();
        Some(Self {
            host: host?,
            port,
            security,
            in_clear_because,
            user: user?,
            password: password?,
            folder,
            done,
            address,
            ca_file,
            timeout: timeout.unwrap_or(Span::seconds(30)),
        })
    }
}

/// What the protocol can carry as it stands: RFC 3501 knows no other letters here.
fn plain_line(item: Item<'_>) -> Option<String> {
    let text = line(item)?;
    match text.bytes().all(|octet| (b' '..=b'~').contains(&octet)) {
        true => Some(text),
        false => item.wrong(
            format!("`{text}` can't be said to a mail server"),
            "letters without accents only",
            None,
        ),
    }
}

#[cfg(test)]
mod tests {
    use crate::settings::{Environment, Settings};
    use std::fs;
    use std::os::unix::fs::PermissionsExt as _;

    const LEAST: &str = "[site]\nrules = \"rules.toml\"\nzone = \"UTC\"\n[broker]\nhost = \"localhost\"\n";

    fn load(more: &str) -> Result<Settings, String> {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("agent.toml");
        fs::write(&file, format!("{LEAST}{more}")).expect("written");
        let secret = folder.path().join("imap-password");
        fs::write(&secret, "neap tide\n").expect("written");
        fs::set_permissions(&secret, fs::Permissions::from_mode(0o600)).expect("allowed");
        Settings::load(&file, &Environment::default()).map_err(|found| found.to_string())
    }

    const MAIL: &str = "[mail]\nhost = \"mail.example.org\"\nfrom = \"watch@example.org\"\n";

    fn mailbox(keys: &str) -> String {
        format!(
            "[answers.mail]\nhost = \"imap.example.org\"\nuser = \"watch\"\npassword-file = \"imap-password\"\n{keys}{MAIL}"
        )
    }

    #[test]
    fn a_topic_or_a_mailbox_is_enough() {
        let topic = load("[answers]\ntopic = \"room2/answers\"\n").expect("right");
        assert_eq!(topic.answer_topic().as_deref(), Some("room2/answers"));
        let settings = load(&mailbox("")).expect("right");
        let mailbox = settings.mailbox().expect("it is there");
        assert_eq!((mailbox.port, mailbox.folder.as_str(), mailbox.done.as_deref()), (993, "INBOX", None));
        assert!(!format!("{settings:?}").contains("neap tide"));
        assert!(settings.directory().mailbox, "its health has an alarm");
    }

    #[test]
    fn what_is_wrong_says_its_place_and_the_way_out() {
        for (more, said) in [
            ("[answers]\n".to_owned(), "`[answers]` names no way to answer"),
            ("[answers]\ntopic = \"room2/+\"\n".to_owned(), "it has a wildcard"),
            (mailbox("").replace(MAIL, ""), "answers by mail could not be replied to"),
            (mailbox("security = \"none\"\n"), "would go to `imap.example.org` in the clear"),
            (mailbox("done = \"inbox\"\n"), "handled messages would stay where they are"),
            (mailbox("folder = \"Entrée\"\n"), "can't be said to a mail server"),
            (mailbox("colour = 1\n"), "unknown key"),
            (
                "[modem]\ndevice = \"/dev/ttyUSB2\"\n[contact.ines.channel.ring]\nkind = \"ring\"\nto = \"+351900000012\"\n"
                    .to_owned(),
                "wakes somebody whom nothing tells why",
            ),
        ] {
            let wrong = load(&more).expect_err("it is wrong");
            assert!(wrong.contains(said) && wrong.contains("agent.toml:"), "{more}\n{wrong}");
        }
        let why = "security = \"none\"\nin-clear-because = \"its own cable to the server\"\n";
        let told = load(&mailbox(why)).expect("right").in_clear();
        assert!(told.iter().any(|(path, _)| path == "answers.mail.in-clear-because"), "{told:?}");
    }
}

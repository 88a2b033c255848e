//! An IMAP conversation (RFC 3501, with IDLE of RFC 2177 and MOVE of RFC 6851): connect, encrypt,
//! log in, look for messages of these people that have not been handled, read each, mark it or move
//! it, wait for more. Nothing is ever deleted. Each step is bounded in time by who asks.

use super::MailboxSettings;
use super::said::{Fetched, ImapFault, ImapSaid, LONGEST_LINE, MOST_OF_MESSAGE};
use crate::channels::Security;
use crate::dial::dial;
use crate::line_stream::{LineStream, Stream};
use crate::plain_text::tame;
use crate::tls;
use base64::Engine as _;
use base64::prelude::BASE64_STANDARD as BASE64;
use rustls::pki_types::ServerName;
use slackwater_rules::time::Wall;
use std::time::Duration;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;
use zeroize::Zeroizing;

/// Marks what was handled, where the server lets us have a mark of our own; else it is `\Answered`.
const MARK: &str = "SlackwaterHandled";

/// Responses to one command, or while nothing is asked: a busy mailbox tells of some changes.
const MOST_RESPONSES: usize = 2_000;

/// So much is shown of what a server says.
const SHOWN: usize = 200;

/// A conversation with a folder selected.
pub(super) struct Imap {
    lines: LineStream<Box<dyn Stream>>,
    count: u32,
    /// In capitals.
    capabilities: Vec<String>,
    mark: &'static str,
    /// Where messages go that were handled.
    done: Option<String>,
    /// Mail has come since the last look: the server has said so, and will not say it again.
    news: bool,
    /// What the numbers of messages are good with.
    pub(super) validity: Option<u32>,
}

impl Imap {
    /// Connects, logs in and selects the folder.
    pub(super) async fn open(settings: &MailboxSettings) -> Result<Self, ImapFault> {
        let limit = limit(settings);
        let all = timeout(limit * 3, Self::begin(settings, limit)).await;
        all.unwrap_or_else(|_| Err(ImapFault::Broken(format!("no login within {} s", limit.as_secs() * 3))))
    }

    async fn begin(settings: &MailboxSettings, limit: Duration) -> Result<Self, ImapFault> {
        let stream = dial(&settings.host, settings.port, limit / 3).await;
        let stream = stream.map_err(|error| ImapFault::Broken(format!("it can't be reached: {error}")))?;
        let mut imap = match settings.security {
            Security::Tls => {
                let mut imap = Self::over(encrypt(settings, stream).await?, settings);
                imap.greeting().await?;
                imap
            }
            Security::Plain => {
                let mut imap = Self::over(Box::new(stream), settings);
                imap.greeting().await?;
                imap
            }
            Security::Starttls => {
                let mut imap = Self::over(Box::new(stream), settings);
                imap.greeting().await?;
                imap.command("STARTTLS").await?;
                let plain = imap.lines.into_plain().map_err(|early| ImapFault::Broken(early.to_string()))?;
                Self::over(encrypt(settings, plain).await?, settings)
            }
        };
        // What was said before encryption does not count (RFC 3501, 6.2.1).
        imap.learn_capabilities().await?;
        imap.login(&settings.user, settings.password.expose()).await?;
        imap.learn_capabilities().await?;
        imap.select(&settings.folder).await?;
        Ok(imap)
    }

    fn over(stream: Box<dyn Stream>, settings: &MailboxSettings) -> Self {
        let lines = LineStream::new(stream, LONGEST_LINE);
        let done = settings.done.clone();
        Self {
            lines,
            count: 0,
            capabilities: Vec::new(),
            mark: "\\Answered",
            done,
            news: false,
            validity: None,
        }
    }

    async fn greeting(&mut self) -> Result<(), ImapFault> {
        let said = ImapSaid::hear(&mut self.lines).await?;
        match said.untagged() {
            Some(greeting) if greeting.get(..2).is_some_and(|word| word.eq_ignore_ascii_case("OK")) => Ok(()),
            _ => Err(ImapFault::Broken(format!("it greets with {:?}", tame(&said.text, SHOWN)))),
        }
    }

    async fn learn_capabilities(&mut self) -> Result<(), ImapFault> {
        let said = self.command("CAPABILITY").await?;
        let list = said.iter().find_map(|said| said.untagged()?.strip_prefix("CAPABILITY "));
        let words = list.unwrap_or_default().split_ascii_whitespace();
        self.capabilities = words.map(str::to_ascii_uppercase).collect();
        Ok(())
    }

    fn can(&self, capability: &str) -> bool {
        self.capabilities.iter().any(|known| known == capability)
    }

    /// Whether it tells of new mail by itself.
    pub(super) fn can_idle(&self) -> bool {
        self.can("IDLE")
    }

    async fn login(&mut self, user: &str, password: &str) -> Result<(), ImapFault> {
        let refused = |fault| match fault {
            ImapFault::Refused(why) => ImapFault::Broken(format!("it refused our login: {why}")),
            broken => broken,
        };
        if self.can("AUTH=PLAIN") {
            let tag = self.say("AUTHENTICATE PLAIN").await?;
            let go_on = ImapSaid::hear(&mut self.lines).await?;
            if !go_on.text.starts_with('+') {
                return self.end_of(&tag, go_on).await.map(drop).map_err(refused);
            }
            let both = Zeroizing::new(format!("\0{user}\0{password}"));
            let line = Zeroizing::new(format!("{}\r\n", *Zeroizing::new(BASE64.encode(both.as_bytes()))));
            self.write(line.as_bytes()).await?;
            let said = ImapSaid::hear(&mut self.lines).await?;
            return self.end_of(&tag, said).await.map(drop).map_err(refused);
        }
        if self.can("LOGINDISABLED") {
            return Err(ImapFault::Broken("it offers no login by PLAIN or LOGIN".to_owned()));
        }
        let line = Zeroizing::new(format!("LOGIN {} {}", quoted(user)?, *Zeroizing::new(quoted(password)?)));
        self.command(&line).await.map(drop).map_err(refused)
    }

    async fn select(&mut self, folder: &str) -> Result<(), ImapFault> {
        let said = self.command(&format!("SELECT {}", quoted(folder)?)).await?;
        self.validity = said.iter().find_map(ImapSaid::validity);
        let flags = said.iter().find_map(ImapSaid::permanent_flags).unwrap_or_default();
        if flags.split(' ').any(|flag| flag == "\\*" || flag.eq_ignore_ascii_case(MARK)) {
            self.mark = MARK;
        }
        Ok(())
    }

    /// Messages from these addresses, and reports of delivery, that have not been handled, of the
    /// last days if it is known which those are; the oldest first.
    pub(super) async fn unhandled(
        &mut self,
        from: &[String],
        since: Option<Wall>,
    ) -> Result<Vec<u32>, ImapFault> {
        let mut wanted = String::new();
        for address in from {
            wanted += &format!("OR FROM {} ", quoted(address)?);
        }
        wanted += REPORTS;
        let handled = match self.mark {
            MARK => format!("UNKEYWORD {MARK}"),
            _ => "UNANSWERED".to_owned(),
        };
        let since = since.map_or(String::new(), |since| format!(" SINCE {}", day(since)));
        self.news = false;
        let said = self.command(&format!("UID SEARCH {handled}{since} {wanted}")).await?;
        let mut found: Vec<u32> = said.iter().filter_map(ImapSaid::found).flatten().collect();
        found.sort_unstable();
        found.dedup();
        Ok(found)
    }

    /// The beginning of a message; nothing if it has gone.
    pub(super) async fn fetch(&mut self, uid: u32) -> Result<Option<Fetched>, ImapFault> {
        let command = format!("UID FETCH {uid} (UID INTERNALDATE BODY.PEEK[]<0.{MOST_OF_MESSAGE}>)");
        Ok(self.command(&command).await?.into_iter().find_map(|said| said.message(uid)))
    }

    /// Marks a message as handled, and moves it if it is to go somewhere.
    pub(super) async fn settle(&mut self, uid: u32) -> Result<(), ImapFault> {
        self.command(&format!("UID STORE {uid} +FLAGS.SILENT ({})", self.mark)).await?;
        let Some(done) = self.done.clone() else { return Ok(()) };
        if !self.can("MOVE") {
            // To copy it and to delete the first one would be to delete.
            return Ok(());
        }
        let done = quoted(&done)?;
        let moved = self.command(&format!("UID MOVE {uid} {done}")).await;
        match moved {
            Err(ImapFault::Refused(why)) if why.contains("TRYCREATE") => {
                self.command(&format!("CREATE {done}")).await?;
                self.command(&format!("UID MOVE {uid} {done}")).await.map(drop)
            }
            moved => moved.map(drop),
        }
    }

    /// Waits for new mail, so long at most.
    pub(super) async fn wait(&mut self, longest: Duration, limit: Duration) -> Result<(), ImapFault> {
        if self.news {
            return Ok(());
        }
        let tag = self.say("IDLE").await?;
        let go_on = timeout(limit, ImapSaid::hear(&mut self.lines)).await.map_err(|_| silent())??;
        if !go_on.text.starts_with('+') {
            return self.end_of(&tag, go_on).await.map(drop);
        }
        let mail = async {
            for _ in 0..MOST_RESPONSES {
                let said = ImapSaid::hear(&mut self.lines).await?;
                if said.tells_of_mail() {
                    return Ok::<(), ImapFault>(());
                }
                if said.untagged().is_some_and(|rest| rest.starts_with("BYE")) {
                    return Err(ImapFault::Broken(format!("it says {:?}", tame(&said.text, SHOWN))));
                }
            }
            Err(too_talkative())
        };
        if let Ok(heard) = timeout(longest, mail).await {
            heard?;
        }
        // What was given up half-way is the beginning of a line that nobody needs.
        self.write(b"DONE\r\n").await?;
        let end = async {
            let said = ImapSaid::hear(&mut self.lines).await?;
            self.end_of(&tag, said).await
        };
        timeout(limit, end).await.map_err(|_| silent())?.map(drop)
    }

    /// Carries out a command; gives what was said before its end.
    async fn command(&mut self, command: &str) -> Result<Vec<ImapSaid>, ImapFault> {
        let tag = self.say(command).await?;
        let said = ImapSaid::hear(&mut self.lines).await?;
        self.end_of(&tag, said).await
    }

    async fn end_of(&mut self, tag: &str, first: ImapSaid) -> Result<Vec<ImapSaid>, ImapFault> {
        let mut all = Vec::new();
        let mut said = first;
        for _ in 0..MOST_RESPONSES {
            if let Some(rest) = said.text.strip_prefix(tag).and_then(|rest| rest.strip_prefix(' ')) {
                let ok = rest.get(..2).is_some_and(|word| word.eq_ignore_ascii_case("OK"));
                return if ok { Ok(all) } else { Err(ImapFault::Refused(tame(rest, SHOWN))) };
            }
            self.news |= said.tells_of_mail();
            // Few responses are of use: of messages there is one to a command.
            if said.literals.is_empty() || all.iter().all(|said: &ImapSaid| said.literals.is_empty()) {
                all.push(said);
            }
            said = ImapSaid::hear(&mut self.lines).await?;
        }
        Err(too_talkative())
    }

    /// Says a command; gives its tag.
    async fn say(&mut self, command: &str) -> Result<String, ImapFault> {
        self.count = self.count.wrapping_add(1);
        let tag = format!("s{}", self.count);
        self.write(Zeroizing::new(format!("{tag} {command}\r\n")).as_bytes()).await?;
        Ok(tag)
    }

    async fn write(&mut self, octets: &[u8]) -> Result<(), ImapFault> {
        self.lines.say(octets).await.map_err(|error| ImapFault::Broken(error.to_string()))
    }
}

fn too_talkative() -> ImapFault {
    ImapFault::Broken(format!("it says more than {MOST_RESPONSES} things at once"))
}

fn silent() -> ImapFault {
    ImapFault::Broken("it was silent for too long".to_owned())
}

pub(super) fn limit(settings: &MailboxSettings) -> Duration {
    Duration::from_millis(settings.timeout.0.max(0).cast_unsigned())
}

async fn encrypt(
    settings: &MailboxSettings,
    stream: impl Stream + 'static,
) -> Result<Box<dyn Stream>, ImapFault> {
    let broken = |why: String| ImapFault::Broken(why);
    let ca_file = settings.ca_file.clone();
    // Reading the system's certificates takes a while on a slow card.
    let config = tokio::task::spawn_blocking(move || tls::client(ca_file.as_deref(), None));
    let config = config.await.map_err(|error| broken(error.to_string()))?.map_err(broken)?;
    let name = ServerName::try_from(settings.host.clone()).map_err(|error| broken(error.to_string()))?;
    let place = format!("{}:{}", settings.host, settings.port);
    let stream = TlsConnector::from(config).connect(name, stream).await;
    let stream = stream
        .map_err(|error| broken(tls::trouble(&error, &place).unwrap_or_else(|| format!("TLS: {error}"))))?;
    Ok(Box::new(stream))
}

/// A text between quotes: RFC 3501, section 9.
fn quoted(text: &str) -> Result<String, ImapFault> {
    if !text.bytes().all(|octet| (b' '..=b'~').contains(&octet)) {
        return Err(ImapFault::Broken("a name or password has a sign that can't be said to it".to_owned()));
    }
    Ok(format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\"")))
}

/// Reports of delivery: RFC 6522, section 3, or from who writes them by custom (common practice, no
/// source). A server looks for the words anywhere in the field, in letters of any case.
const REPORTS: &str = "OR HEADER Content-Type \"multipart/report\" FROM \"mailer-daemon\"";

/// `28-Nov-2026`.
fn day(wall: Wall) -> String {
    wall.civil(&jiff::tz::TimeZone::UTC).strftime("%d-%b-%Y").to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_to_a_server_can_hold_nothing_but_itself() {
        assert_eq!(quoted("a \"b\" \\").ok().as_deref(), Some("\"a \\\"b\\\" \\\\\""));
        assert!(quoted("a\r\nx LOGOUT").is_err() && quoted("é").is_err());
        assert_eq!(day(Wall(1_795_914_900_000)), "29-Nov-2026");
    }
}

//! One connection to a UPS server: opened, encrypted if the keeper wants it, logged in if there
//! is a user; then questions, each with its whole answer. Lines and lists have a longest length,
//! so that no server can fill the memory of a board.

use super::protocol::{UpsItem, UpsRefusal, Variables, begins, item, quoted, word};
use crate::dial::dial;
use crate::line_stream::{LineStream, NoLine, Stream};
use crate::settings::{TlsSettings, UpsSettings};
use crate::tls::{client, trouble};
use rustls::pki_types::ServerName;
use std::time::Duration;
use tokio_rustls::TlsConnector;
use zeroize::Zeroizing;

/// The server stands in the same house.
const CONNECTING: Duration = Duration::from_secs(5);

/// Real ones have some hundred characters at most.
const LONGEST_LINE: usize = 4096;

/// Real UPS have a hundred variables; servers in a rack some hundred.
const LONGEST_LIST: usize = 2000;

/// All of a list together: real ones have some kilobytes.
const MOST_BYTES: usize = 256 * 1024;

/// A connection that is ready for questions.
pub(super) struct UpsSession {
    lines: LineStream<Box<dyn Stream>>,
    /// The server, for texts.
    place: String,
}

/// Why there is no answer.
#[derive(Debug)]
pub(super) enum UpsFault {
    /// The server refuses; the connection is good.
    Refused(UpsRefusal),
    /// The connection is of no more use: why.
    Broken(String),
}

impl UpsSession {
    pub(super) async fn open(server: &UpsSettings) -> Result<Self, UpsFault> {
        let place = server.place();
        let unreachable = |error| UpsFault::Broken(format!("{place} can't be reached: {error}"));
        let tcp = dial(&server.host, server.port, CONNECTING).await.map_err(unreachable)?;
        let mut session = Self::over(Box::new(tcp), place);
        if let Some(tls) = &server.tls {
            session = session.encrypted(tls, &server.host).await?;
        }
        if let Some((user, password)) = &server.login {
            session.ask(&format!("USERNAME {}", word(user))).await?;
            let password = Zeroizing::new(word(password.expose()));
            session.ask(&Zeroizing::new(format!("PASSWORD {}", *password))).await?;
            session.ask(&format!("LOGIN {}", word(&server.name))).await?;
        }
        Ok(session)
    }

    fn over(stream: Box<dyn Stream>, place: String) -> Self {
        Self { lines: LineStream::new(stream, LONGEST_LINE), place }
    }

    /// STARTTLS. Nothing that came in the clear is taken for what came
    /// encrypted.
    async fn encrypted(mut self, tls: &TlsSettings, host: &str) -> Result<Self, UpsFault> {
        self.ask("STARTTLS").await?;
        let broken = |why: String| UpsFault::Broken(format!("{}: {why}", self.place));
        let plain = self.lines.into_plain().map_err(|early| broken(early.to_string()))?;
        let ca_file = tls.ca_file.clone();
        // Reading the system's certificates takes a while on a slow card.
        let config = tokio::task::spawn_blocking(move || client(ca_file.as_deref(), None));
        let config = config.await.map_err(|error| broken(error.to_string()))?.map_err(broken)?;
        let name = tls.server_name.as_deref().unwrap_or(host).to_owned();
        let name = ServerName::try_from(name).map_err(|error| broken(error.to_string()))?;
        let stream = TlsConnector::from(config).connect(name, plain).await;
        let stream = stream.map_err(|error| {
            let other = || format!("{}: TLS: {error}", self.place);
            UpsFault::Broken(trouble(&error, &self.place).unwrap_or_else(other))
        })?;
        Ok(Self::over(Box::new(stream), self.place))
    }

    /// All variables of a UPS.
    pub(super) async fn list(&mut self, ups: &str) -> Result<Variables, UpsFault> {
        let first = self.question(&format!("LIST VAR {}", word(ups))).await?;
        if !begins(&first, ups) {
            return Err(self.strange(&first));
        }
        let mut variables = Variables::new();
        let mut bytes = 0;
        for _ in 0..LONGEST_LIST {
            let line = self.line().await?;
            bytes += line.len();
            if bytes > MOST_BYTES {
                return Err(UpsFault::Broken(format!("{} lists more than {MOST_BYTES} bytes", self.place)));
            }
            match item(&line, ups) {
                Some(UpsItem::Variable(name, value)) => drop(variables.insert(name, value)),
                Some(UpsItem::End) => return Ok(variables),
                None => return Err(self.strange(&line)),
            }
        }
        Err(UpsFault::Broken(format!("{} lists more than {LONGEST_LIST} variables", self.place)))
    }

    /// Something that is answered with OK.
    async fn ask(&mut self, question: &str) -> Result<(), UpsFault> {
        let line = self.question(question).await?;
        match line.split_whitespace().next() {
            Some("OK") => Ok(()),
            Some(_) | None => Err(self.strange(&line)),
        }
    }

    /// The first line of the answer, if it is no refusal.
    async fn question(&mut self, question: &str) -> Result<String, UpsFault> {
        let sent = self.lines.say(Zeroizing::new(format!("{question}\n")).as_bytes()).await;
        sent.map_err(|error| self.broken(&error.to_string()))?;
        let line = self.line().await?;
        match UpsRefusal::read(&line) {
            Some(refusal) => Err(UpsFault::Refused(refusal)),
            None => Ok(line),
        }
    }

    /// Descriptions may be in any encoding; what counts here is ASCII.
    async fn line(&mut self) -> Result<String, UpsFault> {
        self.lines.line().await.map_err(|none| match none {
            NoLine::Closed => self.broken("the server closed it"),
            none => self.broken(&none.to_string()),
        })
    }

    fn broken(&self, why: &str) -> UpsFault {
        UpsFault::Broken(format!("the connection to {} broke: {why}", self.place))
    }

    fn strange(&self, line: &str) -> UpsFault {
        UpsFault::Broken(format!("{} answers {}, which is not RFC 9271", self.place, quoted(line)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::secret::Secret;
    use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
    use tokio::net::TcpListener;

    /// A server that expects these lines and answers each with its text.
    async fn server(script: &'static [(&'static str, &'static str)]) -> UpsSettings {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let port = listener.local_addr().expect("its number").port();
        tokio::spawn(async move {
            let (stream, _) = listener.accept().await.expect("a client");
            let mut stream = BufReader::new(stream);
            for (expected, answer) in script {
                let mut line = String::new();
                stream.read_line(&mut line).await.expect("a line");
                assert_eq!(line.trim_end(), *expected);
                stream.write_all(answer.as_bytes()).await.expect("taken");
            }
        });
        UpsSettings { host: "127.0.0.1".to_owned(), port, ..UpsSettings::local("su700") }
    }

    async fn list(server: &UpsSettings) -> Result<Variables, UpsFault> {
        UpsSession::open(server).await?.list(&server.name).await
    }

    #[tokio::test]
    async fn a_list_is_read_to_its_end() {
        let server = server(&[(
            "LIST VAR \"su700\"",
            "BEGIN LIST VAR su700\nVAR su700 ups.mfr \"APC\"\nVAR su700 ups.status \"OL\"\nEND LIST VAR su700\n",
        )]);
        let variables = list(&server.await).await.expect("a list");
        assert_eq!(variables.len(), 2);
        assert_eq!(variables["ups.status"], "OL");
    }

    /// USERNAME, PASSWORD and LOGIN, which RFC 9271 calls ATTACH (from memory).
    #[tokio::test]
    async fn a_user_logs_in_first() {
        let server = server(&[
            ("USERNAME \"watch\"", "OK\n"),
            ("PASSWORD \"neap \\\"tide\"", "OK\n"),
            ("LOGIN \"su700\"", "ERR ACCESS-DENIED\n"),
        ]);
        let login = Some(("watch".to_owned(), Secret::new("neap \"tide")));
        let refused = list(&UpsSettings { login, ..server.await }).await;
        assert!(matches!(refused, Err(UpsFault::Refused(UpsRefusal::AccessDenied))), "{refused:?}");
    }

    #[tokio::test]
    async fn a_server_that_talks_otherwise_or_breaks_off_or_never_ends_is_said() {
        let long = "VAR su700 x \"".to_owned() + &"y".repeat(5000) + "\"\n";
        let long: &'static str = ("BEGIN LIST VAR su700\n".to_owned() + &long).leak();
        let endless: &'static str =
            ("BEGIN LIST VAR su700\n".to_owned() + &"VAR su700 x \"y\"\n".repeat(LONGEST_LIST + 1)).leak();
        let wide: &'static str = ("BEGIN LIST VAR su700\n".to_owned()
            + &format!("VAR su700 x \"{}\"\n", "y".repeat(4000)).repeat(80))
            .leak();
        for (answer, said) in [
            ("HTTP/1.1 400 Bad Request\r\n", "not RFC 9271"),
            ("BEGIN LIST VAR su1000\n", "not RFC 9271"),
            ("BEGIN LIST VAR su700\nVAR su700 ups.sta", "within a line"),
            ("BEGIN LIST VAR su700\n", "closed"),
            ("", "closed"),
            (long, "more than 4096 bytes"),
            (endless, "more than 2000 variables"),
            (wide, "more than 262144 bytes"),
        ] {
            let server = server(vec![("LIST VAR \"su700\"", answer)].leak()).await;
            let fault = list(&server).await;
            assert!(matches!(&fault, Err(UpsFault::Broken(why)) if why.contains(said)), "{said}: {fault:?}");
        }
    }

    #[tokio::test]
    async fn where_encryption_is_wanted_nothing_goes_on_without_it() {
        let tls = Some(TlsSettings::default());
        let refusing = server(&[("STARTTLS", "ERR FEATURE-NOT-CONFIGURED\n")]).await;
        let refused = list(&UpsSettings { tls: tls.clone(), ..refusing }).await;
        assert!(matches!(refused, Err(UpsFault::Refused(UpsRefusal::Other(_)))), "{refused:?}");
        let smuggling = server(&[("STARTTLS", "OK STARTTLS\nBEGIN LIST VAR su700\n")]).await;
        let refused = list(&UpsSettings { tls, ..smuggling }).await;
        assert!(matches!(refused, Err(UpsFault::Broken(why)) if why.contains("before encryption")));
    }
}

//! Mail: one SMTP conversation a page (RFC 5321), over lettre's connection. The steps are taken
//! one by one here instead of by lettre's pooled transport, for two reasons. The transport (as
//! of 0.11.23) puts a connection whose send was broken off by a time-out back into its pool, in
//! the middle of the message; and only who takes the steps knows whether the message was
//! already on its way. lettre's own time-out covers connecting only; the lane's covers all of it.

use super::worker::Progress;
use super::{ADDRESSES, Context, MailSettings, Security, duration, email, plain, tls};
use lettre::message::Mailbox;
use lettre::transport::smtp::Error;
use lettre::transport::smtp::authentication::{Credentials, Mechanism};
use lettre::transport::smtp::client::{
    AsyncSmtpConnection, Certificate, CertificateStore, TlsParameters, TlsParametersBuilder,
};
use lettre::transport::smtp::commands::{Data, Mail as MailFrom, Rcpt};
use lettre::transport::smtp::extension::ClientId;
use lettre::transport::smtp::response::{Response, Severity};
use rustls::pki_types::ServerName;
use slackwater_rules::page::Page;
use slackwater_rules::record::Outcome;
use slackwater_rules::time::Span;
use std::fmt;
use std::time::{Duration, Instant};
use tokio::time::timeout;

/// A kept connection has to show that it lives within this time, or a new one is made.
const STILL_THERE: Duration = Duration::from_secs(3);

/// The shortest time-out that a distant server can meet, and the longest that makes sense.
const LIMITS: (Span, Span) = (Span::seconds(1), Span::minutes(10));

/// After a refused login the server is left alone for so long: whoever knocks on and on with a
/// wrong password is locked out, and then the right one is refused too. New settings are a new
/// channel, which tries at once.
const REFUSED_FOR: Duration = Duration::from_secs(3_600);

/// A mail channel that is set up.
pub(super) struct Mail {
    server: MailSettings,
    to: Mailbox,
    /// Present unless the connection is plain.
    tls: Option<TlsParameters>,
    /// What the last page left open, for the next one if it comes soon.
    kept: Option<AsyncSmtpConnection>,
    /// When the server refused our login, and in which words.
    refused: Option<(Instant, String)>,
}

impl Mail {
    pub(super) fn new(server: &MailSettings, to: &Mailbox) -> Result<Self, Vec<String>> {
        let MailSettings { host, port, security, user, password, from, ca_file, timeout } = server;
        let mut wrong = Vec::new();
        if ServerName::try_from(host.as_str()).is_err() {
            wrong.push(format!("mail: host {host:?} is neither a host name nor an address"));
        }
        if *port == 0 {
            wrong.push("mail: port 0 cannot be connected to".into());
        }
        if *security == Security::Plain && !tls::is_loopback(host) {
            wrong.push(format!(
                "mail: host {host} is not this machine, so that its connection must be encrypted: \
                 set security to starttls or tls"
            ));
        }
        if user.is_some() != password.is_some() {
            wrong.push("mail: a user needs a password, and a password a user".into());
        }
        for (key, mailbox) in [("from", from), ("to", to)] {
            let address: &str = mailbox.email.as_ref();
            if !address.is_ascii() || address.chars().any(|c| c.is_control() || c == ' ') {
                wrong.push(format!("mail: {key} address {address:?} must be plain ASCII without spaces"));
            }
        }
        if *timeout < LIMITS.0 || *timeout > LIMITS.1 {
            wrong.push(format!("mail: timeout {timeout} must be from {} to {}", LIMITS.0, LIMITS.1));
        }
        let tls = match security {
            Security::Plain => None,
            Security::Starttls | Security::Tls => {
                let parameters = tls::authorities(ca_file.as_deref()).and_then(|authorities| {
                    let trusting =
                        TlsParametersBuilder::new(host.clone()).certificate_store(CertificateStore::None);
                    let mut certificates =
                        authorities.into_iter().map(|der| Certificate::from_der(der.to_vec()));
                    certificates
                        .try_fold(trusting, |trusting, one| Ok(trusting.add_root_certificate(one?)))
                        .and_then(TlsParametersBuilder::build)
                        .map_err(|e| e.to_string())
                });
                parameters.map_err(|why| wrong.push(format!("mail: {why}"))).ok()
            }
        };
        if !wrong.is_empty() {
            return Err(wrong);
        }
        let named = |mailbox: &Mailbox| {
            Mailbox::new(mailbox.name.as_deref().map(plain::one_line), mailbox.email.clone())
        };
        Ok(Self { server: server.clone(), to: named(to), tls, kept: None, refused: None })
    }

    pub(super) fn limit(&self) -> Duration {
        duration(self.server.timeout)
    }

    pub(super) async fn attempt(&mut self, page: &Page, context: &Context, progress: &Progress) -> Outcome {
        if let Some((at, said)) = &self.refused {
            let left = REFUSED_FOR.saturating_sub(at.elapsed());
            if !left.is_zero() {
                let minutes = left.as_secs().div_ceil(60);
                return Outcome::Failed {
                    why: format!("{said}; not tried again for {minutes} min, or until the settings change"),
                };
            }
        }
        let composed = email::compose(page, &self.server.from, &self.to, context).map_err(|e| e.to_string());
        let text = composed.and_then(|mail| String::from_utf8(mail.formatted()).map_err(|e| e.to_string()));
        let message = match text {
            Ok(text) => Whole(text),
            Err(e) => return Outcome::Failed { why: format!("the mail could not be written: {e}") },
        };
        match self.deliver(&message, progress).await {
            Ok(reply) => judge(&reply, progress),
            Err(e) => {
                let outcome = classify(&e, &format!("{}:{}", self.server.host, self.server.port), progress);
                self.refused = match &outcome {
                    Outcome::Failed { why } if is_about_login(&e) => Some((Instant::now(), why.clone())),
                    Outcome::Failed { .. } | Outcome::Deferred { .. } | Outcome::Accepted { .. } => None,
                };
                outcome
            }
        }
    }

    /// Closes what is kept open, politely if the server is still there.
    pub(super) async fn rest(&mut self) {
        if let Some(mut connection) = self.kept.take() {
            // It is dropped either way.
            let _ = timeout(STILL_THERE, connection.quit()).await;
        }
    }

    /// The whole conversation. The connection is kept only after its good end.
    async fn deliver(&mut self, message: &Whole, progress: &Progress) -> Result<Response, Error> {
        let mut connection = match self.kept().await {
            Some(connection) => connection,
            None => self.connect(progress).await?,
        };
        progress.at("after MAIL");
        connection.command(MailFrom::new(Some(self.server.from.email.clone()), vec![])).await?;
        progress.at("after RCPT");
        connection.command(Rcpt::new(self.to.email.clone(), vec![])).await?;
        progress.at("after DATA");
        connection.command(Data).await?;
        progress.at("after the message");
        progress.on_its_way();
        let reply = connection.command(message).await?;
        self.kept = Some(connection);
        Ok(reply)
    }

    async fn kept(&mut self) -> Option<AsyncSmtpConnection> {
        let mut connection = self.kept.take()?;
        let lives = timeout(STILL_THERE, connection.test_connected()).await.unwrap_or(false);
        lives.then_some(connection)
    }

    async fn connect(&self, progress: &Progress) -> Result<AsyncSmtpConnection, Error> {
        progress.at(match self.server.security {
            // Such a port waits for TLS while we wait for its greeting.
            Security::Starttls => "before its greeting (is this a port for security tls?)",
            Security::Tls | Security::Plain => "while connecting",
        });
        let MailSettings { host, port, security, user, password, .. } = &self.server;
        let hello = ClientId::default();
        let at_once = self.tls.clone().filter(|_| *security == Security::Tls);
        let each = Some(self.limit() / ADDRESSES);
        let mut connection =
            AsyncSmtpConnection::connect_tokio1((host.as_str(), *port), each, &hello, at_once, None).await?;
        if let (Security::Starttls, Some(tls)) = (security, &self.tls) {
            progress.at("after STARTTLS");
            connection.starttls(tls.clone(), &hello).await?;
        }
        if let (Some(user), Some(password)) = (user, password) {
            progress.at("after AUTH");
            let credentials = Credentials::new(user.clone(), password.expose().to_owned());
            connection.auth(&[Mechanism::Plain, Mechanism::Login], &credentials).await?;
        }
        Ok(connection)
    }
}

/// A message with its end, to be handed to lettre as if it were a command and so written at once.
/// lettre's own way (0.11.23) writes the final dot by itself: the kernel holds such a small packet
/// back until the one before is acknowledged (Nagle's algorithm), and the server's kernel takes
/// its time with that (measured: 41 ms a mail on loopback).
struct Whole(String);

impl fmt::Display for Whole {
    /// With dots doubled at the beginnings of lines (RFC 5321, section 4.5.2).
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for line in self.0.split_terminator("\r\n") {
            let dot = if line.starts_with('.') { "." } else { "" };
            write!(f, "{dot}{line}\r\n")?;
        }
        f.write_str(".\r\n")
    }
}

/// The reply to the message itself.
fn judge(reply: &Response, progress: &Progress) -> Outcome {
    let text = format!("{} {}", reply.code(), reply.message().collect::<Vec<_>>().join(" "));
    match reply.code().severity {
        Severity::PositiveCompletion => Outcome::Accepted { note: text },
        Severity::PositiveIntermediate
        | Severity::TransientNegativeCompletion
        | Severity::PermanentNegativeCompletion => {
            Outcome::Deferred { why: format!("unexpected reply {text}, {}", progress.doubt()) }
        }
    }
}

/// RFC 4954, section 6.
fn is_about_login(error: &Error) -> bool {
    matches!(error.status().map(u16::from), Some(530 | 534 | 535))
}

/// What an error means: RFC 5321, section 4.2.1 for the classes of replies, RFC 4954, section 6
/// for 530, 534 and 535. Those three are permanent by class, but they speak of our login and
/// not of the recipient, and a wrong password must not be hammered at.
fn classify(error: &Error, peer: &str, progress: &Progress) -> Outcome {
    if let Some(outcome) = tls::outcome(error, peer) {
        return outcome;
    }
    let code = error.status().map(u16::from);
    match code {
        Some(_) if is_about_login(error) => {
            Outcome::Failed { why: format!("settings: {peer} refused our login: {error}") }
        }
        Some(500..600) => Outcome::Failed { why: format!("{peer} refused: {error}") },
        Some(_) => Outcome::Deferred { why: format!("{peer} said not now: {error}") },
        None if error.is_client() || error.is_tls() => {
            Outcome::Failed { why: format!("settings: {peer}: {error}") }
        }
        None => Outcome::Deferred { why: format!("{peer}: {error}, {}", progress.doubt()) },
    }
}

//! Mail: one SMTP conversation a page (RFC 5321). The steps are taken one by one here, since only
//! who takes them knows whether the message was already on its way when something went wrong. A
//! connection is kept for the next page only after a good end. The lane's time-out covers all of
//! it.

use super::enclosed::with_report;
use super::smtp::{self, Smtp, SmtpFault, SmtpReply};
use super::worker::Progress;
use super::{CONNECTING, MailSettings, Security, SharedParts, duration, email, plain};
use crate::dial::dial;
use crate::tls;
use lettre::message::Mailbox;
use rustls::pki_types::ServerName;
use slackwater_rules::page::Page;
use slackwater_rules::record::Outcome;
use slackwater_rules::time::Span;
use std::time::{Duration, Instant};
use tokio::task::JoinSet;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;

/// A kept connection has to show that it lives within this time, or a new one is made.
const STILL_THERE: Duration = Duration::from_secs(3);

/// The shortest time-out that a distant server can meet, and the longest that makes sense.
const LIMITS: (Span, Span) = (Span::seconds(1), Span::minutes(10));

/// After a refused login the server is left alone for so long: whoever knocks on and on with a
/// wrong password is locked out, and then the right one is refused too. New settings are a new
/// channel, which tries at once.
const REFUSED_FOR: Duration = Duration::from_secs(3_600);

/// A connection and when it was ready, or what went wrong and at which step.
type OpenedAhead = Result<(Smtp, Instant), (SmtpFault, &'static str)>;

/// A mail channel that is set up.
pub(super) struct Mail {
    server: MailSettings,
    to: Mailbox,
    /// Present unless the connection is plain.
    tls: Option<smtp::Tls>,
    /// What the last page left open, for the next one if it comes soon.
    kept: Option<Smtp>,
    /// A connection that is made ready for a page that is about to come; broken off when it is let
    /// go of.
    opening: JoinSet<OpenedAhead>,
    /// When the server refused our login, and in which words.
    refused: Option<(Instant, String)>,
}

impl Mail {
    pub(super) fn new(server: &MailSettings, to: &Mailbox) -> Result<Self, Vec<String>> {
        let MailSettings { host, port, security, user, password, from, ca_file, identity, hello: _, timeout } =
            server;
        let mut wrong = Vec::new();
        let name = ServerName::try_from(host.clone()).ok();
        if name.is_none() {
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
                let client = tls::client(ca_file.as_deref(), identity.as_ref());
                client.map_err(|why| wrong.push(format!("mail: {why}"))).ok().zip(name)
            }
        };
        if !wrong.is_empty() {
            return Err(wrong);
        }
        let named = |mailbox: &Mailbox| {
            Mailbox::new(mailbox.name.as_deref().map(plain::one_line), mailbox.email.clone())
        };
        Ok(Self {
            server: server.clone(),
            to: named(to),
            tls,
            kept: None,
            opening: JoinSet::new(),
            refused: None,
        })
    }

    pub(super) fn limit(&self) -> Duration {
        duration(self.server.timeout)
    }

    pub(super) async fn attempt(
        &mut self,
        page: &Page,
        context: &SharedParts,
        progress: &Progress,
    ) -> Outcome {
        if let Some((left, said)) = self.refusal() {
            let minutes = left.as_secs().div_ceil(60);
            return Outcome::Failed {
                why: format!("{said}; not tried again for {minutes} min, or until the settings change"),
            };
        }
        let page = with_report(page, context.reports.as_ref()).await;
        let message = match email::compose(&page, &self.server.from, &self.to, context) {
            Ok(message) => message.formatted(),
            Err(e) => return Outcome::Failed { why: format!("the mail could not be written: {e}") },
        };
        match self.deliver(&message, progress).await {
            Ok(reply) => Outcome::Accepted { note: reply.to_string() },
            Err(fault) => {
                let is_login = is_about_login(&fault);
                let peer = format!("{}:{}", self.server.host, self.server.port);
                let outcome = classify(fault, &peer, progress);
                self.refused = match &outcome {
                    Outcome::Failed { why } if is_login => Some((Instant::now(), why.clone())),
                    _ => None,
                };
                outcome
            }
        }
    }

    /// For how long the server is still left alone after it refused our login, and its words.
    fn refusal(&self) -> Option<(Duration, &str)> {
        let (at, said) = self.refused.as_ref()?;
        let left = REFUSED_FOR.saturating_sub(at.elapsed());
        (!left.is_zero()).then_some((left, said))
    }

    /// A page is about to come: a connection is made ready for it.
    pub(super) fn expect(&mut self) {
        if !self.opening.is_empty() || self.refusal().is_some() {
            return;
        }
        let (server, tls, limit) = (self.server.clone(), self.tls.clone(), self.limit());
        let kept = self.kept.take();
        self.opening.spawn(async move {
            let progress = Progress::new();
            let ready = timeout(limit, ready(kept, &server, tls.as_ref(), limit, &progress)).await;
            let late = || SmtpFault::Broken(format!("no answer within {} s", limit.as_secs_f64()));
            let ready = ready.unwrap_or_else(|_| Err(late()));
            ready.map(|smtp| (smtp, Instant::now())).map_err(|fault| (fault, progress.step()))
        });
    }

    /// The connection that was made ready for this page, if one was.
    async fn opened(&mut self, progress: &Progress) -> Option<Result<Smtp, SmtpFault>> {
        progress.at("while connecting");
        // A defect in that task is no reason not to connect once more.
        match self.opening.join_next().await?.ok()? {
            Ok((smtp, at)) if at.elapsed() < STILL_THERE => Some(Ok(smtp)),
            Ok((smtp, _)) => {
                self.kept = Some(smtp);
                None
            }
            Err((fault, step)) => {
                progress.at(step);
                Some(Err(fault))
            }
        }
    }

    /// Connects, encrypts, logs in, and says good-bye: nothing is sent.
    pub(super) async fn try_out(&self, progress: &Progress) -> Result<String, String> {
        let peer = format!("{}:{}", self.server.host, self.server.port);
        match connect(&self.server, self.tls.as_ref(), self.limit(), progress).await {
            Ok(smtp) => {
                smtp.quit().await;
                let login = if self.server.user.is_some() { ", our login taken" } else { "" };
                Ok(format!("{peer} answers{login}"))
            }
            Err(fault) => Err(classify(fault, &peer, progress).trouble().unwrap_or_default()),
        }
    }

    /// Closes what is kept open, politely if the server is still there.
    pub(super) async fn rest(&mut self) {
        if let Some(Ok(Ok((opened, _)))) = self.opening.try_join_next() {
            self.kept = Some(opened);
        }
        self.opening.abort_all();
        if let Some(kept) = self.kept.take() {
            // It is dropped either way.
            let _ = timeout(STILL_THERE, kept.quit()).await;
        }
    }

    /// The whole conversation. The connection is kept only after its good end.
    async fn deliver(&mut self, message: &[u8], progress: &Progress) -> Result<SmtpReply, SmtpFault> {
        let mut smtp = match self.opened(progress).await {
            Some(opened) => opened?,
            None => ready(self.kept.take(), &self.server, self.tls.as_ref(), self.limit(), progress).await?,
        };
        progress.at("after MAIL");
        smtp.done(&format!("MAIL FROM:<{}>", self.server.from.email)).await?;
        progress.at("after RCPT");
        smtp.done(&format!("RCPT TO:<{}>", self.to.email)).await?;
        progress.at("after DATA");
        let on_its_way = || {
            progress.at("after the message");
            progress.on_its_way();
        };
        let reply = smtp.message(message, on_its_way).await?;
        self.kept = Some(smtp);
        Ok(reply)
    }
}

/// A connection that lives: what an earlier page left open, if it shows so, else a new one.
async fn ready(
    kept: Option<Smtp>,
    server: &MailSettings,
    tls: Option<&smtp::Tls>,
    limit: Duration,
    progress: &Progress,
) -> Result<Smtp, SmtpFault> {
    if let Some(mut smtp) = kept
        && timeout(STILL_THERE, smtp.done("NOOP")).await.is_ok_and(|done| done.is_ok())
    {
        return Ok(smtp);
    }
    connect(server, tls, limit, progress).await
}

/// Connects, encrypts and logs in.
async fn connect(
    server: &MailSettings,
    tls: Option<&smtp::Tls>,
    limit: Duration,
    progress: &Progress,
) -> Result<Smtp, SmtpFault> {
    let MailSettings { host, port, security, user, password, .. } = server;
    progress.at("while connecting");
    let stream = dial(host, *port, limit / CONNECTING).await;
    let stream = stream.map_err(|error| SmtpFault::Broken(error.to_string()))?;
    let hello = server.hello.clone().unwrap_or_else(|| smtp::own_name(stream.local_addr()));
    let mut smtp = match (security, tls) {
        (Security::Starttls, Some(tls)) => {
            // Such a port waits for TLS while we wait for its greeting.
            progress.at("before its greeting (is this a port for security tls?)");
            let smtp = Smtp::greet(stream, &hello).await?;
            progress.at("after STARTTLS");
            smtp.encrypted(tls.clone(), &hello).await?
        }
        (Security::Tls, Some((client, name))) => {
            let stream = TlsConnector::from(client.clone()).connect(name.clone(), stream).await;
            let stream = stream.map_err(|error| SmtpFault::Handshake { error, upgrade: false })?;
            Smtp::greet(stream, &hello).await?
        }
        (Security::Plain, None) => Smtp::greet(stream, &hello).await?,
        (Security::Starttls | Security::Tls, None) | (Security::Plain, Some(_)) => {
            return Err(SmtpFault::Broken("a defect in the program: nothing to encrypt with".to_owned()));
        }
    };
    if let (Some(user), Some(password)) = (user, password) {
        progress.at("after AUTH");
        smtp.login(user, password).await?;
    }
    Ok(smtp)
}

/// Sends one mail that is no page.
///
/// # Errors
/// Why it did not leave.
pub(crate) async fn send_mail(server: &MailSettings, to: &Mailbox, message: &[u8]) -> Result<(), String> {
    let mut mail = Mail::new(server, to).map_err(|wrong| wrong.join("; "))?;
    let progress = Progress::new();
    let sent = timeout(mail.limit(), mail.deliver(message, &progress)).await;
    mail.rest().await;
    match sent {
        Ok(Ok(_)) => Ok(()),
        Ok(Err(SmtpFault::Refused(reply))) => Err(format!("the server refused it: {reply}")),
        Ok(Err(SmtpFault::Lacks(what))) => Err(what.to_owned()),
        Ok(Err(SmtpFault::Handshake { error, .. })) => Err(error.to_string()),
        Ok(Err(SmtpFault::Broken(why))) => Err(why),
        Err(_) => Err(format!("it took longer than {}", server.timeout)),
    }
}

/// RFC 4954, section 6.
fn is_about_login(fault: &SmtpFault) -> bool {
    matches!(fault, SmtpFault::Refused(reply) if matches!(reply.code, 530 | 534 | 535))
}

/// What a fault means: RFC 5321, section 4.2.1 for the classes of replies, RFC 4954, section 6
/// for 530, 534 and 535. Those three are permanent by class, but they speak of our login and
/// not of the recipient, and a wrong password must not be hammered at.
fn classify(fault: SmtpFault, peer: &str, progress: &Progress) -> Outcome {
    let is_login = is_about_login(&fault);
    match fault {
        SmtpFault::Refused(reply) if is_login => {
            Outcome::Failed { why: format!("settings: {peer} refused our login: {reply}") }
        }
        SmtpFault::Refused(reply) if reply.code >= 500 => {
            Outcome::Failed { why: format!("{peer} refused: {reply}") }
        }
        SmtpFault::Refused(reply) => Outcome::deferred(format!("{peer} said not now: {reply}")),
        SmtpFault::Lacks(what) => Outcome::Failed { why: format!("settings: {peer}: {what}") },
        // The server agreed to encryption in the clear, so whatever else comes is not the settings'
        // fault.
        SmtpFault::Handshake { error, upgrade: true } if tls::is_no_tls(&error) => Outcome::deferred(
            format!("{peer}: what came after STARTTLS is no TLS: somebody may be on the line"),
        ),
        SmtpFault::Handshake { error, .. } => {
            tls::outcome(&error, peer).unwrap_or_else(|| progress.broke_off(format_args!("{peer}: {error}")))
        }
        SmtpFault::Broken(why) => progress.broke_off(format_args!("{peer}: {why}")),
    }
}

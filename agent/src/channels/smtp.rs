//! The words of SMTP (RFC 5321) as a client says them: greeting, EHLO, STARTTLS (RFC 3207), login
//! (RFC 4954), and one message after the other. Commands flow in; a [`SmtpReply`] flows out for
//! each, or a [`SmtpFault`] that says whose it is. How a page fares in it is judged by `mail`.
//!
//! It is our own since the mail library (lettre, as of 0.11.23) keeps what waits in its buffer
//! when encryption begins, and takes it for answers of the encrypted session: whoever sits on the
//! path could have a page recorded as accepted that no server took. It also reads a line of any
//! length into memory before it looks at how long it is. Both are bounded here by [`LineStream`].
//! The library still writes the messages.

use crate::line_stream::{LineStream, NoLine, Stream};
use crate::secret::Secret;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use rustls::ClientConfig;
use rustls::pki_types::ServerName;
use std::fmt;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use tokio_rustls::TlsConnector;
use zeroize::Zeroizing;

/// RFC 5321, section 4.5.3.1.5 has 512 octets; some servers take more to explain a refusal.
const LONGEST_LINE: usize = 4 * 1024;

/// All lines of one reply together: far more than any server offers.
const LONGEST_REPLY: usize = 32 * 1024;

/// What a server said to one command.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct SmtpReply {
    /// Of three digits; the first is the class (RFC 5321, section 4.2.1).
    pub(super) code: u16,
    /// The text of all its lines.
    lines: Vec<String>,
}

/// Why a conversation does not go on.
#[derive(Debug)]
pub(super) enum SmtpFault {
    /// The server said no.
    Refused(SmtpReply),
    /// It can't do what the settings ask for.
    Lacks(&'static str),
    /// Encryption could not begin; whether by STARTTLS.
    Handshake { error: io::Error, upgrade: bool },
    /// The conversation is of no more use: why.
    Broken(String),
}

/// A conversation that is ready for messages.
pub(super) struct Smtp {
    lines: LineStream<Box<dyn Stream>>,
    /// What the server offers, a line each.
    offers: Vec<String>,
}

/// How to begin TLS: trust, and the name that the certificate has to carry.
pub(super) type Tls = (Arc<ClientConfig>, ServerName<'static>);

impl SmtpReply {
    /// Whether the command was carried out, or goes on (RFC 5321, section 4.2.1).
    fn is_good(&self) -> bool {
        (200..400).contains(&self.code)
    }
}

impl fmt::Display for SmtpReply {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.code, self.lines.join(" "))
    }
}

impl From<NoLine> for SmtpFault {
    fn from(none: NoLine) -> Self {
        Self::Broken(match none {
            NoLine::Closed => "the server closed the connection".to_owned(),
            none => format!("the connection is of no more use: {none}"),
        })
    }
}

impl Smtp {
    /// Hears the greeting, and says who we are.
    pub(super) async fn greet(stream: impl Stream + 'static, hello: &str) -> Result<Self, SmtpFault> {
        let stream: Box<dyn Stream> = Box::new(stream);
        let mut smtp = Self { lines: LineStream::new(stream, LONGEST_LINE), offers: Vec::new() };
        smtp.heard().await?;
        smtp.hello(hello).await?;
        Ok(smtp)
    }

    /// Begins encryption in the middle of the conversation, which then begins anew: nothing that
    /// was said before counts any more (RFC 3207, section 4.2).
    pub(super) async fn encrypted(mut self, (client, name): Tls, hello: &str) -> Result<Self, SmtpFault> {
        if self.offers("STARTTLS").is_none() {
            return Err(SmtpFault::Lacks("it does not offer STARTTLS, and nothing is sent in the clear"));
        }
        self.ask("STARTTLS").await?;
        let plain = self.lines.into_plain().map_err(|early| SmtpFault::Broken(early.to_string()))?;
        let stream = TlsConnector::from(client).connect(name, plain).await;
        let stream = stream.map_err(|error| SmtpFault::Handshake { error, upgrade: true })?;
        let stream: Box<dyn Stream> = Box::new(stream);
        let mut smtp = Self { lines: LineStream::new(stream, LONGEST_LINE), offers: Vec::new() };
        smtp.hello(hello).await?;
        Ok(smtp)
    }

    async fn hello(&mut self, name: &str) -> Result<(), SmtpFault> {
        let reply = self.ask(&format!("EHLO {name}")).await?;
        // The first line is the server's own name.
        self.offers = reply.lines.into_iter().skip(1).collect();
        Ok(())
    }

    /// The words behind an offer; none if it is not made.
    fn offers(&self, keyword: &str) -> Option<Vec<String>> {
        self.offers.iter().find_map(|offer| {
            let mut words = offer.split_ascii_whitespace();
            let is = words.next()?.eq_ignore_ascii_case(keyword);
            is.then(|| words.map(str::to_ascii_uppercase).collect())
        })
    }

    /// Logs in, by PLAIN (RFC 4616) if that is offered, else by LOGIN, which is older than its
    /// description (draft-murchison-sasl-login, from memory) and all that some servers know.
    pub(super) async fn login(&mut self, user: &str, password: &Secret) -> Result<(), SmtpFault> {
        let mechanisms = self.offers("AUTH").unwrap_or_default();
        let offered = |wanted: &str| mechanisms.iter().any(|mechanism| mechanism == wanted);
        let coded = |text: &str| Zeroizing::new(BASE64.encode(text));
        if offered("PLAIN") {
            let both = Zeroizing::new(format!("\0{user}\0{}", password.expose()));
            let line = Zeroizing::new(format!("AUTH PLAIN {}", *coded(&both)));
            return self.done(&line).await;
        }
        if !offered("LOGIN") {
            return Err(SmtpFault::Lacks("it offers no login by PLAIN or LOGIN"));
        }
        for line in [&"AUTH LOGIN".to_owned(), &*coded(user)] {
            let asked = self.ask(line).await?;
            if asked.code != 334 {
                return Err(unexpected(&asked));
            }
        }
        self.done(&coded(password.expose())).await
    }

    /// A command that is carried out at once.
    pub(super) async fn done(&mut self, command: &str) -> Result<(), SmtpFault> {
        let reply = self.ask(command).await?;
        if reply.code / 100 == 2 { Ok(()) } else { Err(unexpected(&reply)) }
    }

    /// Hands over a message whose envelope stands: `on_its_way` is called when from here on it may
    /// arrive though no answer does. The reply is that to the message itself.
    pub(super) async fn message(
        &mut self,
        message: &[u8],
        on_its_way: impl FnOnce(),
    ) -> Result<SmtpReply, SmtpFault> {
        let go = self.ask("DATA").await?;
        if go.code != 354 {
            return Err(unexpected(&go));
        }
        self.check_silence()?;
        on_its_way();
        // In one piece: a final dot that is written by itself is held back by the kernel until the
        // piece before is acknowledged (Nagle's algorithm), and the server takes its time with
        // that.
        self.say(&stuffed(message)).await?;
        let reply = self.heard().await?;
        if reply.code / 100 == 2 { Ok(reply) } else { Err(unexpected(&reply)) }
    }

    /// Says goodbye, whatever the answer.
    pub(super) async fn quit(mut self) {
        // It is dropped either way.
        let _ = self.ask("QUIT").await;
    }

    /// Says a command, and hears what the server thinks of it.
    async fn ask(&mut self, command: &str) -> Result<SmtpReply, SmtpFault> {
        self.check_silence()?;
        self.say(Zeroizing::new(format!("{command}\r\n")).as_bytes()).await?;
        self.heard().await
    }

    /// An answer to what has not been asked yet would be taken for that of the next command.
    fn check_silence(&self) -> Result<(), SmtpFault> {
        match self.lines.has_more() {
            false => Ok(()),
            true => Err(SmtpFault::Broken("the server answers what it has not been asked".to_owned())),
        }
    }

    async fn say(&mut self, octets: &[u8]) -> Result<(), SmtpFault> {
        self.lines.say(octets).await.map_err(|error| NoLine::Broken(error).into())
    }

    /// One reply, all its lines (RFC 5321, section 4.2.1).
    async fn heard(&mut self) -> Result<SmtpReply, SmtpFault> {
        let mut reply: Option<SmtpReply> = None;
        let mut length = 0;
        loop {
            let line = self.lines.line().await?;
            length += line.len();
            if length > LONGEST_REPLY {
                return Err(SmtpFault::Broken(format!("one answer has more than {LONGEST_REPLY} bytes")));
            }
            let (code, is_last, text) =
                parse(&line).ok_or_else(|| SmtpFault::Broken(format!("what it says is not SMTP: {line}")))?;
            let reply = reply.get_or_insert_with(|| SmtpReply { code, lines: Vec::new() });
            if reply.code != code {
                return Err(SmtpFault::Broken(format!(
                    "one answer has two codes, {} and {code}",
                    reply.code
                )));
            }
            reply.lines.push(text.to_owned());
            if is_last {
                let reply = reply.clone();
                return if reply.is_good() { Ok(reply) } else { Err(SmtpFault::Refused(reply)) };
            }
        }
    }
}

fn unexpected(reply: &SmtpReply) -> SmtpFault {
    SmtpFault::Broken(format!("unexpected reply {reply}"))
}

/// Code, whether it is the last line, and text.
fn parse(line: &str) -> Option<(u16, bool, &str)> {
    let (code, rest) = line.split_at_checked(3)?;
    let code = code.bytes().all(|b| b.is_ascii_digit()).then(|| code.parse().ok())??;
    let is_last = !rest.starts_with('-');
    let text = match rest.is_empty() {
        true => rest,
        false => rest.strip_prefix(['-', ' '])?,
    };
    (200..600).contains(&code).then_some((code, is_last, text.trim()))
}

/// A message with dots doubled at the beginnings of its lines, and its end (RFC 5321, section
/// 4.5.2).
fn stuffed(message: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(message.len() + 64);
    for line in message.split_inclusive(|octet| *octet == b'\n') {
        if line.starts_with(b".") {
            out.push(b'.');
        }
        out.extend_from_slice(line);
    }
    if !out.is_empty() && !out.ends_with(b"\r\n") {
        out.extend_from_slice(b"\r\n");
    }
    out.extend_from_slice(b".\r\n");
    out
}

/// What we say that we are: the machine's name, or its address if the name is none (RFC 5321,
/// section 4.1.4).
pub(super) fn own_name(address: io::Result<SocketAddr>) -> String {
    let name = std::fs::read_to_string("/proc/sys/kernel/hostname").unwrap_or_default();
    let name = name.trim();
    let good = |b: u8| b.is_ascii_alphanumeric() || b == b'-' || b == b'.';
    let is_name = (1..=253).contains(&name.len())
        && name.contains('.')
        && name.bytes().all(good)
        && name.starts_with(|c: char| c.is_ascii_alphanumeric())
        && name.ends_with(|c: char| c.is_ascii_alphanumeric());
    match address.map(|address| address.ip()) {
        _ if is_name => name.to_owned(),
        Ok(IpAddr::V6(ip)) => format!("[IPv6:{ip}]"),
        Ok(IpAddr::V4(ip)) => format!("[{ip}]"),
        Err(_) => "[127.0.0.1]".to_owned(),
    }
}

#[cfg(any(test, feature = "fuzzing"))]
/// Whatever a mail server says ends in a conversation or a fault.
pub(super) fn promise(octets: &[u8]) {
    let server = tokio::io::join(std::io::Cursor::new(octets.to_vec()), tokio::io::sink());
    crate::promises::at_once(async move {
        let Ok(mut smtp) = Smtp::greet(server, "watch.example.org").await else { return };
        for command in ["MAIL FROM:<watch@example.org>", "RCPT TO:<ines@example.org>", "DATA"] {
            if smtp.done(command).await.is_err() {
                return;
            }
        }
        smtp.quit().await;
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn replies_have_three_digits_and_a_sign_that_says_whether_they_go_on() {
        assert_eq!(parse("250-mail.example.org"), Some((250, false, "mail.example.org")));
        assert_eq!(parse("250 SIZE 1000"), Some((250, true, "SIZE 1000")));
        assert_eq!(parse("354"), Some((354, true, "")));
        for wrong in
            ["", "25", "2500 x", "25x x", "199 x", "600 x", "250\tx", "+25 x", "äö 250", "HTTP/1.1 400"]
        {
            assert_eq!(parse(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn dots_are_doubled_and_the_end_is_a_dot_alone() {
        // RFC 5321, section 4.5.2.
        for (message, expected) in
            [("", ".\r\n"), ("a\r\n", "a\r\n.\r\n"), (".\r\n..b\r\nc.", "..\r\n...b\r\nc.\r\n.\r\n")]
        {
            assert_eq!(String::from_utf8_lossy(&stuffed(message.as_bytes())), expected, "{message:?}");
        }
    }

    proptest! {
        #[test]
        fn whatever_a_server_says_ends_in_a_conversation_or_a_fault(
            lines in proptest::collection::vec("(2[0-9]{2}|[0-9]{3})?[ -]?\\PC{0,30}(\r\n|\n|)", 0..40),
        ) {
            let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime");
            let said = lines.concat();
            runtime.block_on(async {
                use tokio::io::AsyncWriteExt;
                let (ours, mut theirs) = tokio::io::duplex(1 << 16);
                theirs.write_all(said.as_bytes()).await.expect("room");
                theirs.shutdown().await.expect("the end");
                if let Err(SmtpFault::Broken(why)) = Smtp::greet(ours, "board").await {
                    assert!(!why.is_empty());
                }
            });
        }
    }

    /// A conversation with a server that says this at once, and hears what it likes.
    async fn with(said: &'static str) -> Result<Smtp, SmtpFault> {
        use tokio::io::AsyncWriteExt;
        let (ours, mut theirs) = tokio::io::duplex(1 << 16);
        theirs.write_all(said.as_bytes()).await.expect("room");
        let greeted = Smtp::greet(ours, "board").await;
        drop(theirs);
        greeted
    }

    #[tokio::test]
    async fn what_is_no_smtp_and_what_comes_unasked_ends_the_conversation() {
        for (said, why) in [
            ("SSH-2.0-x\r\n", "not SMTP: SSH-2.0-x"),
            ("220-a\r\n250 b\r\n", "two codes, 220 and 250"),
            ("220 a\r\n250 b\r\n", "what it has not been asked"),
        ] {
            let fault = with(said).await.err();
            assert!(
                matches!(&fault, Some(SmtpFault::Broken(text)) if text.contains(why)),
                "{why}: {fault:?}"
            );
        }
        let refused = with("554-not\r\n554 from here\r\n").await.err();
        assert!(
            matches!(&refused, Some(SmtpFault::Refused(reply)) if reply.to_string() == "554 not from here")
        );
    }
}

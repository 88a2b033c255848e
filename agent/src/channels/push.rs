//! Push: one HTTPS request a page to any gateway (RFC 9110), with a CloudEvents event or the
//! keeper's own text as its body. Each page gets a connection of its own, since minutes or weeks
//! lie between two. Redirects are not followed: a page carries what happens in a home, and goes
//! where the keeper said and nowhere else.
//!
//! The address may hold a token, so no text made here shows more of it than host and port.

mod answer;
mod proxy;

pub use answer::AcceptedIf;
pub use proxy::Proxy;

use super::worker::Progress;
use super::{CONNECTING, PushSettings, SharedParts, Template, duration, event};
use crate::tls;
use answer::{beginning, judge};
use bytes::Bytes;
use http_body_util::Full;
use hyper::client::conn::http1;
use hyper::header::{self, HeaderMap, HeaderName, HeaderValue};
use hyper::{Method, Request, Uri};
use hyper_util::rt::TokioIo;
use rustls::ClientConfig;
use rustls::pki_types::ServerName;
use slackwater_rules::page::Page;
use slackwater_rules::record::Outcome;
use slackwater_rules::time::Span;
use std::io;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::task::JoinSet;
use tokio_rustls::TlsConnector;

/// A reply's head may be this long.
const MOST_HEAD: usize = 32 * 1024;

const AGENT: &str = concat!("slackwater/", env!("CARGO_PKG_VERSION"));

const LIMITS: (Span, Span) = (Span::seconds(1), Span::minutes(5));

/// What the request's framing depends on, and what has a key of its own.
const RESERVED: [HeaderName; 5] = [
    header::HOST,
    header::CONTENT_LENGTH,
    header::TRANSFER_ENCODING,
    header::CONNECTION,
    header::CONTENT_TYPE,
];

/// A push channel that is set up.
pub(super) struct Push {
    host: String,
    port: u16,
    /// Path and query: may hold a token.
    path: Uri,
    method: Method,
    headers: HeaderMap,
    template: Option<Template>,
    accepted_if: Option<AcceptedIf>,
    proxy: Option<Proxy>,
    /// Present unless the connection is plain.
    tls: Option<(Arc<ClientConfig>, ServerName<'static>)>,
    timeout: Span,
}

impl Push {
    pub(super) fn new(settings: &PushSettings) -> Result<Self, Vec<String>> {
        let own_body = settings.template.is_some();
        Self::carrying(settings, if own_body { settings.content_type.as_str() } else { event::MEDIA_TYPE })
    }

    /// With bodies of this media type.
    pub(super) fn carrying(settings: &PushSettings, content_type: &str) -> Result<Self, Vec<String>> {
        let mut wrong = Vec::new();
        let url = settings.url.expose().parse::<Uri>().unwrap_or_default();
        let (host, port) = address(&url, &mut wrong);
        let template = template(settings, &mut wrong);
        let headers = headers(settings, &url, content_type, &mut wrong);
        let tls = trust(settings, &url, &host, &mut wrong);
        let path = url.path_and_query().cloned().map(Uri::from).unwrap_or_default();
        if settings.method != Method::POST && settings.method != Method::PUT {
            wrong.push(format!("method {} must be POST or PUT", settings.method));
        }
        let timeout = settings.timeout;
        if timeout < LIMITS.0 || timeout > LIMITS.1 {
            wrong.push(format!("timeout {timeout} must be from {} to {}", LIMITS.0, LIMITS.1));
        }
        if !wrong.is_empty() {
            return Err(wrong.into_iter().map(|why| format!("push: {why}")).collect());
        }
        Ok(Self {
            host,
            port,
            path,
            method: settings.method.clone(),
            headers,
            template,
            accepted_if: settings.accepted_if.clone(),
            proxy: settings.proxy.clone(),
            tls,
            timeout,
        })
    }

    pub(super) fn limit(&self) -> Duration {
        duration(self.timeout)
    }

    async fn reach(&self) -> io::Result<TcpStream> {
        proxy::reach(self.proxy.as_ref(), &self.host, self.port, self.limit() / CONNECTING).await
    }

    /// Connects and encrypts: no request is made.
    pub(super) async fn try_out(&self) -> Result<String, String> {
        let peer = format!("{}:{}", self.host, self.port);
        let stream = self.reach().await;
        let stream = stream.map_err(|error| format!("{peer}: {error}"))?;
        if let Some((client, name)) = &self.tls {
            let shaken = TlsConnector::from(Arc::clone(client)).connect(name.clone(), stream).await;
            shaken.map_err(|e| tls::trouble(&e, &peer).unwrap_or_else(|| format!("{peer}: {e}")))?;
        }
        Ok(format!("{peer} answers; whether it takes our token only a page shows"))
    }

    pub(super) async fn attempt(&self, page: &Page, context: &SharedParts, progress: &Progress) -> Outcome {
        let body = match &self.template {
            Some(template) => template.render(page, context),
            None => event::event(page, context).to_string(),
        };
        self.send(body, progress).await
    }

    /// Sends one body.
    pub(super) async fn send(&self, body: String, progress: &Progress) -> Outcome {
        let peer = format!("{}:{}", self.host, self.port);
        progress.at("while connecting");
        let stream = match self.reach().await {
            Ok(stream) => stream,
            Err(e) => return Outcome::deferred(format!("{peer}: {e}")),
        };
        match &self.tls {
            None => self.exchange(stream, body, &peer, progress).await,
            Some((client, name)) => {
                progress.at("during the TLS handshake");
                match TlsConnector::from(Arc::clone(client)).connect(name.clone(), stream).await {
                    Ok(stream) => self.exchange(stream, body, &peer, progress).await,
                    Err(e) => tls::outcome(&e, &peer)
                        .unwrap_or_else(|| progress.broke_off(format_args!("{peer}: {e}"))),
                }
            }
        }
    }

    async fn exchange(
        &self,
        stream: impl AsyncRead + AsyncWrite + Send + Unpin + 'static,
        body: String,
        peer: &str,
        progress: &Progress,
    ) -> Outcome {
        let unanswered = |e: hyper::Error| {
            tls::outcome(&e, peer).unwrap_or_else(|| progress.broke_off(format_args!("{peer}: {e}")))
        };
        let mut request = Request::new(Full::new(Bytes::from(body)));
        *request.method_mut() = self.method.clone();
        *request.uri_mut() = self.path.clone();
        *request.headers_mut() = self.headers.clone();
        let opened = http1::Builder::new().max_buf_size(MOST_HEAD).handshake(TokioIo::new(stream)).await;
        let (mut sender, connection) = match opened {
            Ok(opened) => opened,
            Err(e) => return unanswered(e),
        };
        // The set ends the connection's task when this future ends or is dropped.
        let mut driver = JoinSet::new();
        driver.spawn(connection);
        progress.at("after the request");
        progress.on_its_way();
        match sender.send_request(request).await {
            Ok(response) => {
                let (head, body) = response.into_parts();
                let (body, whole) = beginning(body).await;
                judge(head.status, &head.headers, (&body, whole), self.accepted_if.as_ref(), peer)
            }
            Err(e) => unanswered(e),
        }
    }
}

/// Host and port, and whether a page may travel there. What could not be read at all is empty.
fn address(url: &Uri, wrong: &mut Vec<String>) -> (String, u16) {
    let host = url.host().unwrap_or_default().trim_matches(['[', ']']).to_owned();
    let mut usual = 443;
    match url.scheme_str() {
        _ if host.is_empty() => wrong.push("url must be whole: https://host/path".into()),
        Some("https") => {}
        Some("http") if tls::is_loopback(&host) => usual = 80,
        Some("http") => {
            wrong.push(format!("url goes to {host}, which is not this machine: it must begin with https"));
        }
        other => wrong.push(format!("url begins with {:?}, and must with https", other.unwrap_or_default())),
    }
    if url.authority().is_some_and(|authority| authority.as_str().contains('@')) {
        wrong.push("url must not hold a user or password: put them into a secret header".into());
    }
    (host, url.port_u16().unwrap_or(usual))
}

/// The keeper's own body, if there is one.
fn template(settings: &PushSettings, wrong: &mut Vec<String>) -> Option<Template> {
    let template = match Template::parse(settings.template.as_deref()?) {
        Ok(template) => template,
        Err(whys) => {
            wrong.extend(whys);
            return None;
        }
    };
    if let (true, Err(why)) = (settings.content_type.contains("json"), template.always_json()) {
        wrong.push(format!(
            "template is not JSON once the facts are in it ({why}); write {{json:headline}} without quotes \
             around it, since a bare {{headline}} breaks on a quote"
        ));
    }
    Some(template)
}

/// The keeper's headers and the request's own.
fn headers(settings: &PushSettings, url: &Uri, content_type: &str, wrong: &mut Vec<String>) -> HeaderMap {
    let mut all = HeaderMap::new();
    let seen = settings.headers.iter().map(|(name, value)| (name, value.as_str(), false));
    let unseen = settings.secret_headers.iter().map(|(name, value)| (name, value.expose(), true));
    for (name, value, secret) in seen.chain(unseen) {
        match (HeaderName::try_from(name), HeaderValue::try_from(value)) {
            (Ok(name), _) if RESERVED.contains(&name) => {
                wrong.push(format!("header {name} is set by the agent itself"));
            }
            (Ok(name), Ok(mut value)) => {
                value.set_sensitive(secret);
                if all.insert(name.clone(), value).is_some() {
                    wrong.push(format!("header {name} is set twice"));
                }
            }
            (Err(_), _) => wrong.push(format!("{name:?} is no header name")),
            (_, Err(_)) => wrong.push(format!("header {name} has a character that no header can carry")),
        }
    }
    all.entry(header::ACCEPT_ENCODING).or_insert(HeaderValue::from_static("identity"));
    // Some gateways turn away who does not say what it is.
    all.entry(header::USER_AGENT).or_insert(HeaderValue::from_static(AGENT));
    let host = url.authority().map_or("", |authority| authority.as_str());
    for (name, value) in
        [(header::CONTENT_TYPE, content_type), (header::HOST, host), (header::CONNECTION, "close")]
    {
        match HeaderValue::try_from(value) {
            Ok(value) => drop(all.insert(name, value)),
            Err(_) => wrong.push(format!("{name} {value:?} has a character that no header can carry")),
        }
    }
    all
}

/// TLS, unless the connection is plain.
fn trust(
    settings: &PushSettings,
    url: &Uri,
    host: &str,
    wrong: &mut Vec<String>,
) -> Option<(Arc<ClientConfig>, ServerName<'static>)> {
    if url.scheme_str() != Some("https") || host.is_empty() {
        return None;
    }
    let name = ServerName::try_from(host.to_owned()).map_err(|_| format!("{host:?} is no host name"));
    let client = tls::client(settings.ca_file.as_deref(), settings.identity.as_ref());
    match (client, name) {
        (Ok(client), Ok(name)) => Some((client, name)),
        (client, name) => {
            wrong.extend(client.err().into_iter().chain(name.err()));
            None
        }
    }
}

#[cfg(any(test, feature = "fuzzing"))]
/// Whatever a gateway answers is a page taken or not, said in few words.
pub(super) fn promise(octets: &[u8]) {
    let (first, body) = octets.split_at(octets.len().min(2));
    let code = first.iter().fold(100_u16, |code, octet| code + u16::from(*octet));
    let Ok(status) = hyper::StatusCode::from_u16(code) else { return };
    let mut heads = vec![HeaderMap::new()];
    for (name, value) in [(header::CONTENT_ENCODING, "gzip"), (header::CONTENT_ENCODING, "deflate")] {
        heads.push([(name, HeaderValue::from_static(value))].into_iter().collect());
    }
    // A place to go to, and a time to wait, are whatever the body says.
    if let Ok(value) = HeaderValue::from_bytes(body) {
        heads.push([(header::LOCATION, value.clone()), (header::RETRY_AFTER, value)].into_iter().collect());
    }
    for head in heads {
        let outcome = judge(status, &head, (body, true), None, "push.example.org");
        let said = outcome.to_string();
        assert!(said.len() < 16 * 1024 && !said.contains(char::is_control), "{said:?}");
    }
}

//! What goes back to a browser: a status, headers that are the same for all, and a body that is
//! there whole or comes by and by.

use bytes::Bytes;
use hyper::body::{Body, Frame, SizeHint};
use hyper::header::{self, HeaderName, HeaderValue};
use hyper::{Response, StatusCode};
use std::convert::Infallible;
use std::pin::Pin;
use std::task::{Context, Poll};
use tokio::sync::mpsc;

/// What pages may fetch and run: what comes from here, and nothing that stands in them.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; \
                      form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

/// A report has its sheet in itself, and runs nothing.
const POLICY_OF_REPORTS: &str = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'";

/// A whole body, or events as they come.
pub(super) enum Out {
    Whole(Option<Bytes>),
    /// Each time the browser has taken what there was, the watch over its connection is told.
    Events(mpsc::Receiver<Bytes>, Box<dyn Fn() + Send + Sync>),
}

impl Body for Out {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(
        self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Infallible>>> {
        match self.get_mut() {
            Self::Whole(octets) => Poll::Ready(octets.take().map(|octets| Ok(Frame::data(octets)))),
            Self::Events(events, taken) => {
                let next = events.poll_recv(cx);
                if next.is_ready() {
                    taken();
                }
                next.map(|event| event.map(|octets| Ok(Frame::data(octets))))
            }
        }
    }

    fn is_end_stream(&self) -> bool {
        matches!(self, Self::Whole(None))
    }

    fn size_hint(&self) -> SizeHint {
        match self {
            Self::Whole(octets) => {
                SizeHint::with_exact(octets.as_ref().map_or(0, |octets| octets.len() as u64))
            }
            Self::Events(..) => SizeHint::default(),
        }
    }
}

/// A reply.
pub(super) type WebReply = Response<Out>;

fn with(status: StatusCode, kind: &'static str, body: Out) -> WebReply {
    let mut reply = Response::new(body);
    *reply.status_mut() = status;
    let headers = reply.headers_mut();
    for (name, value) in [
        (header::CONTENT_TYPE, kind),
        (header::CACHE_CONTROL, "no-store"),
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("permissions-policy"), "camera=(), microphone=(), geolocation=()"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    reply
}

/// A page.
pub(super) fn page(status: StatusCode, html: String) -> WebReply {
    with(status, "text/html; charset=utf-8", Out::Whole(Some(html.into())))
}

/// A few plain words.
pub(super) fn words(status: StatusCode, words: &str) -> WebReply {
    with(status, "text/plain; charset=utf-8", Out::Whole(Some(format!("{words}\n").into())))
}

/// Something that stays as it is as long as its address does.
pub(super) fn asset(kind: &'static str, octets: &'static str) -> WebReply {
    let mut reply = with(StatusCode::OK, kind, Out::Whole(Some(Bytes::from_static(octets.as_bytes()))));
    reply
        .headers_mut()
        .insert(header::CACHE_CONTROL, HeaderValue::from_static("public, max-age=31536000, immutable"));
    reply
}

/// A file to keep.
pub(super) fn file(kind: &'static str, name: &str, octets: String) -> WebReply {
    let mut reply = with(StatusCode::OK, kind, Out::Whole(Some(octets.into())));
    if let Ok(value) = HeaderValue::from_str(&format!("attachment; filename=\"{name}\"")) {
        reply.headers_mut().insert(header::CONTENT_DISPOSITION, value);
    }
    reply
}

/// A report: the document says so itself, and so does this.
pub(super) fn report(html: String) -> WebReply {
    let mut reply = page(StatusCode::OK, html);
    reply.headers_mut().insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY_OF_REPORTS));
    reply
}

/// Something was pressed: look there.
pub(super) fn see(place: &str) -> WebReply {
    let mut reply = words(StatusCode::SEE_OTHER, "See there.");
    if let Ok(value) = HeaderValue::from_str(place) {
        reply.headers_mut().insert(header::LOCATION, value);
    }
    reply
}

/// Events as they come.
pub(super) fn events(events: mpsc::Receiver<Bytes>, taken: Box<dyn Fn() + Send + Sync>) -> WebReply {
    with(StatusCode::OK, "text/event-stream", Out::Events(events, taken))
}

/// Adds a header that was made here.
pub(super) fn set(reply: &mut WebReply, name: HeaderName, value: &str) {
    if let Ok(value) = HeaderValue::from_str(value) {
        reply.headers_mut().append(name, value);
    }
}

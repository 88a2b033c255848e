//! What a gateway's answer means: its status decides, and where the keeper says so, a value in its
//! body, since some gateways say `200` and refuse in words. The body is read as far as it is
//! bounded, packed or not.

use super::super::plain;
use bytes::Bytes;
use flate2::read::GzDecoder;
use http_body_util::BodyExt;
use hyper::body::Incoming;
use hyper::header::{self, HeaderMap, HeaderName, HeaderValue};
use hyper::{StatusCode, Uri};
use jiff::fmt::rfc2822;
use serde_json::Value as Json;
use slackwater_rules::record::Outcome;
use slackwater_rules::time::Span;
use std::io::Read as _;
use std::time::Duration;
use tokio::time::timeout;

/// So much of a reply's body is read, packed and unpacked; the rest is not waited for.
const MOST_BODY: usize = 16 * 1024;

/// The status has come, so a body that dawdles must not turn an accepted page into a repeat.
const BODY_WAIT: Duration = Duration::from_secs(2);

/// What a good answer says beside its status: `accepted-if = { pointer = "/ok", value = true }`.
#[derive(Clone, Debug, PartialEq)]
pub struct AcceptedIf {
    /// Where in the JSON of its body (RFC 6901).
    pub pointer: String,
    /// What stands there.
    pub value: Json,
}

/// The beginning of a body: whatever comes of it in time, and whether that was all of it.
pub(super) async fn beginning(mut body: Incoming) -> (Bytes, bool) {
    let mut kept = Vec::new();
    let read = async {
        while kept.len() < MOST_BODY {
            let Some(frame) = body.frame().await else { return true };
            let Ok(frame) = frame else { return false };
            let data = frame.into_data().unwrap_or_default();
            kept.extend(data.iter().take(MOST_BODY - kept.len()));
        }
        false
    };
    let whole = timeout(BODY_WAIT, read).await.unwrap_or(false);
    (kept.into(), whole)
}

/// What the answer means, with its body's beginning and whether that is all (RFC 9110, section 15;
/// 425 is RFC 8470, 429 is RFC 6585).
pub(super) fn judge(
    status: StatusCode,
    headers: &HeaderMap,
    (body, whole): (&[u8], bool),
    accepted_if: Option<&AcceptedIf>,
    peer: &str,
) -> Outcome {
    let field = |name| headers.get(name).and_then(|value: &HeaderValue| value.to_str().ok());
    let body = unpacked(body, field(header::CONTENT_ENCODING));
    let said = plain::one_line(&format!("{status} {body}"));
    match status.as_u16() {
        200..300 => match accepted_if {
            Some(wanted) => wanted.look(&body, whole, &said, peer),
            None => Outcome::Accepted { note: said },
        },
        300..400 => {
            let place = field(header::LOCATION).and_then(|to| to.parse::<Uri>().ok());
            let place = match place.as_ref().map(|to| (to.scheme_str(), to.authority())) {
                Some((Some(scheme), Some(authority))) => {
                    let host = authority.as_str().rsplit('@').next().unwrap_or_default();
                    format!("{scheme}://{host}")
                }
                Some(_) => "another path of the same host".into(),
                None => "nowhere in particular".into(),
            };
            let why = format!("{peer} points to {place} ({}); redirects are not followed", status.as_u16());
            Outcome::Failed { why: format!("settings: {why}") }
        }
        408 | 425 | 429 | 500..600 => {
            let again_in = retry_after(field);
            let wait = again_in.map(|wait| format!(" and asks for {wait}")).unwrap_or_default();
            let why = format!("{peer} said not now{wait}: {said}");
            Outcome::Deferred { why, may_have_arrived: false, again_in }
        }
        401 | 403 => Outcome::Failed { why: format!("settings: {peer} refused our access: {said}") },
        400..500 => Outcome::Failed { why: format!("{peer} refused: {said}") },
        _ => Outcome::Failed { why: format!("{peer} gave an answer that is none: {said}") },
    }
}

impl AcceptedIf {
    fn look(&self, body: &str, whole: bool, said: &str, peer: &str) -> Outcome {
        let found = serde_json::from_str::<Json>(body).ok();
        let place = &self.pointer;
        match found.as_ref().map(|json| json.pointer(place)) {
            Some(Some(value)) if *value == self.value => Outcome::Accepted { note: said.to_owned() },
            Some(_) => Outcome::Failed {
                why: format!("{peer} answered without {} at `{place}`: {said}", self.value),
            },
            // Too slow, or far longer than an answer is: it may have been taken all the same.
            None if !whole => Outcome::Deferred {
                why: format!("{peer}: the answer that says whether it was taken did not come whole: {said}"),
                may_have_arrived: true,
                again_in: None,
            },
            None => Outcome::Failed { why: format!("{peer} answered in words that are no JSON: {said}") },
        }
    }
}

/// RFC 9110, 10.2.3: seconds, or a date. A date is taken from the answer's own date, so that no
/// clock of ours counts.
fn retry_after<'h>(field: impl Fn(HeaderName) -> Option<&'h str>) -> Option<Span> {
    let said = field(header::RETRY_AFTER)?.trim();
    if let Ok(seconds) = said.parse::<u32>() {
        return Some(Span::seconds(seconds.into()));
    }
    let date = |text: &str| rfc2822::parse(text).ok().map(|zoned| zoned.timestamp().as_second());
    let ahead = date(said)? - date(field(header::DATE)?)?;
    (0..=i64::from(u32::MAX)).contains(&ahead).then(|| Span::seconds(ahead))
}

/// The body as text; packed by gzip (RFC 9110, 8.4.1.3) even though nobody asked for that.
fn unpacked(body: &[u8], encoding: Option<&str>) -> String {
    let packed = encoding.is_some_and(|encoding| encoding.trim().eq_ignore_ascii_case("gzip"));
    if !packed {
        return String::from_utf8_lossy(body).into_owned();
    }
    let mut text = Vec::new();
    // What was cut off ends in an error; what came before it is of use.
    let _ = GzDecoder::new(body).take(MOST_BODY as u64).read_to_end(&mut text);
    String::from_utf8_lossy(&text).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use flate2::Compression;
    use flate2::write::GzEncoder;
    use std::io::Write as _;

    fn answered(
        status: u16,
        headers: &[(HeaderName, &str)],
        body: &str,
        wanted: Option<&AcceptedIf>,
    ) -> Outcome {
        let mut all = HeaderMap::new();
        for (name, value) in headers {
            all.insert(name.clone(), HeaderValue::from_str(value).expect("a value"));
        }
        judge(
            StatusCode::from_u16(status).expect("a status"),
            &all,
            (body.as_bytes(), true),
            wanted,
            "push:443",
        )
    }

    fn again_in(headers: &[(HeaderName, &str)]) -> Option<Span> {
        answered(503, headers, "", None).again_in()
    }

    /// The date is RFC 9110's own example, 5.6.7.
    #[test]
    fn a_server_that_asks_to_be_left_alone_is_asked_again_after_that() {
        assert_eq!(again_in(&[(header::RETRY_AFTER, "120")]), Some(Span::seconds(120)));
        let date = (header::DATE, "Sun, 06 Nov 1994 08:49:37 GMT");
        let until = (header::RETRY_AFTER, "Sun, 06 Nov 1994 08:51:37 GMT");
        assert_eq!(again_in(&[date.clone(), until.clone()]), Some(Span::seconds(120)));
        assert_eq!(again_in(&[until]), None, "a date alone says nothing to a clock that may be wrong");
        for odd in ["-5", "soon", "99999999999", "Sun, 06 Nov 1994 08:00:00 GMT"] {
            assert_eq!(again_in(&[date.clone(), (header::RETRY_AFTER, odd)]), None, "{odd}");
        }
    }

    #[test]
    fn a_gateway_that_says_200_and_refuses_in_words_has_refused() {
        let wanted = AcceptedIf { pointer: "/ok".to_owned(), value: Json::Bool(true) };
        let said = |body: &str| answered(200, &[], body, Some(&wanted));
        assert!(matches!(said(r#"{"ok": true}"#), Outcome::Accepted { .. }));
        for refusal in [r#"{"ok": false, "error": "no such room"}"#, "{}", r#"{"ok": "true"}"#, "fine"] {
            assert!(matches!(said(refusal), Outcome::Failed { .. }), "{refusal}");
        }
        let why = said(r#"{"ok": false, "error": "no such room"}"#).trouble().unwrap_or_default();
        assert!(why.contains("no such room") && why.contains("`/ok`"), "{why}");
        let half =
            judge(StatusCode::OK, &HeaderMap::new(), (br#"{"ok": tr"#, false), Some(&wanted), "push:443");
        assert!(half.is_doubtful(), "{half:?}");
    }

    #[test]
    fn a_packed_answer_is_read_and_one_that_unpacks_without_end_is_bounded() {
        let pack = |text: &[u8]| {
            let mut packer = GzEncoder::new(Vec::new(), Compression::best());
            packer.write_all(text).expect("packed");
            packer.finish().expect("packed")
        };
        assert_eq!(unpacked(&pack(b"{\"ok\":true}"), Some("gzip")), "{\"ok\":true}");
        let bomb = pack(&vec![b'x'; 50 << 20]);
        assert_eq!(unpacked(bomb.get(..MOST_BODY).unwrap_or(&bomb), Some("GZIP")).len(), MOST_BODY);
        assert_eq!(unpacked(b"plain", None), "plain");
        assert_eq!(unpacked(b"no gzip at all", Some("gzip")), "");
    }
}

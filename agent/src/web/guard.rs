//! Who may ask, by what stands in the head of a request: the name of this host, since a stranger's
//! name may be pointed at it; where a form was sent from, since another site may send one with this
//! site's cookie; and the cookie itself.

use crate::settings::WebSettings;
use hyper::HeaderMap;
use hyper::header::{COOKIE, HOST, ORIGIN};
use std::net::IpAddr;

/// The cookie's name; over TLS browsers hold it to this host and path by its beginning.
const COOKIE_CLEAR: &str = "slackwater";
const COOKIE_TLS: &str = "__Host-slackwater";

/// How long a browser keeps it: 400 days is the most that it may (RFC 6265bis, section 5.5).
const KEPT_S: u32 = 400 * 86_400;

/// Whether it may be asked for by this name. An address can't be pointed elsewhere by a stranger's
/// name server.
pub(super) fn is_known_host(headers: &HeaderMap, settings: &WebSettings) -> bool {
    let Some(host) = headers.get(HOST).and_then(|host| host.to_str().ok()) else { return false };
    let bare = bare(host);
    bare == "localhost"
        || bare.parse::<IpAddr>().is_ok()
        || settings.url_host().is_some_and(|known| known == bare)
        || settings.hosts.contains(&bare)
}

/// The host without its port, in small letters.
fn bare(host: &str) -> String {
    let host = match host.strip_prefix('[') {
        Some(six) => six.split(']').next().unwrap_or_default(),
        None => host.rsplit_once(':').map_or(host, |(host, _)| host),
    };
    host.to_ascii_lowercase()
}

/// Whether a form was sent by a page of this site. A browser that says neither has none of ours.
pub(super) fn is_from_here(headers: &HeaderMap) -> bool {
    let said = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    if let Some(site) = said("sec-fetch-site") {
        return site == "same-origin";
    }
    let (Some(origin), Some(host)) = (said(ORIGIN.as_str()), said(HOST.as_str())) else { return false };
    let there = origin.strip_prefix("https://").or_else(|| origin.strip_prefix("http://"));
    there.is_some_and(|there| there.eq_ignore_ascii_case(host))
}

/// What the browser shows of a session.
pub(super) fn token(headers: &HeaderMap, encrypted: bool) -> Option<&str> {
    let name = if encrypted { COOKIE_TLS } else { COOKIE_CLEAR };
    let cookies = headers.get_all(COOKIE).iter().filter_map(|cookie| cookie.to_str().ok());
    let mut cookies =
        cookies.flat_map(|cookies| cookies.split(';')).filter_map(|one| one.trim().split_once('='));
    cookies.find(|(known, _)| *known == name).map(|(_, value)| value)
}

/// The header that gives a browser its session, or takes it.
pub(super) fn cookie(token: Option<&str>, encrypted: bool) -> String {
    let (name, secure) = if encrypted { (COOKIE_TLS, "; Secure") } else { (COOKIE_CLEAR, "") };
    let (value, age) = token.map_or(("", 0), |token| (token, KEPT_S));
    format!("{name}={value}; Path=/; HttpOnly; SameSite=Lax; Max-Age={age}{secure}")
}

#[cfg(any(test, feature = "fuzzing"))]
/// Whatever stands in a head, a form of another host is never one of ours.
pub(super) fn promise(octets: &[u8]) {
    use hyper::header::HeaderValue;
    let Ok(value) = HeaderValue::from_bytes(octets) else { return };
    let of = |names: &[hyper::header::HeaderName]| -> HeaderMap {
        names.iter().map(|name| (name.clone(), value.clone())).collect()
    };
    let mut head = of(&[HOST, COOKIE]);
    head.insert(ORIGIN, HeaderValue::from_static("https://elsewhere.example.org"));
    let ours =
        head.get(HOST).is_some_and(|host| host.as_bytes().eq_ignore_ascii_case(b"elsewhere.example.org"));
    assert_eq!(is_from_here(&head), ours);
    for encrypted in [false, true] {
        assert!(token(&head, encrypted).is_none_or(|token| !token.contains(';')));
    }
    if let Ok(text) = value.to_str() {
        assert!(bare(text).len() <= text.len());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings() -> WebSettings {
        WebSettings {
            listen: crate::settings::USUAL_LISTEN,
            url: Some("https://halyard.home.arpa:8740".to_owned()),
            open_to_read: false,
            tls: None,
            in_clear_because: None,
            hosts: vec!["reef".to_owned()],
        }
    }

    fn head(fields: &[(&'static str, &'static str)]) -> HeaderMap {
        fields.iter().map(|(name, value)| (name.parse().unwrap(), value.parse().unwrap())).collect()
    }

    #[test]
    fn strange_names_of_this_host_are_refused() {
        let known = |host| is_known_host(&head(&[("host", host)]), &settings());
        for host in [
            "localhost:8740",
            "127.0.0.1",
            "[::1]:8740",
            "192.168.1.5:8740",
            "HALYARD.home.arpa:8740",
            "reef",
        ] {
            assert!(known(host), "{host}");
        }
        for host in [
            "evil.example",
            "halyard.home.arpa.evil.example",
            "localhost.evil.example:8740",
            "127.0.0.1.evil.example",
            "",
        ] {
            assert!(!known(host), "{host}");
        }
        assert!(!is_known_host(&HeaderMap::new(), &settings()));
    }

    #[test]
    fn forms_of_other_sites_are_refused() {
        let host = ("host", "reef:8740");
        for (fields, here) in [
            (vec![host, ("sec-fetch-site", "same-origin")], true),
            (vec![host, ("sec-fetch-site", "cross-site"), ("origin", "http://reef:8740")], false),
            (vec![host, ("sec-fetch-site", "same-site")], false),
            (vec![host, ("sec-fetch-site", "none")], false),
            (vec![host, ("origin", "http://reef:8740")], true),
            (vec![host, ("origin", "http://reef:8741")], false),
            (vec![host, ("origin", "null")], false),
            (vec![host, ("origin", "http://evil.example")], false),
            (vec![host], false),
        ] {
            assert_eq!(is_from_here(&head(&fields)), here, "{fields:?}");
        }
    }

    #[test]
    fn a_cookie_is_bound_to_this_host_and_hidden_from_scripts() {
        let made = cookie(Some("abc"), true);
        assert!(
            made.starts_with("__Host-slackwater=abc; Path=/; HttpOnly; SameSite=Lax;")
                && made.ends_with("; Secure")
        );
        let shown = head(&[("cookie", "a=b; __Host-slackwater=abc; slackwater=other")]);
        assert_eq!((token(&shown, true), token(&shown, false)), (Some("abc"), Some("other")));
        assert!(cookie(None, false).contains("Max-Age=0"));
    }
}

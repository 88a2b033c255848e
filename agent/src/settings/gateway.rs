//! A gateway's request: where it goes, by which way, with which headers, and what of its answer
//! counts. For push channels, and for check-ins by web.

use super::channels::this_machine;
use super::files::Files;
use super::reader::{hidden_line, line, span};
use crate::channels::{AcceptedIf, Proxy, PushSettings};
use crate::secret::Secret;
use hyper::header::HeaderName;
use hyper::{Method, Uri};
use serde_json::Value as Json;
use slackwater_rules::diagnostic::{Finding, Item, Table};
use slackwater_rules::time::Span;
use std::collections::BTreeMap;

/// Headers that the request has anyway.
const OWN_HEADERS: &[&str] = &["content-length", "content-type", "connection", "host", "transfer-encoding"];

pub(super) fn push(table: &Table<'_>, files: &Files<'_>) -> Option<PushSettings> {
    let methods = [("POST", Method::POST), ("PUT", Method::PUT)];
    let method = table.get("method").and_then(|item| item.one_of(&methods));
    let template = table.get("template-file").and_then(|item| files.body(item));
    let usual_type = match template {
        None => "application/cloudevents+json; charset=utf-8",
        Some(_) => "text/plain; charset=utf-8",
    };
    let content_type = table.get("content-type").and_then(line);
    let request = request(table, files)?;
    Some(PushSettings {
        method: method.unwrap_or(Method::POST),
        template,
        accepted_if: table.get("accepted-if").and_then(accepted_if),
        content_type: content_type.unwrap_or_else(|| usual_type.to_owned()),
        ..request
    })
}

/// Where a request goes, and with which headers; the rest as for a POST of our own.
pub(super) fn request(table: &Table<'_>, files: &Files<'_>) -> Option<PushSettings> {
    let open = table.get("url");
    let hidden = table.get("url-file");
    let url = match (open, hidden) {
        (Some(item), None) => hidden_line(item).and_then(|text| url(item, &text)).map(Secret::address),
        (None, Some(item)) => {
            files.secret(item).and_then(|secret| url(item, secret.expose())).map(Secret::address)
        }
        (Some(_), Some(item)) => item.wrong("`url` is given too", "one of them must go", None),
        (None, None) => {
            let title = format!("`{}` lacks `url`", table.name);
            let finding = Finding::error(table.span.clone(), title, "not complete");
            table.note(
                finding.help("for instance `url = \"https://push.example.org/halyard\"`, or `url-file`"),
            );
            None
        }
    };
    let headers = table.get("headers").and_then(|item| fields(item, hidden_line));
    let secret_headers =
        table.get("secret-header-files").and_then(|item| fields(item, |item| files.secret(item)));
    let ca_file = table.get("ca-file").and_then(|item| files.certificates(item));
    let timeout = table.get("timeout").and_then(|item| span(item, Span::seconds(1)..=Span::minutes(5)));
    Some(PushSettings {
        url: url?,
        method: Method::POST,
        headers: headers.unwrap_or_default(),
        secret_headers: secret_headers.unwrap_or_default(),
        template: None,
        content_type: String::new(),
        accepted_if: None,
        proxy: proxy(table, files),
        identity: files.identity(table),
        ca_file,
        timeout: timeout.unwrap_or(Span::seconds(20)),
    })
}

/// `{ pointer = "/ok", value = true }`.
fn accepted_if(item: Item<'_>) -> Option<AcceptedIf> {
    let table = item.table()?;
    let pointer = table.need("pointer", "\"/ok\"").and_then(|item| {
        let text = line(item)?;
        match text.is_empty() || text.starts_with('/') {
            true => Some(text),
            false => item.wrong(
                format!("`{text}` is not the place of a value in JSON"),
                "it begins with `/`, by RFC 6901",
                Some(format!("for instance \"/{text}\"")),
            ),
        }
    });
    // Words, numbers and truth are written in TOML as they are in JSON.
    let value = table.need("value", "true").and_then(|item| match serde_json::from_str(item.raw()) {
        Ok(Json::Object(_) | Json::Array(_) | Json::Null) | Err(_) => {
            item.wrong("`value` is what a good answer says", "expected a word, a number, true or false", None)
        }
        Ok(value) => Some(value),
    });
    table.finish();
    Some(AcceptedIf { pointer: pointer?, value: value? })
}

/// `proxy = "http://10.0.0.5:3128"`, and what it asks for.
fn proxy(table: &Table<'_>, files: &Files<'_>) -> Option<Proxy> {
    let authorization = table.get("proxy-authorization-file").and_then(|item| files.secret(item));
    let item = table.get("proxy")?;
    // Whoever writes a password into it should not see it printed.
    let text = hidden_line(item)?;
    let uri = text.parse::<Uri>().ok().filter(|uri| uri.scheme_str() == Some("http"));
    let place = uri.as_ref().and_then(|uri| Some((uri.host()?, uri.port_u16()?)));
    let bare = uri.as_ref().is_some_and(|uri| {
        matches!(uri.path(), "" | "/") && uri.authority().is_some_and(|it| !it.as_str().contains('@'))
    });
    match place.filter(|_| bare) {
        Some((host, port)) => {
            let host = host.trim_matches(['[', ']']).to_owned();
            Some(Proxy { host, port, authorization })
        }
        None => {
            let help =
                "for instance \"http://10.0.0.5:3128\"; a password goes into `proxy-authorization-file`";
            item.wrong("`proxy` must be the address of a proxy", "not one", Some(help.to_owned()))
        }
    }
}

/// The URL if it is one; no text shows it.
fn url(item: Item<'_>, text: &str) -> Option<String> {
    let help = || Some("for instance \"https://push.example.org/halyard\"".to_owned());
    let Some(uri) = text.parse::<Uri>().ok().filter(|uri| uri.host().is_some()) else {
        return item.wrong(format!("`{}` must be a URL", item.name()), "not a URL", help());
    };
    let host = uri.host().unwrap_or_default();
    match uri.scheme_str() {
        Some("https") => Some(text.to_owned()),
        Some("http") if this_machine(host) => Some(text.to_owned()),
        Some("http") => {
            let title = format!("`http` to `{host}` would go unencrypted");
            item.wrong(title, "anyone on the way could read it", Some("use `https`".to_owned()))
        }
        _ => item.wrong(format!("`{}` must be a URL", item.name()), "lacks `https://` in front", help()),
    }
}

/// Headers by name. Any line of text can be a value: it has no control characters.
fn fields<'t, T>(item: Item<'t>, read: impl Fn(Item<'t>) -> Option<T>) -> Option<BTreeMap<String, T>> {
    let table = item.table()?;
    let mut found = BTreeMap::new();
    for (name, item) in table.all() {
        let wrong = |title: &str, label: &str| item.find(Finding::error(name.span.clone(), title, label));
        match HeaderName::from_bytes(name.it.as_bytes()) {
            Err(_) => wrong(&format!("`{}` is not the name of a header", name.it), "RFC 9110, 5.1"),
            Ok(header) if OWN_HEADERS.contains(&header.as_str()) => {
                wrong(&format!("the header `{}` is set by the agent itself", name.it), "leave it out");
            }
            Ok(_) => found.extend(read(item).map(|value| (name.it, value))),
        }
    }
    table.finish();
    Some(found)
}

//! Every way to reach someone, and the server that mail goes through: `[mail]`, and the
//! channels inside `[contact.…]` and `[channel.…]`.

use super::tree::{Item, Table};
pub use crate::channels::{
    ChannelSettings, FolderSettings, MailSettings, PushSettings, Security, SirenSettings,
};
use crate::modem::{ModemSettings, Number};
use crate::secret::Secret;
use hyper::header::HeaderName;
use hyper::{Method, Uri};
use lettre::message::Mailbox;
use slackwater_rules::plan::{ChannelKind, Quota, is_same_payload, means_the_opposite};
use slackwater_rules::time::Span;
use std::collections::BTreeMap;

impl ChannelSettings {
    /// What the channel can carry.
    pub fn kind(&self) -> ChannelKind {
        match self {
            Self::Mail(_) | Self::Folder(_) => ChannelKind::Mail,
            Self::Push(_) => ChannelKind::Push,
            Self::Siren(_) => ChannelKind::Siren,
            Self::Text(_) => ChannelKind::Text,
        }
    }

    /// Whether it reaches a person only as long as the router has power.
    pub fn needs_router(&self) -> bool {
        match self {
            Self::Mail(_) | Self::Push(_) => true,
            Self::Folder(_) | Self::Siren(_) | Self::Text(_) => false,
        }
    }
}

/// Headers that the request has anyway.
const OWN_HEADERS: &[&str] = &["content-length", "content-type", "connection", "host", "transfer-encoding"];

/// What can stand after `kind`.
#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Mail,
    Push,
    Folder,
    Siren,
    Text,
}

/// A channel, and how many pages it may carry.
pub(super) type Limited = (ChannelSettings, Option<Quota>);

/// Reads one channel: of a person, or of nobody.
pub(super) fn channel(item: &Item<'_>, personal: bool) -> Option<Limited> {
    let mut table = item.table()?;
    let kinds = [
        ("mail", Kind::Mail),
        ("push", Kind::Push),
        ("folder", Kind::Folder),
        ("siren", Kind::Siren),
        ("text", Kind::Text),
    ];
    let kind = table.need("kind", |item| match item.one_of(&kinds)? {
        Kind::Siren if personal => {
            item.wrong("a siren reaches nobody in particular: write it as `[channel.NAME]`")
        }
        Kind::Mail | Kind::Push | Kind::Folder | Kind::Text if !personal => {
            item.wrong("only sirens belong to nobody: write this channel as `[contact.NAME.channel.NAME]`")
        }
        kind => Some(kind),
    });
    let Some(kind) = kind else {
        table.leave_the_rest();
        return None;
    };
    let quota = if personal { table.may("at-most", quota) } else { Some(None) };
    let settings = match kind {
        Kind::Mail => table.need("to", mailbox).map(ChannelSettings::Mail),
        Kind::Push => push(&mut table).map(|push| ChannelSettings::Push(Box::new(push))),
        Kind::Folder => {
            let folder = table.need("folder", Item::path);
            let to = table.need("to", mailbox);
            Some(ChannelSettings::Folder(FolderSettings { folder: folder?, to: to? }))
        }
        Kind::Siren => siren(&mut table).map(ChannelSettings::Siren),
        Kind::Text => table.need("to", number).map(ChannelSettings::Text),
    };
    Some((settings?, quota?))
}

/// `{ hour = 6, day = 20, reserve = 2 }`. A quarter of the smallest limit is kept for what is
/// critical if nothing is said.
fn quota(item: &Item<'_>) -> Option<Quota> {
    let mut table = item.table()?;
    let count = |item: &Item<'_>| item.count(1..=100_000);
    let (hour, day) = (table.may("hour", count), table.may("day", count));
    let reserve = table.may("reserve", |item| item.count(0..=100_000));
    let (hour, day, reserve) = (hour?, day?, reserve?);
    let Some(least) = hour.into_iter().chain(day).min() else {
        return table.wrong("hour", "it is missing, and so is `day`: one of them is needed");
    };
    let reserve = reserve.unwrap_or(least / 4);
    if reserve >= least {
        return table.wrong("reserve", format!("`{reserve}` leaves nothing of {least} for other pages"));
    }
    Some(Quota { hour, day, reserve })
}

fn mailbox(item: &Item<'_>) -> Option<Mailbox> {
    let text = item.text()?;
    text.parse().ok().or_else(|| {
        item.wrong(format!(
            "`{text}` is not a mail address: one like \"ines@example.org\" or \"Ines <ines@example.org>\" is expected"
        ))
    })
}

/// A number; no text shows it.
fn number(item: &Item<'_>) -> Option<Number> {
    Number::parse(&item.text()?)
        .map_err(|why| item.wrong::<()>(format!("{why}; a number like \"+351 900 000 000\" is expected")))
        .ok()
}

fn siren(table: &mut Table<'_>) -> Option<SirenSettings> {
    let topic = table.need("topic", Item::topic);
    let on = table.or("on", "on".to_owned(), Item::text);
    let off = table.or("off", "off".to_owned(), Item::text);
    if on.is_some() && on == off {
        return table.wrong("off", "it is the same as `on`: the siren would never stop");
    }
    if let (Some(on), Some(off)) = (&on, &off) {
        if is_same_payload(on, off) {
            return table.wrong("off", "it differs from `on` only in blanks or the case of letters");
        }
        if means_the_opposite(on, off) {
            return table.wrong("off", format!("`on = \"{on}\"` and `off = \"{off}\"` mean the opposite"));
        }
    }
    Some(SirenSettings { topic: topic?, on: on?, off: off? })
}

fn push(table: &mut Table<'_>) -> Option<PushSettings> {
    let methods = [("POST", Method::POST), ("PUT", Method::PUT)];
    let method = table.or("method", Method::POST, |i| i.one_of(&methods));
    let template = table.may("template-file", Item::body);
    let usual_type = match template {
        Some(None) => "application/cloudevents+json; charset=utf-8",
        _ => "text/plain; charset=utf-8",
    };
    let content_type = table.or("content-type", usual_type.to_owned(), Item::text);
    let request = request(table)?;
    Some(PushSettings { method: method?, template: template?, content_type: content_type?, ..request })
}

/// Where a request goes, and with which headers; the rest as for a POST of our own.
pub(super) fn request(table: &mut Table<'_>) -> Option<PushSettings> {
    let open = table.may("url", |item| url(item, &item.text()?).map(Secret::address));
    let hidden = table.may("url-file", |item| {
        let secret = item.secret()?;
        url(item, secret.expose()).map(Secret::address)
    });
    let url = match (open, hidden) {
        (Some(Some(url)), Some(None)) | (Some(None), Some(Some(url))) => Some(url),
        (Some(None), Some(None)) => table.wrong("url", "it is missing, and so is `url-file`"),
        (Some(Some(_)), Some(Some(_))) => table.wrong("url-file", "`url` is given too: one of them must go"),
        (None, _) | (_, None) => None,
    };
    let headers = table.or("headers", BTreeMap::new(), |item| fields(item, Item::text));
    let secret_headers = table.or("secret-header-files", BTreeMap::new(), |item| fields(item, Item::secret));
    let ca_file = table.may("ca-file", Item::certificates);
    let timeout = table.or("timeout", Span::seconds(20), |i| i.span(Span::seconds(1)..=Span::minutes(5)));
    Some(PushSettings {
        url: url?,
        method: Method::POST,
        headers: headers?,
        secret_headers: secret_headers?,
        template: None,
        content_type: String::new(),
        ca_file: ca_file?,
        timeout: timeout?,
    })
}

/// The URL if it is one; no text shows it.
pub(super) fn url(item: &Item<'_>, text: &str) -> Option<String> {
    let Some(uri) = text.parse::<Uri>().ok().filter(|uri| uri.host().is_some()) else {
        return item.wrong("it is not a URL like \"https://push.example.org/halyard\"");
    };
    let host = uri.host().unwrap_or_default();
    match uri.scheme_str() {
        Some("https") => Some(text.to_owned()),
        Some("http") if this_machine(host) => Some(text.to_owned()),
        Some("http") => item.wrong(format!("`http` to `{host}` would go unencrypted: use `https`")),
        _ => item.wrong("`https://` is expected in front"),
    }
}

/// Whether a host is this very machine, by its name or address.
pub(super) fn this_machine(host: &str) -> bool {
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    host == "localhost" || bare.parse::<std::net::IpAddr>().is_ok_and(|address| address.is_loopback())
}

/// Headers by name. Any line of text can be a value: it has no control characters.
fn fields<'a, T>(item: &Item<'a>, read: impl Fn(&Item<'a>) -> Option<T>) -> Option<BTreeMap<String, T>> {
    let found: Vec<Option<(String, T)>> = item
        .table()?
        .named()
        .into_iter()
        .map(|(name, item)| {
            let Ok(header) = HeaderName::from_bytes(name.as_bytes()) else {
                return item.wrong(format!("`{name}` is not the name of a header (RFC 9110, 5.1)"));
            };
            if OWN_HEADERS.contains(&header.as_str()) {
                return item.wrong(format!("the header `{name}` is set by the agent itself"));
            }
            Some((name, read(&item)?))
        })
        .collect();
    found.into_iter().collect()
}

impl MailSettings {
    pub(super) fn read(item: &Item<'_>) -> Option<Self> {
        let mut table = item.table()?;
        let host = table.need("host", Item::host);
        let kinds = [("starttls", Security::Starttls), ("tls", Security::Tls), ("none", Security::Plain)];
        let security = table.or("security", Security::Starttls, |i| {
            let security = i.one_of(&kinds)?;
            match &host {
                Some(host) if security == Security::Plain && !this_machine(host) => {
                    i.wrong(format!("mail to `{host}` would go unencrypted: use `starttls` or `tls`"))
                }
                _ => Some(security),
            }
        });
        // RFC 6409 (587), RFC 8314 (465), RFC 5321 (25).
        let usual_port = match security {
            Some(Security::Starttls) | None => 587,
            Some(Security::Tls) => 465,
            Some(Security::Plain) => 25,
        };
        let port = table.or("port", usual_port, Item::port);
        let user = table.may("user", Item::text);
        let password = table.may("password-file", Item::secret);
        let from = table.need("from", mailbox);
        let ca_file = table.may("ca-file", Item::certificates);
        let timeout = table.or("timeout", Span::seconds(60), |i| i.span(Span::seconds(5)..=Span::minutes(5)));
        let (user, password) = (user?, password?);
        if user.is_some() != password.is_some() {
            return table.wrong("password-file", "`user` and `password-file` go together: one is missing");
        }
        Some(Self {
            host: host?,
            port: port?,
            security: security?,
            user,
            password,
            from: from?,
            ca_file: ca_file?,
            timeout: timeout?,
        })
    }
}

/// PINs of a SIM: 3GPP TS 31.101, 9.5.1.
const PIN_DIGITS: std::ops::RangeInclusive<usize> = 4..=8;

/// Speeds that serial modems have.
const SPEEDS: &[(&str, u32)] = &[
    ("9600 Bd", 9_600),
    ("19200 Bd", 19_200),
    ("38400 Bd", 38_400),
    ("57600 Bd", 57_600),
    ("115200 Bd", 115_200),
    ("230400 Bd", 230_400),
    ("460800 Bd", 460_800),
    ("921600 Bd", 921_600),
];

impl ModemSettings {
    pub(super) fn read(item: &Item<'_>) -> Option<Self> {
        let mut table = item.table()?;
        let device = table.need("device", Item::path);
        let model = table.may("model", Item::text);
        let pin = table.may("pin-file", |item| {
            let pin = item.secret()?;
            let digits = pin.expose().bytes().all(|b| b.is_ascii_digit());
            match digits && PIN_DIGITS.contains(&pin.expose().len()) {
                true => Some(pin),
                false => item.wrong("what it holds is not a PIN: 4 to 8 digits are expected"),
            }
        });
        let speed = table.or("speed", 115_200, |item| item.one_of(SPEEDS));
        Some(Self { device: device?, model: model?, pin: pin?, speed: speed? })
    }
}

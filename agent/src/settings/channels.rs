//! Every way to reach someone, and the server that mail goes through: `[mail]`, and the
//! channels inside `[contact.…]` and `[channel.…]`.

use super::broker::{host, topic};
use super::files::Files;
use super::gateway::push;
use super::reader::{count, hidden_line, line, port, span};
pub use crate::channels::{
    ChannelSettings, FolderSettings, MailSettings, PushSettings, RingSettings, Security, SirenSettings,
    UnusableChannel,
};
use crate::modem::{ModemSettings, Number};
use lettre::message::Mailbox;
use slackwater_rules::alarm::Priority;
use slackwater_rules::diagnostic::{Finding, Item, Table};
use slackwater_rules::plan::{ChannelKind, Quota, Siren, is_same_payload, means_the_opposite};
use slackwater_rules::time::Span;

/// A siren sounds at least so long for a rung, and in an hour.
const SHORTEST_SOUND: Span = Span::seconds(1);
/// And at most so long.
const A_SOUND: Span = Span::minutes(30);
const AN_HOUR: Span = Span::hours(1);

impl ChannelSettings {
    /// What the channel can carry.
    pub fn kind(&self) -> ChannelKind {
        match self {
            Self::Mail(_) | Self::Folder(_) => ChannelKind::Mail,
            Self::Push(_) => ChannelKind::Push,
            Self::Siren(_) => ChannelKind::Siren,
            Self::Text(_) => ChannelKind::Text,
            Self::Ring(_) => ChannelKind::Ring,
            Self::Unusable(unusable) => unusable.kind,
        }
    }

    /// What stands in its place while something keeps it from being used.
    pub fn unusable(&self, why: String) -> Self {
        Self::Unusable(UnusableChannel { kind: self.kind(), needs_router: self.needs_router(), why })
    }

    /// Whether it reaches a person only as long as the router has power.
    pub fn needs_router(&self) -> bool {
        match self {
            Self::Mail(_) | Self::Push(_) => true,
            Self::Folder(_) | Self::Siren(_) | Self::Text(_) | Self::Ring(_) => false,
            Self::Unusable(unusable) => unusable.needs_router,
        }
    }
}

/// What can stand after `kind`.
#[derive(Clone, Copy, PartialEq)]
enum ChannelTable {
    Mail,
    Push,
    Folder,
    Siren,
    Text,
    Ring,
}

/// Short of this nobody wakes up; beyond it a mailbox of the network answers, and texts wait.
const SHORTEST_RING: Span = Span::seconds(5);
const USUAL_RING: Span = Span::seconds(20);
const LONGEST_RING: Span = Span::minutes(1);

impl ChannelTable {
    fn unusable(self, why: String) -> UnusableChannel {
        let (kind, needs_router) = match self {
            Self::Mail => (ChannelKind::Mail, true),
            Self::Push => (ChannelKind::Push, true),
            Self::Folder => (ChannelKind::Mail, false),
            Self::Siren => (ChannelKind::Siren, false),
            Self::Text => (ChannelKind::Text, false),
            Self::Ring => (ChannelKind::Ring, false),
        };
        UnusableChannel { kind, needs_router, why }
    }
}

/// A channel, and how many pages it may carry.
pub(super) type Limited = (ChannelSettings, Option<Quota>);

/// Reads one channel: of a person, or of nobody.
pub(super) fn channel(table: Table<'_>, files: &Files<'_>, personal: bool) -> Option<Limited> {
    let kinds = [
        ("mail", ChannelTable::Mail),
        ("push", ChannelTable::Push),
        ("folder", ChannelTable::Folder),
        ("siren", ChannelTable::Siren),
        ("text", ChannelTable::Text),
        ("ring", ChannelTable::Ring),
    ];
    // Without its kind nobody knows which of its keys are right.
    let kind = table.get("kind").map(|item| match item.one_of(&kinds)? {
        ChannelTable::Siren if personal => {
            let help = "write it as `[channel.NAME]`".to_owned();
            item.wrong("a siren reaches nobody in particular", "not a way to a person", Some(help))
        }
        ChannelTable::Mail
        | ChannelTable::Push
        | ChannelTable::Folder
        | ChannelTable::Text
        | ChannelTable::Ring
            if !personal =>
        {
            let help = "write this channel as `[contact.NAME.channel.NAME]`".to_owned();
            item.wrong("only sirens belong to nobody", "a way to a person", Some(help))
        }
        kind => Some(kind),
    });
    let Some(kind) = kind else {
        let title = format!("`{}` lacks `kind`", table.name);
        let example = if personal { "mail" } else { "siren" };
        let finding = Finding::error(table.span.clone(), title, "not complete");
        table.note(finding.help(format!("for instance `kind = \"{example}\"`")));
        return None;
    };
    let kind = kind?;
    let quota = if personal { table.get("at-most").and_then(quota) } else { None };
    let (settings, unusable) = files.noting(|| match kind {
        ChannelTable::Mail => {
            table.need("to", "\"ines@example.org\"").and_then(mailbox).map(ChannelSettings::Mail)
        }
        ChannelTable::Push => push(&table, files).map(|push| ChannelSettings::Push(Box::new(push))),
        ChannelTable::Folder => {
            let folder = table.need("folder", "\"pages\"").and_then(|item| files.path(item));
            let to = table.need("to", "\"ines@example.org\"").and_then(mailbox);
            folder.zip(to).map(|(folder, to)| ChannelSettings::Folder(FolderSettings { folder, to }))
        }
        ChannelTable::Siren => siren(&table).map(ChannelSettings::Siren),
        ChannelTable::Text => {
            table.need("to", "\"+351 900 000 000\"").and_then(number).map(ChannelSettings::Text)
        }
        ChannelTable::Ring => {
            let length = table.get("for").map(|item| span(item, SHORTEST_RING..=LONGEST_RING));
            let to = table.need("to", "\"+351 900 000 000\"").and_then(number);
            let length = length.unwrap_or(Some(USUAL_RING));
            to.zip(length).map(|(to, length)| ChannelSettings::Ring(RingSettings { to, length }))
        }
    });
    table.finish();
    let settings = match unusable {
        Some(why) => Some(ChannelSettings::Unusable(kind.unusable(why))),
        None => settings,
    };
    Some((settings?, quota))
}

/// `{ hour = 6, day = 20, reserve = 2 }`. A quarter of the smallest limit is kept for what is
/// critical if nothing is said.
fn quota(item: Item<'_>) -> Option<Quota> {
    let table = item.table()?;
    let before = table.errors();
    let number = |key, least| table.get(key).and_then(|item| count(item, least..=100_000));
    let (hour, day, reserve) = (number("hour", 1), number("day", 1), number("reserve", 0));
    let (said, place) = (table.has("hour") || table.has("day"), table.key_span("reserve"));
    table.finish();
    let Some(least) = hour.into_iter().chain(day).min() else {
        if said {
            return None;
        }
        let help = "for instance `{ hour = 6, day = 20 }`".to_owned();
        return item.wrong("`at-most` says no number", "lacks `hour`, `day` or both", Some(help));
    };
    let kept = reserve.unwrap_or(least / 4);
    if kept >= least && item.errors() == before {
        let title = format!("a reserve of {kept} leaves nothing of {least} for other pages");
        item.find(Finding::error(place, title, format!("must be less than {least}")));
        return None;
    }
    Some(Quota { hour, day, reserve: kept })
}

pub(super) fn mailbox(item: Item<'_>) -> Option<Mailbox> {
    let text = line(item)?;
    text.parse().ok().or_else(|| {
        let help = "for instance \"ines@example.org\" or \"Ines <ines@example.org>\"".to_owned();
        item.wrong(format!("`{text}` is not a mail address"), "expected NAME@DOMAIN", Some(help))
    })
}

/// A number; no text shows it.
fn number(item: Item<'_>) -> Option<Number> {
    let help = || Some("for instance \"+351 900 000 000\"".to_owned());
    Number::parse(&hidden_line(item)?)
        .map_err(|why| item.wrong::<()>("this is not a telephone number", why.to_string(), help()))
        .ok()
}

/// The watch's own number: pages show it as it is written.
fn own_number(item: Item<'_>) -> Option<String> {
    let text = line(item)?;
    let help = || Some("for instance \"+351 900 000 000\"".to_owned());
    match Number::parse(&text) {
        Ok(_) => Some(text),
        Err(why) => item.wrong("this is not a telephone number", why, help()),
    }
}

fn siren(table: &Table<'_>) -> Option<SirenSettings> {
    let topic_name = topic;
    let topic = table.need("topic", "\"room2/siren/set\"").and_then(topic);
    let command = |key, usual: &str| match table.get(key) {
        Some(item) => line(item),
        None => Some(usual.to_owned()),
    };
    let (on, off) = (command("on", "on"), command("off", "off"));
    if let (Some(on), Some(off)) = (&on, &off) {
        let wrong = |title: &str, label: &str| {
            let finding = Finding::error(table.key_span("off"), title, label);
            table.note(if table.has("on") { finding.also(table.key_span("on"), "") } else { finding });
        };
        if on == off {
            wrong("the siren would never stop", "it is the same as `on`");
        } else if is_same_payload(on, off) {
            wrong("the siren may never stop", "it differs from `on` only in blanks or the case of letters");
        } else if means_the_opposite(on, off) {
            wrong("the siren would sound when it should stop", "the two words mean the opposite");
        }
    }
    let hush = table.get("hush").and_then(|item| {
        let table = item.table()?;
        let topic_of = table.need("topic", "\"room2/button\"").and_then(topic_name);
        let press = table.need("press", "\"pressed\"").and_then(line);
        table.finish();
        topic_of.zip(press)
    });
    Some(SirenSettings { topic: topic?, on: on?, off: off?, limits: siren_limits(table)?, hush })
}

/// How long a siren may sound, and from which priority on.
fn siren_limits(table: &Table<'_>) -> Option<Siren> {
    let usual = Siren::default();
    let length = |key, usual: Span, longest| match table.get(key) {
        Some(item) => span(item, SHORTEST_SOUND..=longest),
        None => Some(usual),
    };
    let (a_rung, an_hour) =
        (length("a-rung", usual.a_rung, A_SOUND), length("an-hour", usual.an_hour, AN_HOUR));
    let priorities = [
        ("low", Priority::Low),
        ("medium", Priority::Medium),
        ("high", Priority::High),
        ("critical", Priority::Critical),
    ];
    let from = match table.get("from") {
        Some(item) => item.one_of(&priorities),
        None => Some(usual.from),
    };
    Some(Siren { a_rung: a_rung?, an_hour: an_hour?, from: from? })
}

/// Whether a host is this very machine, by its name or address.
pub(super) fn this_machine(host: &str) -> bool {
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    host == "localhost" || bare.parse::<std::net::IpAddr>().is_ok_and(|address| address.is_loopback())
}

impl MailSettings {
    pub(super) fn read(item: Item<'_>, files: &Files<'_>) -> Option<Self> {
        let table = item.table()?;
        let host = table.need("host", "\"mail.example.org\"").and_then(host);
        let kinds = [("starttls", Security::Starttls), ("tls", Security::Tls), ("none", Security::Plain)];
        let security = table.get("security").and_then(|item| {
            let security = item.one_of(&kinds)?;
            match &host {
                Some(host) if security == Security::Plain && !this_machine(host) => {
                    let title = format!("mail to `{host}` would go unencrypted");
                    let help = "use \"starttls\" or \"tls\"".to_owned();
                    item.wrong(title, "anyone on the way could read it", Some(help))
                }
                _ => Some(security),
            }
        });
        let security = security.unwrap_or(Security::Starttls);
        // RFC 6409 (587), RFC 8314 (465), RFC 5321 (25).
        let usual_port = match security {
            Security::Starttls => 587,
            Security::Tls => 465,
            Security::Plain => 25,
        };
        let port = table.get("port").and_then(port).unwrap_or(usual_port);
        let user = table.get("user").and_then(line);
        let password = table.get("password-file").and_then(|item| files.secret(item));
        let from = table.need("from", "\"watch@example.org\"").and_then(mailbox);
        let ca_file = table.get("ca-file").and_then(|item| files.certificates(item));
        let timeout = table.get("timeout").and_then(|item| span(item, Span::seconds(5)..=Span::minutes(5)));
        together(&table, "user", "password-file");
        let hello = table.get("hello").and_then(self::host);
        let identity = files.identity(&table);
        table.finish();
        Some(Self {
            host: host?,
            port,
            hello,
            identity,
            security,
            user,
            password,
            from: from?,
            ca_file,
            timeout: timeout.unwrap_or(Span::seconds(60)),
        })
    }
}

/// Notes that one of two keys is there without the other.
pub(super) fn together(table: &Table<'_>, one: &'static str, other: &'static str) {
    for (there, missing) in [(one, other), (other, one)] {
        if table.has(there) && !table.has(missing) {
            let title = format!("`{there}` goes with `{missing}`");
            let label = format!("there is no `{missing}`");
            table.note(Finding::error(table.key_span(there), title, label));
        }
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
    pub(super) fn read(item: Item<'_>, files: &Files<'_>) -> Option<Self> {
        let table = item.table()?;
        let device = table.need("device", "\"/dev/ttyUSB2\"").and_then(|item| files.path(item));
        let model = table.get("model").and_then(line);
        let pin = table.get("pin-file").and_then(|item| {
            let pin = files.secret(item)?;
            let digits = pin.expose().bytes().all(|b| b.is_ascii_digit());
            match files.is_dry() || (digits && PIN_DIGITS.contains(&pin.expose().len())) {
                true => Some(pin),
                false => item.wrong("what this file holds is not a PIN", "4 to 8 digits are expected", None),
            }
        });
        let number = table.get("number").and_then(own_number);
        let speed = table.get("speed").and_then(|item| item.one_of(SPEEDS)).unwrap_or(115_200);
        table.finish();
        Some(Self { device: device?, model, pin, number, speed })
    }
}

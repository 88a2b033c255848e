//! The `[broker]` section: the way to the readings and relays. Limits that the MQTT client
//! answers with a panic or with silence are held here, before it sees them.

use super::files::Files;
use super::in_clear;
use super::reader::{line, port, size, span};
use crate::mqtt::{BrokerAddress, MOST_BROKERS};
use crate::secret::Secret;
use crate::tls::ClientIdentity;
use slackwater_rules::diagnostic::{Finding, Item, Table};
use slackwater_rules::plan::{CHECK_INS, output_topic_fault};
use slackwater_rules::time::Span;
use std::path::PathBuf;

/// The way to the broker.
#[derive(Clone, Debug, PartialEq)]
pub struct BrokerSettings {
    /// Where it is; more than one place if it stands on several machines, in the order in which
    /// they are tried.
    pub places: Vec<BrokerAddress>,
    /// Unique on the broker: a second client with the same one throws the first out.
    pub client_id: String,
    /// The user that the broker knows us as.
    pub user: Option<String>,
    /// That user's password.
    pub password: Option<Secret>,
    /// Encryption, if the broker offers it.
    pub tls: Option<TlsSettings>,
    /// Why its password, or what it says of a home, may go without encryption, if it may.
    pub in_clear_because: Option<String>,
    /// How long the connection may be idle before a sign of life; at least 5 s.
    pub keep_alive: Span,
    /// How long the broker keeps messages for us while we are away.
    pub session_expiry: Span,
    /// The largest message we accept, bytes; the broker withholds larger ones.
    pub max_packet: u32,
    /// Where the agent publishes that it is alive, retained; also the topic of its last will.
    pub status_topic: String,
    /// Where the agent publishes how it stands, retained, for a house's dashboard; nowhere if it
    /// isn't said.
    pub state_topic: Option<String>,
    /// Where the agent publishes to itself, to prove that the whole path works.
    pub loopback_topic: String,
}

/// How the broker proves who it is.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TlsSettings {
    /// PEM certificates to trust instead of the system's.
    pub ca_file: Option<PathBuf>,
    /// The name in the broker's certificate, if it is not the host.
    pub server_name: Option<String>,
    /// Who we are, where the broker wants a certificate.
    pub identity: Option<ClientIdentity>,
}

/// The client library panics at less.
const SHORTEST_KEEP_ALIVE: Span = Span::seconds(5);

/// No more of a wrong topic is shown.
const LONGEST_SHOWN: usize = 80;

/// Every broker takes names of this length: MQTT 5.0, 3.1.3.1 asks for 23, ours may be longer
/// on purpose only.
const LONGEST_CLIENT_ID: usize = 128;

impl BrokerSettings {
    /// Its places as texts have them.
    pub fn place(&self) -> String {
        self.places.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
    }

    pub(super) fn read(item: Item<'_>, files: &Files<'_>) -> Option<Self> {
        Self::read_as(item, files, own_client_id(), None)
    }

    /// The broker at which a witness hears sites. What is said there of a home is for nobody else.
    pub(super) fn read_elsewhere(
        item: Item<'_>,
        files: &Files<'_>,
        usual_id: String,
        site: &str,
    ) -> Option<Self> {
        let before = item.errors();
        let broker = Self::read_as(item, files, usual_id, Some(format!("{CHECK_INS}{site}")))?;
        if item.errors() == before {
            let table = item.table()?;
            for place in &broker.places {
                in_clear::check(&table, "what check-ins say of a home", &place.host, broker.tls.is_some());
            }
        }
        Some(broker)
    }

    /// With another usual client id, and topics of its own below another one than that id's.
    fn read_as(item: Item<'_>, files: &Files<'_>, usual_id: String, below: Option<String>) -> Option<Self> {
        let table = item.table()?;
        let tls = table.get("tls").and_then(|item| TlsSettings::read(item, files)).flatten();
        let usual_port = if tls.is_some() { 8883 } else { 1883 };
        let port = table.get("port").and_then(port).unwrap_or(usual_port);
        let places = places(&table, port);
        let client_id = table.get("client-id").and_then(client_id).unwrap_or(usual_id);
        // Only to the site's own broker.
        let state_topic = if below.is_none() { table.get("state-topic").and_then(topic) } else { None };
        let ours = below.unwrap_or_else(|| format!("slackwater/{client_id}"));
        let user = table.get("user").and_then(line);
        let password = table.get("password-file").and_then(|item| files.secret(item));
        let in_clear_because = in_clear::because(&table);
        if table.has("password-file") {
            for place in places.iter().flatten() {
                in_clear::check(&table, "the password", &place.host, tls.is_some());
            }
        }
        let within = |key, limits| table.get(key).and_then(|item| span(item, limits));
        let keep_alive = within("keep-alive", SHORTEST_KEEP_ALIVE..=Span::minutes(10));
        let session_expiry = within("session-expiry", Span::ZERO..=Span::hours(7 * 24));
        let max_packet = table.get("max-packet").and_then(|item| size(item, 1 << 10..=1 << 20));
        let status_topic = table.get("status-topic").and_then(topic);
        let status_topic = status_topic.unwrap_or_else(|| format!("{ours}/status"));
        let loopback = table.get("loopback-topic");
        let loopback_topic = loopback.and_then(topic).unwrap_or_else(|| format!("{ours}/loopback"));
        if let Some(item) = loopback.filter(|_| status_topic == loopback_topic) {
            let finding =
                Finding::error(item.span(), "the two topics of the watch must differ", "the same topic");
            table.note(finding.also(table.key_span("status-topic"), "its status goes here too"));
        }
        table.finish();
        Some(Self {
            places: places?,
            client_id,
            user,
            password,
            tls,
            in_clear_because,
            keep_alive: keep_alive.unwrap_or(Span::seconds(15)),
            session_expiry: session_expiry.unwrap_or(Span::hours(1)),
            max_packet: u32::try_from(max_packet.unwrap_or(64 << 10)).ok()?,
            status_topic,
            state_topic,
            loopback_topic,
        })
    }
}

/// `host`, or `hosts` in their order.
fn places(table: &Table<'_>, usual_port: u16) -> Option<Vec<BrokerAddress>> {
    let Some(list) = table.get("hosts") else {
        let host = table.need("host", "\"localhost\"").and_then(host)?;
        return Some(vec![BrokerAddress { host, port: usual_port }]);
    };
    if let Some(item) = table.get("host") {
        let help = "write it into `hosts`, where the first is tried first".to_owned();
        return item.wrong("`host` beside `hosts`", "one of the two", Some(help));
    }
    let items = list.list()?;
    if items.is_empty() || items.len() > MOST_BROKERS {
        let title = format!("`hosts` names 1 to {MOST_BROKERS} machines");
        return list.wrong(title, format!("{} here", items.len()), None);
    }
    // All that is wrong with them, not only the first.
    let places: Vec<_> = items.into_iter().map(|item| place(item, usual_port)).collect();
    places.into_iter().collect()
}

/// `name`, `name:1884`, an address, `[2001:db8::1]:1884`.
fn place(item: Item<'_>, usual_port: u16) -> Option<BrokerAddress> {
    let text = line(item)?;
    let bare = |host: &str| host.trim_start_matches('[').trim_end_matches(']').to_owned();
    let split = text.rsplit_once(':').filter(|(host, _)| !host.contains(':') || host.ends_with(']'));
    let (name, port) = match split {
        Some((host, port)) => (bare(host), port.parse().ok().filter(|port| *port > 0)),
        None => (bare(&text), Some(usual_port)),
    };
    match port {
        Some(port) if is_host(&name) => Some(BrokerAddress { host: name, port }),
        Some(_) | None => {
            let title = format!("`{text}` is not the place of a broker");
            let help = "a name or address, with `:` and its port if that is another one".to_owned();
            item.wrong(title, "expected for instance \"broker-2.lan\"", Some(help))
        }
    }
}

impl TlsSettings {
    /// `true`, `false`, or a table that says more.
    pub(super) fn read(item: Item<'_>, files: &Files<'_>) -> Option<Option<Self>> {
        if !item.is_table() {
            return item.flag().map(|wanted| wanted.then(Self::default));
        }
        let table = item.table()?;
        let ca_file = table.get("ca-file").and_then(|item| files.certificates(item));
        let server_name = table.get("server-name").and_then(host);
        let identity = files.identity(&table);
        table.finish();
        Some(Some(Self { ca_file, server_name, identity }))
    }
}

fn client_id(item: Item<'_>) -> Option<String> {
    let text = line(item)?;
    if text.len() > LONGEST_CLIENT_ID || !text.bytes().all(|b| b.is_ascii_graphic() && !b"+#/".contains(&b)) {
        let label = format!("expected at most {LONGEST_CLIENT_ID} letters, digits and signs");
        let help = "without spaces and without `+`, `#`, `/`".to_owned();
        return item.wrong(format!("`{text}` is not a client id"), label, Some(help));
    }
    Some(text)
}

/// Unique as far as the machine's name is.
fn own_client_id() -> String {
    let name = std::fs::read_to_string("/proc/sys/kernel/hostname").unwrap_or_default();
    let letters = |c: &char| c.is_ascii_alphanumeric() || *c == '-';
    let name: String = name.trim().chars().filter(letters).take(64).collect();
    format!("slackwater-{}", if name.is_empty() { "board" } else { &name })
}

/// The name or address of a machine.
pub(super) fn host(item: Item<'_>) -> Option<String> {
    let text = line(item)?;
    if is_host(&text) {
        return Some(text);
    }
    // `mqtt://broker:1883/x` is meant as `broker`, with the port at its own key.
    let bare = text.split_once("://").map_or(text.as_str(), |(_, rest)| rest);
    let bare = bare.split(['/', ':']).next().unwrap_or_default();
    let good = !bare.is_empty() && bare.bytes().all(|b| b.is_ascii_alphanumeric() || b"-._".contains(&b));
    let help = good.then(|| format!("write \"{bare}\"; a port has its own key"));
    let title = format!("`{text}` is not the name or address of a machine");
    item.wrong(title, "no `://`, no port, no spaces", help)
}

fn is_host(text: &str) -> bool {
    let name = |text: &str| text.bytes().all(|b| b.is_ascii_alphanumeric() || b"-._".contains(&b));
    text.parse::<std::net::IpAddr>().is_ok() || (1..=253).contains(&text.len()) && name(text)
}

/// A topic to publish to: MQTT 5.0, 4.7.
pub(super) fn topic(item: Item<'_>) -> Option<String> {
    let text = line(item)?;
    match output_topic_fault(&text) {
        Some(fault) => {
            let shown: String = text.chars().take(LONGEST_SHOWN).collect();
            item.wrong(format!("`{shown}` can't be published on"), fault, None)
        }
        None => Some(text),
    }
}

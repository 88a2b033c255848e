//! The `[broker]` section: the way to the readings and relays. Limits that the MQTT client
//! answers with a panic or with silence are held here, before it sees them.

use super::in_clear;
use super::tree::Item;
use crate::secret::Secret;
use slackwater_rules::plan::output_topic_fault;
use slackwater_rules::time::Span;
use std::path::PathBuf;

/// The way to the broker.
#[derive(Clone, Debug, PartialEq)]
pub struct BrokerSettings {
    /// Name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
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
}

/// The client library panics at less.
const SHORTEST_KEEP_ALIVE: Span = Span::seconds(5);

/// No more of a wrong topic is shown.
const LONGEST_SHOWN: usize = 80;

/// Every broker takes names of this length: MQTT 5.0, 3.1.3.1 asks for 23, ours may be longer
/// on purpose only.
const LONGEST_CLIENT_ID: usize = 128;

impl BrokerSettings {
    pub(super) fn read(item: &Item<'_>) -> Option<Self> {
        Self::read_as(item, own_client_id(), None)
    }

    /// With another usual client id, and topics of its own below another one than that id's.
    pub(super) fn read_as(item: &Item<'_>, usual_id: String, below: Option<String>) -> Option<Self> {
        let mut table = item.table()?;
        let host = table.need("host", Item::host);
        let tls = table.or("tls", None, TlsSettings::read);
        let usual_port = if matches!(tls, Some(None)) { 1883 } else { 8883 };
        let port = table.or("port", usual_port, Item::port);
        let client_id = table.or("client-id", usual_id, client_id);
        let ours =
            below.unwrap_or_else(|| format!("slackwater/{}", client_id.as_deref().unwrap_or_default()));
        let user = table.may("user", Item::text);
        let password = table.may("password-file", Item::secret);
        let in_clear_because = in_clear::because(&mut table);
        let keep_alive =
            table.or("keep-alive", Span::seconds(15), |i| i.span(SHORTEST_KEEP_ALIVE..=Span::minutes(10)));
        let session_expiry =
            table.or("session-expiry", Span::hours(1), |i| i.span(Span::ZERO..=Span::hours(7 * 24)));
        let max_packet = table.or("max-packet", 64 << 10, |i| i.size(1 << 10..=1 << 20));
        let status_topic = table.or("status-topic", format!("{ours}/status"), Item::topic);
        let loopback_topic = table.or("loopback-topic", format!("{ours}/loopback"), Item::topic);
        if loopback_topic.is_some() && status_topic == loopback_topic {
            return table.wrong("loopback-topic", "it is the status topic too: the two must differ");
        }
        if let (Some(host), Some(Some(_)), Some(tls), Some(because)) =
            (&host, &password, &tls, &in_clear_because)
            && let Some(fault) = in_clear::fault("the password", host, tls.is_some(), because.as_ref())
        {
            return table.wrong("tls", fault);
        }
        Some(Self {
            host: host?,
            port: port?,
            client_id: client_id?,
            user: user?,
            password: password?,
            tls: tls?,
            in_clear_because: in_clear_because?,
            keep_alive: keep_alive?,
            session_expiry: session_expiry?,
            max_packet: u32::try_from(max_packet?).ok()?,
            status_topic: status_topic?,
            loopback_topic: loopback_topic?,
        })
    }
}

impl TlsSettings {
    /// `true`, `false`, or a table that says more.
    pub(super) fn read(item: &Item<'_>) -> Option<Option<Self>> {
        if !item.is_table() {
            return item.flag().map(|wanted| wanted.then(Self::default));
        }
        let mut table = item.table()?;
        let ca_file = table.may("ca-file", Item::certificates);
        let server_name = table.may("server-name", Item::host);
        Some(Some(Self { ca_file: ca_file?, server_name: server_name? }))
    }
}

fn client_id(item: &Item<'_>) -> Option<String> {
    let text = item.text()?;
    if text.len() > LONGEST_CLIENT_ID || !text.bytes().all(|b| b.is_ascii_graphic() && !b"+#/".contains(&b)) {
        return item.wrong(format!(
            "`{text}` is not a client id: at most {LONGEST_CLIENT_ID} letters, digits and signs are \
             expected, without spaces and without `+`, `#`, `/`"
        ));
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

impl Item<'_> {
    /// The name or address of a machine.
    pub(super) fn host(&self) -> Option<String> {
        let text = self.text()?;
        let address = text.parse::<std::net::IpAddr>().is_ok();
        let name =
            text.len() <= 253 && text.bytes().all(|b| b.is_ascii_alphanumeric() || b"-._".contains(&b));
        if address || name {
            return Some(text);
        }
        self.wrong(format!("`{text}` is not the name or address of a machine (no `://`, no port, no spaces)"))
    }

    /// A topic to publish to: MQTT 5.0, 4.7.
    pub(super) fn topic(&self) -> Option<String> {
        let text = self.text()?;
        match output_topic_fault(&text) {
            Some(fault) => {
                let shown: String = text.chars().take(LONGEST_SHOWN).collect();
                self.wrong(format!("`{shown}` can't be published on: {fault}"))
            }
            None => Some(text),
        }
    }
}

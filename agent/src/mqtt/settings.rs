//! What the connection is told, and the one check that it can be done.
//!
//! The client library panics, truncates silently or loops on some values (a keep-alive under 5 s,
//! lengths above 16 bits, a wrong filter). All of these are refused here, before anything is
//! started.

use crate::secret::Secret;
use crate::tls::ClientIdentity;
use std::fmt;
use std::path::PathBuf;
use std::time::Duration;

use rustls::pki_types::ServerName;

/// More than any cluster in a house or shop has.
pub const MOST_BROKERS: usize = 8;
/// rumqttc asserts it.
const SHORTEST_KEEP_ALIVE: Duration = Duration::from_secs(5);
/// MQTT 5.0, 3.1.2.10: two bytes of seconds.
const LONGEST_KEEP_ALIVE: Duration = Duration::from_secs(u16::MAX as u64);
/// MQTT 5.0, 3.1.2.11.2: four bytes of seconds, the last value means "never".
const LONGEST_SESSION: Duration = Duration::from_secs(u32::MAX as u64 - 1);
/// A reading of a few bytes on a long topic must fit.
const SMALLEST_PACKET: u32 = 1024;
/// Several hundred messages may wait in memory.
const LARGEST_PACKET: u32 = 1024 * 1024;
/// MQTT 5.0, 1.5.4: two bytes of length.
const LONGEST_TEXT: usize = u16::MAX as usize;

/// How to reach a broker, what to listen to, and how to be seen.
#[derive(Debug, Clone)]
pub struct MqttSettings {
    /// The brokers, in the order in which they are tried; any of them will do, the first is the
    /// best. At least one, eight at most.
    pub brokers: Vec<BrokerAddress>,
    /// How long another one is used before the first is tried again; the longer, the oftener it was
    /// in vain.
    pub first_again: Duration,
    /// Who we are to the broker: no other client may use it. The broker keeps our session under it.
    pub client_id: String,
    /// User name, where the broker wants one.
    pub user: Option<String>,
    /// Its password.
    pub password: Option<Secret>,
    /// Encrypt, and be sure of the broker. `None` is plain TCP.
    pub tls: Option<Tls>,
    /// So often our own message goes around; twice as long without a packet is a broken connection.
    /// Who has no message of their own pings as often. 5 s to 18 h.
    pub keep_alive: Duration,
    /// How long the broker keeps our session, with messages of QoS 1, while we are away. Zero: not
    /// at all.
    pub session_expiry: Duration,
    /// The largest packet we take, in bytes. The broker is told, and withholds larger ones.
    pub max_packet: u32,
    /// Topic filters to subscribe to, with QoS 1.
    pub subscriptions: Vec<String>,
    /// Where we are seen: retained "online" while connected, "offline" otherwise, by the last will
    /// if need be.
    pub status_topic: String,
    /// Where our own message goes around. Nobody else should publish here.
    pub loopback_topic: String,
    /// Nothing is published but what somebody asks for: no status, no last will, no message of our
    /// own.
    pub silent: bool,
}

/// Where a broker is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BrokerAddress {
    /// Name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
}

impl fmt::Display for BrokerAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.host.contains(':') {
            true => write!(f, "[{}]:{}", self.host, self.port),
            false => write!(f, "{}:{}", self.host, self.port),
        }
    }
}

/// How to be sure of the broker.
#[derive(Debug, Clone, Default)]
pub struct Tls {
    /// PEM file with the authorities to trust, in place of the system's.
    pub ca_file: Option<PathBuf>,
    /// The name that the broker's certificate must carry, where it is not the host's.
    pub server_name: Option<String>,
    /// Who we are, where the broker wants a certificate.
    pub identity: Option<ClientIdentity>,
}

impl MqttSettings {
    /// Settings for a broker, with the rest as most want it: no TLS, 30 s keep-alive, a session
    /// kept for a day, packets up to 64 KiB, status and loop-back topics under the client id.
    pub fn new(host: impl Into<String>, port: u16, client_id: impl Into<String>) -> Self {
        let client_id = client_id.into();
        Self {
            brokers: vec![BrokerAddress { host: host.into(), port }],
            first_again: Duration::from_secs(60),
            user: None,
            password: None,
            tls: None,
            keep_alive: Duration::from_secs(30),
            session_expiry: Duration::from_secs(24 * 3600),
            max_packet: 64 * 1024,
            subscriptions: Vec::new(),
            status_topic: format!("slackwater/{client_id}/status"),
            loopback_topic: format!("slackwater/{client_id}/loopback"),
            silent: false,
            client_id,
        }
    }

    /// Refuses everything that the client library or the protocol cannot do.
    ///
    /// # Errors
    /// All that is wrong, each with its value, limit and place.
    pub fn validate(&self) -> Result<(), Vec<SettingsError>> {
        let mut wrong = Vec::new();
        let mut text = |place, value: &str, secret: bool| {
            if let Err(why) = check_text(value) {
                let value = if secret { "(not shown)" } else { value };
                wrong.push(SettingsError::text(place, value, why));
            }
        };
        for broker in &self.brokers {
            text("host", &broker.host, false);
        }
        text("client id", &self.client_id, false);
        if let Some(user) = &self.user {
            text("user", user, false);
        }
        if let Some(password) = &self.password {
            text("password", password.expose(), true);
        }
        if self.brokers.iter().any(|broker| broker.port == 0) {
            wrong.push(SettingsError::number("port", 0, 1, u16::MAX.into(), ""));
        }
        if !(1..=MOST_BROKERS).contains(&self.brokers.len()) {
            let (value, high) = (self.brokers.len() as u64, MOST_BROKERS as u64);
            wrong.push(SettingsError::number("number of brokers", value, 1, high, ""));
        }
        if self.password.is_some() && self.user.is_none() {
            wrong.push(SettingsError::text("user", "", "a password needs a user name"));
        }
        if let Some(tls) = &self.tls {
            let names = self.brokers.iter().map(|broker| broker.host.as_str());
            for name in names.map(|host| tls.server_name.as_deref().unwrap_or(host)) {
                if ServerName::try_from(name).is_err() {
                    let why = "neither a DNS name nor an IP address";
                    wrong.push(SettingsError::text("TLS server name", name, why));
                }
            }
        }
        for (place, value, low, high) in [
            ("keep-alive", self.keep_alive, SHORTEST_KEEP_ALIVE, LONGEST_KEEP_ALIVE),
            ("session expiry", self.session_expiry, Duration::ZERO, LONGEST_SESSION),
        ] {
            if value < low || value > high {
                let value = value.as_secs();
                wrong.push(SettingsError::number(place, value, low.as_secs(), high.as_secs(), " s"));
            }
        }
        if !(SMALLEST_PACKET..=LARGEST_PACKET).contains(&self.max_packet) {
            let (low, high) = (SMALLEST_PACKET.into(), LARGEST_PACKET.into());
            wrong.push(SettingsError::number("largest packet", self.max_packet.into(), low, high, " bytes"));
        }
        for (place, topic) in
            [("status topic", &self.status_topic), ("loop-back topic", &self.loopback_topic)]
        {
            if let Err(why) = check_topic(topic) {
                wrong.push(SettingsError::text(place, topic, why));
            }
        }
        if self.status_topic == self.loopback_topic {
            let why = "it is the status topic too; each needs its own";
            wrong.push(SettingsError::text("loop-back topic", &self.loopback_topic, why));
        }
        if let Err(filters) = check_filters(&self.subscriptions) {
            wrong.extend(filters);
        }
        if wrong.is_empty() { Ok(()) } else { Err(wrong) }
    }
}

/// One thing that is wrong with the settings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SettingsError {
    /// A text that cannot be used.
    Text {
        /// Which setting.
        place: &'static str,
        /// As given, shortened.
        value: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// A number outside its limits.
    Number {
        /// Which setting.
        place: &'static str,
        /// As given.
        value: u64,
        /// Smallest allowed.
        low: u64,
        /// Largest allowed.
        high: u64,
        /// Unit, with a space before it.
        unit: &'static str,
    },
}

impl SettingsError {
    fn text(place: &'static str, value: &str, why: &'static str) -> Self {
        let value = value.chars().take(80).collect();
        Self::Text { place, value, why }
    }

    fn number(place: &'static str, value: u64, low: u64, high: u64, unit: &'static str) -> Self {
        Self::Number { place, value, low, high, unit }
    }
}

impl fmt::Display for SettingsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Text { place, value, why } => write!(f, "mqtt: {place} {value:?}: {why}"),
            Self::Number { place, value, low, high, unit } => {
                write!(f, "mqtt: {place} is {value}{unit}, allowed is {low} to {high}{unit}")
            }
        }
    }
}

impl std::error::Error for SettingsError {}

fn check_text(text: &str) -> Result<(), &'static str> {
    if text.is_empty() {
        Err("must not be empty")
    } else if text.len() > LONGEST_TEXT {
        Err("longer than 65535 bytes")
    } else if text.contains('\0') {
        Err("must not contain a NUL")
    } else {
        Ok(())
    }
}

/// MQTT 5.0, 4.7.1 and 4.7.3.
pub(super) fn check_topic(topic: &str) -> Result<(), &'static str> {
    check_text(topic)?;
    if topic.contains(['+', '#']) { Err("+ and # stand only in filters") } else { Ok(()) }
}

fn check_filter(filter: &str) -> Result<(), &'static str> {
    check_text(filter)?;
    let mut levels = filter.split('/').peekable();
    while let Some(level) = levels.next() {
        if level.len() > 1 && level.contains(['+', '#']) {
            return Err("+ and # must fill a whole level between slashes");
        }
        if level == "#" && levels.peek().is_some() {
            return Err("# must be the last level");
        }
    }
    Ok(())
}

pub(super) fn check_filters(filters: &[String]) -> Result<(), Vec<SettingsError>> {
    let wrong: Vec<_> = filters
        .iter()
        .filter_map(|filter| Some(SettingsError::text("subscription", filter, check_filter(filter).err()?)))
        .collect();
    if wrong.is_empty() { Ok(()) } else { Err(wrong) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings() -> MqttSettings {
        MqttSettings::new("127.0.0.1", 1883, "halyard")
    }

    fn complaints(change: impl FnOnce(&mut MqttSettings)) -> Vec<String> {
        let mut settings = settings();
        change(&mut settings);
        let wrong = settings.validate().expect_err("should be refused");
        wrong.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn ordinary_settings_pass() {
        let mut settings = settings();
        settings.subscriptions =
            ["room2/+/temperature", "#", "+", "a//b", "$SYS/#"].map(String::from).to_vec();
        assert_eq!(settings.validate(), Ok(()));
    }

    #[test]
    fn a_keep_alive_that_would_panic_the_library_is_refused_with_its_limits() {
        assert_eq!(
            complaints(|s| s.keep_alive = Duration::from_secs(3)),
            ["mqtt: keep-alive is 3 s, allowed is 5 to 65535 s"]
        );
        assert_eq!(complaints(|s| s.keep_alive = Duration::from_millis(4999)).len(), 1);
        assert_eq!(complaints(|s| s.keep_alive = Duration::MAX).len(), 1);
    }

    #[test]
    fn all_that_is_wrong_is_said_at_once_and_the_password_never() {
        let said = complaints(|s| {
            s.client_id.clear();
            s.max_packet = 10;
            s.password = Some(Secret::new("coral\0"));
            s.subscriptions = vec!["a/#/b".into(), "a+".into(), "fine".into()];
            s.loopback_topic = s.status_topic.clone();
        });
        assert_eq!(
            said,
            [
                "mqtt: client id \"\": must not be empty",
                "mqtt: password \"(not shown)\": must not contain a NUL",
                "mqtt: user \"\": a password needs a user name",
                "mqtt: largest packet is 10 bytes, allowed is 1024 to 1048576 bytes",
                "mqtt: loop-back topic \"slackwater/halyard/status\": it is the status topic too; each needs its own",
                "mqtt: subscription \"a/#/b\": # must be the last level",
                "mqtt: subscription \"a+\": + and # must fill a whole level between slashes",
            ]
        );
        assert_eq!(format!("{:?}", Secret::new("coral")), "(secret)");
    }

    #[test]
    fn a_host_that_no_certificate_can_name_needs_a_server_name() {
        let said = complaints(|s| {
            s.brokers[0].host = "not a name".into();
            s.tls = Some(Tls::default());
        });
        assert_eq!(said, ["mqtt: TLS server name \"not a name\": neither a DNS name nor an IP address"]);
    }
}

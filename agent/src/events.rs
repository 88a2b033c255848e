//! A fleet's events. On a site, records flow out of its journal as signed packs to the broker
//! elsewhere (`sender`); where sites are watched, packs flow in, are proved by the sites' keys and
//! kept in PostgreSQL (`receiver`, only with the feature `fleet`). What events look
//! like, what is sent next and what is missing is decided in [`slackwater_fleet`].
//!
//! Both have a connection of their own: a backlog must not stand in front of a sign of life or of a
//! reading, nor a slow database hold up a watch.

#[cfg(feature = "fleet")]
mod database;
mod from_journal;
#[cfg(feature = "fleet")]
mod receiver;
#[cfg(feature = "fleet")]
mod refusals;
mod sender;

#[cfg(feature = "fleet")]
pub use receiver::FleetReceiver;
pub use sender::EventSender;

use crate::mqtt;
use crate::settings::BrokerSettings;
use crate::site::connection;
use std::time::Duration;

/// Events go out below this, by the site's name; receipts come back below that.
const EVENTS: &str = "slackwater/events/";
const STORED: &str = "/stored";

/// Of what is signed, so that events never pass for anything else.
const KIND: &str = "slackwater-events";

/// A connection beside that of these settings, under a name of its own. The broker keeps nothing
/// for it: what is lost is sent again.
fn beside(settings: &BrokerSettings, name: &str, subscriptions: Vec<String>) -> mqtt::MqttSettings {
    let mut own = connection(settings, subscriptions);
    own.client_id = format!("{}-{name}", own.client_id);
    own.status_topic = format!("{}/{name}", own.status_topic);
    own.loopback_topic = format!("{}/{name}", own.loopback_topic);
    own.session_expiry = Duration::ZERO;
    own
}

/// Starts it.
fn connect(
    settings: mqtt::MqttSettings,
) -> Result<(mqtt::Handle, tokio::sync::mpsc::Receiver<mqtt::MqttEvent>), String> {
    mqtt::spawn(settings)
        .map_err(|wrong| wrong.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))
}

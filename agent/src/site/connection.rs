//! The connection to a broker for a site's settings and plan: where it is, and what is to be heard
//! there.

use crate::joining;
use crate::mqtt;
use crate::settings::{BrokerSettings, Settings};
use slackwater_rules::plan::{CHECK_INS, Plan};
use std::time::Duration;

/// What has to be subscribed to for the plan: check-ins of hundreds of sites by one filter.
pub fn subscriptions(settings: &Settings, plan: &Plan) -> Vec<String> {
    let topics = plan.topics().into_iter().filter(|topic| !topic.starts_with(CHECK_INS));
    // Of a site that was withdrawn, too: what it sends is turned away, and said.
    let is_witness = !plan.watched.is_empty() || settings.witness.is_some();
    let all_check_ins = is_witness.then(|| format!("{CHECK_INS}+"));
    let answers = settings.answer_topic().map(|topic| format!("{topic}/+"));
    let joins = settings.witness.as_ref().map(|_| joining::all_requests());
    topics.map(str::to_owned).chain(all_check_ins).chain(joins).chain(answers).collect()
}

/// Another broker than the first is used for a minute at least.
const FIRST_BROKER_AGAIN: Duration = Duration::from_secs(60);

/// The connection's settings for the plan.
pub fn broker(settings: &Settings, plan: &Plan) -> mqtt::MqttSettings {
    connection(&settings.broker, subscriptions(settings, plan))
}

/// The settings of a connection that hears these topics.
pub fn connection(settings: &BrokerSettings, subscriptions: Vec<String>) -> mqtt::MqttSettings {
    let time = |span: slackwater_rules::time::Span| Duration::from_millis(span.0.max(0).cast_unsigned());
    mqtt::MqttSettings {
        brokers: settings.places.clone(),
        first_again: FIRST_BROKER_AGAIN,
        client_id: settings.client_id.clone(),
        user: settings.user.clone(),
        password: settings.password.clone(),
        tls: settings.tls.as_ref().map(|tls| mqtt::Tls {
            ca_file: tls.ca_file.clone(),
            server_name: tls.server_name.clone(),
            identity: tls.identity.clone(),
        }),
        keep_alive: time(settings.keep_alive),
        session_expiry: time(settings.session_expiry),
        max_packet: settings.max_packet,
        subscriptions,
        status_topic: settings.status_topic.clone(),
        loopback_topic: settings.loopback_topic.clone(),
        silent: false,
    }
}

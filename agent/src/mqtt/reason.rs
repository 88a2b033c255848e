//! The client library's errors and the broker's codes, in words for a person.

use std::time::Duration;

use rumqttc::v5::mqttbytes::Error as CodecError;
use rumqttc::v5::mqttbytes::v5::{
    ConnectReturnCode, DisconnectReasonCode, PubAckReason, SubscribeReasonCode,
};
use rumqttc::v5::{ConnectionError, StateError};

use super::limits::QOS_0;
use super::settings::{BrokerAddress, MqttSettings};
use crate::plain_text::tame;

/// So much is kept of what a broker says.
const LONGEST_WHY: usize = 300;

/// How a connection, or the attempt at one, ended.
pub(super) struct Loss {
    pub(super) why: String,
    /// The broker, not the network and not we, put an end to it.
    pub(super) closed_by_broker: bool,
    /// The broker says that another client has come with our id.
    pub(super) taken: bool,
}

impl Loss {
    pub(super) fn new(why: impl Into<String>) -> Self {
        Self { why: tame(&why.into(), LONGEST_WHY), closed_by_broker: false, taken: false }
    }

    /// Several brokers of one round, none of which has let us in.
    pub(super) fn and(self, other: Self) -> Self {
        let why = format!("{}; {}", self.why, other.why);
        Self { closed_by_broker: false, taken: self.taken || other.taken, ..Self::new(why) }
    }

    /// `connected`: the broker had accepted us before.
    pub(super) fn explain(
        error: ConnectionError,
        settings: &MqttSettings,
        place: &BrokerAddress,
        connected: bool,
    ) -> Self {
        match error {
            ConnectionError::MqttState(StateError::ServerDisconnect { reason_code, reason_string }) => {
                let said = reason_string.map(|text| format!(" ({text})")).unwrap_or_default();
                let mut loss = Self::new(format!("the broker disconnected us: {reason_code:?}{said}"));
                loss.closed_by_broker = true;
                loss.taken = reason_code == DisconnectReasonCode::SessionTakenOver;
                loss
            }
            ConnectionError::MqttState(
                StateError::ConnectionAborted
                | StateError::Deserialization(CodecError::Io(_))
                | StateError::Io(_),
            ) => {
                let mut loss = Self::new(if connected {
                    format!("the broker at {place} closed the connection")
                } else {
                    format!(
                        "{place} closed the connection without an answer: is it an MQTT 5 broker, without TLS?"
                    )
                });
                loss.closed_by_broker = true;
                loss
            }
            ConnectionError::MqttState(StateError::Deserialization(
                CodecError::PayloadSizeLimitExceeded { pkt_size, max },
            )) => Self::new(format!(
                "the broker sent a packet of {pkt_size} bytes, though told that {max} is our limit"
            )),
            ConnectionError::MqttState(StateError::AwaitPingResp) => {
                Self::new(format!("the broker at {place} no longer answers our pings"))
            }
            ConnectionError::MqttState(other) => Self::new(format!("the broker at {place}: {other}")),
            ConnectionError::ConnectionRefused(code) => Self::new(refused_connection(code, settings)),
            ConnectionError::Timeout(_) => {
                let bound = CONNECTING.as_secs();
                Self::new(format!("the broker at {place} did not answer within {bound} s"))
            }
            ConnectionError::Io(e) => Self::new(format!("cannot reach {place}: {e}")),
            ConnectionError::NotConnAck(_) => {
                Self::new(format!("{place} answers, but not as an MQTT broker"))
            }
            ConnectionError::RequestsDone => Self::new("the client library has stopped"),
        }
    }
}

/// For connecting and the broker's first answer together.
pub(super) const CONNECTING: Duration = Duration::from_secs(10);

fn refused_connection(code: ConnectReturnCode, settings: &MqttSettings) -> String {
    match code {
        ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => match &settings.user {
            Some(user) => format!("the broker refused the user {user:?} or its password ({code:?})"),
            None => format!("the broker refused us without a user name and password ({code:?})"),
        },
        ConnectReturnCode::BadClientId | ConnectReturnCode::ClientIdentifierNotValid => {
            format!("the broker refused the client id {:?}", settings.client_id)
        }
        ConnectReturnCode::UnsupportedProtocolVersion | ConnectReturnCode::RefusedProtocolVersion => {
            "the broker does not speak MQTT 5, which the watch needs".to_owned()
        }
        ConnectReturnCode::QoSNotSupported => QOS_0.to_owned(),
        other => format!("the broker refused the connection: {other:?}"),
    }
}

/// `Err` is the broker's reason to refuse.
pub(super) fn subscription(code: SubscribeReasonCode) -> Result<(), &'static str> {
    match code {
        SubscribeReasonCode::Success(_) => Ok(()),
        SubscribeReasonCode::NotAuthorized => Err("not authorised"),
        SubscribeReasonCode::TopicFilterInvalid => Err("the broker does not accept this filter"),
        SubscribeReasonCode::QuotaExceeded => Err("the broker's quota is exceeded"),
        SubscribeReasonCode::SharedSubscriptionsNotSupported => Err("the broker has no shared subscriptions"),
        SubscribeReasonCode::WildcardSubscriptionsNotSupported => Err("the broker takes no + or #"),
        SubscribeReasonCode::PkidInUse => Err("the broker says that the packet id is in use"),
        SubscribeReasonCode::SubscriptionIdNotSupported => Err("the broker takes no subscription ids"),
        SubscribeReasonCode::Failure
        | SubscribeReasonCode::Unspecified
        | SubscribeReasonCode::ImplementationSpecific => Err("the broker gives no reason"),
    }
}

/// `Err` is the broker's reason not to take a publication over.
pub(super) fn publication(code: PubAckReason) -> Result<(), &'static str> {
    match code {
        // Nobody listens at the moment: taken over all the same.
        PubAckReason::Success | PubAckReason::NoMatchingSubscribers => Ok(()),
        PubAckReason::NotAuthorized => Err("the broker does not let us publish there"),
        PubAckReason::TopicNameInvalid => Err("the broker does not accept this topic"),
        PubAckReason::QuotaExceeded => Err("the broker's quota is exceeded"),
        PubAckReason::PayloadFormatInvalid => Err("the broker does not accept this payload"),
        PubAckReason::PacketIdentifierInUse => Err("the broker says that the packet id is in use"),
        PubAckReason::UnspecifiedError | PubAckReason::ImplementationSpecificError => {
            Err("the broker gives no reason")
        }
    }
}

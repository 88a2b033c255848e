//! What a broker does not do, as it says itself: in the answer that lets us in, or in the one that
//! does not, after which the same again without it succeeds. A watch can do without retained
//! messages, its status being a convenience; it can't do without acknowledgements, which say that
//! its commands have arrived.

use rumqttc::v5::mqttbytes::v5::ConnectReturnCode;

/// MQTT 5.0, 3.2.2.3.4 and 3.2.2.3.5.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct BrokerLimits {
    /// It keeps no retained message, and closes the connection of whoever sends one.
    pub(super) no_retained: bool,
}

impl BrokerLimits {
    /// From the answer that lets us in.
    ///
    /// # Errors
    /// Why a watch can't do its work there.
    pub(super) fn learn(&mut self, max_qos: Option<u8>, retain_available: Option<u8>) -> Result<(), String> {
        self.no_retained |= retain_available == Some(0);
        match max_qos {
            Some(0) => Err(QOS_0.to_owned()),
            Some(_) | None => Ok(()),
        }
    }

    /// From an answer that does not let us in: true if that was new, so that another attempt is
    /// worth while.
    pub(super) fn learn_from_refusal(&mut self, code: ConnectReturnCode) -> bool {
        let new = code == ConnectReturnCode::RetainNotSupported && !self.no_retained;
        self.no_retained |= new;
        new
    }
}

/// For a broker that acknowledges nothing.
pub(super) const QOS_0: &str = "the broker takes messages with QoS 0 only (its maximum QoS): then nobody knows \
                                whether a reading or a command has arrived; let it take QoS 1";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_broker_without_retained_messages_is_served_without_them_and_one_without_acknowledgements_is_refused()
    {
        let mut limits = BrokerLimits::default();
        assert_eq!(limits.learn(None, None), Ok(()));
        assert_eq!(limits.learn(Some(1), Some(1)), Ok(()));
        assert!(!limits.no_retained);
        assert_eq!(limits.learn(None, Some(0)), Ok(()));
        assert!(limits.no_retained);
        assert!(limits.learn(Some(0), None).is_err_and(|why| why.contains("let it take QoS 1")));
    }

    #[test]
    fn a_refusal_for_a_retained_will_is_worth_one_more_attempt_and_no_third() {
        let mut limits = BrokerLimits::default();
        assert!(!limits.learn_from_refusal(ConnectReturnCode::NotAuthorized));
        assert!(limits.learn_from_refusal(ConnectReturnCode::RetainNotSupported));
        assert!(!limits.learn_from_refusal(ConnectReturnCode::RetainNotSupported));
    }
}

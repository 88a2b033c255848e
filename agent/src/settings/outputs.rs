//! What the configuration publishes on: sirens, the signs of life, the messages to itself, the
//! check-ins. Each goes out with the key that it stands under, for the register of outputs.

use super::{BrokerSettings, ChannelSettings, CheckInSettings, Settings};
use slackwater_rules::plan::{CHECK_INS, Output, Payloads, Publisher};

impl Settings {
    /// Every topic that the agent publishes on, but those of relays.
    pub fn outputs(&self) -> Vec<Output> {
        let connections = connections(&self.broker, self.check_in.as_ref());
        connections.into_iter().chain(self.sirens()).chain(self.replies()).collect()
    }

    /// The same beside a watch that runs by `running`: its check-ins change by a restart only, and
    /// its connection says farewell on the topics that it has.
    pub fn outputs_within(&self, running: &Self) -> Vec<Output> {
        let mut connections = connections(&self.broker, running.check_in.as_ref());
        let ours =
            [&self.broker, &running.broker].map(|broker| [&broker.status_topic, &broker.loopback_topic]);
        let [new, old] = ours;
        let publishers = [Publisher::Status, Publisher::Loopback];
        for ((new, old), publisher) in new.into_iter().zip(old).zip(publishers) {
            if new != old {
                connections.push(output(publisher, old, None));
            }
        }
        connections.into_iter().chain(self.sirens()).chain(self.replies()).collect()
    }

    /// What comes of answers goes to a topic of each contact's own.
    fn replies(&self) -> impl Iterator<Item = Output> + '_ {
        let topic = self.answers.as_ref().and_then(|answers| answers.topic.as_ref());
        topic.into_iter().flat_map(|topic| {
            self.contacts.keys().map(move |name| {
                output(Publisher::Answers(name.clone()), &usual_reply_topic(topic, name), None)
            })
        })
    }

    fn sirens(&self) -> impl Iterator<Item = Output> + '_ {
        self.channels.iter().filter_map(|(target, channel)| {
            let ChannelSettings::Siren(siren) = channel else { return None };
            let payloads = Payloads {
                on: siren.on.clone(),
                off: siren.off.clone(),
                may_switch_on: true,
                inverted: false,
            };
            Some(output(Publisher::Siren(target.to_string()), &siren.topic, Some(payloads)))
        })
    }
}

fn connections(broker: &BrokerSettings, check_in: Option<&CheckInSettings>) -> Vec<Output> {
    let mut found = vec![
        output(Publisher::Status, &broker.status_topic, None),
        output(Publisher::Loopback, &broker.loopback_topic, None),
    ];
    found.extend(broker.state_topic.iter().map(|topic| output(Publisher::State, topic, None)));
    if let Some((check_in, broker)) = check_in.and_then(|it| Some((it, it.broker.as_ref()?))) {
        let topic = format!("{CHECK_INS}{}", check_in.name);
        found.push(output(Publisher::CheckIns, &topic, None));
        let (status, loopback) = (&broker.status_topic, &broker.loopback_topic);
        found.push(output(Publisher::CheckInStatus, status, None));
        found.push(output(Publisher::CheckInLoopback, loopback, None));
    }
    found
}

/// Where a contact hears what came of an answer by MQTT.
pub fn usual_reply_topic(answers: &str, contact: &str) -> String {
    format!("{answers}/{contact}/reply")
}

/// The path of the key that an output stands under.
pub fn key_of(publisher: &Publisher) -> String {
    match publisher {
        Publisher::Relay(name) => format!("relay.{name}"),
        Publisher::Siren(name) => format!("channel.{name}.topic"),
        Publisher::Answers(_) => "answers.topic".to_owned(),
        Publisher::Status => "broker.status-topic".to_owned(),
        Publisher::State => "broker.state-topic".to_owned(),
        Publisher::Loopback => "broker.loopback-topic".to_owned(),
        Publisher::CheckIns => "check-in.name".to_owned(),
        Publisher::CheckInStatus => "check-in.broker.status-topic".to_owned(),
        Publisher::CheckInLoopback => "check-in.broker.loopback-topic".to_owned(),
    }
}

fn output(publisher: Publisher, topic: &str, payloads: Option<Payloads>) -> Output {
    let place = format!("`{}` in the agent's configuration", key_of(&publisher));
    Output { publisher, topic: topic.to_owned(), payloads, place }
}

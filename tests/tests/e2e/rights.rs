//! The rights that the repository ships for mosquitto, as that understands them: what the sample
//! site needs is possible, and a device can't command what it has no business with.

use super::{SLACKWATER, house};
use rumqttc::v5::mqttbytes::v5::PubAckReason;
use slackwater::channels::ChannelSettings;
use slackwater::site::SiteFiles;
use slackwater_tests::agent::SOON;
use slackwater_tests::board::{hear, publish};
use slackwater_tests::house::{AGENT, LAGOON, ROOM2, WELL, sample};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn devices_may_say_what_the_sample_site_listens_to_and_command_nothing() {
    let Some(house) = house().await else { return };
    let port = house.broker.plain_port();
    WELL.iter().for_each(|(topic, _)| house.board.silence(topic));
    let sample = sample(SLACKWATER).expect("a folder");
    let environment = sample.variables().iter().cloned().collect();
    let site = SiteFiles::load(&sample.path("agent.toml"), &environment).expect("the sample is right");

    for sensor in &site.plan.sensors {
        let Some(topic) = sensor.feed.topic() else { continue };
        let device = if topic.starts_with("room2/") { ROOM2 } else { LAGOON };
        let said = hear(port, AGENT, topic, SOON, || async {
            let answer = publish(port, device, topic, "1", false).await;
            assert_eq!(answer, PubAckReason::Success, "{} says {topic}", device.0);
        });
        assert_eq!(said.await.as_deref(), Some("1"), "the agent hears {topic}");
    }

    let sirens = site.settings.channels.values().filter_map(|channel| match channel {
        ChannelSettings::Siren(siren) => Some(siren.topic.clone()),
        ChannelSettings::Mail(_)
        | ChannelSettings::Push(_)
        | ChannelSettings::Folder(_)
        | ChannelSettings::Text(_)
        | ChannelSettings::Ring(_)
        | ChannelSettings::Unusable(_) => None,
    });
    for topic in site.plan.relays.iter().map(|relay| relay.topic.clone()).chain(sirens) {
        for device in [LAGOON, ROOM2] {
            let answer = publish(port, device, &topic, "off", false).await;
            assert_eq!(answer, PubAckReason::NotAuthorized, "{} must not command {topic}", device.0);
        }
        let heard = hear(port, LAGOON, &topic, SOON, || async {
            let answer = publish(port, AGENT, &topic, "on", false).await;
            assert_eq!(answer, PubAckReason::Success, "the agent commands {topic}");
        });
        assert_eq!(heard.await.as_deref(), Some("on"), "the board hears the commands on {topic}");
    }
}

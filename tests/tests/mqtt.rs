//! The agent's connection to its broker: against the real mosquitto where the broker's own
//! behaviour is the point, against the demo's broker where a fault has to happen on demand, against
//! both where they must agree.

#![cfg(test)]

use std::net::{Ipv4Addr, TcpListener};
use std::path::Path;
use std::time::{Duration, Instant};

use slackwater::demo::broker::{Broker, BrokerFaults};
use slackwater::mqtt::{
    self, BrokerAddress, ClientIdentity, Handle, MqttEvent, MqttMessage, MqttSettings, PublishError, Tls,
};
use slackwater::secret::Secret;
use slackwater_tests::certs::{Authority, Validity};
use slackwater_tests::mosquitto::{self, Mosquitto, Options};
use tokio::net::TcpSocket;
use tokio::sync::mpsc::Receiver;
use tokio::task::JoinHandle;
use tokio::time::timeout;

/// For anything that should happen soon. Generous: tests run side by side on small machines.
const SOON: Duration = Duration::from_secs(15);

fn settings(port: u16, client_id: &str) -> MqttSettings {
    let mut settings = MqttSettings::new("127.0.0.1", port, client_id);
    settings.keep_alive = Duration::from_secs(5);
    settings.subscriptions = vec!["room2/#".to_owned()];
    settings
}

/// The agent's side under test.
struct Agent {
    handle: Handle,
    events: Receiver<MqttEvent>,
}

impl Agent {
    fn start(settings: MqttSettings) -> Self {
        let (handle, events) = mqtt::spawn(settings).expect("valid settings");
        Self { handle, events }
    }

    /// Connected, subscribed, and the path proved.
    async fn ready(settings: MqttSettings) -> Self {
        let mut agent = Self::start(settings);
        agent.until("the path proved", |event| matches!(event, MqttEvent::Heard { .. }).then_some(())).await;
        agent
    }

    /// Takes events until one is looked for, and returns it with what came before.
    async fn until<T>(&mut self, what: &str, pick: impl FnMut(&MqttEvent) -> Option<T>) -> T {
        self.within(SOON, what, pick).await
    }

    async fn within<T>(
        &mut self,
        bound: Duration,
        what: &str,
        mut pick: impl FnMut(&MqttEvent) -> Option<T>,
    ) -> T {
        let mut seen = Vec::new();
        let found = timeout(bound, async {
            while let Some(event) = self.events.recv().await {
                if let Some(found) = pick(&event) {
                    return Some(found);
                }
                seen.push(event);
            }
            None
        })
        .await;
        match found {
            Ok(Some(found)) => found,
            Ok(None) => panic!("the task ended before {what}; seen: {seen:#?}"),
            Err(_) => panic!("not within {bound:?}: {what}; seen: {seen:#?}"),
        }
    }

    async fn message(&mut self, topic: &str) -> MqttMessage {
        timeout(SOON, async {
            loop {
                match self.events.recv().await {
                    Some(MqttEvent::Message(message)) if message.topic == topic => return message,
                    Some(_) => {}
                    None => panic!("the task ended before a message on {topic}"),
                }
            }
        })
        .await
        .unwrap_or_else(|_| panic!("no message on {topic} within {SOON:?}"))
    }

    fn publish(&self, id: u64, topic: &str, payload: &str, retain: bool) {
        self.handle.publish(id, topic, payload.to_owned(), retain).expect("room in the outbox");
    }

    async fn published(&mut self, id: u64) {
        self.until("the broker's acknowledgement", |event| {
            matches!(event, MqttEvent::Published { id: done } if *done == id).then_some(())
        })
        .await;
    }

    async fn down(&mut self) -> String {
        self.until("a connection lost or refused", |event| match event {
            MqttEvent::Down { why } => Some(why.clone()),
            _ => None,
        })
        .await
    }

    async fn up(&mut self) -> bool {
        self.until("a connection", |event| match event {
            MqttEvent::Up { session_present } => Some(*session_present),
            _ => None,
        })
        .await
    }

    async fn close(self) {
        self.handle.close(Duration::from_secs(5)).await;
    }
}

/// The demo's broker, serving in the background.
struct Small {
    port: u16,
    faults: BrokerFaults,
    task: JoinHandle<()>,
}

impl Small {
    async fn start() -> Self {
        let broker = Broker::bind("127.0.0.1:0").await.expect("a free port");
        let (port, faults) = (broker.address().port(), broker.faults());
        Self { port, faults, task: tokio::spawn(broker.run()) }
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        self.task.abort();
    }
}

fn real(options: &Options) -> Option<Mosquitto> {
    mosquitto::available().then(|| Mosquitto::start(options).expect("mosquitto starts"))
}

/// A port that refuses connections, and that nobody else is given meanwhile. A listener may still
/// take it.
fn closed_port() -> (TcpSocket, u16) {
    let socket = TcpSocket::new_v4().expect("a socket");
    socket.set_reuseaddr(true).expect("an address to share");
    socket.bind((Ipv4Addr::LOCALHOST, 0).into()).expect("a port");
    let port = socket.local_addr().expect("an address").port();
    (socket, port)
}

/// Runs a scene on the demo's broker and on the real one.
async fn on_both<S: Future<Output = ()>>(scene: impl Fn(u16) -> S) {
    let small = Small::start().await;
    scene(small.port).await;
    if let Some(real) = real(&Options::default()) {
        scene(real.port()).await;
    }
}

#[tokio::test]
async fn a_published_message_arrives_with_its_payload_and_wants_an_acknowledgement() {
    on_both(|port| async move {
        let mut agent = Agent::ready(settings(port, "halyard")).await;
        let rig = Agent::ready(settings(port, "rig")).await;
        rig.publish(1, "room2/lagoon/temperature", "25.4", false);
        let message = agent.message("room2/lagoon/temperature").await;
        assert_eq!(&message.payload[..], b"25.4");
        assert!(!message.retained && !message.duplicate);
        agent.handle.ack(message.ack.expect("QoS 1"));
        rig.close().await;
        agent.close().await;
    })
    .await;
}

#[tokio::test]
async fn only_a_message_from_the_brokers_store_is_marked_as_retained() {
    on_both(|port| async move {
        let mut rig = Agent::ready(settings(port, "rig")).await;
        rig.publish(1, "room2/mains", "on", true);
        rig.published(1).await;
        let mut agent = Agent::start(settings(port, "halyard"));
        let stored = agent.message("room2/mains").await;
        assert!(stored.retained, "served because we subscribed");
        rig.publish(2, "room2/mains", "off", true);
        let live = agent.message("room2/mains").await;
        assert_eq!(&live.payload[..], b"off");
        assert!(!live.retained, "published now, although with the retain flag");
    })
    .await;
}

#[tokio::test]
async fn an_unacknowledged_message_comes_again_as_a_duplicate_and_an_acknowledged_one_does_not() {
    on_both(|port| async move {
        let mut rig = Agent::ready(settings(port, "rig")).await;
        let mut agent = Agent::ready(settings(port, "halyard")).await;
        rig.publish(1, "room2/first", "1", false);
        rig.publish(2, "room2/second", "2", false);
        let first = agent.message("room2/first").await;
        let second = agent.message("room2/second").await;
        assert!(!second.duplicate);
        agent.handle.ack(first.ack.expect("QoS 1"));
        // Acknowledgement and publication go one way, in order: answered is the proof that both got
        // there.
        agent.publish(9, "elsewhere", "x", false);
        agent.published(9).await;
        agent.close().await;

        let mut agent = Agent::start(settings(port, "halyard"));
        assert!(agent.up().await, "the broker has kept our session");
        rig.publish(3, "room2/third", "3", false);
        rig.published(3).await;
        let mut again = Vec::new();
        while again.last().is_none_or(|(topic, _)| topic != "room2/third") {
            let message = agent
                .until("messages up to the third", |event| match event {
                    MqttEvent::Message(message) => Some((message.topic.clone(), message.duplicate)),
                    _ => None,
                })
                .await;
            again.push(message);
        }
        assert_eq!(again, [("room2/second".to_owned(), true), ("room2/third".to_owned(), false)]);
        // An acknowledgement of the old connection means nothing on the new one.
        agent.handle.ack(second.ack.expect("QoS 1"));
        agent.publish(10, "elsewhere", "x", false);
        agent.published(10).await;
    })
    .await;
}

#[tokio::test]
async fn twenty_publications_over_a_killed_broker_are_all_acknowledged_in_order() {
    let Some(mut broker) = real(&Options::default()) else { return };
    let mut agent = Agent::ready(settings(broker.port(), "halyard")).await;
    for id in 0..8 {
        agent.publish(id, "relay/set", "on", false);
    }
    agent.published(0).await;
    broker.kill().expect("kill");
    for id in 8..20 {
        agent.publish(id, "relay/set", "on", false);
    }
    broker.restart().expect("restart");
    let mut done = vec![0];
    agent
        .until("all twenty", |event| {
            if let MqttEvent::Published { id } = event {
                done.push(*id);
            }
            (done.last() == Some(&19)).then_some(())
        })
        .await;
    assert_eq!(done, (0..20).collect::<Vec<_>>());
    assert!(matches!(agent.handle.publish(20, "relay/+", "on", false), Err(PublishError::Topic { .. })));
}

#[tokio::test]
async fn a_full_outbox_says_so_and_nothing_accepted_is_lost() {
    let (_reserved, port) = closed_port();
    let mut agent = Agent::start(settings(port, "halyard"));
    let mut accepted = Vec::new();
    let refusal = (0..)
        .find_map(|id| match agent.handle.publish(id, "relay/set", "on", false) {
            Ok(()) => {
                accepted.push(id);
                None
            }
            Err(e) => Some(e),
        })
        .expect("a bound");
    assert_eq!(refusal, PublishError::Full { limit: accepted.len() });
    let broker = Broker::bind(("127.0.0.1", port)).await.expect("the reserved port");
    let serving = tokio::spawn(broker.run());
    for id in accepted {
        agent.published(id).await;
    }
    agent.publish(1000, "relay/set", "off", false);
    agent.published(1000).await;
    serving.abort();
}

#[tokio::test]
async fn a_frozen_broker_is_noticed_while_a_write_is_stuck_and_while_idle() {
    let Some(broker) = real(&Options::default()) else { return };
    let keep_alive = Duration::from_secs(5);
    // Two keep-alives, a tenth for the look, and a second for a busy machine.
    let bound = keep_alive * 21 / 10 + Duration::from_secs(1);
    let mut idle = Agent::ready(settings(broker.port(), "idle")).await;
    let mut writing = Agent::ready(settings(broker.port(), "writing")).await;
    broker.freeze().expect("SIGSTOP");
    let frozen = Instant::now();
    // More than the socket's buffers hold, so that the client's flush blocks.
    let big = "x".repeat(1024 * 1024);
    for id in 0..12 {
        writing.publish(id, "elsewhere", &big, false);
    }
    let down = |event: &MqttEvent| matches!(event, MqttEvent::Down { .. }).then_some(());
    tokio::join!(
        idle.within(bound, "the silence of an idle connection", down),
        writing.within(bound, "the silence behind a stuck write", down),
    );
    eprintln!("noticed after {:?} at a keep-alive of {keep_alive:?}", frozen.elapsed());
    broker.thaw().expect("SIGCONT");
    writing.published(11).await;
    idle.up().await;
}

#[tokio::test]
async fn a_refused_subscription_or_publication_is_named_and_the_others_work() {
    // mosquitto's access list file never refuses a subscription (seen with 2.0.11); its own plugin
    // does.
    let Some(broker) = real(&Options { refused: Some("room3/#".to_owned()), ..Options::default() }) else {
        return;
    };
    let mut settings = settings(broker.port(), "halyard");
    settings.subscriptions = vec!["room2/lagoon/flow".into(), "room3/harbour/flow".into()];
    let mut agent = Agent::start(settings);
    let mut seen = Vec::new();
    agent
        .until("the path proved", |event| {
            if let MqttEvent::Refused { filter, reason } = event {
                seen.push((filter.clone(), reason.clone()));
            }
            matches!(event, MqttEvent::Heard { .. }).then_some(())
        })
        .await;
    assert_eq!(seen, [("room3/harbour/flow".to_owned(), "not authorised".to_owned())]);
    agent.publish(1, "room2/lagoon/flow", "480", false);
    agent.message("room2/lagoon/flow").await;
    agent.publish(2, "room3/harbour/flow", "480", false);
    let why = agent
        .until("a refused publication", |event| match event {
            MqttEvent::Unpublished { id: 2, why } => Some(why.clone()),
            _ => None,
        })
        .await;
    assert_eq!(why, "the broker does not let us publish there");
}

#[tokio::test]
async fn a_wrong_password_is_named_as_one_and_never_shown() {
    let users = vec![("ines".to_owned(), "coral-17".to_owned())];
    let Some(broker) = real(&Options { users, ..Options::default() }) else { return };
    let mut settings = settings(broker.port(), "halyard");
    settings.user = Some("ines".into());
    settings.password = Some(Secret::new("coral-18"));
    assert!(!format!("{settings:?}").contains("coral"));
    let why = Agent::start(settings).down().await;
    assert_eq!(why, "the broker refused the user \"ines\" or its password (NotAuthorized)");
}

#[tokio::test]
async fn two_agents_with_one_client_id_are_noticed() {
    on_both(|port| async move {
        let mut first = Agent::ready(settings(port, "halyard")).await;
        let mut second = Agent::start(settings(port, "halyard"));
        let taken = |event: &MqttEvent| match event {
            MqttEvent::PushedOut { why } => Some(why.clone()),
            _ => None,
        };
        // Both keep reconnecting; one of them sees it first.
        let why = tokio::select! {
            why = first.within(SOON * 2, "the first agent's noticing", taken) => why,
            why = second.within(SOON * 2, "the second agent's noticing", taken) => why,
        };
        assert!(why.contains("client id \"halyard\""), "{why}");
    })
    .await;
}

fn with_tls(port: u16, ca_file: &Path, server_name: Option<&str>) -> MqttSettings {
    let mut settings = settings(port, "halyard");
    settings.user = Some("ines".into());
    settings.password = Some(Secret::new("coral-17"));
    settings.tls = Some(Tls {
        ca_file: Some(ca_file.into()),
        server_name: server_name.map(String::from),
        identity: None,
    });
    settings
}

#[tokio::test]
async fn tls_with_a_private_authority_and_a_password_works_and_its_failures_are_named() {
    let folder = tempfile::tempdir().expect("a folder");
    let house = Authority::new(folder.path(), "house").expect("an authority");
    let stranger = Authority::new(folder.path(), "stranger").expect("an authority");
    let users = vec![("ines".to_owned(), "coral-17".to_owned())];
    let serve = |name, validity| {
        let tls = Some(house.identity(name, validity).expect("an identity"));
        real(&Options { users: users.clone(), tls, ..Options::default() })
    };
    let Some(mut broker) = serve("127.0.0.1", Validity::Now) else { return };

    let mut agent = Agent::ready(with_tls(broker.port(), &house.file(), None)).await;
    agent.publish(1, "room2/lagoon/temperature", "25.4", false);
    agent.message("room2/lagoon/temperature").await;
    // More than one TLS record and more than the bridge's buffers, both ways.
    agent.publish(2, "room2/long", &"y".repeat(60_000), false);
    assert_eq!(agent.message("room2/long").await.payload.len(), 60_000);
    agent.close().await;

    let port = broker.port();
    let failure = async |settings| Agent::start(settings).down().await;
    assert_eq!(
        failure(with_tls(port, &stranger.file(), None)).await,
        format!(
            "127.0.0.1:{port}: certificate of an authority that is not trusted here; if it is your own, set ca-file"
        )
    );
    assert_eq!(
        failure(with_tls(port, &house.file(), Some("broker.halyard"))).await,
        format!(
            "127.0.0.1:{port}: certificate is for another name: `broker.halyard` was asked for, and it has `127.0.0.1`"
        )
    );
    let missing = failure(with_tls(port, &folder.path().join("none.pem"), None)).await;
    assert!(missing.starts_with("ca-file ") && missing.contains("none.pem"), "{missing}");
    let plain = failure(settings(port, "halyard")).await;
    assert!(plain.contains("is it an MQTT 5 broker, without TLS?"), "{plain}");

    let past = serve("localhost", Validity::Past).expect("mosquitto was there before");
    let expired = failure(with_tls(past.port(), &house.file(), Some("localhost"))).await;
    let words = "certificate has expired, unless the board's clock is wrong: it was valid until 2001-01-01";
    assert!(expired.contains(words), "{expired}");
    let future = serve("localhost", Validity::Future).expect("mosquitto was there before");
    let early = failure(with_tls(future.port(), &house.file(), Some("localhost"))).await;
    let words = "certificate not valid yet: is the board's clock right? It is valid from 2080-01-01";
    assert!(early.contains(words), "{early}");

    let require = vec!["require_certificate true".to_owned(), format!("cafile {}", house.file().display())];
    let tls = Some(house.identity("127.0.0.1", Validity::Now).expect("an identity"));
    let picky =
        Mosquitto::start(&Options { tls, lines: require, ..Options::default() }).expect("mosquitto starts");
    let unknown = failure(with_tls(picky.port(), &house.file(), None)).await;
    assert!(unknown.contains("it wants a certificate of ours, and this program has none"), "{unknown}");

    let mut agent = Agent::ready(with_tls(port, &house.file(), None)).await;
    broker.kill().expect("kill");
    assert_eq!(agent.down().await, format!("the broker at 127.0.0.1:{port} closed the connection"));

    let small = Small::start().await;
    let not_tls = failure(with_tls(small.port, &house.file(), None)).await;
    assert!(not_tls.contains("TLS on this port"), "{not_tls}");
}

#[tokio::test]
async fn a_peer_that_closes_at_once_is_not_hammered() {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a port");
    listener.set_nonblocking(true).expect("nonblocking");
    let port = listener.local_addr().expect("an address").port();
    let listener = tokio::net::TcpListener::from_std(listener).expect("a listener");
    let _agent = Agent::start(settings(port, "halyard"));
    let mut attempts = 0;
    let _ = timeout(Duration::from_secs(3), async {
        loop {
            let _ = listener.accept().await;
            attempts += 1;
        }
    })
    .await;
    // At once, then after 0.25 to 0.5, 0.5 to 1 and 1 to 2 s; and it is asked once, in two ways,
    // which MQTT it speaks.
    assert!((4..=6).contains(&attempts), "{attempts} attempts in 3 s");
}

#[tokio::test]
async fn a_closed_port_is_told_once() {
    let (_reserved, port) = closed_port();
    let mut agent = Agent::start(settings(port, "halyard"));
    let why = agent.down().await;
    assert!(why.starts_with(&format!("cannot reach 127.0.0.1:{port}: ")), "{why}");
    // Several attempts fail meanwhile.
    let again = timeout(Duration::from_secs(2), agent.events.recv()).await;
    assert!(again.is_err(), "told again: {again:?}");
    let broker = Broker::bind(("127.0.0.1", port)).await.expect("the reserved port");
    let serving = tokio::spawn(broker.run());
    agent.up().await;
    serving.abort();
}

#[tokio::test]
async fn a_message_larger_than_our_limit_does_not_break_the_connection() {
    on_both(|port| async move {
        let mut rig = settings(port, "rig");
        rig.max_packet = 1024 * 1024;
        let mut rig = Agent::ready(rig).await;
        let mut agent = Agent::ready(settings(port, "halyard")).await;
        // Retained as well: it must not come back to break every new connection.
        rig.publish(1, "room2/large", &"x".repeat(100_000), true);
        rig.published(1).await;
        rig.publish(2, "room2/mains", "on", false);
        let next = agent
            .until("the message after it", |event| match event {
                MqttEvent::Message(message) => Some(Ok(message.topic.clone())),
                MqttEvent::Down { why } => Some(Err(why.clone())),
                _ => None,
            })
            .await;
        assert_eq!(next, Ok("room2/mains".to_owned()));
    })
    .await;
}

#[tokio::test]
async fn a_publication_larger_than_the_brokers_limit_is_said_and_the_rest_goes() {
    let lines = vec!["max_packet_size 2000".to_owned()];
    let Some(broker) = real(&Options { lines, ..Options::default() }) else { return };
    let mut agent = Agent::ready(settings(broker.port(), "halyard")).await;
    agent.publish(1, "elsewhere", &"x".repeat(3000), false);
    agent.publish(2, "elsewhere", "fits", false);
    let mut why = None;
    agent
        .until("the second publication", |event| {
            if let MqttEvent::Unpublished { id: 1, why: said } = event {
                why = Some(said.clone());
            }
            matches!(event, MqttEvent::Published { id: 2 }).then_some(())
        })
        .await;
    assert_eq!(why.as_deref(), Some("larger than the 2000 bytes that the broker takes"));
}

#[tokio::test]
async fn the_status_topic_tells_online_a_clean_end_and_a_lost_agent() {
    on_both(|port| async move {
        let mut watcher = settings(port, "watcher");
        watcher.subscriptions = vec!["slackwater/halyard/status".into()];
        let mut watcher = Agent::ready(watcher).await;
        let status = "slackwater/halyard/status";
        let agent = Agent::ready(settings(port, "halyard")).await;
        assert_eq!(&watcher.message(status).await.payload[..], b"online");
        agent.close().await;
        assert_eq!(&watcher.message(status).await.payload[..], b"offline");

        // An agent that is dropped without a close still says goodbye.
        drop(Agent::ready(settings(port, "halyard")).await);
        assert_eq!(&watcher.message(status).await.payload[..], b"online");
        assert_eq!(&watcher.message(status).await.payload[..], b"offline");

        let house = tokio::runtime::Runtime::new().expect("a runtime");
        house.spawn(async move {
            let _agent = Agent::ready(settings(port, "halyard")).await;
            std::future::pending::<()>().await;
        });
        assert_eq!(&watcher.message(status).await.payload[..], b"online");
        // Power cut in the house: sockets end, no goodbye is said.
        house.shutdown_background();
        assert_eq!(&watcher.message(status).await.payload[..], b"offline");
    })
    .await;
}

#[tokio::test]
async fn a_reload_subscribes_what_is_new_and_unsubscribes_what_is_gone() {
    on_both(|port| async move {
        let rig = Agent::ready(settings(port, "rig")).await;
        let mut before = settings(port, "halyard");
        before.subscriptions = vec!["room2/a".into(), "room2/b".into()];
        let mut agent = Agent::ready(before).await;
        agent.handle.resubscribe(vec!["room2/b".into(), "room2/c".into()]).expect("valid filters");
        assert!(agent.handle.resubscribe(vec!["room2/#/c".into()]).is_err());
        // Orders keep their order on the wire: answered means that the broker has the new set.
        agent.publish(1, "elsewhere", "x", false);
        agent.published(1).await;
        for (id, topic) in [(1, "room2/a"), (2, "room2/b"), (3, "room2/c")] {
            rig.publish(id, topic, "x", false);
        }
        let mut topics = Vec::new();
        agent
            .until("the last topic", |event| match event {
                MqttEvent::Message(message) => {
                    topics.push(message.topic.clone());
                    (message.topic == "room2/c").then_some(())
                }
                _ => None,
            })
            .await;
        assert_eq!(topics, ["room2/b", "room2/c"]);
    })
    .await;
}

#[tokio::test]
async fn a_broker_that_forgot_our_subscriptions_makes_us_deaf_and_is_reminded() {
    let broker = Small::start().await;
    broker.faults.keep_alive(1);
    let mut agent = Agent::ready(settings(broker.port, "halyard")).await;
    broker.faults.forget_subscriptions();
    agent.until("deafness", |event| matches!(event, MqttEvent::Deaf { .. }).then_some(())).await;
    agent.until("hearing again", |event| matches!(event, MqttEvent::Heard { .. }).then_some(())).await;

    broker.faults.refuse_subscriptions(true);
    broker.faults.forget_subscriptions();
    let mut refused = Vec::new();
    agent
        .until("deafness that stays", |event| {
            if let MqttEvent::Refused { filter, .. } = event {
                refused.push(filter.clone());
            }
            (refused.len() == 2).then_some(())
        })
        .await;
    assert_eq!(refused, ["room2/#", "slackwater/halyard/loopback"]);
}

#[tokio::test]
async fn a_stalled_broker_is_noticed_in_proportion_to_the_keep_alive_it_prescribes() {
    let broker = Small::start().await;
    broker.faults.keep_alive(1);
    let mut agent = Agent::ready(settings(broker.port, "halyard")).await;
    broker.faults.stall(true);
    let bound = Duration::from_millis(3500);
    agent.within(bound, "the silence", |event| matches!(event, MqttEvent::Down { .. }).then_some(())).await;
    broker.faults.stall(false);
    agent.up().await;
    broker.faults.cut();
    agent.down().await;
    agent.up().await;
}

#[tokio::test]
async fn a_listener_that_lags_slows_the_broker_down_and_loses_neither_messages_nor_the_connection() {
    // More than the listener's channel holds, less than the sockets' buffers: a broker may drop QoS
    // 0 then.
    const MESSAGES: usize = 4000;
    let broker = Small::start().await;
    broker.faults.keep_alive(1);
    let mut agent = Agent::ready(settings(broker.port, "halyard")).await;
    let mut rig = settings(broker.port, "rig");
    rig.subscriptions.clear();
    let mut rig = Agent::ready(rig).await;
    flood(broker.port, MESSAGES).await;
    // The agent's listener takes nothing while four keep-alives pass on the rig's side.
    for _ in 0..4 {
        rig.until("a keep-alive", |event| matches!(event, MqttEvent::Heard { .. }).then_some(())).await;
    }
    let mut expected = 0;
    while expected < MESSAGES {
        let event =
            timeout(SOON, agent.events.recv()).await.expect("an event in time").expect("a running task");
        match event {
            MqttEvent::Message(message) => {
                assert_eq!(message.payload, expected.to_string());
                expected += 1;
            }
            MqttEvent::Down { why } => panic!("lost the connection: {why}"),
            _ => {}
        }
    }
}

#[tokio::test]
async fn long_messages_that_wait_for_the_listener_are_bounded_by_their_bytes_and_none_is_lost() {
    use rumqttc::v5::mqttbytes::QoS;
    use rumqttc::v5::{AsyncClient, MqttOptions};
    const MESSAGES: usize = 300;
    const LONG: usize = 60_000;
    let broker = Small::start().await;
    let mut agent = Agent::ready(settings(broker.port, "halyard")).await;
    let mut options = MqttOptions::new("mad", "127.0.0.1", broker.port);
    options.set_max_packet_size(Some(1 << 20));
    let (client, mut eventloop) = AsyncClient::new(options, MESSAGES + 1);
    for number in 0..MESSAGES {
        let payload = format!("{number} {}", "x".repeat(LONG));
        client.try_publish("room2/mad", QoS::AtLeastOnce, false, payload).expect("room");
    }
    let _mad = tokio::spawn(async move { while eventloop.poll().await.is_ok() {} });
    // Until no more comes.
    let mut waiting = 0;
    loop {
        tokio::time::sleep(Duration::from_millis(500)).await;
        if std::mem::replace(&mut waiting, agent.events.len()) == waiting && waiting > 0 {
            break;
        }
    }
    assert!(waiting * LONG <= 2 << 20, "{waiting} messages of {LONG} bytes wait in memory");
    for expected in 0..MESSAGES {
        let message = agent.message("room2/mad").await;
        assert!(message.payload.starts_with(format!("{expected} ").as_bytes()), "{expected}");
        agent.handle.ack(message.ack.expect("of QoS 1"));
    }
}

/// Publishes numbers with QoS 0, from a client of its own, and waits until the broker has them.
async fn flood(port: u16, messages: usize) {
    use rumqttc::v5::mqttbytes::QoS;
    use rumqttc::v5::{AsyncClient, Event, Incoming, MqttOptions};
    let (client, mut eventloop) =
        AsyncClient::new(MqttOptions::new("flood", "127.0.0.1", port), messages + 1);
    for number in 0..messages {
        client.try_publish("room2/flood", QoS::AtMostOnce, false, number.to_string()).expect("room");
    }
    client.try_publish("elsewhere", QoS::AtLeastOnce, false, "last").expect("room");
    let done = async {
        while !matches!(eventloop.poll().await.expect("a connection"), Event::Incoming(Incoming::PubAck(_))) {
        }
    };
    timeout(SOON, done).await.expect("the last publication acknowledged");
}

#[tokio::test]
async fn an_old_client_is_told_that_its_protocol_is_not_spoken_here() {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    let broker = Small::start().await;
    let mut stream = tokio::net::TcpStream::connect(("127.0.0.1", broker.port)).await.expect("connect");
    // CONNECT of MQTT 3.1.1 (protocol level 4), client id "a": OASIS MQTT 3.1.1, 3.1.
    let connect = [0x10, 13, 0, 4, b'M', b'Q', b'T', b'T', 4, 2, 0, 60, 0, 1, b'a'];
    stream.write_all(&connect).await.expect("write");
    let mut answer = Vec::new();
    timeout(SOON, stream.read_to_end(&mut answer)).await.expect("an answer").expect("read");
    assert_eq!(answer, [0x20, 2, 0, 1], "CONNACK, unacceptable protocol version");
}

#[tokio::test]
async fn acknowledgements_leave_in_the_order_of_their_messages_though_our_own_message_is_safe_at_once() {
    // The demo's broker closes the connection of a client that acknowledges out of order.
    let broker = Small::start().await;
    let mut agent = Agent::ready(settings(broker.port, "halyard")).await;
    let deaf = MqttSettings { subscriptions: Vec::new(), ..settings(broker.port, "rig") };
    let rig = Agent::ready(deaf).await;
    rig.publish(1, "room2/lagoon/temperature", "25.4", false);
    let first = agent.message("room2/lagoon/temperature").await;
    rig.publish(2, "room2/lagoon/temperature", "25.5", false);
    let second = agent.message("room2/lagoon/temperature").await;
    // Our own message goes around meanwhile, and the second reading is safe before the first.
    let round = |event: &MqttEvent| matches!(event, MqttEvent::Heard { .. }).then_some(());
    agent.within(SOON * 2, "our own message", round).await;
    agent.handle.ack(second.ack.expect("QoS 1"));
    agent.within(SOON * 2, "our own message again", round).await;
    agent.handle.ack(first.ack.expect("QoS 1"));
    for _ in 0..2 {
        let seen = agent
            .within(SOON * 2, "our own message, or the end of the connection", |event| match event {
                MqttEvent::Heard { .. } => Some(None),
                MqttEvent::Down { why } => Some(Some(why.clone())),
                _ => None,
            })
            .await;
        assert_eq!(seen, None, "the broker has nothing against us");
    }
}

fn at(port: u16) -> BrokerAddress {
    BrokerAddress { host: "127.0.0.1".to_owned(), port }
}

#[tokio::test]
async fn the_next_broker_takes_over_at_once_and_the_first_is_gone_back_to_when_it_is_there_again() {
    let (reserved, first) = closed_port();
    let second = Small::start().await;
    let mut two = settings(first, "halyard");
    two.brokers.push(at(second.port));
    two.first_again = Duration::from_millis(500);
    let begun = std::time::Instant::now();
    let mut agent = Agent::ready(two).await;
    assert!(begun.elapsed() < Duration::from_secs(2), "no pause lies between two brokers");
    agent.publish(1, "room2/mains", "on", false);
    agent.message("room2/mains").await;

    // A look at the first one in vain costs nothing.
    tokio::time::sleep(Duration::from_millis(1200)).await;
    let broker = Broker::bind(("127.0.0.1", first)).await.expect("the port is kept");
    drop(reserved);
    let task = tokio::spawn(broker.run());
    let up = agent.within(SOON * 2, "the first broker", |event| match event {
        MqttEvent::Up { .. } => Some(Ok(())),
        MqttEvent::Down { why } => Some(Err(why.clone())),
        _ => None,
    });
    assert_eq!(up.await, Ok(()), "nothing is lost on the way back");
    let mut guest = Agent::ready(settings(first, "guest")).await;
    guest.publish(1, "room2/mains", "off", false);
    guest.message("room2/mains").await;
    assert_eq!(&agent.message("room2/mains").await.payload[..], b"off", "heard by way of the first broker");
    task.abort();
}

#[tokio::test]
async fn when_no_broker_is_there_each_is_named_with_its_reason() {
    let ((_one, first), (_other, second)) = (closed_port(), closed_port());
    let mut two = settings(first, "halyard");
    two.brokers.push(at(second));
    let why = Agent::start(two).down().await;
    let both = format!(
        "cannot reach 127.0.0.1:{first}: Connection refused (os error 111); \
         cannot reach 127.0.0.1:{second}: Connection refused (os error 111)"
    );
    assert_eq!(why, both);
}

#[tokio::test]
async fn other_settings_are_taken_without_an_end_of_the_task() {
    let (one, other) = (Small::start().await, Small::start().await);
    let mut agent = Agent::ready(settings(one.port, "halyard")).await;
    let mut witness = Agent::ready(MqttSettings {
        subscriptions: vec!["slackwater/halyard/status".to_owned()],
        ..settings(one.port, "witness")
    })
    .await;
    let mut moved = settings(other.port, "halyard-2");
    moved.subscriptions = vec!["room3/#".to_owned()];
    agent.handle.reconnect(moved).expect("valid");
    agent.up().await;
    assert_eq!(&witness.message("slackwater/halyard/status").await.payload[..], b"offline");
    agent.publish(1, "room3/mains", "on", false);
    agent.message("room3/mains").await;
    // While there is no broker as well, and without waiting for the next attempt.
    let (_reserved, closed) = closed_port();
    agent.handle.reconnect(settings(closed, "halyard")).expect("valid");
    agent.down().await;
    agent.handle.reconnect(settings(one.port, "halyard")).expect("valid");
    agent.up().await;
}

#[tokio::test]
async fn what_is_true_now_alone_is_never_sent_by_a_later_connection() {
    let (reserved, port) = closed_port();
    let mut agent = Agent::start(settings(port, "halyard"));
    agent.down().await;
    agent.handle.publish_now(7, "room2/siren", "on").expect("room");
    let lapsed = |event: &MqttEvent| match event {
        MqttEvent::Lapsed { id: 7, perhaps } => Some(*perhaps),
        _ => None,
    };
    assert!(!agent.until("the end of what was for now", lapsed).await);
    let broker = Broker::bind(("127.0.0.1", port)).await.expect("the port is kept");
    let faults = broker.faults();
    drop(reserved);
    let task = tokio::spawn(broker.run());
    agent.publish(8, "room2/after", "", false);
    let first = agent
        .within(SOON * 3, "a message", |event| match event {
            MqttEvent::Message(message) => Some(message.topic.clone()),
            _ => None,
        })
        .await;
    assert_eq!(first, "room2/after", "the siren's message of before is not there");
    // Under way when the broker stops answering.
    faults.stall(true);
    agent.handle.publish_now(7, "room2/siren", "on").expect("room");
    tokio::time::sleep(Duration::from_millis(300)).await;
    faults.cut();
    assert!(agent.within(SOON * 2, "its end", lapsed).await, "the broker may have it");
    task.abort();
}

#[tokio::test]
async fn an_old_broker_is_named_as_one() {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("bound");
    let port = listener.local_addr().expect("bound").port();
    let old = tokio::spawn(async move {
        loop {
            let (mut stream, _) = listener.accept().await.expect("a client");
            let mut connect = [0; 256];
            let _ = stream.read(&mut connect).await;
            // OASIS MQTT 3.1.1, 3.2.2.3: unacceptable protocol version.
            let _ = stream.write_all(&[0x20, 2, 0, 1]).await;
        }
    });
    let why = Agent::start(settings(port, "halyard")).down().await;
    let named =
        format!("the broker at 127.0.0.1:{port} speaks MQTT 3.1.1 only, and the watch needs MQTT 5: take");
    assert!(why.starts_with(&named), "{why}");
    old.abort();
}

/// A broker that closes what it is greeted with in MQTT 5 without a word, answers to 3.1.1 if it is
/// `old`, and is otherwise merely ill.
async fn what_is_said_of_a_mute_broker(old: bool) -> (u16, String) {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("bound");
    let port = listener.local_addr().expect("bound").port();
    let broker = tokio::spawn(async move {
        loop {
            let (mut stream, _) = listener.accept().await.expect("a client");
            let mut connect = [0; 256];
            let _ = stream.read(&mut connect).await;
            // Behind the head of the packet and the name of the protocol: its level.
            let level = connect.iter().skip_while(|octet| **octet != b'T').nth(2);
            if old && level == Some(&4) {
                let _ = stream.write_all(&[0x20, 2, 0, 5]).await;
            }
        }
    });
    let why = Agent::start(settings(port, "halyard")).down().await;
    broker.abort();
    (port, why)
}

#[tokio::test]
async fn a_broker_that_closes_at_mqtt_5_without_a_word_is_asked_whether_it_is_old() {
    let (port, why) = what_is_said_of_a_mute_broker(true).await;
    assert!(why.starts_with(&format!("the broker at 127.0.0.1:{port} speaks MQTT 3.1.1 only")), "{why}");
    let (port, why) = what_is_said_of_a_mute_broker(false).await;
    assert!(why.starts_with(&format!("127.0.0.1:{port} closed the connection without an answer")), "{why}");
}

#[tokio::test]
async fn a_broker_that_retains_nothing_is_served_and_one_that_acknowledges_nothing_is_refused_with_the_remedy()
 {
    let with = |line: &str| real(&Options { lines: vec![line.to_owned()], ..Options::default() });
    let Some(forgetful) = with("retain_available false") else { return };
    let mut agent = Agent::ready(settings(forgetful.port(), "halyard")).await;
    agent.publish(1, "room2/state", "well", true);
    agent.message("room2/state").await;
    agent.published(1).await;
    let Some(careless) = with("max_qos 0") else { return };
    let why = Agent::start(settings(careless.port(), "halyard")).down().await;
    assert!(why.contains("let it take QoS 1"), "{why}");
}

#[tokio::test]
async fn a_broker_that_wants_a_certificate_of_ours_gets_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let house = Authority::new(folder.path(), "house").expect("an authority");
    let ca = house.file();
    let options = Options {
        tls: Some(house.identity("127.0.0.1", Validity::Now).expect("an identity")),
        lines: vec![format!("cafile {}", ca.display()), "require_certificate true".to_owned()],
        ..Options::default()
    };
    let Some(broker) = real(&options) else { return };
    let mut own = settings(broker.port(), "halyard");
    own.tls = Some(Tls { ca_file: Some(ca), ..Tls::default() });
    let why = Agent::start(own.clone()).down().await;
    assert!(why.contains("certificate"), "{why}");
    let ours = house.identity("halyard", Validity::Now).expect("an identity");
    if let Some(tls) = &mut own.tls {
        tls.identity = Some(ClientIdentity { certificate: ours.certificate, key: ours.key });
    }
    let mut agent = Agent::ready(own).await;
    agent.publish(1, "room2/mains", "on", false);
    agent.message("room2/mains").await;
}

#[tokio::test]
async fn garbage_closes_its_own_connection_and_no_other() {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    let broker = Small::start().await;
    let mut agent = Agent::ready(settings(broker.port, "halyard")).await;
    let cut_short: &[u8] = &[0x10, 7, 0, 4, b'M', b'Q', b'T', b'T', 5];
    for garbage in
        [b"GET / HTTP/1.1\r\n\r\n" as &[u8], &[0xff; 64], cut_short, &[0x30, 0xff, 0xff, 0xff, 0xff]]
    {
        let mut stream = tokio::net::TcpStream::connect(("127.0.0.1", broker.port)).await.expect("connect");
        stream.write_all(garbage).await.expect("write");
        let mut answer = Vec::new();
        let _ = timeout(SOON, stream.read_to_end(&mut answer)).await.expect("closed in time");
        assert_eq!(answer, b"");
    }
    agent.publish(1, "room2/mains", "on", false);
    agent.message("room2/mains").await;
}

//! What the agent is measured against, each a process of its own: the same client library with
//! nothing behind it, and the same mail channel with no rules before it.

use crate::Result;
use crate::site::{self, DONE};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Filter;
use rumqttc::v5::{AsyncClient, Event, EventLoop, Incoming, MqttOptions};
use slackwater::channels::{
    Channel, ChannelSettings, Channels, MailSettings, NotPublished, Publish, Publishing, Security,
    SharedParts,
};
use slackwater_rules::alarm::Priority;
use slackwater_rules::page::Page;
use slackwater_rules::plan::Target;
use slackwater_rules::record::{Purpose, Seq};
use slackwater_rules::time::{Span, Wall};
use std::collections::BTreeMap;
use std::os::unix::net::UnixDatagram;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::sync::mpsc;

/// Counts what comes until a reading that rings, says so with the count, and begins again.
pub(crate) fn count(words: &[String]) -> Result<()> {
    let [port] = words else { return Err("count PORT".into()) };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(async {
        let (client, mut events) = connect(port.parse()?, "bench-count").await?;
        ready()?;
        let mut count = 0u64;
        loop {
            if let Event::Incoming(Incoming::Publish(publish)) = events.poll().await? {
                count += 1;
                if publish.payload.starts_with(b"3") {
                    client.try_publish(DONE, QoS::AtMostOnce, false, count.to_string())?;
                    count = 0;
                }
            }
        }
    })
}

/// Sends a mail for each reading that rings, through the agent's own channel.
pub(crate) fn forward(words: &[String]) -> Result<()> {
    let [port, mail, authority] = words else { return Err("forward PORT MAIL-PORT AUTHORITY".into()) };
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    runtime.block_on(async {
        let (_client, mut events) = connect(port.parse()?, "bench-forward").await?;
        let (channels, _outcomes) = channels(mail.parse()?, authority.into())?;
        ready()?;
        let target = Target::parse("ines.page");
        let mut id = 0;
        loop {
            if let Event::Incoming(Incoming::Publish(publish)) = events.poll().await?
                && publish.payload.starts_with(b"3")
            {
                id += 1;
                channels.send(&target, page(id));
            }
        }
    })
}

async fn connect(port: u16, id: &str) -> Result<(AsyncClient, EventLoop)> {
    let mut options = MqttOptions::new(id, "127.0.0.1", port);
    // As the agent's own, where it matters to speed and memory.
    let mut network = options.network_options();
    network.set_tcp_nodelay(true);
    options.set_network_options(network);
    options.set_outgoing_inflight_upper_limit(20);
    let (client, mut events) = AsyncClient::new(options, 16);
    let filters = (0..site::SENSORS).map(|sensor| Filter::new(site::topic(sensor), QoS::AtLeastOnce));
    client.try_subscribe_many(filters)?;
    while !matches!(events.poll().await?, Event::Incoming(Incoming::SubAck(_))) {}
    Ok((client, events))
}

fn ready() -> Result<()> {
    let manager = std::env::var_os("NOTIFY_SOCKET").ok_or("no NOTIFY_SOCKET")?;
    UnixDatagram::unbound()?.send_to(b"READY=1", manager)?;
    Ok(())
}

type Outcomes = mpsc::UnboundedReceiver<(Seq, slackwater_rules::record::Outcome)>;

fn channels(port: u16, authority: PathBuf) -> Result<(Channels, Outcomes)> {
    let server = MailSettings {
        host: "localhost".into(),
        port,
        security: Security::Starttls,
        user: None,
        password: None,
        from: "watch@example.org".parse()?,
        ca_file: Some(authority),
        identity: None,
        hello: None,
        timeout: Span::seconds(60),
    };
    let to = ChannelSettings::Mail("ines@example.org".parse()?);
    let channel = Channel::new(&to, Some(&server)).map_err(|wrong| wrong.join("; "))?;
    let context = SharedParts {
        reply_to: None,
        clock: Arc::new(|| Wall(0)),
        names: Arc::default(),
        publish: Arc::new(NoSiren),
        modem: None,
        reports: None,
    };
    let (results, outcomes) = mpsc::unbounded_channel();
    let channels = BTreeMap::from([(Target::parse("ines.page"), channel)]);
    Ok((Channels::start(channels, &context, results), outcomes))
}

struct NoSiren;

impl Publish for NoSiren {
    fn publish<'a>(&'a self, _: &'a str, _: &'a [u8]) -> Publishing<'a> {
        let why = "there is none".to_owned();
        Box::pin(async { Err(NotPublished::Yet { why, perhaps: false }) })
    }
}

/// About as long as a real one.
fn page(id: Seq) -> Page {
    let headline = "lagoon: hot-00-0, HIGH, since 03:12, code K7PQ".to_owned();
    Page {
        id,
        call: id,
        after: Vec::new(),
        purpose: Purpose::Call,
        priority: Priority::High,
        site: "Halyard House".into(),
        place: "lagoon".into(),
        alarm: "hot-00-0".into(),
        code: "K7PQ".into(),
        since: Wall(0),
        body: format!("{headline}\n{}", "Take the lid off and let a fan blow over the water.\n".repeat(20)),
        text: headline.clone(),
        headline,
        said: Default::default(),
        maybe_repeat: false,
    }
}

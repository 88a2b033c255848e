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
use slackwater::settings::Environment;
use slackwater::site::SiteFiles;
use slackwater_rules::engine::{Arrival, Effect, Engine, Input, Link};
use slackwater_rules::page::Page;
use slackwater_rules::plan::Target;
use slackwater_rules::record::Seq;
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::collections::BTreeMap;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
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

/// Sends a mail for each reading that rings, through the agent's own channel: the page that an
/// agent with this configuration file would send.
pub(crate) fn forward(words: &[String]) -> Result<()> {
    let [port, mail, authority, config] = words else {
        return Err("forward PORT MAIL-PORT AUTHORITY CONFIG".into());
    };
    let page = page_of(Path::new(config))?;
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
                channels.send(&target, Page { id, call: id, ..page.clone() });
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

/// What the agent that has this configuration file would send when the first sensor rings: the
/// same words in the same parts.
fn page_of(config: &Path) -> Result<Page> {
    let plan = SiteFiles::load(config, &Environment::of_process()).map_err(|wrong| wrong.text)?.plan;
    let now = Now { mono: Moment(1_000_000), wall: Wall(1_790_000_000_000), wall_trusted: true };
    let mut engine = Engine::new(plan, 7, 1, now);
    let (topic, payload) = (site::topic(0), site::ringing(0).into_bytes());
    let turns = [
        Input::Started { version: "bench".to_owned(), gap: Some(Span::ZERO) },
        Input::Link(Link::Hears),
        Input::Message { topic, payload, delivery: Arrival::Live },
    ];
    let effects = turns.into_iter().flat_map(|input| engine.step(now, input).effects);
    let mut pages = effects.filter_map(|effect| match effect {
        Effect::Send { page, .. } => Some(*page),
        Effect::Withdraw { .. } | Effect::Command { .. } => None,
    });
    pages.next().ok_or_else(|| "a reading that rings sends no page".into())
}

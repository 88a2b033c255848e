//! The site's side of joining, over the broker elsewhere: a request goes out, again if nothing
//! comes, and the witness's answer to it is waited for, for a bounded time. Everything else that
//! may come there is passed over. The connection says nothing of its own: a watch that runs for the
//! same site is not disturbed.

use super::link::JoinLink;
use super::proof::{self, JoinVerdict, LARGEST};
use super::{answer_topic, request_topic};
use crate::checkin::SiteKey;
use crate::mqtt::{self, MqttEvent, MqttSettings, Tls};
use crate::plain_text::tame;
use ring::rand::{SecureRandom as _, SystemRandom};
use std::fmt;
use std::path::PathBuf;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::Instant;

/// The witness is waited for so long …
const PATIENCE: Duration = Duration::from_secs(40);
/// … and asked so often: what it has taken it says again.
const AGAIN: Duration = Duration::from_secs(8);

/// At the end, the connection has so long to say goodbye.
const LAST: Duration = Duration::from_secs(1);

/// So much is told of what a broker says.
const LONGEST: usize = 300;

/// Why a site has not joined, as far as it knows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotJoined {
    /// The link can't be used with this machine's files.
    Unusable(String),
    /// The broker can't be reached, or does not let the site speak or hear.
    Broker(String),
    /// The witness says no.
    Refused(String),
    /// Some other witness answers for this name.
    Stranger,
    /// Nobody answers.
    Silence,
}

impl fmt::Display for NotJoined {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unusable(why) => write!(f, "the link can't be used here: {why}"),
            Self::Broker(why) => write!(f, "the broker that the link names: {why}"),
            Self::Refused(why) => write!(f, "the witness says no: {why}"),
            Self::Stranger => f.write_str(
                "another witness answers there: the link is not of that one, or is of before its state was lost. Ask \
                 for another link",
            ),
            Self::Silence => write!(
                f,
                "no witness has answered for {} s. Does it run, and does it reach its broker? Until its answer came, the \
                 same link may be tried again",
                PATIENCE.as_secs()
            ),
        }
    }
}

/// Asks the witness to take this key, and waits for its word. `authority` is the file with the
/// link's certificates, if it has some.
///
/// # Errors
/// Why the site has not joined.
pub async fn ask(link: &JoinLink, authority: Option<PathBuf>, key: &SiteKey) -> Result<(), NotJoined> {
    let invitation = link.invitation().ok_or_else(|| NotJoined::Unusable("it holds no key".to_owned()))?;
    let request = proof::request(&link.site, &link.witness, &invitation, key);
    let settings = connection(link, authority)?;
    let (handle, events) = mqtt::spawn(settings).map_err(|wrong| {
        NotJoined::Unusable(wrong.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))
    })?;
    let heard = tokio::time::timeout(PATIENCE, hear(link, &request, &handle, events)).await;
    handle.close(LAST).await;
    heard.unwrap_or(Err(NotJoined::Silence))
}

/// Until the witness has spoken, or there is no use in waiting.
async fn hear(
    link: &JoinLink,
    request: &str,
    handle: &mqtt::Handle,
    mut events: mpsc::Receiver<MqttEvent>,
) -> Result<(), NotJoined> {
    let (topic, answers) = (request_topic(&link.site), answer_topic(&link.site));
    let (mut up, mut next, mut count, mut stranger) = (false, Instant::now(), 0_u64, false);
    let mut why: Option<String> = None;
    let deadline = Instant::now() + PATIENCE - LAST;
    let broker = |why: &str| NotJoined::Broker(tame(why, LONGEST));
    loop {
        let event = tokio::select! {
            event = events.recv() => event,
            () = tokio::time::sleep_until(next), if up => {
                next = Instant::now() + AGAIN;
                count += 1;
                handle
                    .publish(count, topic.clone(), request.as_bytes().to_vec(), false)
                    .map_err(|why| broker(&why.to_string()))?;
                continue;
            }
            () = tokio::time::sleep_until(deadline) => return Err(match (stranger, why) {
                (true, _) => NotJoined::Stranger,
                (false, Some(why)) => broker(&why),
                (false, None) => NotJoined::Silence,
            }),
        };
        match event {
            Some(MqttEvent::Up { .. }) => (up, next, why) = (true, Instant::now(), None),
            Some(MqttEvent::Down { why: down } | MqttEvent::PushedOut { why: down }) => {
                (up, why) = (false, Some(down));
            }
            Some(MqttEvent::Refused { filter, reason }) => {
                return Err(broker(&format!("its rights don't let the site hear `{filter}`: {reason}")));
            }
            Some(MqttEvent::Unpublished { why, .. }) => {
                return Err(broker(&format!("its rights don't let the site say `{topic}`: {why}")));
            }
            Some(MqttEvent::Message(message)) if message.topic == answers && !message.retained => {
                let heard = proof::heard(&message.payload, &link.witness, request.as_bytes());
                if let Some(ack) = message.ack {
                    handle.ack(ack);
                }
                match heard {
                    JoinVerdict::Taken => return Ok(()),
                    JoinVerdict::Refused(why) => return Err(NotJoined::Refused(why)),
                    // Anybody may write there: the right one may still answer.
                    JoinVerdict::Stranger => stranger = true,
                    JoinVerdict::Nothing => {}
                }
            }
            Some(
                MqttEvent::Message(_)
                | MqttEvent::Heard { .. }
                | MqttEvent::Deaf { .. }
                | MqttEvent::Published { .. }
                | MqttEvent::Lapsed { .. },
            ) => {}
            None => return Err(broker("the connection has ended")),
        }
    }
}

fn connection(link: &JoinLink, authority: Option<PathBuf>) -> Result<MqttSettings, NotJoined> {
    let first = link.brokers.first().ok_or_else(|| NotJoined::Unusable("it names no broker".to_owned()))?;
    let mut octets = [0_u8; 6];
    SystemRandom::new()
        .fill(&mut octets)
        .map_err(|_| NotJoined::Unusable("the system gives no random numbers".to_owned()))?;
    let one = u64::from_be_bytes([0, 0, octets[0], octets[1], octets[2], octets[3], octets[4], octets[5]]);
    Ok(MqttSettings {
        brokers: link.brokers.clone(),
        user: link.user.clone(),
        password: link.password.clone(),
        tls: link.tls.as_ref().map(|tls| Tls {
            ca_file: authority,
            server_name: tls.server_name.clone(),
            identity: None,
        }),
        keep_alive: Duration::from_secs(10),
        session_expiry: Duration::ZERO,
        max_packet: u32::try_from(LARGEST * 2).unwrap_or(u32::MAX),
        subscriptions: vec![answer_topic(&link.site)],
        silent: true,
        ..MqttSettings::new(first.host.clone(), first.port, format!("slackwater-join-{one:012x}"))
    })
}

//! Which MQTT a broker speaks that closed the connection and said nothing: some of the old ones do
//! that when they are greeted with MQTT 5. The address of such a broker flows in, and what it turned
//! out to be in words for a person flows out.
//!
//! It is greeted twice, as a passing client with a clean session and no login: with MQTT 5, at which
//! one that speaks it says at least why not, and with 3.1.1. Only silence at the first and an answer
//! to the second make an old broker: anything else may close a connection too.

use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::time::timeout;

use super::bridge::reach;
use super::retry::random;
use super::settings::{BrokerAddress, MqttSettings};

/// For one greeting, from the connection to the answer. Meanwhile no other broker is tried.
const GREETING: Duration = Duration::from_millis(1500);

/// Protocol levels of CONNECT (MQTT 3.1.1 and 5.0, 3.1.2.2).
const OLD: u8 = 4;
const NEW: u8 = 5;
/// CONNACK, the first packet of any broker (MQTT 3.1.1 and 5.0, 3.2).
pub(super) const CONNACK: u8 = 0x20;

/// What is said of a broker without MQTT 5.
pub(super) fn too_old(place: &str) -> String {
    format!(
        "the broker at {place} speaks MQTT 3.1.1 only, and the watch needs MQTT 5: take a newer release of it, \
         or a broker that speaks both beside it, with a bridge between them"
    )
}

/// Whether a broker that said nothing is an old one; in words, if it is.
pub(super) async fn of_a_mute_broker(settings: &MqttSettings, broker: &BrokerAddress) -> Option<String> {
    let answers =
        async |level| matches!(timeout(GREETING, greet(settings, broker, level)).await, Ok(Some(())));
    (!answers(NEW).await && answers(OLD).await).then(|| too_old(&broker.to_string()))
}

async fn greet(settings: &MqttSettings, broker: &BrokerAddress, level: u8) -> Option<()> {
    let mut stream = reach(settings, broker).await.ok()?;
    stream.write_all(&connect(level)).await.ok()?;
    stream.flush().await.ok()?;
    let mut first = [0];
    stream.read_exact(&mut first).await.ok()?;
    (first == [CONNACK]).then_some(())
}

/// CONNECT with a clean session, nothing else, and a name that nobody else has.
fn connect(level: u8) -> Vec<u8> {
    const CLEAN: u8 = 0b10;
    const KEEP_ALIVE: [u8; 2] = [0, 30];
    let name = format!("slackwater-{:08x}", random() & u64::from(u32::MAX));
    let mut body = b"\0\x04MQTT".to_vec();
    body.extend([level, CLEAN]);
    body.extend(KEEP_ALIVE);
    if level == NEW {
        // No properties.
        body.push(0);
    }
    // The name has 19 octets.
    body.extend([0, name.len() as u8]);
    body.extend(name.bytes());
    let mut packet = vec![0x10, body.len() as u8];
    packet.extend(body);
    packet
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn greetings_are_as_the_standards_want_them() {
        let old = connect(OLD);
        assert_eq!(old[..14], [0x10, 31, 0, 4, b'M', b'Q', b'T', b'T', 4, 2, 0, 30, 0, 19]);
        assert_eq!(old.len(), 33);
        let new = connect(NEW);
        assert_eq!(new[..15], [0x10, 32, 0, 4, b'M', b'Q', b'T', b'T', 5, 2, 0, 30, 0, 0, 19]);
        assert_eq!(new.len(), 34);
    }
}

//! A publisher that costs next to nothing, so that the machine is left to what is measured:
//! MQTT 3.1.1 packets made beforehand and written as fast as the broker takes them. It also
//! hears the one topic on which the subject says that it is through.

use crate::Result;
use crate::site::{self, DONE};
use std::io::{BufReader, Read, Write};
use std::net::TcpStream;
use std::time::Duration;

/// Longer than any round.
const PATIENCE: Duration = Duration::from_secs(120);

pub(crate) struct Publisher {
    out: TcpStream,
    back: BufReader<TcpStream>,
}

impl Publisher {
    pub(crate) fn connect(port: u16) -> Result<Self> {
        let out = TcpStream::connect(("127.0.0.1", port))?;
        out.set_nodelay(true)?;
        out.set_read_timeout(Some(PATIENCE))?;
        let back = BufReader::new(out.try_clone()?);
        let mut publisher = Self { out, back };
        // Protocol name and level, a clean session, no keep-alive; the client id.
        publisher.send(0x10, &[b"\0\x04MQTT\x04\x02\0\0".as_slice(), &text("bench-publisher")])?;
        publisher.hear(0x20)?;
        publisher.send(0x82, &[&[0, 1], &text(DONE), &[0]])?;
        publisher.hear(0x90)?;
        Ok(publisher)
    }

    /// Publishes one reading with QoS 0.
    pub(crate) fn say(&mut self, sensor: usize, reading: &str) -> Result<()> {
        self.say_on(&site::topic(sensor), reading)
    }

    /// The same on any topic.
    pub(crate) fn say_on(&mut self, topic: &str, reading: &str) -> Result<()> {
        self.send(0x30, &[&text(topic), reading.as_bytes()])
    }

    /// Publishes `count` ordinary readings in turn on all topics, as fast as the broker takes
    /// them.
    pub(crate) fn flood(&mut self, count: usize) -> Result<()> {
        const AT_ONCE: usize = 2_000;
        let mut packets = Vec::new();
        for n in 0..AT_ONCE {
            let reading = format!("{:.2}", 25.0 + (n % 97) as f64 / 100.0);
            let body = [text(&site::topic(n % site::SENSORS)).as_slice(), reading.as_bytes()].concat();
            packets.extend_from_slice(&[0x30, u8::try_from(body.len())?]);
            packets.extend_from_slice(&body);
        }
        for _ in 0..count / AT_ONCE {
            self.out.write_all(&packets)?;
        }
        Ok(())
    }

    /// Waits until the subject is through, and returns what it says.
    pub(crate) fn done(&mut self) -> Result<Vec<u8>> {
        let body = self.hear(0x30)?;
        Ok(body.get(2 + DONE.len()..).unwrap_or_default().to_vec())
    }

    fn send(&mut self, kind: u8, parts: &[&[u8]]) -> Result<()> {
        let body = parts.concat();
        // MQTT 3.1.1, 2.2.3: seven bits of the length an octet. All packets here are short.
        let mut packet = match body.len() {
            short @ 0..128 => vec![kind, u8::try_from(short)?],
            long => vec![kind, u8::try_from(long % 128)? | 0x80, u8::try_from(long / 128)?],
        };
        packet.extend(body);
        Ok(self.out.write_all(&packet)?)
    }

    /// The body of the next packet of this kind.
    fn hear(&mut self, kind: u8) -> Result<Vec<u8>> {
        loop {
            let mut head = [0; 2];
            self.back.read_exact(&mut head)?;
            let mut body = vec![0; head[1].into()];
            self.back.read_exact(&mut body)?;
            if head[0] & 0xf0 == kind {
                return Ok(body);
            }
        }
    }
}

/// A text with its length in front: MQTT 3.1.1, 1.5.3. All texts here are short.
fn text(text: &str) -> Vec<u8> {
    let mut bytes = vec![0, text.len() as u8];
    bytes.extend_from_slice(text.as_bytes());
    bytes
}

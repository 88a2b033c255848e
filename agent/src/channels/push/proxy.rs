//! A proxy on the way to a gateway: asked by CONNECT for a tunnel to it (RFC 9110, 9.3.6), through
//! which the encrypted connection goes as if it were not there. The proxy learns the gateway's name
//! and nothing of what is said.

use crate::dial::dial;
use crate::secret::Secret;
use std::io;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;

/// The head of its answer may be this long.
const MOST_HEAD: usize = 8 * 1024;

/// Where it is, and what it asks for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Proxy {
    /// Name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// The value of `Proxy-Authorization` (RFC 9110, 11.7.2), if it wants one.
    pub authorization: Option<Secret>,
}

/// A connection to `host`, by way of the proxy if there is one.
pub(super) async fn reach(
    proxy: Option<&Proxy>,
    host: &str,
    port: u16,
    limit: Duration,
) -> io::Result<TcpStream> {
    let Some(proxy) = proxy else { return dial(host, port, limit).await };
    let place = format!("the proxy {}:{}", proxy.host, proxy.port);
    let wrong = |why: String| io::Error::other(format!("{place}: {why}"));
    let mut stream = dial(&proxy.host, proxy.port, limit).await.map_err(|e| wrong(e.to_string()))?;
    let asked = timeout(limit, ask(&mut stream, proxy, host, port)).await;
    let head =
        asked.map_err(|_| wrong("no answer to CONNECT".to_owned()))?.map_err(|e| wrong(e.to_string()))?;
    let line = head.lines().next().unwrap_or_default();
    let status = line.strip_prefix("HTTP/1.").and_then(|rest| rest.get(2..5)).unwrap_or_default();
    match status.bytes().next() {
        Some(b'2') => Ok(stream),
        Some(_) => Err(wrong(format!("it does not let us through: {line}"))),
        None => Err(wrong("its answer is no HTTP".to_owned())),
    }
}

/// The head of its answer. Not an octet behind it is taken: that is the gateway's.
async fn ask(stream: &mut TcpStream, proxy: &Proxy, host: &str, port: u16) -> io::Result<String> {
    let target = if host.contains(':') { format!("[{host}]:{port}") } else { format!("{host}:{port}") };
    let mut request = format!("CONNECT {target} HTTP/1.1\r\nHost: {target}\r\n");
    if let Some(authorization) = &proxy.authorization {
        request += &format!("Proxy-Authorization: {}\r\n", authorization.expose());
    }
    stream.write_all(format!("{request}\r\n").as_bytes()).await?;
    let mut head = Vec::new();
    while !head.ends_with(b"\r\n\r\n") {
        if head.len() >= MOST_HEAD {
            return Err(io::Error::other(format!("its answer has more than {MOST_HEAD} bytes of head")));
        }
        head.push(stream.read_u8().await?);
    }
    Ok(String::from_utf8_lossy(&head).into_owned())
}

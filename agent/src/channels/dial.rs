//! A connection to a host by its name. A name may have several addresses, and a router that came
//! back from a power cut may carry only one family of them: each gets its share of the time.

use std::io;
use std::time::Duration;
use tokio::net::{TcpStream, lookup_host};
use tokio::time::timeout;

/// Connects to the first address that takes the connection within `each`.
pub(crate) async fn dial(host: &str, port: u16, each: Duration) -> io::Result<TcpStream> {
    let mut last = io::Error::other("the name has no address");
    for address in lookup_host((host, port)).await? {
        match timeout(each, TcpStream::connect(address)).await {
            Ok(Ok(stream)) => {
                stream.set_nodelay(true)?;
                return Ok(stream);
            }
            Ok(Err(e)) => last = e,
            Err(_) => last = io::Error::other(format!("{address} does not take the connection")),
        }
    }
    Err(last)
}

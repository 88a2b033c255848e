//! A connection to a machine by its name, which may have several addresses. A router that came back
//! from a power cut may carry only one family of them, and an address that swallows what is sent to
//! it must not hide the next: attempts begin one after the other and run side by side (RFC 8305).

use std::io;
use std::net::SocketAddr;
use std::time::Duration;
use tokio::net::{TcpStream, lookup_host};
use tokio::task::JoinSet;
use tokio::time::{sleep, timeout};

/// RFC 8305, 8: the next attempt begins so long after the last one if that has neither failed nor
/// succeeded.
const HEAD_START: Duration = Duration::from_millis(250);

/// Addresses of one name that are tried.
const MOST_ADDRESSES: usize = 8;

/// The first connection that comes about within `limit`, for the name and all of its addresses
/// together.
///
/// # Errors
/// The last address's refusal, or that none has answered.
pub(crate) async fn dial(host: &str, port: u16, limit: Duration) -> io::Result<TcpStream> {
    let race = async { race(in_turns(lookup_host((host, port)).await?)).await };
    timeout(limit, race).await.unwrap_or_else(|_| {
        let why = format!("no address of {host} takes the connection within {:.1} s", limit.as_secs_f32());
        Err(io::Error::new(io::ErrorKind::TimedOut, why))
    })
}

/// RFC 8305, 4: the families take turns, beginning with the one that the resolver prefers.
fn in_turns(addresses: impl Iterator<Item = SocketAddr>) -> Vec<SocketAddr> {
    let all: Vec<_> = addresses.collect();
    let preferred = all.first().is_some_and(SocketAddr::is_ipv6);
    let (first, second): (Vec<_>, Vec<_>) =
        all.into_iter().partition(|address| address.is_ipv6() == preferred);
    let mut turns = Vec::new();
    let (mut first, mut second) = (first.into_iter(), second.into_iter());
    while first.len() + second.len() > 0 {
        turns.extend(first.next().into_iter().chain(second.next()));
    }
    turns.truncate(MOST_ADDRESSES);
    turns
}

async fn race(addresses: Vec<SocketAddr>) -> io::Result<TcpStream> {
    let mut waiting = addresses.into_iter();
    // Dropped with what still runs in it.
    let mut attempts = JoinSet::new();
    let mut last = io::Error::other("the name has no address");
    loop {
        if let Some(address) = waiting.next() {
            attempts.spawn(TcpStream::connect(address));
        }
        let patience = async {
            match waiting.len() {
                0 => std::future::pending().await,
                _ => sleep(HEAD_START).await,
            }
        };
        tokio::select! {
            ended = attempts.join_next() => match ended {
                Some(Ok(Ok(stream))) => {
                    stream.set_nodelay(true)?;
                    return Ok(stream);
                }
                Some(Ok(Err(error))) => last = error,
                Some(Err(error)) => last = io::Error::other(error),
                None => return Err(last),
            },
            () = patience => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::net::TcpListener;
    use tokio::time::Instant;

    /// Nothing is there, and nothing says so: RFC 5737, TEST-NET-1.
    const SWALLOWS: &str = "192.0.2.1:9";

    #[tokio::test]
    async fn an_address_that_swallows_what_is_sent_to_it_does_not_hide_the_next() {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("bound");
        let good = listener.local_addr().expect("bound");
        let swallows = SWALLOWS.parse().expect("an address");
        let begun = Instant::now();
        let stream = race(vec![swallows, swallows, good]).await.expect("connected");
        assert_eq!(stream.peer_addr().expect("connected"), good);
        assert!(begun.elapsed() < Duration::from_secs(5), "no attempt waits for the end of another");
    }

    #[tokio::test]
    async fn what_refuses_gives_way_at_once_and_the_last_refusal_is_told() {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("bound");
        let refuses = listener.local_addr().expect("bound");
        drop(listener);
        let error = race(vec![refuses, refuses]).await.expect_err("nobody listens");
        assert_eq!(error.kind(), io::ErrorKind::ConnectionRefused);
        let error = race(Vec::new()).await.expect_err("nowhere to go");
        assert_eq!(error.to_string(), "the name has no address");
    }

    #[test]
    fn the_families_take_turns_and_their_number_is_bounded() {
        let parse = |text: &str| text.parse::<SocketAddr>().expect("an address");
        let (a, b, c) = (parse("[2001:db8::1]:1"), parse("[2001:db8::2]:1"), parse("192.0.2.1:1"));
        assert_eq!(in_turns([a, b, c].into_iter()), [a, c, b]);
        assert_eq!(in_turns([c, a, b].into_iter()), [c, a, b]);
        assert!(in_turns(std::iter::repeat_n(a, 100)).len() <= MOST_ADDRESSES);
    }
}

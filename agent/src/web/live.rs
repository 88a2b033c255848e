//! Values as they change, by server-sent events: what differs from what was sent before, at most
//! once a second, and a number that says when the page itself is to be loaded again.

use super::house::{House, STREAMS};
use super::reply::{self, WebReply};
use super::server::Deadline;
use bytes::Bytes;
use hyper::StatusCode;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::sync::mpsc;

const EVERY: Duration = Duration::from_secs(1);

/// So much of the watch's time one stream lasts; a browser then asks for the next by itself.
const LONGEST: u32 = 3_600;

/// Without anything new a line goes at least so often, so that one who has gone is noticed.
const HEARTBEAT: u32 = 10;

/// A stream's place, given back when it ends.
struct StreamPlace(Arc<House>);

impl Drop for StreamPlace {
    fn drop(&mut self) {
        self.0.streams.fetch_sub(1, Ordering::Relaxed);
    }
}

/// The stream.
pub(super) fn stream(house: &Arc<House>, deadline: Deadline) -> WebReply {
    if house.streams.fetch_add(1, Ordering::Relaxed) >= STREAMS {
        house.streams.fetch_sub(1, Ordering::Relaxed);
        return reply::words(
            StatusCode::SERVICE_UNAVAILABLE,
            "too many are watching: the page says when it has grown old",
        );
    }
    let place = StreamPlace(Arc::clone(house));
    let (send, events) = mpsc::channel(1);
    tokio::spawn(tell(place, send));
    reply::events(events, Box::new(move || deadline.put_off()))
}

async fn tell(place: StreamPlace, send: mpsc::Sender<Bytes>) {
    let mut known: BTreeMap<String, String> = BTreeMap::new();
    let mut shape = None;
    for nth in 0..LONGEST {
        let Some(seen) = place.0.seen().await else { return };
        let mut text = String::new();
        let fresh = seen.values.iter().filter(|(name, value)| known.get(name) != Some(value));
        let fresh: BTreeMap<String, String> = fresh.cloned().collect();
        if !fresh.is_empty() {
            let Ok(json) = serde_json::to_string(&fresh) else { return };
            text += &format!("event: values\ndata: {json}\n\n");
            known.extend(fresh);
        }
        if shape.replace(seen.shape) != Some(seen.shape) {
            text += &format!("event: shape\ndata: {}\n\n", seen.shape);
        }
        if text.is_empty() && nth % HEARTBEAT == 0 {
            text += ": still here\n\n";
        }
        // Whoever does not read is waited for until the connection's time is over; nothing piles
        // up.
        if !text.is_empty() && send.send(text.into()).await.is_err() {
            return;
        }
        tokio::time::sleep(EVERY).await;
    }
}

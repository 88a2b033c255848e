//! Texts by a GSM modem: the channel and the whole agent on a simulated modem that also misbehaves,
//! and our units beside those of an independent library.

#![cfg(test)]

mod answers;
mod call_outs;
mod channel;
mod live;
mod ring;
mod watch;

use slackwater_tests::agent::SOON;

/// The one who is texted.
const INES: &str = "+351900000012";

/// Waits for something on a runtime, bounded.
async fn soon<T>(what: &str, happens: impl Future<Output = T>) -> T {
    tokio::time::timeout(SOON, happens).await.unwrap_or_else(|_| panic!("not within {SOON:?}: {what}"))
}

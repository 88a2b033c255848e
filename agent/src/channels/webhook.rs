//! One HTTPS request with a body that is no page: a check-in for a web address of the keeper's.
//! The way, its trust and its limits are those of push.

use super::push::Push;
use super::{Progress, PushSettings};
use slackwater_rules::record::Outcome;
use std::fmt;
use tokio::time::timeout;

/// An address that takes bodies of one media type.
pub struct Post(Push);

impl Post {
    /// Made ready; connects to nothing.
    ///
    /// # Errors
    /// All that is wrong with the settings.
    pub fn new(settings: &PushSettings, media_type: &str) -> Result<Self, Vec<String>> {
        Push::carrying(settings, media_type).map(Self)
    }

    /// Tries once, within the time-out of the settings.
    pub async fn send(&self, body: String) -> Outcome {
        let progress = Progress::new();
        let limit = self.0.limit();
        match timeout(limit, self.0.send(body, &progress)).await {
            Ok(outcome) => outcome,
            Err(_) => progress.broke_off(format_args!("no end within {} s", limit.as_secs())),
        }
    }
}

impl fmt::Debug for Post {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Post")
    }
}

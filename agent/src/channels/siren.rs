//! The siren: a page becomes one MQTT message, on for a call and off for an all-clear. It
//! reaches nobody in particular and carries no words.

use super::worker::Progress;
use super::{NotPublished, SharedParts, SirenSettings};
use slackwater_rules::page::Page;
use slackwater_rules::record::{Outcome, Purpose};
use std::time::Duration;

/// For the broker's answer.
pub(super) const LIMIT: Duration = Duration::from_secs(10);

/// A siren that is set up.
pub(super) struct SirenChannel(SirenSettings);

impl SirenChannel {
    pub(super) fn new(settings: &SirenSettings) -> Result<Self, Vec<String>> {
        let mut wrong = Vec::new();
        if settings.topic.is_empty() || settings.topic.contains(['+', '#', '\0']) {
            wrong.push(format!(
                "siren: topic {:?} cannot be published to: it must not be empty nor contain + or #",
                settings.topic
            ));
        }
        if settings.on == settings.off {
            wrong.push(format!("siren: on and off are the same payload, {:?}", settings.on));
        }
        if wrong.is_empty() { Ok(Self(settings.clone())) } else { Err(wrong) }
    }

    pub(super) async fn attempt(&self, page: &Page, context: &SharedParts, progress: &Progress) -> Outcome {
        let (payload, note) = match page.purpose {
            Purpose::Call | Purpose::Drill => (&self.0.on, "told to sound"),
            Purpose::Taken | Purpose::AllClear => (&self.0.off, "told to be quiet"),
            Purpose::Notice => return Outcome::Failed { why: "a siren cannot carry a notice".into() },
            Purpose::Digest => return Outcome::Failed { why: "a siren cannot carry a digest".into() },
        };
        progress.at("while the broker had not taken it");
        progress.on_its_way();
        match context.publish.publish(&self.0.topic, payload.as_bytes()).await {
            Ok(()) => Outcome::Accepted { note: note.into() },
            Err(NotPublished::Yet { why, perhaps }) => {
                let why = format!("{} was not published: {why}", self.0.topic);
                Outcome::Deferred { why, may_have_arrived: perhaps, again_in: None }
            }
            Err(NotPublished::Refused(why)) => Outcome::Failed { why: format!("not published: {why}") },
        }
    }
}

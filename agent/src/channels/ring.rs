//! The ring: the modem dials, lets the telephone ring for a set time and hangs up. Nobody wakes up
//! for a text; this is beside the text that says why. It says nothing, proves nothing and answers
//! nothing, also if somebody picks up.

use super::SharedParts;
use super::settings::RingSettings;
use super::worker::Progress;
use crate::modem::SendingStep;
use slackwater_rules::page::Page;
use slackwater_rules::record::{Outcome, Purpose};
use std::time::Duration;

/// Texts and other rings before it, and its own.
pub(super) const LIMIT: Duration = Duration::from_secs(300);

/// A number that is rung.
pub(super) struct Ring(RingSettings);

impl Ring {
    pub(super) fn new(settings: &RingSettings) -> Self {
        Self(settings.clone())
    }

    pub(super) async fn attempt(&self, page: &Page, context: &SharedParts, progress: &Progress) -> Outcome {
        match page.purpose {
            Purpose::Call | Purpose::Drill => {}
            // These wake nobody.
            Purpose::Taken | Purpose::AllClear | Purpose::Notice | Purpose::Digest => {
                return Outcome::Accepted { note: "nothing that is worth a ring".to_owned() };
            }
        }
        let Some(modem) = &context.modem else {
            return Outcome::Failed {
                why: "no modem is set up: [modem] came after the start, which takes a restart".into(),
            };
        };
        progress.at("while it waited for the modem");
        let length = Duration::from_millis(self.0.length.0.max(0).cast_unsigned());
        let mut steps = modem.ring(&self.0.to, length);
        loop {
            match steps.recv().await {
                Some(SendingStep::Sending) => {
                    progress.on_its_way();
                    progress.at("while the telephone rang");
                }
                Some(SendingStep::Ended(outcome)) => return outcome,
                Some(SendingStep::Lost(why)) => {
                    return progress.broke_off(format_args!("the modem was lost: {why}"));
                }
                Some(SendingStep::Taken { .. } | SendingStep::Reported(_)) => {}
                None => return progress.broke_off("the modem's task has ended"),
            }
        }
    }
}

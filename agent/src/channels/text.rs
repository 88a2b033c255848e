//! The text: a page becomes one short message by the modem, which all lanes of this kind share.
//! What the network says of it comes back in steps, and the last of them is the outcome. A delivery
//! report is waited for a little: that a phone has the text is worth knowing, that it never will
//! even more. It is no answer either way.

use super::SharedParts;
use super::worker::Progress;
use crate::modem::{Number, SendingStep, TextFate};
use slackwater_rules::page::Page;
use slackwater_rules::record::Outcome;
use std::time::Duration;
use tokio::time::{Instant, timeout_at};

/// Five texts before it may wait for the modem, and its own may take a minute.
pub(super) const LIMIT: Duration = Duration::from_secs(180);

/// A phone that is on has it within seconds; for one that is off nobody can wait.
const REPORT_WITHIN: Duration = Duration::from_secs(15);

/// A number that texts go to.
pub(super) struct Text(Number);

impl Text {
    pub(super) fn new(to: &Number) -> Self {
        Self(to.clone())
    }

    pub(super) async fn attempt(&self, page: &Page, context: &SharedParts, progress: &Progress) -> Outcome {
        let Some(modem) = &context.modem else {
            return Outcome::Failed {
                why: "no modem is set up: [modem] came after the start, which takes a restart".into(),
            };
        };
        progress.at("while it waited for the modem");
        let mut steps = modem.send(&self.0, &page.text());
        loop {
            match steps.recv().await {
                Some(SendingStep::Sending) => {
                    progress.on_its_way();
                    progress.at("while the modem was sending it");
                }
                Some(SendingStep::Taken { reference, awaited }) => {
                    let taken = match reference {
                        Some(reference) => format!("taken by the network (its number {reference})"),
                        None => "taken by the network".to_owned(),
                    };
                    if !awaited {
                        return Outcome::Accepted {
                            note: format!("{taken}; the modem tells of no delivery reports"),
                        };
                    }
                    progress.at("while its delivery report was awaited");
                    return report(&mut steps, taken).await;
                }
                Some(SendingStep::Ended(outcome)) => return outcome,
                Some(SendingStep::Lost(why)) => {
                    return progress.broke_off(format_args!("the modem was lost: {why}"));
                }
                Some(SendingStep::Reported(_)) => {}
                None => {
                    return progress.broke_off("the modem's task has ended");
                }
            }
        }
    }
}

/// What becomes of a text that the network took.
async fn report(steps: &mut tokio::sync::mpsc::UnboundedReceiver<SendingStep>, taken: String) -> Outcome {
    let until = Instant::now() + REPORT_WITHIN;
    while let Ok(Some(step)) = timeout_at(until, steps.recv()).await {
        let SendingStep::Reported(fate) = step else { continue };
        let words = fate.words();
        match fate {
            TextFate::Delivered | TextFate::Forwarded => {
                return Outcome::Accepted { note: format!("{taken}; {words}, which is no answer") };
            }
            TextFate::GivenUp(_) => {
                return Outcome::Failed { why: format!("{taken}, but not delivered: {words}") };
            }
            TextFate::Trying(_) => {}
        }
    }
    Outcome::Accepted { note: format!("{taken}; no delivery report within {} s", REPORT_WITHIN.as_secs()) }
}

//! What the sources say, made into inputs of the engine, and what is wrong with them, kept for
//! `status` and said once in the log.

use super::EventLoop;
use crate::sources::SourceRound;
use slackwater_rules::engine::{Arrival, Input};

impl EventLoop {
    pub(super) fn fetched(&mut self, SourceRound { source, answers }: SourceRound) {
        let before = self.health.sources.get(&*source).cloned().flatten();
        let trouble = answers.as_ref().err().cloned();
        match (&before, &trouble) {
            (_, Some(why)) if before != trouble => tracing::warn!("{source} can't be asked: {why}"),
            (Some(_), None) => tracing::info!("{source} answers again"),
            (_, Some(_)) | (None, None) => {}
        }
        self.health.sources.insert(source.to_string(), trouble);
        for answer in answers.into_iter().flatten() {
            let sensor = answer.sensor;
            self.take(match answer.said {
                Ok(value) => Input::Measured { sensor, value, delivery: Arrival::Live },
                Err(why) => Input::Missed { sensor, why },
            });
        }
    }
}

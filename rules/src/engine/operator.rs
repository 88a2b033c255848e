//! What people say. An answer by code acknowledges every open episode of the call-out that the code
//! belongs to; a command puts an alarm aside or back, begins work, a drill, or a silence of this
//! site that its witness shall wait for. What can't be taken is refused with a reason, and the
//! refusal is a record like any other.

mod command;

pub use command::OperatorCommand;

use crate::ids::{By, Seq};
use crate::record::{Body, Record};
use crate::time::Moment;

/// What lasts of what people have said, and belongs to nothing else.
#[derive(Debug, Default)]
pub(super) struct Operator {
    silence: Option<Silence>,
}

/// A silence of this site that somebody has announced.
#[derive(Clone, Debug, PartialEq)]
pub struct Silence {
    /// The record that began it.
    pub seq: Seq,
    /// It is over then.
    pub until: Moment,
    /// The reason given; may be empty.
    pub why: String,
    /// Who said so.
    pub by: By,
}

impl Operator {
    /// What a record does to what lasts.
    pub(super) fn apply(&mut self, record: &Record) {
        match &record.body {
            Body::SilencePlanned { length, why, by } => {
                let (why, by, until) = (why.clone(), by.clone(), record.at.mono + *length);
                self.silence = Some(Silence { seq: record.seq, until, why, by });
            }
            Body::SilenceEnded { .. } => self.silence = None,
            _ => {}
        }
    }

    /// The silence that has been announced, if it is not over at `now`.
    pub(super) fn silence_at(&self, now: Moment) -> Option<&Silence> {
        self.silence.as_ref().filter(|silence| silence.until > now)
    }
}

#[cfg(test)]
mod tests;

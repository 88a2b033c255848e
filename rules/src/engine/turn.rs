//! What flows out of the engine. The order of use is part of the contract: records are made
//! safe first, then effects are run; samples may wait.

use crate::callout::decide::Reply as CallOutReply;
use crate::ids::{By, Seq};
use crate::page::Page;
use crate::plan::{Plan, Target};
use crate::quality::Quality;
use crate::reading::Value;
use crate::record::{Body, Record};
use crate::time::Moment;
use std::sync::Arc;

/// What came of an input.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Turn {
    /// To be kept before any effect is run; in order.
    pub records: Vec<Record>,
    /// To be run once the records are safe.
    pub effects: Vec<Effect>,
    /// For the history: may be batched and thinned.
    pub samples: Vec<Sample>,
    /// What a person has said in this turn, if somebody has.
    pub(super) asked: Option<Asked>,
    /// What a call-out says to a person who has spoken to it in this turn.
    pub heard: Option<CallOutReply>,
}

/// What a person has said caused the turn's records from here on.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Asked {
    pub(super) by: By,
    pub(super) from: usize,
}

/// The answer to what a person has said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reply {
    /// Whether it was taken.
    pub taken: bool,
    /// What came of it, a record a line.
    pub lines: Vec<String>,
}

impl Turn {
    /// The answer to what a person has said in this turn, by the titles of the plan in force; none
    /// if nobody has said anything.
    pub fn reply(&self, plan: &Plan) -> Option<Reply> {
        let Asked { by: asked, from } = self.asked.as_ref()?;
        let caused = self.records.iter().skip(*from);
        let refused = |record: &Record| matches!(&record.body, Body::Refused { by, .. } if by == asked);
        let taken = !caused.clone().any(refused);
        Some(Reply { taken, lines: caused.map(|record| record.body.in_words(plan)).collect() })
    }
}

/// What the agent is to do. A new kind must break the build where it has to be handled.
#[derive(Clone, Debug, PartialEq)]
pub enum Effect {
    /// Send a page; report with [`Delivered`](super::Input::Delivered).
    Send {
        /// To whom and how.
        target: Target,
        /// What.
        page: Box<Page>,
    },
    /// A page is of no use any more: if it is not on its way yet, don't send it. Its fate is
    /// still reported with [`Delivered`](super::Input::Delivered)(super::Input::Delivered).
    Withdraw {
        /// The page.
        page: Seq,
    },
    /// Publish a relay command, never retained; report with [`Commanded`](super::Input::Commanded).
    Command {
        /// The switching.
        switching: Seq,
        /// The relay's name: the topic must be its own.
        relay: String,
        /// Where to.
        topic: String,
        /// What.
        payload: String,
    },
}

/// A reading for the history.
#[derive(Clone, Debug, PartialEq)]
pub struct Sample {
    /// The sensor's name.
    pub sensor: Arc<str>,
    /// When it was measured.
    pub at: Moment,
    /// What it said, if it could be read: base units.
    pub value: Option<Value>,
    /// Whether it was believed.
    pub quality: Quality,
}

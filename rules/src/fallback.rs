//! A fallback in progress: a relay that the agent has switched to buy time in an episode.
//! It is proved, bounded and undone. A command that has no proof in time is repeated, then
//! given up and said aloud: a person must do it by hand. Here are its state and its words;
//! which record comes next is decided in `engine::switching`.

use crate::record::Seq;
use crate::time::{Moment, Span};
use std::fmt;

/// A command without proof is sent this often in all.
pub const ATTEMPTS: u32 = 3;

/// One relay under the agent's hand.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    /// The first switching of the run.
    pub seq: Seq,
    /// The latest switching: what its proof is counted for.
    pub switching: Seq,
    /// The episode it is for.
    pub episode: Seq,
    /// What was commanded last.
    pub on: bool,
    /// What the fallback wants, and its undoing turns round.
    pub wanted: bool,
    /// When the run began.
    pub began: Moment,
    /// When the latest command was given.
    pub commanded: Moment,
    /// The latest command's attempt.
    pub attempt: u32,
    /// What is known of its obedience.
    pub proof: Proof,
}

/// Whether a relay is known to have obeyed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Proof {
    /// Nothing can prove it: the plan declares no proof.
    None,
    /// Not seen yet.
    Awaited,
    /// Seen, so long after the command.
    Seen(Span),
    /// Not seen in time.
    Missing(String),
}

impl Run {
    /// Whether the run is being undone.
    pub fn undoing(&self) -> bool {
        self.on != self.wanted
    }
}

impl fmt::Display for Run {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let state = if self.on { "on" } else { "off" };
        match &self.proof {
            Proof::None => write!(f, "commanded {state}, no proof declared: look at it"),
            Proof::Awaited => write!(f, "commanded {state}, not confirmed yet"),
            Proof::Seen(after) => write!(f, "{state}, confirmed after {after}"),
            Proof::Missing(why) => write!(f, "commanded {state}, NOT confirmed ({why}): switch it by hand"),
        }
    }
}

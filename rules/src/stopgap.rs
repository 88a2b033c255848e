//! A stopgap in progress: a relay under the agent's hand, from the first wish of an alarm
//! until the agent lets go. Records move a [`Run`] from stage to stage (`engine::relays`
//! applies them); words for pages and for `status` go out. Which move comes next is decided in
//! `engine::relays::moves`.
//!
//! ```text
//!             something stands against it
//!  raised ──> Waiting ──────┐
//!    └────────────────> Commanded ──no alarm wants it──> Held ──proved, or time is up──> Undoing ──> let go
//!                         │  └── its longest run is over ───────────────────────────────────^
//!                         └── its proof shows another hand ──> LeftAlone ──no alarm wants it──> let go
//! ```
//! Each command is repeated until it is confirmed, [`ATTEMPTS`] times in all. What would add
//! heat, water or light is never undone: it stays Held until a person has switched it.

use crate::ids::Seq;
use crate::plan::{Adds, Relay};
pub(crate) use crate::record::on_off;
use crate::time::{Moment, Span};

/// A command without proof is sent this often in all.
pub const ATTEMPTS: u32 = 3;

/// When a command is repeated that nothing can prove, and that the broker did not take.
pub const REPEAT: Span = Span::seconds(20);

/// One relay under the agent's hand.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    /// The record that began it.
    pub seq: Seq,
    /// The episode it began for.
    pub episode: Seq,
    /// When it began: its longest run is counted from here.
    pub began: Moment,
    /// How far it is.
    pub stage: Stage,
    /// In this run the relay has been seen not to obey.
    pub disobeyed: bool,
}

/// How far a run is.
#[derive(Clone, Debug, PartialEq)]
pub enum Stage {
    /// Wanted and not commanded.
    Waiting {
        /// On or off.
        on: bool,
        /// What stood against it.
        why: String,
    },
    /// Commanded, and wanted.
    Commanded(Command),
    /// No alarm wants it any more, but it stays as it is.
    Held {
        /// The command that holds.
        order: Command,
        /// Since when nobody wants it.
        since: Moment,
        /// Until what.
        why: String,
    },
    /// Commanded back to its safe state.
    Undoing(Command),
    /// It showed another state than the one it was proved to be in.
    LeftAlone {
        /// What it showed.
        shows: bool,
    },
}

/// One command, and what became of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Command {
    /// On or off.
    pub on: bool,
    /// Its record.
    pub switching: Seq,
    /// When it was given.
    pub at: Moment,
    /// The first is 1.
    pub attempt: u32,
    /// Why it was given.
    pub why: String,
    /// Whether the relay is known to have obeyed.
    pub proof: Proof,
}

/// Whether a relay is known to have obeyed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Proof {
    /// Nothing can prove it: the plan declares no proof.
    Undeclared,
    /// Not seen yet.
    Awaited,
    /// Seen, so long after the command.
    Confirmed(Span),
    /// It was seen not to obey.
    Failed(String),
    /// Nothing could be seen, or the command did not reach the broker.
    Unknown(String),
}

impl Run {
    /// The command in force, if there is one.
    pub fn order(&self) -> Option<&Command> {
        match &self.stage {
            Stage::Commanded(order) | Stage::Held { order, .. } | Stage::Undoing(order) => Some(order),
            Stage::Waiting { .. } | Stage::LeftAlone { .. } => None,
        }
    }

    pub(crate) fn order_mut(&mut self) -> Option<&mut Command> {
        match &mut self.stage {
            Stage::Commanded(order) | Stage::Held { order, .. } | Stage::Undoing(order) => Some(order),
            Stage::Waiting { .. } | Stage::LeftAlone { .. } => None,
        }
    }

    /// Whether a person's hand is needed: what was to be done is not known to be done.
    pub fn needs_a_hand(&self) -> bool {
        match &self.stage {
            Stage::Waiting { .. } | Stage::LeftAlone { .. } => true,
            Stage::Commanded(order) | Stage::Undoing(order) => match order.proof {
                Proof::Failed(_) | Proof::Unknown(_) => true,
                Proof::Awaited => self.disobeyed,
                Proof::Undeclared | Proof::Confirmed(_) => false,
            },
            Stage::Held { .. } => false,
        }
    }

    /// What has come to nothing of it, for a headline: `air pump stopped, after it was seen to
    /// run`.
    pub fn undone(&self, relay: &Relay) -> Option<String> {
        let title = &relay.title;
        match &self.stage {
            Stage::LeftAlone { shows: false } => Some(format!("{title} stopped, after it was seen to run")),
            Stage::LeftAlone { shows: true } => {
                Some(format!("{title} on again, after it was seen to be off"))
            }
            Stage::Waiting { on, why } => Some(format!("{title} NOT switched {}: {why}", on_off(*on))),
            Stage::Commanded(order) | Stage::Held { order, .. } | Stage::Undoing(order) => {
                match (&order.proof, order.on) {
                    (Proof::Failed(_) | Proof::Unknown(_), true) => {
                        Some(format!("{title} not seen to run: {}", by_hand(true, relay.moves)))
                    }
                    (Proof::Failed(_) | Proof::Unknown(_), false) => {
                        Some(format!("{title} may still be on: {}", by_hand(false, relay.moves)))
                    }
                    (Proof::Awaited, true) if self.disobeyed => {
                        Some(format!("{title} not seen to run: {}", by_hand(true, relay.moves)))
                    }
                    (Proof::Awaited, false) if self.disobeyed => {
                        Some(format!("{title} may still be on: {}", by_hand(false, relay.moves)))
                    }
                    // Its longest run is over.
                    (_, false) if matches!(self.stage, Stage::Undoing(_)) && relay.moves == Adds::Air => {
                        Some(format!("{title} at the end of its longest run"))
                    }
                    (Proof::Awaited | Proof::Undeclared | Proof::Confirmed(_), _) => None,
                }
            }
        }
    }

    /// `on, seen to run after 3 s`; and what a person has to do, if anything.
    pub fn words(&self, relay: &Relay) -> String {
        match &self.stage {
            Stage::Waiting { on, why } => {
                format!("NOT switched {}: {} ({why})", on_off(*on), by_hand(*on, relay.moves))
            }
            Stage::Commanded(order) => self.command(order, relay),
            Stage::Held { order, why, .. } => format!("{}; {why}", self.command(order, relay)),
            Stage::Undoing(order) => format!("{}; {}", self.command(order, relay), order.why),
            Stage::LeftAlone { shows } => {
                let advice = match (shows, relay.moves) {
                    (true, Adds::Heat | Adds::Water | Adds::Light) => {
                        "unplug by hand, unless somebody has just switched it on"
                    }
                    (true, Adds::Air) => "it is left alone, as by a person's hand",
                    (false, _) => "look whether it has stopped, or somebody has switched it off",
                };
                format!("showed {} after it was {}: {advice}", on_off(*shows), seen(!*shows))
            }
        }
    }

    fn command(&self, order: &Command, relay: &Relay) -> String {
        let (state, hand, seen) = (on_off(order.on), by_hand(order.on, relay.moves), seen(order.on));
        match &order.proof {
            Proof::Undeclared => format!("switched {state}; nothing shows whether it obeyed: look at it"),
            Proof::Awaited if self.disobeyed => format!("switched {state} again, NOT {seen}: {hand}"),
            Proof::Awaited => format!("switched {state}, not yet {seen}"),
            Proof::Confirmed(after) => format!("{state}, {seen} after {after}"),
            Proof::Failed(why) | Proof::Unknown(why) => {
                format!("switched {state}, NOT {seen}: {hand} ({why})")
            }
        }
    }
}

/// What proves it, as people say it.
pub(crate) fn seen(on: bool) -> &'static str {
    if on { "seen to run" } else { "seen to be off" }
}

/// What a person does when the relay doesn't.
pub(crate) fn by_hand(on: bool, moves: Adds) -> &'static str {
    match (on, moves) {
        (true, _) => "start it by hand",
        (false, Adds::Air) => "stop it by hand",
        (false, Adds::Heat | Adds::Water | Adds::Light) => "unplug by hand",
    }
}

//! What the page asks of the event loop, and what the command line asks of the page.

use serde::{Deserialize, Serialize};
use slackwater_rules::engine::{HouseView, OperatorCommand};
use slackwater_rules::page::Page;
use slackwater_rules::plan::Plan;
use slackwater_rules::record::Seq;
use slackwater_rules::time::Span;
use std::sync::Arc;
use tokio::sync::oneshot;

/// A question to the event loop, with the way back.
#[derive(Debug)]
pub enum WebRequest {
    /// Everything that can be seen.
    Look(oneshot::Sender<HouseLook>),
    /// A call-out in the words of a page to this contact.
    Read {
        /// Its number.
        call: Seq,
        /// The contact, by the name that rule files use.
        who: String,
        /// None if it runs no more.
        back: oneshot::Sender<Option<Page>>,
    },
    /// Somebody who is signed in has pressed something.
    Press {
        /// The contact.
        who: String,
        /// What.
        act: PressedAct,
        /// What came of it.
        back: oneshot::Sender<Done>,
    },
    /// Somebody wants to sign in by a code; nobody waits for what comes of it.
    Code(CodeAsk),
}

/// Signing in by a code: who asked for one, or tried too many.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CodeAsk {
    /// Send this code to a contact by a channel of theirs.
    Send {
        /// The contact, by the name that rule files use.
        who: String,
        /// As people read it: `K7Q3-M4XD`.
        code: String,
    },
    /// Somebody has typed too many wrong codes in a contact's name.
    Guessed {
        /// The contact.
        who: String,
    },
}

/// What can be pressed.
#[derive(Clone, Debug)]
pub enum PressedAct {
    /// `I take care of it`, perhaps for so long.
    Has {
        /// The call-out's code.
        code: String,
        /// As long as usual if none.
        length: Option<Span>,
    },
    /// `Next person now`
    HandsOn {
        /// The call-out's code.
        code: String,
    },
    /// Anything else that a person may say.
    Say(OperatorCommand),
}

/// What came of it.
#[derive(Clone, Debug)]
pub struct Done {
    /// It holds.
    pub taken: bool,
    /// What whoever pressed should hear.
    pub words: String,
}

/// Everything that can be seen, at one moment.
#[derive(Debug)]
pub struct HouseLook {
    /// Of the engine.
    pub view: HouseView,
    /// The rules in force.
    pub plan: Arc<Plan>,
    /// The watch's own parts.
    pub parts: Vec<PartSeen>,
}

/// One of the watch's own parts.
#[derive(Clone, Debug)]
pub struct PartSeen {
    /// `Broker`
    pub name: String,
    /// How it is.
    pub words: String,
    /// Nothing is wrong with it.
    pub well: bool,
}

/// What the command line asks of the page.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(tag = "web", rename_all = "kebab-case")]
pub enum WebCommand {
    /// A link that signs somebody in, once.
    Invite {
        /// The contact, by the name that rule files use.
        who: String,
    },
    /// Who is signed in.
    Sessions,
    /// Signs a device out, or all of a person's.
    Withdraw {
        /// The beginning of a session's mark, or a contact.
        which: String,
    },
}

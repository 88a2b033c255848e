//! The words of a page: what a person reads at three in the morning. An episode's facts come
//! in, and a [`Page`] goes out that every channel can carry: a headline that fits a text, and
//! a body with how long there is, what has been done and whether it is proved, what to do,
//! who else was told, and how to answer.

use crate::alarm::Priority;
use crate::record::{Purpose, Seq};
use crate::time::Wall;

/// One message about one or more episodes of one cause.
#[derive(Clone, Debug, PartialEq)]
pub struct Page {
    /// Its number: stable over restarts, so that a receiver can drop a repeat.
    pub id: Seq,
    /// The call-out it belongs to: one thread of mail.
    pub call: Seq,
    /// Earlier pages of this call-out to the same target, oldest first.
    pub after: Vec<Seq>,
    /// Why it is sent.
    pub purpose: Purpose,
    /// Of the worst episode in it.
    pub priority: Priority,
    /// The site, for the sender's name and the thread.
    pub site: String,
    /// The tank of the leading episode, or the site.
    pub place: String,
    /// The leading episode's alarm.
    pub alarm: String,
    /// The code that answers it; empty for an all-clear.
    pub code: String,
    /// When the leading episode began.
    pub since: Wall,
    /// Tank, what, how bad, since when, code: one line, no line break.
    pub headline: String,
    /// All of it, in short lines of plain text.
    pub body: String,
    /// The same in at most 160 characters of the GSM 7-bit alphabet (3GPP TS 23.038).
    pub text: String,
    /// It may have been sent before a restart.
    pub maybe_repeat: bool,
}

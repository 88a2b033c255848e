//! A page that a decision wants. The changes that go with it are records:
//! [`CallChange`](crate::record::CallChange).

use super::headline::Lead;
use crate::alarm::Priority;
use crate::plan::Target;
use crate::record::{CallMessage, Seq};

/// A page that is wanted.
#[derive(Clone, Debug, PartialEq)]
pub struct Tell {
    /// Whom.
    pub target: Target,
    /// What for.
    pub message: CallMessage,
    /// What sends it.
    pub lead: Lead,
    /// The episode that it leads with, as of now: see
    /// [`CallOut::headline`](super::state::CallOut::headline).
    pub about: Option<Seq>,
    /// The highest rank that is asked for.
    pub rank: Priority,
}

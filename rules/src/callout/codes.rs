//! What a code answers. Any member's code answers its whole call-out; in a digest or a mass the
//! page's code answers all of it, and a member's own only that member. An answer to one call-out
//! never answers another.

use super::state::{CallOut, Kind, Phase};
use crate::record::Seq;

/// A page about several held call-outs, with a code of its own.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Digest {
    /// Answers all of it.
    pub code: String,
    /// What it was about.
    pub calls: Vec<Seq>,
}

/// What a code answers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answers {
    /// Nothing that is open.
    Nothing,
    /// Whole call-outs.
    Calls(Vec<Seq>),
    /// One member of a mass.
    Member {
        /// The mass.
        call: Seq,
        /// The member's episode.
        episode: Seq,
    },
}

/// What `code` answers now. `code_of` gives the code of an episode that is open.
pub fn answered_by<'a>(
    code: &str,
    calls: impl IntoIterator<Item = &'a CallOut>,
    digests: &[Digest],
    code_of: impl Fn(Seq) -> Option<String>,
) -> Answers {
    let open: Vec<&CallOut> = calls.into_iter().filter(|call| call.phase != Phase::Over).collect();
    let of_page = digests.iter().rev().find(|digest| digest.code == code).map(|digest| &digest.calls);
    if let Some(listed) = of_page {
        let still: Vec<Seq> = open.iter().map(|call| call.id).filter(|id| listed.contains(id)).collect();
        return if still.is_empty() { Answers::Nothing } else { Answers::Calls(still) };
    }
    if let Some(call) = open.iter().find(|call| call.code == code) {
        return Answers::Calls(vec![call.id]);
    }
    for call in open {
        let of = call.members.iter().find(|member| code_of(member.episode).as_deref() == Some(code));
        match of {
            Some(member) if call.kind == Kind::Mass => {
                return Answers::Member { call: call.id, episode: member.episode };
            }
            Some(_) => return Answers::Calls(vec![call.id]),
            None => {}
        }
    }
    Answers::Nothing
}

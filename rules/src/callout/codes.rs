//! What a code answers. Any member's code answers its whole call-out; in a digest or a mass the
//! page's code answers all of it, and a member's own only that member. An answer to one call-out
//! never answers another.

use super::state::{CallOut, Phase};
use crate::record::Seq;

/// What a code answers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answers {
    /// Nothing that is open.
    Nothing,
    /// A whole call-out.
    Call(Seq),
    /// One member of a mass or a digest.
    Member {
        /// The mass or digest.
        call: Seq,
        /// The member's episode.
        episode: Seq,
    },
}

/// What `code` answers now. `code_of` gives the code of an episode that is open.
pub fn answered_by<'a>(
    code: &str,
    calls: impl IntoIterator<Item = &'a CallOut>,
    code_of: impl Fn(Seq) -> Option<String>,
) -> Answers {
    let open: Vec<&CallOut> = calls.into_iter().filter(|call| call.phase != Phase::Over).collect();
    if let Some(call) = open.iter().find(|call| call.code == code) {
        return Answers::Call(call.id);
    }
    let of = |call: &&CallOut| {
        let mut members = call.members.iter();
        members.find(|member| code_of(member.episode).as_deref() == Some(code)).cloned()
    };
    // Where it stands, if it has come back as part of another one than it was over in.
    let found = open.iter().filter_map(|call| Some((*call, of(call)?)));
    let Some((call, member)) = found.min_by_key(|(_, member)| !member.stands()) else {
        return Answers::Nothing;
    };
    match call.answers_alone(&member) {
        true => Answers::Member { call: call.id, episode: member.episode },
        false => Answers::Call(call.id),
    }
}

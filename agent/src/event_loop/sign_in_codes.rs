//! Codes that sign somebody in on the page in the house, sent by the person's own channel. They go
//! past the engine: neither a record nor a journal may hold what lets somebody in. The page bounds
//! how many are sent.

use super::EventLoop;
use super::answer_inputs::AnswerWay;
use crate::channels::ChannelHealth;
use crate::web::ask::CodeAsk;
use slackwater_rules::engine::Input;
use slackwater_rules::page::Page;
use slackwater_rules::plan::{ChannelKind, Target};
use slackwater_rules::record::{By, Outcome, Seq};

/// Numbers of such messages begin here, far from those of records; each is made of the time, so
/// that no receiver takes it for a repeat.
const FIRST: Seq = 1 << 62;

/// Whether this is the number of such a message.
pub(super) fn is_sign_in(page: Seq) -> bool {
    page >= FIRST
}

/// What came of one, for the log: no record hangs on it.
pub(super) fn note(outcome: &Outcome) {
    match outcome.trouble() {
        None => tracing::info!("a code to sign in has left"),
        Some(why) => tracing::warn!(why, "a code to sign in did not leave"),
    }
}

impl EventLoop {
    /// What came of a page, or of a code.
    pub(super) fn delivered(&mut self, page: Seq, outcome: Outcome) {
        match is_sign_in(page) {
            true => note(&outcome),
            false => self.take(Input::Delivered { page, outcome }),
        }
    }

    /// Somebody wants to sign in by a code.
    pub(super) fn asked_for_code(&mut self, ask: CodeAsk) {
        match ask {
            CodeAsk::Send { who, code } => self.send_code(&who, &code),
            CodeAsk::Guessed { who } => {
                let by = By { who, via: AnswerWay::Web.name().to_owned() };
                self.take(Input::Guessed { by });
            }
        }
    }

    fn send_code(&self, who: &str, code: &str) {
        let health = self.channels.health();
        let theirs = self.engine.plan().directory.channels_of(who);
        let best = theirs
            .filter_map(|(target, kind)| Some((rank(kind, health.get(target))?, target)))
            .min_by_key(|(rank, _)| *rank);
        let Some((_, target)) = best else {
            tracing::warn!(
                who,
                "no channel of theirs can carry a code: `slackwater web invite` makes a link"
            );
            return;
        };
        tracing::info!(who, %target, "a code to sign in is sent");
        self.channels.send(target, self.code_page(target, code));
    }

    fn code_page(&self, target: &Target, code: &str) -> Page {
        let now = self.clock.now();
        let id = FIRST + u64::try_from(now.wall.0).unwrap_or(0).min(FIRST - 1);
        Page::sign_in_code(self.engine.plan(), target, id, now, code)
    }
}

/// The smallest is the best way for a code: one that works and has no page waiting, then the
/// quickest. None if it carries no words.
fn rank(kind: ChannelKind, health: Option<&ChannelHealth>) -> Option<(bool, u8)> {
    let quick = match kind {
        ChannelKind::Push => 0,
        ChannelKind::Text => 1,
        ChannelKind::Mail => 2,
        ChannelKind::Siren | ChannelKind::Ring => return None,
    };
    let is_free = health.is_none_or(|health| health.in_flight == 0 && !matches!(health.known, Some(Err(_))));
    Some((!is_free, quick))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_goes_by_the_quickest_way_that_works_and_holds_no_page_up() {
        let busy = ChannelHealth { in_flight: 1, ..ChannelHealth::default() };
        let broken = ChannelHealth { known: Some(Err("no route".to_owned())), ..ChannelHealth::default() };
        let best = |ways: &[(&'static str, ChannelKind, Option<&ChannelHealth>)]| {
            let ranked = ways.iter().filter_map(|(name, kind, health)| Some((rank(*kind, *health)?, *name)));
            ranked.min().map(|(_, name)| name)
        };
        let (push, text, mail) = (ChannelKind::Push, ChannelKind::Text, ChannelKind::Mail);
        assert_eq!(best(&[("mail", mail, None), ("text", text, None), ("push", push, None)]), Some("push"));
        assert_eq!(best(&[("mail", mail, None), ("push", push, Some(&busy))]), Some("mail"));
        assert_eq!(best(&[("text", text, None), ("push", push, Some(&broken))]), Some("text"));
        assert_eq!(best(&[("mail", mail, Some(&busy))]), Some("mail"), "the only one is tried");
        assert_eq!(best(&[("ring", ChannelKind::Ring, None), ("siren", ChannelKind::Siren, None)]), None);
    }

    #[test]
    fn numbers_of_codes_are_none_of_records() {
        assert!(is_sign_in(FIRST) && !is_sign_in(9_000_000_000));
    }
}

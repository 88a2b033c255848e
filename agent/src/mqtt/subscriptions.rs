//! What we want to hear against what the broker has promised to send.
//!
//! The client library neither subscribes again after a reconnect nor looks at the broker's answers.
//! Here only an answered filter counts as held, and only as long as the broker keeps our session. A
//! new process holds nothing, so it asks for everything even when the session is an old one.

use std::collections::{BTreeSet, VecDeque};

/// Filters per request, so that a long list stays within any broker's packet size.
const BATCH_FILTERS: usize = 64;
const BATCH_BYTES: usize = 8 * 1024;

pub(super) struct Subscriptions {
    wanted: BTreeSet<String>,
    held: BTreeSet<String>,
    /// Requests in the library's hands, in order.
    wire: VecDeque<SubscriptionRequest>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum SubscriptionChange {
    Subscribe(Vec<String>),
    Unsubscribe(String),
}

struct SubscriptionRequest {
    packet: Option<u16>,
    change: SubscriptionChange,
}

impl Subscriptions {
    pub(super) fn new(wanted: impl IntoIterator<Item = String>) -> Self {
        Self { wanted: wanted.into_iter().collect(), held: BTreeSet::new(), wire: VecDeque::new() }
    }

    pub(super) fn want(&mut self, wanted: impl IntoIterator<Item = String>) {
        self.wanted = wanted.into_iter().collect();
    }

    pub(super) fn connected(&mut self, session_present: bool) {
        self.wire.clear();
        if !session_present {
            self.held.clear();
        }
    }

    /// The requests that bring the broker to what we want. The caller sends them, in this order.
    pub(super) fn changes(&mut self) -> Vec<SubscriptionChange> {
        let missing: Vec<_> = self.wanted.difference(&self.held).cloned().collect();
        let mut changes = batches(missing);
        changes.extend(self.held.difference(&self.wanted).cloned().map(SubscriptionChange::Unsubscribe));
        self.note(&changes);
        changes
    }

    /// Requests for everything again, held or not: for a broker that seems to have forgotten.
    pub(super) fn all(&mut self) -> Vec<SubscriptionChange> {
        let changes = batches(self.wanted.iter().cloned().collect());
        self.note(&changes);
        changes
    }

    fn note(&mut self, changes: &[SubscriptionChange]) {
        let requests = changes.iter().cloned().map(|change| SubscriptionRequest { packet: None, change });
        self.wire.extend(requests);
    }

    /// The library wrote the next request, as this packet.
    pub(super) fn written(&mut self, packet: u16) {
        if let Some(next) = self.wire.iter_mut().find(|request| request.packet.is_none()) {
            next.packet = Some(packet);
        }
    }

    /// The broker answered a subscription, with one verdict a filter: `Err` is its reason to
    /// refuse. Returns what was refused, and what has to be undone because it is no longer wanted.
    pub(super) fn subscribed(
        &mut self,
        packet: u16,
        verdicts: impl IntoIterator<Item = Result<(), &'static str>>,
    ) -> (Vec<(String, &'static str)>, Vec<SubscriptionChange>) {
        let mut refused = Vec::new();
        if let Some(SubscriptionChange::Subscribe(filters)) = self.answered(packet) {
            let mut verdicts = verdicts.into_iter();
            for filter in filters {
                match verdicts.next().unwrap_or(Err("the broker gave no answer")) {
                    Ok(()) => {
                        self.held.insert(filter);
                    }
                    Err(reason) => {
                        self.held.remove(&filter);
                        refused.push((filter, reason));
                    }
                }
            }
        }
        let surplus = self.held.difference(&self.wanted).cloned();
        let undo: Vec<_> = surplus.map(SubscriptionChange::Unsubscribe).collect();
        let undo: Vec<_> =
            undo.into_iter().filter(|change| !self.wire.iter().any(|r| r.change == *change)).collect();
        self.note(&undo);
        (refused, undo)
    }

    /// The broker answered an unsubscription.
    pub(super) fn unsubscribed(&mut self, packet: u16) {
        if let Some(SubscriptionChange::Unsubscribe(filter)) = self.answered(packet) {
            self.held.remove(&filter);
        }
    }

    fn answered(&mut self, packet: u16) -> Option<SubscriptionChange> {
        let at = self.wire.iter().position(|request| request.packet == Some(packet))?;
        Some(self.wire.remove(at)?.change)
    }
}

fn batches(filters: Vec<String>) -> Vec<SubscriptionChange> {
    let mut batches: Vec<Vec<String>> = Vec::new();
    let mut bytes = 0;
    for filter in filters {
        match batches.last_mut() {
            Some(batch) if batch.len() < BATCH_FILTERS && bytes + filter.len() <= BATCH_BYTES => {
                bytes += filter.len();
                batch.push(filter);
            }
            Some(_) | None => {
                bytes = filter.len();
                batches.push(vec![filter]);
            }
        }
    }
    batches.into_iter().map(SubscriptionChange::Subscribe).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(names: &[&str]) -> Vec<String> {
        names.iter().map(ToString::to_string).collect()
    }

    /// Sends what changes, as packets 1, 2, …; every subscription is granted.
    fn settle(subscriptions: &mut Subscriptions) -> Vec<SubscriptionChange> {
        let changes = subscriptions.changes();
        for (packet, change) in (1..).zip(&changes) {
            subscriptions.written(packet);
            match change {
                SubscriptionChange::Subscribe(filters) => {
                    let granted = filters.iter().map(|_| Ok(()));
                    assert_eq!(subscriptions.subscribed(packet, granted), (vec![], vec![]));
                }
                SubscriptionChange::Unsubscribe(_) => subscriptions.unsubscribed(packet),
            }
        }
        changes
    }

    #[test]
    fn a_kept_session_asks_for_nothing_again_and_a_lost_one_for_everything() {
        let mut subscriptions = Subscriptions::new(names(&["a", "b"]));
        subscriptions.connected(true);
        let everything = [SubscriptionChange::Subscribe(names(&["a", "b"]))];
        assert_eq!(settle(&mut subscriptions), everything, "a new process holds nothing yet");
        subscriptions.connected(true);
        assert_eq!(settle(&mut subscriptions), []);
        subscriptions.connected(false);
        assert_eq!(settle(&mut subscriptions), everything);
    }

    #[test]
    fn a_reload_while_away_is_made_good_in_the_kept_session() {
        let mut subscriptions = Subscriptions::new(names(&["a", "b"]));
        subscriptions.connected(false);
        settle(&mut subscriptions);
        subscriptions.want(names(&["b", "c"]));
        subscriptions.connected(true);
        let expected =
            [SubscriptionChange::Subscribe(names(&["c"])), SubscriptionChange::Unsubscribe("a".into())];
        assert_eq!(settle(&mut subscriptions), expected);
        assert_eq!(settle(&mut subscriptions), []);
    }

    #[test]
    fn a_refused_filter_is_named_and_asked_for_at_the_next_connection() {
        let mut subscriptions = Subscriptions::new(names(&["a", "b"]));
        subscriptions.connected(false);
        let _ = subscriptions.changes();
        subscriptions.written(1);
        let (refused, _) = subscriptions.subscribed(1, [Ok(()), Err("not authorised")]);
        assert_eq!(refused, [("b".into(), "not authorised")]);
        subscriptions.connected(true);
        assert_eq!(subscriptions.changes(), [SubscriptionChange::Subscribe(names(&["b"]))]);
    }

    #[test]
    fn a_filter_given_up_before_its_answer_is_unsubscribed_after_it() {
        let mut subscriptions = Subscriptions::new(names(&["a"]));
        subscriptions.connected(false);
        let _ = subscriptions.changes();
        subscriptions.written(1);
        subscriptions.want(names(&[]));
        assert_eq!(subscriptions.changes(), []);
        let (_, undo) = subscriptions.subscribed(1, [Ok(())]);
        assert_eq!(undo, [SubscriptionChange::Unsubscribe("a".into())]);
    }

    #[test]
    fn a_long_list_is_asked_for_in_small_packets() {
        let mut subscriptions = Subscriptions::new((0..200).map(|n| format!("{n:0>200}")));
        let changes = subscriptions.changes();
        assert_eq!(changes.len(), 5, "200 filters of 200 bytes, 40 to a packet of 8 KiB");
    }
}

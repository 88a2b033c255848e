//! What a watch's own journal says, held against what arrived: no page lost, nothing called over
//! that is not, no page twice without a mark.

use super::arrivals::Arrival;
use super::fault::Fault;
use slackwater_rules::record::{Body, NoMore, Outcome, Purpose, Record, Seq};
use std::collections::{BTreeMap, BTreeSet};

/// What must hold for the pages of any night in which each of these faults struck once.
///
/// # Panics
/// With what does not.
pub fn holds(faults: &[Fault], records: &[Record], arrivals: &[Arrival]) {
    fits(faults, records, arrivals);
    no_double(arrivals);
}

/// That no page was lost and nothing called over that was not.
///
/// # Panics
/// With what was.
pub fn fits(faults: &[Fault], records: &[Record], arrivals: &[Arrival]) {
    no_page_lost(faults, records, arrivals);
    no_false_all_clear(records);
}

fn no_page_lost(faults: &[Fault], records: &[Record], arrivals: &[Arrival]) {
    let arrived: BTreeSet<Seq> = arrivals.iter().map(|page| page.page).collect();
    let mut fates: BTreeMap<Seq, &Outcome> = BTreeMap::new();
    for record in records {
        if let Body::Delivered { page, result } = &record.body {
            fates.insert(*page, result);
        }
    }
    for record in records {
        let Body::Paged { target, .. } = &record.body else { continue };
        let (page, shut) = (record.seq, faults.iter().any(|fault| fault.shuts(target)));
        match fates.get(&page) {
            Some(Outcome::Accepted { .. }) => {
                let is_text = target.ends_with(".text");
                assert!(is_text || arrived.contains(&page), "page {page} to {target} is not there");
            }
            Some(Outcome::Withdrawn) => {}
            Some(Outcome::GivenUp { why }) => {
                assert!(shut || *why != NoMore::TooOld, "page {page} to {target} is lost: {why}");
            }
            Some(Outcome::Failed { why }) => assert!(shut, "page {page} to {target} is lost: {why}"),
            Some(waits @ (Outcome::Deferred { .. } | Outcome::HeldUntil { .. })) => {
                assert!(shut, "page {page} to {target} waits still: {waits}");
            }
            None => panic!("page {page} to {target} has no fate"),
        }
    }
}

/// An all-clear comes after everything in its call-out has returned.
fn no_false_all_clear(records: &[Record]) {
    let mut standing: BTreeSet<Seq> = BTreeSet::new();
    let mut members: BTreeMap<Seq, BTreeSet<Seq>> = BTreeMap::new();
    for record in records {
        match &record.body {
            Body::Raised { episode, .. } => drop(standing.insert(*episode)),
            Body::Returned { episode, .. } => drop(standing.remove(episode)),
            Body::Joined { call, episode, .. } => {
                members.entry(*call).or_default().insert(*episode);
            }
            Body::Paged { call, purpose: Purpose::AllClear, headline, .. } => {
                let still =
                    members.get(call).into_iter().flatten().find(|episode| standing.contains(episode));
                assert!(still.is_none(), "called over while episode {still:?} stands: {headline}");
            }
            _ => {}
        }
    }
}

fn no_double(arrivals: &[Arrival]) {
    let mut copies: BTreeMap<(&str, &str), Vec<&Arrival>> = BTreeMap::new();
    for page in arrivals {
        copies.entry((&page.name, &page.to)).or_default().push(page);
    }
    for ((name, to), copies) in copies {
        assert!(copies.len() <= 2, "{name} came {} times to {to}", copies.len());
        assert!(copies.iter().skip(1).all(|copy| copy.repeat), "{name} came to {to} again without a mark");
    }
}

//! Who was told of a call-out so far, what came of it, and who is asked next. The facts of a page
//! flow in; out come the lines of its last part.

use super::facts::{Facts, Telling};
use super::helping;
use super::said::PageLine;
use crate::ids::way_in_words;
use crate::plan::{Target, spoken};
use crate::record::Outcome;
use crate::time::Moment;
use crate::words;
use std::collections::BTreeSet;

/// So many of the latest pages are named, and the last by each way; the others are counted.
const TOLD_NAMED: usize = 6;

impl Facts<'_> {
    /// Who has been asked: by which way and what came of it for a keeper, and for anybody else
    /// whether somebody knows besides them.
    pub(super) fn told(&self) -> Vec<PageLine> {
        let keeps = self.reader().is_none_or(|(_, contact)| helping::keeps(contact));
        let mut lines = if keeps { self.told_each() } else { self.told_in_short() };
        lines.extend(self.next().map(PageLine::Plain));
        lines
    }

    /// `Told so far: you and Joe; nobody else yet.`
    fn told_in_short(&self) -> Vec<PageLine> {
        let mine = self.target.contact.as_deref();
        let (mut reached, mut missed) = (BTreeSet::new(), BTreeSet::new());
        for telling in &self.told {
            let Some(who) = telling.target.contact.as_deref().filter(|who| Some(*who) != mine) else {
                continue;
            };
            let people =
                if telling.outcome.and_then(Outcome::trouble).is_none() { &mut reached } else { &mut missed };
            people.insert(self.person(who));
        }
        let missed: Vec<String> = missed.difference(&reached).cloned().collect();
        let told: Vec<String> = ["you".to_owned()].into_iter().chain(reached).collect();
        let mut lines = Vec::new();
        // A helper reads that nobody has answered here alone.
        if told.len() > 1 || self.is_helper() {
            lines.push(format!("Told so far: {}; nobody else yet.", words::list(&told)));
        }
        if !missed.is_empty() {
            lines.push(format!("Not reached: {}.", words::list(&missed)));
        }
        lines.into_iter().map(PageLine::Plain).collect()
    }

    fn told_each(&self) -> Vec<PageLine> {
        let mut lines = Vec::new();
        let late = self.told.len().saturating_sub(TOLD_NAMED);
        let is_last = |at: usize, telling: &Telling<'_>| {
            !self.told.iter().skip(at + 1).any(|later| later.target == telling.target)
        };
        let named = self.told.iter().enumerate().filter(|(at, it)| *at >= late || is_last(*at, it));
        let named: Vec<&Telling<'_>> = named.map(|(_, telling)| telling).collect();
        let before = self.told_before + self.told.len() - named.len();
        if before > 0 {
            let pages = words::counted(before, "earlier page");
            lines.push(PageLine::of(format!("This list leaves out {pages}.")));
        }
        let mut told: Vec<(Moment, String)> = Vec::new();
        for telling in named {
            let is_person = telling.target.contact.is_some();
            let fate = match telling.outcome {
                None if is_person => "on its way".to_owned(),
                None => "is being switched on".to_owned(),
                Some(Outcome::Accepted { .. }) if is_person => "sent".to_owned(),
                Some(Outcome::Accepted { .. }) => "switched on, to wake whoever is near".to_owned(),
                Some(last) => {
                    let trouble = last.trouble().unwrap_or_default();
                    let how = if last.is_for_now() { "not yet" } else { "FAILED" };
                    format!("{how}: {trouble}")
                }
            };
            told.push((telling.at, format!("{}: {fate}", self.way_to(telling.target))));
        }
        for (by, at) in &self.answers {
            told.push((*at, format!("{} answered {}", self.person(&by.who), way_in_words(&by.via))));
        }
        told.sort_by_key(|(at, _)| *at);
        lines.extend(told.into_iter().map(|(at, words)| PageLine::At(self.time(at), words)));
        lines
    }

    /// `If nobody has answered by 01:25, the next to be asked: Tom by mail, and you again by push.`
    fn next(&self) -> Option<String> {
        let (targets, at) = self.next.as_ref()?;
        let me = |target: &&Target| target.contact.is_some() && target.contact == self.target.contact;
        let (mine, others): (Vec<&Target>, Vec<&Target>) = targets.iter().partition(me);
        let people = words::list(&self.ways_to(others));
        let again = words::list(&mine.iter().map(|it| spoken(&it.channel)).collect::<Vec<_>>());
        let asked = match (people.is_empty(), again.is_empty()) {
            (true, true) => return None,
            (false, true) => people,
            (true, false) => format!("you again, by {again}"),
            (false, false) => format!("{people}, and you again by {again}"),
        };
        Some(format!("If nobody has answered by {}, the next to be asked: {asked}.", self.time(*at)))
    }
}

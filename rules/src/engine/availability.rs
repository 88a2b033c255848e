//! Who can be asked at this time of day: people's hours and absences, and those who stand in for
//! them, against a wall clock that may not be right.

use super::ground::Ground;
use crate::plan::{Rung, Target};
use crate::time::Moment;

impl Ground<'_> {
    /// Everyone a step asks, each with why not if not: its targets, and those who stand in for
    /// people that are away. While the date is not sure, both are asked.
    pub(super) fn asked(&self, rung: &Rung) -> Vec<(Target, Option<String>)> {
        let today = self.civil();
        let mut asked: Vec<(Target, Option<String>)> = Vec::new();
        for target in &rung.to {
            let stand_ins = self.plan.directory.stand_ins(target, today);
            let why = self.unreachable(target).map(|why| match stand_ins.first() {
                Some(Target { contact: Some(sitter), .. }) => format!("away, {sitter} stands in"),
                Some(_) | None => why,
            });
            for (target, why) in std::iter::once((target.clone(), why))
                .chain(stand_ins.into_iter().map(|sitter| (sitter.clone(), self.unreachable(&sitter))))
            {
                if !asked.iter().any(|(known, _)| *known == target) {
                    asked.push((target, why));
                }
            }
        }
        asked
    }

    /// Why a person can't be told at this time of day; none if they can, or if the time of day
    /// is not known.
    pub(super) fn unreachable(&self, target: &Target) -> Option<String> {
        let name = target.contact.as_ref()?;
        let Some(contact) = self.plan.directory.contacts.get(name) else {
            return Some(format!("there is no contact `{name}` any more"));
        };
        let civil = self.civil();
        let asleep = self.now.wall_trusted && !contact.reachable(civil.date(), civil.time());
        asleep.then(|| "outside their hours, or away".to_owned())
    }

    /// From when on this person can be called.
    pub(super) fn reachable_at(&self, contact: &str) -> Option<Moment> {
        let contact = self.plan.directory.contacts.get(contact)?;
        self.moment_of(contact.reachable_from(self.civil())?)
    }
}

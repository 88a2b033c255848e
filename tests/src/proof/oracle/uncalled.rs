//! What arrived, or was commanded, and nobody called for: pages about what was not, too early, too
//! late or too often, copies without a mark, a relay that runs for nothing.

use super::{Kind, Oracle, disturbs, kind, leads};
use crate::proof::arrivals::Arrival;
use crate::proof::chronicle::Stretch;
use crate::proof::danger::Danger;
use crate::proof::fault::{Fault, Told};
use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};

/// A page may have left this long before it is here: longer than any time-out of the house.
const ON_ITS_WAY: Duration = Duration::from_secs(15);

/// What tells a page from every other to the same person. A text has no name: one that says the
/// same behind its mark is the same.
fn own_name(page: &Arrival) -> &str {
    if page.to.ends_with(".text") { &page.headline } else { &page.name }
}

impl Oracle<'_> {
    /// All that arrived, or was commanded, and should not have been.
    pub fn wrong(&self) -> Vec<String> {
        let mut wrong = Vec::new();
        for page in &self.told.arrivals {
            wrong.extend(self.unfounded(page).map(|why| format!("to {}: {}: {why}", page.to, page.headline)));
        }
        wrong.extend(self.copies());
        wrong.extend(self.too_many());
        wrong.extend(self.air());
        wrong
    }

    fn unfounded(&self, page: &Arrival) -> Option<String> {
        if let Some(count) = page.came_and_went() {
            return self.is_summed_up(page, count);
        }
        let Some(danger) = leads(page) else {
            return (!self.is_of_health(page)).then(|| "nothing of that kind happened".to_owned());
        };
        let begun = || self.told.spells.iter().filter(|(_, spell)| spell.from <= page.at);
        let of = |group: usize| begun().filter(move |(of, _)| of.group() == group);
        match kind(page) {
            Kind::Call => {
                let mut spells = begun().filter(|(of, _)| *of == danger);
                let Some((_, spell)) = spells.next_back() else {
                    return Some("it had not begun".to_owned());
                };
                self.is_stale(page, spell).or_else(|| self.is_early(page, danger, spell))
            }
            Kind::AllClear => {
                let group = danger.group();
                let ends: Vec<_> = of(group)
                    .filter(|(_, spell)| spell.until.is_some_and(|until| until <= page.at))
                    .collect();
                // What is over and forgotten is told of once more.
                if ends.iter().any(|(_, spell)| self.forgot(spell.from)) {
                    return None;
                }
                let said = self.told.arrivals.iter().filter(|other| {
                    other.to == page.to
                        && other.at <= page.at
                        && kind(other) == Kind::AllClear
                        && leads(other).is_some_and(|of| of.group() == group)
                });
                let said: BTreeSet<&str> = said.map(own_name).collect();
                (said.len() > ends.len()).then(|| "it was called over more often than it was over".to_owned())
            }
            Kind::Taken => {
                let mut answers = self.told.answers.iter();
                let answered = answers.any(|(group, at, _)| *group == danger.group() && *at <= page.at);
                (!answered).then(|| "nobody had answered".to_owned())
            }
        }
    }

    /// Several things at once are said to be over: that many were, and the way had been shut.
    fn is_summed_up(&self, page: &Arrival, count: usize) -> Option<String> {
        let over = || {
            let spells = self.told.spells.iter().map(|(_, spell)| spell);
            spells.filter(|spell| spell.until.is_some_and(|until| until <= page.at))
        };
        let since = over().map(|spell| spell.from).min();
        let mut strikes = self.told.strikes.iter().filter(|(_, strike)| strike.from <= page.at);
        let shut = strikes
            .any(|(fault, strike)| fault.shuts(&page.to) && since.is_some_and(|since| strike.reaches(since)));
        let stands = over().count() < count && !since.is_some_and(|since| self.forgot(since));
        match () {
            () if !shut => Some("this way was not shut".to_owned()),
            () if stands => Some("not as many things were over".to_owned()),
            () => None,
        }
    }

    /// It calls for help against what was over long before.
    fn is_stale(&self, page: &Arrival, spell: &Stretch) -> Option<String> {
        let over = spell.until?;
        let bound = self.bound(&page.to, over, Duration::ZERO).unwrap_or(page.at);
        (page.at > bound).then(|| "it had been over for long".to_owned())
    }

    /// Somebody is called before their turn. What may bring a turn forward is left out: a way that
    /// fails, a time away that nobody knows, and being told already.
    fn is_early(&self, page: &Arrival, danger: Danger, spell: &Stretch) -> Option<String> {
        let after = self.ways.iter().find(|(_, way)| page.to == *way).map(|(after, _)| *after)?;
        let shut = self.told.strikes.iter().any(|(fault, strike)| {
            let brings_forward = || self.ways.iter().any(|(_, way)| fault.shuts(way));
            strike.from <= page.at && (*fault == Fault::Rebooted || fault.forgets() || brings_forward())
        });
        let told = self.told.arrivals.iter().any(|other| {
            other.to == page.to
                && other.at < page.at
                && leads(other).is_some_and(|of| of.group() == danger.group())
        });
        let early = page.at < spell.from + after;
        (early && !shut && !told).then(|| format!("called before {after:?} had passed"))
    }

    /// What the watch says of its own parts: only what failed, or could not be seen because of
    /// that.
    fn is_of_health(&self, page: &Arrival) -> bool {
        let struck = |is: &dyn Fn(Fault) -> bool| self.told.strikes.iter().any(|(fault, _)| is(*fault));
        let words = |words: &[&str]| words.iter().any(|word| page.headline.contains(word));
        let by_fault = struck(&|fault| match fault.told() {
            told @ Told::As(..) => told.is_in(&page.headline),
            Told::Nothing => false,
        });
        let blind = struck(&|fault| fault.blinds() || disturbs(fault));
        by_fault
            || (words(&["no tank is watched", "air pump"]) && (blind || self.told.kills() > 0))
            || (words(&["journal"]) && struck(&|fault| fault.forgets()))
            || (words(&["nobody is reached by"])
                && struck(&|fault| self.ways.iter().any(|(_, way)| fault.shuts(way))))
            || (words(&["modem", "rule file", "files"])
                && struck(&|fault| matches!(fault, Fault::ModemUnplugged | Fault::ReloadBad)))
            || self.told.lag.since(self.told.begun) > Duration::from_secs(60)
    }

    /// No page comes twice without a mark, nor oftener than the watch was killed while it was on
    /// its way; and once more where a server took it and did not say so.
    fn copies(&self) -> Vec<String> {
        let mut by_name: BTreeMap<(&str, &str), Vec<&Arrival>> = BTreeMap::new();
        for page in self.told.arrivals.iter().filter(|page| !page.to.ends_with(".text")) {
            by_name.entry((&page.to, &page.name)).or_default().push(page);
        }
        let mut wrong = Vec::new();
        for ((to, name), mut copies) in by_name {
            copies.sort_by_key(|page| page.at);
            let (first, last) = (copies[0].at, copies[copies.len() - 1].at);
            let since = first.checked_sub(ON_ITS_WAY).unwrap_or(first);
            // What is not remembered is numbered again, and is no copy.
            if self.forgot(since) {
                continue;
            }
            let unmarked = copies.iter().filter(|page| !page.repeat).count();
            if unmarked > 1 {
                wrong.push(format!(
                    "to {to}: {name} came {unmarked} times without a mark: {}",
                    copies[0].headline
                ));
            }
            let kills = self.told.lives.iter().filter_map(|life| life.until);
            let kills = kills.filter(|at| *at >= since && *at <= last).count();
            let silent = self.told.strikes.iter().any(|(fault, strike)| {
                (fault.leaves_doubt() || *fault == Fault::PushHangs)
                    && fault.shuts(to)
                    && strike.reaches(since)
            });
            if copies.len() > 1 + kills + usize::from(silent) {
                wrong.push(format!("to {to}: {name} came {} times over {kills} kills", copies.len()));
            }
        }
        wrong
    }

    /// One page a danger and way: what would bring more of them lasts longer than a round.
    fn too_many(&self) -> Vec<String> {
        let mut wrong = Vec::new();
        for (danger, spell) in &self.told.spells {
            for (_, way) in &self.ways {
                let end =
                    self.told.spells.iter().filter(|(of, other)| of == danger && other.from > spell.from);
                let end = end.map(|(_, other)| other.from).min();
                let mut names: Vec<&str> = self
                    .told
                    .arrivals
                    .iter()
                    .filter(|page| {
                        page.to == *way && page.at >= spell.from && end.is_none_or(|end| page.at < end)
                    })
                    .filter(|page| kind(page) == Kind::Call && leads(page) == Some(*danger))
                    .map(own_name)
                    .collect();
                names.sort_unstable();
                names.dedup();
                let allowed = 1
                    + self.more_allowed(*danger, spell, end)
                    + usize::from(self.is_graver_news(*danger, spell, way));
                if names.len() > allowed {
                    let words = danger.words();
                    wrong.push(format!(
                        "to {way}: {} pages about one \"{words}\", {allowed} at most",
                        names.len()
                    ));
                }
            }
        }
        wrong
    }

    /// What was not remembered is told anew; a step all of whose ways fail brings the next; a
    /// stopgap without its proof is news, and so is what joins from above.
    fn more_allowed(&self, danger: Danger, spell: &Stretch, end: Option<Instant>) -> usize {
        let strikes = self.told.strikes.iter();
        let strikes = strikes.filter(|(_, at)| at.reaches(spell.from) && end.is_none_or(|end| at.from < end));
        let (mut more, mut forgets) = (0, 0);
        for (fault, _) in strikes {
            forgets += usize::from(fault.forgets());
            more += usize::from(self.ways.iter().any(|(_, way)| fault.shuts(way)));
            more += usize::from(danger == Danger::PowerLost && (fault.blinds() || disturbs(*fault)));
            // After a time away that nobody knows, what might be due is told: sooner, never later.
            more += usize::from(*fault == Fault::Rebooted);
        }
        let kills =
            self.told.lives.iter().filter_map(|life| life.until).filter(|at| *at >= spell.from).count();
        more + if forgets > 0 { forgets + kills } else { 0 }
    }

    /// Whether somebody has something milder of the same cause when this begins: then they have the
    /// news at once, and are asked again when the graver ladder comes to them.
    fn is_graver_news(&self, danger: Danger, spell: &Stretch, way: &str) -> bool {
        let before = self.told.arrivals.iter().filter(|page| page.to == way && page.at < spell.from);
        let kin = before.filter(|page| leads(page).is_some_and(|of| of.group() == danger.group()));
        let last = kin.max_by_key(|page| page.at);
        danger == Danger::PowerLost
            && last.is_some_and(|page| kind(page) == Kind::Call && leads(page) == Some(Danger::StillWater))
    }

    /// The air pump is told to run only while the power is lost.
    fn air(&self) -> Vec<String> {
        let mut wrong = Vec::new();
        for (at, _) in self.told.commands.iter().filter(|(_, command)| command == "on") {
            let spells = self.told.spells.iter().filter(|(danger, _)| *danger == Danger::PowerLost);
            let spell = spells.rev().find(|(_, spell)| spell.from <= *at);
            let late = |spell: &Stretch| {
                let over = spell.until?;
                Some(*at > self.bound("", over, Duration::ZERO)?)
            };
            match spell {
                None => wrong.push("the air pump was told to run, and the power was there".to_owned()),
                Some((_, spell)) if late(spell) == Some(true) => {
                    wrong.push("the air pump was told to run long after the power was back".to_owned());
                }
                Some(_) => {}
            }
        }
        wrong
    }
}

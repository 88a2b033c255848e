//! Pages that ask for nothing: it is over, somebody has it, or what the night held back. An
//! all-clear says what it was, from when to when, what still stands and what to look at; it does
//! not look like an alarm.

use super::facts::{Facts, Matter, MatterFate};
use super::said::{Look, PageLine, Said, Short};
use crate::ids::way_in_words;
use crate::time::Moment;
use crate::words;
use std::collections::BTreeSet;

/// So many things that are over are named; the rest is counted.
const NAMED: usize = 24;

impl Facts<'_> {
    /// Everything in it is over.
    pub(super) fn all_clear(&self) -> Said {
        let mut said = Said { heading: self.clear_heading(), ..Said::default() };
        said.under = vec![match self.stands.is_empty() {
            true => format!("{}. No answer is needed.", self.plan.site),
            false => format!("{}. No answer is needed; something else is still wrong.", self.plan.site),
        }];
        said.part("What it was", self.what_it_was());
        said.part("As the watch left it", self.by_hand.iter().chain(&self.done).map(PageLine::of).collect());
        said.part("Still wrong", self.stands.iter().map(PageLine::of).collect());
        said.part("Now", self.notes.iter().map(|note| PageLine::of(words::sentence(note))).collect());
        said.part("What may have caused it", self.look_at());
        said.part("Who answered", self.who_answered());
        said.foot.extend(self.repeat());
        let what = vec![said.heading.clone()];
        let still = self.stands.first().map(|line| format!("Still wrong: {line}"));
        let more = self.by_hand.iter().cloned().chain(self.lead_in_short()).chain(still).collect();
        said.short = Short { what, more, ..Short::default() };
        said
    }

    fn clear_heading(&self) -> String {
        if self.also > 0 {
            let began = self.all().map(|matter| matter.onset).min().unwrap_or(self.begun);
            return format!(
                "{}: {} call-outs came and went while this way was shut, the first at {}: all is over since {}",
                self.plan.site,
                self.also + 1,
                self.time(began),
                self.time(self.over_since()),
            );
        }
        let Some(lead) = &self.lead else { return format!("{}: all clear", self.plan.site) };
        format!("{}: all clear at {}", lead.heading(), self.time(self.now.mono))
    }

    fn all(&self) -> impl Iterator<Item = &Matter<'_>> {
        self.lead.iter().chain(&self.others).chain(&self.past)
    }

    /// When the last of all that this page tells of was over.
    fn over_since(&self) -> Moment {
        let over = self.all().filter_map(|matter| match matter.fate {
            MatterFate::Over(at) => Some(at),
            MatterFate::Stands | MatterFate::PutAside => None,
        });
        over.max().unwrap_or(self.now.mono)
    }

    /// A line a thing: from when to when, how long, how far it went.
    fn what_it_was(&self) -> Vec<PageLine> {
        let mut all: Vec<&Matter<'_>> = self.all().collect();
        all.sort_by_key(|matter| matter.onset);
        let left = all.len().saturating_sub(NAMED);
        let mut lines: Vec<PageLine> = all
            .iter()
            .take(NAMED)
            .map(|matter| PageLine::At(self.time(matter.onset), self.how_it_went(matter)))
            .collect();
        if left > 0 {
            lines.push(PageLine::of(format!("And {left} more.")));
        }
        lines
    }

    fn how_it_went(&self, matter: &Matter<'_>) -> String {
        let worse = if matter.worse { ", it got worse" } else { "" };
        let how = match matter.fate {
            MatterFate::Over(at) => {
                format!("over since {}, after {}", self.time(at), at - matter.onset)
            }
            MatterFate::PutAside => "put aside by a person".to_owned(),
            MatterFate::Stands => "still wrong".to_owned(),
        };
        let far = matter.farthest.as_ref().map(|far| format!("; {far}")).unwrap_or_default();
        format!("{}, {}{worse}: {how}{far}.", matter.heading(), matter.priority)
    }

    /// `It was so from 01:05 to 02:02, 57 min; lowest 21.9 °C at 01:58`
    fn lead_in_short(&self) -> Option<String> {
        let lead = self.lead.as_ref().filter(|_| self.also == 0)?;
        let MatterFate::Over(at) = lead.fate else { return None };
        let far = lead.farthest.as_ref().map(|far| format!("; {far}")).unwrap_or_default();
        let (from, to) = (self.time(lead.onset), self.time(at));
        Some(format!("It was so from {from} to {to}, {}{far}", at - lead.onset))
    }

    /// What usually causes what was wrong, each cause once.
    fn look_at(&self) -> Vec<PageLine> {
        let causes: BTreeSet<String> = self
            .all()
            .filter_map(|matter| {
                let cause = matter.alarm?.cause.as_ref()?;
                Some(words::sentence(&format!("{}: {cause}", matter.heading())))
            })
            .collect();
        causes.into_iter().take(NAMED).map(PageLine::Plain).collect()
    }

    fn who_answered(&self) -> Vec<PageLine> {
        let answer = |(by, at): &(crate::ids::By, Moment)| {
            PageLine::At(self.time(*at), format!("{} {}", self.person(&by.who), way_in_words(&by.via)))
        };
        self.answers.iter().map(answer).collect()
    }

    /// Somebody else has it, or put it aside.
    pub(super) fn taken(&self) -> Said {
        let what = self.lead.as_ref().map_or_else(|| self.plan.site.clone(), Matter::heading);
        let aside = self.lead.as_ref().is_some_and(|lead| lead.fate == MatterFate::PutAside);
        let answered = self.answers.last().filter(|_| !aside);
        let heading = match answered {
            // It answers nobody: it has sounded for long enough, or for nothing any more.
            _ if self.target.contact.is_none() => format!("{what}: the siren is to be silent"),
            Some((by, at)) => format!("{what}: {} has answered at {}", self.person(&by.who), self.time(*at)),
            None => match self.put_aside_by {
                Some(by) => {
                    format!("{what}: put aside by {}, the call-out is over", self.person(&by.who))
                }
                None => format!("{what}: put aside, the call-out is over"),
            },
        };
        let mut said = Said { kind: Look::Calm, heading: heading.clone(), ..Said::default() };
        said.under = vec!["Nothing more is wanted of you now.".to_owned()];
        said.part(
            "What it is about",
            self.all().take(NAMED).map(|it| PageLine::of(self.matter(it))).collect(),
        );
        said.part("Who was told", self.told());
        said.foot.extend(self.repeat());
        said.short = Short { what: vec![heading], ..Short::default() };
        said
    }

    /// What quiet hours held, told once in the morning.
    pub(super) fn digest(&self) -> Said {
        let all: Vec<&Matter<'_>> = self.all().collect();
        let heading = match all.as_slice() {
            [one] => format!("{}, since {}, code {}", one.heading(), self.time(one.onset), self.code),
            many => format!("{}: {} things from the night, code {}", self.plan.site, many.len(), self.code),
        };
        let mut said = Said { kind: Look::Calm, heading, ..Said::default() };
        said.under = vec!["All of this could wait for the morning.".to_owned()];
        said.under.extend(self.held_back());
        said.part("What it is", all.iter().take(NAMED).map(|it| PageLine::of(self.matter(it))).collect());
        if let Some(left) = all.len().checked_sub(NAMED).filter(|left| *left > 0) {
            said.part("More", vec![PageLine::of(format!("And {left} more."))]);
        }
        said.part("How to answer", self.how_to_answer(None));
        said.foot.extend(self.repeat());
        let names: Vec<String> = all.iter().map(|matter| matter.heading()).collect();
        let what = match all.as_slice() {
            [one] => {
                let since = self.time(one.onset);
                let read = Some(one.then_and_now()).filter(|reading| !reading.is_empty());
                let full = read.map(|reading| format!("{}, {reading}, since {since}", one.heading()));
                full.into_iter().chain(names.iter().cloned()).collect()
            }
            many => vec![
                format!("{}: {}", self.plan.site, words::list(&names)),
                format!("{}: {} things from the night", self.plan.site, many.len()),
            ],
        };
        said.short = Short { what, answer: Some(self.short_answer()), ..Short::default() };
        said
    }
}

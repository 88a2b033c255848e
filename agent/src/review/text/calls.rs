//! A call-out in words: in short, who was told by which way and who answered; in full, each page in
//! its order.

use super::TextPage;
use crate::review::{CallOutReview, PageResult, Stamp};
use slackwater_rules::ids::way_in_words;
use slackwater_rules::record::Purpose;
use slackwater_rules::words::list;
use std::collections::BTreeSet;

impl TextPage<'_> {
    /// Who was told by which way, and how often; who was not, and why; who answered when.
    fn call_out_in_short(&mut self, call: &CallOutReview) {
        let mut told: Vec<(String, usize, usize)> = Vec::new();
        for page in call.pages.iter().filter(|page| !page.purpose.hushes(&page.to)) {
            let to = self.titles.way(&page.to);
            let lost =
                usize::from(matches!(page.result, PageResult::Failed { .. } | PageResult::Deferred { .. }));
            match told.iter_mut().find(|(known, ..)| *known == to) {
                Some((_, pages, all_lost)) => (*pages, *all_lost) = (*pages + 1, *all_lost + lost),
                None => told.push((to, 1, lost)),
            }
        }
        let told: Vec<String> = told
            .into_iter()
            .map(|(to, pages, lost)| match lost {
                0 => format!("{to} ({pages})"),
                lost => format!("{to} ({pages}, {lost} FAILED)"),
            })
            .collect();
        if !told.is_empty() {
            self.line(2, &format!("pages: {}", told.join(", ")));
        }
        let skipped: BTreeSet<String> = call
            .skipped
            .iter()
            .map(|it| format!("{} not told: {}", self.titles.way(&it.to), it.why))
            .collect();
        for skipped in skipped {
            self.line(2, &skipped);
        }
        // Whoever answers again by the same way is named once.
        let mut answers: Vec<(String, Vec<String>)> = Vec::new();
        for answer in &call.answers {
            let by = format!("{} ({})", self.titles.person(&answer.who), way_in_words(&answer.via));
            let at = self.time_on(&answer.at, &call.began);
            match answers.last_mut().filter(|(last, _)| *last == by) {
                Some((_, times)) => times.push(at),
                None => answers.push((by, vec![at])),
            }
        }
        let answers: Vec<String> =
            answers.into_iter().map(|(by, times)| format!("{} by {by}", list(&times))).collect();
        if !answers.is_empty() {
            self.line(2, &format!("answered {}", answers.join(", ")));
        }
        if let Some(ended) = &call.ended {
            self.line(2, &format!("call-out over {}", self.time_on(ended, &call.began)));
        }
    }

    pub(super) fn call_out(&mut self, call: &CallOutReview) {
        if !self.full {
            return self.call_out_in_short(call);
        }
        let mut lines: Vec<(&Stamp, String)> = Vec::new();
        for page in &call.pages {
            let purpose = match page.purpose {
                purpose if purpose.hushes(&page.to) => " (told to be quiet)",
                Purpose::Call => "",
                Purpose::Taken => " (told that someone answered)",
                Purpose::AllClear => " (all-clear)",
                Purpose::Digest => " (digest)",
                Purpose::Drill => " (drill)",
                Purpose::Notice => " (notice)",
            };
            let result = match &page.result {
                PageResult::Accepted { .. } => "accepted".to_owned(),
                PageResult::Deferred { why } => format!("deferred: {why}"),
                PageResult::Failed { why } => format!("FAILED: {why}"),
                PageResult::Unknown => "result unknown".to_owned(),
            };
            lines.push((&page.at, format!("{}{purpose} {result}", self.titles.way(&page.to))));
        }
        for skipped in &call.skipped {
            lines.push((&skipped.at, format!("{} not told: {}", self.titles.way(&skipped.to), skipped.why)));
        }
        for answer in &call.answers {
            let who = self.titles.person(&answer.who);
            lines.push((&answer.at, format!("answered by {who} ({})", way_in_words(&answer.via))));
        }
        for resumed in &call.resumed {
            lines.push((&resumed.at, format!("goes on: {}", resumed.why)));
        }
        if let Some(ended) = &call.ended {
            lines.push((ended, "call-out over".to_owned()));
        }
        lines.sort_by_key(|(at, _)| at.unix_ms);
        for (at, line) in lines {
            self.line(2, &format!("{} {line}", self.time_on(at, &call.began)));
        }
    }
}

//! The digest: what a keeper wants to know first, on one screen of a phone. A [`Review`] flows in,
//! with the plan for its names; at most [`LINES`] lines of at most [`WIDTH`] letters flow out, for
//! text and for JSON alike. A line that is too long loses whole clauses, never a part of one.

use super::{CallOutReview, Episode, PageResult, ProofSeen, Review, SensorReview, Stamp};
use jiff::tz::TimeZone;
use slackwater_rules::plan::Plan;
use slackwater_rules::record::{Purpose, Verdict};
use slackwater_rules::time::Span;
use slackwater_rules::words::{capital, counted, for_people, list, without_place};
use std::collections::{BTreeMap, BTreeSet};

/// So many lines at most.
const LINES: usize = 15;
/// So many letters each at most.
const WIDTH: usize = 60;
/// So many call-outs are named; the others are counted.
const CALLS: usize = 4;
/// So many sensors are named, those outside their limits for longest first.
pub(super) const SENSORS: usize = 3;

/// The lines.
pub(super) fn lines(review: &Review, plan: Option<&Plan>, zone: &TimeZone) -> Vec<String> {
    let digest = Digest { review, plan, zone };
    let mut lines = vec![digest.head(), digest.watched()];
    lines.extend(digest.calls());
    lines.extend(digest.sensors());
    lines.extend(digest.switched());
    lines.push(digest.stands());
    lines.extend(digest.not_reached());
    lines.extend(digest.judged());
    lines.truncate(LINES);
    lines
}

struct Digest<'r> {
    review: &'r Review,
    plan: Option<&'r Plan>,
    zone: &'r TimeZone,
}

impl Digest<'_> {
    fn head(&self) -> String {
        let (since, until) = (self.day(&self.review.since), self.day(&self.review.until));
        fitted(vec![self.review.site.clone(), format!("{since} to {until}")], ": ")
    }

    /// How much of it was watched, and why not more.
    fn watched(&self) -> String {
        let coverage = &self.review.coverage;
        let all = coverage.watched == coverage.length;
        let mut lost: BTreeMap<&str, Span> = BTreeMap::new();
        for gap in
            coverage.gaps.iter().filter(|gap| ["agent", "broker", "journal"].contains(&gap.of.as_str()))
        {
            // What has no end yet goes on to the end of the stretch, and counts from its beginning.
            let to = gap.to.as_ref().unwrap_or(&self.review.until);
            let from = gap.from.unix_ms.max(self.review.since.unix_ms);
            let length = to.unix_ms - from;
            let sum = lost.entry(gap.of.as_str()).or_default();
            *sum = *sum + length;
        }
        let mut clauses = vec![match all {
            true => format!("Watched all of {}", coverage.length),
            false => format!("Watched {} of {}", coverage.watched, coverage.length),
        }];
        clauses.extend(lost.into_iter().filter(|(_, length)| *length > Span::ZERO).map(|(of, length)| {
            let of = if of == "agent" { "the watch was off" } else { &format!("no {of}") };
            format!("{of} for {length}")
        }));
        fitted(clauses, ", ")
    }

    fn calls(&self) -> Vec<String> {
        let called: Vec<&CallOutReview> =
            self.review.call_outs.iter().filter(|call| !call.episodes.is_empty()).collect();
        if called.is_empty() {
            return vec!["No call-outs".to_owned()];
        }
        let answered: Vec<_> = called.iter().filter_map(|call| call.answers.first()).collect();
        let mut head = vec![counted(called.len(), "call-out"), format!("{} answered", answered.len())];
        let slowest = answered.iter().filter_map(|answer| answer.after).max();
        head.extend(slowest.map(|after| format!("the slowest after {after}")));
        let mut lines = vec![fitted(head, ", ")];
        lines.extend(called.iter().take(CALLS).map(|call| self.call(call)));
        let more = called.len().saturating_sub(CALLS);
        lines.extend((more > 0).then(|| format!("and {} more", counted(more, "call-out"))));
        lines
    }

    /// `17 Nov 01:05 the power is out, 1 h 57 min, Ines after 27 min`
    fn call(&self, call: &CallOutReview) -> String {
        let lead = call.episodes.first().and_then(|first| self.episode(*first));
        let what = lead.map_or_else(|| call.policy.clone(), |lead| self.what(lead));
        let mut clauses = vec![format!("{} {what}", self.time(&call.began))];
        clauses.push(match &call.ended {
            Some(ended) => ended.after(&call.began).map_or("over".to_owned(), |length| length.to_string()),
            None => "still open".to_owned(),
        });
        clauses.push(match call.answers.first() {
            Some(answer) => {
                let after = answer.after.map_or(String::new(), |after| format!(" after {}", minutes(after)));
                format!("{}{after}", self.person(&answer.who))
            }
            None => "no answer".to_owned(),
        });
        fitted(clauses, ", ")
    }

    fn episode(&self, number: u64) -> Option<&Episode> {
        self.review.episodes.iter().find(|episode| episode.episode == number)
    }

    /// What was wrong, with its place if it is a tank's.
    fn what(&self, episode: &Episode) -> String {
        let alarm = self.plan.and_then(|plan| Some(plan.alarm(plan.alarm_named(&episode.alarm)?)));
        let title = alarm.map_or_else(|| episode.alarm.replace('-', " "), |alarm| alarm.title.clone());
        let place = match alarm.zip(self.plan) {
            Some((alarm, plan)) => plan.title(alarm.tank).to_owned(),
            None => episode.place.clone(),
        };
        let title = without_place(&title, &place);
        if place == self.review.site { title.to_owned() } else { format!("{place}: {title}") }
    }

    fn person(&self, who: &str) -> String {
        let known = self.plan.and_then(|plan| plan.directory.contacts.get(who));
        known.map_or_else(|| who.to_owned(), |contact| contact.name.clone())
    }

    /// Each tank's lowest and highest, and how long outside its limits: known, and perhaps.
    fn sensors(&self) -> Vec<String> {
        let mut limited: Vec<&SensorReview> =
            self.review.sensors.iter().filter(|sensor| sensor.outside.is_some()).collect();
        let out = |sensor: &SensorReview| {
            sensor.outside.as_ref().map_or(Span::ZERO, |outside| outside.below + outside.above)
        };
        limited.sort_by_key(|sensor| std::cmp::Reverse(out(sensor)));
        limited.iter().take(SENSORS).map(|sensor| self.sensor(sensor)).collect()
    }

    fn sensor(&self, sensor: &SensorReview) -> String {
        let title = self.plan.and_then(|plan| plan.sensors.iter().find(|it| it.name == sensor.sensor));
        let title = title.map_or_else(|| sensor.sensor.replace('-', " "), |it| it.title.clone());
        let place = sensor.place.clone().unwrap_or_default();
        let name = capital(&format!("{place} {}", without_place(&title, &place)));
        let mut clauses = match (&sensor.lowest, &sensor.highest) {
            (Some(low), Some(high)) => {
                vec![format!("{} {} to {}", name.trim(), for_people(&low.shown), for_people(&high.shown))]
            }
            (_, _) => vec![format!("{} not seen", name.trim())],
        };
        if let Some(outside) = sensor.outside.as_ref().filter(|_| sensor.known > Span::ZERO) {
            let known = outside.below + outside.above;
            clauses.push(match known {
                Span::ZERO => "within limits".to_owned(),
                known => format!("outside {known}"),
            });
            clauses.extend((outside.unknown > Span::ZERO).then(|| format!("{} not known", outside.unknown)));
        }
        fitted(clauses, ", ")
    }

    fn switched(&self) -> Option<String> {
        let mut relays: BTreeMap<&str, usize> = BTreeMap::new();
        let mut unproved = 0;
        for switching in self.review.episodes.iter().flat_map(|episode| &episode.stopgaps) {
            *relays.entry(switching.relay.as_str()).or_default() += 1;
            unproved += usize::from(!matches!(switching.proof, ProofSeen::Proved { .. }));
        }
        let title = |name: &str| {
            let relay = self.plan.and_then(|plan| plan.relays.iter().find(|relay| relay.name == name));
            relay.map_or_else(|| name.replace('-', " "), |relay| relay.title.clone())
        };
        let each: Vec<String> = relays
            .iter()
            .map(|(name, count)| format!("{} {}", title(name), counted(*count, "time")))
            .collect();
        let mut clauses = vec![format!("Switched: {}", list(&each))];
        clauses.extend((unproved > 0).then(|| format!("{unproved} not proved")));
        (!each.is_empty()).then(|| fitted(clauses, ", "))
    }

    fn stands(&self) -> String {
        let open = |episode: &&Episode| episode.returned.is_none() && episode.put_aside.is_none();
        let standing: Vec<String> =
            self.review.episodes.iter().filter(open).map(|episode| self.what(episode)).collect();
        match standing.len() {
            0 => "Nothing is wrong now".to_owned(),
            count => {
                let mut clauses = vec![format!("Wrong now: {count}")];
                clauses.extend(standing);
                fitted(clauses, "; ")
            }
        }
    }

    /// Ways by which a page that asked for help did not get through.
    fn not_reached(&self) -> Option<String> {
        let pages = self.review.call_outs.iter().flat_map(|call| &call.pages);
        let lost = pages.filter(|page| page.purpose == Purpose::Call);
        let lost = lost
            .filter(|page| matches!(page.result, PageResult::Failed { .. } | PageResult::Deferred { .. }));
        let mut ways: BTreeMap<&str, usize> = BTreeMap::new();
        lost.for_each(|page| *ways.entry(page.to.as_str()).or_default() += 1);
        let each = ways.iter().map(|(to, count)| {
            let (who, way) = to.split_once('.').unwrap_or((to, ""));
            let by = if way.is_empty() { String::new() } else { format!(" by {way}") };
            format!("{}{by} ({})", self.person(who), counted(*count, "page"))
        });
        let mut clauses: Vec<String> = each.collect();
        let first = clauses.first_mut()?;
        *first = format!("Not reached: {first}");
        Some(fitted(clauses, ", "))
    }

    /// What a person found to have been no trouble at all.
    fn judged(&self) -> Option<String> {
        let is_false =
            |episode: &&Episode| episode.mark.as_ref().is_some_and(|mark| mark.verdict == Verdict::False);
        let names: BTreeSet<String> =
            self.review.episodes.iter().filter(is_false).map(|episode| self.what(episode)).collect();
        let count = self.review.episodes.iter().filter(is_false).count();
        let mut clauses = vec![counted(count, "false alarm")];
        clauses.extend(names);
        (count > 0).then(|| fitted(clauses, "; "))
    }

    fn day(&self, stamp: &Stamp) -> String {
        stamp.unix_ms.civil(self.zone).strftime("%-d %b %Y").to_string()
    }

    fn time(&self, stamp: &Stamp) -> String {
        stamp.unix_ms.civil(self.zone).strftime("%-d %b %H:%M").to_string()
    }
}

/// A length of time in whole minutes, from one minute on.
fn minutes(span: Span) -> Span {
    if span < Span::minutes(1) { span } else { Span(span.0 / 60_000 * 60_000) }
}

/// As many whole clauses as fit a line; the first is cut between words if it alone does not.
fn fitted(clauses: Vec<String>, joint: &str) -> String {
    let mut line = String::new();
    for clause in clauses {
        let next = if line.is_empty() { clause } else { format!("{line}{joint}{clause}") };
        if next.chars().count() <= WIDTH {
            line = next;
        } else if line.is_empty() {
            let mut words = String::new();
            for word in next.split(' ') {
                if words.chars().count() + 1 + word.chars().count() > WIDTH {
                    break;
                }
                if !words.is_empty() {
                    words.push(' ');
                }
                words += word;
            }
            line = words;
        }
    }
    line
}

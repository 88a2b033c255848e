//! The review in words: plain text of at most 60 columns, so that it can be read on a phone
//! and in a mail. What did not happen takes no line.

mod calls;

use super::digest;
use super::{
    Aside, CallOutReview, Episode, Extreme, Foretold, Gap, ProofSeen, Review, SensorReview, Stamp, Switching,
    Titles,
};
use jiff::tz::TimeZone;
use slackwater_rules::ids::way_in_words;
use slackwater_rules::time::Span;
use slackwater_rules::words::{capital, for_people, for_people_in};
use std::collections::BTreeSet;

const WIDTH: usize = 60;

/// How far a broken line is set in.
const HANG: usize = 4;

/// The review in words, with its times in `zone`: the digest first. Forecasts, and sensors without
/// limits, stand only in the full one.
pub fn render_text(review: &Review, zone: &TimeZone, full: bool) -> String {
    let mut page =
        TextPage { zone, titles: &review.titles, text: String::new(), full, explained: BTreeSet::new() };
    review.digest.iter().for_each(|line| page.line(0, line));
    if full {
        page.text.push('\n');
        page.head(review);
    }
    if !review.coverage.gaps.is_empty() {
        page.title("NOT SEEN");
        for gap in &review.coverage.gaps {
            page.gap(gap);
        }
    }
    page.title("ALARMS");
    if review.episodes.is_empty() {
        page.line(0, "None.");
    }
    for (nth, episode) in review.episodes.iter().enumerate() {
        if nth > 0 {
            page.text.push('\n');
        }
        page.episode(episode, review);
    }
    let drills: Vec<&CallOutReview> =
        review.call_outs.iter().filter(|call| call.episodes.is_empty()).collect();
    if !drills.is_empty() {
        page.title("DRILLS");
        for drill in drills {
            page.line(0, &format!("{} {}", page.time(&drill.began), drill.policy));
            page.call_out(drill);
        }
    }
    if !review.proofs.is_empty() {
        page.title("TEST PAGES");
        for proof in &review.proofs {
            let proved = proof.proved.as_ref().map_or("never".to_owned(), |at| page.time(at));
            let missed = if proof.missed > 0 {
                format!("; then {} NOT answered", proof.missed)
            } else {
                String::new()
            };
            let to = capital(&page.titles.way(&proof.to));
            page.line(0, &format!("{to}: last proved {proved}{missed}"));
        }
    }
    if !review.asides.is_empty() {
        page.title("PUT ASIDE");
        for aside in &review.asides {
            page.aside(aside);
        }
    }
    // Of a sensor without limits nobody but the curious wants to know, and the digest has the first
    // of the others.
    let shown: Vec<_> = review.sensors.iter().filter(|sensor| full || sensor.outside.is_some()).collect();
    if full || shown.len() > digest::SENSORS {
        page.title("READINGS");
        for sensor in shown {
            page.sensor(sensor, review.coverage.length);
        }
    }
    if full && !review.blips.is_empty() {
        page.title("SHORTER THAN THEIR DELAY");
        for blips in &review.blips {
            let many = if blips.count == 1 { "1 blip".to_owned() } else { format!("{} blips", blips.count) };
            let alarm = page.titles.known(&blips.alarm);
            page.line(0, &format!("{alarm}: {many}, longest {}", blips.longest));
        }
    }
    if !review.notes.is_empty() || !review.unreadable.is_empty() {
        page.title("ALSO");
        for note in &review.notes {
            page.line(0, &format!("{} {}", page.time(&note.at), note.text));
        }
        if !review.unreadable.is_empty() {
            let count = review.unreadable.len();
            page.line(0, &format!("{count} records could not be read by this version of the program."));
        }
    }
    page.text
}

struct TextPage<'a> {
    zone: &'a TimeZone,
    titles: &'a Titles,
    text: String,
    /// Forecasts and unlimited sensors too.
    full: bool,
    /// Alarms of which it has been said what may be behind them.
    explained: BTreeSet<String>,
}

impl TextPage<'_> {
    fn head(&mut self, review: &Review) {
        self.line(0, &review.site);
        let (since, until) = (self.time(&review.since), self.time(&review.until));
        self.line(0, &format!("{since} to {until} ({})", review.zone));
        let coverage = &review.coverage;
        let watched = match coverage.watched == coverage.length {
            true => format!("Watched all of {}.", coverage.length),
            false => format!("Watched {} of {}.", coverage.watched, coverage.length),
        };
        self.line(0, &watched);
    }

    fn gap(&mut self, gap: &Gap) {
        let of = if gap.of == "agent" { "agent not running" } else { &gap.of };
        self.line(0, &format!("{} {of}: {}", self.stretch(&gap.from, gap.to.as_ref()), gap.why));
    }

    /// What came of something else takes two lines unless all is wanted.
    fn consequence(&mut self, episode: &Episode) -> bool {
        if self.full || episode.returned.is_none() || episode.mark.is_some() {
            return false;
        }
        let Episode { alarm, place, priority, .. } = episode;
        let what = format!("{} {}", self.time(&episode.detected), self.titles.alarm(alarm, place));
        self.line(0, &format!("{what}, {priority}, stood {}, told in a call-out above", episode.stood));
        true
    }

    fn episode(&mut self, episode: &Episode, review: &Review) {
        let call = review.call_outs.iter().find(|call| Some(call.call_out) == episode.call_out);
        if call.is_some_and(|call| call.episodes.first() != Some(&episode.episode))
            && self.consequence(episode)
        {
            return;
        }
        let Episode { alarm, place, priority, code, because, .. } = episode;
        self.line(0, &format!("{} {}", self.time(&episode.detected), self.titles.alarm(alarm, place)));
        self.line(2, &format!("{priority}, code {code}: {}", for_people_in(because)));
        let titles = self.titles;
        if let Some(cause) = titles.causes.get(alarm).filter(|_| self.explained.insert(alarm.clone())) {
            self.line(2, &format!("what may be behind it: {cause}"));
        }
        let noticed = match episode.detected.after(&episode.onset) {
            Some(after) if after > Span::ZERO => format!(", noticed after {after}"),
            _ => String::new(),
        };
        let day = &episode.detected;
        if self.full {
            self.line(2, &format!("began {}{noticed}", self.time_on(&episode.onset, day)));
        }
        for again in &episode.raised_again {
            self.line(2, &format!("raised again {}", self.time_on(again, day)));
        }
        for worse in &episode.worsened {
            let why = for_people_in(&worse.why);
            self.line(2, &format!("got worse {}: {why}", self.time_on(&worse.at, day)));
        }
        let full = self.full;
        for Foretold { at, estimates } in episode.foretold.iter().filter(|_| full) {
            for estimate in estimates {
                self.line(2, &format!("foretold {}: {}", self.time_on(at, day), estimate.in_full()));
            }
        }
        for lost in &episode.lost_sight {
            self.line(2, &format!("lost sight of its readings {}", self.time_on(lost, day)));
        }
        match (&episode.returned, &episode.put_aside) {
            (Some(at), _) => {
                self.line(
                    2,
                    &format!("returned to normal {}, stood {}", self.time_on(at, day), episode.stood),
                );
            }
            (None, Some(aside)) => {
                let at = self.time_on(&aside.at, day);
                self.line(2, &format!("{} {at}, had stood {}", aside.why, episode.stood));
            }
            (None, None) => self.line(2, &format!("STILL WRONG, for {}", episode.stood)),
        }
        for answer in episode.acknowledged.iter().filter(|_| full) {
            let after = answer.after.map_or(String::new(), |after| format!(", after {after}"));
            let at = self.time_on(&answer.at, day);
            let who = self.titles.person(&answer.who);
            self.line(2, &format!("acknowledged {at} by {who} ({}){after}", way_in_words(&answer.via)));
        }
        if episode.acknowledged.is_empty() {
            self.line(2, "nobody acknowledged it");
        }
        if let Some(mark) = &episode.mark {
            let note = if mark.note.is_empty() { String::new() } else { format!(": {}", mark.note) };
            let who = self.titles.person(&mark.who);
            self.line(2, &format!("marked as {} by {who}{note}", mark.verdict));
        }
        // In short only the last of several attempts at one thing is told, with its number.
        let goes_on = |at: usize, one: &Switching| {
            let next = episode.stopgaps.get(at + 1);
            next.is_some_and(|next| next.relay == one.relay && next.on == one.on && next.attempt > 1)
        };
        for (at, stopgap) in episode.stopgaps.iter().enumerate() {
            if self.full || !goes_on(at, stopgap) {
                self.stopgap(stopgap, day);
            }
        }
        let Some(call) = call else { return };
        if call.episodes.first() == Some(&episode.episode) {
            self.call_out(call);
        } else {
            let leading = review.episodes.iter().find(|other| Some(&other.episode) == call.episodes.first());
            let of = leading.map_or(call.policy.as_str(), |leading| self.titles.known(&leading.alarm));
            self.line(2, &format!("told in the call-out of {of}"));
        }
    }

    fn stopgap(&mut self, switching: &Switching, day: &Stamp) {
        let Switching { relay, on, why, attempt, proof, .. } = switching;
        let state = if *on { "on" } else { "off" };
        let again = if *attempt > 1 { format!(", attempt {attempt}") } else { String::new() };
        let proof = match proof {
            ProofSeen::Proved { after } => format!("proved after {after}"),
            ProofSeen::NotProved { .. } if !self.full => "NOT PROVED".to_owned(),
            ProofSeen::NotProved { why } => format!("NOT PROVED: {}", for_people_in(why)),
            ProofSeen::Unknown => "no proof on record".to_owned(),
        };
        let at = self.time_on(&switching.at, day);
        let (relay, why) = (self.titles.relay(relay), self.titles.reason(why));
        match self.full {
            true => self.line(2, &format!("{at} {relay} {state} ({why}{again}): {proof}")),
            false => self.line(2, &format!("{at} {relay} {state}: {proof}{again}")),
        }
    }

    fn aside(&mut self, aside: &Aside) {
        let Aside { kind, of, why, who, .. } = aside;
        let who = self.titles.person(who);
        let what = match *kind {
            "work" => format!("{of}: {why}, by {who}"),
            _ if why.is_empty() => format!("{}, {kind} by {who}", self.titles.known(of)),
            _ => format!("{}, {kind} by {who}: {why}", self.titles.known(of)),
        };
        let ended = match (&aside.to, &aside.ended_by) {
            (None, _) => "",
            (Some(_), None) => "; ended by itself",
            (Some(_), Some(by)) => &format!("; ended by {}", self.titles.person(by)),
        };
        self.line(0, &format!("{} {what}{ended}", self.stretch(&aside.from, aside.to.as_ref())));
    }

    fn sensor(&mut self, sensor: &SensorReview, length: Span) {
        let name = match (self.titles.sensors.get(&sensor.sensor), &sensor.place) {
            (Some(title), _) => title.clone(),
            (None, Some(place)) => format!("{} ({place})", sensor.sensor),
            (None, None) => sensor.sensor.clone(),
        };
        let known = match sensor.known >= length {
            true => "known throughout".to_owned(),
            false => format!("known for {} of {length}", sensor.known),
        };
        self.line(0, &format!("{name}: {known}"));
        let extreme =
            |extreme: &Extreme| format!("{} at {}", for_people(&extreme.shown), self.time(&extreme.at));
        let (lowest, highest) = (sensor.lowest.as_ref().map(extreme), sensor.highest.as_ref().map(extreme));
        if let Some(lowest) = lowest {
            self.line(2, &format!("lowest {lowest}"));
        }
        if let Some(highest) = highest {
            self.line(2, &format!("highest {highest}"));
        }
        if let Some(outside) = &sensor.outside {
            let unknown = match outside.unknown {
                Span::ZERO => String::new(),
                unknown => format!(", up to {unknown} unknown"),
            };
            let mut side = |word, limit: &str, span: Span| {
                if span > Span::ZERO {
                    self.line(2, &format!("{word} {}: {span} known{unknown}", for_people(limit)));
                }
            };
            side("below", &outside.lower, outside.below);
            side("above", &outside.upper, outside.above);
            if outside.below == Span::ZERO && outside.above == Span::ZERO && sensor.known > Span::ZERO {
                let so_far = if unknown.is_empty() { "" } else { " as far as known" };
                self.line(2, &format!("within limits{so_far}{unknown}"));
            }
        }
        if let Some(words) = &sensor.words {
            self.line(2, &format!("last {}, changed {} times", words.last, words.changes));
        }
        if sensor.rejected > 0 {
            self.line(2, &format!("{} readings rejected", sensor.rejected));
        }
    }

    fn title(&mut self, title: &str) {
        self.text.push('\n');
        self.line(0, title);
    }

    /// One line, broken between words where it is too long.
    fn line(&mut self, indent: usize, line: &str) {
        let mut column = indent;
        self.text.extend(std::iter::repeat_n(' ', indent));
        for (nth, word) in line.split_whitespace().enumerate() {
            let width = word.chars().count();
            if nth > 0 && column + 1 + width > WIDTH {
                self.text.push('\n');
                self.text.extend(std::iter::repeat_n(' ', indent + HANG));
                column = indent + HANG;
            } else if nth > 0 {
                self.text.push(' ');
                column += 1;
            }
            self.text.push_str(word);
            column += width;
        }
        self.text.push('\n');
    }

    /// `2026-08-03 02:10`.
    fn time(&self, stamp: &Stamp) -> String {
        self.format(stamp, "%Y-%m-%d %H:%M")
    }

    /// The time of day alone if it is on the same day as another.
    fn time_on(&self, stamp: &Stamp, day: &Stamp) -> String {
        let same = stamp.unix_ms.civil(self.zone).date() == day.unix_ms.civil(self.zone).date();
        self.format(stamp, if same { "%H:%M" } else { "%Y-%m-%d %H:%M" })
    }

    fn stretch(&self, from: &Stamp, to: Option<&Stamp>) -> String {
        let Some(to) = to else { return format!("{} and on,", self.time(from)) };
        let length = to.after(from).map_or("length unknown".to_owned(), |length| length.to_string());
        format!("{} to {} ({length})", self.time(from), self.time_on(to, from))
    }

    fn format(&self, stamp: &Stamp, format: &str) -> String {
        stamp.for_people(self.zone, format)
    }
}

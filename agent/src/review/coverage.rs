//! How much was watched. Records flow in, oldest first; gaps and the time watched flow out. The
//! agent was away from its last sign of life (a record, or the sign written with the readings)
//! until it started again.

use super::{Coverage, Gap, ReviewSpan, Stamp};
use jiff::tz::TimeZone;
use slackwater_rules::record::{Body, Record, Seq};
use slackwater_rules::time::{Now, Span, Wall};

/// The pulse comes every minute; silence for longer than three of them is a gap.
const SILENCE: Span = Span::minutes(3);

/// Without one there is the sign of life every ten minutes.
const SILENCE_OF_OLD: Span = Span::minutes(20);

/// Numbers leap by more only where the journal could not be read at a start.
const COUNTED: Seq = 1 << 32;

pub(super) struct Gaps<'a> {
    window: ReviewSpan,
    zone: &'a TimeZone,
    /// The last sign of life of every boot.
    alive: Vec<(Wall, bool)>,
    /// The last record, and whether the watch had ended with it, and why.
    last: Option<(Now, Option<String>)>,
    /// A record after the stretch was seen: the watch lived on, or came back.
    beyond: bool,
    gaps: Vec<Gap>,
    /// The number of the last record.
    number: Option<Seq>,
    /// Numbers that no record has: the first and the last of each row of them.
    holes: Vec<(Seq, Seq, Gap)>,
    silence: Span,
    /// Those whose end has not been seen.
    open: Vec<Gap>,
}

impl<'a> Gaps<'a> {
    pub(super) fn new(
        window: ReviewSpan,
        zone: &'a TimeZone,
        alive: Vec<(Wall, bool)>,
        has_pulse: bool,
    ) -> Self {
        Self {
            window,
            zone,
            alive,
            last: None,
            beyond: false,
            gaps: Vec::new(),
            number: None,
            holes: Vec::new(),
            silence: if has_pulse { SILENCE } else { SILENCE_OF_OLD },
            open: Vec::new(),
        }
    }

    /// Numbers rise one by one: where they leap, records are missing.
    fn count(&mut self, record: &Record) {
        let before = self.number.replace(record.seq);
        let first = before.map_or(record.seq, |before| before.saturating_add(1));
        if let Some((last, _)) = self.last.as_ref().filter(|_| first < record.seq) {
            let (from, to) = (last.wall, record.at.wall);
            let (from, to) =
                (self.stamp(from, last.wall_trusted), self.stamp(to.max(from), record.at.wall_trusted));
            let newest = record.seq - 1;
            let why = match record.seq - first {
                1 => format!("record {newest} is missing"),
                n if n < COUNTED => format!("{n} records are missing: {first} to {newest}"),
                _ => "the journal could not be read at a start: records may be missing".to_owned(),
            };
            let gap = Gap { of: "records".to_owned(), why, from, to: Some(to) };
            self.holes.push((first, newest, gap));
        }
    }

    pub(super) fn take(&mut self, record: &Record) {
        self.count(record);
        let at = &record.at;
        if self.last.is_none() && self.window.since < at.wall {
            let (from, to) = (self.stamp(self.window.since, true), self.stamp(at.wall, at.wall_trusted));
            let why = "nothing older is kept".to_owned();
            self.gaps.push(Gap { of: "journal".to_owned(), why, from, to: Some(to) });
        }
        if let Body::Started { gap, .. } = &record.body {
            self.started(at, *gap);
        }
        if let Body::SightLost { of, why } = &record.body {
            let from = self.stamp(at.wall, at.wall_trusted);
            self.open.push(Gap { of: of.clone(), why: why.clone(), from, to: None });
        }
        if let Body::SightRegained { of, .. } = &record.body
            && let Some(nth) = self.open.iter().position(|gap| gap.of == *of)
        {
            let to = Some(self.stamp(at.wall, at.wall_trusted));
            let gap = self.open.remove(nth);
            self.gaps.push(Gap { to, ..gap });
        }
        let ended = if let Body::Stopped { why } = &record.body { Some(why.clone()) } else { None };
        self.last = Some((*at, ended));
    }

    /// Takes the first record after the stretch: it says whether the watch lived through its end.
    pub(super) fn take_beyond(&mut self, record: &Record) {
        if let Body::Started { gap, .. } = &record.body {
            self.started(&record.at, *gap);
        }
        self.beyond = true;
    }

    fn started(&mut self, at: &Now, gap: Option<Span>) {
        let Some((last, ended)) = self.last.clone() else { return };
        let (from, sure) = match gap {
            Some(gap) => (at.wall - gap, at.wall_trusted),
            None => self.last_alive(&last, at.wall),
        };
        let why = match ended {
            Some(why) => format!("stopped: {why}"),
            None => "ended without notice".to_owned(),
        };
        let (from, to) = (self.stamp(from, sure), self.stamp(at.wall, at.wall_trusted));
        self.gaps.push(Gap { of: "agent".to_owned(), why, from, to: Some(to) });
    }

    /// The latest sign of life between a record and a time, and whether its date is sure.
    fn last_alive(&self, last: &Now, before: Wall) -> (Wall, bool) {
        let signs = self.alive.iter().copied().filter(|(wall, _)| *wall > last.wall && *wall <= before);
        signs.max().unwrap_or((last.wall, last.wall_trusted))
    }

    /// `unreadable` are numbers of records that are there, and said elsewhere.
    pub(super) fn finish(mut self, unreadable: &[Seq]) -> Coverage {
        let ReviewSpan { since, until } = self.window;
        match self.last.take() {
            None => {
                let (from, to) = (self.stamp(since, true), self.stamp(until, true));
                let why = "nothing is kept of this time".to_owned();
                self.gaps.push(Gap { of: "journal".to_owned(), why, from, to: Some(to) });
            }
            Some(_) if self.beyond => {}
            Some((last, Some(why))) => {
                let from = self.stamp(last.wall, last.wall_trusted);
                let why = format!("stopped: {why}");
                self.gaps.push(Gap { of: "agent".to_owned(), why, from, to: None });
            }
            Some((last, None)) => {
                let (alive, sure) = self.last_alive(&last, Wall(i64::MAX));
                if alive + self.silence < until {
                    let (from, why) = (self.stamp(alive, sure), "no sign of life since".to_owned());
                    self.gaps.push(Gap { of: "agent".to_owned(), why, from, to: None });
                }
            }
        }
        let mut gaps = self.gaps;
        gaps.append(&mut self.open);
        // One of no length is none, unless nobody knows its length.
        gaps.retain(|Gap { from, to, .. }| {
            let lasted = |to: &Stamp| to.after(from).is_none_or(|span| span > Span::ZERO);
            to.as_ref().is_none_or(|to| to.unix_ms > since && lasted(to))
        });
        // Records that are missing are told even where no time lies between those beside them.
        for (first, last, gap) in self.holes {
            let there = unreadable.iter().filter(|seq| (first..=last).contains(*seq)).count() as u64;
            if there < last - first + 1 && gap.to.as_ref().is_some_and(|to| to.unix_ms > since) {
                gaps.push(gap);
            }
        }
        gaps.sort_by_key(|gap| gap.from.unix_ms);
        let length = (until - since).max(Span::ZERO);
        let watched = length - unwatched(&gaps, self.window);
        Coverage { length, watched, gaps }
    }

    fn stamp(&self, wall: Wall, sure: bool) -> Stamp {
        Stamp::new(wall, sure, self.zone)
    }
}

/// The time that gaps of the agent, the journal and the broker cover together; gaps are in
/// order of their beginning.
fn unwatched(gaps: &[Gap], window: ReviewSpan) -> Span {
    let mut total = Span::ZERO;
    let mut covered = window.since;
    for gap in gaps.iter().filter(|gap| matches!(&*gap.of, "agent" | "journal" | "broker")) {
        let to = gap.to.as_ref().map_or(window.until, |to| to.unix_ms).min(window.until);
        let from = gap.from.unix_ms.max(covered);
        if from < to {
            total = total + (to - from);
            covered = to;
        }
    }
    total
}

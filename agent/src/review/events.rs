//! From records to what happened: episodes, call-outs, what was put aside, notes. Records flow
//! in one by one, oldest first, from the beginning of the journal, since an episode may have
//! begun long before the stretch under review; what touches the stretch flows out.

mod notes;

use super::{
    Answer, Aside, Blips, CallOutReview, ChannelProof, Episode, Foretold, Mark, Note, PageResult, Paged,
    ProofSeen, Reason, ReviewSpan, Skipped, Stamp, Switching, Titles,
};
use jiff::tz::TimeZone;
use slackwater_rules::plan::Plan;
use slackwater_rules::record::{Body, By, Drilled, Outcome, Record, Seq};
use slackwater_rules::time::Span;
use std::collections::BTreeMap;

pub(super) struct Events<'a> {
    /// The plan in force, for its titles.
    plan: Option<&'a Plan>,
    window: ReviewSpan,
    zone: &'a TimeZone,
    episodes: BTreeMap<Seq, Episode>,
    /// When each standing episode was raised last.
    standing: BTreeMap<Seq, Stamp>,
    call_outs: BTreeMap<Seq, CallOutReview>,
    /// The call-out of each page, and its place there.
    pages: BTreeMap<Seq, (Seq, usize)>,
    /// The episode of each switching, and its place there.
    switchings: BTreeMap<Seq, (Seq, usize)>,
    asides: Vec<Aside>,
    notes: Vec<Note>,
    /// By channel, as the last test pages left it.
    proofs: BTreeMap<String, ChannelProof>,
    /// By alarm.
    blips: BTreeMap<String, Blips>,
}

pub(super) struct Finished {
    pub(super) episodes: Vec<Episode>,
    pub(super) call_outs: Vec<CallOutReview>,
    pub(super) asides: Vec<Aside>,
    pub(super) notes: Vec<Note>,
    pub(super) proofs: Vec<ChannelProof>,
    pub(super) blips: Vec<Blips>,
}

impl<'a> Events<'a> {
    pub(super) fn new(window: ReviewSpan, zone: &'a TimeZone, plan: Option<&'a Plan>) -> Self {
        Self {
            plan,
            window,
            zone,
            episodes: BTreeMap::new(),
            standing: BTreeMap::new(),
            call_outs: BTreeMap::new(),
            pages: BTreeMap::new(),
            switchings: BTreeMap::new(),
            asides: Vec::new(),
            notes: Vec::new(),
            proofs: BTreeMap::new(),
            blips: BTreeMap::new(),
        }
    }

    pub(super) fn take(&mut self, record: Record) {
        let Record { seq, at, body } = record;
        let at = Stamp::new(at.wall, at.wall_trusted, self.zone);
        match body {
            body @ Body::Raised { .. } => self.raised(at, body),
            Body::Blipped { alarm, count, longest, .. } if at.unix_ms >= self.window.since => {
                let known = self.blips.entry(alarm.clone());
                let known = known.or_insert(Blips { alarm, count: 0, longest: Span::ZERO });
                (known.count, known.longest) = (known.count + u64::from(count), known.longest.max(longest));
            }
            Body::Worsened { episode, because, .. } => {
                self.episode(episode, |known| known.worsened.push(Reason { at, why: because }));
            }
            Body::Foretold { episode, estimates, .. } => {
                self.episode(episode, |known| known.foretold.push(Foretold { at, estimates }));
            }
            Body::LostSight { episode, .. } => self.episode(episode, |known| known.lost_sight.push(at)),
            Body::Returned { episode, stood, .. } => {
                self.standing.remove(&episode);
                self.episode(episode, |known| {
                    known.returned = Some(at);
                    known.stood = known.stood + stood;
                });
            }
            Body::Acknowledged { episode, by, .. } => {
                self.episode(episode, |known| {
                    let answer = answer(at, by, &known.detected);
                    known.acknowledged.push(answer);
                });
            }
            Body::Marked { episode, verdict, note, by } => {
                self.episode(episode, |known| known.mark = Some(Mark { at, verdict, note, who: by.who }));
            }

            Body::CallBegan { policy, .. } => {
                self.call_outs.insert(seq, CallOutReview::begun(seq, policy, at));
            }
            Body::Joined { call, episode, .. } => self.join(call, episode),
            Body::Paged { call, target, purpose, headline, .. } => {
                self.paged(call, Paged::planned(seq, at, target, purpose, headline));
            }
            Body::Delivered { page, result } => self.delivered(page, at, result),
            Body::Skipped { call, target, why } => {
                self.call(call, |known| known.skipped.push(Skipped { at, to: target, why }));
            }
            Body::Answered { call, by, .. } => self.call(call, |known| {
                let answer = answer(at, by, &known.began);
                known.answers.push(answer);
            }),
            Body::Resumed { call, why } => self.call(call, |known| known.resumed.push(Reason { at, why })),
            Body::CallEnded { call } => self.call(call, |known| known.ended = Some(at)),

            Body::Switched { relay, on, episode, attempt, why, .. } => {
                let switching = Switching { at, relay, on, why, attempt, proof: ProofSeen::Unknown };
                self.switched(seq, episode, switching);
            }
            Body::Proved { switching, after, .. } => self.proof(switching, ProofSeen::Proved { after }),
            Body::NotProved { switching, why, unknown, .. } => {
                let why = if unknown { format!("not known whether it obeyed: {why}") } else { why };
                self.proof(switching, ProofSeen::NotProved { why });
            }

            Body::Shelved { alarm, by, why, .. } => {
                self.put_aside(&alarm, &at, "shelved");
                self.aside("shelved", alarm, why, at, by);
            }
            Body::Unshelved { alarm, by } => self.end_aside("shelved", &alarm, at, by),
            Body::TakenOut { alarm, by, why } => {
                self.put_aside(&alarm, &at, "taken out of service");
                self.aside("out of service", alarm, why, at, by);
            }
            Body::Suppressed { alarm } => self.put_aside(&alarm, &at, "suppressed by work"),
            Body::PutBack { alarm, by } => self.end_aside("out of service", &alarm, at, Some(by)),
            Body::WorkBegan { tank, work, by, .. } => self.aside("work", tank, work, at, by),
            Body::WorkEnded { tank, by, .. } => self.end_aside("work", &tank, at, by),

            Body::Drill(drilled) => self.drilled(at, drilled),
            other => {
                let other = self.plan.map(|plan| other.titled(plan)).unwrap_or(other);
                if let Some(text) = notes::text(other) {
                    self.note(at, text);
                }
            }
        }
    }

    fn titles(&self) -> Titles {
        self.plan.map(Titles::of).unwrap_or_default()
    }

    fn raised(&mut self, at: Stamp, raised: Body) {
        let Body::Raised { alarm, episode, code, place, priority, since, because, .. } = raised else {
            return;
        };
        self.standing.insert(episode, at.clone());
        if let Some(known) = self.episodes.get_mut(&episode) {
            known.raised_again.push(at);
            (known.returned, known.put_aside) = (None, None);
            return;
        }
        let onset = Stamp::new(at.unix_ms - since, at.clock_trusted, self.zone);
        let new = Episode {
            episode,
            alarm,
            place,
            priority,
            code,
            because,
            onset,
            detected: at,
            raised_again: Vec::new(),
            worsened: Vec::new(),
            foretold: Vec::new(),
            lost_sight: Vec::new(),
            returned: None,
            put_aside: None,
            stood: Span::ZERO,
            acknowledged: Vec::new(),
            call_out: None,
            stopgaps: Vec::new(),
            mark: None,
        };
        self.episodes.insert(episode, new);
    }

    fn paged(&mut self, call: Seq, page: Paged) {
        if let Some(known) = self.call_outs.get_mut(&call) {
            self.pages.insert(page.page, (call, known.pages.len()));
            known.pages.push(page);
        }
    }

    fn delivered(&mut self, page: Seq, at: Stamp, outcome: Outcome) {
        let Some((call, nth)) = self.pages.get(&page) else { return };
        let known = self.call_outs.get_mut(call).and_then(|known| known.pages.get_mut(*nth));
        if let Some(known) = known {
            known.attempts += 1;
            known.result_at = Some(at);
            known.result = PageResult::from(outcome);
        }
    }

    fn switched(&mut self, seq: Seq, episode: Seq, switching: Switching) {
        if let Some(known) = self.episodes.get_mut(&episode) {
            self.switchings.insert(seq, (episode, known.stopgaps.len()));
            known.stopgaps.push(switching);
        }
    }

    fn drilled(&mut self, at: Stamp, drilled: Drilled) {
        match drilled {
            Drilled::TestsBegan { channels, .. } => {
                for channel in channels {
                    let proved =
                        channel.proved.map(|ago| Stamp::new(at.unix_ms - ago, at.clock_trusted, self.zone));
                    let proof = ChannelProof { to: channel.target.clone(), proved, missed: channel.missed };
                    self.proofs.insert(channel.target, proof);
                }
            }
            Drilled::TestAnswered { target, by, after, .. } => {
                let proof = ChannelProof { to: target.clone(), proved: Some(at.clone()), missed: 0 };
                self.proofs.insert(target.clone(), proof);
                let titles = self.titles();
                let (to, who) = (titles.way(&target), titles.person(&by.who));
                self.note(at, format!("test page to {to} answered by {who} after {after}"));
            }
            Drilled::TestUnanswered { target, why, .. } => {
                if let Some(proof) = self.proofs.get_mut(&target) {
                    proof.missed += 1;
                }
                let to = self.titles().way(&target);
                self.note(at, format!("test page to {to} {why}: NOT proved"));
            }
            Drilled::Noticed { target, headline, .. } => {
                let to = self.titles().way(&target);
                self.note(at, format!("notice to {to}: {headline}"))
            }
            drilled @ (Drilled::OutageDrilled { .. } | Drilled::OutageBrokenOff { .. }) => {
                self.note(at, drilled.to_string());
            }
            // Told by its answer, or by the want of one.
            Drilled::Tested { .. }
            | Drilled::OutageBegan { .. }
            | Drilled::PlugOut { .. }
            | Drilled::PlugBack { .. } => {}
        }
    }

    pub(super) fn finish(mut self) -> Finished {
        let (window, until) = (self.window, Stamp::new(self.window.until, true, self.zone));
        for (episode, raised) in std::mem::take(&mut self.standing) {
            self.episode(episode, |known| known.stood = known.stood + (until.unix_ms - raised.unix_ms));
        }
        let reaches = |end: &Stamp| end.unix_ms >= window.since;
        let told_later =
            |call: &CallOutReview| call.pages.last().is_some_and(|page| page.at.unix_ms >= window.since);
        let episodes = self.episodes.into_values().filter(|known| {
            let aside = known.put_aside.as_ref().map(|aside| &aside.at);
            let over = known.returned.as_ref().or(aside);
            let answered = known.acknowledged.last().map(|answer| &answer.at);
            over.is_none_or(reaches) || answered.is_some_and(reaches)
        });
        let call_outs = self.call_outs.into_values();
        Finished {
            episodes: episodes.collect(),
            call_outs: call_outs
                .filter(|call| call.ended.as_ref().is_none_or(reaches) || told_later(call))
                .collect(),
            asides: self.asides.into_iter().filter(|aside| aside.to.as_ref().is_none_or(reaches)).collect(),
            notes: self.notes,
            proofs: self.proofs.into_values().collect(),
            blips: self.blips.into_values().collect(),
        }
    }

    fn episode(&mut self, episode: Seq, change: impl FnOnce(&mut Episode)) {
        if let Some(known) = self.episodes.get_mut(&episode) {
            change(known);
        }
    }

    fn call(&mut self, call: Seq, change: impl FnOnce(&mut CallOutReview)) {
        if let Some(known) = self.call_outs.get_mut(&call) {
            change(known);
        }
    }

    fn join(&mut self, call: Seq, episode: Seq) {
        self.call(call, |known| known.episodes.push(episode));
        self.episode(episode, |known| known.call_out = Some(call));
    }

    fn proof(&mut self, switching: Seq, proof: ProofSeen) {
        let Some((episode, nth)) = self.switchings.get(&switching).copied() else { return };
        self.episode(episode, |known| {
            if let Some(known) = known.stopgaps.get_mut(nth) {
                known.proof = proof;
            }
        });
    }

    /// Ends the standing of an alarm that is put aside: it has not returned, but it rings no more.
    fn put_aside(&mut self, alarm: &str, at: &Stamp, how: &str) {
        let known = self.episodes.values_mut().rev();
        let mut standing = known.filter(|known| self.standing.contains_key(&known.episode));
        let Some(known) = standing.find(|known| known.alarm == alarm) else { return };
        if let Some(raised) = self.standing.remove(&known.episode) {
            known.stood = known.stood + (at.unix_ms - raised.unix_ms);
            known.put_aside = Some(Reason { at: at.clone(), why: how.to_owned() });
        }
    }

    fn aside(&mut self, kind: &'static str, of: String, why: String, from: Stamp, by: By) {
        self.asides.push(Aside { kind, of, why, from, who: by.who, to: None, ended_by: None });
    }

    fn end_aside(&mut self, kind: &str, of: &str, at: Stamp, by: Option<By>) {
        let open = |aside: &&mut Aside| aside.kind == kind && aside.of == of && aside.to.is_none();
        if let Some(aside) = self.asides.iter_mut().rev().find(open) {
            (aside.to, aside.ended_by) = (Some(at), by.map(|by| by.who));
        }
    }

    fn note(&mut self, at: Stamp, text: String) {
        if at.unix_ms >= self.window.since {
            self.notes.push(Note { at, text });
        }
    }
}

fn answer(at: Stamp, by: By, since: &Stamp) -> Answer {
    let after = at.after(since);
    Answer { at, who: by.who, via: by.via, after }
}

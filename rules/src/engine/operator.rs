//! What people say, and the start of the watch. An answer by code acknowledges every open
//! episode of the call-out that the code belongs to; a command puts an alarm aside or back.
//! What can't be taken is refused with a reason, and the refusal is a record like any other.

use super::{Engine, Word};
use crate::alarm::{Event, State};
use crate::plan::{AlarmId, CalloutId, TankId};
use crate::record::{Body, By, Drilled, Purpose, Seq};
use crate::time::Span;

/// A shelf ends by itself after this at the latest: what has to rest longer is out of service.
pub const LONGEST_SHELF: Span = Span::hours(24);

impl Engine {
    /// The watch begins: pages in flight go again, deadlines of what lasts are set.
    pub(super) fn start(&mut self, version: String, gap: Option<Span>) {
        let started = self.record(Body::Started { version, gap });
        self.count_weeks();
        self.set_out();
        for call in self.calls.keys().copied().collect::<Vec<_>>() {
            self.wake_call_at_start(call, gap.is_none());
        }
        // Steps that fell due meanwhile come first: their pages may make older ones needless.
        self.meet_deadlines();
        self.resume_pages(started);
        self.resume_slips(started);
    }

    pub(super) fn refuse(&mut self, what: String, why: String, by: By) {
        self.record(Body::Refused { what, why, by });
    }

    /// A person says something.
    pub(super) fn said(&mut self, word: Word, by: By) {
        match word {
            Word::Acknowledge { code } => self.acknowledge(&code, by),
            Word::Reset { alarm } => match self.find(&alarm, "reset", &by) {
                Some(id) if self.lives[id.index()].state == State::LatchedAcknowledged => {
                    self.record(Body::Reset { alarm, by });
                    self.suppress_for_work(id);
                    self.judge(id);
                }
                Some(id) => {
                    let why = match self.lives[id.index()].state {
                        State::LatchedUnacknowledged => "acknowledge it first".to_owned(),
                        state => format!("it is {state}; only a latched alarm is reset"),
                    };
                    self.refuse(format!("reset {alarm}"), why, by);
                }
                None => {}
            },
            Word::Shelve { alarm, length, why } => {
                let what = format!("shelve {alarm} for {length}");
                let Some(id) = self.find(&alarm, "shelve", &by) else { return };
                if length <= Span::ZERO || length > LONGEST_SHELF {
                    return self.refuse(
                        what,
                        format!("a shelf lasts more than 0 s and at most {LONGEST_SHELF}"),
                        by,
                    );
                }
                if !self.may(id, Event::Shelve) {
                    let state = self.lives[id.index()].state;
                    return self.refuse(what, format!("it is {state}"), by);
                }
                let episode = self.episode_of(id);
                self.record(Body::Shelved { alarm, length, by, why });
                self.wake_for_shelf(id);
                self.after_aside(id, episode);
            }
            Word::Unshelve { alarm } => {
                let Some(id) = self.find(&alarm, "unshelve", &by) else { return };
                if self.lives[id.index()].state == State::Shelved {
                    self.unshelve(id, Some(by));
                } else {
                    self.refuse(format!("unshelve {alarm}"), "it is not shelved".to_owned(), by);
                }
            }
            Word::TakeOut { alarm, why } => {
                let Some(id) = self.find(&alarm, "take out of service", &by) else { return };
                if why.trim().is_empty() {
                    return self.refuse(
                        format!("take {alarm} out of service"),
                        "a reason is needed".to_owned(),
                        by,
                    );
                }
                let episode = self.episode_of(id);
                self.record(Body::TakenOut { alarm, by, why });
                self.wake_for_shelf(id);
                self.after_aside(id, episode);
            }
            Word::PutBack { alarm } => {
                let Some(id) = self.find(&alarm, "put back", &by) else { return };
                if self.lives[id.index()].state == State::OutOfService {
                    self.record(Body::PutBack { alarm, by });
                    self.suppress_for_work(id);
                    self.judge(id);
                } else {
                    self.refuse(format!("put {alarm} back"), "it is not out of service".to_owned(), by);
                }
            }
            Word::BeginWork { tank, work, length } => self.begin_work(tank, work, length, by),
            Word::EndWork { tank } => match self.tank(&tank).filter(|id| self.works.contains_key(id)) {
                Some(id) => self.end_work(id, Some(by)),
                None => {
                    self.refuse(format!("end work on {tank}"), "no work is going on there".to_owned(), by)
                }
            },
            Word::Mark { episode, verdict, note } if episode < self.next_seq => {
                self.record(Body::Marked { episode, verdict, note, by });
            }
            Word::Mark { episode, verdict, .. } => {
                let why = format!("there has been no episode {episode} yet");
                self.refuse(format!("mark episode {episode} as {verdict}"), why, by);
            }
            Word::PlanSilence { length, why } if length > Span::ZERO && length <= LONGEST_SHELF => {
                self.record(Body::SilencePlanned { length, why, by });
            }
            Word::PlanSilence { length, .. } => {
                // The witness shelves its alarm for as long.
                let why = format!("a planned silence lasts more than 0 s and at most {LONGEST_SHELF}");
                self.refuse(format!("a planned silence of {length}"), why, by);
            }
            Word::EndSilence if self.silence_at(self.now.mono).is_some() => {
                self.record(Body::SilenceEnded { by });
            }
            Word::EndSilence => {
                self.refuse("end the planned silence".to_owned(), "none is planned".to_owned(), by);
            }
            Word::Drill { callout } => {
                match self.plan.callouts.iter().position(|policy| policy.name == callout) {
                    Some(at) => self.begin_drill(CalloutId(at as u32)),
                    None => {
                        let known: Vec<_> =
                            self.plan.callouts.iter().map(|policy| policy.name.as_str()).collect();
                        let why =
                            format!("there is no call-out of this name; there are: {}", known.join(", "));
                        self.refuse(format!("drill {callout}"), why, by);
                    }
                }
            }
            Word::TestPages => self.test_pages_asked(by),
            Word::OutageDrilled { alarm, steps } => {
                if self.find(&alarm, "drill an outage of", &by).is_some() {
                    self.drill(Drilled::OutageDrilled { alarm, steps, by });
                    self.tend_drills();
                }
            }
        }
    }

    /// Whether somebody could answer with this code now: that of an open episode, a call-out or a
    /// test page.
    pub fn is_open_code(&self, code: &str) -> bool {
        let code = code.trim().to_ascii_uppercase();
        let episode = self.lives.iter().filter_map(|life| life.episode.as_ref()).any(|e| e.code == code);
        let call = self.calls.values().any(|call| !call.ended && call.code == code);
        episode || call || self.is_test_code(&code)
    }

    fn acknowledge(&mut self, code: &str, by: By) {
        let code = code.trim().to_ascii_uppercase();
        let what = format!("acknowledge {code}");
        if self.answer_test(&code, &by) {
            return;
        }
        let by_code =
            |life: &crate::alarm::AlarmState| life.episode.as_ref().filter(|e| e.code == code).map(|e| e.id);
        let episode = self.lives.iter().find_map(by_code);
        let call = self.calls.values().find(|call| {
            let has = |episode: Seq| call.members.iter().any(|member| member.episode == episode);
            !call.ended && (call.code == code || episode.is_some_and(has))
        });
        let call = call.map(|call| (call.id, call.purpose));
        if episode.is_none() && call.is_none() {
            return self.refuse(what, "no open episode and no test page has this code".to_owned(), by);
        }
        let members: Vec<Seq> = match call {
            Some((id, _)) => self.calls[&id].members.iter().map(|member| member.episode).collect(),
            None => episode.into_iter().collect(),
        };
        for id in (0..).map(AlarmId).take(self.lives.len()) {
            let Some(open) = self.episode_of(id).filter(|open| members.contains(open)) else { continue };
            if self.lives[id.index()].state.after(Event::Acknowledge) != self.lives[id.index()].state {
                let alarm = self.plan.alarm(id).name.clone();
                self.record(Body::Acknowledged { alarm, episode: open, by: by.clone() });
            }
        }
        if let Some((call, _)) = call {
            self.answer(call, &by);
        }
    }

    fn find(&mut self, alarm: &str, what: &str, by: &By) -> Option<AlarmId> {
        let found = self.alarm(alarm);
        if found.is_none() {
            let near = self.index.names.keys().min_by_key(|name| strsim::damerau_levenshtein(name, alarm));
            let why = match near {
                Some(near) => format!("there is no alarm `{alarm}`; the nearest name is `{near}`"),
                None => "the rule file declares no alarms".to_owned(),
            };
            self.refuse(format!("{what} {alarm}"), why, by.clone());
        }
        found
    }

    fn may(&self, id: AlarmId, event: Event) -> bool {
        let state = self.lives[id.index()].state;
        state.after(event) != state
    }

    pub(super) fn episode_of(&self, id: AlarmId) -> Option<Seq> {
        self.lives[id.index()].episode.as_ref().map(|episode| episode.id)
    }

    /// An alarm was put aside: what it rang for is quiet, what it switched is undone.
    pub(super) fn after_aside(&mut self, id: AlarmId, episode: Option<Seq>) {
        self.judge(id);
        if let Some(episode) = episode {
            self.end_stopgap(id);
            self.episode_fell(episode);
        }
    }

    pub(super) fn wake_for_shelf(&mut self, id: AlarmId) {
        let until = self.lives[id.index()].aside.as_ref().and_then(|aside| aside.until);
        self.timers.set(super::DeadlineReason::Shelf(id), until);
    }

    pub(super) fn unshelve(&mut self, id: AlarmId, by: Option<By>) {
        if self.lives[id.index()].state == State::Shelved {
            self.record(Body::Unshelved { alarm: self.plan.alarm(id).name.clone(), by });
            self.wake_for_shelf(id);
            self.suppress_for_work(id);
            self.judge(id);
        }
    }

    /// A button was pressed, perhaps: it begins its work, or ends it if it is going on.
    pub(super) fn press(&mut self, topic: &str, payload: &[u8]) {
        let Some(buttons) = self.index.buttons.get(topic) else { return };
        let pressed = |(_, press, _): &&(String, String, TankId)| payload.trim_ascii() == press.as_bytes();
        let Some((work, _, tank)) = buttons.iter().find(pressed).cloned() else { return };
        let by = By { who: "somebody".to_owned(), via: format!("button {topic}") };
        if self.works.get(&tank).is_some_and(|spell| spell.work == work) {
            self.end_work(tank, Some(by));
        } else {
            let tank = self.plan.place(Some(tank)).to_owned();
            self.begin_work(tank, work, None, by);
        }
    }

    fn begin_work(&mut self, tank: String, work: String, length: Option<Span>, by: By) {
        let what = format!("begin {work} on {tank}");
        let Some(id) = self.tank(&tank) else {
            return self.refuse(what, format!("there is no tank `{tank}`"), by);
        };
        let Some(longest) = self.longest_work(&work) else {
            let known: Vec<_> = self.plan.works.keys().map(String::as_str).collect();
            let why = format!("there is no work `{work}`; there is: {}", known.join(", "));
            return self.refuse(what, why, by);
        };
        if self.works.contains_key(&id) {
            return self.refuse(what, "work is going on there already: end it first".to_owned(), by);
        }
        let length = length.unwrap_or(longest);
        if length <= Span::ZERO || length > longest {
            return self.refuse(what, format!("{work} lasts more than 0 s and at most {longest}"), by);
        }
        self.record(Body::WorkBegan { tank, work: work.clone(), length, by });
        self.timers.set(super::DeadlineReason::Work(id), Some(self.now.mono + length));
        for alarm in (0..).map(AlarmId).take(self.plan.alarms.len()) {
            self.suppress_for_work(alarm);
        }
    }

    /// Puts the alarm aside if work goes on that disturbs it: when the work begins, or when the
    /// alarm comes back while it does.
    pub(super) fn suppress_for_work(&mut self, alarm: AlarmId) {
        if self.is_disturbed(alarm) && self.may(alarm, Event::Suppress) {
            let episode = self.episode_of(alarm);
            self.record(Body::Suppressed { alarm: self.plan.alarm(alarm).name.clone() });
            self.after_aside(alarm, episode);
        }
    }

    /// Work disturbs an alarm of its tank if the alarm rests on a measure that the work pauses.
    fn is_disturbed(&self, alarm: AlarmId) -> bool {
        self.sensors_of(alarm).any(|id| {
            let sensor = self.plan.sensor(id);
            let spell = sensor.tank.and_then(|tank| self.works.get(&tank));
            let work = spell.and_then(|spell| self.plan.works.get(&spell.work));
            work.is_some_and(|work| work.pauses.iter().any(|measure| measure == sensor.measure.name))
        })
    }

    /// Work is over: everything it paused is looked at again at once.
    pub(super) fn end_work(&mut self, tank: TankId, by: Option<By>) {
        let Some(work) = self.works.get(&tank).map(|spell| spell.work.clone()) else { return };
        self.timers.set(super::DeadlineReason::Work(tank), None);
        let name = self.plan.place(Some(tank)).to_owned();
        self.record(Body::WorkEnded { tank: name, work, by });
        self.release_from_work();
    }

    /// Takes back in what no work disturbs any more.
    pub(super) fn release_from_work(&mut self) {
        for alarm in (0..).map(AlarmId).take(self.plan.alarms.len()) {
            let suppressed = self.lives[alarm.index()].state == State::SuppressedByDesign;
            if suppressed && !self.is_disturbed(alarm) {
                self.record(Body::Unsuppressed { alarm: self.plan.alarm(alarm).name.clone() });
                self.judge(alarm);
            }
        }
    }

    /// Sets a restored call-out going. If nobody knows for how long the watch was away, what
    /// waits for a step takes it now: sooner, never later.
    fn wake_call_at_start(&mut self, id: Seq, gap_unknown: bool) {
        let call = &self.calls[&id];
        if call.purpose != Purpose::Drill && call.members.is_empty() && !call.ended {
            // Its alarms have gone from the plan, so nobody could say that it is over.
            return self.end_call(id);
        }
        let asking = !call.ended && call.stands() && call.purpose != Purpose::Digest;
        if gap_unknown && asking && self.next_step(id).is_some() {
            self.take_step(id);
        }
    }
}

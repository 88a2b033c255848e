//! What each change does to a call-out. The running watch comes here with the change it has just
//! recorded, a restart with those of the journal; nothing else alters what lasts. A change about a
//! member or a ladder that is not there changes nothing.

use super::ladder::Climb;
use super::member::{Account, Condition, Member};
use super::state::{Answer, CRASH_LOOP, CallOut, News, Phase, STANDS_STILL, TELLINGS, Told};
use crate::alarm::Priority;
use crate::plan::Target;
use crate::record::{CallChange, CallMessage, CallNews, Joined, PageFate, Seq};
use crate::time::{Moment, Span};

impl CallOut {
    /// Takes a change that was recorded at `at`.
    pub fn apply(&mut self, change: &CallChange, at: Moment) {
        self.alter(change, at);
        if matches!(
            change,
            CallChange::Joined(_)
                | CallChange::Left { .. }
                | CallChange::CameBack { .. }
                | CallChange::Returned { .. }
                | CallChange::PutAside { .. }
                | CallChange::Hand { .. }
                | CallChange::Answered { .. }
                | CallChange::AnsweredOne { .. }
        ) {
            if !self.stands() {
                self.settling = self.settling.or(Some(at));
            } else if let Some(since) = self.settling.take() {
                self.go_on_after(at - since, at);
            }
        }
    }

    fn alter(&mut self, change: &CallChange, at: Moment) {
        match change {
            CallChange::Kind { kind } => {
                *self = Self::new(self.id, *kind, std::mem::take(&mut self.code), at)
            }
            CallChange::Joined(joined) => self.join(joined, at),
            CallChange::Left { episode } => self.members.leave(*episode),
            CallChange::CameBack { alarm, episode, flickers, worse } => {
                self.members.change_alarm(alarm, |member| {
                    member.worse &= *worse;
                    if member.episode != *episode {
                        member.account = Account::default();
                    }
                    member.episode = *episode;
                    member.condition = Condition::Raised;
                    member.latched = false;
                    member.anew = None;
                    member.end_told = false;
                    member.flickers |= *flickers;
                });
            }
            CallChange::Worsened { episode } => self.change(*episode, |member| {
                member.worse = true;
                member.told = None;
            }),
            CallChange::Returned { episode, latched } => self.change(*episode, |member| {
                member.condition = Condition::Returned(at);
                member.latched = *latched;
                member.anew = None;
                member.own_answer = None;
            }),
            CallChange::PutAside { episode, by } => self.change(*episode, |member| {
                member.condition = Condition::PutAside(by.clone());
                member.latched = false;
                member.anew = None;
                member.own_answer = None;
            }),
            CallChange::Hand { episode, awaited } => {
                self.change(*episode, |member| member.awaits_hand = *awaited)
            }
            CallChange::Anew { episode, after } => {
                self.change(*episode, |member| member.anew = after.map(|after| at + after));
            }
            CallChange::RaisedAnew { episode } => self.change(*episode, |member| {
                (member.anew, member.own_answer) = (None, None);
                (member.listed, member.answered, member.told) = (false, false, None);
                member.raised = at;
            }),
            CallChange::Held { length, by } => self.phase = Phase::Held { until: at + *length, by: *by },
            CallChange::Began { ladder, rank, rung, ago, due } => {
                let reached = self.climb(ladder, *rank).and_then(|climb| climb.reached);
                self.climbs.retain(|climb| climb.ladder != *ladder || climb.rank != *rank);
                self.climbs.push(Climb {
                    ladder: ladder.clone(),
                    rank: *rank,
                    begun: at - *ago,
                    next: *rung,
                    due: at + *due,
                    reached: reached.filter(|_| *rung > 0),
                    open: Default::default(),
                });
                self.phase = Phase::Climbing;
            }
            CallChange::GoesOn => self.phase = Phase::Climbing,
            CallChange::Rung { ladder, rank, rung, last, to, next } => {
                let of = |climb: &&mut Climb| climb.ladder == *ladder && climb.rank == *rank;
                let Some(climb) = self.climbs.iter_mut().find(of) else { return };
                climb.next = rung.saturating_add(1);
                climb.due = at + *next;
                climb.reached = climb.reached.max(Some((*rung).min(*last)));
                climb.open = to.iter().filter(|target| target.contact.is_some()).cloned().collect();
                self.unheard = None;
            }
            CallChange::NewsDue { within } => {
                let news = News { since: at, due: at + *within };
                self.news = Some(self.news.map_or(news, |old| News { since: at, due: old.due }));
            }
            CallChange::NewsTold => self.news = None,
            CallChange::Pressed { by, again } => self.pressed = again.map(|again| (by.clone(), at + again)),
            CallChange::Answered { by, lease, rank } => {
                self.phase = Phase::Answered { until: at + *lease };
                self.answer = Some(Answer { by: by.clone(), at, rank: *rank });
                self.answers = self.answers.saturating_add(1);
                (self.news, self.pressed) = (None, None);
                self.members.change_those(Member::stands, |member| {
                    member.answered = true;
                    member.latched = false;
                    member.own_answer = None;
                });
            }
            CallChange::AnsweredOne { episode, by, lease } => {
                self.answers = self.answers.saturating_add(1);
                self.change(*episode, |member| {
                    member.own_answer = Some((by.clone(), at + *lease));
                    member.answered = true;
                    member.latched = false;
                });
            }
            CallChange::Asks { renew, rank, to } => {
                self.phase = Phase::Asking { until: at + *renew, open: to.iter().cloned().collect() };
                if let Some(answer) = &mut self.answer {
                    answer.rank = *rank;
                }
            }
            CallChange::Told { target, message, rank, about, news } => {
                self.tell(target, message, (*rank, *about, *news), at)
            }
            CallChange::Page { target, fate } => self.note_page(target, *fate),
            CallChange::Started => {
                // A watch that keeps falling over waits once, not again at each start.
                let loops = self.started.is_some_and(|last| at - last <= CRASH_LOOP);
                self.unheard = self.unheard.filter(|_| loops).or(Some(at));
                self.started = Some(at);
            }
            CallChange::Waits { waits: true, .. } => self.waits = self.waits.or(Some(at)),
            CallChange::Waits { waits: false, .. } => {
                let waited = self.waits.take().map_or(Span::ZERO, |since| at - since);
                for climb in &mut self.climbs {
                    climb.due = climb.due + waited;
                    climb.begun = climb.begun + waited;
                }
            }
            CallChange::Ended => {
                self.phase = Phase::Over;
                (self.news, self.pressed) = (None, None);
            }
        }
    }

    /// What settled stands again: its ladders go on where they were. A rung whose time fell into
    /// the settling comes after as long as was left then, so that nobody is called in the moment of
    /// its return.
    fn go_on_after(&mut self, settled: Span, at: Moment) {
        for climb in self.climbs.iter_mut().filter(|climb| climb.due <= at) {
            let still = match climb.rank {
                Priority::Critical => settled.min(STANDS_STILL),
                Priority::High | Priority::Medium | Priority::Low => settled,
            };
            climb.due = climb.due + still;
            climb.begun = climb.begun + still;
        }
    }

    fn join(&mut self, joined: &Joined, at: Moment) {
        let known = self.members.of_alarm(&joined.alarm);
        // In another call-out it is news that it got worse.
        let worse = joined.worse && known.is_some_and(|known| known.worse);
        self.members.join(Member {
            alarm: joined.alarm.clone(),
            episode: joined.episode,
            place: joined.place.clone(),
            rank: joined.rank,
            ladder: joined.ladder.clone(),
            raised: at,
            condition: Condition::Raised,
            latched: false,
            awaits_hand: false,
            worse,
            answered: false,
            listed: joined.listed,
            told: None,
            end_told: false,
            sight: joined.sight,
            flickers: joined.flickers,
            own_answer: None,
            account: Account::default(),
            anew: None,
        });
    }

    fn change(&mut self, episode: Seq, change: impl FnOnce(&mut Member)) {
        self.members.change(episode, change);
    }

    fn tell(
        &mut self,
        target: &Target,
        message: &CallMessage,
        (rank, about, news): (Priority, Option<Seq>, Option<CallNews>),
        at: Moment,
    ) {
        if *message != CallMessage::Hush {
            let over = |member: &Member| member.returned().is_some() && !member.stands();
            self.members
                .change_those(|member| over(member) && !member.end_told, |member| member.end_told = true);
        }
        if message.asks() {
            self.members.change_those(
                |member| member.stands() && member.told.is_none(),
                |member| member.told = Some(at),
            );
        }
        let known = self.told.get(target).cloned();
        if !message.asks() && known.is_none() {
            return;
        }
        // Pages of one moment are one page, and its news is the first.
        let same = known.as_ref().filter(|known| known.last == at && known.message.asks() && message.asks());
        let (about, news) = same.map_or((about, news), |known| (known.about, known.news));
        let told = Told {
            about,
            news,
            first: known.as_ref().map_or(at, |known| known.first),
            last: at,
            asked: known.as_ref().filter(|_| !message.asks()).map_or(at, |known| known.asked),
            times: known.as_ref().map_or(0, |known| known.times).saturating_add(1),
            rank: if message.asks() { rank } else { known.as_ref().map_or(rank, |known| known.rank) },
            message: message.clone(),
            fate: None,
            reached: true,
            // A second page of the same moment is the same page.
            reached_before: known
                .as_ref()
                .is_some_and(|known| if known.last == at { known.reached_before } else { known.reached }),
        };
        self.told.insert(target.clone(), told);
        self.tellings.push_back((target.clone(), at));
        if self.tellings.len() > TELLINGS {
            self.tellings.pop_front();
            self.before = self.before.saturating_add(1);
        }
    }

    fn note_page(&mut self, target: &Target, fate: PageFate) {
        if let Some(told) = self.told.get_mut(target) {
            told.fate = Some(fate);
            told.reached = match fate {
                PageFate::Taken | PageFate::Doubtful => true,
                PageFate::Waits | PageFate::Lost => told.reached_before,
            };
        }
        if matches!(fate, PageFate::Taken) {
            return;
        }
        for climb in &mut self.climbs {
            climb.open.remove(target);
        }
        if let Phase::Asking { open, .. } = &mut self.phase {
            open.remove(target);
        }
    }
}

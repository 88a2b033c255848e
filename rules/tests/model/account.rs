//! Call-outs, as somebody would account for them with the page that describes them in one hand and
//! a pencil in the other: slow, with everything looked at anew at each moment, and sharing nothing
//! with the engine but names. What alarms do and what people say flows in with times; who is paged
//! when, and what for, flows out.

use std::collections::{BTreeMap, BTreeSet};

pub(crate) const MINUTE: i64 = 60_000;
const DAY: i64 = 24 * 60 * MINUTE;

/// Low, medium, high, critical.
pub(crate) type Rank = usize;
pub(crate) const CRITICAL: Rank = 3;

#[derive(Clone, Debug)]
pub(crate) struct Ladder {
    /// Minutes since it began; whom. The first is at once.
    pub(crate) rungs: Vec<(i64, Vec<&'static str>)>,
    pub(crate) again: i64,
    pub(crate) lease: i64,
    pub(crate) renew: i64,
    pub(crate) settle: i64,
    /// From 22:00 to 07:00.
    pub(crate) quiet: bool,
}

#[derive(Clone, Debug)]
pub(crate) struct Alarm {
    pub(crate) rank: Rank,
    pub(crate) ladder: usize,
    /// Seconds.
    pub(crate) on_delay: i64,
    pub(crate) latching: bool,
    /// Hours, if it is said.
    pub(crate) respond: Option<i64>,
    /// Earlier alarms, and whether it is expected with them.
    pub(crate) causes: Vec<(usize, bool)>,
}

#[derive(Clone, Debug)]
pub(crate) struct House {
    pub(crate) ladders: Vec<Ladder>,
    pub(crate) alarms: Vec<Alarm>,
    /// Who may only be called from 08:00 to 22:00.
    pub(crate) sleepers: Vec<&'static str>,
    /// The time of day at which the account begins, in ms since midnight.
    pub(crate) begins: i64,
}

/// Every way to each person.
pub(crate) const WAYS: [&str; 5] = ["ines.push", "ines.mail", "tom.text", "neighbour.text", "neighbour.mail"];

#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Deed {
    Begins(usize),
    Ends(usize),
    Answers(&'static str, usize),
    Holds(&'static str, usize, i64),
    Next(&'static str, usize),
    /// The watch dies and is back at once, and everything is heard at once.
    Restart,
}

/// When, to whom, what for.
pub(crate) type Telling = (i64, String, &'static str);

#[derive(Clone, Debug)]
struct Member {
    alarm: usize,
    /// Since it was raised, or counts as raised anew.
    raised: i64,
    over: Option<i64>,
    latched: bool,
    covered: bool,
    /// Somebody has answered this spell of it, whatever it counts as since: it does not latch.
    acknowledged: bool,
    listed_only: bool,
    told: Option<i64>,
    end_told: bool,
    anew: Option<i64>,
    alone: Option<i64>,
}

impl Member {
    fn stands(&self) -> bool {
        self.over.is_none() || self.latched
    }

    fn calls(&self, now: i64) -> bool {
        self.stands() && self.alone.is_none_or(|until| until <= now)
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Phase {
    ForCause(i64),
    ForMorning(i64),
    Climbing,
    Answered(i64),
    Asking(i64),
    Over,
}

#[derive(Clone, Debug)]
struct Climb {
    begun: i64,
    next: usize,
    due: i64,
    reached: Option<usize>,
}

#[derive(Clone, Debug)]
struct Call {
    digest: bool,
    members: Vec<Member>,
    phase: Phase,
    nothing_since: Option<i64>,
    climbs: BTreeMap<(usize, Rank), Climb>,
    answerer: &'static str,
    covers: Rank,
    told: BTreeMap<&'static str, i64>,
    news: Option<(i64, i64)>,
    pressed: Option<(&'static str, i64)>,
    flickers: bool,
    /// What it says: when, to whom, what.
    out: Vec<(i64, &'static str, &'static str)>,
}

pub(crate) struct Account<'a> {
    house: &'a House,
    now: i64,
    /// Since when each alarm's condition holds.
    true_since: Vec<Option<i64>>,
    /// Raised and not known to be over.
    raised: Vec<bool>,
    raises: Vec<Vec<i64>>,
    calls: Vec<Call>,
}

fn person(target: &str) -> &str {
    target.split('.').next().unwrap_or(target)
}

impl<'a> Account<'a> {
    pub(crate) fn of(house: &'a House) -> Self {
        let many = house.alarms.len();
        Self {
            house,
            now: 0,
            true_since: vec![None; many],
            raised: vec![false; many],
            raises: vec![Vec::new(); many],
            calls: Vec::new(),
        }
    }

    // ------------------------------------------------------------------ time

    /// Lets all happen that falls due until then, one thing after the other.
    pub(crate) fn wait_until(&mut self, end: i64) {
        for _ in 0..100_000 {
            let Some((at, _, what)) = self.next_thing().filter(|(at, ..)| *at <= end) else {
                self.now = end;
                return;
            };
            self.now = self.now.max(at);
            self.happen(what);
        }
        panic!("time stands still at {}", self.now);
    }

    pub(crate) fn deed(&mut self, deed: Deed) {
        match deed {
            Deed::Begins(alarm) => self.true_since[alarm] = self.true_since[alarm].or(Some(self.now)),
            Deed::Ends(alarm) => {
                self.true_since[alarm] = None;
                if std::mem::take(&mut self.raised[alarm]) {
                    self.ends(alarm);
                }
            }
            Deed::Answers(who, alarm) => self.answers(who, alarm, None),
            Deed::Holds(who, alarm, minutes) => self.answers(who, alarm, Some(minutes)),
            Deed::Next(who, alarm) => self.presses_next(who, alarm),
            // What is recorded is as it was; for how long something has been true is not known any
            // more.
            Deed::Restart => {
                let now = self.now + 1;
                for (since, raised) in self.true_since.iter_mut().zip(&self.raised) {
                    *since = since.map(|since| if *raised { since } else { now });
                }
            }
        }
        self.wait_until(self.now);
    }

    /// The soonest of all that waits; of one moment in this order.
    fn next_thing(&self) -> Option<(i64, usize, Thing)> {
        let mut all = Vec::new();
        for (alarm, since) in self.true_since.iter().enumerate() {
            if let Some(since) = since.filter(|_| !self.raised[alarm]) {
                all.push((since + self.house.alarms[alarm].on_delay * 1_000, 0, Thing::Raise(alarm)));
            }
        }
        for (at, call) in self.calls.iter().enumerate().filter(|(_, call)| call.phase != Phase::Over) {
            if let Some(since) = call.nothing_since {
                match call.phase {
                    Phase::ForMorning(until) if call.told.is_empty() => {
                        all.push((until, 1, Thing::Morning(at)));
                    }
                    _ => all.push((since + self.settle(call), 1, Thing::Settled(at))),
                }
                continue;
            }
            match call.phase {
                Phase::ForCause(until) => all.push((until, 2, Thing::HoldOver(at))),
                Phase::ForMorning(until) => all.push((until, 2, Thing::Morning(at))),
                Phase::Answered(until) => all.push((until, 2, Thing::LeaseOver(at))),
                Phase::Asking(until) => all.push((until, 2, Thing::NoWord(at))),
                Phase::Climbing => {
                    for ladder in self.asked_ladders(call) {
                        if let Some(climb) = call.climbs.get(&(ladder, self.standing(call).unwrap_or(0))) {
                            all.push((climb.due, 4, Thing::Rung(at, ladder)));
                        }
                    }
                    all.extend(call.news.map(|(_, due)| (due, 5, Thing::News(at))));
                    all.extend(call.pressed.map(|(_, due)| (due, 6, Thing::Pressed(at))));
                }
                Phase::Over => {}
            }
            for member in call.members.iter().filter(|member| member.stands()) {
                let at_times = [member.anew, member.alone].into_iter().flatten();
                all.extend(at_times.map(|due| (due, 3, Thing::Anew(at, member.alarm))));
            }
        }
        all.into_iter().map(|(at, order, what)| (at.max(self.now), order, what)).min_by_key(|it| (it.0, it.1))
    }

    fn happen(&mut self, what: Thing) {
        match what {
            Thing::Raise(alarm) => {
                self.raised[alarm] = true;
                self.raise(alarm);
            }
            Thing::Settled(at) => {
                let told: Vec<&str> = self.calls[at].told.keys().copied().collect();
                told.into_iter().for_each(|target| self.tell(at, target, "clear"));
                self.calls[at].phase = Phase::Over;
            }
            Thing::Morning(at) if self.calls[at].nothing_since.is_some() => {
                let ladders: BTreeSet<usize> =
                    self.calls[at].members.iter().map(|it| self.house.alarms[it.alarm].ladder).collect();
                for ladder in ladders {
                    let rungs = self.house.ladders[ladder].rungs.len();
                    let first =
                        (0..rungs).map(|rung| self.whom(at, ladder, 0, rung, true)).find(|to| !to.is_empty());
                    first.unwrap_or_default().into_iter().for_each(|target| self.tell(at, target, "morning"));
                }
                self.calls[at].phase = Phase::Over;
            }
            Thing::Morning(at) | Thing::HoldOver(at) => self.climb_anew(at),
            Thing::LeaseOver(at) => match self.held_until(at) {
                Some(until) => self.calls[at].phase = Phase::ForMorning(until),
                None => self.ask(at),
            },
            Thing::NoWord(at) => self.nobody_said_a_word(at),
            Thing::Rung(at, ladder) => match self.held_until(at) {
                Some(until) => self.calls[at].phase = Phase::ForMorning(until),
                None => {
                    let rank = self.standing(&self.calls[at]).unwrap_or(0);
                    let next = self.calls[at].climbs[&(ladder, rank)].next;
                    self.take(at, ladder, rank, next);
                }
            },
            Thing::News(at) => {
                let Some((since, _)) = self.calls[at].news.take() else { return };
                for target in self.told_so_far(at) {
                    if self.calls[at].told[target] < since {
                        self.tell(at, target, "call");
                    }
                }
            }
            Thing::Pressed(at) => {
                let Some((who, _)) = self.calls[at].pressed.take() else { return };
                for target in WAYS.into_iter().filter(|target| person(target) == who) {
                    self.tell(at, target, "call");
                }
            }
            Thing::Anew(at, alarm) => {
                let before = self.asked(at, Some(alarm));
                let now = self.now;
                if let Some(member) = self.calls[at].members.iter_mut().find(|it| it.alarm == alarm) {
                    (member.anew, member.alone, member.listed_only) = (None, None, false);
                    (member.covered, member.told, member.raised) = (false, None, now);
                }
                self.comes_in(at, alarm, before);
            }
        }
    }

    // ------------------------------------------------------------------ what stands

    fn standing(&self, call: &Call) -> Option<Rank> {
        call.members.iter().filter(|it| it.calls(self.now)).map(|it| self.house.alarms[it.alarm].rank).max()
    }

    fn asked_ladders(&self, call: &Call) -> BTreeSet<usize> {
        let rank = self.standing(call);
        let those = call.members.iter().filter(|it| it.calls(self.now));
        let those = those.map(|it| &self.house.alarms[it.alarm]).filter(|alarm| Some(alarm.rank) == rank);
        those.map(|alarm| alarm.ladder).collect()
    }

    /// The rank that something new of this alarm is held against.
    fn asked(&self, at: usize, but: Option<usize>) -> Option<Rank> {
        let call = &self.calls[at];
        let others = || call.members.iter().filter(move |it| Some(it.alarm) != but);
        let rank = |it: &Member| self.house.alarms[it.alarm].rank;
        match (call.phase, call.nothing_since) {
            (Phase::Answered(_) | Phase::Asking(_), _) => Some(call.covers),
            // The state before: what stood last.
            (_, Some(since)) => others().filter(|it| it.over == Some(since)).map(rank).max(),
            (_, None) => others().filter(|it| it.calls(self.now)).map(rank).max(),
        }
    }

    fn explains(&self, cause: usize, effect: usize) -> bool {
        let direct = &self.house.alarms[effect].causes;
        direct.iter().any(|(of, _)| *of == cause || self.explains(cause, *of))
    }

    fn settle(&self, call: &Call) -> i64 {
        let usual =
            call.members.iter().map(|it| self.house.ladders[self.house.alarms[it.alarm].ladder].settle);
        let usual = usual.max().unwrap_or(0) * MINUTE;
        if call.flickers { usual.max(60 * MINUTE) } else { usual }
    }

    fn is_explained(&self, at: usize, effect: usize) -> bool {
        let standing = self.calls[at].members.iter().filter(|it| it.stands() && it.alarm != effect);
        standing.into_iter().any(|cause| self.explains(cause.alarm, effect))
    }

    // ------------------------------------------------------------------ night and hours

    fn time_of_day(&self) -> i64 {
        (self.house.begins + self.now).rem_euclid(DAY)
    }

    /// When quiet ends, while it lasts.
    fn quiet_until(&self, ladder: usize) -> Option<i64> {
        let (time, seven) = (self.time_of_day(), 7 * 60 * MINUTE);
        let left = if time < seven { seven - time } else { seven + DAY - time };
        let is_quiet = time < seven || time >= 22 * 60 * MINUTE;
        (self.house.ladders[ladder].quiet && is_quiet).then_some(self.now + left)
    }

    fn is_held(&self, alarm: usize, raised: i64) -> Option<i64> {
        let alarm = &self.house.alarms[alarm];
        let until = self.quiet_until(alarm.ladder)?;
        let waits = match alarm.rank {
            0 => true,
            1 => alarm.respond.is_some_and(|hours| raised + hours * 60 * MINUTE > until + 60 * MINUTE),
            _ => false,
        };
        waits.then_some(until)
    }

    /// If quiet holds all that calls.
    fn held_until(&self, at: usize) -> Option<i64> {
        let calling: Vec<&Member> = self.calls[at].members.iter().filter(|it| it.calls(self.now)).collect();
        let held: Option<Vec<i64>> = calling.iter().map(|it| self.is_held(it.alarm, it.raised)).collect();
        held?.into_iter().min()
    }

    fn sleeps(&self, target: &str) -> bool {
        let time = self.time_of_day() / MINUTE;
        self.house.sleepers.contains(&person(target)) && !(8 * 60..22 * 60).contains(&time)
    }

    // ------------------------------------------------------------------ telling

    fn tell(&mut self, at: usize, target: &'static str, what: &'static str) {
        let now = self.now;
        let call = &mut self.calls[at];
        let asks = matches!(what, "call" | "ask" | "morning");
        for member in &mut call.members {
            if member.over.is_some() && !member.latched {
                member.end_told = true;
            }
            if asks && member.stands() {
                member.told = member.told.or(Some(now));
            }
        }
        if asks {
            call.told.insert(target, now);
        }
        call.out.push((now, target, what));
    }

    /// All that went out: of what one call-out says in one moment by one way, the last.
    pub(crate) fn pages(self) -> Vec<Telling> {
        let mut pages = Vec::new();
        for call in &self.calls {
            for (nth, (at, target, what)) in call.out.iter().enumerate() {
                let later = call.out.iter().skip(nth + 1);
                if later.into_iter().any(|(then, to, _)| then == at && to == target) {
                    continue;
                }
                let what = match *what {
                    "ask" => "call",
                    "call" if call.digest => "digest",
                    "morning" => "digest",
                    what => what,
                };
                pages.push((*at, (*target).to_owned(), what));
            }
        }
        pages.sort();
        pages
    }

    /// Everyone told so far who may be told now.
    fn told_so_far(&self, at: usize) -> Vec<&'static str> {
        let call = &self.calls[at];
        let loud = self.standing(call) == Some(CRITICAL);
        call.told.keys().copied().filter(|target| loud || !self.sleeps(target)).collect()
    }

    fn news(&mut self, at: usize) {
        if self.held_until(at).is_none() {
            self.told_so_far(at).into_iter().for_each(|target| self.tell(at, target, "call"));
        }
    }

    /// Whom a rung tells; from the ladder's length on it repeats the last that reaches somebody,
    /// and for something critical also those whom their hours have spared.
    fn whom(
        &self,
        _at: usize,
        ladder: usize,
        rank: Rank,
        rung: usize,
        in_its_time: bool,
    ) -> Vec<&'static str> {
        let rungs = &self.house.ladders[ladder].rungs;
        let all = || rungs.iter().flat_map(|(_, to)| to.iter().copied());
        let nobody_awake = all().all(|target| self.sleeps(target));
        let second_round = rung >= rungs.len() && rank == CRITICAL && (rung > rungs.len() || in_its_time);
        let may = |target: &&str| nobody_awake || second_round || !self.sleeps(target);
        let of = |rung: usize| rungs[rung].1.iter().copied().filter(may).collect::<Vec<_>>();
        let mut to = match rung < rungs.len() {
            true => of(rung),
            false => (0..rungs.len()).rev().map(of).find(|to| !to.is_empty()).unwrap_or_default(),
        };
        if second_round {
            to.extend(all().filter(|target| self.sleeps(target)));
        }
        to
    }

    /// A rung is told; if it reaches nobody, those after it.
    fn take(&mut self, at: usize, ladder: usize, rank: Rank, rung: usize) {
        let rungs: Vec<i64> =
            self.house.ladders[ladder].rungs.iter().map(|(after, _)| *after * MINUTE).collect();
        let last = rungs.len() - 1;
        for (nth, rung) in (rung..=rung.max(rungs.len())).enumerate() {
            let to = self.whom(at, ladder, rank, rung, nth == 0);
            to.iter().for_each(|target| self.tell(at, target, "call"));
            let now = self.now;
            let again = self.house.ladders[ladder].again * MINUTE;
            let Some(climb) = self.calls[at].climbs.get_mut(&(ladder, rank)) else { return };
            climb.next = rung + 1;
            climb.reached = climb.reached.max(Some(rung.min(last)));
            climb.due = rungs.get(rung + 1).map_or(now + again, |after| (climb.begun + after).max(now));
            if !to.is_empty() {
                return;
            }
        }
    }

    // ------------------------------------------------------------------ climbing

    /// A ladder begins at this rung, which falls due after so long.
    fn begin(&mut self, at: usize, ladder: usize, rank: Rank, rung: usize, due: i64) {
        let rungs = &self.house.ladders[ladder].rungs;
        let after = rungs.get(rung).map_or(0, |(after, _)| *after * MINUTE);
        let reached =
            self.calls[at].climbs.get(&(ladder, rank)).and_then(|climb| climb.reached).filter(|_| rung > 0);
        let begun = (self.now + due - after).min(self.now);
        self.calls[at]
            .climbs
            .insert((ladder, rank), Climb { begun, next: rung, due: self.now + due, reached });
        self.calls[at].phase = Phase::Climbing;
    }

    /// All asked ladders from rung 0, now.
    fn climb_anew(&mut self, at: usize) {
        if let Some(until) = self.held_until(at) {
            self.calls[at].phase = Phase::ForMorning(until);
            return;
        }
        let Some(rank) = self.standing(&self.calls[at]) else {
            self.calls[at].phase = Phase::Climbing;
            return;
        };
        for ladder in self.asked_ladders(&self.calls[at]) {
            self.begin(at, ladder, rank, 0, 0);
        }
    }

    fn breaks_through(&mut self, at: usize) {
        let who = self.calls[at].answerer;
        WAYS.into_iter()
            .filter(|target| person(target) == who)
            .for_each(|target| self.tell(at, target, "call"));
        self.climb_anew(at);
    }

    /// The highest rank has fallen: at the first rung that names somebody new.
    fn goes_on_milder(&mut self, at: usize, ladders: BTreeSet<usize>) {
        if let Some(until) = self.held_until(at) {
            self.calls[at].phase = Phase::ForMorning(until);
            return;
        }
        let Some(rank) = self.standing(&self.calls[at]) else { return };
        let told: BTreeSet<&str> = self.calls[at].told.keys().copied().collect();
        for ladder in ladders {
            let of = &self.house.ladders[ladder];
            let raised = self.calls[at].members.iter().filter(|it| {
                let alarm = &self.house.alarms[it.alarm];
                it.calls(self.now) && alarm.rank == rank && alarm.ladder == ladder
            });
            let raised = raised.map(|it| it.raised).min().unwrap_or(self.now);
            let rung = of.rungs.iter().position(|(_, to)| to.iter().any(|target| !told.contains(target)));
            let due = match rung {
                Some(rung) => raised + of.rungs[rung].0 * MINUTE,
                None => self.calls[at].told.values().max().copied().unwrap_or(self.now) + of.again * MINUTE,
            };
            let (rung, due) = (rung.unwrap_or(of.rungs.len()), due.max(self.now));
            let reached = self.calls[at].climbs.get(&(ladder, rank)).and_then(|climb| climb.reached);
            let climb = Climb { begun: raised, next: rung, due, reached: reached.filter(|_| rung > 0) };
            self.calls[at].climbs.insert((ladder, rank), climb);
            self.calls[at].phase = Phase::Climbing;
        }
    }

    /// Each asked ladder is being climbed for the rank that stands, and nothing is held that may
    /// not be.
    fn see_to_ladders(&mut self, at: usize) {
        if self.calls[at].nothing_since.is_some() {
            return;
        }
        let missing = |of: &Self| {
            let rank = of.standing(&of.calls[at]).unwrap_or(0);
            let asked = of.asked_ladders(&of.calls[at]).into_iter();
            asked
                .filter(|ladder| !of.calls[at].climbs.contains_key(&(*ladder, rank)))
                .collect::<BTreeSet<_>>()
        };
        if matches!(self.calls[at].phase, Phase::ForMorning(_)) && self.held_until(at).is_none() {
            match missing(self).is_empty() {
                true => self.calls[at].phase = Phase::Climbing,
                false => self.climb_anew(at),
            }
        }
        let missing = missing(self);
        if self.calls[at].phase == Phase::Climbing && !missing.is_empty() {
            self.goes_on_milder(at, missing);
        }
    }

    // ------------------------------------------------------------------ alarms

    fn raise(&mut self, alarm: usize) {
        let now = self.now;
        self.raises[alarm].retain(|at| now - at <= 180 * MINUTE);
        self.raises[alarm].push(now);
        // The cause that a held one waits for may be this.
        match self.home(alarm) {
            Some(at)
                if self.calls[at].digest
                    && matches!(self.calls[at].phase, Phase::ForMorning(_))
                    && self.is_held(alarm, now).is_none()
                    && !self.calls[at].members.iter().any(|it| it.alarm == alarm) =>
            {
                self.begins(alarm);
                let kin: Vec<usize> = self.calls[at]
                    .members
                    .iter()
                    .filter(|it| {
                        it.stands() && (self.explains(alarm, it.alarm) || self.explains(it.alarm, alarm))
                    })
                    .map(|it| it.alarm)
                    .collect();
                self.calls[at].members.retain(|it| !kin.contains(&it.alarm));
                if self.calls[at].members.is_empty() {
                    self.calls[at].phase = Phase::Over;
                } else if !self.calls[at].members.iter().any(Member::stands) {
                    self.calls[at].nothing_since = self.calls[at].nothing_since.or(Some(now));
                }
                for kin in kin {
                    self.joins_some_call(kin);
                }
            }
            _ => self.joins_some_call(alarm),
        }
    }

    fn joins_some_call(&mut self, alarm: usize) {
        match self.home(alarm) {
            Some(at) => self.joins(at, alarm),
            None => {
                let ladder = self.house.alarms[alarm].ladder;
                let digest = self.calls.iter().position(|call| {
                    call.digest
                        && matches!(call.phase, Phase::ForMorning(_))
                        && call.members.iter().any(|it| self.house.alarms[it.alarm].ladder == ladder)
                });
                match digest.filter(|_| self.is_held(alarm, self.now).is_some()) {
                    Some(at) => self.joins(at, alarm),
                    None => self.begins(alarm),
                }
            }
        }
    }

    /// The call-out of its kin: the one of higher rank, else the older.
    fn home(&self, alarm: usize) -> Option<usize> {
        let claims = |call: &Call| {
            call.members.iter().any(|it| {
                let recent = it.stands() || it.over.is_some_and(|at| self.now - at <= self.settle(call));
                it.alarm == alarm
                    || (recent && (self.explains(it.alarm, alarm) || self.explains(alarm, it.alarm)))
            })
        };
        let open =
            self.calls.iter().enumerate().filter(|(_, call)| call.phase != Phase::Over && claims(call));
        let all = |call: &Call| call.members.iter().map(|it| self.house.alarms[it.alarm].rank).max();
        open.max_by_key(|(at, call)| (self.standing(call).or(all(call)), std::cmp::Reverse(*at)))
            .map(|(at, _)| at)
    }

    fn begins(&mut self, alarm: usize) {
        let of = &self.house.alarms[alarm];
        let held = self.is_held(alarm, self.now);
        self.calls.push(Call {
            digest: held.is_some(),
            members: Vec::new(),
            phase: Phase::Climbing,
            nothing_since: None,
            climbs: BTreeMap::new(),
            answerer: "",
            covers: 0,
            told: BTreeMap::new(),
            news: None,
            pressed: None,
            flickers: false,
            out: Vec::new(),
        });
        let at = self.calls.len() - 1;
        self.adds(at, alarm, false);
        let all = 0..self.house.alarms.len();
        let coming = all
            .filter(|cause| self.explains(*cause, alarm) && !self.raised[*cause])
            .filter_map(|cause| Some(self.true_since[cause]? + self.house.alarms[cause].on_delay * 1_000));
        let longest = if of.rank == CRITICAL { 60_000 } else { i64::MAX };
        let wait = coming.max().map_or(0, |until| (until - self.now).min(longest));
        match wait > 0 {
            true => self.calls[at].phase = Phase::ForCause(self.now + wait),
            false => self.climb_anew(at),
        }
    }

    fn adds(&mut self, at: usize, alarm: usize, listed_only: bool) {
        let member = Member {
            alarm,
            raised: self.now,
            over: None,
            latched: false,
            covered: false,
            acknowledged: false,
            listed_only,
            told: None,
            end_told: false,
            anew: None,
            alone: None,
        };
        let flickers = self.raises[alarm].len() >= 2;
        let call = &mut self.calls[at];
        call.flickers |= flickers;
        match call.members.iter_mut().find(|it| it.alarm == alarm) {
            Some(known) => *known = member,
            None => call.members.push(member),
        }
        self.stands_again(at);
    }

    /// Ladders stood still while nothing stood; that of something critical no longer than five
    /// minutes.
    fn stands_again(&mut self, at: usize) {
        let now = self.now;
        let call = &mut self.calls[at];
        if !call.members.iter().any(Member::stands) {
            return;
        }
        let Some(since) = call.nothing_since.take() else { return };
        for ((_, rank), climb) in call.climbs.iter_mut().filter(|(_, climb)| climb.due <= now) {
            let still = if *rank == CRITICAL { (now - since).min(5 * MINUTE) } else { now - since };
            climb.due += still;
            climb.begun += still;
        }
    }

    fn joins(&mut self, at: usize, alarm: usize) {
        let settle = self.settle(&self.calls[at]);
        let known = self.calls[at].members.iter().find(|it| it.alarm == alarm);
        let back = known.is_some_and(|it| {
            it.stands() || (it.over.is_some_and(|over| self.now - over <= settle) && !it.end_told)
        });
        let forget = |of: &mut Self| {
            let explained: Vec<usize> =
                (0..of.house.alarms.len()).filter(|it| of.explains(alarm, *it)).collect();
            for member in of.calls[at].members.iter_mut().filter(|it| explained.contains(&it.alarm)) {
                member.anew = None;
            }
        };
        if back {
            self.calls[at].flickers |= self.raises[alarm].len() >= 2;
            if let Some(member) = self.calls[at].members.iter_mut().find(|it| it.alarm == alarm) {
                (member.over, member.latched, member.anew, member.end_told) = (None, false, None, false);
                member.acknowledged = false;
            }
            self.stands_again(at);
            forget(self);
            self.see_to_ladders(at);
            return;
        }
        let before = self.asked(at, Some(alarm));
        let was_for = self.calls[at].phase;
        let explains_standing =
            self.calls[at].members.iter().any(|it| it.stands() && self.explains(alarm, it.alarm));
        let listed = self.is_explained(at, alarm);
        self.adds(at, alarm, listed);
        forget(self);
        if matches!(was_for, Phase::ForCause(_)) && explains_standing {
            self.not_only_listed(at, alarm);
            self.climb_anew(at);
            self.see_to_ladders(at);
            return;
        }
        self.comes_in(at, alarm, before);
    }

    fn not_only_listed(&mut self, at: usize, alarm: usize) {
        if let Some(member) = self.calls[at].members.iter_mut().find(|it| it.alarm == alarm) {
            member.listed_only = false;
        }
    }

    /// What something that is raised, or counts as raised anew, means for a call-out.
    fn comes_in(&mut self, at: usize, alarm: usize, asked: Option<Rank>) {
        let of = self.house.alarms[alarm].clone();
        let answered = matches!(self.calls[at].phase, Phase::Answered(_) | Phase::Asking(_));
        let above = asked.is_none_or(|asked| of.rank > asked);
        let others = || self.calls[at].members.iter().filter(|it| it.alarm != alarm && it.stands());
        let expected =
            others().any(|cause| of.causes.iter().any(|(at, expected)| *at == cause.alarm && *expected));
        let same_ladder = others().any(|it| {
            let other = &self.house.alarms[it.alarm];
            other.rank == of.rank && other.ladder == of.ladder
        });
        let climbed = self.calls[at].climbs.contains_key(&(of.ladder, of.rank))
            && self.calls[at].phase == Phase::Climbing
            && same_ladder;
        let same_ladder = same_ladder || climbed;
        let breaks = above || (of.rank == CRITICAL && !expected);
        if matches!(self.calls[at].phase, Phase::ForMorning(_)) {
            if self.held_until(at).is_none() {
                self.not_only_listed(at, alarm);
                self.climb_anew(at);
                self.news(at);
            }
            return self.see_to_ladders(at);
        }
        if answered {
            if breaks {
                self.not_only_listed(at, alarm);
                self.breaks_through(at);
            }
            return self.see_to_ladders(at);
        }
        let climbing = self.calls[at].phase == Phase::Climbing;
        if above {
            self.not_only_listed(at, alarm);
            match climbing {
                true => self.begin(at, of.ladder, of.rank, 0, 0),
                false => self.climb_anew(at),
            }
            self.news(at);
        } else if of.rank == CRITICAL && !same_ladder {
            self.not_only_listed(at, alarm);
            match climbing {
                true => self.begin(at, of.ladder, of.rank, 0, 0),
                false => self.climb_anew(at),
            }
        } else if of.rank == CRITICAL {
            let due = self.calls[at].news.map_or(self.now + 5 * MINUTE, |(_, due)| due);
            self.calls[at].news = Some((self.now, due));
        }
        self.see_to_ladders(at);
    }

    fn ends(&mut self, alarm: usize) {
        let latches = self.house.alarms[alarm].latching;
        let now = self.now;
        let open = |call: &Call| {
            call.phase != Phase::Over && call.members.iter().any(|it| it.alarm == alarm && it.over.is_none())
        };
        let Some(at) = self.calls.iter().position(open) else { return };
        let before = self.standing(&self.calls[at]);
        let answered = matches!(self.calls[at].phase, Phase::Answered(_) | Phase::Asking(_));
        let Some(member) = self.calls[at].members.iter_mut().find(|it| it.alarm == alarm) else { return };
        member.over = Some(now);
        member.latched = latches && !member.covered && !member.acknowledged;
        member.anew = None;
        member.alone = None;
        if member.latched {
            return;
        }
        if !self.calls[at].members.iter().any(Member::stands) {
            self.calls[at].nothing_since = Some(now);
            return;
        }
        let left: Vec<usize> = self.calls[at]
            .members
            .iter()
            .filter(|it| it.stands() && it.listed_only && self.explains(alarm, it.alarm))
            .map(|it| it.alarm)
            .collect();
        for effect in left.into_iter().filter(|effect| !self.is_explained(at, *effect)).collect::<Vec<_>>() {
            let due = now + self.house.alarms[effect].on_delay * 1_000;
            if let Some(member) = self.calls[at].members.iter_mut().find(|it| it.alarm == effect) {
                member.anew = Some(due);
            }
        }
        let waits = matches!(self.calls[at].phase, Phase::ForCause(_));
        if self.standing(&self.calls[at]) < before && !answered && !waits {
            let asked = self.asked_ladders(&self.calls[at]);
            self.goes_on_milder(at, asked);
        }
        self.see_to_ladders(at);
    }

    // ------------------------------------------------------------------ people

    fn call_of(&self, alarm: usize) -> Option<usize> {
        self.calls
            .iter()
            .rposition(|call| call.phase != Phase::Over && call.members.iter().any(|it| it.alarm == alarm))
    }

    fn answers(&mut self, who: &'static str, alarm: usize, named: Option<i64>) {
        let now = self.now;
        let Some(at) = self.call_of(alarm) else { return };
        let standing: Vec<usize> =
            self.calls[at].members.iter().filter(|it| it.stands()).map(|it| it.alarm).collect();
        let of = |alarm: &usize| &self.house.ladders[self.house.alarms[*alarm].ladder];
        // Where nothing stands there is nothing to hold: it covers what comes back soon, whatever
        // time is named.
        let usual = standing.iter().map(|it| of(it).lease).min();
        let longest = if usual.is_some() { 12 * 60 } else { 10 };
        let lease = named.unwrap_or(usual.unwrap_or(longest)).clamp(1, longest) * MINUTE;
        let call = &mut self.calls[at];
        if call.digest && call.members.len() > 1 && standing.contains(&alarm) {
            if let Some(member) = call.members.iter_mut().find(|it| it.alarm == alarm) {
                (member.alone, member.covered) = (Some(now + lease), true);
                member.acknowledged = true;
                if std::mem::take(&mut member.latched) && !call.members.iter().any(Member::stands) {
                    call.nothing_since = Some(now);
                }
            }
            return self.see_to_ladders(at);
        }
        let replaces = match call.phase {
            Phase::Answered(_) | Phase::Asking(_) => Some(call.answerer),
            _ if call.nothing_since.is_some() => Some(""),
            _ => None,
        };
        let all = call.members.iter().map(|it| self.house.alarms[it.alarm].rank);
        let of_standing = standing.iter().map(|it| self.house.alarms[*it].rank).max();
        call.covers = of_standing.or(all.max()).unwrap_or(0);
        let told: Vec<&str> = call.told.keys().copied().filter(|to| person(to) != who).collect();
        let told = told.into_iter().filter(|to| replaces.is_none_or(|earlier| person(to) == earlier));
        let told: Vec<&str> = told.collect();
        call.phase = Phase::Answered(now + lease);
        call.answerer = who;
        (call.news, call.pressed) = (None, None);
        for member in call.members.iter_mut().filter(|it| it.stands()) {
            (member.covered, member.latched, member.alone) = (true, false, None);
            member.acknowledged = true;
        }
        if !call.members.iter().any(Member::stands) {
            call.nothing_since = call.nothing_since.or(Some(now));
        }
        told.into_iter().for_each(|target| self.tell(at, target, "taken"));
    }

    /// Whoever answered is asked alone, if there is a way to.
    fn ask(&mut self, at: usize) {
        let who = self.calls[at].answerer;
        let ways: Vec<&str> = WAYS.into_iter().filter(|it| person(it) == who && !self.sleeps(it)).collect();
        if ways.is_empty() {
            return self.nobody_said_a_word(at);
        }
        let Some(rank) = self.standing(&self.calls[at]) else {
            self.calls[at].phase = Phase::Climbing;
            return;
        };
        let renew = self.calls[at].members.iter().filter(|it| it.stands());
        let renew = renew.map(|it| self.house.ladders[self.house.alarms[it.alarm].ladder].renew).min();
        self.calls[at].phase = Phase::Asking(self.now + renew.unwrap_or(10) * MINUTE);
        self.calls[at].covers = rank;
        ways.into_iter().for_each(|target| self.tell(at, target, "ask"));
    }

    fn last_reached(&self, at: usize, ladder: usize, rank: Rank) -> Option<usize> {
        let call = &self.calls[at];
        let any =
            call.climbs.iter().filter(|((of, _), _)| *of == ladder).filter_map(|(_, climb)| climb.reached);
        call.climbs.get(&(ladder, rank)).and_then(|climb| climb.reached).or(any.max())
    }

    /// At the rung after the last one reached, and all before it again in the same moment.
    fn nobody_said_a_word(&mut self, at: usize) {
        match self.held_until(at) {
            Some(until) => self.calls[at].phase = Phase::ForMorning(until),
            None => self.rung_after(at, true),
        }
    }

    fn rung_after(&mut self, at: usize, all_before: bool) {
        let Some(rank) = self.standing(&self.calls[at]) else {
            self.calls[at].phase = Phase::Climbing;
            return;
        };
        for ladder in self.asked_ladders(&self.calls[at]) {
            let last = self.house.ladders[ladder].rungs.len() - 1;
            let after = self.last_reached(at, ladder, rank).map_or(0, |reached| reached + 1).min(last);
            self.begin(at, ladder, rank, after, 0);
            for rung in if all_before { 0 } else { after }..=after {
                self.take(at, ladder, rank, rung);
            }
        }
    }

    fn presses_next(&mut self, who: &'static str, alarm: usize) {
        let Some(at) = self.call_of(alarm) else { return };
        if self.calls[at].nothing_since.is_some() {
            return;
        }
        let Some(rank) = self.standing(&self.calls[at]) else { return };
        let ladders = self.asked_ladders(&self.calls[at]);
        let climbing = self.calls[at].phase == Phase::Climbing;
        let answered = matches!(self.calls[at].phase, Phase::Answered(_) | Phase::Asking(_));
        let at_last = ladders.iter().all(|ladder| {
            let rungs = self.house.ladders[*ladder].rungs.len();
            match climbing {
                true => self.calls[at].climbs.get(&(*ladder, rank)).is_some_and(|climb| climb.next >= rungs),
                false => answered && self.last_reached(at, *ladder, rank).is_some_and(|it| it + 1 >= rungs),
            }
        });
        if at_last {
            self.calls[at].pressed = Some((who, self.now + 10 * MINUTE));
            for ladder in ladders {
                let last = self.house.ladders[ladder].rungs.len() - 1;
                self.begin(at, ladder, rank, last, 0);
                (0..=last).for_each(|rung| self.take(at, ladder, rank, rung));
            }
        } else if answered {
            self.rung_after(at, false);
        } else {
            for ladder in ladders {
                if !climbing || !self.calls[at].climbs.contains_key(&(ladder, rank)) {
                    self.begin(at, ladder, rank, 0, 0);
                }
                let next = self.calls[at].climbs[&(ladder, rank)].next;
                if next < self.house.ladders[ladder].rungs.len() {
                    self.take(at, ladder, rank, next);
                }
            }
        }
        self.see_to_ladders(at);
    }
}

#[derive(Clone, Copy, Debug)]
enum Thing {
    Raise(usize),
    Settled(usize),
    Morning(usize),
    HoldOver(usize),
    LeaseOver(usize),
    NoWord(usize),
    Rung(usize, usize),
    News(usize),
    Pressed(usize),
    Anew(usize, usize),
}

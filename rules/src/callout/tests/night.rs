//! A night in an invented house: alarms come and go, people answer or sleep, and every page is
//! counted. It is the smallest engine that can carry call-outs: it finds an alarm's home, applies
//! what was decided, lets what is due happen in the same turn, and writes down who was told.

use crate::alarm::Priority;
use crate::callout::codes::{self, Answers};
use crate::callout::decide::{Beginning, Outcome, Reply, begin, begin_drill, decide};
use crate::callout::event::Event;
use crate::callout::facts::{Block, Facts, MayBeAkin};
use crate::callout::headline::Lead;
use crate::callout::kin;
use crate::callout::ladder::{Ladder, Rung};
use crate::callout::mass::Beginnings;
use crate::callout::quiet;
use crate::callout::state::{CallOut, Phase};
use crate::plan::Target;
use crate::record::{By, CallChange, CallKind, CallMessage, Joined, PageFate, Seq};
use crate::time::{Moment, Span};
use std::collections::{BTreeMap, BTreeSet};

pub(super) const LOW: Priority = Priority::Low;
pub(super) const MEDIUM: Priority = Priority::Medium;
pub(super) const HIGH: Priority = Priority::High;
pub(super) const CRITICAL: Priority = Priority::Critical;

pub(super) fn minutes(n: i64) -> Span {
    Span::minutes(n)
}

pub(super) fn seconds(n: i64) -> Span {
    Span::seconds(n)
}

pub(super) fn by(who: &str) -> By {
    By { who: who.to_owned(), via: "text".to_owned() }
}

/// What the house is like.
#[derive(Clone, Debug)]
pub(super) struct House {
    pub(super) ladders: BTreeMap<String, Ladder>,
    /// Cause, effect.
    pub(super) explains: BTreeSet<(String, String)>,
    /// Cause, effect.
    pub(super) expected: BTreeSet<(String, String)>,
    /// Sight, alarm.
    pub(super) hides: BTreeSet<(String, String)>,
    /// Losses of sight, all of one board, and until when each may wait.
    pub(super) patience: BTreeMap<String, Moment>,
    pub(super) blocks: BTreeMap<String, Block>,
    /// From, until.
    pub(super) quiet: Option<(Moment, Moment)>,
    pub(super) respond: BTreeMap<String, Span>,
    pub(super) harm: BTreeMap<Seq, Moment>,
    pub(super) deadly: BTreeMap<Seq, Moment>,
    pub(super) dark: Option<Moment>,
    pub(super) listened: bool,
    pub(super) on_delay: Span,
    pub(super) now: Moment,
}

pub(super) fn ladder(name: &str, rungs: &[(i64, &[&str])]) -> Ladder {
    let rung = |(after, to): &(i64, &[&str])| Rung {
        after: minutes(*after),
        to: to.iter().map(|target| Target::parse(target)).collect(),
    };
    Ladder {
        name: name.to_owned(),
        rungs: rungs.iter().map(rung).collect(),
        again: minutes(15),
        lease: minutes(60),
        longest_lease: Span::hours(12),
        renew: minutes(10),
        settle: minutes(2),
    }
}

impl House {
    /// Two ladders: `household` (Ines by push and the siren, by text after 5 min, the neighbour
    /// after 15) and `mild` (Ines by mail, Rui by mail after 30 min).
    pub(super) fn new() -> Self {
        let ladders = [
            ladder(
                "household",
                &[(0, &["ines.push", "siren"]), (5, &["ines.text"]), (15, &["neighbour.text"])],
            ),
            ladder("mild", &[(0, &["ines.mail"]), (30, &["rui.mail"])]),
        ];
        Self {
            ladders: ladders.into_iter().map(|ladder| (ladder.name.clone(), ladder)).collect(),
            explains: BTreeSet::new(),
            expected: BTreeSet::new(),
            hides: BTreeSet::new(),
            patience: BTreeMap::new(),
            blocks: BTreeMap::new(),
            quiet: None,
            respond: BTreeMap::new(),
            harm: BTreeMap::new(),
            deadly: BTreeMap::new(),
            dark: None,
            listened: true,
            on_delay: seconds(90),
            now: Moment(0),
        }
    }

    pub(super) fn cause(mut self, cause: &str, effects: &[&str]) -> Self {
        self.explains.extend(effects.iter().map(|effect| (cause.to_owned(), (*effect).to_owned())));
        self
    }

    pub(super) fn expects(mut self, cause: &str, effects: &[&str]) -> Self {
        self.expected.extend(effects.iter().map(|effect| (cause.to_owned(), (*effect).to_owned())));
        self.cause(cause, effects)
    }

    fn all_ways(&self, who: &str) -> Vec<Target> {
        let rungs = self.ladders.values().flat_map(|ladder| &ladder.rungs);
        let all: BTreeSet<Target> = rungs.flat_map(|rung| rung.to.clone()).collect();
        all.into_iter().filter(|target| target.contact.as_deref() == Some(who)).collect()
    }
}

impl Facts for House {
    fn ladder(&self, name: &str) -> Option<&Ladder> {
        self.ladders.get(name)
    }

    fn people(&self, ladder: &str, rung: u32) -> Vec<Target> {
        self.ladders[ladder].rungs.get(rung as usize).map_or(Vec::new(), |rung| rung.to.clone())
    }

    fn block(&self, target: &Target) -> Option<Block> {
        self.blocks.get(target.contact.as_ref()?).copied()
    }

    fn siren(&self, _: &Target) -> crate::plan::SirenLimits {
        crate::plan::SirenLimits::default()
    }

    fn ways_to_ask(&self, who: &str) -> Vec<Target> {
        if self.blocks.contains_key(who) { Vec::new() } else { self.all_ways(who) }
    }

    fn ways(&self, who: &str) -> Vec<Target> {
        self.all_ways(who)
    }

    fn is_away(&self, who: &str) -> bool {
        self.blocks.get(who) == Some(&Block::Away)
    }

    fn causes(&self, of: &str) -> Vec<&str> {
        self.explains.iter().filter(|(_, effect)| effect == of).map(|(cause, _)| cause.as_str()).collect()
    }

    fn effects(&self, of: &str) -> Vec<&str> {
        self.explains.iter().filter(|(cause, _)| cause == of).map(|(_, effect)| effect.as_str()).collect()
    }

    fn expected(&self, of: &str) -> Vec<&str> {
        self.expected.iter().filter(|(_, effect)| effect == of).map(|(cause, _)| cause.as_str()).collect()
    }

    fn hidden(&self, by: &str) -> Vec<&str> {
        self.hides.iter().filter(|(sight, _)| sight == by).map(|(_, alarm)| alarm.as_str()).collect()
    }

    fn may_be_akin(&self, _: &str) -> MayBeAkin<'_> {
        MayBeAkin::All
    }

    fn akin(&self, one: &str, other: &str) -> bool {
        self.patience.contains_key(one) && self.patience.contains_key(other)
    }

    fn may_wait_until(&self, alarm: &str) -> Option<Moment> {
        self.patience.get(alarm).copied()
    }

    fn about_to_raise(&self, _: &str) -> Option<Moment> {
        None
    }

    fn on_delay(&self, _: &str) -> Span {
        self.on_delay
    }

    fn quiet_until(&self, _: &str) -> Option<Moment> {
        let (from, until) = self.quiet?;
        (from <= self.now && self.now < until).then_some(until)
    }

    fn time_to_respond(&self, alarm: &str) -> Option<Span> {
        self.respond.get(alarm).copied()
    }

    fn harm_from(&self, episode: Seq) -> Option<Moment> {
        self.harm.get(&episode).or(self.deadly.get(&episode)).copied()
    }

    fn deadly_from(&self, episode: Seq) -> Option<Moment> {
        self.deadly.get(&episode).copied()
    }

    fn dark_from(&self) -> Option<Moment> {
        self.dark
    }

    fn has_listened(&self) -> bool {
        self.listened
    }
}

/// A page that was sent.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Page {
    pub(super) at: Moment,
    pub(super) call: Seq,
    pub(super) target: String,
    pub(super) message: CallMessage,
    pub(super) about: Option<Seq>,
    pub(super) lead: Lead,
}

/// The night.
pub(super) struct Night {
    pub(super) house: House,
    pub(super) now: Moment,
    pub(super) calls: BTreeMap<Seq, CallOut>,
    /// Every change with its call-out and moment: a restart is made of them.
    pub(super) journal: Vec<(Seq, CallChange, Moment)>,
    pub(super) pages: Vec<Page>,
    pub(super) reply: Option<Reply>,
    pub(super) code_of: BTreeMap<Seq, String>,
    episodes: BTreeMap<String, Seq>,
    beginnings: Beginnings,
    masses: BTreeMap<String, (Seq, Moment)>,
    /// How often what follows was found without carrying it out.
    pub(super) shortened: usize,
    next: Seq,
    seen: usize,
}

impl Night {
    pub(super) fn new(house: House) -> Self {
        Self {
            house,
            now: Moment(0),
            calls: BTreeMap::new(),
            journal: Vec::new(),
            pages: Vec::new(),
            reply: None,
            code_of: BTreeMap::new(),
            episodes: BTreeMap::new(),
            beginnings: Beginnings::default(),
            masses: BTreeMap::new(),
            shortened: 0,
            next: 1,
            seen: 0,
        }
    }

    fn number(&mut self) -> Seq {
        self.next += 1;
        self.next
    }

    /// The open call-outs.
    pub(super) fn open(&self) -> Vec<&CallOut> {
        self.calls.values().filter(|call| call.phase != Phase::Over).collect()
    }

    /// The only call-out that is open.
    pub(super) fn call(&self) -> &CallOut {
        let open = self.open();
        assert_eq!(open.len(), 1, "{open:#?}");
        open[0]
    }

    pub(super) fn episode(&self, alarm: &str) -> Seq {
        self.episodes[alarm]
    }

    fn id_of(&self, alarm: &str) -> Option<Seq> {
        let open = self.calls.values().filter(|call| call.phase != Phase::Over);
        open.filter(|call| call.members.iter().any(|m| m.alarm == alarm)).map(|call| call.id).next_back()
    }

    fn take(&mut self, id: Seq, outcome: Outcome, tells: &mut Vec<(Seq, crate::callout::change::Tell)>) {
        for change in outcome.changes {
            self.apply(id, change);
        }
        for tell in outcome.tells {
            let (target, message) = (tell.target.clone(), tell.message.clone());
            self.apply(
                id,
                CallChange::Told {
                    target,
                    message,
                    rank: tell.rank,
                    about: tell.about,
                    news: tell.lead.news(),
                },
            );
            if !tells.iter().any(|(call, known)| *call == id && known.target == tell.target) {
                tells.push((id, tell));
            }
        }
        self.reply = outcome.reply.or(self.reply.take());
    }

    fn apply(&mut self, id: Seq, change: CallChange) {
        self.calls.get_mut(&id).expect("it began").apply(&change, self.now);
        self.journal.push((id, change, self.now));
    }

    /// Lets everything happen that is due now, then sends what is wanted: the end of a turn.
    fn end_turn(&mut self, mut tells: Vec<(Seq, crate::callout::change::Tell)>) {
        self.house.now = self.now;
        for round in 0.. {
            assert!(round < 200, "nothing loops");
            let due = self.calls.values().find_map(|call| {
                let (at, time) = call.pending(&self.house, self.now)?;
                (at <= self.now).then_some((call.id, time))
            });
            let Some((id, time)) = due else { break };
            let outcome = decide(&self.calls[&id], &Event::Time(time), &self.house, self.now);
            self.take(id, outcome, &mut tells);
        }
        for (id, tell) in tells {
            self.pages.push(Page {
                at: self.now,
                call: id,
                target: tell.target.to_string(),
                message: tell.message,
                about: tell.about,
                lead: tell.lead,
            });
        }
    }

    /// What follows from an event; what is found about a mass without carrying it out must be the
    /// same.
    fn decided(&mut self, id: Seq, event: &Event) -> Outcome {
        let call = &self.calls[&id];
        let outcome = decide(call, event, &self.house, self.now);
        let related = |alarm: &str| {
            let explains = self.house.explains.iter().chain(&self.house.expected);
            let hides = self.house.hides.iter();
            let mut pairs = explains.chain(hides);
            pairs.any(|(one, other)| one == alarm || other == alarm)
                || self.house.patience.contains_key(alarm)
        };
        #[expect(clippy::wildcard_enum_match_arm, reason = "all else is carried out")]
        let short = match event {
            Event::Raised(joined) => call
                .only_lists(joined, self.now)
                .filter(|_| !related(&joined.alarm) && call.members.iter().all(|m| m.alarm != joined.alarm)),
            Event::Returned { episode, latched: false } => call
                .only_ends(*episode, self.now)
                .filter(|_| call.member(*episode).is_some_and(|member| !related(&member.alarm))),
            _ => None,
        };
        if let Some(changes) = short {
            assert_eq!(outcome, Outcome { changes, ..Outcome::default() }, "{event:?}");
            self.shortened += 1;
        }
        outcome
    }

    pub(super) fn event(&mut self, id: Seq, event: Event) {
        self.house.now = self.now;
        let outcome = self.decided(id, &event);
        let mut tells = Vec::new();
        self.take(id, outcome, &mut tells);
        self.end_turn(tells);
    }

    /// Lets time pass.
    pub(super) fn wait(&mut self, span: Span) {
        let until = self.now + span;
        loop {
            self.house.now = self.now;
            let next = self.calls.values().filter_map(|call| call.pending(&self.house, self.now));
            let next = next.map(|(at, _)| at).chain(self.house.quiet.map(|(_, until)| until));
            let Some(at) = next.filter(|at| *at > self.now).min().filter(|at| *at <= until) else { break };
            self.now = at;
            self.end_turn(Vec::new());
        }
        self.now = until;
        self.end_turn(Vec::new());
    }

    fn joined(&mut self, alarm: &str, rank: Priority, ladder: &str) -> Joined {
        let episode = self.number();
        self.episodes.insert(alarm.to_owned(), episode);
        self.code_of.insert(episode, format!("C{episode}"));
        Joined {
            alarm: alarm.to_owned(),
            episode,
            place: "lagoon".to_owned(),
            rank,
            ladder: ladder.to_owned(),
            flickers: false,
            worse: false,
            listed: false,
            sight: self.house.patience.contains_key(alarm),
        }
    }

    pub(super) fn raise(&mut self, alarm: &str, rank: Priority, ladder: &str) {
        self.raise_awaiting(alarm, rank, ladder, None);
    }

    pub(super) fn raise_flickering(&mut self, alarm: &str, rank: Priority, ladder: &str) {
        let joined = Joined { flickers: true, ..self.joined(alarm, rank, ladder) };
        self.raise_all(vec![joined], None);
    }

    /// Raised while a cause of it is about to be, within `cause`.
    pub(super) fn raise_awaiting(&mut self, alarm: &str, rank: Priority, ladder: &str, cause: Option<Span>) {
        let joined = self.joined(alarm, rank, ladder);
        self.raise_all(vec![joined], cause);
    }

    /// Raised in one turn, all of one rank and ladder.
    pub(super) fn raise_at_once(&mut self, alarms: &[String], rank: Priority, ladder: &str) {
        let joined = alarms.iter().map(|alarm| self.joined(alarm, rank, ladder)).collect();
        self.raise_all(joined, None);
    }

    fn raise_all(&mut self, joined: Vec<Joined>, cause: Option<Span>) {
        self.house.now = self.now;
        let mut tells = Vec::new();
        let mut strangers: Vec<Joined> = Vec::new();
        for joined in joined {
            let home = kin::home(self.calls.values(), &joined.alarm, &self.house, self.now);
            let digest = home.filter(|id| self.takes_kin_out_of(*id, &joined));
            if let Some(digest) = digest {
                let kin = kin::kin_in(&self.calls[&digest], &joined.alarm, &self.house);
                let aware = Some(self.calls[&digest].clone());
                let id = self.begin_one(CallKind::Cause, &joined, (None, aware), &mut tells);
                let left = Event::Left(kin.iter().map(|member| member.episode).collect());
                let outcome = decide(&self.calls[&digest], &left, &self.house, self.now);
                self.take(digest, outcome, &mut tells);
                for member in kin {
                    let event = Event::Raised(member);
                    let outcome = self.decided(id, &event);
                    self.take(id, outcome, &mut tells);
                }
                continue;
            }
            let low = self.digest_for(&joined);
            match home.or(low) {
                Some(id) => {
                    let outcome = self.decided(id, &Event::Raised(joined));
                    self.take(id, outcome, &mut tells);
                }
                None => strangers.push(joined),
            }
        }
        let ladder = strangers.first().map(|joined| joined.ladder.clone()).unwrap_or_default();
        let mass = self.beginnings.is_mass(&ladder, strangers.len(), self.now);
        for joined in strangers {
            let ladder = ladder.clone();
            self.beginnings.note(&ladder, self.now);
            let known = self.masses.get(&ladder).copied();
            let running = known.filter(|(id, _)| mass && self.calls[id].phase != Phase::Over);
            let outcome = match running {
                Some((id, _)) => {
                    let outcome = self.decided(id, &Event::Raised(joined));
                    (id, outcome)
                }
                None => {
                    let kind = if mass { CallKind::Mass } else { CallKind::Digest };
                    let kind = if kind == CallKind::Digest && !self.is_held(&joined) {
                        CallKind::Cause
                    } else {
                        kind
                    };
                    let id = self.begin_one(kind, &joined, (cause, None), &mut tells);
                    if mass {
                        self.masses.insert(ladder, (id, self.now));
                    }
                    continue;
                }
            };
            self.take(outcome.0, outcome.1, &mut tells);
        }
        self.end_turn(tells);
    }

    fn begin_one(
        &mut self,
        kind: CallKind,
        joined: &Joined,
        (cause, aware): (Option<Span>, Option<CallOut>),
        tells: &mut Vec<(Seq, crate::callout::change::Tell)>,
    ) -> Seq {
        let id = self.number();
        self.calls.insert(id, CallOut::new(id, kind, format!("W{id}"), self.now));
        let cause_by = cause.map(|cause| self.now + cause);
        let beginning = Beginning { cause_by, aware: aware.as_ref() };
        let outcome = begin(&self.calls[&id], joined, &beginning, &self.house, self.now);
        self.take(id, outcome, tells);
        id
    }

    fn is_held(&self, joined: &Joined) -> bool {
        quiet::holds_newcomer(joined, &self.house, self.now).is_some()
    }

    fn takes_kin_out_of(&self, id: Seq, joined: &Joined) -> bool {
        !self.is_held(joined) && self.calls[&id].lets_kin_go_with(joined, self.now)
    }

    fn digest_for(&self, joined: &Joined) -> Option<Seq> {
        let held = self.is_held(joined);
        let of = |call: &&CallOut| {
            held && call.is_held_digest() && call.members.iter().any(|m| m.ladder == joined.ladder)
        };
        self.calls.values().find(of).map(|call| call.id)
    }

    pub(super) fn drill(&mut self, ladder: &str) -> Seq {
        let id = self.number();
        self.calls.insert(id, CallOut::new(id, CallKind::Drill, format!("D{id}"), self.now));
        let outcome = begin_drill(&self.calls[&id], ladder, &self.house, self.now);
        let mut tells = Vec::new();
        self.take(id, outcome, &mut tells);
        self.end_turn(tells);
        id
    }

    pub(super) fn clear(&mut self, alarm: &str) {
        self.clear_latching(alarm, false);
    }

    pub(super) fn clear_latching(&mut self, alarm: &str, latched: bool) {
        let id = self.id_of(alarm).expect("it is open");
        self.event(id, Event::Returned { episode: self.episode(alarm), latched });
    }

    pub(super) fn worse(&mut self, alarm: &str) {
        let id = self.id_of(alarm).expect("it is open");
        self.event(id, Event::Worse(self.episode(alarm)));
    }

    pub(super) fn put_aside(&mut self, alarm: &str, who: &str) {
        let id = self.id_of(alarm).expect("it is open");
        self.event(id, Event::PutAside { episode: self.episode(alarm), by: by(who) });
    }

    /// Answers whatever the alarm's own code answers.
    pub(super) fn answer(&mut self, alarm: &str, who: &str) {
        self.answer_for(alarm, who, None);
    }

    pub(super) fn answer_for(&mut self, alarm: &str, who: &str, named: Option<Span>) {
        let code = self.code_of[&self.episode(alarm)].clone();
        self.answer_code(&code, who, named);
    }

    pub(super) fn answer_code(&mut self, code: &str, who: &str, named: Option<Span>) {
        let code_of = |episode| self.code_of.get(&episode).cloned();
        match codes::answered_by(code, self.calls.values(), code_of) {
            Answers::Nothing => panic!("{code} answers nothing"),
            Answers::Call(id) => self.event(id, Event::Answered { by: by(who), named, only: None }),
            Answers::Member { call, episode } => {
                self.event(call, Event::Answered { by: by(who), named, only: Some(episode) });
            }
        }
    }

    pub(super) fn next(&mut self, who: &str) {
        let id = self.call().id;
        self.event(id, Event::Next { by: by(who) });
    }

    pub(super) fn fail(&mut self, target: &str, fate: PageFate) {
        let id = self.call().id;
        self.event(id, Event::Page { target: Target::parse(target), fate });
    }

    /// The watch falls over and comes back: all that it knows is its journal.
    pub(super) fn restart(&mut self) {
        let mut restored: BTreeMap<Seq, CallOut> = BTreeMap::new();
        for (id, change, at) in &self.journal {
            let of = &self.calls[id];
            let call =
                restored.entry(*id).or_insert_with(|| CallOut::new(*id, of.kind, of.code.clone(), of.begun));
            call.apply(change, *at);
        }
        assert_eq!(restored, self.calls, "the journal restores what was");
        self.house.now = self.now;
        let mut tells = Vec::new();
        for id in self.calls.keys().copied().collect::<Vec<_>>() {
            let outcome = decide(&self.calls[&id], &Event::Started, &self.house, self.now);
            self.take(id, outcome, &mut tells);
        }
        self.end_turn(tells);
    }

    /// Whom the pages since the last look went to, in the order of their sending.
    pub(super) fn told(&mut self) -> Vec<String> {
        let pages = self.pages[self.seen..].iter().filter(|page| page.message != CallMessage::Hush);
        let words = pages.map(|page| {
            let what = match &page.message {
                CallMessage::Call if page.lead == Lead::NobodyElse => " nobody else",
                CallMessage::Call => "",
                CallMessage::Ask => " asked",
                CallMessage::Taken(_) => " taken",
                CallMessage::PutAside(_) => " put aside",
                CallMessage::AllClear => " all clear",
                CallMessage::Morning => " morning",
                CallMessage::NobodyElse => " nobody else",
                CallMessage::Drill => " drill",
                CallMessage::Hush => " hush",
            };
            format!("{}{what}", page.target)
        });
        let words = words.collect();
        self.seen = self.pages.len();
        words
    }

    /// The alarm that the last page led with.
    pub(super) fn headline(&self) -> String {
        let page = self.pages.last().expect("a page");
        let member = page.about.and_then(|episode| self.calls[&page.call].member(episode));
        member.map_or("nothing".to_owned(), |member| member.alarm.clone())
    }
}

//! For the components' own tests: a small plan, all components at rest, records told one by one,
//! and what one piece of work comes to.

use super::components::Components;
use super::context::Context;
use super::ground::Ground;
use super::index::Index;
use super::input::Link;
use super::task::Next;
use super::timers::Timers;
use crate::ids::{AlarmId, By, Seq};
use crate::plan::{ChannelKind, Contact, Directory, Plan, Quota, Surroundings, Target};
use crate::record::{Body, Record};
use crate::time::{Moment, Now, Span, Wall};
use jiff::tz::TimeZone;

const RULES: &str = r#"
[site]
name = "Halyard House"

[tank.lagoon]
volume = "420 L"

[sensor.mains]
topic = "house/mains"
tank = "lagoon"
measures = "presence"
on = ["on"]
off = ["off"]
every = "30 s"
gateway = "board"

[sensor.flow]
topic = "lagoon/flow"
tank = "lagoon"
measures = "flow"
unit = "L/h"
every = "30 s"
gateway = "board"

[relay.air]
command = { topic = "lagoon/air/set", on = "on", off = "off" }
moves = "air"
proof = "flow > 100 L/h within 20 s"
longest = "2 h"

[alarm.power-lost]
tank = "lagoon"
when = "mains is off"
on-delay = "20 s"
off-delay = "30 s"
priority = "critical"
stopgap = { relay = "air", state = "on" }

[alarm.still]
tank = "lagoon"
when = "flow < 200 L/h"
priority = "medium"
consequence-of = ["power-lost"]

[alarm.leak]
when = "flow > 9000 L/h"
priority = "high"

[work.feeding]
pauses = ["flow"]
longest = "30 min"

[callout.household]
steps = [
  { after = "0 s", to = ["ines.push"] },
  { after = "5 min", to = ["ines.mail", "tom.mail"] },
]
again = "15 min"
lease = "60 min"
settle = "2 min"
"#;

pub(super) struct TestRig {
    pub(super) plan: Plan,
    index: Index,
    pub(super) parts: Components,
    pub(super) timers: Timers,
    pub(super) now: Now,
    pub(super) leaving: Vec<Seq>,
    seq: Seq,
}

impl TestRig {
    pub(super) fn new() -> Self {
        let mut ines = Contact::default();
        ines.quotas.insert("push".to_owned(), Quota { hour: Some(2), day: None, reserve: 1 });
        let push = |target: &str, kind| (Target::parse(target), kind);
        let directory = Directory {
            contacts: [("ines".to_owned(), ines), ("tom".to_owned(), Contact::default())].into(),
            channels: [
                push("ines.push", ChannelKind::Push),
                push("ines.mail", ChannelKind::Mail),
                push("tom.mail", ChannelKind::Mail),
            ]
            .into(),
            ..Directory::default()
        };
        let around = Surroundings { directory, zone: TimeZone::UTC, today: None };
        let checked = Plan::check("rules.toml", RULES, &around);
        let said = crate::plan::render("rules.toml", RULES, &checked.findings);
        let plan = checked.plan.expect(&said);
        let now = Now { mono: Moment(1_000_000), wall: Wall(1_785_535_200_000), wall_trusted: true };
        let index = Index::of(&plan);
        let mut parts = Components::new(&plan, &index, now.mono);
        let ground = Ground { plan: &plan, index: &index, now };
        parts.sensors.on_link(&ground, Link::Hears, &mut Next::new(0, now));
        Self { parts, index, plan, timers: Timers::default(), now, leaving: Vec::new(), seq: 1 }
    }

    pub(super) fn split(&mut self) -> (Ground<'_>, &mut Components) {
        (Ground { plan: &self.plan, index: &self.index, now: self.now }, &mut self.parts)
    }

    pub(super) fn context(&self) -> Context<'_> {
        Context::of(
            Ground { plan: &self.plan, index: &self.index, now: self.now },
            (7, self.seq),
            &self.timers,
            &self.leaving,
            &self.parts,
        )
    }

    /// Nothing yet.
    pub(super) fn next(&self) -> Next {
        Next::new(self.seq, self.now)
    }

    /// What one piece of work comes to, which changes nothing by itself.
    pub(super) fn decide(&self, decide: impl FnOnce(&Context<'_>, &mut Next)) -> Next {
        let mut next = self.next();
        decide(&self.context(), &mut next);
        next
    }

    /// The same, with its records applied and its deadlines set.
    pub(super) fn act(&mut self, decide: impl FnOnce(&Context<'_>, &mut Next)) -> Next {
        let next = self.decide(decide);
        self.settle(&next);
        next
    }

    pub(super) fn settle(&mut self, next: &Next) {
        for record in &next.records {
            let (ground, parts) = self.split();
            parts.apply(&ground, record);
            self.seq = record.seq + 1;
        }
        for (reason, at) in &next.timers {
            self.timers.set(*reason, *at);
        }
        self.leaving.extend(&next.pages);
    }

    /// The turn ends: what leaves is in its channels' hands.
    pub(super) fn leave(&mut self) {
        for page in std::mem::take(&mut self.leaving) {
            let target = self.parts.delivery.get(page).map(|sent| sent.target.clone());
            target.iter().for_each(|target| self.parts.delivery.on_left(target, page));
        }
    }

    /// Applies one record.
    pub(super) fn tell(&mut self, body: Body) -> Seq {
        let seq = self.seq;
        self.seq += 1;
        let record = Record { seq, at: self.now, body };
        let (ground, parts) = self.split();
        parts.apply(&ground, &record);
        seq
    }

    /// The alarm was raised; its episode.
    pub(super) fn raise(&mut self, alarm: &str) -> Seq {
        let episode = self.seq;
        let priority = self.plan.alarm(self.alarm(alarm)).priority;
        self.tell(Body::Raised {
            alarm: alarm.to_owned(),
            episode,
            code: format!("C{episode}"),
            place: "lagoon".to_owned(),
            priority,
            since: Span::ZERO,
            because: String::new(),
            after_work: None,
        })
    }

    /// The same, in a call-out; episode and call-out.
    pub(super) fn call(&mut self, alarm: &str) -> (Seq, Seq) {
        let (episode, id) = (self.raise(alarm), self.alarm(alarm));
        let next = self.act(|cx, next| cx.callouts.on_raised(cx, id, episode, next));
        (episode, next.records[0].seq)
    }

    pub(super) fn alarm(&self, name: &str) -> AlarmId {
        self.plan.alarm_named(name).expect("an alarm of the plan")
    }

    pub(super) fn later(&mut self, by: Span) {
        (self.now.mono, self.now.wall) = (self.now.mono + by, self.now.wall + by);
    }
}

pub(super) fn ines() -> By {
    By { who: "ines".to_owned(), via: "socket".to_owned() }
}

/// The kinds of records that a piece of work has made, in words.
pub(super) fn kinds(next: &Next) -> Vec<String> {
    next.records.iter().map(|record| record.body.to_string()).collect()
}

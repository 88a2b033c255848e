//! What a page says, as things stand when the queue is empty: the engine's facts, put together for
//! [`page`](crate::page).

use crate::callout::Call;
use crate::callout::member::{Condition as Standing, Member};
use crate::condition::{Present, Truth};
use crate::engine::context::Context;
use crate::ids::{AlarmId, RelayId, Seq};
use crate::page::facts::{Facts, Matter, MatterFate, News, Telling};
use crate::page::{Envelope, Page, Sent, Subject};
use crate::plan::ways::{AtHand, Powered};
use crate::plan::{Alarm, Relay, Tank, Target, spoken};
use crate::reading::Value;
use crate::record::{CallMessage, CallNews, NOT_BACK, Purpose};
use crate::stopgap::Run;
use crate::time::{Moment, Span};
use crate::words;

impl Context<'_> {
    /// What a page to this target leads with: its news, or else what weighs most now.
    fn leader_of<'c>(&self, call: &'c Call, target: &Target) -> Option<&'c Member> {
        let of = |episode: Seq| call.core.member(episode);
        let news = call.core.told.get(target).and_then(|told| told.about).and_then(of);
        // What was news and is over leads no page that asks for help.
        let fresh = news.filter(|member| member.stands() || !call.stands());
        fresh.or_else(|| of(self.callouts.weightiest(self, call)?)).or_else(|| call.core.members.first())
    }

    /// The page as it reads now; none if its call-out is forgotten.
    pub(in crate::engine) fn worded(&self, sent: &Sent) -> Option<Page> {
        match &sent.of {
            Subject::Itself(slip) => Some(slip.compose(&Envelope {
                plan: self.plan,
                target: &sent.target,
                id: sent.id,
                purpose: sent.purpose,
                now: self.now,
                maybe_repeat: sent.may_be_a_repeat(),
            })),
            Subject::Call(call) => Some(self.facts(sent, self.callouts.get(*call)?).compose()),
        }
    }

    fn facts<'a>(&'a self, sent: &'a Sent, call: &'a Call) -> Facts<'a> {
        // What a drill is about is the way to people.
        let leader = (sent.purpose != Purpose::Drill).then(|| self.leader_of(call, &sent.target)).flatten();
        let led = leader.map(|leader| leader.episode);
        let others = call.core.members.iter().filter(|member| Some(member.episode) != led);
        let also: Vec<&Call> = sent.also.iter().filter_map(|call| self.callouts.get(*call)).collect();
        let pages = self.pages(call.id());
        // Only who is asked to act needs to know.
        let asks = sent.purpose == Purpose::Call;
        let standing: Vec<&Alarm> = call
            .core
            .members
            .iter()
            .filter(|member| member.condition == Standing::Raised)
            .filter_map(|it| self.alarm_of(it))
            .collect();
        let power_cut = self.is_power_cut(&standing);
        let cut = self.cut_since().filter(|_| power_cut);
        let (by_hand, done) = self.relays_of(call);
        Facts {
            plan: self.plan,
            now: self.now,
            id: sent.id,
            target: &sent.target,
            purpose: sent.purpose,
            call: call.id(),
            code: call.code(),
            priority: call.priority(),
            begun: call.core.begun,
            policy: &call.policy,
            lead: leader.map(|leader| self.matter(leader)),
            news: self.news(call, &sent.target, leader),
            others: others.map(|member| self.matter(member)).collect(),
            past: also.iter().flat_map(|call| &call.core.members).map(|member| self.matter(member)).collect(),
            also: also.len(),
            answers: call.answers.clone(),
            put_aside_by: call.put_aside_by(),
            would_hold: asks.then(|| self.callouts.would_hold(self, call, sent.target.contact.as_deref())),
            next: if asks { self.next_rung(call) } else { None },
            // Since the timeline last began: earlier rounds are in the log.
            told: pages
                .iter()
                .filter(|page| page.id != sent.id && page.at >= call.round())
                .filter(|page| matches!(page.purpose, Purpose::Call | Purpose::Drill))
                .map(|page| Telling { at: page.at, target: &page.target, outcome: page.last.as_ref() })
                .collect(),
            told_before: pages.before(),
            before: pages.before_to(&sent.target),
            after: pages
                .iter()
                .filter(|page| page.target == sent.target && page.id != sent.id)
                .map(|page| page.id)
                .collect(),
            by_hand,
            done,
            outlooks: if asks {
                self.outlooks(&standing, power_cut, leader.and_then(|it| self.alarm_of(it)?.tank))
            } else {
                Vec::new()
            },
            last_seen: leader
                .and_then(|it| self.alarm_of(it))
                .map(|it| self.last_seen(it))
                .unwrap_or_default(),
            power_cut,
            goes_dark: self.dark_from().filter(|_| power_cut || self.own_end_from().is_some()),
            at_hand: self.at_hand(cut),
            situation: leader.map(|leader| self.situation(&leader.alarm)).unwrap_or_default(),
            stands: if sent.purpose == Purpose::AllClear { self.stands_elsewhere(call) } else { Vec::new() },
            held: self.delivery.quota().held(&sent.target, Some(sent.id), self.mono()),
            notes: self.site_notes(call, asks),
            maybe_repeat: sent.may_be_a_repeat(),
        }
    }

    /// What was last measured of the water that this alarm of lost sight hides.
    fn last_seen(&self, alarm: &Alarm) -> Vec<(String, Moment)> {
        let mut scale = None;
        let hidden = alarm.sight.as_ref().map_or(&[][..], |sight| self.index.carried_by(sight));
        let sensors = hidden.iter().map(|id| (*id, self.plan.sensor(*id)));
        let waters = sensors.filter(|(_, it)| it.measure.name == "temperature" && it.tank.is_some());
        let seen = waters.filter_map(|(id, sensor)| {
            let (Value::Number(base), at) = self.sensors.track(id).last_good()? else { return None };
            let tank = &self.plan.tank(sensor.tank?).title;
            let what = words::without_place(&sensor.title, tank);
            Some((format!("{tank} {what} {}", words::value(scale.get_or_insert(&sensor.scale), base)), at))
        });
        seen.collect()
    }

    fn alarm_of(&self, member: &Member) -> Option<&Alarm> {
        self.alarm(&member.alarm).map(|id| self.plan.alarm(id))
    }

    pub(in crate::engine) fn matter<'a>(&'a self, member: &'a Member) -> Matter<'a> {
        let id = self.alarm(&member.alarm);
        let alarm = id.map(|id| self.plan.alarm(id));
        let place = alarm.map_or_else(|| spoken(&member.place), |alarm| self.place_in_words(alarm));
        let title = alarm.map_or_else(|| spoken(&member.alarm), |alarm| alarm.title.clone());
        let what = words::without_place(&title, &place).to_owned();
        // While its sensor can't be seen, or another site has said nothing since the start, what
        // was last recorded is all that is known.
        let silent =
            alarm.is_some_and(|alarm| alarm.watched.is_some() && self.notes_of(alarm, false).is_empty());
        let seen = id.filter(|_| member.condition == Standing::Raised && !member.account.blind && !silent);
        let back = seen.filter(|id| self.alarms.truth(*id) == Truth::False);
        // What is recorded was judged: a value of now beside the alarm's name would deny it. What
        // is over and waits for a hand goes on changing.
        let after = id.filter(|_| member.condition != Standing::Raised && member.awaits_hand && !silent);
        let now = back.or(after).map(|id| self.readings_now(id, &place)).filter(|now| !now.is_empty());
        let reading = match seen {
            Some(id) if back.is_none() => {
                let now = self.readings(id, &place);
                // What it was not back after stands only in what was recorded as it was raised.
                let work =
                    member.account.because.split_once(NOT_BACK).map(|(_, work)| format!("{NOT_BACK}{work}"));
                [Some(now).filter(|now| !now.is_empty()), work]
                    .into_iter()
                    .flatten()
                    .collect::<Vec<_>>()
                    .join("; ")
            }
            Some(_) | None => words::without_place(&member.account.because, &place).to_owned(),
        };
        let bare = seen.filter(|_| back.is_none()).map(|id| self.bare_readings(id, &place));
        Matter {
            alarm,
            bare: bare.unwrap_or_default(),
            place,
            what,
            priority: member.rank,
            onset: member.account.onset,
            now: now.filter(|_| !reading.is_empty()),
            reading,
            fate: match member.condition {
                Standing::Raised => MatterFate::Stands,
                Standing::PutAside(_) => MatterFate::PutAside,
                Standing::Returned(at) => MatterFate::Over(at),
            },
            back: back.is_some(),
            farthest: member.account.farthest.as_ref().map(|(farthest, at)| {
                let at = words::clock(&self.now, *at, &self.plan.zone);
                format!("{} at {at}", farthest.words())
            }),
            worse: member.worse,
            blind: member.account.blind,
        }
    }

    /// What it looks at, as it is now that its condition has gone.
    fn readings_now(&self, id: AlarmId, place: &str) -> String {
        let (world, memory) = (self.world(), self.alarms.memory(id));
        let present = Present { world: &world, memory, now: self.mono() };
        self.plan.alarm(id).condition.readings_now(self.plan, &present, place)
    }

    /// What an alarm rests on now, behind its own name.
    fn readings(&self, id: AlarmId, place: &str) -> String {
        let (world, memory) = (self.world(), self.alarms.memory(id));
        let present = Present { world: &world, memory, now: self.mono() };
        self.plan.alarm(id).condition.readings(self.plan, &present, place)
    }

    /// The same without what it should be.
    fn bare_readings(&self, id: AlarmId, place: &str) -> String {
        let (world, memory) = (self.world(), self.alarms.memory(id));
        let present = Present { world: &world, memory, now: self.mono() };
        self.plan.alarm(id).condition.bare_readings(self.plan, &present, place)
    }

    /// Where, as people say it: the tank by its title, this site, or another one.
    fn place_in_words(&self, alarm: &Alarm) -> String {
        self.plan.title_of_place(alarm).to_owned()
    }

    /// What relays wait for a hand, and what the others have done, a line each.
    fn relays_of(&self, call: &Call) -> (Vec<String>, Vec<String>) {
        let matters = |relay: &RelayId, run: &Run| {
            call.core.members.iter().any(|member| {
                let stopgap = self.alarm_of(member).and_then(|alarm| alarm.stopgap);
                member.episode == run.episode || stopgap.is_some_and(|stopgap| stopgap.relay == *relay)
            })
        };
        let runs = self.relays.runs().filter(|(relay, run)| matters(relay, run));
        let (by_hand, done): (Vec<_>, Vec<_>) = runs.partition(|(_, run)| run.needs_a_hand());
        let said = |runs: Vec<(RelayId, &Run)>| -> Vec<String> {
            let relays = runs.into_iter().map(|(id, run)| (self.plan.relay(id), run));
            let title = |relay: &Relay| words::capital(&relay.title);
            relays
                .map(|(relay, run)| format!("{}: {}{}", title(relay), run.words(relay), self.whose(relay)))
                .collect()
        };
        (said(by_hand), said(done))
    }

    /// Whose air pump it is, where a house may have one for each tank and one in the cupboard.
    pub(in crate::engine) fn whose(&self, relay: &Relay) -> String {
        let moved = |tank: &&Tank| {
            let air = tank.gear.air.and_then(|air| air.relay);
            air.is_some_and(|id| self.plan.relay(id).name == relay.name)
        };
        let tank = self.plan.tanks.iter().find(moved).map(|tank| tank.title.as_str());
        match tank.filter(|tank| self.plan.tanks.len() > 1 && !relay.title.contains(tank)) {
            Some(tank) => format!(" ({tank}'s own)"),
            None => String::new(),
        }
    }

    /// Who is told next, and when.
    pub(in crate::engine) fn next_rung(&self, call: &Call) -> Option<(Vec<Target>, Moment)> {
        let (people, due) = self.callouts.next_rung(self, call)?;
        let people = people.into_iter().filter(|target| target.contact.is_some()).collect();
        (due > self.mono()).then_some((people, due))
    }

    /// What sends the page: whoever answered is asked again, or something got worse, or it is just
    /// raised.
    fn news(&self, call: &Call, target: &Target, leader: Option<&Member>) -> News {
        let told = call.core.told.get(target);
        if told.is_some_and(|told| told.message == CallMessage::Ask) {
            return News::StillOnIt;
        }
        if let Some(leader) = leader.filter(|it| it.awaits_hand && it.condition != Standing::Raised) {
            return News::HeatersCut(self.too_cold_from(&leader.alarm));
        }
        match told.and_then(|told| told.news) {
            Some(CallNews::Dark) => return News::GoesDark(self.dark_from()),
            Some(CallNews::NobodyElse) => return News::NobodyElse,
            Some(CallNews::Stopgap) => {
                if let Some(undone) = leader.and_then(|leader| self.undone(leader)) {
                    return News::Undone(undone);
                }
            }
            None => {}
        }
        if leader.is_some_and(|leader| leader.worse) { News::Worse } else { News::Raised }
    }

    /// What the watch did about an episode and has come to nothing, as things stand: in words for a
    /// headline.
    fn undone(&self, leader: &Member) -> Option<String> {
        let stopgap = self.alarm_of(leader)?.stopgap?;
        let relay = self.plan.relay(stopgap.relay);
        self.relays.run(stopgap.relay)?.undone(relay)
    }

    /// Which of the things that answers need have power.
    fn at_hand(&self, cut: Option<Moment>) -> AtHand {
        let Some(cut) = cut else { return AtHand::default() };
        let lasts = |declared: Option<Span>, unsaid: Powered| match declared {
            Some(lasts) if cut + lasts > self.mono() => Powered::Yes,
            Some(_) => Powered::No,
            None => unsaid,
        };
        let declared = self.plan.without_mains;
        // A modem that nobody says more of hangs on the board, and lives as long.
        AtHand {
            router: lasts(declared.router, Powered::Perhaps),
            modem: lasts(declared.modem.or(declared.watch), Powered::Yes),
        }
    }

    /// What stands in other call-outs, for an all-clear.
    fn stands_elsewhere(&self, call: &Call) -> Vec<String> {
        let others = self.callouts.running().filter(|other| other.id() != call.id());
        let members = others
            .flat_map(|other| &other.core.members)
            .filter(|member| member.condition == Standing::Raised);
        let line = |member: &Member| {
            let matter = self.matter(member);
            let since = words::clock(&self.now, member.account.onset, &self.plan.zone);
            format!(
                "{}: {}: {}, since {since}.",
                words::capital(&member.rank.to_string()),
                words::capital(&matter.place),
                matter.what
            )
        };
        members.map(line).collect()
    }

    /// What watched sites said of themselves.
    fn site_notes(&self, call: &Call, asks: bool) -> Vec<String> {
        let alarms = call.core.members.iter().filter_map(|member| self.alarm_of(member));
        let mut notes: Vec<String> = alarms.flat_map(|alarm| self.notes_of(alarm, asks)).collect();
        notes.dedup();
        notes
    }
}

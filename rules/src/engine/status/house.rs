//! What the page in the house shows: every reading, what stands and who has it, who is told next,
//! what the watch has in hand and what may come. Names, places and words are those of pages;
//! numbers stay numbers, so that they can be drawn. Looking changes nothing.

use crate::alarm::Priority;
use crate::callout::Call;
use crate::callout::state::Phase;
use crate::engine::context::Context;
use crate::forecast::interval::Interval;
use crate::forecast::thermal::Side;
use crate::ids::{AlarmId, By, RelayId, SensorId, Seq, TankId};
use crate::page::facts::{Matter, MatterFate};
use crate::page::{Page, Sent, Subject};
use crate::plan::Target;
use crate::quality::Quality;
use crate::reading::Value;
use crate::record::Purpose;
use crate::time::{Moment, Now, Span};
use crate::words;

/// Everything that can be seen, at one moment.
#[derive(Clone, Debug)]
pub struct HouseView {
    /// The site, as people say it.
    pub site: String,
    /// When.
    pub at: Now,
    /// Why the broker can't be heard, if so.
    pub deaf: Option<String>,
    /// Every sensor, in the order of the plan.
    pub readings: Vec<SeenReading>,
    /// Running call-outs, the worst first, then the oldest.
    pub calls: Vec<OpenCall>,
    /// Relays under the watch's hand.
    pub relays: Vec<RelayInHand>,
    /// Work that goes on: the tank, its kind, and until when.
    pub works: Vec<(TankId, String, Moment)>,
    /// Alarms that somebody has put aside.
    pub asides: Vec<PutAside>,
    /// Limits that a tank's water may meet.
    pub ahead: Vec<WaterAhead>,
    /// Tanks in which oxygen counts first, since something is wrong and neither flow nor air is
    /// proved; and whether the pumps are seen to stand.
    pub breathless: Vec<(TankId, bool)>,
    /// When the watch's own power ends, if that is known.
    pub goes_dark: Option<Moment>,
}

/// What a sensor says.
#[derive(Clone, Debug)]
pub struct SeenReading {
    /// Which.
    pub sensor: SensorId,
    /// The last believed value.
    pub value: Option<Value>,
    /// The same with its unit, for people; nothing if there is none.
    pub shown: String,
    /// What it is worth now.
    pub quality: Quality,
    /// What speaks against it.
    pub why: Option<String>,
    /// How long ago the value was believed.
    pub age: Option<Span>,
    /// How long ago anything was heard.
    pub heard: Option<Span>,
}

/// A running call-out.
#[derive(Clone, Debug)]
pub struct OpenCall {
    /// Its number.
    pub id: Seq,
    /// What answers it.
    pub code: String,
    /// Why it runs.
    pub purpose: Purpose,
    /// Of its worst standing member.
    pub priority: Priority,
    /// Nobody is asked any more: its last pages are on their way, or it settles.
    pub over: bool,
    /// Who has it, as pages say the name, and until when.
    pub has: Option<(String, Moment)>,
    /// Who is told next, and when.
    pub next: Option<(String, Moment)>,
    /// An answer given now would hold until then.
    pub would_hold: Moment,
    /// No answer given now could hold longer.
    pub could_hold: Moment,
    /// Steps that somebody has ticked: its words, who, and when.
    pub ticks: Vec<(String, String, Moment)>,
    /// What is in it, as it leads: the first is what a page would lead with.
    pub matters: Vec<OpenMatter>,
}

/// One thing that is or was wrong.
#[derive(Clone, Debug)]
pub struct OpenMatter {
    /// The alarm's name, for commands.
    pub alarm: String,
    /// The tank, if it has one.
    pub tank: Option<TankId>,
    /// Where, as people say it.
    pub place: String,
    /// What, as people say it.
    pub what: String,
    /// How bad.
    pub priority: Priority,
    /// Since when.
    pub onset: Moment,
    /// Its readings against their limits.
    pub reading: String,
    /// It stands.
    pub stands: bool,
    /// When it was over, if it is.
    pub over: Option<Moment>,
    /// Its sensor can't be seen.
    pub blind: bool,
}

/// A relay under the watch's hand.
#[derive(Clone, Debug)]
pub struct RelayInHand {
    /// As people say it.
    pub title: String,
    /// What was commanded, and whether it is proved.
    pub words: String,
    /// A person has to do something about it.
    pub needs_a_hand: bool,
}

/// An alarm that somebody has put aside.
#[derive(Clone, Debug)]
pub struct PutAside {
    /// Which.
    pub alarm: AlarmId,
    /// Until when; until put back if none.
    pub until: Option<Moment>,
    /// Who.
    pub by: By,
    /// Why.
    pub why: String,
}

/// A limit that a tank's water may meet, if nothing changes.
#[derive(Clone, Copy, Debug)]
pub struct WaterAhead {
    /// The tank.
    pub tank: TankId,
    /// The side of the limit that is bad.
    pub side: Side,
    /// The limit, degC.
    pub limit: f64,
    /// Hours from now.
    pub range: Interval,
}

impl Context<'_> {
    /// Everything that can be seen now.
    pub(in crate::engine) fn house(&self) -> HouseView {
        let mut calls: Vec<OpenCall> = self.callouts.iter().map(|call| self.open_call(call)).collect();
        calls.sort_by_key(|call| (call.over, std::cmp::Reverse(call.priority), call.id));
        let sensors = (0..).map(SensorId).take(self.plan.sensors.len());
        let tanks = (0..).map(TankId).take(self.plan.tanks.len());
        HouseView {
            site: self.plan.site.clone(),
            at: self.now,
            deaf: self.sensors.deaf().map(|(why, _)| why.clone()),
            readings: sensors.map(|id| self.seen(id)).collect(),
            calls,
            relays: self.in_hand(),
            works: self.work.iter().map(|(tank, work, until)| (tank, work.to_owned(), until)).collect(),
            asides: self.put_aside(),
            ahead: tanks.flat_map(|tank| self.water_ahead(tank)).collect(),
            breathless: self.breathless_tanks(),
            goes_dark: self.dark_from(),
        }
    }

    /// A running call-out as a page to this contact would say it now; none if it runs no more.
    pub(in crate::engine) fn read_by(&self, call: Seq, who: &str) -> Option<Page> {
        let found = self.callouts.get(call)?;
        let target = Target { contact: Some(who.to_owned()), channel: "web".to_owned() };
        let purpose = match found.purpose {
            Purpose::Drill => Purpose::Drill,
            _ => Purpose::Call,
        };
        self.worded(&Sent::new(0, Subject::Call(call), target, purpose, self.mono()))
    }

    fn seen(&self, id: SensorId) -> SeenReading {
        let sensor = self.plan.sensor(id);
        let track = self.sensors.track(id);
        let (quality, doubt) = track.quality(sensor, self.mono());
        let last = track.last_good();
        SeenReading {
            sensor: id,
            value: last.map(|(value, _)| value),
            shown: last
                .map(|(value, _)| words::for_people(&super::look::show(&sensor.mapping, value)))
                .unwrap_or_default(),
            quality,
            why: doubt.map(|doubt| words::for_people_in(&doubt.words(&sensor.scale))),
            age: last.map(|(_, at)| self.mono() - at),
            heard: track.heard().map(|heard| self.mono() - heard),
        }
    }

    fn open_call(&self, call: &Call) -> OpenCall {
        let name = |who: &str| {
            let known = self.plan.directory.contacts.get(who);
            known.map_or_else(|| who.to_owned(), |contact| contact.name.clone())
        };
        let has = match &call.core.phase {
            Phase::Answered { until } | Phase::Asking { until, .. } => {
                call.core.answerer().map(|by| (name(&by.who), *until))
            }
            Phase::Held { .. } | Phase::Climbing | Phase::Over => None,
        };
        let next = self.next_rung(call).filter(|(people, _)| !people.is_empty()).map(|(people, at)| {
            let people: Vec<String> = people
                .iter()
                .map(|target| {
                    let way = crate::plan::spoken(&target.channel);
                    target
                        .contact
                        .as_ref()
                        .map_or_else(|| way.clone(), |who| format!("{} by {way}", name(who)))
                })
                .collect();
            (words::list(&people), at)
        });
        let weightiest = self.callouts.weightiest(self, call);
        let mut members: Vec<_> = call.core.members.iter().collect();
        members.sort_by_key(|member| Some(member.episode) != weightiest);
        OpenCall {
            id: call.id(),
            code: call.code().to_owned(),
            purpose: call.purpose,
            priority: call.priority(),
            over: call.ended() || (!call.stands() && call.purpose != Purpose::Drill),
            ticks: call.ticks.iter().map(|tick| (tick.step.clone(), name(&tick.by.who), tick.at)).collect(),
            has,
            next,
            would_hold: self.callouts.would_hold(self, call, None),
            could_hold: self.callouts.could_hold(self, call, ""),
            matters: members
                .into_iter()
                .map(|member| self.open_matter(&member.alarm, self.matter(member)))
                .collect(),
        }
    }

    fn open_matter(&self, alarm: &str, matter: Matter<'_>) -> OpenMatter {
        OpenMatter {
            reading: matter.then_and_now(),
            alarm: alarm.to_owned(),
            tank: matter.alarm.and_then(|alarm| alarm.tank),
            stands: matter.stands(),
            over: match matter.fate {
                MatterFate::Over(at) => Some(at),
                MatterFate::Stands | MatterFate::PutAside => None,
            },
            place: matter.place,
            what: matter.what,
            priority: matter.priority,
            onset: matter.onset,
            blind: matter.blind,
        }
    }

    fn in_hand(&self) -> Vec<RelayInHand> {
        let ids = (0..).map(RelayId).take(self.plan.relays.len());
        ids.filter_map(|id| {
            let (relay, run) = (self.plan.relay(id), self.relays.run(id)?);
            Some(RelayInHand {
                title: relay.title.clone(),
                words: run.words(relay),
                needs_a_hand: run.needs_a_hand(),
            })
        })
        .collect()
    }

    fn put_aside(&self) -> Vec<PutAside> {
        let ids = (0..).map(AlarmId).take(self.plan.alarms.len());
        ids.filter_map(|alarm| {
            let aside = self.alarms.state(alarm).aside.as_ref()?;
            Some(PutAside { alarm, until: aside.until, by: aside.by.clone(), why: aside.why.clone() })
        })
        .collect()
    }
}

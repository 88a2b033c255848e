//! Under any events at all: nothing loops, the journal restores what was, and nobody is ever left
//! without someone who is asked or has answered for something critical.

use super::night::*;
use crate::callout::event::Event;
use crate::callout::facts::Block;
use crate::callout::member::Condition;
use crate::callout::state::{CallOut, Phase};
use crate::record::{HeldBy, PageFate};
use crate::time::Span;
use proptest::prelude::*;

#[derive(Clone, Debug)]
enum Act {
    Raise(usize),
    RaiseAwaiting(usize),
    Storm,
    Clear(usize, bool),
    Worse(usize),
    PutAside(usize),
    Answer(usize, usize, Option<i64>),
    Next(usize),
    Fail(usize),
    Block(usize, usize),
    Wait(i64),
    Restart,
    Listened(bool),
    Dark(Option<i64>),
    Deadly(usize, i64),
    Quiet(i64),
    Disobeyed(usize),
    Unproved(usize),
    Hand(usize, bool),
    Goes,
}

const ALARMS: [(&str, crate::alarm::Priority, &str); 6] = [
    ("power-lost", CRITICAL, "household"),
    ("return-stopped", HIGH, "household"),
    ("heaters-off", CRITICAL, "mild"),
    ("cooling", LOW, "mild"),
    ("leak", CRITICAL, "household"),
    ("salt-low", MEDIUM, "mild"),
];
const PEOPLE: [&str; 4] = ["ines", "neighbour", "rui", "console"];
const TARGETS: [&str; 5] = ["ines.push", "ines.text", "ines.mail", "neighbour.text", "rui.mail"];

fn act() -> impl Strategy<Value = Act> {
    let alarm = || 0..ALARMS.len();
    prop_oneof![
        4 => alarm().prop_map(Act::Raise),
        1 => alarm().prop_map(Act::RaiseAwaiting),
        1 => Just(Act::Storm),
        3 => (alarm(), any::<bool>()).prop_map(|(a, b)| Act::Clear(a, b)),
        1 => alarm().prop_map(Act::Worse),
        1 => alarm().prop_map(Act::PutAside),
        3 => (alarm(), 0..PEOPLE.len(), prop::option::of(0i64..2_000)).prop_map(|(a, b, c)| Act::Answer(a, b, c)),
        1 => (0..PEOPLE.len()).prop_map(Act::Next),
        2 => (0..TARGETS.len()).prop_map(Act::Fail),
        1 => (0..PEOPLE.len(), 0usize..4).prop_map(|(a, b)| Act::Block(a, b)),
        8 => prop_oneof![0i64..120, 0i64..4_000, 0i64..100_000].prop_map(Act::Wait),
        1 => Just(Act::Restart),
        1 => any::<bool>().prop_map(Act::Listened),
        1 => prop::option::of(0i64..200).prop_map(Act::Dark),
        1 => (alarm(), 0i64..300).prop_map(|(a, b)| Act::Deadly(a, b)),
        1 => (0i64..600).prop_map(Act::Quiet),
        1 => alarm().prop_map(Act::Disobeyed),
        1 => alarm().prop_map(Act::Unproved),
        1 => (alarm(), any::<bool>()).prop_map(|(a, b)| Act::Hand(a, b)),
        1 => Just(Act::Goes),
    ]
}

/// The call-out that an alarm is in, and whether it is raised there.
fn home(night: &Night, alarm: &str) -> Option<(u64, bool)> {
    night.open().into_iter().find_map(|call| {
        let member = call.members.iter().find(|member| member.alarm == alarm)?;
        (member.episode == night.episode(alarm)).then_some((call.id, member.condition == Condition::Raised))
    })
}

fn play(night: &mut Night, act: &Act) {
    let of = |alarm: usize| ALARMS[alarm];
    match act {
        Act::Raise(alarm) | Act::RaiseAwaiting(alarm) => {
            let (name, rank, ladder) = of(*alarm);
            let awaits = matches!(act, Act::RaiseAwaiting(_)).then_some(minutes(3));
            if night.code_of.is_empty() || !is_raised(night, name) {
                night.raise_awaiting(name, rank, ladder, awaits);
            }
        }
        Act::Storm => {
            let names: Vec<String> =
                (0..7).map(|n| format!("probe-{n}")).filter(|name| !is_raised(night, name)).collect();
            night.raise_at_once(&names, HIGH, "household");
        }
        Act::Clear(alarm, latched) => {
            if is_raised(night, of(*alarm).0) {
                night.clear_latching(of(*alarm).0, *latched);
            }
        }
        Act::Worse(alarm) => if_raised(night, of(*alarm).0, |night, id, episode| {
            night.event(id, Event::Worse(episode));
        }),
        Act::Disobeyed(alarm) => if_raised(night, of(*alarm).0, |night, id, episode| {
            night.event(id, Event::Disobeyed(episode));
        }),
        Act::Unproved(alarm) => if_raised(night, of(*alarm).0, |night, id, episode| {
            night.event(id, Event::Unproved(episode));
        }),
        Act::Hand(alarm, awaited) => if_raised(night, of(*alarm).0, |night, id, episode| {
            night.event(id, Event::Hand { episode, awaited: *awaited });
        }),
        Act::PutAside(alarm) => {
            if is_raised(night, of(*alarm).0) {
                night.put_aside(of(*alarm).0, "rui");
            }
        }
        Act::Answer(alarm, who, named) => {
            if is_raised(night, of(*alarm).0) {
                night.answer_for(of(*alarm).0, PEOPLE[*who], named.map(minutes));
            }
        }
        Act::Next(who) => for_all(night, Event::Next { by: by(PEOPLE[*who]) }),
        Act::Fail(target) => {
            let target = crate::plan::Target::parse(TARGETS[*target]);
            for_all(night, Event::Page { target, fate: PageFate::Lost });
        }
        Act::Block(who, block) => {
            let block = [None, Some(Block::Hours), Some(Block::Away), Some(Block::Never)][*block];
            match block {
                Some(block) => drop(night.house.blocks.insert(PEOPLE[*who].to_owned(), block)),
                None => drop(night.house.blocks.remove(PEOPLE[*who])),
            }
        }
        Act::Wait(span) => night.wait(seconds(*span)),
        Act::Restart => night.restart(),
        Act::Listened(yes) => night.house.listened = *yes,
        Act::Dark(at) => night.house.dark = at.map(|at| night.now + minutes(at)),
        Act::Deadly(alarm, at) => {
            if is_raised(night, of(*alarm).0) {
                let episode = night.episode(of(*alarm).0);
                night.house.deadly.insert(episode, night.now + minutes(*at));
            }
        }
        Act::Quiet(length) => night.house.quiet = Some((night.now, night.now + minutes(*length))),
        Act::Goes => for_all(night, Event::GoesDark),
    }
}

fn is_raised(night: &Night, alarm: &str) -> bool {
    night.calls.values().flat_map(|call| &call.members).any(|member| member.alarm == alarm)
        && home(night, alarm).is_some_and(|(_, raised)| raised)
}

fn if_raised(night: &mut Night, alarm: &str, then: impl FnOnce(&mut Night, u64, u64)) {
    if is_raised(night, alarm) {
        let (id, _) = home(night, alarm).expect("it is raised");
        let episode = night.episode(alarm);
        then(night, id, episode);
    }
}

fn for_all(night: &mut Night, event: Event) {
    for id in night.open().iter().map(|call| call.id).collect::<Vec<_>>() {
        night.event(id, event.clone());
    }
}

/// Something critical stands: then somebody is asked within bounds, or has answered for a while.
fn is_cared_for(call: &CallOut, night: &Night) -> Result<(), TestCaseError> {
    let critical = call.members.iter().filter(|m| m.rank == CRITICAL && m.condition == Condition::Raised);
    let Some(uncovered) = critical.clone().next() else { return Ok(()) };
    let left = |until: crate::time::Moment| until - night.now;
    match &call.phase {
        Phase::Over => prop_assert!(false, "it is over and {} stands", uncovered.alarm),
        // In a digest somebody may have answered for it alone.
        Phase::Held { until, by } if critical.clone().any(|member| member.calls(night.now)) => {
            prop_assert_eq!(*by, HeldBy::Cause);
            prop_assert!(left(*until) <= seconds(60));
        }
        Phase::Held { .. } => {
            let answered = critical.filter_map(|member| member.own_answer_until());
            prop_assert!(answered.map(left).all(|left| left <= Span::hours(12)));
        }
        Phase::Answered { until } => prop_assert!(left(*until) <= Span::hours(12)),
        Phase::Asking { until, .. } => prop_assert!(left(*until) <= minutes(10)),
        Phase::Climbing => {
            for member in critical.filter(|member| member.calls(night.now)) {
                let active = call.active(night.now);
                let climb = active.iter().find(|climb| climb.ladder == member.ladder);
                prop_assert!(climb.is_some(), "nobody climbs {} for {}", member.ladder, member.alarm);
                let next = call.pending(&night.house, night.now).map(|(at, _)| left(at));
                prop_assert!(next.is_some_and(|next| next <= minutes(31)), "{next:?}");
            }
            for member in call.members.iter().filter(|member| member.stands()) {
                let until = member.own_answer_until().map_or(Span::ZERO, left);
                prop_assert!(until <= Span::hours(12));
            }
        }
    }
    prop_assert!(call.settling.is_none());
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn nothing_critical_is_ever_left_alone(acts in prop::collection::vec(act(), 1..60)) {
        let house = House::new()
            .cause("power-lost", &["return-stopped", "cooling"])
            .expects("power-lost", &["heaters-off"]);
        let mut night = Night::new(house);
        for act in &acts {
            play(&mut night, act);
            for call in night.open() {
                is_cared_for(call, &night)?;
                let targets = call.told.len();
                prop_assert!(targets <= 7 && call.members.len() <= 13 && call.climbs.len() <= 8);
            }
        }
        night.restart();
    }
}

//! Houses by chance: alarms that are switches, ladders, quiet hours and people who sleep; and what
//! may happen in them. A house is written out as a rule file for the engine and read directly by
//! the account.

use crate::account::{Alarm, Deed, House, LOST_FOR, Ladder, MINUTE, SIREN, WAYS, board};
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::{select, subsequence};
use proptest::strategy::Union;

const RANKS: [&str; 4] = ["low", "medium", "high", "critical"];
const PEOPLE: [&str; 3] = ["ines", "tom", "neighbour"];
/// It says something, so that no other sensor is taken for the mains.
pub(crate) const GATE: &str = "gate";

/// Where the heater's power is seen, and where it is switched. A try lasts so long that none ends
/// in the millisecond in which the meter speaks, two minutes after it was heard at a start: which
/// of the two comes first no person could tell.
pub(crate) const POWER: &str = "heater/power";
pub(crate) const HEATERS: &str = "heater/set";
const HEATER: &str = r#"
[sensor.heater-power]
topic = "heater/power"
tank = "lagoon"
measures = "power"
unit = "W"
every = "2 min"
[relay.heaters]
command = { topic = "heater/set", on = "on", off = "off" }
moves = "heat"
proof = "heater-power > 20 W within 29 s"
longest = "24 h"
"#;

/// A house, and what happens in it: seconds after the thing before.
pub(crate) type Case = (House, Vec<(i64, Deed)>);

/// What is drawn.
#[derive(Clone, Copy)]
pub(crate) struct Kind {
    pub(crate) alarms: (usize, usize),
    /// So many switches at most; none: each alarm has its own.
    pub(crate) switches: Option<usize>,
    pub(crate) ladders: usize,
    /// How often a rung has the siren in it, and an alarm a `worse`.
    pub(crate) siren: f64,
    pub(crate) worse: f64,
    /// How often an alarm is critical whatever else was drawn.
    pub(crate) critical: f64,
    /// How often an alarm says that the watch's own power ends; needs a switch for each alarm.
    pub(crate) own_end: f64,
    /// Whether switches fall silent; needs one for each alarm.
    pub(crate) silence: bool,
    /// Whether the first alarm cuts the heater.
    pub(crate) cuts: bool,
    /// Whether ways break, or take no pages for a while.
    pub(crate) breaks: bool,
    /// Whether ways have limits.
    pub(crate) limits: bool,
    /// Seconds between two things.
    pub(crate) gaps: &'static [i64],
    pub(crate) deeds: usize,
}

fn ladder(kind: Kind) -> impl Strategy<Value = Ladder> {
    let to = (subsequence(WAYS.to_vec(), 1..=2), prop::bool::weighted(kind.siren));
    let rung = (select(&[1_i64, 2, 5, 10, 30]), to);
    (
        vec(rung, 1..=3),
        select(&[5_i64, 15, 40]),
        select(&[20_i64, 60]),
        select(&[5_i64, 10]),
        select(&[1_i64, 2, 10]),
        prop::bool::weighted(0.4),
    )
        .prop_map(|(rungs, again, lease, renew, settle, quiet)| {
            let mut after = 0;
            let rungs = rungs.into_iter().enumerate().map(|(at, (gap, (mut to, siren)))| {
                after += if at == 0 { 0 } else { gap };
                to.extend(siren.then_some(SIREN));
                (after, to)
            });
            Ladder { rungs: rungs.collect(), again, lease, renew, settle, quiet }
        })
}

fn alarm(kind: Kind, at: usize, ladders: usize) -> impl Strategy<Value = Alarm> {
    let causes = subsequence((0..at).collect::<Vec<_>>(), 0..=at.min(2));
    let switch = match kind.switches {
        Some(many) => (0..many).boxed(),
        None => Just(at).boxed(),
    };
    (
        (0..4_usize, prop::bool::weighted(kind.critical), 0..ladders, select(&[0_i64, 0, 30, 90])),
        (prop::bool::weighted(0.2), prop::option::weighted(0.5, select(&[2_i64, 12])), causes, any::<bool>()),
        (switch, prop::bool::weighted(kind.worse), prop::bool::weighted(kind.own_end)),
    )
        .prop_map(
            move |((rank, critical, ladder, on_delay), (latching, respond, causes, expected), more)| {
                let (switch, worse, own_end) = more;
                let causes = causes.into_iter().map(|cause| (cause, expected)).collect();
                let rank = if critical { 3 } else { rank };
                let rank = if own_end { rank.max(2) } else { rank };
                let cuts = kind.cuts && at == 0;
                let latching = latching && !cuts;
                let blind = false;
                Alarm {
                    switch,
                    rank,
                    ladder,
                    on_delay,
                    latching,
                    respond,
                    causes,
                    worse,
                    own_end,
                    blind,
                    cuts,
                }
            },
        )
}

fn deed(kind: Kind, house: &House) -> impl Strategy<Value = Deed> + use<> {
    let (switch, of) = (0..house.switches(), 0..house.alarms.len());
    let who = || (select(&PEOPLE), of.clone());
    let often = |is: bool, weight: u32| if is { weight } else { 0 };
    let (siren, worse) = (kind.siren > 0.0, kind.worse > 0.0);
    let all = [
        (10, switch.clone().prop_map(Deed::Begins).boxed()),
        (8, switch.clone().prop_map(Deed::Ends).boxed()),
        (often(kind.silence, 5), switch.clone().prop_map(Deed::Silent).boxed()),
        (often(kind.silence, 4), switch.prop_map(Deed::Speaks).boxed()),
        (often(worse, 6), of.clone().prop_map(Deed::Worsens).boxed()),
        (often(worse, 3), of.clone().prop_map(Deed::Eases).boxed()),
        (3, who().prop_map(|(who, alarm)| Deed::Answers(who, alarm)).boxed()),
        (1, who().prop_map(|(who, alarm)| Deed::AnswersAll(who, alarm)).boxed()),
        (2, (who(), select(&[5_i64, 90])).prop_map(|((who, at), long)| Deed::Holds(who, at, long)).boxed()),
        (2, who().prop_map(|(who, alarm)| Deed::Next(who, alarm)).boxed()),
        (often(siren, 2), Just(Deed::Hush).boxed()),
        (often(kind.breaks, 3), select(&WAYS).prop_map(Deed::Breaks).boxed()),
        (often(kind.breaks, 3), select(&WAYS).prop_map(Deed::PutsOff).boxed()),
        (often(kind.breaks, 4), select(&WAYS).prop_map(Deed::Mends).boxed()),
        (often(kind.cuts, 6), Just(Deed::Draws).boxed()),
        (often(kind.cuts, 2), Just(Deed::Rests).boxed()),
        (often(kind.cuts, 3), any::<bool>().prop_map(Deed::Sticks).boxed()),
        (2, Just(Deed::Restart).boxed()),
    ];
    Union::new_weighted(all.into_iter().filter(|(weight, _)| *weight > 0).collect())
}

fn house(kind: Kind) -> impl Strategy<Value = House> {
    let alarms = kind.alarms.0..=kind.alarms.1;
    (vec(ladder(kind), 1..=kind.ladders), alarms).prop_flat_map(move |(ladders, alarms)| {
        let alarms: Vec<_> = (0..alarms).map(|at| alarm(kind, at, ladders.len())).collect();
        let sleepers = subsequence(PEOPLE.to_vec(), 0..=2);
        let limit = (select(&WAYS), 1..5_usize, 0..3_usize);
        let limits = vec(limit, if kind.limits { 1..4 } else { 0..1 });
        (Just(ladders), alarms, sleepers, limits, select(&[2_i64, 6, 12, 20, 21])).prop_map(
            move |(ladders, alarms, sleepers, mut limits, hour)| {
                limits.sort_unstable();
                limits.dedup_by_key(|(way, ..)| *way);
                let house = House { ladders, alarms, sleepers, limits, begins: hour * 60 * MINUTE };
                if kind.silence { house.and_losses() } else { house }
            },
        )
    })
}

pub(crate) fn case(kind: Kind) -> impl Strategy<Value = Case> {
    house(kind).prop_flat_map(move |house| {
        let history = vec((select(kind.gaps), deed(kind, &house)), 1..kind.deeds);
        (Just(house), history)
    })
}

pub(crate) fn topic_of(switch: usize) -> String {
    format!("board-{}/{switch}", board(switch))
}

pub(crate) fn topic_of_worse(alarm: usize) -> String {
    format!("worse/{alarm}/x")
}

fn switch(name: &str, topic: &str) -> String {
    format!(
        "[sensor.{name}]\ntopic = \"{topic}\"\nmeasures = \"presence\"\non = [\"on\"]\noff = [\"off\"]\n\
         every = \"1 min\"\n"
    )
}

pub(crate) fn rules(house: &House) -> String {
    // What the watch says of its own parts is another account.
    let mut text = "[site]\nname = \"Halyard House\"\n[tank.lagoon]\nvolume = \"420 L\"\n\
                    [health]\nafter = \"7 d\"\n"
        .to_owned();
    text.push_str(&format!(
        "[sight]\nafter = \"{LOST_FOR} s\"\npriority = \"high\"\ncallout = \"ladder-0\"\n"
    ));
    text.push_str(&switch("gate", GATE));
    for at in 0..house.switches() {
        match house.is_power(at) {
            false => text.push_str(&switch(&format!("seen-{at}"), &topic_of(at))),
            true => text.push_str(&format!(
                "[sensor.seen-{at}]\ntopic = \"{}\"\nmeasures = \"runtime\"\nunit = \"min\"\nevery = \"1 min\"\n",
                topic_of(at)
            )),
        }
    }
    if house.alarms.iter().any(|alarm| alarm.cuts) {
        text.push_str(HEATER);
    }
    for (at, ladder) in house.ladders.iter().enumerate() {
        text.push_str(&format!("[callout.ladder-{at}]\nsteps = [\n"));
        for (after, to) in &ladder.rungs {
            let to: Vec<String> = to.iter().map(|target| format!("\"{target}\"")).collect();
            text.push_str(&format!("  {{ after = \"{after} min\", to = [{}] }},\n", to.join(", ")));
        }
        text.push_str(&format!(
            "]\nagain = \"{} min\"\nlease = \"{} min\"\nrenew = \"{} min\"\nsettle = \"{} min\"\n",
            ladder.again, ladder.lease, ladder.renew, ladder.settle
        ));
        if ladder.quiet {
            text.push_str("quiet = [\"22:00\", \"07:00\"]\n");
        }
    }
    for (at, alarm) in house.alarms.iter().enumerate().filter(|(_, alarm)| !alarm.blind) {
        let names =
            |of: Vec<usize>| of.iter().map(|it| format!("\"alarm-{it:02}\"")).collect::<Vec<_>>().join(", ");
        let causes = alarm.causes.iter().map(|(cause, _)| *cause).collect();
        let expected =
            alarm.causes.iter().filter(|(_, expected)| *expected).map(|(cause, _)| *cause).collect();
        text.push_str(&format!(
            "[alarm.alarm-{at:02}]\n{}\noff-delay = \"0 s\"\n\
             priority = \"{}\"\ncallout = \"ladder-{}\"\non-delay = \"{} s\"\nlatching = {}\n\
             consequence-of = [{}]\nexpected = [{}]\n",
            match alarm.own_end {
                true => format!("hazard = \"ups-ending\"\nruntime = \"seen-{}\"", alarm.switch),
                false => format!("tank = \"lagoon\"\nwhen = \"seen-{} is on\"", alarm.switch),
            },
            RANKS[alarm.rank],
            alarm.ladder,
            alarm.on_delay,
            alarm.latching,
            names(causes),
            names(expected),
        ));
        if alarm.cuts {
            text.push_str("stopgap = { relay = \"heaters\", state = \"off\" }\n");
        }
        if alarm.worse {
            text.push_str(&format!("worse = \"worse-{at} is on\"\n"));
        }
        if let Some(respond) = alarm.respond {
            text.push_str(&format!("time-to-respond = \"{respond} h\"\n"));
        }
        if alarm.worse {
            text.push_str(&switch(&format!("worse-{at}"), &topic_of_worse(at)));
        }
    }
    text
}

//! Random sites and random histories. What shrinks, shrinks towards few alarms without extras
//! and short histories of calm water.

use crate::family::{Air, Alarm, Cond, Family, HOLDS, SENSORS, Switches, TARGETS};
use crate::world::Op;
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::{select, subsequence};
use slackwater_rules::sim::ChannelRule;

pub(crate) fn case() -> impl Strategy<Value = (Family, Vec<Op>)> {
    (2..=SENSORS.len(), 1..=5_usize).prop_flat_map(|(sensors, alarms)| {
        let alarms: Vec<_> = (0..alarms).map(|at| alarm(at, sensors)).collect();
        let steps = vec((1..=6_i64, subsequence((0..TARGETS.len()).collect::<Vec<_>>(), 1..=2)), 1..=3)
            .prop_filter("reaches a person", |steps| {
                steps.iter().any(|(_, to)| to.iter().any(|at| *at != 1))
            });
        let air = (0..HOLDS.len(), prop::bool::weighted(0.2), select(&[0_i64, 60, 400]))
            .prop_map(|(hold, only_if, pause)| Air { hold, only_if, pause });
        let family = (alarms, steps, any::<bool>(), prop::bool::weighted(0.2), air).prop_map(
            move |(alarms, steps, board, night, air)| Family { sensors, alarms, steps, board, night, air },
        );
        family.prop_flat_map(|family| {
            let history = vec(op(family.sensors, family.alarms.len()), 1..40);
            (Just(family), history)
        })
    })
}

fn alarm(at: usize, sensors: usize) -> impl Strategy<Value = Alarm> {
    let delay = || select(&[0_i64, 20, 90, 300]);
    let rarely = || prop::bool::weighted(0.25);
    let switches = prop::option::weighted(0.6, rarely());
    (
        (cond(sensors), delay(), delay(), 0..4_usize),
        (rarely(), rarely(), prop::option::weighted(0.25, comparison(sensors))),
        (subsequence((0..at).collect::<Vec<_>>(), 0..=at.min(2)), prop::bool::weighted(0.9), switches),
    )
        .prop_map(
            |((when, on, off, priority), (deadband, latching, worse), (causes, calls, switches))| {
                let switches = switches.map(|heat| match (heat, priority) {
                    (true, _) => Switches::NoHeat,
                    (false, 1 | 2) => Switches::Air,
                    (false, _) => Switches::NoAir,
                });
                Alarm { when, on, off, priority, deadband, latching, worse, causes, calls, switches }
            },
        )
}

fn comparison(sensors: usize) -> impl Strategy<Value = Cond> {
    let numbers: Vec<usize> = (0..sensors).filter(|at| SENSORS[*at].limits.is_some()).collect();
    (select(numbers), any::<bool>(), any::<bool>()).prop_map(|(sensor, above, high)| match above {
        false => Cond::Below(sensor, high),
        true => Cond::Above(sensor, high),
    })
}

fn cond(sensors: usize) -> impl Strategy<Value = Cond> {
    let silent =
        (0..sensors, select(&[2_i64, 5])).prop_map(|(sensor, minutes)| Cond::Silent(sensor, minutes));
    let plain = match sensors {
        2 => prop_oneof![6 => comparison(sensors), 1 => silent].boxed(),
        _ => prop_oneof![6 => comparison(sensors), 3 => Just(Cond::Off(2)), 1 => silent].boxed(),
    };
    plain.prop_recursive(2, 4, 2, |inner| {
        prop_oneof![
            inner.clone().prop_map(|it| Cond::Not(Box::new(it))),
            (inner.clone(), inner.clone()).prop_map(|(a, b)| Cond::And(Box::new(a), Box::new(b))),
            (inner.clone(), inner).prop_map(|(a, b)| Cond::Or(Box::new(a), Box::new(b))),
        ]
    })
}

fn op(sensors: usize, alarms: usize) -> impl Strategy<Value = Op> {
    let seconds = prop_oneof![
        3 => select(&[1_i64, 20, 30, 60, 90]),
        4 => select(&[121_i64, 180, 240, 300]),
        3 => select(&[600_i64, 900, 1_200]),
        1 => select(&[2_400_i64, 4_000]),
    ];
    let sensor = || 0..sensors;
    let says = || 0..10_usize;
    let does = select(&[ChannelRule::Works, ChannelRule::Defers, ChannelRule::Fails, ChannelRule::Hangs]);
    prop_oneof![
        12 => seconds.prop_map(Op::Wait),
        10 => (sensor(), says()).prop_map(|(sensor, what)| Op::Says(sensor, what)),
        2 => (sensor(), says()).prop_map(|(sensor, what)| Op::Glitch(sensor, what)),
        2 => (sensor(), says(), any::<bool>()).prop_map(|(sensor, what, kept)| Op::Old(sensor, what, kept)),
        2 => sensor().prop_map(Op::Silence),
        1 => any::<bool>().prop_map(Op::Link),
        2 => (0..TARGETS.len(), does).prop_map(|(target, does)| Op::Channel(target, does)),
        1 => any::<bool>().prop_map(Op::Report),
        4 => (0..6_usize).prop_map(Op::Answer),
        1 => (0..alarms).prop_map(Op::Reset),
        2 => (0..alarms, select(&[5_i64, 30, 90])).prop_map(|(alarm, minutes)| Op::Shelve(alarm, minutes)),
        1 => (0..alarms).prop_map(Op::Unshelve),
        1 => (0..alarms).prop_map(Op::TakeOut),
        1 => (0..alarms).prop_map(Op::PutBack),
        1 => (any::<bool>(), 1..=30_i64).prop_map(|(change, minutes)| Op::Work(change, minutes)),
        1 => Just(Op::EndWork),
        1 => Just(Op::Drill),
        2 => any::<bool>().prop_map(Op::RelaysObey),
        2 => (any::<bool>(), any::<bool>()).prop_map(|(air, on)| Op::Hand(air, on)),
        1 => any::<bool>().prop_map(Op::CommandsGo),
        1 => any::<bool>().prop_map(Op::Kept),
        3 => prop::option::weighted(0.7, select(&[0_i64, 5, 120, 1_500])).prop_map(Op::Restart),
    ]
}

//! What must hold of relays in every story, worked out from its records and commands alone.

use crate::family::{LONGEST, PROOF_WITHIN, Switches, alarm_name};
use crate::world::{When, World};
use slackwater_rules::record::Body;
use slackwater_rules::stopgap::ATTEMPTS;

/// After a start outputs wait for readings for so long.
const READINGS_WITHIN: i64 = 300_000;

/// A switching as its record tells it.
struct Switching {
    when: When,
    seq: u64,
    on: bool,
    attempt: u32,
    undo: bool,
}

pub(crate) fn hold(world: &World) {
    for (at, topic, payload) in &world.commands {
        let adds = topic == "halyard/heaters/set" && payload == "on";
        assert!(!adds, "heat was added at {at:?}\n{}", world.told());
    }
    for relay in ["air-pump", "heaters"] {
        let topic = format!("halyard/{relay}/set");
        let switchings = switchings(world, relay);
        let left = world.commands.iter().filter(|(_, to, _)| *to == topic);
        let left: Vec<_> = left.map(|(when, _, payload)| (*when, payload == "on")).collect();
        let recorded: Vec<_> = switchings.iter().map(|it| (it.when, it.on)).collect();
        assert_eq!(left, recorded, "each command has its record\n{}", world.told());
        pauses(world, relay, &switchings);
        attempts(world, &switchings);
        outcomes(world, relay, &switchings);
        hands(world, relay);
        bounded(world, relay, &switchings);
    }
    starts(world);
    wished(world);
}

fn switchings(world: &World, name: &str) -> Vec<Switching> {
    let found = world.story.iter().filter_map(|(when, record)| match &record.body {
        Body::Switched { relay, on, attempt, undo, .. } if relay == name => {
            Some(Switching { when: *when, seq: record.seq, on: *on, attempt: *attempt, undo: *undo })
        }
        _ => None,
    });
    found.collect()
}

fn pauses(world: &World, relay: &str, switchings: &[Switching]) {
    // The heaters' is the default.
    let pause = if relay == "air-pump" { world.family.air.pause * 1_000 } else { 60_000 };
    let first: Vec<_> = switchings.iter().filter(|it| it.attempt == 1).collect();
    for pair in first.windows(2) {
        let apart = pair[1].when.0 - pair[0].when.0;
        assert!(apart >= pause, "#{} comes {apart} ms after the last\n{}", pair[1].seq, world.told());
    }
}

/// Repeats are of the command before, and no more than there may be.
fn attempts(world: &World, switchings: &[Switching]) {
    for (at, it) in switchings.iter().enumerate().filter(|(_, it)| it.attempt > 1) {
        let before = at.checked_sub(1).map(|at| &switchings[at]);
        let repeats = before.is_some_and(|it_before| {
            it_before.attempt + 1 == it.attempt && it_before.on == it.on && it_before.undo == it.undo
        });
        assert!(repeats && it.attempt <= ATTEMPTS, "#{} repeats nothing\n{}", it.seq, world.told());
    }
}

/// Each command is proved, or said not to be, or overtaken by another decision.
fn outcomes(world: &World, name: &str, switchings: &[Switching]) {
    for it in switchings {
        let settled = world.story.iter().any(|(_, record)| match &record.body {
            Body::Proved { switching, .. } | Body::NotProved { switching, .. } => *switching == it.seq,
            Body::Switched { relay, .. } | Body::Withheld { relay, .. } | Body::Released { relay, .. } => {
                relay == name && record.seq > it.seq
            }
            _ => false,
        });
        let since = world.starts.iter().map(|start| start.0).chain([it.when.0]).max().unwrap_or(0);
        let open = world.end - since <= PROOF_WITHIN.max(READINGS_WITHIN);
        assert!(settled || open, "nothing came of #{}\n{}", it.seq, world.told());
    }
}

/// What somebody has switched is left alone until the agent lets go of it.
fn hands(world: &World, name: &str) {
    let mut alone = false;
    for (_, record) in &world.story {
        match &record.body {
            Body::ByHand { relay, .. } if relay == name => alone = true,
            Body::Released { relay, .. } if relay == name => alone = false,
            Body::Switched { relay, .. } | Body::Withheld { relay, .. } if relay == name => {
                assert!(!alone, "#{} against somebody's hand\n{}", record.seq, world.told());
            }
            _ => {}
        }
    }
}

/// Air that was switched on is switched off in time, but for what nobody could do: a broker
/// that is away, a watch that is not there or has nothing to go by, a person's hand.
fn bounded(world: &World, name: &str, switchings: &[Switching]) {
    let mut began: Option<i64> = None;
    for it in switchings.iter().filter(|it| it.attempt == 1) {
        match (it.on, began) {
            (true, None) => began = Some(it.when.0),
            // Wanted anew while it was being undone.
            (true, Some(_)) => began = Some(it.when.0),
            (false, Some(since)) => {
                let late = it.when.0 - since - LONGEST - world.family.air.pause * 1_000;
                assert!(late <= excuse(world, since), "#{} is {late} ms late\n{}", it.seq, world.told());
                began = None;
            }
            (false, None) => {}
        }
    }
    let hand = world.story.iter().any(|(_, record)| match &record.body {
        Body::ByHand { relay, .. } => relay == name,
        _ => false,
    });
    if let Some(since) = began.filter(|_| !hand) {
        let late = world.end - since - LONGEST - world.family.air.pause * 1_000;
        assert!(late <= excuse(world, since), "{name} runs {late} ms too long\n{}", world.told());
    }
}

fn excuse(world: &World, since: i64) -> i64 {
    let mut excuse = 0;
    let mut lost = None;
    for ((at, _), hears) in &world.links {
        match (hears, lost) {
            (false, None) => lost = Some(*at),
            (true, Some(from)) => {
                excuse += at - (from).max(since).min(*at);
                lost = None;
            }
            (false, Some(_)) | (true, None) => {}
        }
    }
    excuse += lost.map_or(0, |from| world.end - from.max(since));
    for (stop, start) in world.stops.iter().zip(world.starts.iter().skip(1)) {
        if start.0 >= since {
            excuse += start.0 - stop.0 + READINGS_WITHIN;
        }
    }
    excuse
}

/// A restart switches nothing by itself.
fn starts(world: &World) {
    for start in &world.starts {
        let heard = world.fresh.iter().find(|at| **at >= start.0);
        let until = heard.map_or(i64::MAX, |at| *at).min(start.0 + READINGS_WITHIN);
        let early = world.commands.iter().find(|((at, step), ..)| *at < until && (*at, *step) >= *start);
        assert!(early.is_none(), "{early:?} by a restart at {start:?}\n{}", world.told());
    }
}

/// A raised alarm's stopgap begins, waits or is going on, and never silently isn't.
fn wished(world: &World) {
    for (at, (when, record)) in world.story.iter().enumerate() {
        let Body::Raised { alarm, .. } = &record.body else { continue };
        let of = world.family.alarms.iter().enumerate().find(|(at, _)| alarm_name(*at) == *alarm);
        let Some(Switches::NoHeat) = of.and_then(|(_, alarm)| alarm.switches) else { continue };
        let before = world.story[..at].iter().rev().find_map(|(_, record)| match &record.body {
            Body::Switched { relay, .. }
            | Body::Withheld { relay, .. }
            | Body::Held { relay, .. }
            | Body::ByHand { relay, .. }
                if relay == "heaters" =>
            {
                Some(true)
            }
            Body::Released { relay, .. } if relay == "heaters" => Some(false),
            _ => None,
        });
        let now = world.story[at..].iter().take_while(|(other, _)| other == when).any(|(_, record)| {
            matches!(&record.body,
                Body::Switched { relay, .. } | Body::Withheld { relay, .. } if relay == "heaters")
        });
        let goes_on = before == Some(true);
        assert!(goes_on || now, "#{} raised, and the heaters not cut\n{}", record.seq, world.told());
    }
}

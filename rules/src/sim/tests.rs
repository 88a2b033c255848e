//! What the loop itself promises.

use super::*;
use crate::plan::{ChannelKind, Directory, Surroundings, Target};
use crate::record::Body;
use crate::time::Wall;
use jiff::tz::TimeZone;

const RULES: &str = r#"
[sensor.mains]
topic    = "mains"
measures = "presence"
on       = ["on"]
off      = ["off"]
every    = "30 s"

[relay.lamp]
command = { topic = "lamp/set", on = "on", off = "off" }
moves   = "light"
longest = "1 h"

[alarm.dark]
when      = "mains is off"
on-delay  = "30 s"
priority  = "high"
response  = ["Look."]
stopgap   = { relay = "lamp", state = "off" }

[callout.home]
steps = [{ after = "0 s", to = ["ines.push"] }]
"#;

fn plan() -> Plan {
    let channels = [(Target::parse("ines.push"), ChannelKind::Push)].into();
    let directory = Directory { channels, ..Directory::default() };
    let checked =
        Plan::check("rules.toml", RULES, &Surroundings { directory, zone: TimeZone::UTC, today: None });
    checked.plan.unwrap_or_else(|| panic!("{}", checked.report))
}

fn now() -> Now {
    Now { mono: Moment(1_000_000), wall: Wall(1_772_445_600_000), wall_trusted: true }
}

fn site() -> Sim<SimSite> {
    let plan = plan();
    let world = SimSite::new(&plan);
    let mut sim = Sim::new("test", plan, 7, now(), world);
    sim.start(Some(Span::ZERO));
    sim
}

fn mains() -> SignalOrigin {
    SignalOrigin::Topic("mains".to_owned())
}

fn off() -> Saying {
    Saying::Payload("off".to_owned())
}

fn raised(sim: &Sim<SimSite>) -> Vec<Moment> {
    let raised = |record: &&Record| matches!(record.body, Body::Raised { .. });
    sim.records.iter().filter(raised).map(|record| record.at.mono).collect()
}

#[test]
fn deadlines_are_met_on_time_and_before_what_comes_in_at_the_same_moment() {
    let mut sim = site();
    let begun = sim.now.mono;
    sim.says(mains(), off(), Span::seconds(30));
    sim.world.says(begun + Span::seconds(30), mains(), Saying::Payload("on".to_owned()), Span::seconds(30));
    sim.run(Span::seconds(29));
    assert_eq!(raised(&sim), []);
    sim.run(Span::minutes(5));
    assert_eq!(raised(&sim), [begun + Span::seconds(30)], "a delay that is over is over");
    assert_eq!(sim.now.mono, begun + Span::seconds(329), "all of the time passed");
    assert_eq!(sim.now.wall, Wall(1_772_445_600_000) + Span::seconds(329));
}

#[test]
fn what_pages_and_commands_come_to_is_told_before_time_goes_on() {
    let mut sim = site();
    sim.says(mains(), off(), Span::seconds(30));
    sim.run(Span::minutes(1));
    let page = &sim.world.sent[0];
    let told = sim
        .records
        .iter()
        .find(|record| matches!(&record.body, Body::Delivered { page: id, .. } if *id == page.id));
    assert_eq!(told.map(|record| record.at.mono), Some(page.at));
    assert_eq!(sim.world.commands.len(), 1);
}

#[test]
fn a_board_that_reboots_reads_its_records_on_another_clock() {
    let mut sim = site();
    sim.says(mains(), off(), Span::seconds(30));
    sim.run(Span::minutes(1));
    let wall = sim.now.wall;
    let before: Vec<_> = sim.records.iter().map(|record| sim.now.mono - record.at.mono).collect();
    sim.reboot(Span::minutes(2), None);
    assert_eq!((sim.now.mono, sim.now.wall), (AFTER_BOOT, wall + Span::minutes(2)));
    let after = sim.records.iter().take(before.len()).map(|record| sim.now.mono - record.at.mono);
    let later = before.iter().map(|ago| *ago + Span::minutes(2));
    assert!(after.eq(later), "what was long ago stays so");
    assert_eq!(sim.engine.status(sim.now).alarms[0].state, "unacknowledged");
    sim.run(Span::ZERO);
    assert!(sim.world.signal(&mains()).is_some_and(|signal| signal.next > sim.now.mono), "it speaks at once");
}

#[test]
fn nothing_comes_over_a_broker_that_can_not_be_heard() {
    let mut sim = site();
    sim.link(Link::Lost { why: "the router has no power".to_owned() });
    sim.says(mains(), off(), Span::seconds(30));
    sim.run(Span::minutes(1));
    assert_eq!(raised(&sim), []);
    sim.link(Link::Hears);
    sim.run(Span::minutes(1));
    assert_eq!(raised(&sim).len(), 1);
}

#[test]
fn a_number_is_on_its_way_and_its_noise_is_the_same_each_time() {
    let at = Moment(0);
    let says = Saying::Number { from: 10.0, to: 20.0, since: at, over: Span::seconds(10), noise: 0.5 };
    let signal = |count| SimSignal { says: says.clone(), every: Span::seconds(1), next: at, count };
    let half = signal(3).number(at + Span::seconds(5)).expect("a number");
    assert!((14.5..=15.5).contains(&half) && half != 15.0, "{half}");
    assert_eq!(signal(3).number(at + Span::seconds(5)), Some(half));
    assert_ne!(signal(4).number(at + Span::seconds(5)), Some(half));
    let over = signal(3).number(at + Span::seconds(50)).expect("a number");
    assert!((19.5..=20.5).contains(&over), "{over}");
}

/// Something always happens now, or everything that is sent makes the engine send more.
struct Restless;

impl SimWorld for Restless {
    fn due(&self) -> Option<Moment> {
        Some(Moment(0))
    }

    fn carry_out(&mut self, _: &Now, _: Effect, _: &mut VecDeque<Input>) {}
}

#[test]
fn a_loop_that_makes_no_headway_ends_and_says_so() {
    let mut sim = Sim::new("test", plan(), 7, now(), Restless);
    sim.start(None);
    sim.run(Span::hours(1));
    let stuck = sim.stuck.as_ref().expect("it went in circles");
    assert_eq!(stuck.at, Moment(1_000_000));
    assert_eq!(sim.now.mono, Moment(1_000_000) + Span::hours(1), "the caller is not held up");
    assert_eq!(
        stuck.to_string(),
        "the watch went in circles: more than 50000 turns within 1 min, the next for what happens around it"
    );
}

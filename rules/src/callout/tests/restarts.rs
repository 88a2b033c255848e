//! Restarts in every stage, crash loops, reloads and drills.

use super::night::*;
use crate::callout::decide::Reply;
use crate::callout::event::Event;
use crate::callout::siren::Siren;
use crate::callout::table::Stage;
use crate::plan::SirenLimits as Limits;
use crate::plan::Target;

/// A stage, and how a night gets there.
type SetOut = (&'static str, fn(&mut Night));

#[test]
fn a_restart_in_every_stage_goes_on_where_it_was() {
    let set_out: [SetOut; 5] = [
        ("held", |night| night.raise_awaiting("leak", HIGH, "household", Some(minutes(3)))),
        ("climbing", |night| night.raise("leak", HIGH, "household")),
        ("answered", |night| {
            night.raise("leak", HIGH, "household");
            night.answer("leak", "ines");
        }),
        ("asking", |night| {
            night.raise("leak", HIGH, "household");
            night.answer("leak", "ines");
            night.wait(minutes(61));
        }),
        ("settling", |night| {
            night.raise("leak", HIGH, "household");
            night.clear("leak");
        }),
    ];
    for (stage, set_out) in set_out {
        let (mut steady, mut fallen) = (Night::new(House::new()), Night::new(House::new()));
        set_out(&mut steady);
        set_out(&mut fallen);
        assert_eq!(steady.told(), fallen.told());
        fallen.restart();
        steady.wait(minutes(200));
        fallen.wait(minutes(200));
        assert_eq!(steady.told(), fallen.told(), "{stage}");
    }
}

#[test]
fn a_rung_due_before_the_watch_has_listened_waits_a_minute_at_most() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.told();
    night.wait(minutes(5) - seconds(10));
    night.house.listened = false;
    night.restart();
    night.wait(seconds(59));
    assert_eq!(night.told(), [""; 0]);
    night.wait(seconds(1));
    assert_eq!(night.told(), ["ines.text"]);
}

#[test]
fn a_rung_due_goes_at_once_when_all_has_been_heard() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.told();
    night.wait(minutes(5) - seconds(10));
    night.house.listened = false;
    night.restart();
    night.wait(seconds(20));
    assert_eq!(night.told(), [""; 0]);
    night.house.listened = true;
    night.wait(seconds(0));
    assert_eq!(night.told(), ["ines.text"]);
}

#[test]
fn a_watch_in_a_crash_loop_waits_once_counted_from_its_first_start() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.told();
    night.wait(minutes(5) - seconds(1));
    night.house.listened = false;
    for _ in 0..3 {
        night.restart();
        night.wait(seconds(20));
    }
    assert_eq!(night.told(), ["ines.text"]);
}

#[test]
fn a_reload_that_drops_a_member_is_refused_unless_somebody_insists() {
    let mut night = Night::new(House::new());
    night.raise("leak", CRITICAL, "household");
    night.told();
    let (id, episode) = (night.call().id, night.episode("leak"));
    night.event(id, Event::Dropped { episode, forced: false, by: by("ines") });
    assert_eq!(night.reply, Some(Reply::WouldDrop));
    assert_eq!(night.call().stage(), Stage::Climbing);
    night.event(id, Event::Dropped { episode, forced: true, by: by("ines") });
    assert_eq!(night.told(), ["ines.push put aside"]);
    assert!(night.open().is_empty());
}

#[test]
fn a_drill_tells_each_rung_once_and_ends() {
    let mut night = Night::new(House::new());
    night.drill("household");
    night.wait(minutes(60));
    assert_eq!(night.told(), ["ines.push drill", "siren drill", "ines.text drill", "neighbour.text drill"]);
    assert!(night.open().is_empty());
}

#[test]
fn a_drill_waits_while_a_real_call_out_runs_and_its_siren_is_off() {
    let mut night = Night::new(House::new());
    let drill = night.drill("household");
    night.told();
    let siren = Siren::default();
    let wish = |night: &Night| {
        let target = Target::parse("siren");
        siren.wish(&target, Limits::default(), night.calls.values(), night.now).on
    };
    assert!(wish(&night));
    night.wait(minutes(1));
    night.raise("salt-low", LOW, "mild");
    night.event(drill, Event::DrillWaits { for_clock: false });
    assert!(!wish(&night));
    night.told();
    night.wait(minutes(20));
    assert_eq!(night.told(), [""; 0]);
    night.event(drill, Event::DrillGoesOn);
    night.wait(minutes(4));
    assert_eq!(night.told(), ["ines.text drill"], "4 of its 5 min were left");
}

#[test]
fn an_answer_to_a_drill_ends_it() {
    let mut night = Night::new(House::new());
    let drill = night.drill("household");
    night.told();
    night.event(drill, Event::Answered { by: by("ines"), named: None, only: None });
    night.wait(minutes(60));
    assert_eq!(night.told(), [""; 0]);
    assert!(night.open().is_empty());
}

#[test]
fn a_month_without_an_answer_stays_small() {
    let mut night = Night::new(House::new().cause("power-lost", &["cooling", "return-stopped"]));
    night.raise("power-lost", CRITICAL, "household");
    for _ in 0..30 {
        night.raise("cooling", HIGH, "mild");
        night.wait(minutes(12 * 60));
        night.clear("cooling");
        night.wait(minutes(12 * 60));
    }
    let call = night.call();
    assert_eq!(call.members.len(), 2);
    assert!(call.tellings.len() <= 8 && call.before > 2_000);
    assert!(call.told.len() <= 6 && call.climbs.len() <= 4);
}

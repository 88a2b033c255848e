//! Histories that once went wrong, each with what was wrong. The model found them, or would
//! have; here they are cut down to what matters.

use crate::check;
use crate::family::{Air, Alarm, Cond, Family, Switches};
use crate::world::Op;
use slackwater_rules::sim::ChannelRule;

/// One alarm, nothing special about it.
fn alarm(when: Cond) -> Alarm {
    Alarm {
        when,
        on: 20,
        off: 20,
        priority: 2,
        deadband: false,
        latching: false,
        worse: None,
        causes: Vec::new(),
        calls: true,
        switches: None,
    }
}

/// True in calm water: it needs nothing to ring.
fn warm() -> Alarm {
    alarm(Cond::Above(0, false))
}

/// All sensors; everybody is told in turn, five minutes apart.
fn site(alarms: Vec<Alarm>) -> Family {
    let steps = vec![(0, vec![0]), (5, vec![2]), (5, vec![3])];
    Family {
        sensors: 4,
        alarms,
        steps,
        board: false,
        night: false,
        air: Air { hold: 0, only_if: false, pause: 0 },
    }
}

/// Ten degrees, and twenty.
const COLD: Op = Op::Says(0, 1);
const CALM: Op = Op::Says(0, 0);

#[test]
fn a_call_out_that_was_over_came_back_with_a_restart() {
    let family = site(vec![warm(), warm()]);
    check(&family, &[Op::TakeOut(1), Op::Wait(60), Op::Answer(0), COLD, Op::Wait(300)]);
}

#[test]
fn the_undoing_of_a_stopgap_became_a_stopgap_after_a_restart() {
    let family = site(vec![Alarm { switches: Some(Switches::Air), ..warm() }]);
    let history = [Op::Wait(60), Op::Shelve(0, 90), Op::Wait(60), Op::Restart(Some(5)), Op::Wait(2_400)];
    check(&family, &history);
}

#[test]
fn a_stopgap_lost_the_episode_that_it_was_for() {
    let shared = |when| Alarm { switches: Some(Switches::Air), ..alarm(when) };
    let family = site(vec![shared(Cond::Above(0, false)), shared(Cond::Off(2))]);
    let history = [Op::Wait(60), Op::Says(2, 1), Op::Wait(60), Op::Answer(0), COLD, Op::Wait(300)];
    check(&family, &[&history[..], &[Op::Restart(Some(5)), Op::Wait(300)]].concat());
}

#[test]
fn an_alarm_that_was_back_before_the_all_clear_had_two_call_outs() {
    check(&site(vec![warm()]), &[Op::Wait(20), Op::Answer(0), COLD, Op::Wait(30), CALM, Op::Wait(4_000)]);
}

#[test]
fn a_restart_sent_a_page_that_the_next_step_made_needless() {
    let steps = vec![(0, vec![2])];
    let family = Family { steps, ..site(vec![warm()]) };
    check(&family, &[Op::Channel(2, ChannelRule::Defers), Op::Wait(20), Op::Restart(None), Op::Wait(300)]);
}

#[test]
fn a_restart_called_again_although_somebody_had_answered() {
    let family = site(vec![warm()]);
    let history = [
        Op::Channel(0, ChannelRule::Hangs),
        Op::Wait(60),
        Op::Answer(0),
        Op::Restart(Some(5)),
        Op::Wait(300),
    ];
    check(&family, &history);
}

#[test]
fn a_page_that_was_being_tried_again_did_not_say_that_it_may_be_a_repeat() {
    let family = site(vec![warm()]);
    let history =
        [Op::Channel(0, ChannelRule::Defers), Op::Wait(20), Op::Channel(0, ChannelRule::Hangs), Op::Wait(60)];
    check(&family, &[&history[..], &[Op::Restart(Some(0)), Op::Wait(60)]].concat());
}

#[test]
fn a_restart_or_a_deaf_broker_was_taken_for_sight() {
    let family = Family { board: true, ..site(vec![warm(), alarm(Cond::Below(1, false))]) };
    let dead = [Op::Says(0, 7), Op::Wait(600)];
    check(&family, &[&dead[..], &[Op::Restart(Some(120)), Op::Wait(1_200)]].concat());
    check(&family, &[&dead[..], &[Op::Link(false), Op::Wait(600), Op::Link(true), Op::Wait(600)]].concat());
    check(&family, &[&dead[..], &[Op::Silence(1), Op::Wait(900), Op::Says(1, 0), Op::Wait(300)]].concat());
}

#[test]
fn it_got_worse_a_deadband_too_early() {
    let worse = Some(Cond::Above(0, true));
    let family = site(vec![Alarm { deadband: true, worse, ..warm() }]);
    check(&family, &[Op::Wait(60), Op::Says(0, 4), Op::Wait(300), Op::Says(0, 5), Op::Wait(60)]);
}

#[test]
fn what_came_off_the_shelf_rang_while_work_went_on() {
    let family = site(vec![warm()]);
    check(
        &family,
        &[Op::Shelve(0, 5), Op::Work(true, 30), Op::Wait(600), Op::Restart(Some(5)), Op::Wait(2_400)],
    );
    check(&family, &[Op::TakeOut(0), Op::Work(true, 30), Op::Wait(60), Op::PutBack(0), Op::Wait(60)]);
}

#[test]
fn work_reset_a_latch() {
    let family = site(vec![Alarm { latching: true, ..warm() }]);
    check(
        &family,
        &[Op::Wait(60), COLD, Op::Wait(60), Op::Work(true, 30), Op::Wait(2_400), Op::Shelve(0, 5)],
    );
}

#[test]
fn chattering_was_forgotten_in_a_restart() {
    let family = site(vec![warm()]);
    let once = [CALM, Op::Wait(60), COLD, Op::Answer(0), Op::Wait(60)];
    let thrice = [&once[..], &once, &[Op::Restart(Some(5))], &once].concat();
    check(&family, &[&thrice[..], &[Op::Shelve(0, 5), Op::Restart(Some(5)), CALM, Op::Wait(4_000)]].concat());
}

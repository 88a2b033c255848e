//! Histories that once went wrong, each with what was wrong. The model found them, or would
//! have; here they are cut down to what matters.

use crate::account::{self, Deed, House, Ladder, MINUTE, Rank, SIREN};
use crate::check;
use crate::family::{Air, Alarm, Cond, Family, Switches};
use crate::watch;
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

/// Everybody in turn, the siren with the first two.
fn ladder() -> Ladder {
    let rungs =
        vec![(0, vec!["ines.push", SIREN]), (10, vec!["tom.text", SIREN]), (15, vec!["neighbour.mail"])];
    Ladder { rungs, again: 15, lease: 20, renew: 5, settle: 2, quiet: true }
}

/// Alarms of these ranks, each with a switch of its own, from this hour on.
fn house(hour: i64, ranks: &[Rank]) -> House {
    let alarm = |(switch, rank): (usize, &Rank)| account::Alarm {
        switch,
        rank: *rank,
        ladder: 0,
        on_delay: 0,
        latching: false,
        respond: None,
        causes: Vec::new(),
        worse: true,
        own_end: false,
        blind: false,
        cuts: false,
    };
    let alarms = ranks.iter().enumerate().map(alarm).collect();
    House {
        ladders: vec![ladder()],
        alarms,
        sleepers: Vec::new(),
        limits: Vec::new(),
        begins: hour * 60 * MINUTE,
    }
}

#[test]
fn the_next_person_was_wanted_for_what_was_over_and_the_morning_heard_nothing_of_it() {
    let history = [(0, Deed::Begins(0)), (0, Deed::Ends(0)), (0, Deed::Next("tom", 0))];
    watch::check(&(house(6, &[0]), history.to_vec()));
}

#[test]
fn a_siren_began_for_less_than_ten_seconds_after_its_hour_was_used_up() {
    let mut house = house(12, &[3]);
    house.ladders[0] = Ladder { rungs: vec![(0, vec!["ines.push", SIREN])], again: 5, ..ladder() };
    watch::check(&(house, vec![(0, Deed::Begins(0)), (7_200, Deed::Answers("ines", 0))]));
}

#[test]
fn a_siren_sounded_again_for_news_that_a_rung_had_told_meanwhile() {
    let mut house = house(12, &[3, 3]);
    house.alarms[1].causes = vec![(0, true)];
    let next = |seconds| (seconds, Deed::Next("tom", 0));
    let history = [(0, Deed::Begins(0)), (60, Deed::Begins(1)), next(60), next(0), next(0)];
    watch::check(&(house, history.to_vec()));
}

#[test]
fn a_rung_whose_people_sleep_is_not_told_by_its_siren() {
    let mut house = house(6, &[3]);
    house.sleepers = vec!["tom"];
    watch::check(&(house, vec![(0, Deed::Begins(0))]));
}

#[test]
fn what_is_worse_from_the_first_moment_on_is_news_and_what_is_worse_again_is_none() {
    let mut house = house(12, &[2, 2]);
    house.alarms[1].causes = vec![(0, false)];
    let history = [
        Deed::Worsens(1),
        Deed::Begins(0),
        Deed::Begins(1),
        Deed::Eases(1),
        Deed::Worsens(1),
        Deed::Ends(1),
        Deed::Begins(1),
    ];
    watch::check(&(house, history.map(|deed| (60, deed)).to_vec()));
}

#[test]
fn what_was_answered_while_it_latched_stands_on_if_it_ends_again_when_nobody_has_it_any_more() {
    let mut house = house(12, &[1]);
    (house.alarms[0].latching, house.alarms[0].on_delay) = (true, 90);
    let history = [
        (0, Deed::Begins(0)),
        (1_200, Deed::Ends(0)),
        (0, Deed::Begins(0)),
        (0, Deed::Answers("ines", 0)),
        (9_000, Deed::Ends(0)),
    ];
    watch::check(&(house, history.to_vec()));
}

#[test]
fn what_took_its_kin_out_of_the_morning_s_page_did_not_wait_for_its_cause() {
    let mut house = house(23, &[2, 2, 0]);
    house.alarms[0].on_delay = 90;
    house.alarms[1].causes = vec![(0, false)];
    house.alarms[2].causes = vec![(1, false)];
    watch::check(&(house, [2, 0, 1].map(|switch| (20, Deed::Begins(switch))).to_vec()));
}

#[test]
fn a_heater_that_was_cut_in_an_earlier_spell_was_forgotten_in_a_later_one() {
    let mut house = house(12, &[0]);
    house.alarms[0].cuts = true;
    let spell = [Deed::Begins(0), Deed::Ends(0), Deed::Begins(0), Deed::Ends(0)];
    watch::check(&(house, spell.map(|deed| (600, deed)).to_vec()));
}

#[test]
fn the_milder_ladder_waited_from_the_moment_at_which_the_siren_fell_silent() {
    let mut house = house(12, &[0, 3]);
    house.ladders[0] = Ladder { rungs: vec![(0, vec!["ines.push", SIREN])], again: 15, ..ladder() };
    house.alarms[1].causes = vec![(0, false)];
    let history = [Deed::Begins(0), Deed::Begins(1), Deed::Ends(1)];
    watch::check(&(house, history.map(|deed| (300, deed)).to_vec()));
}

#[test]
fn what_failed_twice_counted_as_told() {
    let house = house(12, &[2]);
    let history = [
        (0, Deed::Breaks("ines.push")),
        (0, Deed::Begins(0)),
        (60, Deed::Next("tom", 0)),
        (60, Deed::Next("tom", 0)),
        (60, Deed::Ends(0)),
    ];
    watch::check(&(house, history.to_vec()));
}

#[test]
fn what_came_and_went_at_night_lost_its_morning_when_the_watch_was_to_go_dark() {
    let mut house = house(23, &[0, 2]);
    house.alarms[1].own_end = true;
    house.alarms[1].worse = false;
    let history = [Deed::Begins(0), Deed::Ends(0), Deed::Begins(1), Deed::Ends(1)];
    watch::check(&(house, history.map(|deed| (60, deed)).to_vec()));
}

#[test]
fn what_waited_for_a_hand_was_taken_for_told_of_as_over() {
    let mut house = house(6, &[0]);
    house.alarms[0].cuts = true;
    house.alarms[0].on_delay = 30;
    let history = [
        (60, Deed::Begins(0)),
        (420, Deed::Ends(0)),
        (1_200, Deed::Begins(0)),
        (420, Deed::Ends(0)),
        (60, Deed::Next("ines", 0)),
        (1_200, Deed::Draws),
        (0, Deed::Begins(0)),
    ];
    watch::check(&(house, history.to_vec()));
}

#[test]
fn news_at_night_of_what_can_wait_was_planned_for_whoever_had_answered_and_withdrawn() {
    let history = [(60, Deed::Begins(0)), (60, Deed::Holds("ines", 0, 90)), (4_000, Deed::Worsens(0))];
    watch::check(&(house(21, &[0]), history.to_vec()));
}

#[test]
fn whoever_s_page_had_to_wait_was_told_of_the_end_when_it_was_over_already() {
    let family =
        Family { steps: vec![(3, vec![2]), (3, vec![0])], ..site(vec![Alarm { causes: vec![], ..warm() }]) };
    let history = [Op::Channel(2, ChannelRule::Defers), Op::Says(0, 7), Op::Wait(1_200), CALM, Op::Wait(300)];
    check(&family, &history);
}

#[test]
fn what_was_true_again_after_a_restart_was_called_over_before_its_delay() {
    let mut house = house(6, &[3]);
    (house.alarms[0].latching, house.alarms[0].on_delay) = (true, 90);
    house.ladders[0].settle = 1;
    let history = [
        (0, Deed::Begins(0)),
        (120, Deed::Ends(0)),
        (0, Deed::Begins(0)),
        (0, Deed::Holds("ines", 0, 5)),
        (0, Deed::Restart),
    ];
    watch::check(&(house, history.to_vec()));
}

#[test]
fn something_critical_was_a_thing_from_the_night_if_somebody_had_answered_that() {
    let mut house = house(2, &[0, 3]);
    house.alarms[1].causes = vec![(0, true)];
    let history = [Deed::Begins(0), Deed::Holds("ines", 0, 5), Deed::Begins(1)];
    watch::check(&(house, history.map(|deed| (60, deed)).to_vec()));
}

#[test]
fn what_got_worse_and_had_its_all_clear_was_only_listed_when_it_came_back_worse() {
    let mut house = house(20, &[0, 0]);
    house.alarms[1].causes = vec![(0, true)];
    let history = [
        (0, Deed::Worsens(0)),
        (0, Deed::Begins(0)),
        (0, Deed::Ends(0)),
        (180, Deed::Begins(1)),
        (0, Deed::Begins(0)),
    ];
    watch::check(&(house, history.to_vec()));
}

#[test]
fn a_page_that_was_put_off_was_tried_again_in_that_moment_since_another_way_worked() {
    let history = [
        (0, Deed::PutsOff("ines.push")),
        (0, Deed::PutsOff("tom.text")),
        (0, Deed::Begins(0)),
        (60, Deed::Mends("tom.text")),
    ];
    watch::check(&(house(12, &[2]), history.to_vec()));
}

#[test]
fn a_heater_that_a_slow_meter_showed_to_draw_on_was_not_told_to_everybody() {
    let mut house = house(12, &[1]);
    (house.alarms[0].cuts, house.alarms[0].on_delay) = (true, 90);
    watch::check(&(house, vec![(0, Deed::Sticks(true)), (0, Deed::Begins(0))]));
}

#[test]
fn what_was_held_called_people_for_what_was_lost_with_it_and_could_wait() {
    let mut house = house(23, &[2, 1]);
    for alarm in &mut house.alarms {
        (alarm.respond, alarm.worse) = (Some(12), false);
    }
    let history = [Deed::Silent(1), Deed::Restart, Deed::Silent(0)];
    watch::check(&(house.and_losses(), history.map(|deed| (9_000, deed)).to_vec()));
}

#[test]
fn what_joined_another_call_out_had_its_all_clear_a_moment_late() {
    let mut house = house(12, &[0, 3, 1]);
    house.ladders[0].settle = 1;
    house.alarms[0].on_delay = 90;
    house.alarms[2].causes = vec![(0, false), (1, true)];
    let history = [Deed::Begins(0), Deed::Begins(1), Deed::Begins(2), Deed::Ends(0), Deed::Begins(0)];
    let after = [0, 120, 10, 10, 10];
    watch::check(&(house, after.into_iter().zip(history).collect()));
}

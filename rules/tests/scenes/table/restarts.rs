//! The watch starts anew: in every state a call-out is as it was, and a rung that is due waits
//! until the watch has listened once.

use super::Night;

#[test]
fn climbing_goes_on_where_it_was() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.wait(1);
    night.told(&["0:00 tom.text call"]);
    night.restart();
    night.wait(5);
    night.told(&["5:00 neighbour.text call"]);
}

#[test]
fn an_answer_holds_over_a_restart() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.answer("tom", "pump");
    night.site.forget();
    night.restart();
    night.wait(58);
    night.told(&[]);
    night.wait(2);
    night.told(&["60:00 tom.text call"]);
}

#[test]
fn asking_goes_on_over_a_restart() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.wait(1);
    night.answer("tom", "pump");
    night.wait(62);
    night.site.forget();
    night.restart();
    night.wait(8);
    night.told(&["71:00 tom.text call", "71:00 neighbour.text call"]);
}

#[test]
fn settling_ends_with_its_all_clear_over_a_restart() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.wait(1);
    night.clear("pump");
    night.wait(1);
    night.site.forget();
    night.restart();
    night.wait(3);
    night.told(&["3:00 tom.text clear"]);
}

#[test]
fn what_quiet_holds_stays_held_over_a_restart() {
    let mut night = Night::at_night("pump low mild");
    night.raise("pump");
    night.wait(10);
    night.restart();
    night.wait(7 * 60);
    night.told(&[]);
}

#[test]
fn a_rung_that_is_due_before_the_watch_has_listened_waits_for_that() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.seconds(280);
    night.told(&["0:00 tom.text call"]);
    night.site.silence_all();
    night.restart();
    night.seconds(30);
    night.told(&[]);
    night.seconds(31);
    assert_eq!(night.site.called(), ["neighbour.text"], "60 s at most\n{}", night.site.story());
}

#[test]
fn in_a_crash_loop_the_wait_counts_from_the_first_start() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.seconds(280);
    night.told(&["0:00 tom.text call"]);
    night.site.silence_all();
    for _ in 0..3 {
        night.restart();
        night.seconds(10);
    }
    assert_eq!(night.site.called(), ["neighbour.text"], "{}", night.site.story());
}

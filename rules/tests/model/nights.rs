//! Random nights, of a few kinds: alarms come and go and people answer at random times, and
//! everybody who is paged is held against the account.

use crate::houses::{Kind, case};
use crate::watch::check;
use proptest::test_runner::{TestError, TestRunner};

const MINUTE: i64 = 60;

/// A few alarms, whatever may become of them.
const NIGHTS: Kind = Kind {
    alarms: (1, 5),
    switches: None,
    ladders: 3,
    siren: 0.0,
    worse: 0.3,
    critical: 0.0,
    own_end: 0.0,
    silence: false,
    cuts: false,
    breaks: false,
    limits: false,
    gaps: &[0, 0, MINUTE, MINUTE, 3 * MINUTE, 7 * MINUTE, 20 * MINUTE, 61 * MINUTE],
    deeds: 24,
};

/// Many alarms at once, or nearly.
const MASSES: Kind = Kind {
    alarms: (5, 14),
    switches: Some(4),
    ladders: 2,
    gaps: &[0, 0, 1, 3, 4, 7, MINUTE, 20 * MINUTE],
    ..NIGHTS
};

/// Few alarms, most of them critical, and a siren.
const SIRENS: Kind = Kind { alarms: (1, 4), switches: None, siren: 0.6, critical: 0.7, worse: 0.1, ..NIGHTS };

/// Ways that take no pages, or none now.
const BREAKS: Kind = Kind { breaks: true, siren: 0.2, ..NIGHTS };

/// Ways that carry only so much.
const LIMITS: Kind =
    Kind { limits: true, gaps: &[0, 0, 1, MINUTE, 3 * MINUTE, 7 * MINUTE, 20 * MINUTE], ..NIGHTS };

/// The watch's own power ends.
const DARK: Kind = Kind { alarms: (2, 5), own_end: 0.35, siren: 0.2, ..NIGHTS };

/// Switches that fall silent.
const SILENCE: Kind = Kind { silence: true, worse: 0.0, ..NIGHTS };

/// A heater that is cut, and draws.
const CUTS: Kind = Kind { cuts: true, siren: 0.2, ..NIGHTS };

fn agree(kind: Kind) {
    let mut runner = TestRunner::new(super::config());
    let outcome = runner.run(&case(kind), |case| {
        check(&case);
        Ok(())
    });
    match outcome {
        Ok(()) => {}
        // On one line: to be copied into `found`.
        Err(TestError::Fail(why, case)) => panic!("{why}\n\n{case:?}"),
        Err(TestError::Abort(why)) => panic!("{why}"),
    }
}

#[test]
fn everybody_is_paged_when_the_account_says_and_nobody_else() {
    agree(NIGHTS);
}

#[test]
fn what_comes_in_masses_is_told_as_the_account_says() {
    agree(MASSES);
}

#[test]
fn the_siren_sounds_when_the_account_says_and_no_longer() {
    agree(SIRENS);
}

#[test]
fn who_can_not_be_reached_gives_way_as_the_account_says() {
    agree(BREAKS);
}

#[test]
fn what_finds_no_room_on_its_way_waits_as_the_account_says() {
    agree(LIMITS);
}

#[test]
fn before_the_watch_goes_dark_everybody_is_told_as_the_account_says() {
    agree(DARK);
}

#[test]
fn what_falls_silent_waits_for_as_long_as_the_account_says() {
    agree(SILENCE);
}

#[test]
fn a_heater_that_was_cut_keeps_its_call_out_and_draws_as_the_account_says() {
    agree(CUTS);
}

//! A naive model against the engine. Random sites live through random histories; what the
//! engine did is then held against a second, slow and simple account of the same history, and
//! against what must hold always. The seed is fixed, so that a run is the same every time;
//! `PROPTEST_RNG_SEED` and `PROPTEST_CASES` widen the search, and what they find is written
//! down in `found`.

#![cfg(test)]

#[path = "../fixtures/mod.rs"]
mod fixtures;

mod account;
mod family;
mod found;
mod houses;
mod invariants;
mod naive;
mod nights;
mod relays;
mod strategy;
mod watch;
mod world;

use family::Family;
use proptest::prelude::*;
use proptest::test_runner::{RngSeed, TestError, TestRunner};
use world::{Op, World};

/// Enough to find every mistake that `found` remembers, small enough for every run.
const CASES: u32 = 48;

fn config() -> ProptestConfig {
    let asked = ProptestConfig::default();
    ProptestConfig {
        cases: if asked.cases == 256 { CASES } else { asked.cases },
        rng_seed: match asked.rng_seed {
            RngSeed::Random => RngSeed::Fixed(7),
            fixed @ RngSeed::Fixed(_) => fixed,
        },
        failure_persistence: None,
        max_shrink_iters: asked.max_shrink_iters.min(1_500),
        ..asked
    }
}

/// Everything that is checked of one history.
fn check(family: &Family, history: &[Op]) {
    let world = World::live(family, history, &[]);
    naive::agrees(&world);
    invariants::hold(&world);
    relays::hold(&world);

    let again = World::live(family, history, &[]);
    assert_eq!(world.bytes(), again.bytes(), "the same inputs give the same bytes");

    // 7919 is prime, so that the wake-ups fall everywhere between the things that happen.
    let early: Vec<i64> = (1..400).map(|n| n * 7_919 % 90_000 + 1).collect();
    let woken = World::live(family, history, &early);
    assert_eq!(world.bytes(), woken.bytes(), "an early wake-up changes nothing");
}

#[test]
fn the_engine_does_what_a_naive_account_of_the_same_history_says() {
    let mut runner = TestRunner::new(config());
    let outcome = runner.run(&strategy::case(), |(family, history)| {
        check(&family, &history);
        Ok(())
    });
    match outcome {
        Ok(()) => {}
        // On one line: to be copied into `found`.
        Err(TestError::Fail(why, case)) => panic!("{why}\n\n{case:?}"),
        Err(TestError::Abort(why)) => panic!("{why}"),
    }
}

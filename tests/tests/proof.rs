//! A few rounds of the proof, always the same; and that it would see what it is there to see.
//! `slackwater-tests --bin proof` plays it for hours.

#![cfg(test)]

use slackwater_tests::mosquitto;
use slackwater_tests::proof::arrivals::Arrival;
use slackwater_tests::proof::chronicle::Chronicle;
use slackwater_tests::proof::danger::{Danger, LADDER};
use slackwater_tests::proof::lag::Lag;
use slackwater_tests::proof::oracle::Oracle;
use slackwater_tests::proof::{Extent, run};
use std::time::{Duration, Instant};

const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

#[test]
fn a_few_rounds_of_kills_and_faults_bring_what_is_called_for_and_nothing_else() {
    if !mosquitto::available() {
        return;
    }
    let extent = Extent { time: Duration::from_secs(60), kills: 60, rounds: 8, side_by_side: 4 };
    let sum = run(SLACKWATER, 19, extent);
    eprintln!("{sum}");
    for (seed, what) in &sum.differences {
        eprintln!("the round of seed {seed} differs:\n{what}");
    }
    assert!(
        sum.differences.is_empty(),
        "seeds {:?}",
        sum.differences.iter().map(|it| it.0).collect::<Vec<_>>()
    );
    assert!(sum.rounds > 0 && sum.pages > 0, "{sum}");
}

// ---------------------------------------------------------------------- it can fail

fn at(told: &Chronicle, seconds: u64) -> Instant {
    told.begun + Duration::from_secs(seconds)
}

fn page(told: &Chronicle, seconds: u64, to: &str, number: u64, headline: &str) -> Arrival {
    let name = format!("page-{number}.k3f9");
    let headline = headline.to_owned();
    Arrival { to: to.to_owned(), name, page: number, headline, repeat: false, at: at(told, seconds) }
}

/// The power was lost three minutes ago for two, and everybody was told of it and of its end.
fn good() -> Chronicle {
    let mut told = Chronicle::new(Lag::default());
    let begun = Instant::now().checked_sub(Duration::from_secs(300)).expect("the machine has run that long");
    told.begun = begun;
    told.lives[0].from = begun;
    told.begins(Danger::PowerLost);
    told.ends(Danger::PowerLost);
    told.spells[0].1.from = at(&told, 10);
    told.spells[0].1.until = Some(at(&told, 130));
    told.commands = vec![(at(&told, 11), "on".to_owned()), (at(&told, 132), "off".to_owned())];
    for (nth, (after, way)) in (0_u64..).zip(LADDER.iter().filter(|(_, way)| !way.ends_with(".text"))) {
        let call = "Lagoon: power lost, since 14:02, code K3F9";
        told.arrivals.push(page(&told, 11 + after, way, nth, call));
        told.arrivals.push(page(&told, 132, way, 100 + nth, "Lagoon: power lost: all clear at 14:04"));
    }
    told
}

fn differences(told: &Chronicle) -> Vec<String> {
    let oracle = Oracle::of(told, false);
    let late = oracle.owed().into_iter().filter(|owed| owed.by.is_some_and(|by| by < Instant::now()));
    late.map(|owed| format!("to {}: {} has not come", owed.to, owed.what)).chain(oracle.wrong()).collect()
}

#[track_caller]
fn differs(told: &Chronicle, by: &str) {
    let found = differences(told);
    assert!(found.iter().any(|what| what.contains(by)), "{by:?} is not in {found:#?}");
}

#[test]
fn a_good_night_differs_in_nothing() {
    assert_eq!(differences(&good()), Vec::<String>::new());
}

#[test]
fn a_page_that_never_came_is_seen() {
    let mut told = good();
    told.spells[0].1.until = None;
    told.arrivals.retain(|page| !page.is_all_clear() && page.to != "tom.mail");
    differs(&told, "to tom.mail: a page about \"power lost\" has not come");
}

#[test]
fn a_lost_all_clear_is_seen() {
    let mut told = good();
    told.arrivals.retain(|page| !page.is_all_clear() || page.to != "ines.push");
    differs(&told, "to ines.push: word that it is over");
}

#[test]
fn a_copy_without_a_mark_is_seen_and_one_with_it_only_beyond_the_kills() {
    let mut told = good();
    let mut copy = told.arrivals[2].clone();
    copy.at = at(&told, 20);
    told.arrivals.push(copy.clone());
    differs(&told, "2 times without a mark");
    let last = told.arrivals.len() - 1;
    told.arrivals[last].repeat = true;
    differs(&told, "over 0 kills");
    let (dies, back) = (at(&told, 15), at(&told, 16));
    told.dies(dies);
    told.lives_again();
    told.lives[1].from = back;
    assert_eq!(differences(&told), Vec::<String>::new(), "one kill, one repeat");
}

#[test]
fn a_second_page_of_another_number_is_seen() {
    let mut told = good();
    let again = page(&told, 40, "ines.push", 60, "Lagoon: power lost, since 14:02, code K3F9");
    told.arrivals.push(again);
    differs(&told, "2 pages about one \"power lost\"");
}

#[test]
fn being_called_too_early_or_for_nothing_or_too_late_is_seen() {
    let mut told = good();
    let whole: Vec<usize> = (0..told.arrivals.len())
        .filter(|nth| told.arrivals[*nth].to == "neighbour.mail" && !told.arrivals[*nth].is_all_clear())
        .collect();
    let early = at(&told, 12);
    told.arrivals[whole[0]].at = early;
    differs(&told, "called before 4s had passed");

    let mut told = good();
    let cold = page(&told, 40, "ines.push", 60, "Lagoon: cold, since 14:02, code 77QQ");
    told.arrivals.push(cold);
    differs(&told, "it had not begun");

    let mut told = good();
    let odd = page(&told, 40, "ines.push", 60, "Halyard House: no tank is watched, since 14:02, code 77QQ");
    told.arrivals.push(odd);
    differs(&told, "nothing of that kind happened");

    let mut told = good();
    let late = page(&told, 290, "ines.push", 60, "Lagoon: power lost, since 14:02, code K3F9");
    told.arrivals.push(late);
    differs(&told, "it had been over for long");
}

#[test]
fn being_called_over_while_it_stands_or_twice_is_seen() {
    let mut told = good();
    told.spells[0].1.until = None;
    differs(&told, "called over more often than it was over");
    let mut told = good();
    let again = page(&told, 140, "ines.push", 60, "Lagoon: power lost: all clear at 14:05");
    told.arrivals.push(again);
    differs(&told, "called over more often than it was over");
}

#[test]
fn an_air_pump_that_runs_on_or_for_nothing_is_seen() {
    let mut told = good();
    drop(told.commands.pop());
    differs(&told, "to the air pump: the command to stop has not come");
    let mut told = good();
    let early = at(&told, 3);
    told.commands.insert(0, (early, "on".to_owned()));
    differs(&told, "the power was there");
    let mut told = good();
    let late = at(&told, 290);
    told.commands.push((late, "on".to_owned()));
    differs(&told, "long after the power was back");
}

#[test]
fn a_busy_machine_makes_no_difference() {
    let mut told = good();
    told.spells[0].1.until = None;
    told.arrivals.retain(|page| !page.is_all_clear() && page.to != "tom.mail");
    told.lag.note(at(&told, 50), Duration::from_secs(40));
    assert_eq!(differences(&told), Vec::<String>::new());
}

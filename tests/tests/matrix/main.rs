//! The fault matrix. Each fault of the table strikes a house in calm, and strikes it while the
//! mains are off: with a real mosquitto, a mail server and push gateways over TLS, and the real
//! program (inside this process where its clocks have to lie). What must hold is the same for all
//! of them: somebody is told of the power cut within 90 s, no page is lost, nothing is called over
//! that is not, and no page comes twice beyond one marked repeat.
//!
//! Without a real broker, or without the rights to mount, this says what it left out.

#![cfg(test)]

use slackwater_tests::house::RULES;
use slackwater_tests::mosquitto;
use slackwater_tests::proof::arrivals::Arrival;
use slackwater_tests::proof::audit;
use slackwater_tests::proof::fault::{Fault, TABLE, Told};
use slackwater_tests::proof::place::Place;
use std::collections::BTreeSet;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::time::{Duration, Instant};

const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

/// The promise.
const FIRST_PAGE: Duration = Duration::from_secs(90);

/// So many houses at once: most of their time is waiting.
const SIDE_BY_SIDE: usize = 8;

#[test]
fn each_fault_in_calm_is_told_once_by_what_works_and_rings_nothing_else() {
    each("in calm", alone);
}

#[test]
fn in_each_fault_a_power_cut_is_told_in_time_and_nothing_lost_doubled_or_called_over() {
    each("mains lost", with_mains_lost);
}

/// The whole table, and what it came to.
fn each(scene: &str, play: fn(Fault) -> String) {
    if !mosquitto::available() {
        return;
    }
    let rows: Vec<Fault> = TABLE.iter().copied().filter(|fault| fault.can_be_made()).collect();
    let (next, told) = (Mutex::new(rows.into_iter()), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..SIDE_BY_SIDE {
            scope.spawn(|| {
                loop {
                    let Some(fault) = next.lock().expect("no row panics in here").next() else { break };
                    let begun = Instant::now();
                    let came = catch_unwind(AssertUnwindSafe(|| play(fault)));
                    let took = begun.elapsed().as_secs_f64();
                    told.lock().expect("nor here").push((fault, came.map_err(|_| ()), took));
                }
            });
        }
    });
    let mut told = told.into_inner().expect("nor here");
    told.sort_by_key(|(fault, ..)| *fault as usize);
    for (fault, came, took) in &told {
        let came = came.as_deref().unwrap_or("FAILED");
        eprintln!("{scene:<10}  {:<28} {came} ({took:.0} s in all)", fault.name());
    }
    let failed: Vec<_> = told.iter().filter(|(_, came, _)| came.is_err()).map(|(it, ..)| it.name()).collect();
    assert!(failed.is_empty(), "{scene}: {failed:?}; what went wrong stands above");
}

/// The fault alone: its own alarm by a way that works, its all-clear, and nothing about the mains.
fn alone(fault: Fault) -> String {
    let mut place = Place::build(SLACKWATER, &[fault], &rules(fault.needs_a_modem()));
    place.start();
    strike(&mut place, fault);
    let begun = Instant::now();
    let came = match fault.told() {
        Told::As(..) => {
            if fault.shows_in_a_page() {
                place.cold_spell();
            }
            let page = place.arrival("its page", |page| fault.told().is_in(&page.headline));
            assert!(!fault.shuts(&page.to), "it was told by what fails: {page:?}");
            let what = page.headline.split(',').next().unwrap_or_default();
            format!("after {:.0} s by {}: {what}", begun.elapsed().as_secs_f64(), page.to)
        }
        Told::Nothing => {
            place.well();
            "nothing to tell".to_owned()
        }
    };
    if fault.can_be_mended() {
        mend(&mut place, fault);
        if fault.told() != Told::Nothing {
            place.arrival("its all-clear", |page| page.is_all_clear() && fault.told().is_in(&page.headline));
        }
    }
    place.quiet();
    let (records, arrivals) = place.finish();
    let mains = arrivals.iter().find(|page| page.headline.contains("power lost"));
    assert!(mains.is_none(), "nothing was wrong with the mains: {mains:?}");
    audit::holds(&[fault], &records, &arrivals);
    came
}

/// The fault beside a power cut, from before it until after it, or as long as it can be mended.
fn with_mains_lost(fault: Fault) -> String {
    let mut place = Place::build(SLACKWATER, &[fault], &rules(fault.needs_a_modem()));
    place.start();
    if fault.strikes_first() {
        strike(&mut place, fault);
    }
    let cut = Instant::now();
    place.house.board.set("house/mains", "off");
    if !fault.strikes_first() {
        place.arrival("the power cut", |page| page.headline.contains("power lost"));
        strike(&mut place, fault);
    }
    let is_heard = |page: &Arrival| page.headline.contains("power lost") && !fault.shuts(&page.to);
    let first = place.arrival("the first page", is_heard);
    let after = first.at.duration_since(cut);
    assert!(after <= FIRST_PAGE, "the first page came after {after:?}");
    place.arrival("the last rung", |page| {
        page.to.starts_with("neighbour") && page.headline.contains("power lost")
    });
    if fault.can_be_mended() {
        mend(&mut place, fault);
    }
    let before = place.arrivals().into_iter().find(Arrival::is_all_clear);
    assert!(before.is_none(), "called over while the mains were off: {before:?}");
    place.house.board.set("house/mains", "on");
    place.arrival("the all-clear", |page| page.is_all_clear() && page.headline.contains("Lagoon"));
    place.quiet();
    let (records, arrivals) = place.finish();
    audit::holds(&[fault], &records, &arrivals);
    let everybody: BTreeSet<&str> = ["ines", "tom", "neighbour"].into();
    let reached = arrivals.iter().filter_map(|page| page.to.split('.').next());
    let missing: Vec<_> = everybody.difference(&reached.collect()).copied().collect();
    assert!(missing.is_empty() || !fault.lets_everybody_hear(), "never heard of it: {missing:?}");
    format!("first page after {:.1} s by {}", after.as_secs_f64(), first.to)
}

/// The ladder, with the neighbour's second way; and alarms for health that do not wait for minutes.
fn rules(with_text: bool) -> String {
    let ladder = "{ after = \"4 s\", to = [\"neighbour.mail\"] }";
    assert!(RULES.contains(ladder), "the ladder has changed");
    let text = if with_text { ", \"neighbour.text\"" } else { "" };
    let with_more = format!("{{ after = \"4 s\", to = [\"neighbour.mail\", \"neighbour.push\"{text}] }}");
    format!("{}\n[health]\nafter = \"2 s\"\n", RULES.replace(ladder, &with_more))
}

/// What takes the watch with it is over when the next one sees.
fn strike(place: &mut Place, fault: Fault) {
    place.strike(fault);
    if matches!(fault, Fault::ReadOnly | Fault::DatabaseDamaged | Fault::Killed | Fault::Rebooted) {
        place.well();
    }
}

fn mend(place: &mut Place, fault: Fault) {
    let aside = place.house.home.path("journal.sqlite.damaged-1");
    assert_eq!(aside.exists(), fault == Fault::DatabaseDamaged, "what is damaged is kept aside");
    place.mend(fault);
    if !fault.wants_new_settings() {
        return;
    }
    // Whether it works is seen by the next page: an answer's lease brings one.
    if let Some(page) = place.arrivals().iter().rfind(|page| page.headline.contains("health-")) {
        let code = page.headline.rsplit(' ').next().expect("a code");
        place.house.home.say(&["ack", code, "--as", "ines"]).well();
    }
}

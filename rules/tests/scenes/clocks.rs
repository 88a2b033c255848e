//! Wall clocks that are wrong, jump, or count strangely: people read them, decisions don't.

use crate::harness::{Site, directory};
use proptest::collection::vec;
use proptest::prelude::*;
use slackwater_rules::record::Body;
use slackwater_rules::time::{Span, Wall};

/// A night with a power cut: when each page went out since it began, and to whom.
fn night(time: &str, meanwhile: impl Fn(&mut Site, i64)) -> Vec<(Span, String)> {
    let mut site = Site::at(time);
    let begun = site.now.mono;
    site.says("room2/mains", "off");
    for minute in 0..240 {
        meanwhile(&mut site, minute);
        site.run(Span::minutes(1));
        if minute == 90 {
            site.answer("ines");
        }
    }
    site.world.sent.iter().map(|page| (page.at - begun, page.to.clone())).collect()
}

const ORDINARY: &str = "2026-03-02T12:00:00+01:00[Europe/Berlin]";

#[test]
fn no_calendar_and_no_jump_changes_who_is_called_or_when() {
    let ordinary = night(ORDINARY, |_, _| {});
    assert!(ordinary.len() > 20);
    // The spring and autumn changes of 2026 in Europe (Directive 2000/84/EC: last Sundays of
    // March and October, 01:00 UTC), a leap second (2016-12-31, IERS Bulletin C 52), year ends.
    for time in [
        "2026-03-29T01:30:00+01:00[Europe/Berlin]",
        "2026-10-25T01:30:00+02:00[Europe/Berlin]",
        "2017-01-01T00:30:00+01:00[Europe/Berlin]",
        "2027-12-31T23:30:00+01:00[Europe/Berlin]",
    ] {
        assert_eq!(night(time, |_, _| {}), ordinary, "{time}");
    }
    let jumps = [Span::minutes(-52), Span::hours(87_660), Span::hours(-87_660 * 5), Span::seconds(1)];
    for jump in jumps {
        for trusted in [true, false] {
            let jumped = night(ORDINARY, |site, minute| {
                if minute == 17 {
                    site.now.wall = site.now.wall + jump;
                    site.now.wall_trusted = trusted;
                }
            });
            assert_eq!(jumped, ordinary, "{jump}, trusted: {trusted}");
        }
    }
}

#[test]
fn the_record_tells_by_how_much_the_clock_was_set() {
    let mut site = Site::calm();
    site.now.wall = site.now.wall - Span::minutes(52);
    site.now.wall_trusted = false;
    site.run(Span::minutes(3));
    site.now.wall = site.now.wall + Span::minutes(52);
    site.now.wall_trusted = true;
    site.run(Span::minutes(3));
    let set: Vec<_> = site
        .records
        .iter()
        .filter(|record| matches!(record.body, Body::ClockSet { .. }))
        .map(|record| record.body.to_string())
        .collect();
    assert_eq!(
        set,
        [
            "the clock was set back by 52 min; it is NOT trusted any more",
            "the clock was set forward by 52 min; it is trusted now, and what this run recorded before is dated again",
        ]
    );
}

#[test]
fn a_clock_that_begins_to_be_trusted_is_told_even_if_it_was_right() {
    let mut site = Site::silent(crate::harness::RULES, directory(), ORDINARY);
    site.now.wall_trusted = false;
    site.run(Span::minutes(1));
    site.now.wall_trusted = true;
    site.run(Span::minutes(1));
    site.feed("room2/mains", "on", Span::seconds(30));
    let said = site.records.iter().map(|record| record.body.to_string()).collect::<Vec<_>>().join("\n");
    assert!(said.contains("the clock was right; it is trusted now"), "{said}");
}

/// What can happen in a power cut that nobody answers.
#[derive(Clone, Debug)]
enum Turn {
    /// Minutes go by.
    Wait(i64),
    /// The wall clock is moved by so many minutes, and trusted or not.
    Clock(i64, bool),
    /// The board reboots after so many minutes without power, and knows how many, or does not.
    Reboot(i64, bool),
}

fn turn() -> impl Strategy<Value = Turn> {
    prop_oneof![
        3 => (1..8_i64).prop_map(Turn::Wait),
        1 => (-10_000_000..10_000_000_i64, any::<bool>()).prop_map(|(by, trusted)| Turn::Clock(by, trusted)),
        1 => (0..20_i64, any::<bool>()).prop_map(|(away, known)| Turn::Reboot(away, known)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    /// However clocks jump and boards reboot: nobody is told later than by the time the watch has
    /// been awake, no episode is raised twice, and no step is taken twice before the last.
    #[test]
    fn reboots_and_clocks_never_make_a_call_later_nor_repeat_it(turns in vec(turn(), 1..20)) {
        let mut site = Site::calm();
        site.says("room2/mains", "off");
        site.run(Span::seconds(21));
        let mut awake = Span::ZERO;
        for turn in &turns {
            match *turn {
                Turn::Wait(minutes) => {
                    site.run(Span::minutes(minutes));
                    awake = awake + Span::minutes(minutes);
                }
                Turn::Clock(by, trusted) => {
                    site.now.wall = Wall(site.now.wall.0 + by * 60_000);
                    site.now.wall_trusted = trusted;
                }
                Turn::Reboot(away, true) => site.restart(Span::minutes(away), Some(Span::minutes(away))),
                // As the journal joins two boots when nobody knows: as if no time had passed.
                Turn::Reboot(_, false) => site.restart(Span::ZERO, None),
            }
        }
        let due = [(Span::ZERO, "ines.push"), (Span::minutes(5), "ines.mail"), (Span::minutes(15), "neighbour.text")];
        for (after, target) in due {
            if awake > after {
                prop_assert!(site.called().contains(&target), "{target} after {awake}\n{}", site.story());
            }
        }
        let raised = site.count(|body| matches!(body, Body::Raised { alarm, .. } if alarm == "power-lost"));
        prop_assert_eq!(raised, 1, "{}", site.story());
        for target in ["ines.push", "ines.mail"] {
            let times = site.called().iter().filter(|to| **to == target).count();
            prop_assert!(times <= 1, "{target} {times} times\n{}", site.story());
        }
        prop_assert!(site.pages(slackwater_rules::record::Purpose::AllClear).is_empty());
    }
}

//! Silence: what falls silent together is one loss, and a loss of sight alone waits for a quarter
//! of the time that the danger which it hides would need.

use super::{NIGHT, NOON, Night, people, rules};
use crate::harness::Site;
use slackwater_rules::record::Body;
use slackwater_rules::time::Span;

/// Sensors of eleven topics on one board that names no gateway, each with an alarm of its own.
fn board(more: &str) -> String {
    let mut text = rules("");
    for n in 0..11 {
        text.push_str(&format!(
            "[sensor.probe-{n}]\ntopic = \"room2/board/{n}\"\nmeasures = \"level\"\nunit = \"cm\"\nevery = \"1 min\"\n\
             [alarm.low-{n}]\ntank = \"lagoon\"\nwhen = \"probe-{n} < 10 cm\"\npriority = \"high\"\n\
             callout = \"loud\"\n{more}\n"
        ));
    }
    text
}

/// Calm water: what is no switch says 25.
fn with(rules: &str, time: &str) -> Night {
    let mut site = Site::silent(rules, people(), time);
    let topics = rules.lines().filter_map(|line| line.strip_prefix("topic = \"")?.strip_suffix('"'));
    for topic in topics {
        site.feed(topic, if topic.starts_with("house/") { "off" } else { "25" }, Span::minutes(1));
    }
    site.run(Span::minutes(5));
    site.forget();
    let began = site.now.mono;
    Night { site, began }
}

fn dies(night: &mut Night) {
    (0..11).for_each(|n| night.site.silence(&format!("room2/board/{n}")));
}

/// Whole minutes from now until the next page leaves; none within five hours.
fn minutes_until_a_page(night: &mut Night) -> Option<i64> {
    let from = night.site.now.mono;
    (0..300).find_map(|_| {
        night.wait(1);
        let first = night.site.world.sent.first()?;
        Some((first.at - from).0 / 60_000)
    })
}

#[test]
fn a_board_with_eleven_topics_that_dies_without_a_gateway_is_one_page() {
    let mut night = with(&board(""), NOON);
    dies(&mut night);
    // Silent for three of its minutes, then a quarter of an hour.
    assert_eq!(minutes_until_a_page(&mut night), Some(18), "{}", night.site.story());
    let sent: Vec<&str> = night.site.world.sent.iter().map(|page| page.to.as_str()).collect();
    assert_eq!(sent, ["tom.text"], "{}", night.site.story());
    assert_eq!(night.calls(), 1);
}

#[test]
fn what_is_noticed_later_of_one_loss_joins_it_and_is_listed() {
    let slow = board("").replace(
        "topic = \"room2/board/3\"\nmeasures = \"level\"\nunit = \"cm\"\nevery = \"1 min\"",
        "topic = \"room2/board/3\"\nmeasures = \"level\"\nunit = \"cm\"\nevery = \"6 min\"",
    );
    let mut night = with(&slow, NOON);
    dies(&mut night);
    night.wait(60);
    let raised = |body: &Body| matches!(body, Body::Raised { alarm, .. } if alarm.starts_with("sight-probe"));
    assert_eq!(night.site.count(raised), 11, "{}", night.site.story());
    assert_eq!(night.calls(), 1, "{}", night.site.story());
    let people: Vec<&str> = night.site.called();
    // The ladder's own times, one call-out's.
    assert_eq!(&people[..3], ["tom.text", "neighbour.text", "neighbour.mail"], "{}", night.site.story());
}

#[test]
fn a_loss_that_is_over_before_its_time_is_told_to_nobody() {
    let mut night = with(&board(""), NOON);
    dies(&mut night);
    night.wait(14);
    (0..11).for_each(|n| night.site.feed(&format!("room2/board/{n}"), "25", Span::minutes(1)));
    night.wait(60);
    assert!(night.site.world.sent.is_empty(), "{}", night.site.story());
    assert_eq!(night.calls(), 0);
}

#[test]
fn it_waits_a_quarter_of_the_time_that_the_danger_needs() {
    for (needs, minutes) in [("30 min", 18), ("4 h", 63), ("30 h", 123)] {
        let mut night = with(&board(&format!("time-to-respond = \"{needs}\"")), NOON);
        dies(&mut night);
        assert_eq!(minutes_until_a_page(&mut night), Some(minutes), "{needs}\n{}", night.site.story());
    }
}

#[test]
fn its_time_goes_on_over_a_restart() {
    let mut night = with(&board("time-to-respond = \"4 h\""), NOON);
    dies(&mut night);
    night.wait(30);
    night.restart();
    let until = minutes_until_a_page(&mut night);
    assert!(until.is_some_and(|minutes| (28..=34).contains(&minutes)), "{until:?}\n{}", night.site.story());
}

#[test]
fn a_keeper_who_wants_to_know_sooner_says_so() {
    let rules = format!("{}[sight]\nafter = \"30 s\"\npages-after = \"1 min\"\n", board(""));
    let mut night = with(&rules, NOON);
    dies(&mut night);
    assert_eq!(minutes_until_a_page(&mut night), Some(4), "{}", night.site.story());
}

/// Two thermometers of one tank, an alarm on each, and quiet hours.
fn two_probes(second: &str) -> String {
    let mut text = rules("");
    for (name, when) in [("one", "one < 22 degC"), ("two", second)] {
        text.push_str(&format!(
            "[sensor.{name}]\ntopic = \"{name}/temp\"\ntank = \"lagoon\"\nmeasures = \"temperature\"\n\
             unit = \"degC\"\nevery = \"1 min\"\nmax-rate = \"none\"\n\
             [alarm.watch-{name}]\ntank = \"lagoon\"\nwhen = \"{when}\"\npriority = \"high\"\ncallout = \"mild\"\n"
        ));
    }
    text
}

#[test]
fn a_loss_is_low_while_another_sensor_sees_the_same_danger_and_waits_for_the_morning() {
    let mut night = with(&two_probes("two < 21 degC"), NIGHT);
    night.site.silence("one/temp");
    night.wait(5 * 60);
    assert!(night.site.world.sent.is_empty(), "{}", night.site.story());
    let low = |body: &Body| {
        matches!(body, Body::Raised { alarm, priority, .. }
            if alarm == "sight-one" && *priority == slackwater_rules::alarm::Priority::Low)
    };
    assert_eq!(night.site.count(low), 1, "{}", night.site.story());
}

#[test]
fn what_rings_for_the_other_way_does_not_see_the_same_danger() {
    let mut night = with(&two_probes("two > 28 degC"), NIGHT);
    night.site.silence("one/temp");
    assert_eq!(minutes_until_a_page(&mut night), Some(18), "{}", night.site.story());
}

#[test]
fn the_second_probe_that_falls_silent_leaves_nobody_who_sees() {
    let mut night = with(&two_probes("two < 21 degC"), NIGHT);
    night.site.silence("one/temp");
    night.wait(60);
    night.site.silence("two/temp");
    assert_eq!(minutes_until_a_page(&mut night), Some(18), "{}", night.site.story());
}

#[test]
fn a_restart_between_two_losses_makes_no_difference_to_the_second() {
    for loses_before in [true, false] {
        let mut night = with(&two_probes("two < 21 degC"), NIGHT);
        night.site.silence("one/temp");
        night.wait(if loses_before { 60 } else { 1 });
        night.restart();
        night.wait(10);
        night.site.silence("two/temp");
        // Its last reading may be as old as its interval.
        assert!(matches!(minutes_until_a_page(&mut night), Some(17 | 18)), "{}", night.site.story());
    }
}

#[test]
fn the_loss_of_what_an_open_alarm_needs_is_told_at_once_in_its_call_out() {
    let mut night = with(&two_probes("two > 28 degC"), NIGHT);
    night.site.says("one/temp", "21");
    night.wait(1);
    assert_eq!(night.site.called(), ["ines.mail"], "{}", night.site.story());
    night.site.forget();
    night.site.silence("one/temp");
    night.wait(6);
    assert_eq!(night.site.called(), ["ines.mail"], "{}", night.site.story());
    assert_eq!(night.calls(), 1);
}

#[test]
fn no_siren_sounds_for_sight_alone() {
    let rules = board("").replace("priority = \"high\"", "priority = \"critical\"");
    let mut night = with(&format!("{rules}[sight]\npriority = \"critical\"\n"), NOON);
    dies(&mut night);
    night.wait(5 * 60);
    let sent = &night.site.world.sent;
    assert!(sent.len() > 3 && sent.iter().all(|page| page.to != "siren"), "{}", night.site.story());
}

#[test]
fn a_loss_that_comes_and_goes_is_one_call_out_and_one_all_clear_a_night() {
    let mut night = with(&board(""), NOON);
    let loud = |night: &mut Night, lost: bool| match lost {
        true => dies(night),
        false => (0..11).for_each(|n| night.site.feed(&format!("room2/board/{n}"), "25", Span::minutes(1))),
    };
    for _ in 0..4 {
        loud(&mut night, true);
        night.wait(30);
        loud(&mut night, false);
        night.wait(30);
    }
    night.wait(60);
    let clear =
        night.site.world.sent.iter().filter(|page| {
            page.to == "tom.text" && page.purpose == slackwater_rules::record::Purpose::AllClear
        });
    // The first was over before anything showed that it flickers.
    assert!(clear.count() <= 2, "{}", night.site.story());
    let began = |body: &Body| matches!(body, Body::CallBegan { .. });
    assert!(night.site.count(began) <= 2, "{}", night.site.story());
}

//! Readings that come late and say when they were measured: into the history, in order of time,
//! once, and never on to a page.

use crate::harness::{Site, directory};
use slackwater_rules::engine::{Arrival, Input, Link, Sample};
use slackwater_rules::quality::Quality;
use slackwater_rules::time::Span;

const NOON: &str = "2026-03-02T12:00:00+01:00[Europe/Berlin]";

const RULES: &str = r#"
[tank.lagoon]

[sensor.lagoon-temp]
topic    = "lagoon/pack"
senml    = "t"
tank     = "lagoon"
measures = "temperature"
unit     = "degC"
every    = "1 min"

[alarm.too-cold]
tank     = "lagoon"
when     = "lagoon-temp < 23 degC"
priority = "critical"
response = ["Look."]

[alarm.cold-hour]
tank     = "lagoon"
when     = "mean of lagoon-temp over 1 h < 23 degC"
priority = "low"
response = ["Look."]

[callout.household]
steps = [{ after = "0 s", to = ["ines.push"] }]
"#;

/// A pack of these temperatures, the last one measured `newest` seconds ago, the others `apart`
/// before it.
fn pack(values: &[f64], newest: i64, apart: i64) -> String {
    let count = values.len() as i64;
    let record = |(nth, value): (i64, &f64)| {
        let ago = newest + (count - 1 - nth) * apart;
        format!(r#"{{"n":"t","u":"Cel","v":{value},"t":{}}}"#, -ago)
    };
    let records: Vec<_> = (0..).zip(values).map(record).collect();
    format!("[{}]", records.join(","))
}

/// What one message gives for the history.
fn samples(site: &mut Site, payload: &str, delivery: Arrival) -> Vec<Sample> {
    let input = Input::Message { topic: "lagoon/pack".to_owned(), payload: payload.into(), delivery };
    let now = site.now;
    site.sim.engine.step(now, input).samples
}

fn calm() -> Site {
    let mut site = Site::silent(RULES, directory(), NOON);
    for _ in 0..5 {
        site.message("lagoon/pack", &pack(&[25.1], 0, 0), Arrival::Live);
        site.run(Span::minutes(1));
    }
    site
}

#[test]
fn a_pack_gives_every_reading_to_the_history_in_order_of_time_and_rings_by_the_latest_only() {
    let mut site = calm();
    site.run(Span::minutes(4));
    let kept = samples(&mut site, &pack(&[22.0, 25.0, 25.1, 25.2], 0, 60), Arrival::Live);
    let ages: Vec<_> = kept.iter().map(|sample| (site.now.mono - sample.at, sample.quality)).collect();
    let late = |seconds| (Span::seconds(seconds), Quality::Late);
    assert_eq!(ages, [late(180), late(120), late(60), (Span::ZERO, Quality::Good)]);
    assert!(site.raised().is_empty(), "{}", site.story());
}

#[test]
fn what_a_sender_says_again_is_taken_once() {
    let mut site = calm();
    site.run(Span::minutes(4));
    let values = [25.0, 25.1, 25.2];
    assert_eq!(samples(&mut site, &pack(&values, 0, 60), Arrival::Live).len(), 3);
    site.run(Span::minutes(1));
    // The window of the sender moved on by one.
    let again = samples(&mut site, &pack(&[25.1, 25.2, 25.3], 0, 60), Arrival::Live);
    assert_eq!(again.iter().filter(|sample| sample.quality == Quality::Late).count(), 0, "{again:?}");
    assert_eq!(again.len(), 1);
}

#[test]
fn a_backlog_with_times_is_history_and_one_without_is_nothing() {
    let mut site = calm();
    site.step(Input::Link(Link::Lost { why: "no power".to_owned() }));
    site.run(Span::minutes(30));
    site.step(Input::Link(Link::Hears));
    for ago in [25, 20, 15] {
        let kept = samples(&mut site, &pack(&[21.0], ago * 60, 0), Arrival::Backlog);
        assert_eq!(kept[0].quality, Quality::Late, "{ago}");
    }
    let untimed = samples(&mut site, r#"[{"n":"t","u":"Cel","v":21.0}]"#, Arrival::Backlog);
    assert_eq!(untimed[0].quality, Quality::Old);
    // What the broker keeps comes again at every connection.
    let kept = samples(&mut site, &pack(&[21.0], 300, 0), Arrival::Retained);
    assert_eq!(kept[0].quality, Quality::Old);
    site.message("lagoon/pack", &pack(&[25.0], 0, 0), Arrival::Live);
    site.run(Span::minutes(1));
    // Between the two live ones, out of a card that is read last.
    assert_eq!(samples(&mut site, &pack(&[21.5], 600, 0), Arrival::Live)[0].quality, Quality::Late);
    assert_eq!(samples(&mut site, &pack(&[21.5], 600, 0), Arrival::Live)[0].quality, Quality::Old);
    site.run(Span::minutes(10));
    assert!(!site.raised().iter().any(|alarm| alarm.ends_with("cold")), "{}", site.story());
}

#[test]
fn what_can_t_be_true_is_no_history_however_late() {
    let rules =
        RULES.replace("every    = \"1 min\"", "every = \"1 min\"\nplausible = [\"5 degC\", \"45 degC\"]");
    let mut site = Site::silent(&rules, directory(), NOON);
    let kept = samples(&mut site, &pack(&[-127.0, 99.0, 25.0], 0, 60), Arrival::Live);
    assert_eq!(kept.len(), 1, "{kept:?}");
}

#[test]
fn windows_want_to_be_told_of_what_came_from_a_time_they_know_nothing_of() {
    let mut site = calm();
    let of_start = site.sim.engine.wants_past();
    assert_eq!(of_start, Some(Span::hours(1)), "nobody told them at the start");
    let since = site.now.mono - Span::hours(1);
    site.sim.engine.recollect(since, &[]).finish();
    assert_eq!(site.sim.engine.wants_past(), None);
    samples(&mut site, &pack(&[25.0, 25.0], 0, 60), Arrival::Live);
    assert_eq!(site.sim.engine.wants_past(), None, "a pack of the last minutes is no past");
    site.run(Span::minutes(30));
    samples(&mut site, &pack(&[21.0, 21.0, 25.0], 0, 600), Arrival::Live);
    assert_eq!(site.sim.engine.wants_past(), Some(Span::hours(1)));
}

//! Channels with a limit of one's own: low alarms of one kind are listed together before it is
//! spent.

use super::{NOON, Night, people, rules};
use slackwater_rules::plan::{Directory, Quota};
use slackwater_rules::time::Span;

fn limited(channel: &str, quota: Quota) -> Directory {
    let mut people = people();
    let ines = people.contacts.get_mut("ines").expect("she is there");
    ines.quotas.insert(channel.to_owned(), quota);
    people
}

fn with_limit(channel: &str) -> Directory {
    limited(channel, Quota { hour: None, day: Some(3), reserve: 1 })
}

fn one_push_an_hour() -> Directory {
    limited("push", Quota { hour: Some(1), day: None, reserve: 0 })
}

const LOW: &str = "probe low mild
    filter low mild
    pump high mild";

#[test]
fn low_alarms_of_one_kind_are_one_call_out_where_a_channel_has_a_limit() {
    let mut night = Night::with(&rules(LOW), with_limit("push"), NOON);
    night.raise("probe");
    night.wait(1);
    night.raise("filter");
    night.wait(4);
    night.told(&["0:00 ines.mail call"]);
    night.wait(6);
    night.told(&["10:00 ines.push call"]);
    assert_eq!(night.calls(), 1);
}

#[test]
fn without_a_limit_each_is_told_for_itself() {
    let mut night = Night::by_day(LOW);
    night.raise("probe");
    night.wait(1);
    night.raise("filter");
    night.wait(4);
    night.told(&["0:00 ines.mail call", "1:00 ines.mail call"]);
}

#[test]
fn what_is_more_than_low_is_never_merged() {
    let mut night = Night::with(&rules(LOW), with_limit("mail"), NOON);
    night.raise("probe");
    night.wait(1);
    night.raise("pump");
    night.wait(1);
    night.told(&["0:00 ines.mail call", "1:00 ines.mail call"]);
}

#[test]
fn what_comes_after_an_answer_is_told_for_itself() {
    let mut night = Night::with(&rules(LOW), with_limit("push"), NOON);
    night.raise("probe");
    night.wait(1);
    night.answer("ines", "probe");
    night.site.forget();
    night.raise("filter");
    night.wait(1);
    night.told(&["1:00 ines.mail call"]);
}

#[test]
fn whoever_s_page_only_waited_for_room_was_not_told_and_hears_of_no_answer() {
    let mut night = Night::with(&rules("pump high mild\nfilter high mild"), one_push_an_hour(), NOON);
    night.raise("pump");
    night.wait(1);
    night.raise("filter");
    night.wait(14);
    night.told(&["0:00 ines.mail call", "1:00 ines.mail call", "10:00 ines.push call"]);
    night.answer("tom", "filter");
    night.answer("tom", "pump");
    night.wait(44);
    night.clear("pump");
    night.clear("filter");
    night.wait(60);
    night.told(&[
        "15:00 ines.mail taken",
        "15:00 ines.mail taken",
        "61:00 ines.mail clear",
        "61:00 ines.mail clear",
        "70:00 ines.push clear",
    ]);
    let heard = night.site.story();
    assert_eq!(heard.matches("ines.push is told (Taken)").count(), 1, "{heard}");
}

#[test]
fn of_pages_that_wait_for_room_no_more_leave_than_there_is_room_for() {
    let mut night =
        Night::with(&rules("pump high mild\nfilter high mild\nlamp high mild"), one_push_an_hour(), NOON);
    for alarm in ["pump", "filter", "lamp"] {
        night.raise(alarm);
        night.wait(1);
    }
    night.wait(200);
    let pushed: Vec<_> = night.site.world.sent.iter().filter(|sent| sent.to == "ines.push").collect();
    let apart = pushed.windows(2).map(|pair| pair[1].at - pair[0].at);
    assert!(
        pushed.len() == 4 && apart.clone().all(|apart| apart >= Span::hours(1)),
        "{}",
        night.site.story()
    );
}

#[test]
fn whoever_s_page_was_given_up_since_nothing_stood_was_not_told() {
    let mut night = Night::with(&rules("pump high mild\nfilter high mild"), one_push_an_hour(), NOON);
    night.raise("pump");
    night.wait(1);
    night.raise("filter");
    night.wait(14);
    night.clear("filter");
    night.wait(1);
    let heard = night.site.story();
    assert_eq!(heard.matches("given up: no longer needed").count(), 1, "{heard}");
    assert_eq!(heard.matches("the page to ines.push: Lost").count(), 1, "{heard}");
    night.raise("filter");
    night.wait(100);
    night.told(&[
        "0:00 ines.mail call",
        "1:00 ines.mail call",
        "10:00 ines.push call",
        "70:00 ines.push call",
    ]);
}

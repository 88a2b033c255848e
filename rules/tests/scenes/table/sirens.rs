//! Sirens: on while a call-out that told them climbs, three minutes a rung, only for what is
//! critical.

use super::{NOON, Night, people, rules};
use crate::fixtures::target;
use crate::harness::Channel;
use slackwater_rules::alarm::Priority;
use slackwater_rules::engine::{Arrival, Input, Link, OperatorCommand};
use slackwater_rules::plan::{HushButton, SirenLimits};
use slackwater_rules::record::Purpose;
use slackwater_rules::time::Span;

#[test]
fn a_siren_sounds_three_minutes_for_a_rung() {
    let mut night = Night::by_day("power critical loud");
    night.raise("power");
    night.wait(4);
    night.told(&["0:00 tom.text call", "0:00 siren call", "3:00 siren taken"]);
}

#[test]
fn only_what_is_critical_sounds_one() {
    let mut night = Night::by_day("pump high loud");
    night.raise("pump");
    night.wait(1);
    night.told(&["0:00 tom.text call"]);
}

#[test]
fn an_answer_silences_it() {
    let mut night = Night::by_day("power critical loud");
    night.raise("power");
    night.wait(1);
    night.site.forget();
    night.answer("tom", "power");
    night.told(&["1:00 siren taken"]);
}

#[test]
fn the_end_of_one_call_out_does_not_silence_the_siren_of_another() {
    let mut night = Night::by_day(
        "power critical loud
         leak critical loud",
    );
    night.raise("power");
    night.wait(1);
    night.raise("leak");
    night.seconds(30);
    night.site.forget();
    night.answer("tom", "power");
    night.seconds(30);
    night.told(&[]);
    night.wait(3);
    night.told(&["4:00 siren taken"]);
}

#[test]
fn a_button_beside_it_hushes_it_for_ten_minutes_and_answers_nothing() {
    let mut night = Night::by_day("power critical loud");
    night.raise("power");
    night.wait(1);
    night.site.forget();
    night.site.says_person("tom", OperatorCommand::Hush { siren: "siren".to_owned() });
    night.wait(5);
    night.told(&["1:00 siren taken", "5:00 neighbour.text call"]);
}

#[test]
fn two_call_outs_that_want_it_are_one_sound() {
    let mut night = Night::by_day(
        "power critical loud
         leak critical loud",
    );
    night.raise("power");
    night.raise("leak");
    night.wait(4);
    night.told(&["0:00 tom.text call", "0:00 siren call", "0:00 tom.text call", "3:00 siren taken"]);
}

#[test]
fn a_siren_sounds_a_quarter_of_an_hour_in_an_hour_at_most() {
    let mut night = Night::by_day("power critical loud");
    night.raise("power");
    let mut sounding = 0;
    for _ in 0..12 {
        // All rungs again and again, by somebody who is impatient.
        night.next("tom", "power");
        night.wait(4);
    }
    let mut on = None;
    for sent in night.site.world.sent.iter().filter(|sent| sent.to == "siren") {
        match (sent.purpose == Purpose::Call, on.take()) {
            (true, _) => on = Some(sent.at),
            (false, Some(since)) => sounding += (sent.at - since).0,
            (false, None) => {}
        }
    }
    assert!((14 * 60_000..=15 * 60_000).contains(&sounding), "{sounding} ms\n{}", night.site.story());
}

#[test]
fn its_channel_says_how_long_it_sounds_and_for_what() {
    let mut people = people();
    let limits = SirenLimits { a_rung: Span::minutes(6), an_hour: Span::minutes(10), from: Priority::High };
    people.sirens.insert(target("siren"), limits);
    let mut night = Night::with(&rules("pump high loud"), people, NOON);
    night.raise("pump");
    night.wait(7);
    night.told(&["0:00 tom.text call", "0:00 siren call", "5:00 neighbour.text call", "6:00 siren taken"]);
}

#[test]
fn a_button_on_a_topic_of_its_own_hushes_it_as_the_control_socket_does() {
    let mut people = people();
    let button =
        HushButton { topic: "hall/button".to_owned(), press: "pressed".to_owned(), siren: target("siren") };
    people.hush_buttons.push(button);
    let mut night = Night::with(&rules("power critical loud"), people, NOON);
    assert!(night.site.engine.plan().topics().contains("hall/button"));
    night.raise("power");
    night.wait(1);
    night.site.forget();
    night.site.message("hall/button", "released", Arrival::Live);
    night.site.message("hall/button", "pressed", Arrival::Retained);
    night.told(&[]);
    night.site.message("hall/button", "pressed", Arrival::Live);
    night.wait(5);
    night.told(&["1:00 siren taken", "5:00 neighbour.text call"]);
}

#[test]
fn news_that_a_rung_has_told_meanwhile_does_not_sound_it_again() {
    let mut night = Night::by_day(
        "power critical loud
         heat critical loud; consequence-of = [\"power\"]",
    );
    night.raise("power");
    night.wait(1);
    night.raise("heat");
    night.wait(1);
    night.site.forget();
    // The third is the last, so all are told again.
    (0..3).for_each(|_| night.next("tom", "power"));
    night.wait(5);
    let sirens: Vec<_> = night.site.world.sent.iter().filter(|sent| sent.to == "siren").collect();
    let [silenced] = sirens[..] else { panic!("{}", night.site.story()) };
    assert_eq!(silenced.purpose, Purpose::Taken);
}

#[test]
fn once_its_hour_is_used_up_it_begins_again_only_when_there_is_room_for_ten_seconds() {
    let mut people = people();
    let limits =
        SirenLimits { a_rung: Span::minutes(3), an_hour: Span::minutes(3), from: Priority::Critical };
    people.sirens.insert(target("siren"), limits);
    let mut night = Night::with(&rules("power critical loud"), people, NOON);
    night.raise("power");
    night.told(&["0:00 tom.text call", "0:00 siren call"]);
    night.wait(60);
    night.site.forget();
    night.seconds(5);
    (0..3).for_each(|_| night.next("tom", "power"));
    night.wait(4);
    let times = |purpose| {
        let sent = night.site.world.sent.iter().filter(move |sent| sent.purpose == purpose);
        sent.filter(|sent| sent.to == "siren").map(|sent| sent.at).collect::<Vec<_>>()
    };
    let (on, off) = (times(Purpose::Call), times(Purpose::Taken));
    let ([on], [off]) = (&on[..], &off[..]) else { panic!("{}", night.site.story()) };
    assert_eq!(*off - *on, Span::minutes(3) - Span::seconds(5), "{}", night.site.story());
}

#[test]
fn what_is_back_within_its_rung_s_three_minutes_sounds_on_until_their_end() {
    let mut night = Night::by_day("power critical loud");
    night.raise("power");
    night.wait(1);
    night.clear("power");
    night.seconds(30);
    night.raise("power");
    night.wait(3);
    // Nobody is paged, and the three minutes are those of the rung.
    night.told(&[
        "0:00 tom.text call",
        "0:00 siren call",
        "1:00 siren taken",
        "1:30 siren call",
        "3:00 siren taken",
    ]);
}

#[test]
fn what_is_back_after_its_rung_s_three_minutes_sounds_no_more_before_the_next() {
    let mut night = Night::by_day("power critical loud");
    night.raise("power");
    night.wait(2);
    night.clear("power");
    night.seconds(90);
    night.site.forget();
    night.raise("power");
    night.seconds(60);
    night.told(&[]);
}

#[test]
fn what_was_answered_while_nothing_stood_and_is_back_sounds_nothing() {
    let mut night = Night::by_day("power critical loud");
    night.raise("power");
    night.wait(1);
    let code = night.code("power");
    night.clear("power");
    night.seconds(20);
    night.site.forget();
    night.site.says_person("tom", OperatorCommand::Acknowledge { code, length: None });
    night.raise("power");
    night.wait(3);
    night.told(&[]);
}

#[test]
fn after_a_restart_the_broker_hears_what_the_siren_should_do_and_its_time_goes_on() {
    let mut night = Night::by_day("power critical loud");
    night.raise("power");
    night.wait(1);
    night.site.forget();
    night.restart();
    night.wait(2);
    night.told(&["1:30 siren call", "3:00 siren taken"]);
    night.restart();
    night.seconds(20);
    night.told(&["4:00 siren taken"]);
}

#[test]
fn a_broker_that_is_back_hears_again_what_the_siren_should_do() {
    let mut night = Night::by_day("power critical loud");
    night.raise("power");
    night.wait(1);
    let gone = |night: &mut Night| {
        let why = "the broker has gone".to_owned();
        night.site.step(Input::Link(Link::Lost { why }));
        night.seconds(10);
        night.site.step(Input::Link(Link::Hears));
    };
    night.site.forget();
    gone(&mut night);
    night.told(&["1:10 siren call"]);
    night.wait(2);
    night.told(&["3:00 siren taken"]);
    gone(&mut night);
    night.told(&["3:20 siren taken"]);
    night.answer("tom", "power");
    night.clear("power");
    night.wait(3);
    night.site.forget();
    gone(&mut night);
    night.told(&[]);
}

#[test]
fn a_siren_that_could_not_be_told_before_somebody_answered_does_not_sound_when_it_can() {
    let mut night = Night::by_day("power critical loud");
    night.site.channel("siren", Channel::Defers);
    night.raise("power");
    night.wait(1);
    night.answer("tom", "power");
    night.site.forget();
    night.site.channel("siren", Channel::Works);
    night.wait(20);
    let sounds =
        night.site.world.sent.iter().filter(|sent| sent.to == "siren" && sent.purpose == Purpose::Call);
    assert_eq!(sounds.count(), 0, "{}", night.site.story());
}

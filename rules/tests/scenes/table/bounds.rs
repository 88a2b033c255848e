//! What bounds an answer, and what bounds a call-out: a deadly harm, the watch's own power, those
//! who are away, a month in which nobody says a word.

use super::{NIGHT, NOON, Night, people, rules};
use crate::harness::{RULES, Site, directory};
use jiff::civil::date;
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::plan::Absence;
use slackwater_rules::record::{Body, Purpose};
use slackwater_rules::time::Span;

/// The mains fail in a house, and the water stands still; an answer names half a day.
fn cut_and_answered(rules: &str) -> Site {
    let mut site = Site::with(rules, directory(), NOON);
    site.says("room2/mains", "off");
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(2));
    let code = site.engine.answerable().by("ines").first().expect("it is open").code.clone();
    site.says_person("ines", OperatorCommand::Acknowledge { code, length: Some(Span::hours(12)) });
    site
}

fn lease(site: &Site) -> Span {
    let mut leases = site.records.iter().filter_map(|record| match record.body {
        Body::Answered { lease, .. } => Some(lease),
        _ => None,
    });
    leases.next_back().unwrap_or_else(|| panic!("it was answered\n{}", site.story()))
}

#[test]
fn no_answer_holds_beyond_a_deadly_harm_and_whoever_names_a_later_time_is_told_why() {
    let site = cut_and_answered(RULES);
    assert!(lease(&site) < Span::hours(12), "{}", lease(&site));
    assert!(site.story().contains("animals may die from then on"), "{}", site.story());
    // Of a tank whose volume nobody knows nothing is foretold.
    let nobody_knows = cut_and_answered(&RULES.replace("volume = \"420 L\"\n", ""));
    assert_eq!(lease(&nobody_knows), Span::hours(12), "{}", nobody_knows.story());
}

#[test]
fn no_answer_holds_beyond_the_watch_s_own_power_less_ten_minutes_and_whoever_named_it_is_told_why() {
    // Two minutes of it are over.
    for (lasts, holds) in [("40 min", Span::minutes(28)), ("15 min", Span::minutes(10))] {
        let watch = format!("[site]\nwithout-mains = {{ watch = \"{lasts}\" }}\n");
        let site = cut_and_answered(&RULES.replace("[site]\n", &watch));
        assert_eq!(lease(&site), holds, "{lasts}\n{}", site.story());
        assert!(site.story().contains("this watch may go dark soon after"), "{}", site.story());
    }
}

#[test]
fn those_who_are_away_are_asked_last_and_only_for_something_critical() {
    for (priority, asked) in [("critical", true), ("high", false)] {
        let mut away = people();
        let (first, last) = (date(2026, 3, 1), date(2026, 3, 9));
        let absence = Absence { first, last, leaves: None, back: None, sitter: None };
        away.contacts.get_mut("neighbour").expect("she is there").away.push(absence);
        let mut night = Night::with(&rules(&format!("power {priority} loud")), away, NIGHT);
        night.raise("power");
        night.wait(3 * 60);
        let first = night.site.world.sent.iter().find(|sent| sent.to.starts_with("neighbour"));
        assert_eq!(first.is_some(), asked, "{}", night.site.story());
        let Some(first) = first else { continue };
        // Not in the first round, nor in the one that asks people outside their hours.
        let before = night.site.world.sent.iter().filter(|sent| sent.at < first.at && sent.to == "tom.text");
        assert!(before.count() >= 2, "{}", night.site.story());
    }
}

#[test]
fn what_a_forecast_does_not_let_wait_is_told_at_night_however_low_it_ranks() {
    let low = "
[alarm.no-power]
tank = \"lagoon\"
when = \"mains is off\"
on-delay = \"20 s\"
priority = \"low\"
response = \"Look.\"
";
    let (before, _) = RULES.split_once("[alarm.power-lost]").expect("an alarm");
    let (_, after) = RULES.split_once("[sight]").expect("sight");
    let after = after.replace("consequence-of = [\"power-lost\"]\n", "");
    let rules = format!("{before}{low}\n[sight]{after}");
    for (rules, waits) in [(rules.clone(), false), (rules.replace("volume = \"420 L\"\n", ""), true)] {
        let mut site = Site::with(&rules, directory(), NIGHT);
        site.says("room2/mains", "off");
        site.says("room2/lagoon/flow", "0");
        site.run(Span::minutes(2));
        assert_eq!(site.world.sent.is_empty(), waits, "{}", site.story());
    }
}

/// A pump that is slow can wait, until the power is cut too.
#[test]
fn what_was_held_and_can_not_wait_any_more_leaves_the_rest_of_the_morning_s_page_where_it_is() {
    let rules = RULES.replace("[site]\n", "[site]\nmains = \"mains\"\n");
    let (before, _) = rules.split_once("[alarm.power-lost]").expect("an alarm");
    let (_, after) = rules.split_once("[sight]").expect("sight");
    let after = after.replace("consequence-of = [\"power-lost\"]\n", "");
    let low = |name: &str, tank: &str, when: &str, more: &str| {
        format!(
            "[alarm.{name}]\n{tank}when = \"{when}\"\non-delay = \"0 s\"\npriority = \"low\"\n\
             response = \"Look.\"\ncallout = \"household\"\n{more}"
        )
    };
    let of_lagoon = "tank = \"lagoon\"\n";
    let alarms = [
        low("slow", of_lagoon, "return-flow < 3000 L/h or mains is off", ""),
        low("damp", "", "cellar is on", ""),
        low("dim", "", "lamp is on", "consequence-of = [\"slow\"]\n"),
    ];
    let switch = |name: &str| {
        format!(
            "[sensor.{name}]\ntopic = \"room2/{name}\"\nmeasures = \"presence\"\non = [\"on\"]\n\
             off = [\"off\"]\nevery = \"30 s\"\n"
        )
    };
    let switches = switch("cellar") + &switch("lamp");
    let rules = format!("{before}{switches}{}[sight]{after}", alarms.concat());
    let mut site = Site::with(&rules, directory(), NIGHT);
    for topic in ["room2/cellar", "room2/lamp"] {
        site.feed(topic, "off", Span::seconds(30));
    }
    for (topic, says) in [("room2/cellar", "on"), ("room2/lagoon/flow", "2000"), ("room2/lamp", "on")] {
        site.run(Span::minutes(1));
        site.says(topic, says);
    }
    site.run(Span::minutes(5));
    assert!(site.world.sent.is_empty(), "{}", site.story());
    site.says("room2/mains", "off");
    site.run(Span::minutes(2));
    let [page] = &site.world.sent[..] else { panic!("{}", site.story()) };
    assert_eq!((page.to.as_str(), page.purpose), ("ines.push", Purpose::Call), "{}", site.story());
    assert!(page.headline.contains("slow (and 1 more, same cause)"), "{}", page.headline);
    let calls = site.engine.status(site.now).calls;
    let about: Vec<_> = calls.into_iter().map(|call| call.about).collect();
    assert_eq!(about, [vec!["damp"], vec!["slow", "dim"]], "{}", site.story());
}

#[test]
fn nobody_answers_for_a_month_and_what_is_kept_and_said_of_it_stays_as_long() {
    let slow = "[callout.slow]\nsteps = [{ after = \"0 min\", to = [\"tom.text\"] }, \
                { after = \"5 min\", to = [\"ines.mail\"] }]\nagain = \"3 h\"\nlease = \"60 min\"\n";
    let alarms = "power high slow\nflow high slow; consequence-of = [\"power\"]";
    let mut night = Night::with(&(rules(alarms) + slow), people(), NOON);
    night.raise("power");
    night.raise("flow");
    let size = |night: &Night| {
        let status = night.site.engine.status(night.site.now);
        let last = night.site.world.sent.last().expect("they are told").body.len();
        (format!("{:?}", status.calls).len(), last)
    };
    night.wait(2 * 24 * 60);
    let early = size(&night);
    for _ in 0..29 {
        night.site.forget();
        night.wait(24 * 60);
        assert_eq!(night.site.called().len(), 8, "every three hours\n{}", night.site.called().join(" "));
    }
    let late = size(&night);
    // A count and a date may have a digit more.
    assert!(late.0 <= early.0 + 40 && late.1 <= early.1 + 40, "{early:?} {late:?}");
    assert_eq!(night.calls(), 1);
}

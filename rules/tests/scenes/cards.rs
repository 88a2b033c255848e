//! What a page's card says while the watch itself acts: ticks for what is proved, orders for the
//! rest, and the site's own part.

use crate::harness::{RULES, Site, directory};
use slackwater_rules::record::Purpose;
use slackwater_rules::time::Span;

const NOON: &str = "2026-03-02T12:00:00+01:00[Europe/Berlin]";

/// The air pump is the lagoon's own, and a helper is told what there is.
fn rules() -> String {
    RULES
        .replace("name = \"Halyard House\"\n", "name = \"Halyard House\"\n\
            where = { battery-pump = \"hall cupboard, upper shelf\", panel = \"cellar, left of the stairs\" }\n\
            call = [{ name = \"Ines\", phone = \"+351 200 000 000\" }]\nemergency = \"112\"\nhelpers-may = [\"open the lid\"]\n")
        .replace("salinity = \"35 ppt\"\n", "salinity = \"35 ppt\"\ntitle = \"the lagoon\"\n\
            air = { relay = \"air-pump\", delivers = \"3 L/min\", depth = \"40 cm\" }\nwhere = { jug = \"on the stand\" }\n")
        .replace("response = [\"Start the battery air pump.\", \"Feed nothing.\"]", "response = \"card:no-power\"")
}

fn dark(pump_obeys: bool) -> Site {
    let mut site = Site::with(&rules(), directory(), NOON);
    site.obeys("room2/airpump/set", pump_obeys);
    site.run(Span::minutes(2));
    site.says("room2/mains", "off");
    site.run(Span::minutes(20));
    site
}

/// The last page that asks somebody to act.
fn last(site: &Site) -> &crate::harness::Sent {
    let mut calls = site.world.sent.iter().filter(|sent| sent.purpose == Purpose::Call && sent.to != "siren");
    calls.next_back().expect("a page")
}

#[test]
fn air_that_the_watch_has_proved_is_ticked_and_not_ordered() {
    let site = dark(true);
    let page = last(&site);
    assert!(page.body.contains("\nDone: the water gets air, seen by the watch.\n"), "{}", page.body);
    assert!(
        page.text.contains("Tanks without bubbles: pour water back by jug, hands out. Code"),
        "{}",
        page.text
    );
}

#[test]
fn air_that_is_not_proved_is_the_first_step_and_stands_whole_in_the_text() {
    let site = dark(false);
    let page = last(&site);
    assert!(page.body.contains("2. Start the battery air pump"), "{}", page.body);
    assert!(
        page.text.contains(". Floor dry? Start the battery air pump. Floor wet: stay out. Code"),
        "{}",
        page.text
    );
    assert!(page.text.chars().count() <= 160, "{}", page.text);
}

#[test]
fn a_page_says_where_things_are_whom_to_call_and_what_a_helper_may_do() {
    let site = dark(true);
    let body = &last(&site).body;
    let part = body.split("For whoever helps\n").nth(1).expect("the site's own part");
    let part = part.split("\n\n").next().unwrap_or_default();
    assert_eq!(
        part,
        "Battery pump: hall cupboard, upper shelf\nPanel: cellar, left of the stairs\nThe lagoon, jug: on the stand\n\
         Call Ines: +351 200 000 000\nSomebody is hurt: 112\nA helper may: open the lid"
    );
    // The all-clear asks nobody to act.
    let clear = site.world.sent.iter().find(|sent| sent.purpose == Purpose::AllClear);
    assert!(clear.is_none_or(|sent| !sent.body.contains("hall cupboard")));
}

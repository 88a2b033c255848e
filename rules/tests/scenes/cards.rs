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
    assert!(page.body.contains("\nDone already: water gets air.\n"), "{}", page.body);
    assert!(page.text().contains("Do not feed. Switch automatic feeders off. Code"), "{}", page.text());
    assert!(!page.body.contains(" jug "), "{}", page.body);
}

#[test]
fn what_usually_brings_it_about_is_printed_while_it_stands_and_with_the_all_clear() {
    let rules = RULES
        .replace("[alarm.return-stopped]\n", "[alarm.return-stopped]\ncause = \"a snail in the pump\"\n");
    let mut site = Site::with(&rules, directory(), NOON);
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(3));
    let body = &site.world.sent[0].body;
    assert!(body.contains("What may be behind it") && body.contains("snail in the pump"), "{body}");
    site.says("room2/lagoon/flow", "4300");
    site.run(Span::minutes(30));
    let clear = &site.pages(Purpose::AllClear)[0].body;
    assert!(clear.contains("snail in the pump"), "{clear}");
}

#[test]
fn air_that_is_not_proved_is_the_first_step_and_stands_whole_in_the_text() {
    let site = dark(false);
    let page = last(&site);
    assert!(page.body.contains("2. Take the torch. Start the battery air pump."), "{}", page.body);
    assert!(
        page.text().contains(". Floor dry? Start the battery air pump. Floor wet: stay out. Code"),
        "{}",
        page.text()
    );
    assert!(page.text().chars().count() <= 160, "{}", page.text());
}

#[test]
fn a_page_says_where_things_are_whom_to_call_and_what_a_helper_may_do() {
    let site = dark(true);
    let body = &last(&site).body;
    let part = body.split("For whoever helps\n").nth(1).expect("the site's own part");
    let part = part.split("\n\n").next().unwrap_or_default();
    assert_eq!(
        part,
        "Call Ines: +351 200 000 000\nSomebody is hurt: 112\n\
         A helper may do every step that is for anyone, and besides: open the lid.\n\
         A helper leaves to the keeper: adding anything to the water, switching breakers back on, and hands in the water."
    );
    let without_air = dark(false);
    let body = &last(&without_air).body;
    assert!(body.contains("back from 10 cm (4 in) up. (Jug: on the stand.)\n"), "{body}");
    // The all-clear asks nobody to act.
    let clear = site.world.sent.iter().find(|sent| sent.purpose == Purpose::AllClear);
    assert!(clear.is_none_or(|sent| !sent.body.contains("hall cupboard")));
}

/// The neighbour helps, has no way to answer, and has never seen the tanks.
fn too_warm_for_a_helper(where_the_plugs_are: &str) -> String {
    let rules = rules().replace("where = { jug = \"on the stand\" }", where_the_plugs_are)
        + "[alarm.too-warm]\ntank = \"lagoon\"\nwhen = \"lagoon-temp > 27.5 degC\"\npriority = \"high\"\n\
           response = \"card:too-hot\"\ncallout = \"household\"\n";
    let mut people = directory();
    people.contacts.get_mut("neighbour").expect("a neighbour").helper = true;
    let mut site = Site::with(&rules, people, NOON);
    site.says("room2/lagoon/temperature", "28.5");
    site.run(Span::hours(1));
    let page = site.world.sent.iter().find(|page| page.to == "neighbour.mail" && page.alarm == "too-warm");
    page.expect("the neighbour is told").body.clone()
}

#[test]
fn a_helper_is_told_which_tank_which_plug_and_whom_to_call_in_place_of_an_answer() {
    let body = too_warm_for_a_helper(
        "place = \"hall, the tall one\"\nwhere = { heater-plugs = \"behind the stand, marked H\" }",
    );
    for words in [
        " Go to Halyard House, aquarium the lagoon (hall, the tall one).\n",
        "If not: keep out, call Ines. Hands dry, never in the water.\n",
        "\n2. Unplug the heaters. (Heater plugs: behind the stand, marked H.)\n",
        "\nAfter step 2 call Ines: +351 200 000 000. Say: I take care of it, code ",
        ". A reply reaches nobody. Then step 3.\n",
        "\nYou may do every step that stands here, and besides: open the lid.\n",
    ] {
        assert!(body.contains(words), "{words:?} is not in:\n{body}");
    }
    assert!(!body.contains("slackwater ack") && !body.contains("MQTT"), "{body}");
}

#[test]
fn a_helper_whom_nobody_told_where_the_plugs_are_is_told_how_to_find_them() {
    let body = too_warm_for_a_helper("");
    assert!(
        body.contains("Unplug the heaters. (Heaters are rods of glass or metal in the water: follow"),
        "{body}"
    );
}

#[test]
fn a_page_never_puts_a_value_of_now_in_the_place_of_the_one_that_rang() {
    let mut site = Site::calm();
    site.says("room2/lagoon/flow", "0");
    site.run(Span::minutes(4));
    site.forget();
    site.says("room2/lagoon/flow", "1830");
    site.run(Span::seconds(30));
    // The off-delay runs; a rung that falls into it tells both.
    let mail = (0..20).find_map(|_| {
        site.run(Span::seconds(20));
        site.world.sent.iter().find(|page| page.body.contains("It may be over")).cloned()
    });
    let mail = mail.unwrap_or_else(|| panic!("{}", site.story()));
    assert!(mail.body.contains("At first return flow 0 L/h"), "{}", mail.body);
    assert!(mail.body.contains("; now 1,830 L/h."), "{}", mail.body);
}

/// The page to the neighbour about the lagoon's thermometer, which has said this for an hour.
fn lost_for_a_helper(says: Option<&str>, heater: &str) -> String {
    let rules = rules()
        .replace("salinity = \"35 ppt\"\n", &format!("salinity = \"35 ppt\"\n{heater}"))
        .replace("reject = [\"85 degC\"", "frozen-after = \"20 min\"\nreject = [\"85 degC\"");
    let mut people = directory();
    people.contacts.get_mut("neighbour").expect("a neighbour").helper = true;
    let mut site = Site::with(&rules, people, NOON);
    match says {
        Some(says) => site.says("room2/lagoon/temperature", says),
        None => site.silence("room2/lagoon/temperature"),
    }
    site.run(Span::hours(2));
    let about =
        |page: &&crate::harness::Sent| page.to == "neighbour.mail" && page.alarm.starts_with("sight-");
    let page = site.world.sent.iter().find(about);
    page.unwrap_or_else(|| panic!("{}", site.story())).body.clone()
}

#[test]
fn a_thermometer_that_is_not_believed_says_to_unplug_what_may_follow_it_and_what_is_good() {
    let heated = "heater = { power = \"300 W\" }\n";
    let body = lost_for_a_helper(Some("25.1"), heated);
    for words in [
        "can't be relied on, since ",
        "\nAt exactly 25.1 °C for ",
        ", and after 20 min that counts as stuck.\n",
        "\n2. Unplug the heaters: they may follow this probe.",
        ": good is ",
        "Water too warm? Unplug the heaters",
    ] {
        assert!(body.contains(words), "{words:?} is not in:\n{body}");
    }
    let forbidden = |body: &str| body.contains("they may follow this probe");
    assert!(forbidden(&lost_for_a_helper(Some("-127"), heated)));
    // Silence says nothing of what a heater does, and where no heater is declared there is none to
    // unplug.
    assert!(!forbidden(&lost_for_a_helper(None, heated)));
    assert!(!forbidden(&lost_for_a_helper(Some("25.1"), "heater = \"none\"\n")));
}

#[test]
fn a_page_says_what_a_value_should_be_and_who_comes_next_without_calling_its_reader_by_name() {
    let body = too_warm_for_a_helper("");
    for words in [
        "\n28.5 °C, should be at most 27.5 °C.\n",
        " Go to Halyard House, aquarium the lagoon.\n",
        "\nNo answer, or a voicemail? Go on where it is dry; call again.\n",
        ". Then step 3.\n",
        "\nWhat to do next\n",
        "\nYou may go when Ines says so, or a message says \"all clear\".",
    ] {
        assert!(body.contains(words), "{words:?} is not in:\n{body}");
    }
    for unclear in ["limit", "Nobody has it", "neighbour", "before or between", "can't be seen"] {
        assert!(!body.contains(unclear), "{unclear:?} is in:\n{body}");
    }
}

/// The page of a power cut to a helper of a house with two tanks, of which none shows flow or air.
fn dark_for_a_helper() -> String {
    let second = "[tank.harbour]\nplace = \"back room\"\nvolume = \"70 L\"\nsalinity = \"35 ppt\"\nstocking = \"heavy\"\n\
                  where = { feeder = \"on the lid\" }\n";
    let rules = rules().replace("battery-pump = ", "torch = \"by the door\", battery-pump = ").replace(
        "phone = \"+351 200 000 000\" }]",
        "who = \"keeper\", phone = \"+351 200 000 000\" }, \
                 { name = \"Joe\", who = \"Ines's brother\", phone = \"+351 200 000 001\" }]",
    ) + second;
    let mut people = directory();
    people.contacts.get_mut("neighbour").expect("a neighbour").helper = true;
    let mut site = Site::with(&rules, people, NOON);
    site.obeys("room2/airpump/set", false);
    site.run(Span::minutes(2));
    site.says("room2/mains", "off");
    site.run(Span::hours(1));
    let page = site.world.sent.iter().find(|page| page.to == "neighbour.mail" && page.alarm == "power-lost");
    page.unwrap_or_else(|| panic!("{}", site.story())).body.clone()
}

#[test]
fn whoever_is_called_stands_with_who_they_are_and_hears_all_in_one_call() {
    let body = dark_for_a_helper();
    for words in [
        "\nAfter step 2 call Ines (keeper): +351 200 000 000. Say: I take care of it, code ",
        "; and whether the street is dark. A reply reaches nobody. Then step 3.\n",
        "\nNo answer, or a voicemail? Call Joe (Ines's brother): +351 200 000 001. Still none? Go on where it is dry; call again.\n",
        ". Only Ines switches a breaker back on.\n",
    ] {
        assert!(body.contains(words), "{words:?} is not in:\n{body}");
    }
    assert!(!body.contains("the keeper"), "{body}");
}

#[test]
fn a_step_that_names_several_things_tells_all_their_places_apart_from_the_order() {
    let body = dark_for_a_helper();
    let step = "\n2. Take the torch. Start the battery air pump. (Air pump: blows bubbles: sink its hose's \
                end deep, switch on. Battery pump: hall cupboard, upper shelf. \
                Torch: by the door.)\n";
    assert!(body.contains(step), "{body}");
}

#[test]
fn one_pump_and_several_tanks_are_told_in_which_order_and_what_the_others_get() {
    let body = dark_for_a_helper();
    let order = body.lines().find(|line| line.starts_with("The pump goes to ")).expect("an order");
    assert!(order.contains(" and stays there. Another pump: "), "{order}");
    assert!(order.contains(". None? A jug for "), "{order}");
}

#[test]
fn a_helper_reads_how_it_ends_who_says_so_and_what_if_nobody_is_reached() {
    let body = dark_for_a_helper();
    let over = body.split("\nWhen it is over\n").nth(1).expect("an ending");
    let over = over.split("\n\n").next().unwrap_or_default();
    assert_eq!(
        over,
        "Power back, water moving in every tank? Leave the battery air pump on an hour more, then off; feeder on again.\n\
         You may go when Ines says so, or a message says \"all clear\". Nobody reached? A tank has neither flow \
         nor bubbles? Stay, and pour as long as you can. All have one? Go home, look again every hour, and call \
         each time."
    );
    assert!(!body.contains("What may be behind it") && !body.contains("Act by"), "{body}");
}

#[test]
fn a_helper_goes_now_where_the_time_to_act_has_all_but_passed() {
    let body = dark_for_a_helper();
    assert!(body.contains("\nCritical: go now, later still helps."), "{body}");
}

/// The lagoon's page for a helper, once its thermometer says so.
fn water_at(celsius: &str, alarm: &str) -> String {
    let limits = "unit = \"degC\"\nlimits = [\"24 degC\", \"27.5 degC\"]\n";
    let rules = rules().replacen("unit = \"degC\"\n", limits, 1) + alarm;
    let mut people = directory();
    people.contacts.get_mut("neighbour").expect("a neighbour").helper = true;
    let mut site = Site::with(&rules, people, NOON);
    site.says("room2/lagoon/temperature", celsius);
    site.run(Span::hours(1));
    let is_it = |page: &&crate::harness::Sent| page.to == "neighbour.mail" && page.alarm == "judged";
    site.world.sent.iter().find(is_it).expect("the neighbour is told").body.clone()
}

#[test]
fn who_cools_or_warms_a_tank_is_told_at_what_temperature_to_stop() {
    let judged = "[alarm.judged]\ntank = \"lagoon\"\npriority = \"high\"\ncallout = \"household\"\n";
    let warm = format!("{judged}when = \"lagoon-temp > 27.5 degC\"\nresponse = \"card:too-hot\"\n");
    let body = water_at("28.5", &warm);
    assert!(body.contains("\n26.5 °C or less? Fan off, lid shut"), "{body}");
    let cold = format!("{judged}when = \"lagoon-temp < 24 degC\"\nresponse = \"card:too-cold\"\n");
    let body = water_at("23.5", &cold);
    assert!(body.contains("\n25 °C or more? Blankets away."), "{body}");
}

#[test]
fn a_reading_that_is_written_like_its_limit_is_said_to_lie_just_beyond_it() {
    let cold = "[alarm.judged]\ntank = \"lagoon\"\npriority = \"high\"\ncallout = \"household\"\n\
                when = \"lagoon-temp < 24 degC\"\nresponse = \"card:too-cold\"\n";
    let body = water_at("23.99", cold);
    assert!(body.contains("\nJust below 24 °C, should be at least 24 °C.\n"), "{body}");
}

//! The table of all cards, as the manual has it: generated from the cards and the hazards
//! themselves.

use slackwater_rules::card::{self, Act, Harm, LineKind, Who};
use slackwater_rules::hazard;
use std::fmt::Write;

const COMMITTED: &str = include_str!("../../../deploy/manual/cards.md");

/// The cards that a hazard's text names, in all its forms, each once.
pub(crate) fn cards_of(name: &str) -> Vec<String> {
    let text = hazard::text(name).expect("it has a text");
    let mut cards: Vec<String> = Vec::new();
    for part in text.split("\"card:").skip(1) {
        let card = part.split('"').next().unwrap_or_default().to_owned();
        if !cards.contains(&card) {
            cards.push(card);
        }
    }
    cards
}

/// Cards of no hazard, and what shows them.
const ELSEWHERE: [(&str, &str); 2] = [
    ("heaters-cut", "pages of heaters that the watch has cut, when all else is well again"),
    (
        "watch-silent",
        "whatever names it: `response = \"card:watch-silent\"` of a site that a witness watches",
    ),
];

fn named<T: PartialEq>(names: &[(&'static str, T)], what: T) -> &'static str {
    names.iter().find(|(_, of)| *of == what).map_or("", |(name, _)| name)
}

fn manual() -> String {
    let mut out = "# First-aid cards\n\n\
        What a page tells whoever comes, one action a line. `response = \"card:NAME\"` puts a card into an alarm of \
        your own; `[card.NAME]` is a card of your own.\n\n\
        Water and mains kill people, and no tank is worth one: what a card says ends where the floor is wet. Local rules \
        and a licensed electrician decide about everything behind a plug. Lines *for the keeper* reset, dose, top up, mend \
        or reach into the water: a helper leaves them alone.\n\n\
        Each card with a line for anyone begins with the same look: a floor or a plug that is wet ends what may be done \
        there, and hands stay out of the water.\n\n\
        *Kind*: an act; what is looked at before any act, since it may be wrong to act at all; what is left alone, \
        which is never the first step; or the ending, how things are left when it is over.\n\n\
        *Ticked* names the act that a page shows as done when a relay of the watch was seen to do it; a line \
        *instead of* it is left out then. *Only against* names the harm without which a line is left out. The step in a text is the first that is not done.\n"
        .to_owned();
    for built_in in card::built_in() {
        let alarms: Vec<String> = hazard::names()
            .filter(|name| cards_of(name).contains(&built_in.name))
            .map(|name| format!("`{name}`"))
            .collect();
        let elsewhere = ELSEWHERE.iter().find(|(name, _)| *name == built_in.name).map(|(_, where_)| *where_);
        let alarms =
            if alarms.is_empty() { elsewhere.unwrap_or_default().to_owned() } else { alarms.join(", ") };
        let _ = write!(out, "\n## {}\n\nIn: {alarms}.\n\n", built_in.name);
        out += "| | What to do | In a text | For | Kind | Ticked | Only against | Source |\n\
                | --- | --- | --- | --- | --- | --- | --- | --- |\n";
        for (n, line) in (1..).zip(&built_in.card.lines) {
            let who = named(&Who::ALL, line.who);
            let kind = named(&LineKind::ALL, line.kind);
            let act = match (line.act, line.instead_of) {
                (Some(act), _) => named(&Act::ALL, act).to_owned(),
                (None, Some(act)) => format!("instead of {}", named(&Act::ALL, act)),
                (None, None) => String::new(),
            };
            let needs = line.needs.map(|harm| named(&Harm::ALL, harm)).unwrap_or_default();
            let text = line.text.as_deref().unwrap_or_default();
            let source = line.source.as_deref().unwrap_or_default();
            let _ = writeln!(
                out,
                "| {n} | {} | {text} | {who} | {kind} | {act} | {needs} | {source} |",
                line.words
            );
        }
    }
    out += "\n## Priorities\n\n\
            What is at stake and how soon somebody has to act make the priority. What kills within the hour is *critical*, \
            and nothing else. *high*: animals suffer or die within four hours, or what stands between (a spare, a battery) \
            ends within one. *medium*: any of these within a day. *low*: later than that, whatever is only not seen, and \
            upkeep. A finding or forecast of a tank's model is low until the model has learned the tank.\n\n\
            | Hazard | At stake | Act within | Priority | Why |\n| --- | --- | --- | --- | --- |\n";
    for (name, stake, time, priority, why) in crate::priorities::derived() {
        let _ = writeln!(out, "| `{name}` | {} | {time} | {priority} | {why} |", stake.words());
    }
    out += "\n## Sources\n\n\
            As they were read when the cards were written.\n\n";
    let mut named: Vec<&str> = card::built_in()
        .iter()
        .flat_map(|built_in| built_in.card.lines.iter().filter_map(|line| line.source.as_deref()))
        .collect();
    named.sort_unstable();
    named.dedup();
    for key in named {
        let _ = writeln!(out, "- **{key}**: {}", card::source(key).expect("a source"));
    }
    out
}

#[test]
fn every_card_appears_somewhere_and_every_hazard_has_one_whose_every_line_has_a_source() {
    for built_in in card::built_in() {
        let shown = hazard::names().any(|name| cards_of(name).contains(&built_in.name));
        let elsewhere = ELSEWHERE.iter().any(|(name, _)| *name == built_in.name);
        assert!(shown != elsewhere, "{}: in a hazard {shown}, elsewhere {elsewhere}", built_in.name);
    }
    for name in hazard::names() {
        let cards = cards_of(name);
        assert!(!cards.is_empty(), "{name} has no card");
        for card in cards {
            let lines = &card::find(&card).unwrap_or_else(|| panic!("{name}: no card `{card}`")).lines;
            assert!(!lines.is_empty(), "{card}");
            for line in lines {
                let source = line.source.as_deref().and_then(card::source);
                assert!(source.is_some_and(|source| source.len() > 10), "{card}: {}: no source", line.words);
            }
        }
    }
}

/// To renew it, put what the failing test prints after its first line into the file.
#[test]
fn the_manual_s_table_of_cards_is_what_the_cards_are() {
    assert!(COMMITTED == manual(), "deploy/manual/cards.md is out of date:\n{}", manual());
}

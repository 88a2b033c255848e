//! Which layer of the rules may use which.

use super::{shipped, sources, text};
use std::collections::BTreeSet;

/// The layers of `rules`, bottom to top: none uses one above it.
const LAYERS: [&str; 25] = [
    "time",
    "forecast",
    "signs",
    "ids",
    "diagnostic",
    "units",
    "words",
    "reading",
    "site",
    "quality",
    "condition",
    "hazard",
    "card",
    "alarm",
    "plan",
    "record",
    "stopgap",
    "callout",
    "answer",
    "page",
    "engine",
    "checkin",
    "sim",
    "rehearsal",
    "backtest",
];

#[test]
fn no_layer_of_the_rules_uses_a_higher_one() {
    let height = |name: &str| LAYERS.iter().position(|layer| *layer == name);
    let mut found = BTreeSet::new();
    for file in sources().into_iter().filter(|file| file.starts_with("rules/src/")) {
        let name = file.trim_start_matches("rules/src/");
        let own = name.split('/').next().unwrap_or(name).trim_end_matches(".rs");
        if own == "lib" {
            continue;
        }
        let own = height(own).unwrap_or_else(|| panic!("{file}: which layer is it? add it to LAYERS"));
        let text = text(&file);
        for (_, line) in shipped(&text) {
            let used = line
                .split("crate::")
                .skip(1)
                .filter_map(|rest| rest.split(|c: char| !c.is_alphanumeric()).next());
            let up = used.filter(|used| height(used).is_some_and(|used| used > own));
            found.extend(up.map(|used| (name.to_owned(), used.to_owned())));
        }
    }
    assert!(found.is_empty(), "these look up: {found:?}");
}

//! DEVELOPERS.md has a line for every module, and none for what is gone.

use super::{sources, text};
use std::collections::BTreeSet;

#[test]
fn every_module_has_its_line_in_the_developers_map_and_no_line_names_what_is_gone() {
    let (_, map) = text("DEVELOPERS.md").split_once("\n## The code, module by module\n").map_or_else(
        || panic!("DEVELOPERS.md has no map"),
        |(before, map)| (before.to_owned(), map.to_owned()),
    );
    let mut folder = String::new();
    let mut mapped = BTreeSet::new();
    for line in map.lines().take_while(|line| !line.starts_with("## ")) {
        if let Some(name) = line.strip_prefix("### ") {
            name.clone_into(&mut folder);
        } else if let Some((name, about)) = line.strip_prefix("- `").and_then(|rest| rest.split_once("`: ")) {
            assert!(about.len() > 10, "{folder}/{name} is not explained");
            assert!(mapped.insert(format!("{folder}/{name}.rs")), "{folder}/{name} has two lines");
        }
    }
    let there: BTreeSet<String> = sources().into_iter().collect();
    let missing: Vec<_> = there.difference(&mapped).collect();
    let gone: Vec<_> = mapped.difference(&there).collect();
    assert_eq!((missing, gone), (Vec::new(), Vec::new()), "without a line, and lines of nothing");
}

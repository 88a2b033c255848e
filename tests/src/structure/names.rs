//! Type names that stand for more than one thing.

use super::source::File;
use std::collections::BTreeMap;
use syn::Item;

/// Files whose types are the outer of two representations of one thing, as written in a file, kept
/// on disk, sent or shown; the inner one bears the same name on purpose.
const OUTER: &[&str] = &[
    "/read.rs",
    "/schema.rs",
    "/record.rs",
    "/record/",
    "/settings/",
    "/settings.rs",
    "/ast.rs",
    "/kept.rs",
    "/form.rs",
    "/content.rs",
];

/// Names of types that are declared in more than one file, with the files. Of a pair of outer
/// and inner the outer one is left out.
pub(super) fn shared(files: &[File]) -> Vec<(String, Vec<String>)> {
    let mut places: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for file in files {
        for name in file.items.iter().filter_map(declared) {
            places.entry(name).or_default().push(file.name.clone());
        }
    }
    places
        .into_iter()
        .filter_map(|(name, places)| {
            let written = places.iter().filter(|place| OUTER.iter().any(|part| place.contains(part)));
            let pair = usize::from(places.len() == 2 && written.count() == 1);
            (places.len() - pair > 1).then_some((name, places))
        })
        .collect()
}

fn declared(item: &Item) -> Option<String> {
    match item {
        Item::Struct(item) => Some(item.ident.to_string()),
        Item::Enum(item) => Some(item.ident.to_string()),
        Item::Trait(item) => Some(item.ident.to_string()),
        Item::Type(item) => Some(item.ident.to_string()),
        _ => None,
    }
}

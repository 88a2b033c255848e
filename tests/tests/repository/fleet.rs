//! The form of a fleet's events is what its schemas say, as records are added.

use super::text;

/// The kinds of record, read from the source of the core.
#[test]
fn the_schema_knows_every_kind_of_record() {
    let file = syn::parse_file(&text("rules/src/record.rs")).expect("Rust");
    let body = file.items.iter().find_map(|item| match item {
        syn::Item::Enum(found) if found.ident == "Body" => Some(found),
        _ => None,
    });
    let kebab = |name: String| {
        let mut kind = String::new();
        for c in name.chars() {
            if c.is_ascii_uppercase() && !kind.is_empty() {
                kind.push('-');
            }
            kind.push(c.to_ascii_lowercase());
        }
        kind
    };
    let kinds: Vec<_> =
        body.expect("the enum").variants.iter().map(|kind| kebab(kind.ident.to_string())).collect();
    let schema: serde_json::Value = serde_json::from_str(slackwater_fleet::EVENT_SCHEMA).expect("JSON");
    let known = &schema["$defs"]["data"]["properties"]["record"]["properties"]["kind"]["examples"];
    assert_eq!(*known, serde_json::json!(kinds));
}

/// A pack and a receipt have the fields that the description of the topics names, and no others.
#[test]
fn what_is_sent_is_what_the_description_of_the_topics_says() {
    let pack = serde_json::to_value(slackwater_fleet::Pack::asking("halyard", "a1b2", 1, 1)).expect("JSON");
    let receipt = slackwater_fleet::EventReceipt {
        version: slackwater_fleet::VERSION,
        site: "halyard".to_owned(),
        epoch: "a1b2".to_owned(),
        stored: 0,
        digest: String::new(),
        asks: false,
    };
    let receipt = serde_json::to_value(receipt).expect("JSON");
    for (name, sent) in [("pack", pack), ("receipt", receipt)] {
        let mut fields: Vec<_> = sent.as_object().expect("an object").keys().map(String::as_str).collect();
        let (_, schemas) = slackwater_fleet::ASYNC_API.split_once("\n  schemas:\n").expect("schemas");
        let (_, own) = schemas.split_once(&format!("    {name}:\n")).expect("its schema");
        let required = own.lines().find_map(|line| line.trim().strip_prefix("required: [")).expect("fields");
        let mut named: Vec<_> = required.trim_end_matches(']').split(", ").collect();
        fields.sort_unstable();
        named.sort_unstable();
        assert_eq!(fields, named, "{name}");
    }
}

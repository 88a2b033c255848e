//! A page as a CloudEvents 1.0 event in JSON, for gateways that take structured input without a
//! template of their own (CloudEvents 1.0.2, sections 2 and 3; JSON event format 1.0.2).

use super::{SharedParts, plain};
use jiff::Timestamp;
use serde_json::{Value, json};
use slackwater_rules::page::Page;
use slackwater_rules::record::Purpose;
use slackwater_rules::time::Wall;

/// The media type of the structured mode (JSON event format, section 3).
pub(super) const MEDIA_TYPE: &str = "application/cloudevents+json";

/// The event. Its id and source are the same on a repeat, so that a receiver may drop it
/// (section 3.1.1, `id`). The type begins with a plain word: the standard advises a reverse
/// domain name, but the project owns none, and to claim another's would be worse.
pub(super) fn event(page: &Page, context: &SharedParts) -> Value {
    let site = match plain::percent(&plain::one_line(&page.site)) {
        site if site.is_empty() => "site".to_owned(),
        site => site,
    };
    let kind = match page.purpose {
        Purpose::Call => "call",
        Purpose::Taken => "taken",
        Purpose::AllClear => "all-clear",
        Purpose::Digest => "digest",
        Purpose::Drill => "drill",
        Purpose::Notice => "notice",
    };
    let mut event = json!({
        "specversion": "1.0",
        "id": context.names.name("page", page.id),
        "source": format!("/slackwater/{site}"),
        "type": format!("slackwater.page.{kind}"),
        "time": rfc3339((context.clock)()),
        "datacontenttype": "application/json",
        "data": {
            "headline": page.headline,
            "body": page.body,
            "text": page.text(),
            "priority": page.priority.to_string(),
            "place": page.place,
            "alarm": page.alarm,
            "code": page.code,
            "since": rfc3339(page.since),
            "maybe_repeat": page.maybe_repeat,
        },
    });
    let subject: Vec<String> = [&page.place, &page.alarm]
        .map(|part| plain::one_line(part))
        .into_iter()
        .filter(|s| !s.is_empty())
        .collect();
    if !subject.is_empty() {
        // Optional, and not empty if present (section 3.1.2).
        if let Some(fields) = event.as_object_mut() {
            fields.insert("subject".to_owned(), subject.join("/").into());
        }
    }
    event
}

/// UTC in whole seconds, held within the calendar.
pub(super) fn rfc3339(wall: Wall) -> String {
    let (low, high) = (Timestamp::UNIX_EPOCH.as_second(), Timestamp::MAX.as_second());
    let second = wall.0.div_euclid(1_000).clamp(low, high);
    Timestamp::from_second(second).unwrap_or(Timestamp::UNIX_EPOCH).to_string()
}

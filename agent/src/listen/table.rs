//! What was heard as a table for a terminal, and as rows for a script.

use super::payload::PayloadPlace;
use super::{HeardValue, Observations};
use crate::plain_text::tame;
use serde_json::{Value as Json, json};
use std::fmt::Write as _;

/// So wide a topic or a value is shown.
const WIDEST_TOPIC: usize = 44;
const WIDEST_VALUE: usize = 14;

impl HeardValue<'_> {
    /// How often it comes, and whether the broker kept it: `every 10 s`, `retained`, `once`.
    pub(super) fn pace(&self) -> String {
        let kept = if self.heard.retained { "retained" } else { "" };
        let live = match (self.heard.interval(), self.heard.live_count) {
            (Some(every), _) => format!("every {every}"),
            (None, 0) => String::new(),
            (None, _) => "once".to_owned(),
        };
        [live.as_str(), kept].iter().filter(|text| !text.is_empty()).copied().collect::<Vec<_>>().join(", ")
    }

    fn place(&self) -> String {
        match self.place {
            PayloadPlace::Whole => String::new(),
            PayloadPlace::Column(number) => format!(" column {number}"),
            place => format!(" {}", place.names()),
        }
    }
}

/// A table of at most so many lines, what looks like a sensor first; how many more there are.
pub fn table(heard: &Observations, most: usize) -> String {
    let mut sensed = heard.sensed();
    sensed.sort_by_key(|sensed| sensed.guess.is_none());
    let shown = |sensed: &HeardValue<'_>| tame(&format!("{}{}", sensed.topic, sensed.place()), WIDEST_TOPIC);
    let wide = sensed.iter().take(most).map(|sensed| shown(sensed).chars().count()).max().unwrap_or(5).max(5);
    let mut out =
        format!("{:<wide$}  {:<7} {:<WIDEST_VALUE$} {:<20} taken for\n", "topic", "form", "last", "comes");
    for sensed in sensed.iter().take(most) {
        let taken = match &sensed.guess {
            Some(guess) => {
                let unit = guess.unit.as_ref().map_or(String::new(), |unit| format!(", {unit}"));
                format!("{}{unit} ({}: {})", guess.measures, guess.sure, guess.why)
            }
            None => "-".to_owned(),
        };
        let form = sensed.heard.form.to_string();
        let (topic, last) = (shown(sensed), tame(&sensed.seen.last, WIDEST_VALUE));
        let _ =
            writeln!(out, "{topic:<wide$}  {form:<7} {last:<WIDEST_VALUE$} {:<20} {taken}", sensed.pace());
    }
    if let more @ 1.. = sensed.len().saturating_sub(most) {
        let _ = writeln!(out, "and {more} more");
    }
    if let more @ 1.. = heard.beyond() {
        let _ =
            writeln!(out, "{more} messages on yet more topics were not looked at: name some with --topic");
    }
    out
}

/// The same for a script.
pub fn rows(heard: &Observations) -> Json {
    let row = |sensed: &HeardValue<'_>| {
        let guess = sensed.guess.as_ref().map(|guess| {
            json!({
                "measures": guess.measures, "unit": guess.unit, "sure": guess.sure.to_string(), "why": guess.why,
                "on": guess.words.as_ref().map(|words| &words.on),
                "off": guess.words.as_ref().map(|words| &words.off),
            })
        });
        json!({
            "topic": sensed.topic,
            "form": sensed.heard.form.to_string(),
            // As a rule file says them.
            "place": sensed.place.key().map(|(key, value)| json!({"key": key, "value": value})),
            "pointer": match sensed.place { PayloadPlace::Pointer(pointer) => Some(pointer), _ => None },
            "senml": match sensed.place { PayloadPlace::Senml(name) => Some(name), _ => None },
            "unit-at": sensed.seen.beside.unit_at,
            "measured-at": sensed.seen.beside.measured_at,
            "last": sensed.seen.last,
            "every_ms": sensed.heard.interval().map(|every| every.0),
            "messages": sensed.heard.live_count,
            "retained": sensed.heard.retained,
            "guess": guess,
        })
    };
    json!({"version": 1, "heard": heard.sensed().iter().map(row).collect::<Vec<_>>()})
}

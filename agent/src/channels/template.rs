//! The keeper's own text for a push, with the page's facts in it: `{headline}` as it is,
//! `{json:headline}` as a JSON string with its quotes, `{url:headline}` percent-encoded. So one
//! kind of channel fits any gateway. A brace that does not begin such a word stands for
//! itself, since JSON is full of braces; `{{` is one brace before a word that isn't meant.

use super::event::rfc3339;
use super::{SharedParts, plain};
use slackwater_rules::page::Page;

/// What a template may name.
const NAMES: [&str; 10] =
    ["headline", "body", "text", "priority", "place", "site", "alarm", "code", "since", "id"];

/// A text with places for a page's facts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Template(Vec<TemplatePiece>);

#[derive(Clone, Debug, PartialEq, Eq)]
enum TemplatePiece {
    Text(String),
    Fact(Dress, &'static str),
}

/// How a fact is written into its surroundings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Dress {
    Bare,
    Json,
    Url,
}

impl Template {
    /// Reads a template, or says every mistake in it.
    pub fn parse(text: &str) -> Result<Self, Vec<String>> {
        let (mut pieces, mut wrong) = (Vec::new(), Vec::new());
        let mut plain = String::new();
        let mut rest = text;
        while let Some(open) = rest.find('{') {
            plain.push_str(&rest[..open]);
            let after = &rest[open + 1..];
            if let Some(after) = after.strip_prefix('{') {
                plain.push('{');
                rest = after;
                continue;
            }
            let Some(word) = word(after) else {
                plain.push('{');
                rest = after;
                continue;
            };
            match fact(word) {
                Ok(fact) => {
                    pieces.push(TemplatePiece::Text(std::mem::take(&mut plain)));
                    pieces.push(fact);
                }
                Err(why) => wrong.push(why),
            }
            rest = &after[word.len() + 1..];
        }
        plain.push_str(rest);
        pieces.push(TemplatePiece::Text(plain));
        if wrong.is_empty() { Ok(Self(pieces)) } else { Err(wrong) }
    }

    /// The text for this page.
    pub(super) fn render(&self, page: &Page, context: &SharedParts) -> String {
        let id = context.names.name("page", page.id);
        self.fill(|name| match name {
            "headline" if page.maybe_repeat => format!("(possible repeat) {}", page.headline),
            "headline" => page.headline.clone(),
            "body" => page.body.clone(),
            "text" => page.text(),
            "priority" => page.priority.to_string(),
            "place" => page.place.clone(),
            "site" => page.site.clone(),
            "alarm" => page.alarm.clone(),
            "code" => page.code.clone(),
            "since" => rfc3339(page.since),
            _ => id.clone(),
        })
    }

    /// Whether the result is JSON even if the facts hold quotes, backslashes and line breaks;
    /// why not, if not.
    pub(super) fn always_json(&self) -> Result<(), String> {
        let nasty = self.fill(|_| "\" \\ {\n}".to_owned());
        serde_json::from_str::<serde_json::Value>(&nasty).map(drop).map_err(|e| e.to_string())
    }

    fn fill(&self, fact: impl Fn(&str) -> String) -> String {
        let mut out = String::new();
        for piece in &self.0 {
            match piece {
                TemplatePiece::Text(text) => out.push_str(text),
                TemplatePiece::Fact(Dress::Bare, name) => out.push_str(&fact(name)),
                TemplatePiece::Fact(Dress::Json, name) => {
                    out.push_str(&serde_json::Value::from(fact(name)).to_string())
                }
                TemplatePiece::Fact(Dress::Url, name) => out.push_str(&plain::percent(&fact(name))),
            }
        }
        out
    }
}

/// What stands before the closing brace, if it is made like a placeholder: `json:headline`.
fn word(after: &str) -> Option<&str> {
    let word = &after[..after.find('}')?];
    let made = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '-' | ':');
    (word.starts_with(|c: char| c.is_ascii_alphabetic()) && word.chars().all(made)).then_some(word)
}

fn fact(word: &str) -> Result<TemplatePiece, String> {
    let (dress, name) = match word.split_once(':') {
        None => (Dress::Bare, word),
        Some(("json", name)) => (Dress::Json, name),
        Some(("url", name)) => (Dress::Url, name),
        Some((other, _)) => {
            return Err(format!(
                "template: {{{word}}}: {other:?} is no way to write a fact; use json: or url:"
            ));
        }
    };
    if let Some(known) = NAMES.iter().find(|known| **known == name) {
        return Ok(TemplatePiece::Fact(dress, known));
    }
    let nearest = NAMES.iter().map(|known| (strsim::damerau_levenshtein(known, name), known)).min();
    Err(match nearest {
        Some((distance, known)) if distance <= 2 => {
            format!("template: there is no {{{word}}}; did you mean {known:?}?")
        }
        _ => format!("template: there is no {{{word}}}; known are {}", NAMES.join(", ")),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fill(template: &str) -> String {
        Template::parse(template).unwrap().fill(|name| format!("<{name} \"a b\">"))
    }

    #[test]
    fn facts_are_written_bare_or_for_json_or_for_an_address() {
        assert_eq!(fill("{code}"), "<code \"a b\">");
        assert_eq!(fill(r#"{"title": {json:headline}}"#), r#"{"title": "<headline \"a b\">"}"#);
        assert_eq!(fill("m={url:text}&x=1"), "m=%3Ctext%20%22a%20b%22%3E&x=1");
    }

    #[test]
    fn braces_that_begin_no_word_stand_for_themselves() {
        for plain in ["{}", r#"{"a":{"b":1}}"#, "{", "}", "{ code }", "{1}"] {
            assert_eq!(fill(plain), plain);
        }
        assert_eq!(fill("{{code}"), "{code}");
    }

    #[test]
    fn every_unknown_placeholder_is_named_with_its_nearest() {
        let wrong = Template::parse("{haedline} {json:bodi} {temperature} {xml:body}").unwrap_err();
        assert_eq!(
            wrong,
            [
                "template: there is no {haedline}; did you mean \"headline\"?",
                "template: there is no {json:bodi}; did you mean \"body\"?",
                "template: there is no {temperature}; known are headline, body, text, priority, place, \
                 site, alarm, code, since, id",
                "template: {xml:body}: \"xml\" is no way to write a fact; use json: or url:",
            ]
        );
    }

    #[test]
    fn a_json_template_that_quotes_would_break_is_noticed() {
        assert!(Template::parse(r#"{"t": "{headline}"}"#).unwrap().always_json().is_err());
        assert!(Template::parse(r#"{"t": {json:headline}}"#).unwrap().always_json().is_ok());
    }
}

//! The truth in one line, for `status` and for the page in the house. What each of them sees flows
//! in; one or two sentences flow out, the same for both: what is wrong and who has it, else what
//! can't be seen, else that the watch itself is not well, else that all is.

use slackwater_rules::time::Span;
use slackwater_rules::words::{capital, counted, list, uncapital};

/// So many things are named; the rest is counted.
const NAMED: usize = 2;

/// What is seen at one moment.
#[derive(Clone, Debug, Default)]
pub(crate) struct WhatIsSeen {
    /// The worst that stands.
    pub(crate) wrong: Option<Wrong>,
    /// Why the broker can't be heard, if so.
    pub(crate) deaf: Option<String>,
    /// Sensors whose reading of now is not to be had, as people read them.
    pub(crate) unseen: Vec<String>,
    /// Parts of the watch that fail, as people read them.
    pub(crate) ill: Vec<String>,
    /// How many tanks there are.
    pub(crate) tanks: usize,
    /// How many sensors there are.
    pub(crate) sensors: usize,
    /// How long ago the one was heard that was heard least lately.
    pub(crate) oldest: Span,
}

/// Something that stands.
#[derive(Clone, Debug, Default)]
pub(crate) struct Wrong {
    /// `Lagoon: the return pump moves no water`
    pub(crate) what: String,
    /// So much else stands.
    pub(crate) more: usize,
    /// Since when, on the clock; none if it is over and only waits to be answered.
    pub(crate) since: Option<String>,
    /// What answers it, where that is not shown beside it.
    pub(crate) code: Option<String>,
    /// `Ines takes care of it until 02:32`; nothing if nobody has answered.
    pub(crate) held: Option<String>,
}

impl WhatIsSeen {
    /// The truth, a sentence each: what leads, and what follows from it.
    pub(crate) fn sentences(&self) -> Vec<String> {
        if let Some(wrong) = &self.wrong {
            return wrong.sentences();
        }
        if let Some(why) = &self.deaf {
            return vec![
                "Nothing that comes by the broker can be seen.".to_owned(),
                format!("{}.", capital(why.trim_end_matches('.'))),
            ];
        }
        if !self.unseen.is_empty() {
            return vec![
                format!("Not measured: {}.", named(&self.unseen, "sensor")),
                "Nothing else is wrong.".to_owned(),
            ];
        }
        if !self.ill.is_empty() {
            return vec![
                "The tanks are well, but the watch is not.".to_owned(),
                format!("Look at {}.", named(&self.ill, "part")),
            ];
        }
        let (tanks, sensors) = (counted(self.tanks, "tank"), counted(self.sensors, "sensor"));
        vec![format!("All is well: {tanks}, {sensors}, all heard within {}.", rounded_up(self.oldest))]
    }

    /// The same in one line that begins with the site.
    pub(crate) fn line(&self, site: &str) -> String {
        let sentences = self.sentences().join(" ");
        let sentences = sentences.trim_end_matches('.');
        match &self.wrong {
            // What is wrong with the site names it already, and a tank's name begins a line of its
            // own.
            Some(wrong) if wrong.what.starts_with(site) => sentences.to_owned(),
            Some(_) => format!("{site}: {sentences}"),
            None => format!("{site}: {}", uncapital(sentences)),
        }
    }
}

impl Wrong {
    fn sentences(&self) -> Vec<String> {
        let more = if self.more == 0 {
            String::new()
        } else {
            format!(" (and {})", counted(self.more, "other alarm"))
        };
        let code = self.code.as_ref().map(|code| format!(", code {code}")).unwrap_or_default();
        let since = self.since.as_ref().map_or_else(|| ", over".to_owned(), |at| format!(", since {at}"));
        let held = self.held.clone().unwrap_or_else(|| "Nobody has answered yet".to_owned());
        vec![format!("{}{more}{since}{code}.", self.what), format!("{}.", capital(&held))]
    }
}

/// The first few, and how many more.
fn named(all: &[String], what: &str) -> String {
    match all.split_at_checked(NAMED) {
        Some((first, rest)) if !rest.is_empty() => {
            format!("{} and {}", first.join(", "), counted(rest.len(), &format!("other {what}")))
        }
        Some(_) | None => list(all),
    }
}

/// To the next whole minute: nobody wants to know it better.
fn rounded_up(age: Span) -> String {
    let minutes = (age.0 + 59_999).div_euclid(60_000).max(1);
    if minutes == 1 { "a minute".to_owned() } else { Span::minutes(minutes).to_string() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn calm() -> WhatIsSeen {
        WhatIsSeen { tanks: 1, sensors: 3, oldest: Span::seconds(40), ..WhatIsSeen::default() }
    }

    #[test]
    fn what_is_wrong_goes_before_what_is_not_seen_and_that_before_the_watch_itself() {
        let all = || vec!["lagoon water".to_owned(), "mains".to_owned(), "lagoon sump".to_owned()];
        let ill = WhatIsSeen { ill: vec!["the journal".to_owned()], ..calm() };
        assert_eq!(ill.line("House"), "House: the tanks are well, but the watch is not. Look at the journal");
        let unseen = WhatIsSeen { unseen: all(), ..ill };
        assert_eq!(
            unseen.line("House"),
            "House: not measured: lagoon water, mains and 1 other sensor. Nothing else is wrong"
        );
        let deaf = WhatIsSeen { deaf: Some("connection refused".to_owned()), ..unseen };
        assert_eq!(
            deaf.sentences(),
            ["Nothing that comes by the broker can be seen.", "Connection refused."]
        );
        let wrong = Wrong {
            what: "Lagoon: the water is too cold".to_owned(),
            more: 2,
            since: Some("01:10".to_owned()),
            code: Some("4QTE".to_owned()),
            held: None,
        };
        let wrong = WhatIsSeen { wrong: Some(wrong), ..deaf };
        assert_eq!(
            wrong.line("House"),
            "House: Lagoon: the water is too cold (and 2 other alarms), since 01:10, code 4QTE. Nobody has answered yet"
        );
        assert_eq!(wrong.sentences().len(), 2);
    }

    #[test]
    fn where_nothing_is_wrong_it_says_how_lately_all_was_heard() {
        assert_eq!(calm().line("House"), "House: all is well: 1 tank, 3 sensors, all heard within a minute");
        let slow = WhatIsSeen { oldest: Span::seconds(61), ..calm() };
        assert_eq!(slow.sentences(), ["All is well: 1 tank, 3 sensors, all heard within 2 min."]);
    }

    #[test]
    fn a_site_that_is_wrong_itself_is_named_once() {
        let wrong = Wrong {
            what: "House: the power is out".to_owned(),
            since: Some("01:10".to_owned()),
            held: Some("Ines takes care of it until 02:10".to_owned()),
            ..Wrong::default()
        };
        let seen = WhatIsSeen { wrong: Some(wrong), ..calm() };
        assert_eq!(
            seen.line("House"),
            "House: the power is out, since 01:10. Ines takes care of it until 02:10"
        );
    }
}

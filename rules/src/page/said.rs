//! What a page says, before it is known how it is shown: a heading, what stands right below it,
//! parts in their order, and the same in short. Wording flows in (`call`, `over`, `slip`), and one
//! structure flows out that three renderings share: plain text here, a text of 160 letters here,
//! and [`html`](super::html). So no channel says what another doesn't.

use super::{TEXT_SEPTETS, gsm};
use crate::alarm::Priority;
use crate::time::Wall;

/// What is done already stands behind it: that it is so says nothing of what its reader has to do.
pub(super) const DONE: &str = "Done already: ";

/// All that one page says.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Said {
    /// How it looks, since an all-clear must not look like an alarm.
    pub kind: Look,
    /// How bad it is, for the mark at its head; none where nobody is asked to act.
    pub rank: Option<Priority>,
    /// The first line, and the subject of a mail.
    pub heading: String,
    /// Right below it: how bad, the value, what follows.
    pub under: Vec<String>,
    /// Everything else, in the order in which it is needed.
    pub parts: Vec<PagePart>,
    /// Small print.
    pub foot: Vec<String>,
    /// The same for a text.
    pub short: Short,
    /// The report of this time goes with it, where a channel can carry one.
    pub report: Option<ReportSpan>,
}

/// The time that a report is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReportSpan {
    /// From then on.
    pub since: Wall,
    /// Until then.
    pub until: Wall,
}

/// How a page looks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Look {
    /// Somebody is asked to act.
    Trouble,
    /// It is over, or somebody has it: nothing is asked.
    #[default]
    Calm,
    /// A test: nothing is wrong.
    Test,
}

/// Lines under a title.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PagePart {
    /// What they are about.
    pub title: &'static str,
    /// The lines.
    pub lines: Vec<PageLine>,
}

/// One line of a part.
#[derive(Clone, Debug, PartialEq)]
pub enum PageLine {
    /// As it is.
    Plain(String),
    /// The step to begin with.
    First(PageStep),
    /// A later step, by its number.
    Step(usize, PageStep),
    /// Done already, as far as the watch sees.
    Done(String),
    /// Something at a time.
    At(String, String),
    /// An address that can be opened. Opening it does nothing.
    Link {
        /// What it is for.
        words: String,
        /// Where it leads.
        address: String,
    },
}

/// A step of a card on a page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PageStep {
    /// The card's own words: the same for every reader, so that one's tick is seen by all.
    pub own: String,
    /// As this reader is told it: with whom to call, and where it is left to do.
    pub said: String,
}

/// What a text says: it is put together of whole clauses only.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Short {
    /// What is wrong, at full length first, then ever shorter.
    pub what: Vec<String>,
    /// The one step to begin with.
    pub step: Option<String>,
    /// What is good to know as well, the most useful first: each is there whole, or not at all.
    pub more: Vec<String>,
    /// How to answer; never left out.
    pub answer: Option<String>,
}

impl Said {
    /// Another part, if it has lines.
    pub fn part(&mut self, title: &'static str, lines: Vec<PageLine>) {
        if !lines.is_empty() {
            self.parts.push(PagePart { title, lines });
        }
    }

    /// All of it in lines of plain text.
    pub fn plain(&self) -> String {
        let mut lines = vec![self.heading.clone()];
        lines.extend(self.under.iter().cloned());
        for part in &self.parts {
            lines.push(String::new());
            lines.push(part.title.to_owned());
            lines.extend(part.lines.iter().map(PageLine::plain));
        }
        if !self.foot.is_empty() {
            lines.push(String::new());
            lines.extend(self.foot.iter().cloned());
        }
        lines.join("\n") + "\n"
    }
}

impl PageLine {
    /// As a line of plain text.
    pub fn plain(&self) -> String {
        match self {
            Self::Plain(words) => words.clone(),
            Self::First(step) => format!("First: {}", step.said),
            Self::Step(number, step) => format!("{number}. {}", step.said),
            Self::Done(words) => format!("{DONE}{words}"),
            Self::At(time, words) => format!("{time}  {words}"),
            Self::Link { words, address } => format!("{words} {address}"),
        }
    }

    /// A plain line, by whatever it is made of.
    pub fn of(words: impl Into<String>) -> Self {
        Self::Plain(words.into())
    }
}

impl Short {
    /// A text of which a copy may have arrived says so, first of all and even if it is cut.
    pub(super) fn is_repeat(&mut self, maybe: bool) {
        if maybe {
            self.what.iter_mut().for_each(|what| what.insert_str(0, "May be a repeat: "));
        }
    }

    /// The text: at most 160 places of the GSM alphabet, of whole clauses. What is wrong gets
    /// shorter before the step goes, and the answer stays.
    pub fn text(&self) -> String {
        let answer = self.answer.as_deref();
        let with = |what: &str, more: &[&str], step: Option<&str>| {
            let clauses = [what].into_iter().chain(more.iter().copied()).chain(step).chain(answer);
            joined(clauses)
        };
        let step = self.step.as_deref();
        let Some(what) = self.what.iter().find(|what| fits(&with(what, &[], step))) else {
            return self.shortest();
        };
        let mut more: Vec<&str> = Vec::new();
        for clause in &self.more {
            more.push(clause);
            if !fits(&with(what, &more, step)) {
                more.pop();
            }
        }
        gsm::fit(&for_texts(&with(what, &more, step)), TEXT_SEPTETS)
    }

    /// Without the step, and cut between words if even that is too long: a name of a hundred
    /// letters.
    fn shortest(&self) -> String {
        let what = self.what.last().map_or("", String::as_str);
        let end = self.answer.as_deref().map(|answer| format!(". {answer}")).unwrap_or_default();
        let end = gsm::fit(&for_texts(&end), TEXT_SEPTETS);
        let left = TEXT_SEPTETS.saturating_sub(gsm::places(&end));
        gsm::fit(&for_texts(what.trim_end_matches('.')), left) + &end
    }
}

/// Clauses one after the other, each ended once.
fn joined<'c>(clauses: impl Iterator<Item = &'c str>) -> String {
    let mut text = String::new();
    for clause in clauses.filter(|clause| !clause.is_empty()) {
        if !text.is_empty() {
            text.push_str(if text.ends_with(['.', '?', '!']) { " " } else { ". " });
        }
        text.push_str(clause.trim());
    }
    text.trim_end_matches('.').to_owned()
}

/// A text has no degree sign: `21.9 C` is what people write.
fn for_texts(text: &str) -> String {
    text.replace('°', "")
}

fn fits(text: &str) -> bool {
    gsm::places(&for_texts(text)) <= TEXT_SEPTETS
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_loses_whole_clauses_and_never_a_part_of_one() {
        let long = "Lagoon: the water is too cold, 21.9 °C (limit 24 °C), since 01:10".to_owned();
        let short = Short {
            what: vec![long.clone(), "Lagoon: the water is too cold".to_owned()],
            step: Some("See whether the heater is plugged in, at a dry plug.".to_owned()),
            more: vec!["x".repeat(80), "Below 20 °C at 04:10".to_owned()],
            answer: Some("Reply 4QTE".to_owned()),
        };
        let text = short.text();
        assert_eq!(
            text,
            "Lagoon: the water is too cold, 21.9 C (limit 24 C), since 01:10. Below 20 C at 04:10. \
             See whether the heater is plugged in, at a dry plug. Reply 4QTE"
        );
        assert!(gsm::places(&text) <= TEXT_SEPTETS);
    }

    #[test]
    fn what_is_wrong_gets_shorter_before_the_step_goes() {
        let short = Short {
            what: vec!["a ".repeat(70), "Lagoon: leak".to_owned()],
            step: Some("Stay out.".to_owned()),
            more: vec![],
            answer: Some("Reply 4QTE".to_owned()),
        };
        assert_eq!(short.text(), "Lagoon: leak. Stay out. Reply 4QTE");
        let endless = Short { what: vec!["pump ".repeat(60)], ..short };
        let text = endless.text();
        assert!(text.len() <= 160 && text.ends_with(". Reply 4QTE"), "{text}");
    }
}

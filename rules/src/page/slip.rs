//! A page that belongs to no call-out: a test page, or news that asks for no answer. Its words
//! are its own record's; here they become a [`Page`] that every channel can carry.

use super::{Page, REPEAT, TEXT_SEPTETS, gsm};
use crate::alarm::Priority;
use crate::ids::Seq;
use crate::record::Purpose;
use crate::time::Now;

/// What its record says.
#[derive(Clone, Debug, PartialEq)]
pub struct Slip {
    /// What answers it; empty if nothing does.
    pub code: String,
    /// Its first line.
    pub headline: String,
    /// The rest of it.
    pub lines: Vec<String>,
}

impl Slip {
    pub(crate) fn compose(
        &self,
        site: &str,
        id: Seq,
        purpose: Purpose,
        now: &Now,
        maybe_repeat: bool,
    ) -> Page {
        let mut lines: Vec<&str> = maybe_repeat.then_some(REPEAT).into_iter().collect();
        lines.push(&self.headline);
        lines.extend(self.lines.iter().map(String::as_str));
        let mut body = lines.join("\n") + "\n";
        let mut text = self.headline.clone();
        if self.code.is_empty() {
            for line in &self.lines {
                text = format!("{text}. {}", line.trim_end_matches('.'));
            }
        } else {
            body += &format!("\nTo answer: slackwater ack {}\n", self.code);
        }
        let about = match purpose {
            Purpose::Drill => "test page",
            Purpose::Call | Purpose::Taken | Purpose::AllClear | Purpose::Digest | Purpose::Notice => {
                "notice"
            }
        };
        Page {
            id,
            call: id,
            after: Vec::new(),
            purpose,
            priority: Priority::Low,
            site: site.to_owned(),
            place: site.to_owned(),
            alarm: about.to_owned(),
            code: self.code.clone(),
            since: now.wall,
            headline: self.headline.clone(),
            body,
            text: gsm::fit(&text, TEXT_SEPTETS),
            maybe_repeat,
        }
    }
}

//! A page that belongs to no call-out: a test page, or news that asks for no answer. Its words
//! are its own record's; here they become a [`Page`] that every channel can carry.

use super::{Page, TEXT_SEPTETS, gsm};
use crate::alarm::Priority;
use crate::record::{Purpose, Seq};
use crate::time::Now;

/// The facts that it is made of.
pub(crate) struct Slip<'a> {
    pub(crate) site: &'a str,
    pub(crate) id: Seq,
    pub(crate) purpose: Purpose,
    /// What answers it; empty if nothing does.
    pub(crate) code: &'a str,
    pub(crate) headline: &'a str,
    pub(crate) lines: &'a [String],
    pub(crate) now: Now,
    pub(crate) maybe_repeat: bool,
}

impl Slip<'_> {
    pub(crate) fn compose(self) -> Page {
        let repeat = "(This may be a repeat: the watch was restarted while it was being sent.)";
        let mut lines: Vec<&str> = self.maybe_repeat.then_some(repeat).into_iter().collect();
        lines.push(self.headline);
        lines.extend(self.lines.iter().map(String::as_str));
        let mut body = lines.join("\n") + "\n";
        let mut text = self.headline.to_owned();
        if self.code.is_empty() {
            for line in self.lines {
                text = format!("{text}. {}", line.trim_end_matches('.'));
            }
        } else {
            body += &format!("\nTo answer: slackwater ack {}\n", self.code);
        }
        let about = match self.purpose {
            Purpose::Drill => "test page",
            Purpose::Call | Purpose::Taken | Purpose::AllClear | Purpose::Digest | Purpose::Notice => {
                "notice"
            }
        };
        Page {
            id: self.id,
            call: self.id,
            after: Vec::new(),
            purpose: self.purpose,
            priority: Priority::Low,
            site: self.site.to_owned(),
            place: self.site.to_owned(),
            alarm: about.to_owned(),
            code: self.code.to_owned(),
            since: self.now.wall,
            headline: self.headline.to_owned(),
            body,
            text: gsm::fit(&text, TEXT_SEPTETS),
            maybe_repeat: self.maybe_repeat,
        }
    }
}

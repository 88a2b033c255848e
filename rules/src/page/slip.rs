//! A page that belongs to no call-out: a test page, or news that asks for no answer. Its words
//! are its own record's; here they become a [`Page`] that every channel can carry.

use super::said::{Look, PageLine, ReportSpan, Said, Short};
use super::ways;
use super::{Page, REPEAT};
use crate::alarm::Priority;
use crate::ids::Seq;
use crate::plan::ways::{AtHand, for_reader};
use crate::plan::{Plan, Target};
use crate::record::Purpose;
use crate::time::{Now, Wall};
use jiff::civil::DateTime;

/// What its record says.
#[derive(Clone, Debug, PartialEq)]
pub struct Slip {
    /// What answers it; empty if nothing does.
    pub code: String,
    /// Its first line.
    pub headline: String,
    /// The rest of it.
    pub lines: Vec<String>,
    /// The report of the time between these two local times goes with it.
    pub report: Option<(DateTime, DateTime)>,
}

/// The page that carries a slip.
pub(crate) struct Envelope<'a> {
    pub(crate) plan: &'a Plan,
    pub(crate) target: &'a Target,
    pub(crate) id: Seq,
    pub(crate) purpose: Purpose,
    pub(crate) now: Now,
    pub(crate) maybe_repeat: bool,
}

impl Page {
    /// What signs somebody in on the page in the house. It belongs to no record, since whoever
    /// reads the journal must not be able to use it.
    pub fn sign_in_code(plan: &Plan, target: &Target, id: Seq, now: Now, code: &str) -> Self {
        let site = &plan.site;
        let slip = Slip {
            code: String::new(),
            headline: format!("{site}: {code} signs you in on the page in the house"),
            lines: vec![
                "It works once, for ten minutes, in the browser that asked for it.".to_owned(),
                "You didn't ask? Somebody typed your name: give it to nobody.".to_owned(),
            ],
            report: None,
        };
        let purpose = Purpose::Notice;
        slip.compose(&Envelope { plan, target, id, purpose, now, maybe_repeat: false })
    }
}

impl Slip {
    pub(crate) fn compose(&self, envelope: &Envelope<'_>) -> Page {
        let Envelope { plan, target, id, purpose, now, maybe_repeat } = *envelope;
        let is_test = purpose == Purpose::Drill;
        let kind = if is_test { Look::Test } else { Look::Calm };
        let mut said =
            Said { kind, heading: self.headline.clone(), under: self.lines.clone(), ..Said::default() };
        let asks = !self.code.is_empty();
        let mut answer = None;
        if asks {
            let directory = &plan.directory;
            let reader = target.contact.as_deref();
            let reader = reader.and_then(|name| Some((name, directory.contacts.get(name)?)));
            let kind = directory.channels.get(target).copied();
            let ways = for_reader(&directory.ways, reader, kind, AtHand::default());
            answer = Some(ways::in_short(&ways, &self.code, "got it"));
            let mut lines = ways::lines(&ways, &self.code, reader.map_or("", |(name, _)| name));
            if lines.is_empty() {
                lines.push(PageLine::of(format!(
                    "You can't answer from here. Tell the keeper that code {} has come.",
                    self.code
                )));
            }
            said.part("How to answer", lines);
        }
        said.report = self.report.and_then(|(since, until)| {
            let wall = |at: DateTime| {
                let at = at.to_zoned_datetime(plan.zone.clone()).ok()?;
                Some(Wall(at.timestamp().as_millisecond()))
            };
            Some(ReportSpan { since: wall(since)?, until: wall(until)? })
        });
        said.foot.extend(maybe_repeat.then(|| REPEAT.to_owned()));
        let more = if asks { Vec::new() } else { self.lines.clone() };
        said.short = Short { what: vec![self.headline.clone()], more, step: None, answer };
        said.short.is_repeat(maybe_repeat);
        Page {
            id,
            call: id,
            after: Vec::new(),
            purpose,
            priority: Priority::Low,
            site: plan.site.clone(),
            place: plan.site.clone(),
            alarm: if is_test { "test page" } else { "notice" }.to_owned(),
            code: self.code.clone(),
            since: now.wall,
            headline: self.headline.clone(),
            body: said.plain(),
            said,
            maybe_repeat,
        }
    }
}

//! Pages on their way to channels, and reports for mails: made of the journal by the rules that
//! were in force when the last page that asks for one was handed over.

use super::EventLoop;
use crate::channels::{EnclosedReport, MakeReport};
use crate::journal::JournalLog;
use crate::report;
use crate::review::ReviewSpan;
use slackwater_rules::engine::Effect;
use slackwater_rules::page::{Page, ReportSpan};
use slackwater_rules::plan::{Plan, Target};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

/// Makes them.
pub(super) struct JournalReports {
    journal: PathBuf,
    plan: Mutex<Option<Arc<Plan>>>,
}

impl JournalReports {
    /// Of this journal.
    pub(super) fn of(journal: PathBuf) -> Arc<Self> {
        Arc::new(Self { journal, plan: Mutex::default() })
    }

    /// These rules are in force now.
    fn know(&self, plan: Arc<Plan>) {
        *self.plan.lock().unwrap_or_else(PoisonError::into_inner) = Some(plan);
    }
}

impl EventLoop {
    /// While the rest of a batch is heard and records go to the disk, channels whose pages wait may
    /// connect.
    pub(super) fn expect_pages(&self, effects: &[Effect]) {
        self.channels.expect(effects.iter().filter_map(|effect| match effect {
            Effect::Send { target, .. } => Some(target),
            Effect::Withdraw { .. } | Effect::Command { .. } => None,
        }));
    }

    /// A page goes to its channel.
    pub(super) fn hand_over(&mut self, target: &Target, page: Page) {
        if page.said.report.is_some() {
            self.reports.know(Arc::clone(self.engine.plan()));
        }
        self.channels.send(target, page);
    }
}

impl MakeReport for JournalReports {
    fn make(&self, span: ReportSpan) -> Result<EnclosedReport, String> {
        let plan = self.plan.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let plan = plan.ok_or("no rules are in force")?;
        let window = ReviewSpan { since: span.since, until: span.until };
        JournalLog::open(&self.journal)
            .and_then(|log| report::made(&log, &plan, window, &plan.zone))
            .map_err(|error| error.to_string())
    }
}

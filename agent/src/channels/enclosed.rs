//! What goes with a mail: the report of a stretch of time, made of the journal when the mail is
//! about to leave. A page that asks for one flows in; out flow the page, with the report's digest
//! among its words, and the file. A report that can't be made keeps no mail back: then the mail
//! says so.

use crate::journal::JournalLog;
use crate::report::{self, Report};
use crate::review::ReviewSpan;
use slackwater_rules::page::{Page, PageLine, PagePart, ReportSpan};
use slackwater_rules::plan::Plan;
use std::borrow::Cow;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

/// What mail servers commonly take is some times this.
const LARGEST: usize = 2 << 20;

/// Makes reports; cheap to clone.
#[derive(Clone)]
pub struct Reports(Arc<ReportMaker>);

struct ReportMaker {
    journal: PathBuf,
    /// The rules in force when the last page that asks for a report was handed over.
    plan: Mutex<Option<Arc<Plan>>>,
}

/// A page, and the file that goes with it.
pub(super) struct WithReport<'p> {
    pub(super) page: Cow<'p, Page>,
    /// Its name, and what is in it.
    pub(super) file: Option<(String, String)>,
}

impl Reports {
    /// Of this journal.
    pub fn of(journal: PathBuf) -> Self {
        Self(Arc::new(ReportMaker { journal, plan: Mutex::default() }))
    }

    /// A page that asks for a report is about to be handed over: these are the rules in force.
    pub fn know(&self, plan: Arc<Plan>) {
        *self.0.plan.lock().unwrap_or_else(PoisonError::into_inner) = Some(plan);
    }

    /// Reads on a thread of its own.
    async fn make(&self, span: ReportSpan) -> Result<Report, String> {
        let maker = Arc::clone(&self.0);
        let made = tokio::task::spawn_blocking(move || {
            let plan = maker.plan.lock().unwrap_or_else(PoisonError::into_inner).clone();
            let plan = plan.ok_or("no rules are in force")?;
            let window = ReviewSpan { since: span.since, until: span.until };
            JournalLog::open(&maker.journal)
                .and_then(|log| report::made(&log, &plan, window, &plan.zone))
                .map_err(|error| error.to_string())
        });
        let report = made.await.unwrap_or_else(|error| Err(error.to_string()))?;
        match report.html.len() {
            size if size > LARGEST => Err(format!("it has {size} bytes, and a mail takes {LARGEST}")),
            _ => Ok(report),
        }
    }
}

/// The page as it leaves, with its report if it asks for one.
pub(super) async fn with_report<'p>(page: &'p Page, reports: Option<&Reports>) -> WithReport<'p> {
    let Some(span) = page.said.report else { return WithReport { page: Cow::Borrowed(page), file: None } };
    let made = match reports {
        Some(reports) => reports.make(span).await,
        None => Err("there is no journal to make it of".to_owned()),
    };
    let mut page = page.clone();
    let file = match made {
        Ok(Report { html, digest }) => {
            let lines = digest.into_iter().map(PageLine::Plain).collect();
            page.said.parts.insert(0, PagePart { title: "In short", lines });
            let site = super::plain::slug(&page.site);
            Some((format!("{}.html", if site.is_empty() { "report" } else { site.as_str() }), html))
        }
        Err(why) => {
            tracing::error!(page = page.id, why, "the report could not be made");
            page.said.under = vec![
                format!("It could not be made: {why}."),
                "By hand: slackwater review --since '7 d' --html report.html".to_owned(),
            ];
            None
        }
    };
    page.body = page.said.plain();
    WithReport { page: Cow::Owned(page), file }
}

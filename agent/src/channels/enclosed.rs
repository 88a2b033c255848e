//! What goes with a mail: the report of a stretch of time, made of the journal when the mail is
//! about to leave. A page that asks for one flows in; out flow the page, with the report's digest
//! among its words, and the file. A report that can't be made keeps no mail back: then the mail
//! says so.

use slackwater_rules::page::{Page, PageLine, PagePart, ReportSpan};
use std::borrow::Cow;
use std::sync::Arc;

/// What mail servers commonly take is some times this.
const LARGEST: usize = 2 << 20;

/// A report, and what it comes to in short.
#[derive(Debug)]
pub struct EnclosedReport {
    /// The document.
    pub html: String,
    /// Its digest, a line each.
    pub digest: Vec<String>,
}

/// Who makes reports for mails.
pub trait MakeReport: Send + Sync {
    /// The report of this stretch of time. It may take seconds, on a thread that may be blocked.
    ///
    /// # Errors
    /// Why it can't be made.
    fn make(&self, span: ReportSpan) -> Result<EnclosedReport, String>;
}

/// A page, and the file that goes with it.
pub(super) struct WithReport<'p> {
    pub(super) page: Cow<'p, Page>,
    /// Its name, and what is in it.
    pub(super) file: Option<(String, String)>,
}

async fn made(maker: &Arc<dyn MakeReport>, span: ReportSpan) -> Result<EnclosedReport, String> {
    let maker = Arc::clone(maker);
    let made = tokio::task::spawn_blocking(move || maker.make(span));
    let report = made.await.unwrap_or_else(|error| Err(error.to_string()))?;
    match report.html.len() {
        size if size > LARGEST => Err(format!("it has {size} bytes, and a mail takes {LARGEST}")),
        _ => Ok(report),
    }
}

/// The page as it leaves, with its report if it asks for one.
pub(super) async fn with_report<'p>(page: &'p Page, reports: Option<&Arc<dyn MakeReport>>) -> WithReport<'p> {
    let Some(span) = page.said.report else { return WithReport { page: Cow::Borrowed(page), file: None } };
    let made = match reports {
        Some(maker) => made(maker, span).await,
        None => Err("there is no journal to make it of".to_owned()),
    };
    let mut page = page.clone();
    let file = match made {
        Ok(EnclosedReport { html, digest }) => {
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

//! From the text of a rule file to a [`Plan`], or to all that is wrong with it at once. Names
//! come first, then the parts in the order in which they lean on each other: sensors, tanks,
//! batteries, relays, call-outs, alarms, and last the alarms that the plan adds for lost sight.

mod parts;
mod rule_texts;
mod tables;

pub use rule_texts::{RuleTexts, key_in_site};

use super::{Directory, Output, Plan};
use crate::diagnostic::{
    Finding, Findings, FindingsView, LeftOut, Sheet, SourceTexts, Table, TextPieces, parse,
};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use parts::PlanParts;
use std::borrow::Cow;
use tables::Tables;
use toml::de::DeTable;

/// What a rule file takes from the agent's configuration.
#[derive(Clone, Debug)]
pub struct Surroundings {
    /// Who can be told.
    pub directory: Directory,
    /// The zone that times of day are meant in.
    pub zone: TimeZone,
    /// The day that absences are looked at from; not at all if none.
    pub today: Option<Date>,
}

/// What came of a rule file.
#[derive(Clone, Debug)]
pub struct Checked {
    /// The plan, unless there is any mistake.
    pub plan: Option<Plan>,
    /// All mistakes and warnings, in the order of the file; of very many the first that were found.
    pub findings: Vec<Finding>,
    /// The findings as text for people; empty if there are none.
    pub report: String,
    /// Those that were too many to be kept.
    left_out: LeftOut,
    sources: SourceTexts,
}

impl Checked {
    /// The findings for programs.
    pub fn view(&self) -> FindingsView {
        FindingsView::of(&self.sources, &self.findings, self.left_out)
    }
}

/// Keys that were called otherwise: the old name, the new one.
const RENAMED: [(&str, &str); 1] = [("fallback", "stopgap")];

impl Plan {
    /// Reads a rule file's text; `file` is the name to report it by. All that is wrong is found at
    /// once, each with its place, and then there is no plan.
    ///
    /// ```
    /// use slackwater_rules::plan::{Directory, Plan, Surroundings};
    ///
    /// let around = Surroundings { directory: Directory::default(), zone: jiff::tz::TimeZone::UTC, today: None };
    /// let text = r#"
    /// [tank.lagoon]
    /// volume = "300 L"
    ///
    /// [sensor.lagoon-temp]
    /// topic    = "lagoon/temperature"
    /// tank     = "lagoon"
    /// measures = "temperature"
    /// unit     = "degC"
    /// every    = "10 s"
    ///
    /// [alarm.lagoon-cold]
    /// when     = "lagoon-temp < 23 degC"
    /// priority = "high"
    /// "#;
    /// let checked = Plan::check("rules.toml", text, &around);
    /// let plan = checked.plan.unwrap_or_else(|| panic!("{}", checked.report));
    /// assert!(plan.alarms.iter().any(|alarm| alarm.name == "lagoon-cold"));
    ///
    /// let mistaken = text.replace("lagoon-temp <", "lagoon-tmp <");
    /// let checked = Plan::check("rules.toml", &mistaken, &around);
    /// assert!(checked.plan.is_none());
    /// assert!(checked.report.contains("lagoon-tmp") && checked.report.contains("did you mean"));
    /// ```
    pub fn check(file: &str, text: &str, around: &Surroundings) -> Checked {
        Self::check_beside(RuleTexts::file(file, text), around, &[])
    }

    /// The same with the files of watched sites, beside what the agent's configuration publishes
    /// on.
    pub fn check_beside(texts: RuleTexts, around: &Surroundings, elsewhere: &[Output]) -> Checked {
        let agent = AgentFacts { people: Some(&around.directory), outputs: elsewhere };
        check(texts, around, &agent)
    }

    /// The same while it is not known who can be told, since the agent's own file is wrong: no
    /// mistake is found in whom a call-out names, and there is no plan.
    pub fn check_without_people(texts: RuleTexts, zone: TimeZone, today: Option<Date>) -> Checked {
        let around = Surroundings { directory: Directory::default(), zone, today };
        Checked { plan: None, ..check(texts, &around, &AgentFacts { people: None, outputs: &[] }) }
    }
}

/// What is known of the agent's own file.
struct AgentFacts<'a> {
    /// Nothing while it is wrong.
    people: Option<&'a Directory>,
    /// What it publishes on.
    outputs: &'a [Output],
}

fn check(texts: RuleTexts, around: &Surroundings, agent: &AgentFacts<'_>) -> Checked {
    let RuleTexts { sources, sites, misfits } = texts;
    // A site's file that is no such file would be taken for a part of its neighbours.
    let whole = if misfits.is_empty() { sources.text().len() } else { sites };
    let text = &sources.text()[..whole];
    let pieces = TextPieces::cut(text, &tables::NAMED);
    // In pieces it takes little memory; what they don't tell the whole does.
    let (plan, findings) = read(text, &pieces, around, agent)
        .or_else(|| read(text, &TextPieces::default(), around, agent))
        .unwrap_or_default();
    findings.extend(misfits);
    let wrong = findings.errors() > 0;
    let (findings, left_out) = findings.conclude();
    // A text of which there is nothing to show is not kept a second time.
    let sources = if findings.is_empty() { SourceTexts::file(sources.name(0), "") } else { sources };
    let report = sources.render(&findings, left_out);
    Checked { plan: plan.filter(|_| !wrong), findings, report, left_out, sources }
}

/// The plan and what is wrong; nothing if the pieces don't come to one file without a doubt.
fn read(
    text: &str,
    pieces: &TextPieces<'_>,
    around: &Surroundings,
    agent: &AgentFacts<'_>,
) -> Option<(Option<Plan>, Findings)> {
    let sheet = Sheet::new("a rule file", text, &RENAMED);
    let rest = if pieces.is_empty() { Cow::Borrowed(text) } else { Cow::Owned(pieces.blanked(text)) };
    let (document, broken) = parse("a rule file", &rest);
    if !pieces.is_empty() && (!broken.is_empty() || pieces.kinds().any(|kind| document.contains_key(kind))) {
        return None;
    }
    let plan = if broken.is_empty() {
        plan(&sheet, document, pieces, around, agent)
    } else {
        // What could not be read as TOML says nothing about what it means.
        sheet.findings().extend(broken);
        None
    };
    (!sheet.is_in_doubt()).then(|| (plan, sheet.into_findings()))
}

fn plan(
    sheet: &Sheet<'_>,
    document: DeTable<'_>,
    pieces: &TextPieces<'_>,
    around: &Surroundings,
    agent: &AgentFacts<'_>,
) -> Option<Plan> {
    let findings = sheet.findings();
    let mut tables = Tables::of(Table::root(sheet, &document), pieces);
    let context = tables.context(findings, agent.people, around.today);
    let parts = PlanParts::read(tables, &context);
    // The tree takes more memory than all that comes of it, and a board has little.
    drop(document);
    findings.extend(parts.outputs(agent.outputs));
    parts.whole(&context, around)
}

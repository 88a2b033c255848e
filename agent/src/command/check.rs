//! `slackwater check`: both files read as `run` would, and all that is wrong said at once, in words
//! or for programs.

mod service_user;

pub(super) use service_user::in_the_way;

use super::{Config, failed, wrong};
use crate::live::{TriedPart, Went, table, try_all};
use crate::log::init_log;
use crate::output::{out, outln};
use crate::settings::{Environment, LogFormat, LogSettings};
use crate::site::SiteFiles;
use serde_json::json;
use slackwater_rules::plan::{CarriedForecast, FindingView, FindingsView, Plan, TankId};
use slackwater_rules::time::Span;
use std::process::ExitCode;
use std::time::Duration;

pub(super) fn check(config: &Config, as_json: bool) -> ExitCode {
    // Findings are the output here; the log only carries what libraries say.
    let quiet = LogSettings { format: LogFormat::Terminal, level: "error".to_owned() };
    let _log = init_log(&quiet);
    let read = SiteFiles::load(&config.config, &Environment::of_process());
    if as_json {
        let (agent, rules, ok) = match &read {
            Ok(site) => (&site.findings.0, Some(&site.findings.1), true),
            Err(wrong) => (&wrong.agent, wrong.rules.as_ref(), false),
        };
        let in_the_way =
            read.as_ref().map_or(Vec::new(), |site| service_user::in_the_way(&config.config, site));
        let ok = ok && in_the_way.is_empty();
        let cut_off = read.as_ref().map_or(Vec::new(), |site| site.settings.cut_off_without_router());
        let configuration: Vec<String> = agent.findings.iter().map(on_one_line(agent)).collect();
        let form = json!({
            "version": 1,
            "ok": ok,
            // The same as `agent`, as it was told before that had places.
            "configuration": configuration,
            "agent": agent,
            "rules": rules,
            "cut_off_without_router": cut_off,
            "service": in_the_way,
            "forecasts": read.as_ref().map_or(Vec::new(), |site| forecasts_as_data(&site.plan)),
        });
        return match serde_json::to_string_pretty(&form) {
            Ok(text) => {
                outln!("{text}");
                if ok { ExitCode::SUCCESS } else { ExitCode::from(super::EX_CONFIG) }
            }
            Err(error) => failed(&error.to_string()),
        };
    }
    match read {
        Ok(site) => {
            if !site.warnings.is_empty() {
                outln!("{}", site.warnings.trim_end());
            }
            if let Some(note) =
                without_router(&site.settings.cut_off_without_router(), site.plan.without_mains.router)
            {
                outln!("{note}");
            }
            let in_the_way = service_user::in_the_way(&config.config, &site);
            if !in_the_way.is_empty() {
                let lines = in_the_way.iter().map(|line| format!("\n  {line}"));
                return wrong(&format!(
                    "the files are right, but not for the service:{}",
                    lines.collect::<String>()
                ));
            }
            let plan = &site.plan;
            for line in forecasts(plan) {
                outln!("{line}");
            }
            outln!(
                "{}: {}, {}, {}, {}, {}: it can run",
                plan.site,
                counted(plan.tanks.len(), "tank"),
                counted(plan.sensors.len(), "sensor"),
                counted(plan.relays.len(), "relay"),
                counted(plan.alarms.iter().filter(|alarm| alarm.sight.is_none()).count(), "alarm"),
                counted(plan.callouts.len(), "call-out"),
            );
            if !plan.watched.is_empty() {
                let sites = if plan.watched.len() == 1 { "site" } else { "sites" };
                outln!("it is the witness of {} other {sites}", plan.watched.len());
            }
            ExitCode::SUCCESS
        }
        Err(mistakes) => wrong(&mistakes.text),
    }
}

/// The files first, then everything that can be tried.
pub(super) async fn live(config: &Config, as_json: bool, wait: Span) -> ExitCode {
    let quiet = LogSettings { format: LogFormat::Terminal, level: "off".to_owned() };
    let _log = init_log(&quiet);
    let site = match SiteFiles::load(&config.config, &Environment::of_process()) {
        Ok(site) => site,
        Err(mistakes) => return wrong(&mistakes.text),
    };
    if !site.warnings.is_empty() && !as_json {
        outln!("{}", site.warnings.trim_end());
    }
    let in_the_way = service_user::in_the_way(&config.config, &site);
    let wait = Duration::from_millis(wait.min(Span::hours(1)).0.cast_unsigned());
    if !as_json {
        eprintln!("trying everything, for at most {} s; nobody is paged", wait.as_secs());
    }
    let mut rows = try_all(site, wait).await;
    rows.extend(in_the_way.into_iter().map(|found| TriedPart {
        what: "the service".to_owned(),
        went: Went::Bad,
        found,
        remedy: String::new(),
    }));
    match as_json {
        true => outln!("{:#}", json!({"version": 1, "rows": rows})),
        false => out!("{}", table(&rows)),
    }
    let failed = rows.iter().filter(|row| row.went == Went::Bad).count();
    if failed == 0 {
        return ExitCode::SUCCESS;
    }
    if !as_json {
        outln!("{failed} of {} would fail at night", rows.len());
    }
    ExitCode::FAILURE
}

/// `agent.toml:3:8: \`port\` must be …`, or the variable's name in front.
fn on_one_line(view: &FindingsView) -> impl Fn(&FindingView) -> String {
    |finding| match &finding.variable {
        Some(variable) => format!("{variable}: {}", finding.title),
        None => format!("{}:{}:{}: {}", view.file, finding.place.line, finding.place.column, finding.title),
    }
}

/// Of each tank with a model which forecasts its sensors carry, how often each rings falsely, and
/// what is not offered, and why.
fn forecasts(plan: &Plan) -> Vec<String> {
    let mut lines = Vec::new();
    for (id, tank) in (0..).map(TankId).zip(&plan.tanks) {
        let Some((seen, carried)) = plan.carries(id) else { continue };
        if !carried.iter().any(|forecast| forecast.is_used) {
            continue;
        }
        let told = |forecast: &CarriedForecast| match forecast.a_year {
            Ok(a_year) if a_year >= 0.05 => Some(format!("{} {a_year:.1}", forecast.hazard)),
            Ok(_) => Some(format!("{} hardly ever", forecast.hazard)),
            Err(_) => None,
        };
        let (used, others): (Vec<_>, Vec<_>) = carried.iter().partition(|forecast| forecast.is_used);
        let sum: f64 = used.iter().filter_map(|forecast| forecast.a_year.ok()).sum();
        let used: Vec<_> = used.into_iter().filter_map(told).collect();
        lines.push(format!(
            "{}: the watch sees {}; its forecasts ring falsely about {sum:.1} times a year: {}",
            tank.name,
            seen.words(),
            used.join(", "),
        ));
        let more: Vec<_> = others.iter().copied().filter_map(told).collect();
        if !more.is_empty() {
            lines.push(format!("  it could also carry: {}", more.join(", ")));
        }
        let lacking = others.iter().filter_map(|forecast| Some((forecast.hazard, forecast.a_year.err()?)));
        let lacking: Vec<_> = lacking.map(|(hazard, what)| format!("{hazard} for want of {what}")).collect();
        if !lacking.is_empty() {
            lines.push(format!("  not offered: {}", lacking.join(", ")));
        }
    }
    lines
}

/// The same for programs.
fn forecasts_as_data(plan: &Plan) -> Vec<serde_json::Value> {
    let tanks = (0..).map(TankId).zip(&plan.tanks);
    let told = tanks.filter_map(|(id, tank)| {
        let (seen, carried) = plan.carries(id)?;
        let hazards: Vec<_> = carried
            .iter()
            .map(|forecast| {
                json!({
                    "hazard": forecast.hazard,
                    "used": forecast.is_used,
                    "false_a_year": forecast.a_year.ok(),
                    "lacks": forecast.a_year.err(),
                })
            })
            .collect();
        Some(json!({ "tank": tank.name, "seen": seen.words(), "hazards": hazards }))
    });
    told.collect()
}

/// `1 tank`, `2 tanks`.
fn counted(count: usize, what: &str) -> String {
    let ending = if count == 1 { "" } else { "s" };
    format!("{count} {what}{ending}")
}

/// Most nights this tool is for begin with the mains, and the router goes with them.
fn without_router(cut_off: &[&str], router: Option<Span>) -> Option<String> {
    let (last, others) = cut_off.split_last()?;
    let (who, are) = match others {
        [] => ((*last).to_owned(), "is"),
        _ => (format!("{} and {last}", others.join(", ")), "are"),
    };
    let end = match router {
        Some(router) => {
            format!("in a power cut they end with it, after {router}, unless there is a text channel")
        }
        None => "without a battery on it, or a text channel, a power cut takes them too".to_owned(),
    };
    Some(format!("note: {who} {are} told by mail and push only, and these need the router: {end}"))
}

#[cfg(test)]
mod tests {
    use super::{Span, without_router};

    #[test]
    fn who_is_cut_off_with_the_router_is_named() {
        assert_eq!(without_router(&[], None), None);
        assert!(
            without_router(&["Ines"], None)
                .is_some_and(|note| note.starts_with("note: Ines is told by mail and push only"))
        );
        let note = without_router(&["Ines", "Tom", "the neighbour"], Some(Span::minutes(45)));
        assert!(note.is_some_and(|note| {
            note.starts_with("note: Ines, Tom and the neighbour are told")
                && note.ends_with("end with it, after 45 min, unless there is a text channel")
        }));
    }
}

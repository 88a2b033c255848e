//! `slackwater status`: all of it, as JSON, or in one line with an exit code that says how it
//! stands.

use super::{Config, ask, failed, wrong};
use crate::control::{self, ControlReply, Request};
use crate::output::outln;
use crate::settings::{Environment, Places};
use serde_json::Value as Json;
use std::process::ExitCode;

/// A part of the watch fails, or a sensor is not seen, and nothing rings for it yet.
const ILL: u8 = 3;
/// An alarm is open.
const RINGING: u8 = 4;

/// What to show.
#[derive(clap::Args, Debug)]
pub(super) struct StatusArgs {
    #[command(flatten)]
    config: Config,
    /// For scripts.
    #[arg(long)]
    json: bool,
    /// One line, and an exit code: 0 all is well, 3 a part of the watch or a sensor is not, 4 an
    /// alarm is open, 1 no watch answers.
    #[arg(long, conflicts_with = "json")]
    short: bool,
}

pub(super) async fn carry_out(status: StatusArgs) -> ExitCode {
    if !status.short {
        return ask(&status.config, Request::Status { json: status.json }).await;
    }
    let places = match Places::load(&status.config.config, &Environment::of_process()) {
        Ok(places) => places,
        Err(mistakes) => return wrong(&mistakes.to_string()),
    };
    let text = match control::ask(&places.control.socket, &Request::Status { json: true }).await {
        Ok(ControlReply { ok: true, text, .. }) => text,
        Ok(ControlReply { ok: false, text, .. }) | Err(text) => return failed(&text),
    };
    match serde_json::from_str(&text) {
        Ok(status) => {
            let (line, code) = short(&status);
            outln!("{line}");
            ExitCode::from(code)
        }
        Err(error) => failed(&format!("the answer is not understood: {error}")),
    }
}

/// The line and the exit code.
fn short(status: &Json) -> (String, u8) {
    let list = |pointer: &str| status.pointer(pointer).and_then(Json::as_array).cloned().unwrap_or_default();
    let line = status.get("truth").and_then(Json::as_str).unwrap_or_default().to_owned();
    let open = list("/status/alarms").iter().any(|alarm| alarm.get("code").is_some_and(Json::is_string));
    let good = |sensor: &Json| sensor.get("quality").is_none_or(|quality| quality == "good");
    let sees = list("/status/sensors").iter().all(good);
    match (open, sees && list("/health/ill").is_empty()) {
        (true, _) => (line, RINGING),
        (false, false) => (line, ILL),
        (false, true) => (line, 0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn the_exit_code_says_how_it_stands() {
        let form = |alarms: Json, sensors: Json, ill: Json| {
            json!({"truth": "Halyard House: so it is",
                "status": {"alarms": alarms, "sensors": sensors}, "health": {"ill": ill}})
        };
        let good = json!([{"name": "mains", "quality": "good"}]);
        let calm = json!([{"name": "power-lost", "code": null}]);
        let well = short(&form(calm.clone(), good.clone(), json!([])));
        assert_eq!(well, ("Halyard House: so it is".to_owned(), 0));
        let unseen = json!([{"name": "mains", "quality": "stale"}]);
        assert_eq!(short(&form(calm.clone(), unseen, json!([]))).1, 3);
        assert_eq!(short(&form(calm, good.clone(), json!(["journal"]))).1, 3);
        let open = json!([{"name": "power-lost", "code": "K7QF", "state": "unacknowledged"}]);
        assert_eq!(short(&form(open, good, json!([]))).1, 4);
    }
}

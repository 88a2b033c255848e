//! `slackwater status`: all of it, as JSON, or in one line with an exit code that says how it stands.

use super::{Config, ask, failed, wrong};
use crate::control::{self, ControlReply, Request};
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
    /// One line, and an exit code: 0 all is well, 3 a part of the watch or a sensor is not, 4 an alarm is
    /// open, 1 no watch answers.
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
        Ok(ControlReply { ok: true, text }) => text,
        Ok(ControlReply { ok: false, text }) | Err(text) => return failed(&text),
    };
    match serde_json::from_str(&text) {
        Ok(status) => {
            let (line, code) = short(&status);
            println!("{line}");
            ExitCode::from(code)
        }
        Err(error) => failed(&format!("the answer is not understood: {error}")),
    }
}

/// The line and the exit code.
fn short(status: &Json) -> (String, u8) {
    let site = status.pointer("/status/site").and_then(Json::as_str).unwrap_or_default();
    let list = |pointer: &str| status.pointer(pointer).and_then(Json::as_array).cloned().unwrap_or_default();
    let text = |item: &Json, key: &str| item.get(key).and_then(Json::as_str).unwrap_or_default().to_owned();
    let open: Vec<_> = list("/status/alarms")
        .iter()
        .filter(|alarm| alarm.get("code").is_some_and(Json::is_string))
        .map(|alarm| format!("{} {} ({})", text(alarm, "name"), text(alarm, "code"), text(alarm, "state")))
        .collect();
    if !open.is_empty() {
        return (format!("{site}: {} open: {}", open.len(), open.join(", ")), RINGING);
    }
    let unseen: Vec<_> = list("/status/sensors")
        .iter()
        .filter(|sensor| sensor.get("quality").is_some_and(|quality| quality != "good"))
        .map(|sensor| format!("{} is {}", text(sensor, "name"), text(sensor, "quality")))
        .collect();
    let ill =
        list("/health/ill").into_iter().filter_map(|part| part.as_str().map(|part| format!("{part} fails")));
    let all: Vec<_> = ill.chain(unseen).collect();
    match all.is_empty() {
        true => (format!("{site}: all is well"), 0),
        false => (format!("{site}: nothing rings, but {}", all.join(", ")), ILL),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn the_exit_code_says_how_it_stands() {
        let form = |alarms: Json, sensors: Json, ill: Json| json!({"status": {"site": "Halyard House", "alarms": alarms, "sensors": sensors}, "health": {"ill": ill}});
        let good = json!([{"name": "mains", "quality": "good"}]);
        let calm = json!([{"name": "power-lost", "code": null}]);
        let well = short(&form(calm.clone(), good.clone(), json!([])));
        assert_eq!(well, ("Halyard House: all is well".to_owned(), 0));
        let unseen = json!([{"name": "mains", "quality": "stale"}]);
        let (line, code) = short(&form(calm, unseen, json!(["journal"])));
        assert_eq!(
            (line.as_str(), code),
            ("Halyard House: nothing rings, but journal fails, mains is stale", 3)
        );
        let open = json!([{"name": "power-lost", "code": "K7QF", "state": "unacknowledged"}]);
        let (line, code) = short(&form(open, good, json!([])));
        assert_eq!((line.as_str(), code), ("Halyard House: 1 open: power-lost K7QF (unacknowledged)", 4));
    }
}

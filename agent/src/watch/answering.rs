//! What is asked over the control socket.

use super::{Watch, health};
use crate::control::{Reply, Request};
use slackwater_rules::engine::Input;
use slackwater_rules::record::{Body, By};

impl Watch {
    pub(super) fn answer(&mut self, request: Request) -> Reply {
        let now = self.clock.now();
        match request {
            Request::Status { json } => {
                let status = self.engine.status(now);
                self.health.look(&self.channels, &self.keeper, self.context.modem.as_ref());
                let text = if json {
                    health::json(&status, &self.health)
                } else {
                    health::words(&status, &self.health)
                };
                Reply { ok: true, text }
            }
            Request::Explain { alarm, json } => match self.engine.explain(&alarm, now) {
                Some(explanation) if json => Reply { ok: true, text: health::pretty(&explanation) },
                Some(explanation) => Reply { ok: true, text: health::explained(&explanation) },
                None => {
                    let names: Vec<_> =
                        self.engine.plan().alarms.iter().map(|alarm| alarm.name.as_str()).collect();
                    Reply {
                        ok: false,
                        text: format!("there is no alarm `{alarm}`; there are: {}", names.join(", ")),
                    }
                }
            },
            Request::Reload { insists } => {
                let (ok, text) = match self.reload(insists) {
                    Ok(text) => (true, text),
                    Err(text) => (false, text),
                };
                Reply { ok, text }
            }
            Request::Say { who, say } => {
                let before = self.records.len();
                self.take(Input::Said { word: say.into(), by: By { who, via: "socket".to_owned() } });
                let said = &self.records[before..];
                let ok = !said.iter().any(|record| matches!(record.body, Body::Refused { .. }));
                let lines: Vec<_> = said.iter().map(|record| record.body.to_string()).collect();
                Reply {
                    ok,
                    text: if lines.is_empty() { "nothing to do".to_owned() } else { lines.join("\n") },
                }
            }
        }
    }
}

//! What is asked over the control socket.

use super::answer_inputs::MOST_WRONG;
use super::{EventLoop, health, status_words};
use crate::answers::Mailbox;
use crate::control::{ControlReply, Request};
use slackwater_rules::engine::{Input, OperatorCommand};
use slackwater_rules::record::By;
use slackwater_rules::time::Span;
use tokio::sync::oneshot;

/// The way by which this comes.
const BY_SOCKET: &str = "socket";

/// A right code is always taken: whoever may speak here sees all codes in `status`.
fn too_many(wait: Span) -> String {
    format!(
        "no open episode and no test page has this code; nor had the last {MOST_WRONG}, and for {wait} more of them \
         are not kept (`slackwater status` shows the codes that are open)"
    )
}

impl EventLoop {
    /// Something is asked at the socket.
    pub(super) fn asked(&mut self, request: Request, back: oneshot::Sender<ControlReply>) {
        let reply = self.answer(request);
        // The records of what was said are safe before it is said to be taken.
        self.finish();
        // A client that has gone needs no reply.
        drop(back.send(reply));
    }

    fn answer(&mut self, request: Request) -> ControlReply {
        let now = self.clock.now();
        match request {
            Request::Status { json } => {
                let status = self.engine.status(now);
                self.health.mailbox = self.answers.mailbox.as_ref().and_then(Mailbox::view);
                self.health.look(&self.channels, &self.keeper, self.context.modem.as_ref());
                self.health.check_ins = self.ways_out();
                self.health.watched = self.roster.totals();
                self.health.silence = self.engine.silence_at(now.mono).map(|silence| {
                    let (left, who) = (silence.until - now.mono, &silence.by.who);
                    format!("its witness waits for {left} more, as {who} said: {}", silence.why)
                });
                let text = if json {
                    health::json(&status, &self.health, self.engine.plan())
                } else {
                    status_words::words(&status, &self.health, self.engine.plan())
                };
                ControlReply::taken(text)
            }
            Request::Explain { alarm, json } => match self.engine.explain(&alarm, now) {
                Some(explanation) if json => ControlReply::taken(health::pretty(&explanation)),
                Some(explanation) => ControlReply::taken(status_words::explained(&explanation)),
                None => ControlReply::refused(self.engine.plan().no_alarm(&alarm)),
            },
            Request::Reload { insists } => ControlReply::of(self.reload(|_| insists)),
            Request::Web(command) => self.command_web(&command),
            Request::Witness { who, witness } => {
                self.command_witness(By { who, via: BY_SOCKET.to_owned() }, witness)
            }
            Request::Course { alarm } => {
                let course = self.engine.outage_course(alarm.as_deref());
                ControlReply::of(course.map(|course| health::pretty(&course)))
            }
            Request::Say {
                say: OperatorCommand::PlanSilence { .. } | OperatorCommand::EndSilence, ..
            } if self.sender.is_none() => {
                let text =
                    "this site sends no check-ins, so nobody would hear of its silence: see `[check-in]`";
                ControlReply::refused(text)
            }
            Request::Say { who, say } => {
                match &say {
                    OperatorCommand::Acknowledge { code, length: _ } | OperatorCommand::HandOn { code }
                        if !self.engine.answerable().has_code(code) =>
                    {
                        if let Some(wait) = self.answers.wrong.wait(BY_SOCKET, now.mono) {
                            return ControlReply::refused(too_many(wait));
                        }
                        self.answers.wrong.note(BY_SOCKET, now.mono);
                    }
                    _ => {}
                }
                let by = By { who, via: BY_SOCKET.to_owned() };
                let turn = self.engine.step(now, Input::Said { command: say, by });
                let said = turn.reply(self.engine.plan());
                self.gather(&now, turn);
                match said {
                    Some(said) if !said.lines.is_empty() => {
                        ControlReply { ok: said.taken, ..ControlReply::taken(said.lines.join("\n")) }
                    }
                    Some(_) | None => ControlReply::taken("nothing to do"),
                }
            }
        }
    }
}

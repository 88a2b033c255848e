//! The broker and the sensors: whether we are let in, may hear what we want, hear our own message,
//! and whether each sensor says something that can be believed. Beside a watch that runs it only
//! listens, in silence and under another name; otherwise it comes as the watch would.

use super::TriedPart;
use crate::clock::Clock;
use crate::mqtt::{self, MqttEvent};
use crate::settings::Settings;
use crate::site::broker;
use crate::sources::{RunningSources, SourceRound};
use serde_json::Value as Json;
use slackwater_rules::engine::{Arrival, Engine, Input, Link, Status};
use slackwater_rules::plan::Plan;
use slackwater_rules::quality::Quality;
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;
use tokio::sync::mpsc::Receiver;
use tokio::time::{Instant, sleep_until};

/// What was found on the way.
#[derive(Default)]
struct BrokerFound {
    down: Option<String>,
    up: bool,
    round_trip: Option<Duration>,
    refused: BTreeMap<String, String>,
    sources: BTreeMap<String, Option<String>>,
    /// Topics on which somebody spoke meanwhile, besides the broker's memory. The broker is asked
    /// for those of the plan alone.
    live: BTreeSet<String>,
}

pub(super) async fn try_out(
    settings: &Settings,
    plan: &Plan,
    running: Option<&Json>,
    wait: Duration,
) -> Vec<TriedPart> {
    let mut connection = broker(settings, plan);
    if running.is_some() {
        connection.silent = true;
        connection.client_id = format!("{}-check-{}", connection.client_id, std::process::id());
        connection.session_expiry = Duration::ZERO;
    }
    let what = format!("broker {}", settings.broker.place());
    let (handle, events) = match mqtt::spawn(connection) {
        Ok(begun) => begun,
        Err(wrong) => {
            let wrong: Vec<_> = wrong.iter().map(ToString::to_string).collect();
            return vec![TriedPart::bad(what, wrong.join("; "), "see `[broker]`")];
        }
    };
    let clock = Clock::system(settings.trust);
    let mut engine = Engine::new(plan.clone(), 1, 1, clock.now());
    engine.step(clock.now(), Input::Started { version: String::new(), gap: None });
    let sources = RunningSources::start(plan, &settings.sources);
    let found = hear(&mut engine, &clock, events, &handle, sources, running.is_some(), wait).await;
    handle.close(Duration::from_secs(2)).await;
    let status = engine.status(clock.now());
    let mut rows = vec![connected(&what, &found, running)];
    rows.extend(found.refused.iter().map(|(filter, reason)| {
        let remedy =
            format!("give {} the right to read it", settings.broker.user.as_deref().unwrap_or("the watch"));
        TriedPart::bad(format!("topic {filter}"), format!("the broker refuses it: {reason}"), remedy)
    }));
    rows.extend(found.sources.iter().map(|(source, trouble)| match trouble {
        None => TriedPart::ok(source, "answers"),
        Some(why) => TriedPart::bad(source, why, "see that it is plugged in and its server runs"),
    }));
    rows.extend(sensors(&status, plan, &found.live, wait));
    if let Some(relay) = plan.relays.first() {
        let more = plan.relays.len() - 1;
        let which = if more == 0 { format!("relay {}", relay.name) } else { format!("{} relays", more + 1) };
        rows.push(TriedPart::note(which, "not switched, so not tried", "`slackwater drill outage`"));
    }
    rows
}

/// Until every sensor was heard, or the time is over.
async fn hear(
    engine: &mut Engine,
    clock: &Clock,
    mut events: Receiver<MqttEvent>,
    handle: &mqtt::Handle,
    mut sources: RunningSources,
    beside: bool,
    wait: Duration,
) -> BrokerFound {
    let mut found = BrokerFound::default();
    let end = Instant::now() + wait;
    loop {
        tokio::select! {
            event = events.recv() => match event {
                Some(event) => take(engine, clock, event, handle, beside, &mut found),
                None => break,
            },
            SourceRound { source, answers } = sources.next() => {
                found.sources.insert(source.to_string(), answers.as_ref().err().cloned());
                for answer in answers.into_iter().flatten() {
                    let sensor = answer.sensor;
                    let input = match answer.said {
                        Ok(value) => Input::Measured { sensor, value, delivery: Arrival::Live },
                        Err(why) => Input::Missed { sensor, why },
                    };
                    engine.step(clock.now(), input);
                }
            }
            () = sleep_until(end) => break,
        }
        let status = engine.status(clock.now());
        let all = status.sensors.iter().all(|sensor| sensor.quality == "good");
        if all && (found.round_trip.is_some() || beside && found.up) {
            break;
        }
    }
    found
}

fn take(
    engine: &mut Engine,
    clock: &Clock,
    event: MqttEvent,
    handle: &mqtt::Handle,
    beside: bool,
    found: &mut BrokerFound,
) {
    let now = clock.now();
    match event {
        MqttEvent::Up { .. } => {
            found.up = true;
            if beside {
                engine.step(now, Input::Link(Link::Hears));
            }
        }
        MqttEvent::Heard { round_trip } => {
            if found.round_trip.replace(round_trip).is_none() {
                engine.step(now, Input::Link(Link::Hears));
            }
        }
        MqttEvent::Message(message) => {
            let delivery = if message.retained { Arrival::Retained } else { Arrival::Live };
            if !message.retained {
                found.live.insert(message.topic.clone());
            }
            let payload = message.payload.to_vec();
            // What follows from it is nobody's business: no page, no command.
            engine.step(now, Input::Message { topic: message.topic, payload, delivery });
            message.ack.into_iter().for_each(|ack| handle.ack(ack));
        }
        MqttEvent::Down { why } | MqttEvent::PushedOut { why } => found.down = Some(why),
        MqttEvent::Refused { filter, reason } => drop(found.refused.insert(filter, reason)),
        MqttEvent::Deaf { .. }
        | MqttEvent::Published { .. }
        | MqttEvent::Lapsed { .. }
        | MqttEvent::Unpublished { .. } => {}
    }
}

fn connected(what: &str, found: &BrokerFound, running: Option<&Json>) -> TriedPart {
    let remedy = "see `[broker]`: host, port, tls, user and password; and the broker's own log";
    let deaf = running.and_then(|status| status.pointer("/health/broker/deaf")?.as_str());
    match (found.up, found.round_trip, running) {
        (false, ..) => {
            let why = found.down.clone().unwrap_or_else(|| "it has not let us in".to_owned());
            TriedPart::bad(what, why, remedy)
        }
        (true, _, Some(_)) => match deaf {
            Some(why) => TriedPart::bad(what, format!("the watch that runs can't hear it: {why}"), remedy),
            None => TriedPart::ok(what, "lets us in; the watch that runs hears its own message"),
        },
        (true, Some(trip), None) => {
            TriedPart::ok(what, format!("lets us in; our own message came back in {} ms", trip.as_millis()))
        }
        (true, None, None) => {
            let found = "lets us in, but our own message has not come back";
            TriedPart::bad(what, found, "give the watch the rights to `loopback-topic` and `status-topic`")
        }
    }
}

fn sensors(status: &Status, plan: &Plan, live: &BTreeSet<String>, wait: Duration) -> Vec<TriedPart> {
    let views = status.sensors.iter().zip(&plan.sensors);
    let row = |(view, sensor): (&slackwater_rules::engine::SensorView, &slackwater_rules::plan::Sensor)| {
        let value = view.value.as_deref().unwrap_or("-");
        let what = format!("sensor {}", view.name);
        if view.quality == "good" {
            return TriedPart::ok(what, value);
        }
        let topic = sensor.feed.topic().map_or("its source".to_owned(), |topic| format!("`{topic}`"));
        let spoke = sensor.feed.topic().is_some_and(|topic| live.contains(topic));
        match (&view.why, view.age) {
            (Some(why), _) if view.quality == Quality::Absent.to_string() => {
                TriedPart::bad(what, why, "see that the device has power, and reaches its network")
            }
            (Some(why), _) if view.quality != "old" || spoke => TriedPart::bad(
                what,
                why,
                "see its unit, words, `plausible` and `reject` in the rule file, and the device",
            ),
            (_, Some(_)) => TriedPart::bad(
                what,
                format!(
                    "only the broker's memory has it ({value}): nothing came within {} s",
                    wait.as_secs()
                ),
                format!("see that the device that speaks on {topic} lives, or wait longer with --for"),
            ),
            (_, None) if sensor.every.0 > i64::try_from(wait.as_millis()).unwrap_or(i64::MAX) => {
                TriedPart::note(
                    what,
                    format!("not heard within {} s; it speaks every {}", wait.as_secs(), sensor.every),
                    "wait longer with --for",
                )
            }
            (_, None) => TriedPart::bad(
                what,
                format!("never heard within {} s", wait.as_secs()),
                format!(
                    "see that the device lives and speaks on {topic}: `slackwater listen` shows all topics"
                ),
            ),
        }
    };
    views.map(row).collect()
}

//! What is said on a topic, on its way to all who hear it.

use super::{Engine, change};
use crate::engine::index::Hearer;
use crate::engine::task::Task;
use crate::ids::{By, SensorId};
use crate::plan::Target;
use crate::reading::Arrival;

/// A message came in.
pub(super) fn hear(engine: &mut Engine, topic: &str, payload: &[u8], delivery: Arrival) {
    let Some(place) = engine.index.topics.place(topic) else { return };
    for at in 0..engine.index.topics.hearers(place).len() {
        let Some(hearer) = engine.index.topics.hearers(place).get(at).copied() else { return };
        match hearer {
            Hearer::Siren if delivery == Arrival::Live => hear_hush(engine, topic, payload),
            Hearer::Work if delivery == Arrival::Live => {
                engine.decide(|cx, next| cx.work.on_press(cx, topic, payload, next));
            }
            // What a broker kept is nobody's hand.
            Hearer::Siren | Hearer::Work => {}
            Hearer::Relay(relay) => {
                let kept = delivery == Arrival::Retained;
                change(engine, |ground, parts, next| {
                    parts.relays.on_kept(ground, relay, payload, kept, next);
                });
            }
            Hearer::Presence(id) => hear_presence(engine, id, payload),
            Hearer::Sensor(id) => hear_reading(engine, id, payload, delivery),
        }
    }
}

/// A button beside a siren was pressed, perhaps.
fn hear_hush(engine: &mut Engine, topic: &str, payload: &[u8]) {
    let by = By { who: "somebody".to_owned(), via: format!("button {topic}") };
    for siren in engine.plan.directory.hushed_by(topic, payload).map(Target::to_string) {
        engine.queue.push(Task::Hush { siren, by: by.clone() });
    }
}

/// A sensor's sender says whether it is there.
fn hear_presence(engine: &mut Engine, id: SensorId, payload: &[u8]) {
    let said = engine.plan.sensor(id).available.as_ref();
    if let Some(here) = said.and_then(|said| said.read(payload, &engine.now)) {
        engine.parts.sensors.on_presence(id, here, engine.now.mono);
        engine.look(id);
        engine.judge_those(|engine| engine.index.users.list(id.index()));
    }
}

fn hear_reading(engine: &mut Engine, id: SensorId, payload: &[u8], delivery: Arrival) {
    let mapping = &engine.plan.sensor(id).mapping;
    let reading = mapping.read(payload, &engine.now);
    if delivery != Arrival::Retained {
        for earlier in mapping.earlier(payload, &engine.now) {
            let (ground, parts) = engine.split();
            let sample = parts.sensors.on_past(&ground, id, &earlier);
            engine.keep(id, sample);
        }
    }
    engine.take_in(id, delivery, reading);
}

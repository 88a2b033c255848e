//! The invented rig: three simulated tanks whose sensors publish real MQTT messages. Water cools
//! by Newton's law towards the room, heaters switch with a hysteresis, and the night's scenes
//! come at their times. Nothing here knows the rules.

use super::story::DemoStory;
use crate::clock::Clock;
use crate::mqtt::{self, MqttEvent};
use slackwater_rules::time::{Moment, Span, Wall};

/// The simulation's step.
const STEP: Span = Span::seconds(5);

/// Heat capacity of sea water per volume, J/(L K): 26 degC, 35 ppt (EOS-80).
const WATER: f64 = 4_091.0;

/// Minutes after the start, and what happens then.
const SCENES: &[(i64, Scene, &str)] = &[
    (40, Scene::HeaterDies, "the first heater of the lagoon dies; nobody notices"),
    (430, Scene::MainsFail, "the street goes dark"),
    (505, Scene::MainsReturn, "the lights come back, but the lagoon's return pump does not start"),
    (524, Scene::PumpStarted, "somebody starts the return pump by hand"),
];

#[derive(Clone, Copy, Debug)]
enum Scene {
    HeaterDies,
    MainsFail,
    MainsReturn,
    PumpStarted,
}

/// A tank of water in a room.
#[derive(Debug)]
struct Water {
    temperature: f64,
    litres: f64,
    /// Heat loss, W/K.
    loss: f64,
    heaters: Vec<RigHeater>,
}

#[derive(Debug)]
struct RigHeater {
    watts: f64,
    set: f64,
    on: bool,
    dead: bool,
}

impl RigHeater {
    fn new(watts: f64, set: f64) -> Self {
        Self { watts, set, on: false, dead: false }
    }

    fn draws(&self, powered: bool) -> f64 {
        if self.on && powered && !self.dead { self.watts } else { 0.0 }
    }
}

impl Water {
    fn pass(&mut self, seconds: f64, room: f64, powered: bool) {
        for heater in &mut self.heaters {
            // A bimetal thermostat: closes 0.15 K below its mark, opens 0.15 K above.
            heater.on = if heater.on {
                self.temperature < heater.set + 0.15
            } else {
                self.temperature < heater.set - 0.15
            };
        }
        let heat: f64 = self.heaters.iter().map(|heater| heater.draws(powered)).sum();
        let change = heat - self.loss * (self.temperature - room);
        self.temperature += change * seconds / (self.litres * WATER);
    }

    /// What a probe with steps of a sixteenth of a degree says.
    fn probe(&self) -> f64 {
        (self.temperature * 16.0).round() / 16.0
    }
}

/// Everything there is in the house.
#[derive(Debug)]
struct Rig {
    lagoon: Water,
    harbour: Water,
    nursery: Water,
    mains: bool,
    pump: bool,
    air_pump: bool,
}

impl Rig {
    fn new() -> Self {
        let water = |temperature, litres, loss, heaters| Water { temperature, litres, loss, heaters };
        Self {
            lagoon: water(25.5, 420.0, 35.0, vec![RigHeater::new(400.0, 25.5), RigHeater::new(400.0, 24.5)]),
            harbour: water(25.0, 180.0, 16.0, vec![RigHeater::new(150.0, 25.0)]),
            nursery: water(25.4, 57.0, 7.0, vec![RigHeater::new(75.0, 25.4)]),
            mains: true,
            pump: true,
            air_pump: false,
        }
    }

    fn play(&mut self, scene: Scene) {
        match scene {
            Scene::HeaterDies => self.lagoon.heaters.iter_mut().take(1).for_each(|first| first.dead = true),
            Scene::MainsFail => (self.mains, self.pump) = (false, false),
            Scene::MainsReturn => self.mains = true,
            Scene::PumpStarted => self.pump = true,
        }
    }

    fn pass(&mut self, span: Span) {
        for water in [&mut self.lagoon, &mut self.harbour, &mut self.nursery] {
            water.pass(span.as_seconds(), 19.0, self.mains);
        }
    }

    /// What each topic says now, and how often it speaks.
    fn speak(&self) -> [(&'static str, Span, String); 10] {
        let word = |on: bool| if on { "on" } else { "off" }.to_owned();
        let flow = if self.pump { 4_260 } else { 0 };
        let pack = format!(
            r#"[{{"bn":"harbour:","n":"temperature","u":"Cel","v":{:.4}}},{{"bn":"nursery:","n":"temperature","u":"Cel","v":{:.4}}}]"#,
            self.harbour.probe(),
            self.nursery.probe()
        );
        let draws = |heater: &RigHeater| format!("{}", heater.draws(self.mains));
        let heater = |nth: usize| self.lagoon.heaters.get(nth).map(draws).unwrap_or_default();
        [
            ("house/mains", Span::seconds(30), word(self.mains)),
            ("lagoon/outlet", Span::seconds(30), word(self.mains)),
            ("lagoon/temperature", Span::seconds(30), format!("{:.4}", self.lagoon.probe())),
            ("lagoon/return", Span::seconds(15), format!(r#"{{"flow":{{"rate":{flow}}}}}"#)),
            ("lagoon/sump", Span::minutes(1), "21.5".to_owned()),
            ("lagoon/heater/power", Span::seconds(30), heater(0)),
            ("lagoon/spare-heater/power", Span::seconds(30), heater(1)),
            (
                "lagoon/airpump/current",
                Span::seconds(10),
                if self.air_pump { "0.24" } else { "0" }.to_owned(),
            ),
            ("lagoon/floor", Span::minutes(10), "dry".to_owned()),
            ("room2/pack", Span::minutes(1), pack),
        ]
    }
}

/// Plays the night until the program ends.
pub(super) async fn play(port: u16, clock: Clock, start: Wall, story: DemoStory) {
    let mut settings = mqtt::MqttSettings::new("127.0.0.1", port, "halyard-rig");
    settings.subscriptions = vec!["lagoon/airpump/set".to_owned(), "house/siren/set".to_owned()];
    let Ok((handle, mut events)) = mqtt::spawn(settings) else { return };
    let mut rig = Rig::new();
    let mut scenes = SCENES.iter().peekable();
    let mut spoken: [Option<Moment>; 10] = [None; 10];
    let mut last = clock.now().mono;
    let mut numbers = 0;
    loop {
        let tick = last + STEP;
        tokio::select! {
            event = events.recv() => match event {
                Some(MqttEvent::Message(message)) => {
                    let on = message.payload.as_ref() == b"on";
                    match message.topic.as_str() {
                        "lagoon/airpump/set" => rig.air_pump = on,
                        _ => story.scene(&clock, if on { "the siren sounds" } else { "the siren is silent" }),
                    }
                    if let Some(ack) = message.ack {
                        handle.ack(ack);
                    }
                }
                Some(_) => {}
                None => return,
            },
            () = clock.sleep_until(tick) => {
                let now = clock.now();
                rig.pass(now.mono - last);
                last = now.mono;
                while let Some((minutes, scene, words)) = scenes.next_if(|(at, ..)| start + Span::minutes(*at) <= now.wall) {
                    let _ = minutes;
                    rig.play(*scene);
                    story.scene(&clock, words);
                }
                for ((topic, every, payload), spoken) in rig.speak().into_iter().zip(&mut spoken) {
                    if spoken.is_none_or(|at| at + every <= now.mono) {
                        *spoken = Some(now.mono);
                        numbers += 1;
                        // A full outbox means that the broker lags: the next reading is newer.
                        let _ = handle.publish(numbers, topic, payload.into_bytes(), false);
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_heater_holds_the_lagoon_and_the_spare_takes_over() {
        let mut rig = Rig::new();
        let night = |rig: &mut Rig| (0..12 * 720).for_each(|_| rig.pass(STEP));
        night(&mut rig);
        assert!((rig.lagoon.temperature - 25.5).abs() < 0.3, "{}", rig.lagoon.temperature);
        rig.play(Scene::HeaterDies);
        night(&mut rig);
        assert!((rig.lagoon.temperature - 24.5).abs() < 0.3, "{}", rig.lagoon.temperature);
        rig.play(Scene::MainsFail);
        night(&mut rig);
        assert!(rig.lagoon.temperature < 23.0, "{}", rig.lagoon.temperature);
    }
}

//! What to do while a sensor can't be relied on: the card of an alarm for lost sight. The sensors
//! that are lost, the alarms that they silence and the tanks flow in; lines flow out: what to look
//! at by hand and what is good there, what to do if it is not, and then what to mend.

use super::measure::{FEEL_THE_GLASS, FLOOR, FLOW, FLOW_EVERYWHERE, HAS_POWER, MeasureKind, PLUGGED_IN};
use super::{Alarm, Feed, Sensor, SensorId, Sight, Tank, rationalise};
use crate::card::{Act, Card, CardLine, LineKind, Who, is_plain};
use crate::condition::Comparison;
use crate::units::Scale;
use crate::words::{capital, for_people, uncapital};
use std::collections::BTreeSet;

/// What shows that there is power.
const PRESENCE: &str = "presence";

/// The looks that come before warmth, for a text.
const FLOOR_IN_A_TEXT: &str = "Go and look: floor dry? Water moves? Wet: stay out.";

/// A line for whoever comes, and where it comes from.
fn line(source: &str, words: impl Into<String>) -> CardLine {
    CardLine { source: Some(source.to_owned()), ..CardLine::plain(words) }
}

/// How a sensor should report helps a keeper only.
pub(super) fn response(
    sight: &Sight,
    lost: &[(SensorId, &Sensor)],
    on_pages: Option<&Scale>,
    silenced: &[&Alarm],
    tanks: &[Tank],
) -> Card {
    let mut lines: Vec<CardLine> = Vec::new();
    let mut add = |line: CardLine| {
        if !lines.contains(&line) {
            lines.push(line);
        }
    };
    // Of one tank alone the page's first line says which.
    let alike =
        lost.iter().all(|(_, sensor)| lost.first().is_some_and(|(_, first)| sensor.tank == first.tank));
    let waters = || lost.iter().map(|(_, sensor)| *sensor).filter(|sensor| is_of_water(sensor, tanks));
    // Through one probe that says what is not so, a heater may heat on and on.
    if matches!(sight, Sight::Sensor(_)) && waters().any(|sensor| is_heated(sensor, tanks)) {
        add(CardLine {
            text: Some("Floor dry? Unplug the heaters until the probe is back.".to_owned()),
            act: Some(Act::HeatOff),
            disbelieved: true,
            ..line("practice", "Unplug the heaters: they may follow this probe.")
        });
    }
    let mut looked_at = BTreeSet::new();
    let kinds =
        lost.iter().filter_map(|(_, sensor)| Some((*sensor, MeasureKind::named(sensor.measure.name)?)));
    let mut kinds: Vec<(&Sensor, &MeasureKind)> = kinds.collect();
    // A wet floor first, since it forbids the rest; then air, before warmth.
    let looks = [FLOOR, FLOW, HAS_POWER];
    kinds.sort_by_key(|(_, kind)| looks.iter().position(|it| *it == kind.by_hand).unwrap_or(looks.len()));
    // Without the broker no tank is seen, whatever told of its flow; of several one look is enough.
    let of_several = !alike && kinds.iter().any(|(_, kind)| kind.by_hand == FLOW);
    let all_tanks = of_several || (matches!(sight, Sight::Broker) && !tanks.is_empty());
    let (floors, rest) = kinds.split_at(kinds.partition_point(|(_, kind)| kind.by_hand == FLOOR));
    for looks in [floors, rest] {
        for (sensor, kind) in looks {
            // Who looks at every tank's flow has passed every tank's floor.
            if all_tanks && [FLOW, FLOOR].contains(&kind.by_hand) {
                continue;
            }
            // Whether the house has power is one look, whoever else was to show it.
            let of_house = |it: &Sensor| it.tank.is_none() && it.measure.name == PRESENCE;
            if sensor.measure.name == PRESENCE
                && sensor.tank.is_some()
                && lost.iter().any(|(_, it)| of_house(it))
            {
                continue;
            }
            // That a pump or heater has power is the same look again.
            let looked =
                |it: &Sensor| it.measure.name == PRESENCE && (it.tank.is_none() || it.tank == sensor.tank);
            if kind.by_hand == PLUGGED_IN && lost.iter().any(|(_, it)| looked(it)) {
                continue;
            }
            // Two probes in one tank are one look into it, by the band of the one that has one.
            if !looked_at.insert((sensor.tank, kind.by_hand)) {
                continue;
            }
            let alike_there = lost
                .iter()
                .filter(|(_, it)| (it.tank, it.measure.name) == (sensor.tank, sensor.measure.name));
            let of_water = is_of_water(sensor, tanks);
            if of_water && !alike {
                read_each_tank(lost, on_pages, silenced, tanks).into_iter().for_each(&mut add);
                continue;
            }
            let mut bands = alike_there.filter_map(|(id, sensor)| good(*id, sensor, silenced));
            let good = bands.next().filter(|_| of_water).map(|band| in_words(band, &sensor.scale));
            let words = match &good {
                Some(good) => format!("Read another thermometer in the tank: good is {good}."),
                // Without a number a thermometer tells a helper nothing.
                None if of_water => FEEL_THE_GLASS.to_owned(),
                None => kind.by_hand.to_owned(),
            };
            let of = tank_of(sensor, tanks).filter(|_| !alike);
            let title = of.map(|tank| capital(&tank.title));
            let by_number = good.is_some();
            let of_floor = (kind.by_hand == FLOOR).then(|| FLOOR_IN_A_TEXT.to_owned());
            let text = of_floor.or_else(|| {
                of_water.then(|| {
                    let good =
                        good.map(|good| format!(", good is {}", good.replace('°', ""))).unwrap_or_default();
                    format!("Read the tank's thermometer{good}.")
                })
            });
            // Only a keeper has what it takes to measure what is dissolved in the water.
            let who = if kind.by_hand.starts_with("Measure") { Who::Keeper } else { Who::Anyone };
            add(CardLine {
                text: text.filter(|text| is_plain(text)),
                who,
                act: (kind.by_hand == FLOW).then_some(Act::Air),
                ..line(
                    kind.source,
                    match (&title, of) {
                        (_, Some(tank)) if kind.by_hand == FLOOR => {
                            words.replacen("dry?", &format!("dry ({})?", tank.title), 1)
                        }
                        (Some(title), _) => format!("{title}: {}", uncapital(&words)),
                        (None, _) => words,
                    },
                )
            });
            if by_number {
                add(without_a_thermometer());
            }
        }
        if all_tanks {
            add(CardLine {
                text: (!floors.is_empty()).then(|| FLOOR_IN_A_TEXT.to_owned()),
                act: Some(Act::Air),
                tell: Some("whether water moves".to_owned()),
                ..line("restart", format!("{FLOW_EVERYWHERE}{}.", who_gets_the_pump(tanks)))
            });
            if let [_, _, ..] = tanks {
                add(CardLine {
                    instead_of: Some(Act::Air),
                    ..line(
                        "pour",
                        "Others: lift water with a jug by its handle, pour it back from 10 cm (4 in) up, five \
                         minutes in every fifteen.",
                    )
                });
            }
        }
    }
    let unheated = |sensor: &Sensor| tank_of(sensor, tanks).is_some_and(|tank| tank.gear.unheated);
    if waters().any(|sensor| !unheated(sensor)) {
        add(CardLine {
            heater_plug: true,
            ..line("practice", "Water too warm? Unplug the heaters. Good or cold? Leave them plugged in.")
        });
    }
    match sight {
        Sight::Part(_) => {}
        Sight::Broker => {
            add(line("practice", "Power there, router dark? See that its plug sits firmly."));
        }
        Sight::Gateway(gateway) => {
            if let Some((_, sensor)) = lost.first() {
                add(line("practice", sensor.feed.gateway_mend(gateway)));
            }
        }
        Sight::Sensor(_) => {
            add(line("practice", "See whether the sensor has power and sits where it should."));
            for (_, sensor) in lost {
                let words = match &sensor.feed {
                    Feed::Topic(topic) => format!("It should report every {} to {topic}.", sensor.every),
                    Feed::Source(source) => format!("It is asked every {}: {source}.", sensor.every),
                };
                add(CardLine { who: Who::Keeper, ..line("practice", words) });
            }
        }
    }
    if waters().next().is_some() {
        // When a helper may go, their page says.
        add(CardLine {
            kind: LineKind::Ending,
            who: Who::Keeper,
            ..line(
                "practice",
                "Something was wrong? Look again every half hour. All was well? Every two hours.",
            )
        });
    }
    Card::gated(lines)
}

/// Which tank has the one air pump of a house, if more than one stand still: where most breathes,
/// if that is one of them. Nothing where there is one tank.
fn who_gets_the_pump(tanks: &[Tank]) -> String {
    let [_, _, ..] = tanks else { return String::new() };
    let most = tanks.iter().map(|tank| tank.stocking).max();
    let mut fullest = tanks.iter().filter(|tank| Some(tank.stocking) == most);
    match (fullest.next(), fullest.next()) {
        (Some(tank), None) => format!(", {} first", tank.title),
        (..) => ", the one with most fish first".to_owned(),
    }
}

/// How warm several tanks are, in one unit, since they stand on one page.
fn read_each_tank(
    lost: &[(SensorId, &Sensor)],
    on_pages: Option<&Scale>,
    silenced: &[&Alarm],
    tanks: &[Tank],
) -> Vec<CardLine> {
    let mut bands: Vec<(&str, String)> = Vec::new();
    for (id, sensor) in lost.iter().filter(|(_, sensor)| is_of_water(sensor, tanks)) {
        let Some(tank) = tank_of(sensor, tanks) else { continue };
        let known = bands.iter().any(|(title, _)| *title == tank.title);
        if let Some(band) = good(*id, sensor, silenced).filter(|_| !known) {
            bands.push((&tank.title, in_words(band, on_pages.unwrap_or(&sensor.scale))));
        }
    }
    let each: Vec<String> = bands.iter().map(|(tank, band)| format!("{tank} {band}")).collect();
    let read = format!("Read the thermometer in each tank: good is {}.", each.join(", "));
    let text = Some("Read the thermometer in each tank.".to_owned());
    match each.is_empty() {
        true => vec![line("practice", FEEL_THE_GLASS)],
        false => vec![CardLine { text, ..line("practice", read) }, without_a_thermometer()],
    }
}

fn without_a_thermometer() -> CardLine {
    line("practice", format!("No thermometer there? {FEEL_THE_GLASS}"))
}

/// Whether it measures how warm a tank's water is.
fn is_of_water(sensor: &Sensor, tanks: &[Tank]) -> bool {
    sensor.measure.name == "temperature" && tank_of(sensor, tanks).is_some()
}

fn tank_of<'t>(sensor: &Sensor, tanks: &'t [Tank]) -> Option<&'t Tank> {
    tanks.get(sensor.tank?.index())
}

/// Whether heaters are declared in its tank: without a word of them nobody is sent to unplug them.
fn is_heated(sensor: &Sensor, tanks: &[Tank]) -> bool {
    tank_of(sensor, tanks).is_some_and(|tank| tank.gear.heaters.iter().any(Option::is_some))
}

/// The band that the animals should live in, or else what the alarms allow.
fn good(id: SensorId, sensor: &Sensor, silenced: &[&Alarm]) -> Option<(f64, f64)> {
    sensor.limits.or_else(|| {
        let all = || silenced.iter().flat_map(|alarm| rationalise::limits(&alarm.condition));
        let of = |wanted: fn(Comparison) -> bool| {
            all().filter(move |(of, order, _)| *of == id && wanted(*order)).map(|(.., limit)| limit)
        };
        let low = of(Comparison::is_below).reduce(f64::max)?;
        let high = of(|order| !order.is_below()).reduce(f64::min)?;
        (low < high).then_some((low, high))
    })
}

/// `24 to 27.5 °C`
fn in_words((low, high): (f64, f64), scale: &Scale) -> String {
    let (low, high) = (for_people(&scale.show(low)), for_people(&scale.show(high)));
    let bare = low.split(' ').next().unwrap_or(&low);
    format!("{bare} to {high}")
}

//! Lost sight is an alarm of its own, one for each cause: the broker, a gateway, a sensor. The
//! plan adds these alarms for every sensor that some alarm of the keeper uses, as urgent as
//! what they blind, and worded so that a person knows what to look at by hand.

use super::alarm::{Explained, PRIORITIES, Read, SIGHT};
use super::context::CheckContext;
use super::loss_card;
use super::title::spoken;
use super::{Alarm, CalloutId, Sensor, SensorId, Sight, Tank, TankId, alarm, watched};
use crate::alarm::Priority;
use crate::condition::{Condition, Test};
use crate::diagnostic::At;
use crate::diagnostic::{Item, Table};
use crate::time::Span;
use crate::units::{QuantityItem as _, Scale};
use crate::words::{counted, without_place};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

/// What the file says about lost sight.
pub(super) struct SightRules {
    after: Span,
    pages_after: Option<Span>,
    cap: Priority,
    /// As the file says; as the alarms that are blinded if it doesn't.
    callout: Option<Option<CalloutId>>,
    consequence_of: Vec<At<String>>,
    place: Range<usize>,
    callout_place: Range<usize>,
}

impl SightRules {
    /// How long a loss of sight alone may last before people are told, if the file says so.
    pub(super) fn pages_after(&self) -> Option<Span> {
        self.pages_after
    }

    /// Where the file says who is told.
    pub(super) fn callout_place(&self) -> Range<usize> {
        self.callout_place.clone()
    }
}

/// The `[sight]` table, or what holds without one: two minutes let a broker restart.
pub(super) fn rules(table: Option<Table<'_>>, context: &CheckContext<'_>) -> SightRules {
    let mut rules = SightRules {
        after: Span::minutes(2),
        pages_after: None,
        cap: Priority::High,
        callout: None,
        consequence_of: Vec::new(),
        place: 0..0,
        callout_place: 0..0,
    };
    let Some(table) = table else { return rules };
    rules.after = table.get("after").and_then(Item::duration).unwrap_or(rules.after);
    rules.pages_after = table.get("pages-after").and_then(Item::duration);
    rules.cap = table.get("priority").and_then(|item| item.one_of(&PRIORITIES)).unwrap_or(rules.cap);
    rules.callout = table.get("callout").is_some().then(|| alarm::callout(&table, context));
    rules.callout_place = table.key_span("callout");
    rules.place = table.key_span("consequence-of");
    rules.consequence_of = table.get("consequence-of").and_then(Item::texts).unwrap_or_default();
    table.finish();
    rules
}

/// The alarms for lost sight that these alarms and sensors call for.
pub(super) fn alarms(rules: &SightRules, read: &[&Alarm], sensors: &[Sensor], tanks: &[Tank]) -> Vec<Read> {
    let mut blinded: BTreeMap<SensorId, BTreeSet<usize>> = BTreeMap::new();
    for (index, alarm) in read.iter().enumerate() {
        let worse = alarm.worse.as_deref().into_iter().flat_map(Condition::sensors);
        let watched = match &alarm.sight {
            Some(Sight::Sensor(id)) => Some(*id),
            Some(Sight::Broker | Sight::Gateway(_) | Sight::Part(_)) | None => None,
        };
        for sensor in alarm.condition.sensors().into_iter().chain(worse).chain(watched) {
            blinded.entry(sensor).or_default().insert(index);
        }
    }
    let mut causes: BTreeMap<Sight, BTreeSet<SensorId>> = BTreeMap::new();
    for id in blinded.keys() {
        let Some(sensor) = sensors.get(id.index()) else { continue };
        let broker = sensor.feed.topic().map(|_| Sight::Broker);
        // The silence of a watched site has an alarm already.
        let by_itself = (sensor.measure.name != watched::MEASURE).then_some(Sight::Sensor(*id));
        let causes_of = [broker, sensor.gateway.clone().map(Sight::Gateway), by_itself];
        for cause in causes_of.into_iter().flatten() {
            causes.entry(cause).or_default().insert(*id);
        }
    }
    let of_water = tanks.iter().find_map(|tank| sensors.get(tank.gear.water?.index()));
    let on_pages = of_water.map(|sensor| &sensor.scale);
    // Without the broker nothing is seen of any tank.
    let seen = || blinded.keys().filter_map(|id| sensors.get(id.index())).filter(|it| it.tank.is_some());
    let all_by_topic = seen().next().is_some() && seen().all(|it| it.feed.topic().is_some());
    let build = |(sight, lost): (Sight, BTreeSet<SensorId>)| {
        let silenced: BTreeSet<usize> =
            lost.iter().filter_map(|id| blinded.get(id)).flatten().copied().collect();
        let silenced: Vec<&Alarm> =
            silenced.into_iter().filter_map(|index| read.get(index)).copied().collect();
        let lost: Vec<_> = lost.iter().filter_map(|id| Some((*id, sensors.get(id.index())?))).collect();
        build(rules, sight, &lost, all_by_topic, on_pages, &silenced, tanks)
    };
    causes.into_iter().filter_map(build).collect()
}

fn build(
    rules: &SightRules,
    sight: Sight,
    by_id: &[(SensorId, &Sensor)],
    all_by_topic: bool,
    on_pages: Option<&Scale>,
    silenced: &[&Alarm],
    tanks: &[Tank],
) -> Option<Read> {
    // The first of the most urgent.
    let worst = silenced.iter().copied().rev().max_by_key(|alarm| alarm.priority)?;
    let lost: Vec<&Sensor> = by_id.iter().map(|(_, sensor)| *sensor).collect();
    let first = lost.first()?;
    let (name, cause) = match &sight {
        Sight::Broker => ("broker".to_owned(), "the broker, the network or its power is down".to_owned()),
        // What the agent is made of carries no readings: it has alarms of its own.
        Sight::Part(_) => return None,
        Sight::Gateway(gateway) => (format!("gateway-{gateway}"), first.feed.gateway_cause(gateway)),
        Sight::Sensor(_) => (
            first.name.clone(),
            "it has no power or no contact, or is stuck or broken and says what is not so".to_owned(),
        ),
    };
    let title = match &sight {
        Sight::Broker if all_by_topic => "no tank is watched".to_owned(),
        Sight::Broker | Sight::Part(_) => "sensors are not heard".to_owned(),
        Sight::Gateway(gateway) => format!("the sensors behind gateway {} are not heard", spoken(gateway)),
        Sight::Sensor(_) => {
            let tank = first.tank.and_then(|tank| tanks.get(tank.index()));
            let title = tank.map_or(first.title.as_str(), |tank| without_place(&first.title, &tank.title));
            format!("{} can't be relied on", sensor_title(title, first.measure.name))
        }
    };
    let tank: Option<TankId> = match &sight {
        Sight::Broker | Sight::Part(_) => None,
        Sight::Gateway(_) | Sight::Sensor(_) => {
            first.tank.filter(|tank| lost.iter().all(|sensor| sensor.tank == Some(*tank)))
        }
    };
    // Where it is of no one tank, each thing is said with its own.
    let own = |id: Option<TankId>| id.filter(|_| tank.is_none()).and_then(|id| tanks.get(id.index()));
    let quiet: Vec<String> = silenced.iter().map(|it| placed(own(it.tank), ": ", &it.title)).collect();
    let consequence =
        format!("nobody would notice now, if one of these came: {}", few(&quiet, "other alarm"));
    let written = format!("{name} is out of sight");
    let alarm = Alarm {
        name: format!("{SIGHT}{name}"),
        title,
        tank,
        condition: Condition::Says(Test::Blind(sight.clone()), written.as_str().into()),
        written,
        worse: None,
        deadband: None,
        on_delay: rules.after,
        off_delay: Span::ZERO,
        priority: worst.priority.min(rules.cap),
        latching: false,
        longest_shelf: None,
        cause: Some(cause.into()),
        consequence: Some(consequence.into()),
        response: loss_card::response(&sight, by_id, on_pages, silenced, tanks),
        time_to_respond: silenced.iter().filter_map(|alarm| alarm.time_to_respond).min(),
        callout: rules.callout.unwrap_or(worst.callout),
        consequence_of: Vec::new(),
        expected: Vec::new(),
        stopgap: None,
        hazard: None,
        sight: Some(sight),
        watched: None,
    };
    Some(Read {
        alarm,
        explained: Explained {
            place: rules.place.clone(),
            consequence_of: rules.consequence_of.clone(),
            ..Explained::default()
        },
    })
}

/// `the water thermometer`, `the sump sensor`, `the left probe`: a water sensor might be one of
/// leaks.
fn sensor_title(title: &str, measure: &str) -> String {
    let named = ["sensor", "probe", "meter", "thermometer"].iter().any(|word| title.ends_with(word));
    let bare = measure == "temperature" && !title.ends_with("temp") && !title.ends_with("temperature");
    let kind = if bare { "thermometer" } else { "sensor" };
    if named { format!("the {title}") } else { format!("the {title} {kind}") }
}

/// `harbour water`, `harbour: the water is too cold`
fn placed(tank: Option<&Tank>, joint: &str, title: &str) -> String {
    match tank {
        Some(tank) => format!("{}{joint}{}", tank.title, without_place(title, &tank.title)),
        None => title.to_owned(),
    }
}

/// The first of many names: a page is short.
fn few(names: &[String], what: &str) -> String {
    match names.split_at_checked(3) {
        Some((first, rest)) if !rest.is_empty() => {
            format!("{}; and {}", first.join("; "), counted(rest.len(), what))
        }
        Some(_) | None => names.join("; "),
    }
}

//! The parts of a rule file, read in the order in which they lean on each other, and made one plan
//! if every one of them is whole. Each that is not has said so at its own place.

use super::Surroundings;
use super::tables::Tables;
use crate::condition::Scope;
use crate::diagnostic::{At, Finding, NamedTable, Table};
use crate::plan::advice;
use crate::plan::alarm::{self, Explained};
use crate::plan::context::{CheckContext, CheckedRelays, NameIndex};
use crate::plan::equipment::{self, GearParts};
use crate::plan::health::HealthRules;
use crate::plan::loss_alarms::SightRules;
use crate::plan::output_check::{self, Listener};
use crate::plan::rationalise::{self, Places};
use crate::plan::tank::SiteTable;
use crate::plan::watched::WatchedParts;
use crate::plan::{
    Alarm, Battery, Callout, Drill, Output, Plan, Sensor, Tank, TankId, WatchedId, Work, callout, causes,
    drill, health, loss_alarms, relay, sensor, tank, watched,
};
use std::collections::BTreeMap;
use std::ops::Range;

/// The kinds of work, and the topics of buttons with the kind that they begin.
struct Works {
    kinds: BTreeMap<String, Work>,
    buttons: Vec<(String, String, Range<usize>)>,
}

/// What has been read.
pub(super) struct PlanParts {
    site: SiteTable,
    tanks: Vec<Tank>,
    sensors: Vec<Option<Sensor>>,
    /// Where each sensor is named, and where its topic is.
    sensor_places: Vec<Range<usize>>,
    topic_places: Vec<Range<usize>>,
    /// Where each tank is named.
    tank_places: Vec<Range<usize>>,
    batteries: Vec<Battery>,
    relays: CheckedRelays,
    command_places: Vec<Range<usize>>,
    callouts: Vec<Option<Callout>>,
    /// Where the steps of each stand.
    step_places: Vec<Range<usize>>,
    works: Works,
    drill: Drill,
    sight: SightRules,
    health: HealthRules,
    /// Those that are whole.
    alarms: Vec<Alarm>,
    explained: Vec<Explained>,
    alarm_names: Vec<String>,
    watched: Vec<Option<WatchedParts>>,
    /// Where each watched site is named.
    watched_places: Vec<Range<usize>>,
}

impl PlanParts {
    /// Reads all tables.
    pub(super) fn read(tables: Tables<'_>, context: &CheckContext<'_>) -> Self {
        let works = works(tables.works, context);
        let sensor_places: Vec<_> = tables.sensors.iter().map(|table| table.name.span.clone()).collect();
        let (sensors, topic_places): (Vec<_>, _) = each(tables.sensors, |name, table| {
            let topic = table.key_span("topic");
            (sensor::read(name, table, context), topic)
        })
        .unzip();
        context.findings.extend(sensor::twins(&sensors, &sensor_places));

        let gear = GearParts { context, sensors: &sensors };
        let site = tank::site(tables.site, &gear);
        let batteries = each(tables.batteries, |name, table| equipment::battery(name, table, &gear));
        let batteries = batteries.collect::<Option<Vec<_>>>().unwrap_or_default();
        let tank_places = tables.tanks.iter().map(|table| table.name.span.clone()).collect();
        let numbered = (0..).map(TankId).zip(tables.tanks);
        let tanks: Vec<_> =
            numbered.map(|(id, table)| table.open(|keys| tank::read(id, &table.name, keys, &gear))).collect();

        let known = context.sensors.names().iter().map(String::as_str);
        let scope = Scope::partly(known.zip(sensors.iter().map(Option::as_ref))).with(
            &tanks,
            &batteries,
            context.relays.names().iter().map(String::as_str),
        );
        let (relays, command_places): (CheckedRelays, _) = each(tables.relays, |name, table| {
            let command = table.key_span("command");
            (relay::read(name, table, context, &scope), command)
        })
        .unzip();
        if tables.callouts.is_empty()
            && let Some(first) = tables.alarms.first()
        {
            let title = "no call-out is declared";
            let label = "alarms are recorded, but nobody is told";
            first.note(Finding::warning(first.name.span.clone(), title, label));
        }
        let (callouts, step_places) = each(tables.callouts, |name, table| {
            let steps = table.key_span("steps");
            (callout::read(name, table, context), steps)
        })
        .unzip();
        let alarm_names = NameIndex::of("alarm", "alarm", &tables.alarms).into_names();
        // At once as long as it can become: a list that doubles takes three times the room while it
        // does.
        let mut alarms = Vec::with_capacity(tables.alarms.len());
        let mut explained = Vec::with_capacity(tables.alarms.len());
        let read = each(tables.alarms, |name, table| alarm::read(name, table, context, &scope, &relays));
        for read in read.flatten() {
            alarms.push(read.alarm);
            explained.push(read.explained);
        }
        NameIndex::of("watched", "watched site", &tables.watched);
        let watched_places = tables.watched.iter().map(|table| table.name.span.clone()).collect();
        let watched = watched::read(tables.watched, sensors.len(), context);
        Self {
            site,
            tanks,
            sensor_places,
            topic_places,
            tank_places,
            batteries,
            relays,
            command_places,
            callouts,
            step_places,
            works,
            drill: drill::read(tables.drill),
            sight: loss_alarms::rules(tables.sight, context),
            health: health::rules(tables.health, context),
            alarms,
            explained,
            alarm_names,
            watched,
            watched_places,
            sensors,
        }
    }

    /// What is published on what is heard, or on what something else is published on.
    pub(super) fn outputs(&self, elsewhere: &[Output]) -> Vec<Finding> {
        let heard = self.sensors.iter().zip(&self.topic_places).filter_map(|(sensor, place)| {
            let sensor = sensor.as_ref()?;
            let name = format!("sensor `{}`", sensor.name);
            Some(Listener { name, topic: sensor.feed.topic()?, place: place.clone() })
        });
        let present = self.sensors.iter().zip(&self.topic_places).filter_map(|(sensor, place)| {
            let sensor = sensor.as_ref()?;
            let name = format!("`available` of sensor `{}`", sensor.name);
            Some(Listener { name, topic: &sensor.available.as_ref()?.topic, place: place.clone() })
        });
        let pressed = self.works.buttons.iter().map(|(work, topic, place)| Listener {
            name: format!("a button of work `{work}`"),
            topic,
            place: place.clone(),
        });
        let listeners: Vec<_> = heard.chain(present).chain(pressed).collect();
        let relays = self.relays.iter().zip(&self.command_places);
        let commanded: Vec<_> =
            relays.filter_map(|(relay, at)| Some((relay.as_ref()?, at.clone()))).collect();
        let sites = self.watched.iter().zip(&self.watched_places);
        let witnessed: Vec<_> =
            sites.filter_map(|(site, at)| Some((&site.as_ref()?.watched, at.clone()))).collect();
        output_check::findings(&commanded, &listeners, &witnessed, elsewhere)
    }

    /// The plan, with the alarms that it adds by itself; none if any part is not whole. The names
    /// of alarms are checked in any case.
    pub(super) fn whole(self, context: &CheckContext<'_>, around: &Surroundings) -> Option<Plan> {
        let own_places: Vec<_> = self.explained.iter().map(|it| it.place.clone()).collect();
        let says_expected: Vec<_> = self.explained.iter().map(|it| it.says_expected).collect();
        let mut sensors: Option<Vec<Sensor>> = self.sensors.into_iter().collect();
        let is_whole = sensors.is_some()
            && self.alarms.len() == self.alarm_names.len()
            && self.watched.iter().all(Option::is_some);
        // At once as long as they become: there may be many thousands of sites.
        let parts = self.watched.iter().flatten();
        let (more_sensors, more_alarms) = parts
            .fold((0, 0), |(sensors, alarms), it| (sensors + it.sensors.len(), alarms + it.alarms.len()));
        let (mut sites, mut added) =
            (Vec::with_capacity(self.watched.len()), Vec::with_capacity(more_alarms));
        sensors.iter_mut().for_each(|sensors| sensors.reserve_exact(more_sensors));
        for site in self.watched.into_iter().flatten() {
            sites.push(site.watched);
            added.extend(site.alarms);
            if let Some(sensors) = &mut sensors {
                sensors.extend(site.sensors);
            }
        }
        if let Some(sensors) = &sensors {
            let all: Vec<&Alarm> = self.alarms.iter().chain(added.iter().map(|read| &read.alarm)).collect();
            let blind = loss_alarms::alarms(&self.sight, &all, sensors, &self.tanks);
            added.extend(blind);
        }
        let all = self.alarms.iter().chain(added.iter().map(|read| &read.alarm));
        let own_health =
            health::alarms(&self.health, all, self.callouts.iter().flatten(), around.directory.mailbox);
        added.extend(own_health);
        let alarms =
            causes::joined(self.alarms, self.explained, added, self.alarm_names, is_whole, context.findings)?;
        let relays: Vec<_> = self.relays.into_iter().collect::<Option<_>>()?;
        context.findings.extend(relay::opposed(&alarms, &own_places, &relays));
        let plan = Plan {
            site: self.site.name,
            help: self.site.help,
            altitude: self.site.altitude,
            without_mains: self.site.without_mains,
            mains: self.site.mains,
            zone: around.zone.clone(),
            tanks: self.tanks,
            sensors: sensors?,
            relays,
            batteries: self.batteries,
            sight_pages_after: self.sight.pages_after(),
            alarms,
            callouts: self.callouts.into_iter().collect::<Option<_>>()?,
            works: self.works.kinds,
            drill: self.drill,
            watched_names: (0..).map(WatchedId).zip(&sites).map(|(id, it)| (it.name.clone(), id)).collect(),
            watched: sites,
            directory: around.directory.clone(),
        };
        if context.errors() == 0 {
            let sight = self.sight.callout_place();
            let places = Places {
                alarms: &own_places,
                sensors: &self.sensor_places,
                tanks: &self.tank_places,
                callouts: &self.step_places,
                says_expected: &says_expected,
                sight,
            };
            context.findings.extend(rationalise::warnings(&plan, &places));
            context.findings.extend(advice::warnings(&plan, &places, context.people));
        }
        Some(plan)
    }
}

/// Each table opened and read by itself.
fn each<'t, T>(
    tables: Vec<NamedTable<'t>>,
    read: impl Fn(&At<String>, Table<'_>) -> T,
) -> impl Iterator<Item = T> {
    tables.into_iter().map(move |table| table.open(|keys| read(&table.name, keys)))
}

fn works(tables: Vec<NamedTable<'_>>, context: &CheckContext<'_>) -> Works {
    let mut works = Works { kinds: tank::usual_works(), buttons: Vec::new() };
    for table in tables {
        let name = &table.name;
        let (work, place) = table.open(|keys| {
            let place = keys.key_span("buttons");
            (tank::work(keys, works.kinds.get(&name.it), context), place)
        });
        if let Some(work) = work {
            let topics = work.buttons.iter().map(|button| button.topic.clone());
            works.buttons.extend(topics.map(|topic| (name.it.clone(), topic, place.clone())));
            works.kinds.insert(name.it.clone(), work);
        }
    }
    works
}

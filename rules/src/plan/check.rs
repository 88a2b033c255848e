//! From the text of a rule file to a [`Plan`], or to all that is wrong with it at once. Names
//! come first, then the parts in the order in which they lean on each other: sensors, tanks,
//! batteries, relays, call-outs, alarms, and last the alarms that the plan adds for lost sight.

use super::alarm::Read;
use super::context::{CheckContext, CheckedRelays, NameIndex};
use super::equipment::{self, GearParts};
use super::output_check::Listener;
use super::rationalise::{self, Places};
use super::{
    Directory, Output, Plan, Sensor, TankId, callout, card, causes, drill, health, loss_alarms, output_check,
    relay, sensor, tank, watched,
};
use crate::condition::Scope;
use crate::diagnostic::{Finding, Findings, FindingsView, Item, LeftOut, Sheet, SourceTexts, Table, parse};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use std::collections::BTreeMap;

/// What a rule file takes from the agent's configuration.
#[derive(Clone, Debug)]
pub struct Surroundings {
    /// Who can be told.
    pub directory: Directory,
    /// The zone that times of day are meant in.
    pub zone: TimeZone,
    /// The day that absences are looked at from; not at all if none.
    pub today: Option<Date>,
}

/// What came of a rule file.
#[derive(Clone, Debug)]
pub struct Checked {
    /// The plan, unless there is any mistake.
    pub plan: Option<Plan>,
    /// All mistakes and warnings, in the order of the file; of very many the first that were found.
    pub findings: Vec<Finding>,
    /// The findings as text for people; empty if there are none.
    pub report: String,
    /// Those that were too many to be kept.
    left_out: LeftOut,
    sources: SourceTexts,
}

impl Checked {
    /// The findings for programs.
    pub fn view(&self) -> FindingsView {
        FindingsView::of(&self.sources, &self.findings, self.left_out)
    }
}

/// Keys that were called otherwise: the old name, the new one.
const RENAMED: [(&str, &str); 1] = [("fallback", "stopgap")];

impl Plan {
    /// Reads a rule file's text; `file` is the name to report it by.
    pub fn check(file: &str, text: &str, around: &Surroundings) -> Checked {
        Self::check_beside(file, text, around, &[])
    }

    /// The same beside what the agent's configuration publishes on.
    pub fn check_beside(file: &str, text: &str, around: &Surroundings, elsewhere: &[Output]) -> Checked {
        let agent = AgentFacts { people: Some(&around.directory), outputs: elsewhere };
        check(file, text, around, &agent)
    }

    /// The same while it is not known who can be told, since the agent's own file is wrong: no
    /// mistake is found in whom a call-out names, and there is no plan.
    pub fn check_without_people(file: &str, text: &str, zone: TimeZone, today: Option<Date>) -> Checked {
        let around = Surroundings { directory: Directory::default(), zone, today };
        Checked { plan: None, ..check(file, text, &around, &AgentFacts { people: None, outputs: &[] }) }
    }
}

/// What is known of the agent's own file.
struct AgentFacts<'a> {
    /// Nothing while it is wrong.
    people: Option<&'a Directory>,
    /// What it publishes on.
    outputs: &'a [Output],
}

fn check(file: &str, text: &str, around: &Surroundings, agent: &AgentFacts<'_>) -> Checked {
    let sheet = Sheet::new("a rule file", text, &RENAMED);
    let (document, broken) = parse("a rule file", text);
    let plan = if broken.is_empty() {
        plan(Table::root(&sheet, &document), sheet.findings(), around, agent)
    } else {
        // What could not be read as TOML says nothing about what it means.
        sheet.findings().extend(broken);
        None
    };
    let wrong = sheet.findings().errors() > 0;
    drop(document);
    let (findings, left_out) = sheet.into_findings().conclude();
    let sources = SourceTexts::file(file, text);
    let report = sources.render(&findings, left_out);
    Checked { plan: plan.filter(|_| !wrong), findings, report, left_out, sources }
}

fn plan(root: Table<'_>, findings: &Findings, around: &Surroundings, agent: &AgentFacts<'_>) -> Option<Plan> {
    let site = root.get("site").and_then(Item::table);
    let tanks = root.tables("tank");
    let sensors = root.tables("sensor");
    let relays = root.tables("relay");
    let batteries = root.tables("battery");
    let alarms = root.tables("alarm");
    let callouts = root.tables("callout");
    let works = root.tables("work");
    let cards = root.tables("card");
    let sight = root.get("sight").and_then(Item::table);
    let drill = root.get("drill").and_then(Item::table);
    let health = root.get("health").and_then(Item::table);
    let watched = root.tables("watched");
    root.finish();

    let context = CheckContext {
        findings,
        people: agent.people,
        today: around.today,
        tanks: NameIndex::of("tank", "tank", &tanks),
        sensors: NameIndex::of("sensor", "sensor", &sensors),
        relays: NameIndex::of("relay", "relay", &relays),
        callouts: NameIndex::of("callout", "call-out", &callouts),
        cards: cards.into_iter().map(|(name, table)| (name.it, card::read(table))).collect(),
    };
    let drill = drill::read(drill);
    let mut kinds_of_work = tank::usual_works();
    let mut buttons = Vec::new();
    for (name, table) in works {
        let place = table.key_span("buttons");
        if let Some(work) = tank::work(table, kinds_of_work.get(&name.it), &context) {
            let topics = work.buttons.iter().map(|button| button.topic.clone());
            buttons.extend(topics.map(|topic| (name.it.clone(), topic, place.clone())));
            kinds_of_work.insert(name.it, work);
        }
    }
    let places: Vec<_> = sensors.iter().map(|(name, _)| name.span.clone()).collect();
    let topic_places: Vec<_> = sensors.iter().map(|(_, table)| table.key_span("topic")).collect();
    let sensors: Vec<Option<Sensor>> =
        sensors.into_iter().map(|(name, table)| sensor::read(&name, table, &context)).collect();
    findings.extend(sensor::twins(&sensors, &places));
    let sensor_places = places;
    let parts = GearParts { context: &context, sensors: &sensors };
    let site = tank::site(site, &parts);
    let batteries: Option<Vec<_>> =
        batteries.into_iter().map(|(name, table)| equipment::battery(&name, table, &parts)).collect();
    let batteries = batteries.unwrap_or_default();
    let tanks: Vec<_> = (0..)
        .map(TankId)
        .zip(tanks)
        .map(|(id, (name, table))| tank::read(id, &name, table, &parts))
        .collect();
    let known = context.sensors.names().iter().map(String::as_str);
    let scope = Scope::partly(known.zip(sensors.iter().map(Option::as_ref))).with(
        &tanks,
        &batteries,
        context.relays.names().iter().map(String::as_str),
    );
    let command_places: Vec<_> = relays.iter().map(|(_, table)| table.key_span("command")).collect();
    let relays: CheckedRelays =
        relays.into_iter().map(|(name, table)| relay::read(&name, table, &context, &scope)).collect();
    if callouts.is_empty()
        && let Some((_, first)) = alarms.first()
    {
        let title = "no call-out is declared";
        first.note(Finding::warning(first.span.clone(), title, "alarms are recorded, but nobody is told"));
    }
    let callouts: Vec<_> =
        callouts.into_iter().map(|(name, table)| callout::read(&name, table, &context)).collect();
    let names = NameIndex::of("alarm", "alarm", &alarms).names().to_vec();
    let alarms: Vec<Option<Read>> = alarms
        .into_iter()
        .map(|(name, table)| super::alarm::read(&name, table, &context, &scope, &relays))
        .collect();
    let own_places: Vec<_> = alarms.iter().flatten().map(|read| read.place.clone()).collect();
    let sight = loss_alarms::rules(sight, &context);
    let health = health::rules(health, &context);

    NameIndex::of("watched", "watched site", &watched);
    let declared = watched.len();
    let watched_places: BTreeMap<_, _> =
        watched.iter().map(|(name, _)| (name.it.clone(), name.span.clone())).collect();
    let watched = watched::read(watched, sensors.len(), &context);

    let heard = sensors.iter().zip(topic_places).filter_map(|(sensor, place)| {
        let sensor = sensor.as_ref()?;
        Some(Listener { name: format!("sensor `{}`", sensor.name), topic: sensor.feed.topic()?, place })
    });
    let pressed = buttons.iter().map(|(work, topic, place)| Listener {
        name: format!("a button of work `{work}`"),
        topic,
        place: place.clone(),
    });
    let listeners: Vec<_> = heard.chain(pressed).collect();
    let commanded: Vec<_> =
        relays.iter().zip(command_places).filter_map(|(relay, at)| Some((relay.as_ref()?, at))).collect();
    let witnessed: Vec<_> = watched
        .iter()
        .filter_map(|site| Some((&site.watched, watched_places.get(&site.watched.name)?.clone())))
        .collect();
    findings.extend(output_check::findings(&commanded, &listeners, &witnessed, agent.outputs));

    // From here on the parts are needed whole; but the names of alarms are checked in any case.
    let whole_alarms: Vec<Read> = alarms.into_iter().flatten().collect();
    let whole_sensors: Option<Vec<Sensor>> = sensors.into_iter().collect();
    let whole = whole_sensors.is_some() && whole_alarms.len() == names.len() && watched.len() == declared;
    let (mut sites, mut theirs, mut added) = (Vec::new(), Vec::new(), Vec::new());
    for site in watched {
        sites.push(site.watched);
        theirs.extend(site.sensors);
        added.extend(site.alarms);
    }
    let whole_sensors = whole_sensors.map(|own| own.into_iter().chain(theirs).collect::<Vec<_>>());
    if let Some(sensors) = &whole_sensors {
        let all: Vec<&Read> = whole_alarms.iter().chain(&added).collect();
        let blind = loss_alarms::alarms(&sight, &all, sensors, &tanks);
        added.extend(blind);
    }
    let all = whole_alarms.iter().chain(&added);
    let health = health::alarms(&health, all, callouts.iter().flatten(), around.directory.mailbox);
    added.extend(health);
    let alarms = causes::joined(whole_alarms, added, names, whole, findings)?;
    let relays: Vec<_> = relays.into_iter().collect::<Option<_>>()?;
    findings.extend(relay::opposed(&alarms, &own_places, &relays));
    let plan = Plan {
        site: site.name,
        help: site.help,
        altitude: site.altitude,
        mains: site.mains,
        zone: around.zone.clone(),
        tanks,
        sensors: whole_sensors?,
        relays,
        batteries,
        alarms,
        callouts: callouts.into_iter().collect::<Option<_>>()?,
        works: kinds_of_work,
        drill,
        watched: sites,
        directory: around.directory.clone(),
    };
    if context.errors() == 0 {
        let places = Places { alarms: &own_places, sensors: &sensor_places, sight: sight.callout_place() };
        findings.extend(rationalise::warnings(&plan, &places));
    }
    Some(plan)
}

//! A record in one line for people: the keys of the rule file in it give way to the titles of the
//! plan in force, people to their names. What the plan no longer has is said by its key with
//! spaces.

use super::{Body, By, Drilled};
use crate::plan::{Plan, spoken};
use crate::words::{capital, without_place};

/// How the reason of a switching begins that an alarm asks for.
const STOPGAP: &str = "stopgap of ";

impl Body {
    /// In one line of words, by the plan's titles.
    pub fn in_words(&self, plan: &Plan) -> String {
        self.titled(plan).to_string()
    }

    /// The same with titles for keys and names for people: to be read, never to be applied.
    pub fn titled(&self, plan: &Plan) -> Self {
        let mut told = self.clone();
        told.retitle(&Titles(plan));
        told
    }

    fn retitle(&mut self, titles: &Titles<'_>) {
        match self {
            Self::Raised { alarm, place, .. } => {
                (*place, *alarm) = titles.place_and_what(alarm, place);
            }
            // Behind these the line ends, or a comma follows.
            Self::Worsened { alarm, .. }
            | Self::Returned { alarm, .. }
            | Self::Blipped { alarm, .. }
            | Self::Unshelved { alarm, by: None }
            | Self::Joined { alarm, .. }
            | Self::Foretold { alarm, .. } => *alarm = titles.alarm(alarm),
            Self::LostSight { alarm, .. }
            | Self::FoundSight { alarm, .. }
            | Self::Chattering { alarm, .. }
            | Self::Settled { alarm }
            | Self::Suppressed { alarm }
            | Self::Unsuppressed { alarm, .. } => *alarm = titles.aside(alarm),
            Self::Acknowledged { alarm, by, .. }
            | Self::Reset { alarm, by }
            | Self::Shelved { alarm, by, .. }
            | Self::TakenOut { alarm, by, .. }
            | Self::PutBack { alarm, by } => {
                *alarm = titles.aside(alarm);
                titles.name(by);
            }
            Self::Unshelved { alarm, by: Some(by) } => {
                *alarm = titles.alarm(alarm);
                titles.name(by);
            }
            Self::Marked { by, .. }
            | Self::Answered { by, .. }
            | Self::HandedOn { by, .. }
            | Self::Ticked { by, .. }
            | Self::Hushed { by, .. }
            | Self::Refused { by, .. }
            | Self::SilencePlanned { by, .. }
            | Self::SilenceEnded { by }
            | Self::SiteChanged { by, .. } => titles.name(by),
            Self::WorkBegan { tank, work, by, .. } => {
                (*tank, *work) = (titles.tank(tank), spoken(work));
                titles.name(by);
            }
            Self::WorkEnded { tank, work, by } => {
                (*tank, *work) = (titles.tank(tank), spoken(work));
                by.iter_mut().for_each(|by| titles.name(by));
            }
            Self::Learned { tank, .. } => *tank = titles.tank(tank),
            Self::Switched { relay, why, .. }
            | Self::Withheld { relay, why, .. }
            | Self::Held { relay, why, .. }
            | Self::ByHand { relay, why, .. }
            | Self::Released { relay, why, .. } => {
                *relay = titles.relay(relay);
                *why = match why.strip_prefix(STOPGAP) {
                    Some(alarm) => titles.alarm(alarm),
                    None => titles.sensors_in(why),
                };
            }
            Self::Proved { relay, .. } | Self::NotProved { relay, .. } | Self::CommandKept { relay, .. } => {
                *relay = titles.relay(relay);
            }
            Self::CallBegan { policy, .. } => *policy = spoken(policy),
            Self::Paged { target, .. } | Self::Skipped { target, .. } => *target = titles.way(target),
            Self::Resumed { why, .. } => *why = titles.whose_answer(&titles.alarms_in(why)),
            Self::SightLost { of, .. } | Self::SightRegained { of, .. } => *of = titles.sensor(of),
            Self::Drill(drilled) => drilled.retitle(titles),
            Self::Started { .. }
            | Self::Stopped { .. }
            | Self::Reloaded { .. }
            | Self::ClockSet { .. }
            | Self::Stepped { .. }
            | Self::Delivered { .. }
            | Self::CallEnded { .. }
            | Self::CallChanged { .. } => {}
        }
    }
}

impl Drilled {
    fn retitle(&mut self, titles: &Titles<'_>) {
        match self {
            Self::TestsBegan { .. } | Self::OutageBrokenOff { .. } => {}
            Self::Tested { target, .. } | Self::Noticed { target, .. } => *target = titles.way(target),
            Self::TestUnanswered { target, .. } => *target = capital(&titles.way(target)),
            Self::TestAnswered { target, by, .. } => {
                *target = capital(&titles.way(target));
                titles.name(by);
            }
            Self::OutageBegan { alarm, by } | Self::OutageDrilled { alarm, by, .. } => {
                *alarm = titles.alarm(alarm);
                titles.name(by);
            }
            Self::PlugOut { by } | Self::PlugBack { by } => titles.name(by),
        }
    }
}

/// What the names of a rule file are called.
struct Titles<'p>(&'p Plan);

impl Titles<'_> {
    /// `lagoon`, `the water is too cold`
    fn place_and_what(&self, name: &str, place: &str) -> (String, String) {
        let Some(id) = self.0.alarm_named(name) else { return (spoken(place), spoken(name)) };
        let alarm = self.0.alarm(id);
        let place = self.0.title_of_place(alarm);
        (place.to_owned(), without_place(&alarm.title, place).to_owned())
    }

    /// `Lagoon: the water is too cold`
    fn alarm(&self, name: &str) -> String {
        match self.0.alarm_named(name) {
            Some(_) => {
                let (place, what) = self.place_and_what(name, "");
                format!("{}: {what}", capital(&place))
            }
            None => capital(&spoken(name)),
        }
    }

    /// The same before something that is said of it.
    fn aside(&self, name: &str) -> String {
        self.alarm(name) + ","
    }

    fn relay(&self, name: &str) -> String {
        let relay = self.0.relays.iter().find(|relay| relay.name == name);
        relay.map_or_else(|| spoken(name), |relay| relay.title.clone())
    }

    fn tank(&self, name: &str) -> String {
        let tank = self.0.tanks.iter().find(|tank| tank.name == name);
        tank.map_or_else(|| spoken(name), |tank| tank.title.clone())
    }

    /// An expression with its sensors' titles, the longest names first: one may be the beginning of
    /// another.
    fn sensors_in(&self, text: &str) -> String {
        let mut names: Vec<&str> = self.0.sensors.iter().map(|sensor| sensor.name.as_str()).collect();
        names.sort_by_key(|name| std::cmp::Reverse(name.len()));
        let mut told = text.to_owned();
        for name in names.into_iter().filter(|name| name.contains('-')) {
            told = told.replace(name, &self.sensor(name));
        }
        told
    }

    /// The same with alarms' names.
    fn alarms_in(&self, text: &str) -> String {
        let mut names: Vec<&str> = self.0.alarms.iter().map(|alarm| alarm.name.as_str()).collect();
        names.sort_by_key(|name| std::cmp::Reverse(name.len()));
        let mut told = text.to_owned();
        for name in names.into_iter().filter(|name| name.contains('-')) {
            told = told.replace(name, &self.alarm(name));
        }
        told
    }

    /// The same with the name of whose answer has run out.
    fn whose_answer(&self, text: &str) -> String {
        const OF: &str = "the answer of ";
        let Some((before, (who, behind))) =
            text.split_once(OF).and_then(|(before, rest)| Some((before, rest.split_once(' ')?)))
        else {
            return text.to_owned();
        };
        let contact = self.0.directory.contacts.get(who);
        format!("{before}{OF}{} {behind}", contact.map_or(who, |contact| &contact.name))
    }

    fn sensor(&self, name: &str) -> String {
        let Some(sensor) = self.0.sensors.iter().find(|sensor| sensor.name == name) else {
            return spoken(name);
        };
        match sensor.tank.map(|tank| self.0.title(Some(tank))) {
            Some(tank) => format!("{tank} {}", without_place(&sensor.title, tank)),
            None => sensor.title.clone(),
        }
    }

    fn name(&self, by: &mut By) {
        if let Some(contact) = self.0.directory.contacts.get(&by.who) {
            by.who.clone_from(&contact.name);
        }
    }

    /// `Ines by mail`
    fn way(&self, target: &str) -> String {
        let Some((who, way)) = target.split_once('.') else { return spoken(target) };
        let contact = self.0.directory.contacts.get(who);
        format!("{} by {}", contact.map_or(who, |contact| &contact.name), spoken(way))
    }
}

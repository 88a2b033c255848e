//! Conditions that look back, in the life of a watch: restarts, reloads, a clock that nobody has
//! set, relays, and reasons given to people.

use crate::fixtures::{BERLIN, REEF, around_in, plan_of};
use slackwater_rules::plan::Plan;
use slackwater_rules::record::Body;
use slackwater_rules::sim::{Saying, SignalOrigin, Sim, SimSite};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::ops::{Deref, DerefMut};

struct Site(Sim<SimSite>);

impl Deref for Site {
    type Target = Sim<SimSite>;

    fn deref(&self) -> &Self::Target {
        &self.0
    }
}

impl DerefMut for Site {
    fn deref_mut(&mut self) -> &mut Self::Target {
        &mut self.0
    }
}

fn plan(rules: &str) -> Plan {
    plan_of(rules, &around_in(BERLIN, &["ines.push"]))
}

fn with(alarms: &str) -> String {
    format!("{REEF}\n{alarms}")
}

fn one(when: &str) -> String {
    with(&format!("[alarm.it]\nwhen = \"{when}\"\npriority = \"low\"\n"))
}

impl Site {
    fn new(rules: &str, time: &str, wall_trusted: bool) -> Self {
        let time: jiff::ZonedDateTime = time.parse().expect("a zoned time");
        let wall = Wall(time.timestamp().as_millisecond());
        let now = Now { mono: Moment(5_000_000), wall, wall_trusted };
        let plan = plan(rules);
        let world = SimSite::new(&plan);
        let mut sim = Sim::new("test", plan, 7, now, world);
        sim.start(None);
        Self(sim)
    }

    fn noon(rules: &str) -> Self {
        Self::new(rules, "2026-03-02T12:00:00+01:00[Europe/Berlin]", true)
    }

    /// From now on, each minute.
    fn says(&mut self, sensor: &'static str, payload: impl ToString) {
        let says = Saying::Payload(payload.to_string());
        self.0.says(SignalOrigin::Topic(sensor.to_owned()), says, Span::minutes(1));
    }

    fn silence(&mut self, sensor: &str) {
        self.world.silence(&SignalOrigin::Topic(sensor.to_owned()));
    }

    fn run(&mut self, minutes: i64) {
        self.0.run(Span::minutes(minutes));
        assert_eq!(self.stuck, None);
    }

    fn truth(&self) -> &'static str {
        self.0.truth("it")
    }

    fn why(&self) -> String {
        self.0.why("it")
    }

    fn worsened(&self) -> usize {
        self.records.iter().filter(|record| matches!(record.body, Body::Worsened { .. })).count()
    }
}

#[test]
fn after_a_start_a_window_is_unknown_until_three_quarters_of_it_are_seen() {
    let mut site = Site::noon(&one("mean of temp over 1 h > 27 degC"));
    site.says("temp", 25);
    site.run(44);
    assert_eq!(site.truth(), "unknown", "{}", site.why());
    site.run(2);
    assert_eq!(site.truth(), "false", "{}", site.why());
}

#[test]
fn what_was_seen_can_be_enough_before_the_window_is_full() {
    let mut site = Site::noon(&one("swing of temp over 1 d > 2 K"));
    site.says("temp", 24);
    site.run(30);
    assert_eq!(site.truth(), "unknown");
    for tenth in 241..=262 {
        site.says("temp", f64::from(tenth) / 10.0);
        site.run(1);
    }
    assert_eq!(site.truth(), "true", "{}", site.why());
}

#[test]
fn a_reload_keeps_what_an_unchanged_alarm_remembers() {
    let mut site = Site::noon(&one("mean of temp over 1 h > 27 degC"));
    site.says("temp", 28);
    site.run(60);
    assert_eq!(site.truth(), "true");
    // Another sensor in front gives every other one another place.
    let sensor = "[sensor.aaa]\ntopic = \"a\"\nmeasures = \"ph\"\nunit = \"pH\"\nevery = \"1 min\"\n";
    let more = format!("{sensor}{}", one("mean of temp over 1 h > 27 degC"));
    site.reload(plan(&more));
    site.run(2);
    assert_eq!(site.truth(), "true", "{}", site.why());
    site.reload(plan(&one("mean of temp over 2 h > 27 degC")));
    site.run(2);
    assert_eq!(site.truth(), "unknown", "{}", site.why());
}

#[test]
fn times_of_day_are_unknown_until_the_clock_has_been_right_once() {
    let rules = one("time is between 22:00 and 07:30");
    let mut site = Site::new(&rules, "2026-03-02T23:00:00+01:00[Europe/Berlin]", false);
    site.run(30);
    assert_eq!(site.truth(), "unknown");
    site.now.wall_trusted = true;
    site.run(20);
    assert_eq!(site.truth(), "true");
    // From then on the clock may lose its source: it drifts by seconds a day.
    site.now.wall_trusted = false;
    site.run(60);
    assert_eq!(site.truth(), "true");
}

#[test]
fn a_stretch_of_the_day_begins_and_ends_by_itself_also_when_clocks_change() {
    // In the night of 2026-03-29 clocks in Berlin go from 02:00 to 03:00.
    let rules = one("time is between 01:30 and 03:30");
    let mut site = Site::new(&rules, "2026-03-29T01:00:00+01:00[Europe/Berlin]", true);
    assert_eq!(site.truth(), "false");
    site.run(29);
    assert_eq!(site.truth(), "false");
    site.run(1);
    assert_eq!(site.truth(), "true");
    // 01:30 to 02:00 and 03:00 to 03:30: an hour, not two.
    site.run(59);
    assert_eq!(site.truth(), "true");
    site.run(1);
    assert_eq!(site.truth(), "false", "{}", site.why());
}

#[test]
fn the_day_changes_at_local_midnight() {
    let mut site = Site::new(&one("day is weekend"), "2026-03-06T23:30:00+01:00[Europe/Berlin]", true);
    assert_eq!(site.truth(), "false");
    site.run(29);
    assert_eq!(site.truth(), "false");
    site.run(1);
    assert_eq!(site.truth(), "true");
}

#[test]
fn a_relay_that_is_commanded_and_shows_no_current_is_an_alarm() {
    let rules = with(
        "[alarm.dark]\nwhen = \"mains is off\"\npriority = \"high\"\n\
         stopgap = { relay = \"air-pump\", state = \"on\" }\n\n\
         [alarm.it]\nwhen = \"air-pump is commanded on but no air > 0.05 A\"\non-delay = \"2 min\"\npriority = \"high\"\n",
    );
    let mut site = Site::noon(&rules);
    site.says("mains", "on");
    site.says("air", 0);
    site.run(5);
    assert_eq!(site.truth(), "false");
    site.says("mains", "off");
    assert_eq!(site.truth(), "true", "{}", site.why());
    site.run(3);
    assert_eq!(site.raised(), ["dark", "it"]);
    site.says("air", 0.2);
    assert_eq!(site.truth(), "false");
}

#[test]
fn an_alarm_gets_worse_by_the_passing_of_time_alone() {
    let rules = with(
        "[alarm.it]\nwhen = \"mains is off\"\nworse = \"mains has been off for 20 min\"\npriority = \"high\"\n",
    );
    let mut site = Site::noon(&rules);
    site.says("mains", "on");
    site.run(1);
    site.says("mains", "off");
    site.run(19);
    assert_eq!(site.worsened(), 0);
    site.run(2);
    assert_eq!(site.worsened(), 1);
}

#[test]
fn a_silent_sensor_takes_its_window_with_it_after_a_while() {
    let mut site = Site::noon(&one("mean of temp over 1 h < 27 degC"));
    site.says("temp", 25);
    site.run(80);
    assert_eq!(site.truth(), "true");
    site.silence("temp");
    site.run(17);
    assert_eq!(site.truth(), "true", "a quarter may be missing: {}", site.why());
    site.run(3);
    assert_eq!(site.truth(), "unknown", "{}", site.why());
}

#[test]
fn a_deadband_holds_ranges_windows_and_rates() {
    let held = |when: &str, deadband: &str| {
        with(&format!("[alarm.it]\nwhen = \"{when}\"\ndeadband = \"{deadband}\"\npriority = \"low\"\n"))
    };
    let mut site = Site::noon(&held("temp is outside 24 degC to 27 degC", "0.5 K"));
    for (value, truth) in [(26.8, "false"), (27.2, "true"), (26.7, "true"), (26.4, "false"), (26.7, "false")]
    {
        site.says("temp", value);
        assert_eq!(site.truth(), truth, "at {value}: {}", site.why());
    }
    for (value, truth) in [(23.8, "true"), (24.3, "true"), (24.5, "false")] {
        site.says("temp", value);
        assert_eq!(site.truth(), truth, "at {value}: {}", site.why());
    }
    let mut site = Site::noon(&held("highest of temp over 10 min > 27 degC", "0.5 K"));
    site.says("temp", 27.2);
    site.run(10);
    site.says("temp", 26.8);
    site.run(30);
    assert_eq!(site.truth(), "true", "{}", site.why());
    site.says("temp", 26.4);
    site.run(30);
    assert_eq!(site.truth(), "false", "{}", site.why());
}

#[test]
fn reasons_are_given_for_what_looks_back() {
    let mut told = String::new();
    let mut tell = |when: &str, play: fn(&mut Site)| {
        let mut site = Site::noon(&one(when));
        play(&mut site);
        told += &site.why();
    };
    let warming: fn(&mut Site) = |site| {
        for tenth in 250..270 {
            site.says("temp", f64::from(tenth) / 10.0);
            site.run(6);
        }
    };
    tell("mean of temp over 1 h > 27 degC or swing of temp over 1 h > 2 K", warming);
    tell("temp rises faster than 0.5 K/h over 30 min", warming);
    tell("temp is 1 K above its mean over 1 h, lagged 30 min", warming);
    tell("temp is between 25 degC and 28 degC and temp is outside 24 degC to 26 degC", warming);
    tell("mean of temp over 1 d > 27 degC and highest of temp over 1 d > 27 degC", warming);
    let cut: fn(&mut Site) = |site| {
        site.says("flow", 2000);
        site.says("mains", "on");
        site.run(30);
        site.says("mains", "off");
        site.run(2);
        site.says("flow", 0);
        site.run(5);
    };
    tell("mains has been off for 10 min", cut);
    tell("mains is off then flow < 200 L/h within 5 min", cut);
    tell("flow < 200 L/h and within 15 min after mains is off", cut);
    tell("duty of mains is off over 30 min > 50 % or count of changes of mains over 30 min > 3", cut);
    tell("total of flow over 30 min > 1 m3 and longest spell of flow < 200 L/h over 30 min > 10 min", cut);
    tell("flow / volume of lagoon < 10 /h", cut);
    tell("temp is frozen for 2 h or flow is frozen for 2 h", cut);
    tell("lagoon is in its photoperiod and day is weekend and time is outside 08:00 to 20:00", cut);
    tell("air-pump is commanded on but no air > 0.05 A", cut);
    insta::assert_snapshot!(told);
}

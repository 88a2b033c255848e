//! Priorities follow from what is at stake and how soon a person has to act, for all of the library
//! at once: the table says for each hazard, and for each of its forms that differs, what is at
//! stake and why, and the rule makes the priority of it. The manual shows the same table.

use slackwater_rules::hazard;
use slackwater_rules::time::Span;
use slackwater_rules::units::Quantity;

/// What follows if nobody acts in time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Stake {
    /// People may be hurt, or a tank's animals die.
    Lives,
    /// Animals suffer.
    Strain,
    /// Nothing suffers yet, but what stood between is gone: a spare, a battery, a pump's health.
    Margin,
    /// The watch sees less, or wrongly: by itself it harms nobody.
    Sight,
    /// Things to be seen to on a free day.
    Upkeep,
}
use Stake::{Lives, Margin, Sight, Strain, Upkeep};

impl Stake {
    /// As the manual says it.
    pub(crate) fn words(self) -> &'static str {
        match self {
            Lives => "lives",
            Strain => "animals suffer",
            Margin => "what stands between",
            Sight => "sight alone",
            Upkeep => "upkeep",
        }
    }
}

/// The rule. What kills within the hour is critical, and nothing else is; sight alone wakes nobody.
fn priority(stake: Stake, time: Span) -> &'static str {
    let within = |hours| time <= Span::hours(hours);
    match stake {
        Lives if within(1) => "critical",
        Lives | Strain if within(4) => "high",
        Margin if within(1) => "high",
        Lives | Strain | Margin if within(24) => "medium",
        Lives | Strain | Margin | Sight | Upkeep => "low",
    }
}

/// Every hazard, what is at stake, and why it is that.
pub(crate) const TABLE: [(&str, Stake, &str); 54] = [
    ("power-lost", Lives, "no air, no heat: in a full tank oxygen may last less than an hour"),
    ("power-unstable", Margin, "what runs still runs; a longer cut is to be expected"),
    ("circuit-dead", Lives, "as a power cut, and there may be water at a plug"),
    ("pump-not-started", Lives, "the water has stood since the cut, so its oxygen is used up already"),
    ("battery-low", Margin, "nothing hangs on it now"),
    ("battery-ending", Margin, "air or the watch ends within the hour: somebody has to bring a battery"),
    ("ups-ending", Margin, "the watch itself ends: after that nobody is called"),
    ("battery-worn", Margin, "a matter of the next power cut"),
    ("backup-heater-engaged", Margin, "the tank is warm, on its last heater"),
    ("heater-dead", Strain, "a tank cools by some tenths of a degree an hour"),
    ("heater-works-more", Margin, "weeks before it is not enough"),
    ("both-heaters-dead", Lives, "nothing stops the cooling, but it takes hours"),
    ("heater-stuck-on", Lives, "a heater draws and the water is too warm already, or rises fast"),
    ("heater-cut-off-in-sump", Margin, "the stopped pump rings itself, and the cold is hours away"),
    (
        "heater-in-still-water",
        Lives,
        "a few litres in a sump boil within the hour, glass cracks, and water is live",
    ),
    ("heater-relay-disobeys", Lives, "the last thing that cuts the heater does not"),
    ("too-warm", Strain, "by weather: animals breathe hard, and there are hours to cool"),
    ("far-too-warm", Lives, "above 30 degC fish suffocate, whatever warms the water"),
    ("too-cold", Strain, "animals slow down and weaken; death is degrees away"),
    ("temperature-swing", Strain, "a strain of days"),
    ("cooling-not-keeping-up", Strain, "too warm by weather, with nothing left to switch on"),
    ("return-stopped", Strain, "other pumps may move the tank; where none does, oxygen has its own alarm"),
    ("flow-fading", Upkeep, "cleaning within a week or two"),
    ("circulation-stopped", Strain, "still corners run out of oxygen first"),
    ("turnover-low", Upkeep, "cleaning within a week or two"),
    ("level-high", Strain, "fresh water in the tank, then water on the floor, which has its own alarm"),
    ("level-low", Margin, "a pump will run dry"),
    ("water-on-floor", Lives, "water and mains: people first"),
    ("top-off-running-on", Strain, "salinity falls within the hour, then the sump overflows"),
    ("top-off-running-dry", Margin, "half a day of evaporation"),
    ("top-off-idle", Margin, "a day or two of evaporation"),
    ("salinity-drifting", Strain, "a strain of days"),
    ("ph-step", Strain, "something pours in that should not"),
    ("ph-out-of-band", Strain, "a strain of a day"),
    ("dosing-running-on", Strain, "an overdose grows by the minute"),
    ("light-not-on", Strain, "corals bear some dark days"),
    ("light-stuck-on", Upkeep, "a strain of days at most"),
    ("light-integral-off", Strain, "a strain of weeks"),
    ("probe-out-of-water", Strain, "a heater that follows the probe heats on and on"),
    ("probes-disagree", Sight, "one of them is wrong"),
    ("sensor-frozen", Strain, "of a thermometer: a heater that follows it heats on and on, or not at all"),
    ("sensor-silent", Sight, "sight alone; what it hides has the plan's own alarm"),
    ("heat-not-coming", Strain, "hours before any limit"),
    ("heat-uncalled", Strain, "a heater may stick: the limit and the watts say so next"),
    ("cooling-not-coming", Strain, "as no heat, and heat is faster"),
    ("losing-heat", Margin, "the heaters still hold it"),
    ("probe-shifted", Sight, "limits ring early or late"),
    ("probe-in-the-air", Strain, "a heater that follows the probe heats on and on"),
    ("flow-lost-inside", Strain, "as a stopped return, whatever its meter says"),
    ("cooling-fast", Strain, "too cold within hours"),
    ("warming-fast", Strain, "too warm within hours"),
    ("oxygen-running-out", Lives, "an hour at most, and air saves all"),
    ("spare-is-no-spare", Margin, "a matter of the next cold night without the first heater"),
    ("heaters-too-small", Margin, "a matter of the next cold spell"),
];

/// Forms of a hazard in which something else is at stake, by their numbers.
const OTHERWISE: [(&str, usize, Stake, &str); 2] = [
    (
        "probe-out-of-water",
        2,
        Margin,
        "of salinity: no heater follows it, but the water may have fallen below it",
    ),
    ("sensor-frozen", 2, Sight, "of anything else: it may be wrong"),
];

fn key(text: &str, key: &str) -> String {
    let line = text.lines().find_map(|line| line.strip_prefix(&format!("{key} = \"")));
    line.unwrap_or_default().trim_end_matches('"').to_owned()
}

/// Every hazard in every form that differs: its name, what is at stake, how soon somebody has to
/// act, its priority and why.
pub(crate) fn derived() -> Vec<(&'static str, Stake, String, String, &'static str)> {
    let mut rows = Vec::new();
    for (name, stake, why) in TABLE {
        let text = hazard::text(name).expect("it has a text");
        let forms = text.split("\n[alarm.").skip(2).enumerate();
        let mut before = None;
        for (nth, form) in forms {
            let other = OTHERWISE.iter().find(|(of, form, ..)| *of == name && *form == nth + 1);
            let (stake, why) = other.map_or((stake, why), |(_, _, stake, why)| (*stake, *why));
            let row = (name, stake, key(form, "time-to-respond"), key(form, "priority"), why);
            if before.as_ref() != Some(&row) {
                rows.push(row.clone());
            }
            before = Some(row);
        }
    }
    rows
}

#[test]
fn every_priority_follows_from_what_is_at_stake_and_the_time_to_respond() {
    let names: Vec<&str> = TABLE.iter().map(|(name, ..)| *name).collect();
    assert_eq!(names, hazard::names().collect::<Vec<_>>(), "each hazard has its row");
    for (name, stake, time, said, why) in derived() {
        let time = Quantity::parse(&time).and_then(Quantity::span).expect("a time to respond");
        assert_eq!(said, priority(stake, time), "{name}: {stake:?} within {time}: {why}");
    }
    for (name, form, ..) in OTHERWISE {
        let text = hazard::text(name).expect("it has a text");
        assert!(text.split("\n[alarm.").count() > form + 1, "{name} has no form {form}");
    }
}

#[test]
fn few_are_critical_and_every_critical_one_says_what_to_do_within_the_hour() {
    let critical: Vec<&str> = TABLE
        .iter()
        .filter(|(name, ..)| key(&hazard::text(name).unwrap_or_default(), "priority") == "critical")
        .map(|(name, ..)| *name)
        .collect();
    assert!(critical.len() * 5 <= TABLE.len(), "{critical:?}");
    for name in critical {
        let card = crate::manual::cards_of(name);
        let card = slackwater_rules::card::find(&card[0]).expect("a card");
        assert!(card.lines.len() >= 4, "{name}");
    }
}

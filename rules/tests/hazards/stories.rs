//! Each hazard twice: it rings in its story, and stays quiet in the nearest harmless one (a
//! blip, feeding, lights out, a water change, a glitch of a sensor).

use crate::site::{Story, rules};
use slackwater_rules::time::Span;

const fn min(minutes: i64) -> Span {
    Span::minutes(minutes)
}

const fn h(hours: i64) -> Span {
    Span::hours(hours)
}

/// A heater that is on for so many minutes of every hour, for some days.
fn heats<W: ToString + Copy>(story: &mut Story, sensor: &str, (on, off): (W, W), minutes: i64, days: i64) {
    for _ in 0..days * 24 {
        story.says(sensor, on).run(min(minutes)).says(sensor, off).run(min(60 - minutes));
    }
}

/// A return flow of 2000 L/h by a meter with noise, which is steady for these days and then fades
/// by so much in five weeks. The pump pauses for a quarter of an hour a day, and once for three
/// hours.
fn fades(story: &mut Story, steady: i64, by: i64) {
    for day in 0..steady + 35 {
        let level = 2000 - by * (day - steady + 1).max(0) / 35;
        for (nth, noise) in (0..).zip([0, 40, -30, 20, -50, 10, 30, -20]) {
            let pause = match (nth, day) {
                (3, 10) => h(3),
                (3, _) => min(15),
                _ => Span::ZERO,
            };
            story.says("return-flow", level + noise).run(Span(h(3).0 - pause.0));
            if pause > Span::ZERO {
                story.says("return-flow", 0).run(pause);
            }
        }
    }
}

macro_rules! stories {
    ($($name:ident: $hazard:literal, $keys:literal, $sensors:expr, $rings:expr, $quiet:expr;)*) => { $(
        mod $name {
            use super::*;

            #[test]
            fn rings_in_its_story() {
                let mut story = Story::of($hazard, $keys, &$sensors);
                let tell: fn(&mut Story) = $rings;
                tell(&mut story);
                story.rang();
            }

            #[test]
            fn stays_quiet_in_the_nearest_harmless_story() {
                let mut story = Story::of($hazard, $keys, &$sensors);
                let tell: fn(&mut Story) = $quiet;
                tell(&mut story);
                story.was_quiet();
            }
        }
    )* };
}

/// A heater that switches by its thermostat for some hours, around 25.3 degC.
fn thermostat(story: &mut Story, power: &str, hours: i64) {
    for _ in 0..hours {
        story.says(power, 200).ramp("temperature", 25.6, min(20));
        story.says(power, 0).ramp("temperature", 25.0, min(40));
    }
}

stories! {
    power_lost: "power-lost", "", ["mains"],
        |s| { s.says("mains", "on").run(h(1)).says("mains", "off").run(min(2)); },
        // The lights blink.
        |s| { s.says("mains", "on").run(h(1)).says("mains", "off"); s.says("mains", "on").run(h(1)); };

    power_unstable: "power-unstable", "", ["mains"],
        |s| for _ in 0..3 { s.says("mains", "on").run(min(9)).says("mains", "off").run(min(1)); },
        // One long cut, and one switching afterwards.
        |s| for _ in 0..2 { s.says("mains", "on").run(min(9)).says("mains", "off").run(min(40)); };

    circuit_dead: "circuit-dead", "tank = \"lagoon\"", ["mains", "circuit"],
        |s| { s.says("mains", "on").says("circuit", "on").run(h(1)).says("circuit", "off").run(min(2)); },
        // The whole house is dark: that is another alarm.
        |s| {
            s.says("mains", "on").says("circuit", "on").run(h(1));
            s.says("mains", "off").says("circuit", "off").run(h(2));
        };

    pump_not_started: "pump-not-started", "", ["mains", "return-flow"],
        |s| {
            s.says("mains", "on").says("return-flow", 2000).run(h(3));
            s.says("mains", "off").says("return-flow", 0).run(h(1)).says("mains", "on").run(min(10));
        },
        // The pump needs a minute to draw water again.
        |s| {
            s.says("mains", "on").says("return-flow", 2000).run(h(3));
            s.says("mains", "off").says("return-flow", 0).run(h(1)).says("mains", "on").run(min(2));
            s.says("return-flow", 1900).run(h(4));
        };

    battery_low: "battery-low", "", ["battery"],
        |s| { s.says("battery", 100).ramp("battery", 25.0, h(5)).run(min(5)); },
        |s| { s.says("battery", 100).ramp("battery", 35.0, h(5)).ramp("battery", 90.0, h(3)); };

    battery_ending: "battery-ending", "", ["mains", "runtime"],
        // Four hours by its own word are at least two; it counts down as the outage lasts.
        |s| {
            s.says("mains", "on").says("runtime", 240).run(h(1)).says("mains", "off");
            s.ramp("runtime", 125.0, min(115)).was_quiet();
            s.ramp("runtime", 100.0, min(25)).run(min(5));
        },
        // It reckons with little while the mains charge it; and a cut that ends long before it
        // does.
        |s| {
            s.says("mains", "on").says("runtime", 20).run(h(1)).ramp("runtime", 240.0, h(6));
            s.says("mains", "off").ramp("runtime", 180.0, h(1)).says("mains", "on").ramp("runtime", 240.0, h(2));
        };

    ups_ending_by_its_own_word: "ups-ending", "low-battery = \"low-battery\"", ["low-battery"],
        |s| { s.says("low-battery", "off").run(h(1)).says("low-battery", "on").run(min(2)); },
        |s| { s.says("low-battery", "off").run(h(1)).says("low-battery", "?").run(min(2)).says("low-battery", "off").run(h(1)); };

    ups_ending_by_its_runtime: "ups-ending", "", ["runtime"],
        |s| { s.says("runtime", 40).run(h(1)).ramp("runtime", 8.0, min(32)).run(min(2)); },
        // An outage of a quarter of an hour.
        |s| { s.says("runtime", 40).run(h(1)).ramp("runtime", 25.0, min(15)).ramp("runtime", 40.0, h(2)); };

    battery_worn: "battery-worn", "replace-battery = \"replace-battery\"", ["replace-battery"],
        |s| { s.says("replace-battery", "off").run(h(1)).says("replace-battery", "on").run(min(15)); },
        // It tests its battery.
        |s| { s.says("replace-battery", "off").run(h(1)).says("replace-battery", "on").run(min(3)).says("replace-battery", "off").run(h(1)); };

    backup_heater_by_its_power: "backup-heater-engaged", "spare-power = \"spare-power\"", ["spare-power"],
        |s| { s.says("spare-power", 0).run(h(2)).says("spare-power", 150).run(min(10)); },
        // A cold splash at a water change: it helps for a moment.
        |s| { s.says("spare-power", 0).run(h(2)).says("spare-power", 150).run(min(4)).says("spare-power", 0).run(h(2)); };

    backup_heater_by_its_state: "backup-heater-engaged", "spare-state = \"spare-state\"", ["spare-state"],
        |s| { s.says("spare-state", "off").run(h(2)).says("spare-state", "on").run(min(10)); },
        |s| { s.says("spare-state", "off").run(h(2)).says("spare-state", "?").run(min(30)); };

    backup_heater_by_temperature_alone: "backup-heater-engaged",
        "primary-setpoint = \"78 degF\"\nbackup-setpoint = \"76 degF\"", ["temperature"],
        // From 25.6 to 24.4 degC, where the spare one holds it.
        |s| { s.says("temperature", 25.6).run(h(3)).ramp("temperature", 24.4, h(3)).run(h(3)); },
        // A water change cools it for half an hour.
        |s| {
            s.says("temperature", 25.6).run(h(3)).ramp("temperature", 24.6, min(10)).run(min(10));
            s.ramp("temperature", 25.6, min(40)).run(h(3));
        };

    heater_dead: "heater-dead", "heater-power = \"heater-power\"", ["temperature", "heater-power"],
        |s| { s.says("temperature", 25.3).says("heater-power", 0).ramp("temperature", 23.7, h(4)).run(min(15)); },
        // A cold water change, and the heater works on it.
        |s| {
            s.says("temperature", 25.3).says("heater-power", 0).run(h(1));
            s.says("heater-power", 200).ramp("temperature", 23.5, min(15)).run(h(1)).ramp("temperature", 25.3, h(3));
        };

    heater_dead_though_switched_on: "heater-dead", "heater-state = \"heater-state\"", ["temperature", "heater-state"],
        |s| { s.says("temperature", 25.3).says("heater-state", "on").ramp("temperature", 23.0, h(6)); },
        // A cold water change, and the heater works on it.
        |s| { s.says("temperature", 25.0).says("heater-state", "on").run(h(1)).ramp("temperature", 23.4, min(10)).ramp("temperature", 25.0, h(3)); };

    heater_works_more: "heater-works-more", "heater-power = \"heater-power\"", ["heater-power"],
        // From a third of the time to half, and it stays so: the heater has lost a third of its
        // power.
        |s| {
            heats(s, "heater-power", (200, 0), 20, 35);
            s.was_quiet();
            heats(s, "heater-power", (130, 0), 30, 8);
        },
        // Two cold days.
        |s| {
            heats(s, "heater-power", (200, 0), 20, 35);
            heats(s, "heater-power", (200, 0), 40, 2);
            heats(s, "heater-power", (200, 0), 20, 7);
        };

    heater_works_more_by_its_state: "heater-works-more", "heater-state = \"heater-state\"", ["heater-state"],
        |s| { heats(s, "heater-state", ("on", "off"), 20, 35); heats(s, "heater-state", ("on", "off"), 30, 8); },
        // Winter comes by a tenth of the time in six weeks.
        |s| for week in 0..12 { heats(s, "heater-state", ("on", "off"), 20 + week, 7); };

    both_heaters_dead: "both-heaters-dead", "heater-power = \"heater-power\"\nspare-power = \"spare-power\"",
        ["temperature", "heater-power", "spare-power"],
        |s| { s.says("temperature", 25.3).says("heater-power", 0).says("spare-power", 0).ramp("temperature", 23.2, h(5)).run(min(15)); },
        // The spare one works.
        |s| { s.says("temperature", 25.3).says("heater-power", 0).says("spare-power", 150).ramp("temperature", 23.2, h(5)).run(h(2)); };

    heater_stuck_on: "heater-stuck-on", "heater-power = \"heater-power\"", ["temperature", "heater-power"],
        |s| { s.says("temperature", 25.3).says("heater-power", 200).ramp("temperature", 27.0, h(3)).run(min(15)); },
        // A hot afternoon; before it the thermostat at work.
        |s| {
            s.says("temperature", 25.0).says("heater-power", 0);
            thermostat(s, "heater-power", 4);
            s.ramp("temperature", 27.2, h(5)).run(h(2));
        };

    heater_stuck_on_by_temperature_alone: "heater-stuck-on", "", ["temperature"],
        |s| { s.says("temperature", 25.3).run(h(1)).ramp("temperature", 28.0, h(5)); },
        // A hot afternoon warms by a tenth of a degree an hour.
        |s| { s.says("temperature", 25.3).run(h(1)).ramp("temperature", 27.2, h(16)); };

    heater_cut_off_in_sump: "heater-cut-off-in-sump", "heater-power = \"heater-power\"", ["return-flow", "heater-power"],
        |s| { s.says("return-flow", 2000).says("heater-power", 200).run(h(1)).says("return-flow", 0).says("heater-power", 0).run(min(30)); },
        // The pump rests for feeding.
        |s| { s.says("return-flow", 2000).says("heater-power", 0).run(h(1)).says("return-flow", 0).run(min(15)).says("return-flow", 2000).run(h(1)); };

    heater_in_still_water: "heater-in-still-water",
        "heater-power = \"heater-power\"\nrelay = \"relay\"", ["return-flow", "heater-power", "relay"],
        |s| { s.says("return-flow", 2000).says("heater-power", 200).run(h(1)).says("return-flow", 0).run(min(5)); },
        // The pump is cleaned for two minutes; and it stands for an hour in which the heater rests.
        |s| {
            s.says("return-flow", 2000).says("heater-power", 200).run(h(1)).says("return-flow", 0).run(min(2));
            s.says("return-flow", 2000).run(h(1)).says("heater-power", 0).says("return-flow", 0).run(h(1));
        };

    heater_in_still_water_by_its_state: "heater-in-still-water", "heater-state = \"heater-state\"", ["return-flow", "heater-state"],
        |s| { s.says("return-flow", 2000).says("heater-state", "on").run(h(1)).says("return-flow", 0).run(min(5)); },
        // A power cut: nothing draws.
        |s| { s.says("return-flow", 2000).says("heater-state", "on").run(h(1)).says("heater-state", "off").says("return-flow", 0).run(h(3)); };

    far_too_warm: "far-too-warm", "", ["temperature"],
        |s| { s.says("temperature", 26.0).ramp("temperature", 30.5, h(5)).run(min(10)); },
        // A hot afternoon, and a hand that warms the probe.
        |s| {
            s.says("temperature", 26.0).ramp("temperature", 29.0, h(8)).run(h(2));
            s.says("temperature", 30.2).run(min(2)).says("temperature", 28.9).run(h(3));
        };

    heater_relay_disobeys: "heater-relay-disobeys",
        "heater-command = \"heater-command\"\nheater-power = \"heater-power\"", ["heater-command", "heater-power"],
        |s| { s.says("heater-command", "on").says("heater-power", 200).run(h(1)).says("heater-command", "off").run(min(5)); },
        // The meter is slower than the relay.
        |s| { s.says("heater-command", "on").says("heater-power", 200).run(h(1)).says("heater-command", "off"); s.says("heater-power", 0).run(h(1)); };

    too_warm: "too-warm", "", ["temperature"],
        |s| { s.says("temperature", 25.3).ramp("temperature", 28.0, h(4)).run(min(10)); },
        // The probe says for a moment that it has been unplugged; and a hand warms it.
        |s| {
            s.says("temperature", 25.3).run(h(1)).says("temperature", 85).run(min(1));
            s.says("temperature", 25.3).run(h(1)).says("temperature", 27.6).run(min(3)).says("temperature", 26.9).run(h(1));
        };

    too_cold: "too-cold", "", ["temperature"],
        |s| { s.says("temperature", 25.3).ramp("temperature", 23.3, h(4)).run(min(10)); },
        // A water change, as declared work.
        |s| {
            s.says("temperature", 25.3).run(h(1)).work("water-change");
            s.ramp("temperature", 23.2, min(20)).run(min(20)).ramp("temperature", 24.8, min(60)).run(h(2));
        };

    temperature_swing: "temperature-swing", "", ["temperature"],
        |s| { s.says("temperature", 25.0); for _ in 0..2 { s.ramp("temperature", 26.4, h(10)).ramp("temperature", 24.2, h(14)); } },
        // Lamps warm by day, the room cools by night: within a degree and a half.
        |s| { s.says("temperature", 25.0); for _ in 0..3 { s.ramp("temperature", 26.0, h(10)).ramp("temperature", 24.6, h(14)); } };

    cooling_not_keeping_up: "cooling-not-keeping-up", "cooler-power = \"cooler-power\"", ["temperature", "cooler-power"],
        |s| { s.says("temperature", 26.5).says("cooler-power", 20).ramp("temperature", 27.4, h(4)).run(h(1)); },
        // A hot day on which the fan has its pauses.
        |s| {
            s.says("temperature", 27.2);
            for _ in 0..6 { s.says("cooler-power", 20).run(min(50)).says("cooler-power", 0).run(min(10)); }
        };

    return_stopped: "return-stopped", "", ["return-flow"],
        |s| { s.says("return-flow", 2000).run(h(1)).says("return-flow", 0).run(min(4)); },
        // Feeding: the pump rests for ten minutes.
        |s| { s.says("return-flow", 2000).run(h(1)).work("feeding").says("return-flow", 0).run(min(10)).says("return-flow", 2000).run(h(2)); };

    flow_fading: "flow-fading", "", ["return-flow"],
        |s| { s.says("return-flow", 2000).run(h(24 * 14)).ramp("return-flow", 1300.0, h(24 * 7)).run(h(12)); },
        // Half the flow for an hour: a valve was turned for cleaning; and a slow loss of a tenth.
        |s| {
            s.says("return-flow", 2000).run(h(24 * 14)).ramp("return-flow", 1800.0, h(24 * 6));
            s.says("return-flow", 900).run(h(1)).says("return-flow", 1800).run(h(24));
        };

    flow_fading_little_by_little: "flow-fading", "", ["return-flow"],
        // By a third in five weeks.
        |s| { s.says("return-flow", 2000).run(h(24 * 14)).ramp("return-flow", 1333.0, h(24 * 35)).run(h(12)); },
        // By an eighth in five weeks, as a meter drifts.
        |s| { s.says("return-flow", 2000).run(h(24 * 14)).ramp("return-flow", 1750.0, h(24 * 35)).run(h(12)); };

    flow_fading_little_by_little_of_a_noisy_meter: "flow-fading", "", ["return-flow"],
        // By a third in five weeks, soon after the meter came in; fed every day, and a power cut.
        |s| { fades(s, 3, 667); },
        // By an eighth.
        |s| { fades(s, 3, 250); };

    circulation_stopped: "circulation-stopped", "pump-power = \"pump-power\"", ["pump-power"],
        |s| { s.says("pump-power", 12).run(h(1)).says("pump-power", 0.3).run(min(25)); },
        // Feeding without declared work.
        |s| { s.says("pump-power", 12).run(h(1)).says("pump-power", 0.3).run(min(15)).says("pump-power", 12).run(h(1)); };

    circulation_stopped_by_current: "circulation-stopped", "pump-current = \"pump-current\"", ["pump-current"],
        |s| { s.says("pump-current", 0.2).run(h(1)).says("pump-current", 0.01).run(min(25)); },
        // Two reports are lost.
        |s| { s.says("pump-current", 0.2).run(h(1)).silence("pump-current").run(min(2)).says("pump-current", 0.2).run(h(1)); };

    turnover_low: "turnover-low", "tank = \"lagoon\"", ["return-flow"],
        // 420 L want 4200 L/h.
        |s| { s.says("return-flow", 4800).run(h(2)).ramp("return-flow", 3900.0, h(1)).run(h(2)); },
        |s| { s.says("return-flow", 4800).run(h(2)).says("return-flow", 3000).run(min(15)).says("return-flow", 4800).run(h(2)); };

    level_high: "level-high", "limit = \"30 cm\"", ["level"],
        |s| { s.says("level", 24).run(h(1)).ramp("level", 32.0, min(20)).run(min(5)); },
        // The pump is switched off for feeding: the sump rises, as declared.
        |s| { s.says("level", 24).run(h(1)).work("feeding").says("level", 31).run(min(10)).says("level", 24).run(h(1)); };

    level_low: "level-low", "limit = \"12 cm\"", ["level"],
        |s| { s.says("level", 24).ramp("level", 11.0, h(30)).run(min(20)); },
        // Waves, and a float that hangs for a moment.
        |s| { s.says("level", 13).run(h(1)).says("level", 11).run(min(5)).says("level", 13).run(h(1)); };

    water_on_floor: "water-on-floor", "", ["leak"],
        |s| { s.says("leak", "dry").run(h(1)).says("leak", "wet").run(min(1)); },
        // The sensor stutters.
        |s| { s.says("leak", "dry").run(h(1)).says("leak", "unavailable").run(min(30)).says("leak", "dry").run(h(1)); };

    top_off_running_on: "top-off-running-on", "top-off-power = \"top-off-power\"", ["top-off-power"],
        |s| { s.says("top-off-power", 0).run(h(1)).says("top-off-power", 6).run(min(12)); },
        |s| { s.says("top-off-power", 0).run(h(1)); for _ in 0..6 { s.says("top-off-power", 6).run(min(6)).says("top-off-power", 0).run(min(2)); } };

    top_off_running_on_by_its_state: "top-off-running-on", "top-off-state = \"top-off-state\"\nlongest = \"5 min\"", ["top-off-state"],
        |s| { s.says("top-off-state", "off").run(h(1)).says("top-off-state", "on").run(min(7)); },
        |s| { s.says("top-off-state", "off").run(h(1)).says("top-off-state", "on").run(min(3)).says("top-off-state", "off").run(h(1)); };

    top_off_running_dry: "top-off-running-dry", "top-off-power = \"top-off-power\"", ["top-off-power", "level"],
        |s| { s.says("top-off-power", 0).says("level", 20).run(h(1)).says("top-off-power", 6).run(min(15)); },
        |s| { s.says("top-off-power", 0).says("level", 20).run(h(1)).says("top-off-power", 6).ramp("level", 22.0, min(12)).says("top-off-power", 0).run(h(1)); };

    top_off_idle: "top-off-idle", "top-off-state = \"top-off-state\"", ["top-off-state"],
        |s| { s.says("top-off-state", "on").run(min(3)).says("top-off-state", "off").run(h(50)); },
        // Damp weather: it runs once a day and a half.
        |s| for _ in 0..3 { s.says("top-off-state", "on").run(min(1)).says("top-off-state", "off").run(h(36)); };

    salinity_drifting: "salinity-drifting", "", ["salinity"],
        |s| { s.says("salinity", 35).run(h(24 * 7)).ramp("salinity", 37.0, h(24 * 7)).run(h(24)); },
        // A water change with other salt: a third of a unit, and a probe that is cleaned.
        |s| {
            s.says("salinity", 35).run(h(24 * 8)).ramp("salinity", 35.4, h(1)).run(h(24));
            s.says("salinity", 20).run(min(15)).says("salinity", 35.4).run(h(24 * 3));
        };

    ph_step: "ph-step", "", ["ph"],
        |s| { s.says("ph", 8.1).run(h(2)).ramp("ph", 8.6, min(30)).run(min(10)); },
        // Lights out: the pH falls by a third over the night.
        |s| { s.says("ph", 8.3).run(h(2)).ramp("ph", 7.95, h(10)).ramp("ph", 8.3, h(10)); };

    ph_out_of_band: "ph-out-of-band", "", ["ph"],
        |s| { s.says("ph", 8.0).ramp("ph", 7.6, h(10)).run(h(1)); },
        // The probe is calibrated.
        |s| { s.says("ph", 8.0).run(h(1)).says("ph", 7.0).run(min(10)).says("ph", 10.0).run(min(10)).says("ph", 8.0).run(h(1)); };

    dosing_running_on: "dosing-running-on", "doser-power = \"doser-power\"", ["doser-power"],
        |s| { s.says("doser-power", 0).run(h(1)).says("doser-power", 4).run(min(8)); },
        |s| for _ in 0..24 { s.says("doser-power", 4).run(min(2)).says("doser-power", 0).run(min(58)); };

    // The day of these stories begins at noon; the photoperiod is from 10:00 to 20:00.
    light_not_on: "light-not-on", "tank = \"lagoon\"", ["light"],
        |s| { s.says("light", 200).run(h(8)).says("light", 0).run(h(16)); },
        // Lights out in the evening, and on again in the morning with a ramp.
        |s| {
            s.says("light", 200).run(h(8)).says("light", 0).run(h(14)).ramp("light", 200.0, min(50)).run(h(9));
            s.says("light", 0).run(h(4));
        };

    light_stuck_on: "light-stuck-on", "tank = \"lagoon\"\nlight-state = \"light-state\"", ["light-state"],
        |s| { s.says("light-state", "on").run(h(10)); },
        // Someone looks at the tank at night.
        |s| { s.says("light-state", "on").run(h(8)).says("light-state", "off").run(h(4)).says("light-state", "on").run(min(10)).says("light-state", "off").run(h(6)); };

    light_integral_off: "light-integral-off", "", ["light"],
        // 80 umol/m2/s for ten hours are 2.9 mol/m2.
        |s| for _ in 0..2 { s.says("light", 80).run(h(8)).says("light", 0).run(h(14)).says("light", 80).run(h(2)); },
        // 350 for ten hours are 12.6; a cloudy-day program halves one day.
        |s| for level in [350, 350, 180, 350] { s.says("light", level).run(h(8)).says("light", 0).run(h(14)).says("light", level).run(h(2)); };

    probe_out_of_water: "probe-out-of-water", "", ["temperature"],
        |s| { s.says("temperature", 25.3).run(h(2)).ramp("temperature", 21.0, min(15)).run(min(10)); },
        // A water change.
        |s| { s.says("temperature", 25.3).run(h(2)).ramp("temperature", 23.5, min(15)).ramp("temperature", 25.3, h(2)); };

    probe_of_salinity_out_of_water: "probe-out-of-water", "salinity = \"salinity\"", ["salinity"],
        |s| { s.says("salinity", 35).run(h(2)).says("salinity", 0).run(min(5)); },
        // Bubbles on the probe.
        |s| { s.says("salinity", 35).run(h(2)).says("salinity", 5).run(min(1)).says("salinity", 35).run(h(1)); };

    probes_disagree: "probes-disagree", "first = \"first\"\nsecond = \"second\"", ["first", "second"],
        |s| { s.says("first", 25.3).says("second", 25.0).run(h(1)).ramp("second", 24.0, h(3)).run(h(1)); },
        // One sits nearer to the heater; one is pulled out for a quarter of an hour.
        |s| { s.says("first", 25.3).says("second", 24.7).run(h(2)).ramp("second", 23.9, min(5)).run(min(10)).ramp("second", 24.7, min(5)).run(h(2)); };

    sensor_frozen: "sensor-frozen", "sensor = \"sensor\"\nlength = \"2 h\"", ["sensor"],
        |s| { s.says("sensor", 25.3).run(h(3)); },
        // A thermostat at work; a row of equal minutes is usual.
        |s| for _ in 0..6 { s.says("sensor", 25.3).run(min(50)).says("sensor", 25.4).run(min(30)); };

    sensor_silent: "sensor-silent", "sensor = \"sensor\"", ["sensor"],
        |s| { s.says("sensor", 25.3).run(h(1)).silence("sensor").run(min(20)); },
        |s| { s.says("sensor", 25.3).run(h(1)).silence("sensor").run(min(10)).says("sensor", 25.3).run(h(1)); };
}

#[test]
fn every_hazard_has_its_stories() {
    let told = include_str!("stories.rs");
    // Those that ask a tank's model need days of a simulated tank.
    let simulated = include_str!("../forecasts/hazards.rs");
    for name in slackwater_rules::hazard::names() {
        let (here, there) = (format!(": \"{name}\","), format!("(\"{name}\","));
        assert!(told.contains(&here) || simulated.contains(&there), "{name} has no story");
    }
}

#[test]
fn hazards_of_one_cause_are_one_call_out() {
    let alarms = "[alarm.dark]\nhazard = \"power-lost\"\n\n[alarm.it]\nhazard = \"return-stopped\"\n\n\
                  [alarm.cold]\nhazard = \"too-cold\"\nconsequence-of = []\n";
    let checked = crate::site::check(&rules(&["mains", "return-flow", "temperature"], alarms));
    let plan = checked.plan.unwrap_or_else(|| panic!("{}", checked.report));
    let causes = |name: &str| {
        let alarm = plan.alarm(plan.alarm_named(name).expect("it is there"));
        alarm.consequence_of.iter().map(|id| plan.alarm(*id).name.as_str()).collect::<Vec<_>>()
    };
    assert_eq!(causes("it"), ["dark"]);
    assert_eq!(causes("cold"), [""; 0], "the keeper says that nothing explains it");
}

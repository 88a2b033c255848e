//! A house without a broker: a UPS server, folders like the kernel's, and pages into a folder.

use slackwater_tests::agent::{Agent, Home, SOON, until};
use std::fs;

/// The program.
pub(crate) const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

/// What the UPS says while all is well.
pub(crate) const WELL: &[(&str, &str)] =
    &[("ups.status", "OL"), ("battery.charge", "100"), ("battery.runtime", "1806")];

/// Everything through the UPS.
const RULES: &str = r#"
[sensor.rack-mains]
source = { ups = "rack", reads = "mains" }
every  = "1 s"

[sensor.rack-charge]
source = { ups = "rack", reads = "charge" }
every  = "1 s"

[sensor.rack-runtime]
source = { ups = "rack", reads = "runtime" }
every  = "1 s"

[sensor.rack-low]
source = { ups = "rack", reads = "low-battery" }
every  = "1 s"

[sensor.rack-replace]
source = { ups = "rack", reads = "replace-battery" }
every  = "1 s"

[alarm.power-lost]
when     = "rack-mains is off"
priority = "critical"
response = ["Look."]
callout  = "household"

[alarm.ups-ending]
when     = "rack-low is on or rack-runtime < 2 min"
priority = "high"
response = ["Look."]
callout  = "household"

[alarm.battery-worn]
when     = "rack-replace is on"
priority = "low"
response = ["Look."]
callout  = "household"

[sight]
after = "300 ms"
pages-after = "300 ms"

[callout.household]
steps = [{ after = "0 s", to = ["ines.push"] }]
"#;

/// Everything through the kernel.
pub(crate) const BOARD: &str = r#"
[tank.lagoon]

[sensor.mains]
source = { supply = "adapter", reads = "mains" }
every  = "1 s"

[sensor.lagoon-temp]
source = { one-wire = "28-0316a4b2c1ff" }
tank   = "lagoon"
every  = "1 s"

[alarm.power-lost]
when     = "mains is off"
priority = "critical"
response = ["Look."]
callout  = "household"

[alarm.lagoon-hot]
tank     = "lagoon"
when     = "lagoon-temp > 28 degC"
priority = "high"
response = ["Look."]
callout  = "household"

[sight]
after = "300 ms"
pages-after = "300 ms"

[callout.household]
steps = [{ after = "0 s", to = ["ines.push"] }]
"#;

pub(crate) struct House {
    pub(crate) home: Home,
    port: u16,
}

impl House {
    /// With a UPS server at this port; `more` stands under `[ups.rack]`.
    pub(crate) fn new(port: u16, more: &str) -> Self {
        let home = Home::new(SLACKWATER).expect("a folder");
        let house = Self { home, port };
        house.home.write("rules.toml", RULES).expect("written");
        house.home.write("agent.toml", &house.configuration(more)).expect("written");
        house
    }

    /// The agent's configuration, with a login only if there is a UPS in the rules.
    pub(crate) fn configuration(&self, more: &str) -> String {
        let rules = fs::read_to_string(self.home.path("rules.toml")).unwrap_or_default();
        let port = self.port;
        let ups = format!("[ups.rack]\nhost = \"127.0.0.1\"\nport = {port}\n{more}");
        let ups = if rules.contains("ups = ") { ups } else { String::new() };
        format!(
            r#"
[site]
rules = "rules.toml"
zone  = "UTC"

# Nobody listens there.
[broker]
host = "127.0.0.1"
port = 1

[sources]
one-wire       = "w1"
power-supplies = "supplies"

[contact.ines.channel.push]
kind   = "folder"
folder = "pages"
to     = "ines@halyard.example"

[journal]
path = "journal.sqlite"

[control]
socket = "control.sock"

[log]
format = "terminal"

[clock]
trust = "always"

{ups}
"#
        )
    }

    /// Starts the watch, and waits until every sensor says something good.
    #[track_caller]
    pub(crate) fn watch(&self) -> Agent {
        let agent = self.home.start().expect("the program starts");
        self.all_good();
        agent
    }

    #[track_caller]
    fn status<T>(&self, what: &str, pick: impl Fn(&serde_json::Value) -> Option<T>) -> T {
        let look = || pick(&serde_json::from_str(&self.home.say(&["status", "--json"]).out).ok()?);
        until(what, SOON, look, || self.home.log())
    }

    #[track_caller]
    pub(crate) fn all_good(&self) {
        self.status("every sensor is good", |status| {
            let sensors = status["status"]["sensors"].as_array()?;
            sensors.iter().all(|sensor| sensor["quality"] == "good").then_some(())
        });
    }

    /// What the sensor shows.
    #[track_caller]
    pub(crate) fn value(&self, name: &str) -> String {
        self.sensor(name, |sensor| Some(sensor["value"].as_str()?.to_owned()))
    }

    /// Why the sensor is not believed, once it is not.
    #[track_caller]
    pub(crate) fn doubt(&self, name: &str) -> String {
        self.doubt_with(name, "")
    }

    #[track_caller]
    pub(crate) fn doubt_with(&self, name: &str, words: &str) -> String {
        self.sensor(name, |sensor| {
            let why = sensor["why"].as_str().filter(|why| why.contains(words))?;
            (sensor["quality"] == "suspect").then(|| why.to_owned())
        })
    }

    #[track_caller]
    fn sensor<T>(&self, name: &str, pick: impl Fn(&serde_json::Value) -> Option<T>) -> T {
        self.status(name, |status| {
            let sensors = status["status"]["sensors"].as_array()?;
            pick(sensors.iter().find(|sensor| sensor["name"] == name)?)
        })
    }

    /// Why the source can't be asked, once it can't.
    #[track_caller]
    pub(crate) fn trouble(&self, source: &str) -> String {
        self.status(source, |status| Some(status["health"]["sources"][source].as_str()?.to_owned()))
    }

    /// The pages so far.
    pub(crate) fn pages(&self) -> Vec<String> {
        let Ok(pages) = fs::read_dir(self.home.path("pages")) else { return Vec::new() };
        let eml = |name: &String| name.ends_with(".eml");
        pages.flatten().map(|page| page.file_name().to_string_lossy().into_owned()).filter(eml).collect()
    }

    /// What the thermometer's file says, as w1_therm.rst of the kernel describes it.
    pub(crate) fn thermometer(&self, bytes: &str, verdict: &str, thousandths: &str) {
        let crc = bytes.rsplit(' ').next().unwrap_or_default();
        let text = format!("{bytes} : crc={crc} {verdict}\n{bytes} t={thousandths}\n");
        self.put("w1/28-0316a4b2c1ff", "w1_slave", &text);
    }

    /// Whether the adapter is fed, as sysfs-class-power of the kernel describes it.
    pub(crate) fn adapter(&self, online: &str) {
        self.put("supplies/adapter", "type", "Mains\n");
        self.put("supplies/adapter", "online", &format!("{online}\n"));
    }

    /// All at once, so that nobody reads half of it.
    fn put(&self, folder: &str, file: &str, text: &str) {
        let folder = self.home.path(folder);
        fs::create_dir_all(&folder).expect("a folder");
        fs::write(folder.join("next"), text).expect("written");
        fs::rename(folder.join("next"), folder.join(file)).expect("in its place");
    }
}

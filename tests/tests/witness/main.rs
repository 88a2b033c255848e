//! A site and its witness, each a real process with a real mosquitto of its own: the house's broker
//! dies with the house, the one elsewhere has TLS, passwords and rights. Where mosquitto is missing
//! these tests say so and look at nothing.

#![cfg(test)]

mod alive;
mod announced;
mod intruders;
mod joining;
mod outage;
mod requests;

use slackwater::checkin::SiteKey;
use slackwater_rules::record::{Body, Purpose, Record};
use slackwater_tests::agent::{Agent, Home, SOON, until};
use slackwater_tests::certs::{Authority, Validity};
use slackwater_tests::house::House;
use slackwater_tests::mosquitto::{Mosquitto, Options, available};
use std::fs;

const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

/// Logins at the broker elsewhere: the site's, the witness's, that of all sites that join, and one
/// that may write everywhere.
const SITE: (&str, &str) = ("halyard", "brackish");
const WITNESS: (&str, &str) = ("witness", "tide table");
const SITES: (&str, &str) = ("sites", "slack water");
const INTRUDER: (&str, &str) = ("intruder", "estuary");

const RIGHTS: &str = include_str!("../../../deploy/mosquitto/rights-elsewhere");

/// What the site's configuration says in addition.
fn check_in(port: u16, ca: &str) -> String {
    let user = SITE.0;
    format!(
        r#"
[check-in]
name      = "halyard"
key-file  = "check-in-key"
every     = "1 s"
mains     = "mains"
goes-dark = {{ alarm = "power-lost", after = "10 min" }}

[check-in.broker]
host          = "localhost"
port          = {port}
tls           = {{ ca-file = "{ca}" }}
user          = "{user}"
password-file = "site-password"
keep-alive    = "5 s"
"#
    )
}

/// The witness, and the broker elsewhere.
struct Shed {
    home: Home,
    away: Mosquitto,
    agent: Agent,
}

impl Shed {
    /// Builds both for sites with these keys, and waits until the witness hears its broker.
    fn build(authority: &Authority, sites: &[(&str, String)]) -> Self {
        Self::build_with(authority, sites, "")
    }

    /// The same with more in the witness's configuration.
    fn build_with(authority: &Authority, sites: &[(&str, String)], more: &str) -> Self {
        let login = |(user, password): (&str, &str)| (user.to_owned(), password.to_owned());
        let identity = authority.identity("localhost", Validity::Now).expect("a certificate");
        let away = Mosquitto::start(&Options {
            users: vec![login(SITE), login(WITNESS), login(SITES), login(INTRUDER)],
            rights: Some(format!("{RIGHTS}\nuser intruder\ntopic readwrite #\n")),
            tls: Some(identity),
            plain_too: true,
            ..Options::default()
        })
        .expect("a broker");
        let home = Home::new(SLACKWATER).expect("a folder");
        let (port, ca, user) = (away.port(), authority.file(), WITNESS.0);
        let config = format!(
            r#"
[site]
rules = "rules.toml"
zone  = "UTC"

[broker]
host          = "localhost"
port          = {port}
tls           = {{ ca-file = "{}" }}
client-id     = "slackwater-witness"
user          = "{user}"
password-file = "password"
keep-alive    = "5 s"

[contact.tom.channel.pages]
kind   = "folder"
folder = "pages"
to     = "tom@example.org"

[journal]
path = "journal.sqlite"

[control]
socket = "control.sock"

[log]
format = "terminal"

[clock]
trust = "always"
"#,
            ca.display()
        );
        let mut rules = "[site]\nname = \"Tom's shed\"\n\n[callout.tom]\nsteps = [{ after = \"0 s\", to = [\"tom.pages\"] }]\nsettle = \"1 s\"\n".to_owned();
        for (name, key) in sites {
            rules += &format!(
                "\n[watched.{name}]\nname = \"Halyard House\"\nkey = \"{key}\"\nevery = \"1 s\"\nsilent-after = \"5 s\"\n"
            );
        }
        home.write("agent.toml", &format!("{config}{more}")).expect("written");
        home.write("rules.toml", &rules).expect("written");
        home.write("password", WITNESS.1).expect("written");
        home.write("sites-password", SITES.1).expect("written");
        let mut agent = home.start_as(&["witness"]).expect("it starts");
        agent.hears();
        Self { home, away, agent }
    }

    /// Waits until the status shows something of the site.
    #[track_caller]
    fn sees(&self, what: &str, is: impl Fn(&serde_json::Value) -> bool) {
        let look = || {
            let said = self.home.say(&["status", "--json"]);
            let status: serde_json::Value = serde_json::from_str(&said.out).ok()?;
            is(&status).then_some(())
        };
        until(what, SOON, look, || self.home.log());
    }

    #[track_caller]
    fn hears_halyard(&self) {
        self.sees("a live check-in", |status| status["status"]["sensors"][0]["quality"] == "good");
    }

    /// The page to Tom that says this, with the ends of its long lines undone (RFC 2045, 6.7).
    fn mail(&self, saying: &str) -> Option<String> {
        let files = fs::read_dir(self.home.path("pages")).ok()?.flatten();
        let mut texts = files.filter_map(|file| fs::read_to_string(file.path()).ok());
        texts.find_map(|text| {
            let text = text.replace("=\r\n", "").replace("=\n", "");
            text.contains(saying).then_some(text)
        })
    }

    /// The witness's records of the site's alarm being raised.
    #[track_caller]
    fn rings(&self, after: u64) -> (u64, String) {
        let is = |body: &Body| matches!(body, Body::Raised { alarm, .. } if alarm == "halyard-silent");
        let record = self.home.record("the alarm for the silent site", after, is);
        match record.body {
            Body::Raised { because, .. } => (record.seq, because),
            _ => (record.seq, String::new()),
        }
    }
}

/// A house that checks in, and its witness, both at work.
async fn house_and_shed() -> Option<(House, Agent, Shed)> {
    if !available() {
        return None;
    }
    let house = House::build(SLACKWATER).await.expect("the house can be set up");
    let public = house.home.say(&["witness", "key", "--out", "check-in-key"]).well();
    let authority = Authority::new(house.home.folder(), "elsewhere").expect("an authority");
    let shed = Shed::build(&authority, &[("halyard", public.trim().to_owned())]);
    let config = fs::read_to_string(house.home.path("agent.toml")).expect("written before");
    let added = check_in(shed.away.port(), &authority.file().display().to_string());
    house.home.write("agent.toml", &format!("{config}{added}")).expect("written");
    house.home.write("site-password", SITE.1).expect("written");
    let site = house.watch();
    shed.hears_halyard();
    Some((house, site, shed))
}

fn paged(records: &[Record], kind: Purpose) -> usize {
    let is = |record: &&Record| matches!(record.body, Body::Paged { purpose, .. } if purpose == kind);
    records.iter().filter(is).count()
}

fn key() -> SiteKey {
    SiteKey::make().expect("randomness").0
}

//! Halyard House, set up for tests: a real broker with TLS, passwords and the shipped rights, a
//! scripted mail server with STARTTLS and a login, a scripted push gateway over HTTPS, the boards,
//! and the files that tell the agent of all that. Times in the rule file are short.

use crate::agent::{Agent, Home, SOON, until};
use crate::board::Board;
use crate::certs::{Authority, Identity, Validity};
use crate::http::{Answer, Gateway};
use crate::mosquitto::{Mosquitto, Options};
use crate::smtp::{Fault, Script, Server};
use crate::wire;
use std::io;
use std::path::Path;

/// The rights that the repository ships.
const RIGHTS: &str = include_str!("../../deploy/mosquitto/rights");

/// The agent's login at the broker.
pub const AGENT: (&str, &str) = ("slackwater", "tide table");
/// The boards' login at the broker.
pub const LAGOON: (&str, &str) = ("lagoon", "brackish");
/// That of the gateway in the other room.
pub const ROOM2: (&str, &str) = ("room2", "estuary");
/// The login of Ines, who may answer.
pub const INES: (&str, &str) = ("ines", "flood mark");
/// The login of Tom, who may too.
pub const TOM: (&str, &str) = ("tom", "ebb mark");

const MAIL_LOGIN: (&str, &str) = ("watch@example.org", "neap tide");
const PUSH_TOKEN: &str = "Bearer spring-tide";

/// What the boards say while all is well.
pub const WELL: &[(&str, &str)] =
    &[("house/mains", "on"), ("lagoon/temperature", "25.5"), ("lagoon/return", r#"{"flow":{"rate":1830}}"#)];

/// The rule file.
pub const RULES: &str = r#"
[site]
name = "Halyard House"

[tank.lagoon]
volume   = "420 L"
salinity = "35 ppt"
stocking = "moderate"

[sensor.mains]
topic    = "house/mains"
measures = "presence"
on       = ["on"]
off      = ["off"]
every    = "1 s"

[sensor.lagoon-temp]
topic     = "lagoon/temperature"
tank      = "lagoon"
measures  = "temperature"
unit      = "degC"
every     = "1 s"
plausible = ["5 degC", "45 degC"]
# These tests have no minutes to wait until a jump is believed.
max-rate  = "none"

[sensor.lagoon-return]
topic    = "lagoon/return"
pointer  = "/flow/rate"
tank     = "lagoon"
measures = "flow"
unit     = "L/h"
every    = "1 s"

[alarm.power-lost]
tank            = "lagoon"
when            = "mains is off"
priority        = "critical"
consequence     = "no heat, no flow: oxygen falls first, then temperature"
response        = ["Open the lid.", "Start the battery air pump."]
time-to-respond = "1 h"
callout         = "household"

[alarm.lagoon-return-stopped]
tank           = "lagoon"
when           = "lagoon-return < 200 L/h"
deadband       = "50 L/h"
on-delay       = "300 ms"
priority       = "high"
consequence    = "no heat reaches the display"
response       = ["Look at the pump."]
consequence-of = ["power-lost"]
callout        = "household"

[alarm.lagoon-cold]
tank     = "lagoon"
when     = "lagoon-temp < 24 degC"
deadband = "0.3 K"
priority = "high"
response = ["Look at the heater."]
callout  = "household"

[sight]
after   = "2 s"
pages-after = "2 s"
callout = "household"

[callout.household]
steps = [
  { after = "0 s", to = ["ines.push"] },
  { after = "2 s", to = ["ines.mail", "tom.mail"] },
  { after = "4 s", to = ["neighbour.mail"] },
]
again  = "3 s"
lease  = "5 s"
renew  = "1 s"
settle = "1 s"

[work.feeding]
pauses  = ["flow"]
longest = "20 min"
"#;

/// The sample site as the repository ships it, with the certificate and the secrets that its
/// files name but can't hold: in the places that a keeper would put them, told by variables.
///
/// # Errors
/// When a file can't be written.
pub fn sample(binary: &str) -> io::Result<Home> {
    let mut home = Home::new(binary)?;
    home.write("agent.toml", include_str!("../../deploy/sample/agent.toml"))?;
    home.write("rules.toml", include_str!("../../deploy/sample/rules.toml"))?;
    for secret in ["broker-password", "mail-password", "push-authorization"] {
        home.write(secret, "spring-tide")?;
    }
    let authority = Authority::new(home.folder(), "authority")?;
    home.set("SLACKWATER_BROKER__TLS__CA_FILE", &authority.file().display().to_string());
    home.set("CREDENTIALS_DIRECTORY", &home.folder().display().to_string());
    Ok(home)
}

/// The house.
pub struct House {
    /// Where the agent's files are.
    pub home: Home,
    /// Its broker.
    pub broker: Mosquitto,
    /// Where its mails arrive.
    pub mail: Server,
    /// Where its push messages arrive.
    pub push: Gateway,
    /// Its sensors.
    pub board: Board,
    /// Whom everybody in it trusts.
    pub authority: Authority,
}

impl House {
    /// Builds it around the program at `binary`, without starting that.
    ///
    /// # Errors
    /// When a part can't be started.
    pub async fn build(binary: &str) -> io::Result<Self> {
        Self::build_in(Home::new(binary)?).await
    }

    /// Builds it around the program of this home.
    ///
    /// # Errors
    /// When a part can't be started.
    pub async fn build_in(home: Home) -> io::Result<Self> {
        let authority = Authority::new(home.folder(), "authority")?;
        let identity = authority.identity("localhost", Validity::Now)?;
        let login = |(user, password): (&str, &str)| (user.to_owned(), password.to_owned());
        let broker = Mosquitto::start(&Options {
            users: vec![login(AGENT), login(LAGOON), login(ROOM2), login(INES), login(TOM)],
            rights: Some(RIGHTS.to_owned()),
            tls: Some(identity.clone()),
            plain_too: true,
            lines: vec!["log_type all".to_owned()],
            ..Options::default()
        })?;
        let mail = Server::start(mail_script(&identity)?, Fault::None).await?;
        let push = Gateway::start(Some(wire::tls(&identity)?), Answer::status("202 Accepted")).await?;
        let board = Board::start(broker.plain_port(), LAGOON, WELL);
        home.write("broker-password", AGENT.1)?;
        home.write("mail-password", MAIL_LOGIN.1)?;
        home.write("push-authorization", PUSH_TOKEN)?;
        home.write("rules.toml", RULES)?;
        let house = Self { home, broker, mail, push, board, authority };
        house.configure("")?;
        Ok(house)
    }

    /// Writes the agent's configuration anew, with these further sections.
    ///
    /// # Errors
    /// When it can't be written.
    pub fn configure(&self, more: &str) -> io::Result<()> {
        let usual = self.configuration(&self.authority.file());
        self.home.write("agent.toml", &format!("{usual}{more}"))
    }

    /// Mail goes to another server from the next start on: one whose certificate is like this.
    ///
    /// # Errors
    /// When it can't be started.
    pub async fn move_mail(&mut self, validity: Validity) -> io::Result<()> {
        let identity = self.authority.identity("localhost", validity)?;
        self.mail = Server::start(mail_script(&identity)?, Fault::None).await?;
        Ok(())
    }

    /// Starts the agent, and waits until it hears the broker and every sensor.
    ///
    /// # Panics
    /// When it does not soon.
    pub fn watch(&self) -> Agent {
        let mut agent = self.home.start().expect("the program starts");
        agent.hears();
        self.status("every sensor is heard", |status| {
            let sensors = status["status"]["sensors"].as_array()?;
            sensors.iter().all(|sensor| sensor["quality"] == "good").then_some(())
        });
        agent
    }

    /// Waits until `status --json` shows something.
    ///
    /// # Panics
    /// When it does not soon; with the log.
    #[track_caller]
    pub fn status<T>(&self, what: &str, pick: impl Fn(&serde_json::Value) -> Option<T>) -> T {
        let look = || {
            let said = self.home.say(&["status", "--json"]);
            pick(&serde_json::from_str(&said.out).ok()?)
        };
        until(what, SOON, look, || self.home.log())
    }

    fn configuration(&self, authority: &Path) -> String {
        let (broker, mail, push) = (self.broker.port(), self.mail.port, self.push.port);
        let ca = authority.display();
        format!(
            r#"
[site]
rules = "rules.toml"
zone  = "UTC"

[broker]
host           = "localhost"
port           = {broker}
tls            = {{ ca-file = "{ca}" }}
client-id      = "slackwater-halyard"
user           = "{}"
password-file  = "broker-password"
keep-alive     = "5 s"

[mail]
host          = "localhost"
port          = {mail}
security      = "starttls"
ca-file       = "{ca}"
user          = "{}"
password-file = "mail-password"
from          = "watch@example.org"
timeout       = "5 s"

[contact.ines]
name = "Ines"

[contact.ines.channel.push]
kind    = "push"
url     = "https://localhost:{push}/halyard-house"
ca-file = "{ca}"
secret-header-files = {{ Authorization = "push-authorization" }}
timeout = "5 s"

[contact.ines.channel.mail]
kind = "mail"
to   = "Ines <ines@example.org>"

[contact.tom]
name = "Tom"

[contact.tom.channel.mail]
kind = "mail"
to   = "tom@example.org"

[contact.neighbour]
name = "the neighbour"

[contact.neighbour.channel.mail]
kind = "mail"
to   = "neighbour@example.org"

[journal]
path        = "journal.sqlite"
flush-every = "1 s"

[control]
socket = "control.sock"

[log]
format = "terminal"

[clock]
trust = "always"
"#,
            AGENT.0, MAIL_LOGIN.0
        )
    }
}

fn mail_script(identity: &Identity) -> io::Result<Script> {
    let (user, password) = MAIL_LOGIN;
    Ok(Script {
        tls: Some(wire::tls(identity)?),
        login: Some((user.to_owned(), password.to_owned())),
        ..Script::default()
    })
}

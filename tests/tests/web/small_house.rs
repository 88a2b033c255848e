//! A small house of its own: one tank, a broker that is away, pages that lie in a folder, and the
//! page on a port of this machine. What strangers' requests look like is here as well.

use super::SLACKWATER;
use slackwater_tests::agent::{Agent, Home, SOON, until};
use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::time::Duration;

const RULES: &str = r#"
[site]
name = "Halyard House"

[tank.lagoon]
volume = "420 L"

[sensor.lagoon-temp]
topic    = "lagoon/temperature"
tank     = "lagoon"
measures = "temperature"
unit     = "degC"
every    = "30 s"

[alarm.lagoon-warm]
tank        = "lagoon"
when        = "lagoon-temp > 28 degC"
priority    = "high"
consequence = "the animals breathe faster than the water gives"
response    = ["Open the lid."]
callout     = "household"

[health]
after = "1 s"

[callout.household]
steps = [{ after = "0 s", to = ["ines.mail"] }]
again = "15 min"
lease = "60 min"
settle = "1 s"
"#;

/// The house.
pub(crate) struct SmallHouse {
    pub(crate) home: Home,
    pub(crate) port: u16,
}

/// A port that nobody has just now.
pub(crate) fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").and_then(|one| one.local_addr()).expect("a port").port()
}

impl SmallHouse {
    /// With these keys in `[web]` (`{port}` stands for the page's port), and these for Ines.
    pub(crate) fn new(web: &str, ines: &str) -> Self {
        let home = Home::new(SLACKWATER).expect("a folder");
        let port = free_port();
        home.write("rules.toml", RULES).expect("written");
        let web = web.replace("{port}", &port.to_string());
        let away = free_port();
        let config = format!(
            "[site]\nrules = \"rules.toml\"\nzone = \"UTC\"\n\n[broker]\nhost = \"127.0.0.1\"\nport = {away}\n\n\
             [journal]\npath = \"journal.sqlite\"\n\n[control]\nsocket = \"control.sock\"\n\n[clock]\ntrust = \"always\"\n\n[web]\n{web}\n\n\
             [contact.ines]\nname = \"Ines Halyard\"\n{ines}\n\n[contact.ines.channel.mail]\nkind = \"folder\"\n\
             folder = \"pages\"\nto = \"Ines <ines@halyard.example>\"\n\n[contact.tom]\nname = \"Tom\"\n\n\
             [contact.tom.channel.mail]\nkind = \"folder\"\nfolder = \"pages\"\nto = \"Tom <tom@halyard.example>\"\n"
        );
        home.write("agent.toml", &config).expect("written");
        Self { home, port }
    }

    /// Another configuration, from the next start on.
    pub(crate) fn change(&self, change: impl FnOnce(String) -> String) {
        let config = fs::read_to_string(self.home.path("agent.toml")).expect("it is there");
        self.home.write("agent.toml", &change(config)).expect("written");
    }

    pub(crate) fn start(&self) -> Agent {
        self.home.start().expect("it starts")
    }

    pub(crate) fn address(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    /// What pages have been left so far, each as its text.
    pub(crate) fn letters(&self) -> Vec<String> {
        let mut files: Vec<_> = fs::read_dir(self.home.path("pages"))
            .map(|found| found.flatten().map(|entry| entry.path()).collect())
            .unwrap_or_default();
        files.retain(|path: &std::path::PathBuf| path.extension().is_some_and(|end| end == "eml"));
        files.sort();
        files.iter().filter_map(|path| fs::read_to_string(path).ok()).collect()
    }

    /// Waits for a letter with these words in it.
    #[track_caller]
    pub(crate) fn letter(&self, what: &str, has: impl Fn(&str) -> bool) -> String {
        let find = || self.letters().into_iter().find(|letter| has(letter));
        until(what, SOON, find, || format!("{:#?}\n{}", self.letters(), self.home.log()))
    }

    /// Waits until the page is served.
    #[track_caller]
    pub(crate) fn is_served(&self, within: Duration) {
        let asked = || (status(&get(&self.address(), "/sign-in", "")) == "200").then_some(());
        until("the page", within, asked, || self.home.log());
    }

    /// A link that signs Ines in.
    pub(crate) fn invitation(&self) -> String {
        let said = self.home.say(&["web", "invite", "ines"]).well();
        let link = said.lines().find(|line| line.contains("/in/")).expect("a link");
        link.rsplit('/').next().expect("a token").trim().to_owned()
    }
}

/// Says this and hears everything until the other side ends.
pub(crate) fn say(address: &str, request: &str) -> String {
    let Ok(mut stream) = TcpStream::connect(address) else { return String::new() };
    stream.set_read_timeout(Some(Duration::from_secs(10))).expect("set");
    let _ = stream.write_all(request.as_bytes());
    let mut heard = Vec::new();
    let _ = stream.read_to_end(&mut heard);
    String::from_utf8_lossy(&heard).into_owned()
}

pub(crate) fn get(address: &str, path: &str, more: &str) -> String {
    say(address, &format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n{more}\r\n"))
}

pub(crate) fn post(address: &str, path: &str, more: &str, body: &str) -> String {
    let length = body.len();
    say(
        address,
        &format!(
            "POST {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\nContent-Type: application/x-www-form-urlencoded\r\n\
             Content-Length: {length}\r\n{more}\r\n{body}"
        ),
    )
}

/// What a browser says of a form that a page of this site has sent.
pub(crate) const HERE: &str = "Sec-Fetch-Site: same-origin\r\n";

pub(crate) fn status(reply: &str) -> &str {
    reply.split(' ').nth(1).unwrap_or("nothing")
}

/// What a browser shows after this reply; nothing if it gives no session.
pub(crate) fn cookie_of(reply: &str) -> Option<String> {
    let set = reply.lines().find(|line| line.to_lowercase().starts_with("set-cookie:"))?;
    let value = set.split_once(':')?.1.trim().split(';').next()?;
    Some(format!("Cookie: {value}\r\n"))
}

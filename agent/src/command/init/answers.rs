//! What a beginner was asked, or told by flags, and what it makes of the two files. What was not
//! answered stays as the templates have it.

use std::io::{BufRead, Write};

/// Which tanks, which broker, who is told.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct InitAnswers {
    pub(super) tanks: Vec<String>,
    /// `HOST` or `HOST:PORT`.
    pub(super) broker: Option<String>,
    pub(super) broker_user: Option<String>,
    pub(super) who: Option<String>,
    /// An address, and the server that mail to it goes through.
    pub(super) mail: Option<(String, String)>,
}

/// The block of the rule file that is written for each tank, and the tank's name in it.
const EACH: &str = "#@ each tank\n";
const END: &str = "#@ end\n";
const TANK: &str = "lagoon";

/// Whether this can be the name of a tank.
pub(super) fn is_slug(text: &str) -> bool {
    let good = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
    text.starts_with(|c: char| c.is_ascii_lowercase()) && text.len() <= 40 && text.bytes().all(good)
}

/// Asks on a terminal; an empty line takes what stands in brackets.
pub(super) fn ask(from: &mut impl BufRead, to: &mut impl Write) -> InitAnswers {
    let mut question = |text: &str| {
        // A terminal that has gone answers nothing.
        let _ = write!(to, "{text} ").and_then(|()| to.flush());
        let mut line = String::new();
        let read = from.read_line(&mut line).unwrap_or_default();
        let line = line.trim().to_owned();
        (read > 0 && !line.is_empty()).then_some(line)
    };
    let tanks = question("Names of your tanks, with spaces between [lagoon]:");
    let tanks = tanks.map(|line| line.to_lowercase()).unwrap_or_default();
    let tanks = tanks.split([' ', ',']).filter(|name| is_slug(name)).map(str::to_owned).collect();
    let broker = question("The broker's name or address; it must speak MQTT 5 [localhost]:");
    let broker_user = question("Its user for the watch, if it wants one [none]:");
    let who = question("Your name, as pages say it [the keeper]:");
    let address = question("Your mail address, if pages may go there [none]:");
    let mail = address.and_then(|address| {
        let server = question("The server that your mail goes through (host for sending):")?;
        Some((address, server))
    });
    InitAnswers { tanks, broker, broker_user, who, mail }
}

fn quoted(text: &str) -> String {
    let plain: String = text.chars().filter(|c| !c.is_control()).collect();
    format!("\"{}\"", plain.replace('\\', "\\\\").replace('"', "\\\""))
}

impl InitAnswers {
    /// The agent's file.
    pub(super) fn agent(&self, template: &str) -> String {
        let broker = self.broker.as_deref().unwrap_or("localhost");
        let (host, port) = match broker.rsplit_once(':') {
            Some((host, port)) if port.parse::<u16>().is_ok() && !host.contains(':') => (host, port),
            _ => (broker, "1883"),
        };
        let login = match &self.broker_user {
            Some(user) => format!(
                "user          = {}\npassword-file = \"broker-password\"      # in the folder `secrets`\n{}",
                quoted(user),
                match host {
                    "localhost" | "127.0.0.1" => "",
                    _ => "tls           = true                   # a password crosses the network encrypted\n",
                }
            ),
            None => "#user          = \"slackwater\"           # with a password, use TLS as well\n\
                     #password-file = \"broker-password\"      # one line; only you may be able to read the file\n"
                .to_owned(),
        };
        let mail = match &self.mail {
            Some((address, server)) => format!(
                "[mail]\nhost          = {}\nsecurity      = \"starttls\"             # or \"tls\"\nuser          = {address}\n\
                 password-file = \"mail-password\"        # in the folder `secrets`\nfrom          = {address}\n\n\
                 [contact.me.channel.mail]\nkind = \"mail\"\nto   = {address}\n\n",
                quoted(server),
                address = quoted(address)
            ),
            None => MAIL.to_owned(),
        };
        template
            .replace("{broker}", &format!("host = {}\nport = {port}\n{login}", quoted(host)))
            .replace("\"{who}\"", &quoted(self.who.as_deref().unwrap_or("the keeper")))
            .replace("{mail}", &mail)
    }

    /// The rule file.
    pub(super) fn rules(&self, template: &str) -> String {
        let parts = template.split_once(EACH).and_then(|(head, rest)| Some((head, rest.split_once(END)?)));
        let Some((head, (block, tail))) = parts else { return template.to_owned() };
        let blocks: String = match self.tanks.as_slice() {
            [] => block.to_owned(),
            tanks => tanks.iter().map(|tank| block.replace(TANK, tank)).collect(),
        };
        let told = if self.mail.is_some() { "[\"me.mail\", \"me.folder\"]" } else { "[\"me.folder\"]" };
        format!("{head}{blocks}{}", tail.replace("[\"me.folder\"]", told))
    }
}

const MAIL: &str = "#[mail]
#host          = \"mail.example.org\"
#security      = \"starttls\"
#user          = \"me@example.org\"
#password-file = \"mail-password\"
#from          = \"me@example.org\"
#
#[contact.me.channel.mail]
#kind = \"mail\"
#to   = \"me@example.org\"

";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn empty_lines_and_an_end_take_what_is_usual() {
        for said in ["", "\n\n\n\n\n"] {
            let mut shown = Vec::new();
            assert_eq!(ask(&mut said.as_bytes(), &mut shown), InitAnswers::default());
        }
    }

    #[test]
    fn what_is_typed_is_taken() {
        let said = "Lagoon harbour\nbroker.home.arpa\nslackwater\nInes\nines@example.org\nmail.example.org\n";
        let answers = ask(&mut said.as_bytes(), &mut Vec::new());
        assert_eq!(answers.tanks, ["lagoon", "harbour"]);
        assert_eq!(answers.broker.as_deref(), Some("broker.home.arpa"));
        assert_eq!(answers.mail, Some(("ines@example.org".into(), "mail.example.org".into())));
        let agent = answers.agent(include_str!("agent.toml"));
        assert!(agent.contains("tls           = true"), "{agent}");
    }
}

//! A password that would go in the clear. Connections of brokers and UPS servers may be without
//! TLS, since inside one house much is; a password that leaves this machine so is read by whoever
//! listens on the way, and then opens the relays. So that is a mistake, unless the file says why it
//! is right here: `in-clear-because = "its own cable from board to broker"`.

use super::channels::this_machine;
use super::reader::line;
use super::{BrokerSettings, Security, Settings};
use slackwater_rules::diagnostic::{Finding, Item, Table};

/// A reason is a few words; an empty `yes` is none.
const SHORTEST_REASON: usize = 10;
const LONGEST_REASON: usize = 200;

/// The reason why nothing is encrypted, if one is given.
pub(super) fn because(table: &Table<'_>) -> Option<String> {
    table.get(KEY).and_then(reason)
}

const KEY: &str = "in-clear-because";

fn reason(item: Item<'_>) -> Option<String> {
    let text = line(item)?;
    let length = text.trim().chars().count();
    if (SHORTEST_REASON..=LONGEST_REASON).contains(&length) {
        return Some(text);
    }
    let title = format!("a reason has {SHORTEST_REASON} to {LONGEST_REASON} characters");
    let help = "for instance \"its own cable from board to broker\"".to_owned();
    item.wrong(title, format!("this has {length}"), Some(help))
}

/// Notes that `what` would go to `host` for everybody to read, unless it is encrypted, stays on
/// this machine, or may go so for a reason that the table gives.
pub(super) fn check(table: &Table<'_>, what: &str, host: &str, encrypted: bool) {
    if encrypted || table.has(KEY) || this_machine(host) {
        return;
    }
    let place = if table.has("tls") { table.key_span("tls") } else { table.key_span("host") };
    let title = format!("{what} would go to `{host}` in the clear");
    let help = format!("set `tls`, or say by `{KEY}` why that is right here");
    table.note(Finding::error(place, title, "for everybody on the way").help(help));
}

impl Settings {
    /// What goes in the clear because the file says why: the path of that key, and words.
    pub fn in_clear(&self) -> Vec<(String, String)> {
        let told = |path: &str, host: &str, tls: bool, because: &Option<String>| {
            let why = because.as_ref().filter(|_| !tls && !this_machine(host))?;
            let path = format!("{path}.in-clear-because");
            Some((path, format!("nothing to `{host}` is encrypted, because: {why}")))
        };
        let broker = |name: &str, broker: &BrokerSettings| {
            let tls = broker.tls.is_some();
            broker.places.iter().find_map(|place| told(name, &place.host, tls, &broker.in_clear_because))
        };
        let mailbox = self.mailbox().and_then(|mailbox| {
            let tls = mailbox.security != Security::Plain;
            told("answers.mail", &mailbox.host, tls, &mailbox.in_clear_because)
        });
        let own = broker("broker", &self.broker);
        let elsewhere = self.check_in.as_ref().and_then(|own| own.broker.as_ref());
        let elsewhere = elsewhere.and_then(|settings| broker("check-in.broker", settings));
        let sites = self.witness.as_ref().and_then(|own| own.broker.as_ref());
        let sites = sites.and_then(|settings| broker("witness.broker", settings));
        let upses = self.sources.ups.iter().filter_map(|(name, ups)| {
            told(&format!("ups.{name}"), &ups.host, ups.tls.is_some(), &ups.in_clear_because)
        });
        let web = self.web.as_ref().and_then(|web| {
            let why = web.in_clear_because.as_ref().filter(|_| web.tls.is_none())?;
            Some((
                "web.in-clear-because".to_owned(),
                format!("the page in the house is served in the clear, because: {why}"),
            ))
        });
        let fleet = self.fleet.as_ref().filter(|fleet| !fleet.stays_here());
        let fleet =
            fleet.and_then(|fleet| told("fleet", &fleet.host, fleet.tls.is_some(), &fleet.in_clear_because));
        own.into_iter()
            .chain(elsewhere)
            .chain(sites)
            .chain(fleet)
            .chain(upses)
            .chain(mailbox)
            .chain(web)
            .collect()
    }
}

//! Everything tried that can be tried without paging anyone or switching anything: what `check
//! --live` does beyond reading files. A site flows in; a table flows out, one row for each thing
//! that was tried, with what failed and what to do about it.
//!
//! Sensors are judged by the engine itself: what comes is fed to one whose effects nobody runs.

mod broker;
mod machine;

use crate::channels::Channel;
use crate::control::{self, ControlReply, Request};
use crate::modem::Modem;
use crate::settings::{ChannelSettings, Settings};
use crate::site::SiteFiles;
use crate::tls::expiry;
use jiff::Timestamp;
use serde::Serialize;
use slackwater_rules::plan::Target;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::Duration;

/// A certificate that ends within so many days is told.
const SOON: i64 = 21;

/// How long a modem may take to wake up and to find its network.
const MODEM: Duration = Duration::from_secs(45);

/// How it went.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Went {
    /// As it should be.
    Ok,
    /// It works, and somebody should look at it; or it could not be tried.
    Note,
    /// It would fail at night.
    Bad,
}

/// One thing that was tried.
#[derive(Clone, Debug, Serialize)]
pub struct TriedPart {
    /// What: a channel, a sensor, a part of the machine.
    pub what: String,
    /// How it went.
    pub went: Went,
    /// What was found.
    pub found: String,
    /// What to do; empty if nothing.
    pub remedy: String,
}

impl TriedPart {
    fn ok(what: impl Into<String>, found: impl Into<String>) -> Self {
        Self { what: what.into(), went: Went::Ok, found: found.into(), remedy: String::new() }
    }

    fn note(what: impl Into<String>, found: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { what: what.into(), went: Went::Note, found: found.into(), remedy: remedy.into() }
    }

    fn bad(what: impl Into<String>, found: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { what: what.into(), went: Went::Bad, found: found.into(), remedy: remedy.into() }
    }
}

/// What the watch that runs here says of itself, if one does.
type RunningStatus = Option<serde_json::Value>;

/// Tries everything side by side; sensors are waited for so long.
pub async fn try_all(site: SiteFiles, wait: Duration) -> Vec<TriedPart> {
    let SiteFiles { settings, plan, channels, .. } = site;
    let running = running(&settings).await;
    let (broker, channels, modem, mailbox) = tokio::join!(
        broker::try_out(&settings, &plan, running.as_ref(), wait),
        try_channels(channels, &settings),
        try_modem(&settings, running.as_ref()),
        try_mailbox(&settings),
    );
    let mut rows = broker;
    rows.extend(channels);
    rows.extend(modem);
    rows.extend(mailbox);
    rows.extend(machine::rows(&settings, running.as_ref()));
    rows.extend(certificates(&settings));
    rows
}

async fn running(settings: &Settings) -> RunningStatus {
    match control::ask(&settings.places.control.socket, &Request::Status { json: true }).await {
        Ok(ControlReply { ok: true, text, .. }) => serde_json::from_str(&text).ok(),
        Ok(ControlReply { ok: false, .. }) | Err(_) => None,
    }
}

async fn try_channels(channels: BTreeMap<Target, Channel>, settings: &Settings) -> Vec<TriedPart> {
    let mut rows = Vec::new();
    for (target, mut channel) in channels {
        let remedy = match settings.channels.get(&target) {
            Some(ChannelSettings::Mail(_)) => "see `[mail]`: host, port, security, user and password",
            Some(ChannelSettings::Push(_)) => "see its `url`, `ca-file` and headers, and the network",
            _ => "see its section in agent.toml",
        };
        match channel.try_out().await {
            Some(Ok(found)) => rows.push(TriedPart::ok(target.to_string(), found)),
            Some(Err(why)) => rows.push(TriedPart::bad(target.to_string(), why, remedy)),
            None => rows.push(TriedPart::note(
                target.to_string(),
                "only a page shows whether it works",
                "`slackwater drill pages`",
            )),
        }
    }
    rows
}

/// The modem belongs to the watch that runs; without one it is begun, and no text is touched.
async fn try_modem(settings: &Settings, running: Option<&serde_json::Value>) -> Option<TriedPart> {
    let modem = settings.modem.clone()?;
    let device = modem.device.display().to_string();
    let remedy = format!("see {device}, its SIM, PIN and antenna");
    let view = match running {
        Some(status) => {
            let said = status.pointer("/health/modem/view").and_then(serde_json::Value::as_str);
            let said = said.unwrap_or("the running watch has none: restart it").to_owned();
            let well = status.pointer("/health/modem/well").and_then(serde_json::Value::as_bool);
            if well == Some(true) { Ok(said) } else { Err(said) }
        }
        None => {
            let (modem, texts) = Modem::start(modem);
            let until = tokio::time::Instant::now() + MODEM;
            let mut view = modem.view();
            while view.is_err() && tokio::time::Instant::now() < until {
                tokio::time::sleep(Duration::from_millis(200)).await;
                view = modem.view();
            }
            // What has come meanwhile stays on the SIM for the watch.
            drop(texts);
            view
        }
    };
    Some(match view {
        Ok(found) => TriedPart::ok("modem", found),
        Err(why) => TriedPart::bad("modem", why, remedy),
    })
}

async fn try_mailbox(settings: &Settings) -> Option<TriedPart> {
    let mailbox = settings.mailbox()?;
    Some(match crate::answers::try_out(mailbox).await {
        Ok(found) => TriedPart::ok("answers by mail", found),
        Err(why) => TriedPart::bad(
            "answers by mail",
            why,
            "see `[answers.mail]`: host, port, security, user, password",
        ),
    })
}

/// Until when certificates hold: those of servers that were met, and those of files.
fn certificates(settings: &Settings) -> Vec<TriedPart> {
    let tls = settings.broker.tls.iter().filter_map(|tls| tls.ca_file.as_ref());
    let mail = settings.mail.iter().filter_map(|mail| mail.ca_file.as_ref());
    let mailbox = settings.mailbox().and_then(|mailbox| mailbox.ca_file.as_ref());
    let push = settings.channels.values().filter_map(|channel| match channel {
        ChannelSettings::Push(push) => push.ca_file.as_ref(),
        _ => None,
    });
    let files: std::collections::BTreeSet<_> = tls.chain(mail).chain(mailbox).chain(push).collect();
    let of_files = files
        .into_iter()
        .filter_map(|file| Some((format!("certificates {}", file.display()), expiry::of_file(file)?)));
    let of_servers =
        expiry::all_seen().into_iter().map(|(name, end)| (format!("certificate of {name}"), end));
    of_servers.chain(of_files).map(|(what, end)| certificate(what, end, Timestamp::now())).collect()
}

fn certificate(what: String, end: Timestamp, now: Timestamp) -> TriedPart {
    let days = (end.as_second() - now.as_second()).div_euclid(86_400);
    let date = end.strftime("%Y-%m-%d");
    match days {
        ..0 => TriedPart::bad(
            what,
            format!("ended on {date}"),
            "renew it, and see that the board's clock is right",
        ),
        0..=SOON => TriedPart::note(what, format!("ends on {date}, in {days} days"), "renew it before"),
        _ => TriedPart::ok(what, format!("holds until {date}")),
    }
}

/// The rows for a terminal, what failed first.
pub fn table(rows: &[TriedPart]) -> String {
    let mut rows: Vec<&TriedPart> = rows.iter().collect();
    rows.sort_by_key(|row| match row.went {
        Went::Bad => 0,
        Went::Note => 1,
        Went::Ok => 2,
    });
    let wide = rows.iter().map(|row| row.what.chars().count()).max().unwrap_or(0).min(40);
    let mut out = String::new();
    for row in rows {
        let went = match row.went {
            Went::Ok => "ok  ",
            Went::Note => "note",
            Went::Bad => "BAD ",
        };
        let _ = write!(out, "{went}  {:<wide$}  {}", row.what, row.found);
        match row.remedy.is_empty() {
            true => out.push('\n'),
            false => drop(writeln!(out, "\n      {:<wide$}  -> {}", "", row.remedy)),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_certificate_is_told_three_weeks_before_its_end_and_is_bad_after_it() {
        let now: Timestamp = "2026-11-29T12:00:00Z".parse().unwrap();
        let went = |end: &str| certificate("it".to_owned(), end.parse().unwrap(), now).went;
        assert_eq!(went("2027-03-01T00:00:00Z"), Went::Ok);
        assert_eq!(went("2026-12-15T00:00:00Z"), Went::Note);
        assert_eq!(went("2026-11-29T11:59:59Z"), Went::Bad);
    }

    #[test]
    fn what_failed_stands_first_with_its_remedy() {
        let rows =
            [TriedPart::ok("clock", "trusted"), TriedPart::bad("mains", "never heard", "see its topic")];
        assert_eq!(
            table(&rows),
            "BAD   mains  never heard\n             -> see its topic\nok    clock  trusted\n"
        );
    }
}

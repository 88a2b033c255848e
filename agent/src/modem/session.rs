//! A modem that is ready for texts. A device's name flows in; out comes a session with a modem
//! that has said who it is, has its PIN, and tells of texts and reports. What it can do from then
//! on is said in the words of our job: how the network stands, send, what has come, delete.

use super::ModemSettings;
use super::dialogue::{Dialogue, ModemFault};
use super::lines::fields;
use super::number::Number;
use super::pdu::{self, DeliveryReport};
use super::port::Port;
use crate::plain_text::tame;
use slackwater_rules::page::gsm;
use std::fmt;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The SIM is asked, and some modems start it only now.
const PIN_LIMIT: Duration = Duration::from_secs(15);
/// Reading a full memory of texts from a SIM is slow.
const LIST_LIMIT: Duration = Duration::from_secs(20);
/// The network answers, or the modem gives up by itself, within a minute.
const SEND_LIMIT: Duration = Duration::from_secs(60);

/// A session.
pub(super) struct ModemSession {
    pub(super) dialogue: Dialogue,
    /// Maker and model.
    pub(super) who: String,
    /// Whether delivery reports are told.
    pub(super) reports: bool,
}

/// A text in the modem's memory.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Stored {
    pub(super) index: u16,
    pub(super) hex: String,
    pub(super) octets: usize,
}

/// How the modem stands with its network.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Standing {
    registered: Registration,
    dbm: Option<i32>,
}

/// `<stat>` of TS 27.007, 7.2 and 10.1.22.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Registration {
    Home,
    Roaming,
    Searching,
    Denied,
    Not,
}

impl Registration {
    fn of(stat: &str) -> Self {
        match stat {
            "1" | "6" => Self::Home,
            "5" | "7" => Self::Roaming,
            "2" => Self::Searching,
            "3" => Self::Denied,
            _ => Self::Not,
        }
    }
}

impl Standing {
    /// Why no text can go out now, if so.
    pub(super) fn trouble(&self) -> Option<String> {
        match self.registered {
            Registration::Home | Registration::Roaming => None,
            Registration::Searching | Registration::Denied | Registration::Not => Some(self.to_string()),
        }
    }
}

impl fmt::Display for Standing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.registered {
            Registration::Home => "in its own network",
            Registration::Roaming => "in another operator's network",
            Registration::Searching => "no network: it searches",
            Registration::Denied => "no network: it is refused",
            Registration::Not => "no network",
        })?;
        match self.dbm {
            Some(dbm) => write!(f, ", signal {dbm} dBm"),
            None => f.write_str(", signal unknown"),
        }
    }
}

/// Every device that the name may mean: as it stands, or all that match a `*` in its last part.
pub(super) fn candidates(device: &Path) -> Vec<PathBuf> {
    let parts = device.file_name().and_then(|name| name.to_str()).and_then(|name| name.split_once('*'));
    let (Some((begin, end)), Some(folder)) = (parts, device.parent()) else { return vec![device.to_owned()] };
    let fits =
        |name: &str| name.len() >= begin.len() + end.len() && name.starts_with(begin) && name.ends_with(end);
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut found: Vec<_> = entries
        .filter(|entry| entry.file_name().to_str().is_some_and(fits))
        .map(|entry| entry.path())
        .collect();
    found.sort();
    found
}

impl ModemSession {
    /// Begins with the first device that answers and is the one that is meant. `pin` keeps a
    /// wrong PIN from being tried again.
    pub(super) async fn begin(settings: &ModemSettings, pin: &mut PinTries) -> Result<Self, String> {
        let mut why = format!("nothing is there as {}", settings.device.display());
        for device in candidates(&settings.device) {
            let tried = match Port::open(&device, settings.speed) {
                Ok(port) => Self::with(Dialogue::new(port), settings, pin).await,
                // A link that is not there is as good as none.
                Err(error) if error.kind() == ErrorKind::NotFound => continue,
                Err(error) => Err(error.to_string()),
            };
            match tried {
                Ok(session) => return Ok(session),
                Err(text) => why = format!("{}: {text}", device.display()),
            }
        }
        Err(why)
    }

    async fn with(
        mut dialogue: Dialogue,
        settings: &ModemSettings,
        pin: &mut PinTries,
    ) -> Result<Self, String> {
        dialogue.greet().await.map_err(|fault| words("it does not answer as a modem", fault))?;
        // Echo off, errors by number. A modem that can't is understood all the same.
        for wish in ["ATE0", "AT+CMEE=1"] {
            allow(dialogue.ask(wish).await, "it does not answer as a modem")?;
        }
        let mut who = Vec::new();
        for question in ["AT+CGMI", "AT+CGMM"] {
            let said =
                dialogue.ask(question).await.map_err(|fault| words("it does not say who it is", fault))?;
            who.extend(said.iter().find_map(|line| named(line)));
        }
        let who = who.join(" ");
        if let Some(model) = settings.model.as_ref().filter(|model| !contains(&who, model)) {
            return Err(format!("it says that it is `{who}`, not `{model}`"));
        }
        open_sim(&mut dialogue, settings, pin).await?;
        dialogue.ask("AT+CMGF=0").await.map_err(|fault| words("it has no PDU mode", fault))?;
        // Texts come to where they are looked for: the SIM, or the modem itself.
        let no_memory = "it has no memory for texts";
        if allow(dialogue.ask_within("AT+CPMS=\"SM\",\"SM\",\"SM\"", PIN_LIMIT).await, no_memory)?.is_none() {
            let inside = dialogue.ask_within("AT+CPMS=\"ME\",\"ME\",\"ME\"", PIN_LIMIT).await;
            inside.map_err(|fault| words(no_memory, fault))?;
        }
        // TS 27.005, 3.2.1: without this a modem may want each report acknowledged.
        allow(dialogue.ask("AT+CSMS=0").await, "it does not tell of texts")?;
        // TS 27.005, 3.4.1: tell of texts by their place, and of reports by all of them; else of
        // texts alone; else we look now and then.
        let mut reports = true;
        if allow(dialogue.ask("AT+CNMI=2,1,0,1,0").await, "it does not tell of texts")?.is_none() {
            reports = false;
            allow(dialogue.ask("AT+CNMI=2,1,0,0,0").await, "it does not tell of texts")?;
        }
        Ok(Self { dialogue, who, reports })
    }

    /// Looks how it stands with the network.
    pub(super) async fn standing(&mut self) -> Result<Standing, ModemFault> {
        let mut registered = Registration::Not;
        // A modem may be known to the voice network, or only to the one for data.
        for (question, name) in [("AT+CREG?", "+CREG"), ("AT+CEREG?", "+CEREG")] {
            match self.dialogue.ask(question).await {
                Ok(said) => {
                    // A notice has one field, or a quoted place as its second; an answer's is a
                    // digit.
                    let stat = said.iter().rev().find_map(|line| match fields(line, name)?.get(1) {
                        Some(stat) if stat.len() == 1 => Some(Registration::of(stat)),
                        _ => None,
                    });
                    registered = stat.unwrap_or(registered);
                }
                Err(ModemFault::Refused(_)) => {}
                Err(lost) => return Err(lost),
            }
            if matches!(registered, Registration::Home | Registration::Roaming) {
                break;
            }
        }
        let dbm = match self.dialogue.ask("AT+CSQ").await {
            Ok(said) => said.iter().find_map(|line| fields(line, "+CSQ")?.first()?.parse::<i32>().ok()),
            Err(ModemFault::Refused(_)) => None,
            Err(lost) => return Err(lost),
        };
        // TS 27.007, 8.5: 0 to 31 in steps of 2 dB from -113 dBm; 99 is unknown.
        let dbm = dbm.filter(|rssi| (0..=31).contains(rssi)).map(|rssi| 2 * rssi - 113);
        Ok(Standing { registered, dbm })
    }

    /// Sends a text that is in the alphabet, and gives the number that reports will name.
    pub(super) async fn send(
        &mut self,
        to: &Number,
        text: &str,
        on_its_way: impl FnOnce(),
    ) -> Result<Option<u8>, ModemFault> {
        // A page fits by its making; whatever else is sent is made to.
        let septets = gsm::septets(&gsm::fit(text, slackwater_rules::page::TEXT_SEPTETS)).unwrap_or_default();
        let unit = pdu::submit(to, &septets, self.reports);
        let said = self.dialogue.submit(&unit, SEND_LIMIT, on_its_way).await?;
        Ok(said.iter().find_map(|line| fields(line, "+CMGS")?.first()?.parse().ok()))
    }

    /// All texts that have come and lie in the memory.
    pub(super) async fn stored(&mut self) -> Result<Vec<Stored>, ModemFault> {
        self.dialogue.text_came = false;
        match self.dialogue.ask_within("AT+CMGL=4", LIST_LIMIT).await {
            Ok(said) => Ok(listed(&said)),
            Err(ModemFault::Refused(refusal)) => {
                tracing::warn!(%refusal, "the modem does not list its texts");
                Ok(Vec::new())
            }
            Err(lost) => Err(lost),
        }
    }

    /// Makes room; whether it did.
    pub(super) async fn delete(&mut self, index: u16) -> Result<bool, ModemFault> {
        match self.dialogue.ask(&format!("AT+CMGD={index}")).await {
            Ok(_) => Ok(true),
            Err(ModemFault::Refused(refusal)) => {
                tracing::warn!(%refusal, index, "the modem does not delete a text");
                Ok(false)
            }
            Err(lost) => Err(lost),
        }
    }

    /// Delivery reports since this was last asked.
    pub(super) fn take_reports(&mut self) -> Vec<DeliveryReport> {
        std::mem::take(&mut self.dialogue.reports)
    }
}

/// A wrong PIN given three times blocks the SIM: so one that was refused is not given again, and
/// one whose answer was lost is given once more.
#[derive(Debug, Default)]
pub(super) struct PinTries {
    refused: bool,
    lost: u8,
}

/// Gives the SIM its PIN if it wants one.
async fn open_sim(
    dialogue: &mut Dialogue,
    settings: &ModemSettings,
    tries: &mut PinTries,
) -> Result<(), String> {
    let said = dialogue.ask_within("AT+CPIN?", PIN_LIMIT).await.map_err(|fault| words("its SIM", fault))?;
    let state =
        said.iter().rev().find_map(|line| fields(line, "+CPIN")?.first().map(|state| (*state).to_owned()));
    match (state.as_deref(), &settings.pin) {
        (Some("READY"), _) => {
            *tries = PinTries::default();
            Ok(())
        }
        (Some("SIM PIN"), None) => Err("the SIM wants its PIN: set `pin-file` under [modem]".to_owned()),
        (Some("SIM PIN"), Some(_)) if tries.refused || tries.lost > 1 => Err(
            "the SIM did not take its PIN: it is not given again before a restart, since the third try blocks the SIM"
                .to_owned(),
        ),
        (Some("SIM PIN"), Some(pin)) => {
            if tries_left(dialogue).await?.is_some_and(|left| left < 2) {
                return Err("the SIM has one try left for its PIN: give it by hand, in a phone".to_owned());
            }
            let given = dialogue.ask_within(&format!("AT+CPIN=\"{}\"", pin.expose()), PIN_LIMIT).await;
            match &given {
                Ok(_) => *tries = PinTries::default(),
                Err(ModemFault::Refused(refusal)) => tries.refused = refusal.is_wrong_pin(),
                Err(ModemFault::Lost(_)) => tries.lost += 1,
            }
            given.map(drop).map_err(|fault| words("its PIN was not taken", fault))
        }
        (Some(other), _) => Err(format!("the SIM wants something that only a person can give: {other}")),
        (None, _) => Err("it does not say how its SIM is".to_owned()),
    }
}

/// How often a wrong PIN may still be given, if the modem knows: `+CPINR`, TS 27.007, 8.65.
async fn tries_left(dialogue: &mut Dialogue) -> Result<Option<u8>, String> {
    let said = allow(dialogue.ask("AT+CPINR=\"SIM PIN\"").await, "its SIM")?.unwrap_or_default();
    Ok(said.iter().find_map(|line| fields(line, "+CPINR")?.get(1)?.parse().ok()))
}

/// An answer, none if the command was refused, or why there is no modem any more.
fn allow(answer: Result<Vec<String>, ModemFault>, what: &str) -> Result<Option<Vec<String>>, String> {
    match answer {
        Ok(said) => Ok(Some(said)),
        Err(ModemFault::Refused(_)) => Ok(None),
        Err(lost) => Err(words(what, lost)),
    }
}

fn words(what: &str, fault: ModemFault) -> String {
    match fault {
        ModemFault::Refused(refusal) => format!("{what}: {refusal}"),
        ModemFault::Lost(why) => format!("{what}: {why}"),
    }
}

/// Some write `+CGMM: "MODEL"`, most the bare name. News that come in between begin with a sign.
fn named(line: &str) -> Option<String> {
    let bare = line.strip_prefix("+CGMI:").or_else(|| line.strip_prefix("+CGMM:")).unwrap_or(line);
    let bare = bare.trim().trim_matches('"');
    let is_name = bare.starts_with(|c: char| c.is_alphanumeric()) && bare != "RING";
    is_name.then(|| tame(bare, 40))
}

fn contains(who: &str, model: &str) -> bool {
    who.to_lowercase().contains(&model.to_lowercase())
}

/// Pairs of a header and a unit: TS 27.005, 4.1. Only what has come: unread 0, read 1.
fn listed(said: &[String]) -> Vec<Stored> {
    let mut found = Vec::new();
    let mut header = None;
    for line in said {
        if let Some(fields) = fields(line, "+CMGL") {
            let place = fields.first().and_then(|index| index.parse().ok());
            let came = fields.get(1).is_some_and(|stat| matches!(*stat, "0" | "1"));
            let octets = fields.last().and_then(|octets| octets.parse().ok());
            header = place.zip(octets).filter(|_| came);
        } else if line.bytes().all(|octet| octet.is_ascii_hexdigit())
            && let Some((index, octets)) = header.take()
        {
            found.push(Stored { index, hex: line.clone(), octets });
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn lines(text: &str) -> Vec<String> {
        text.lines().map(str::to_owned).collect()
    }

    #[test]
    fn a_list_of_texts_is_read_also_with_news_between() {
        let said = lines(
            "+CMGL: 1,0,,24\n+CREG: 1\n07917283010010F5\n+CMGL: 2,3,,24\n0791\n+CMGL: 7,1,\"x\",30\n00AB",
        );
        let found: Vec<_> =
            listed(&said).into_iter().map(|text| (text.index, text.octets, text.hex)).collect();
        assert_eq!(found, [(1, 24, "07917283010010F5".to_owned()), (7, 30, "00AB".to_owned())]);
    }

    #[test]
    fn a_device_is_one_path_or_all_that_match() {
        let folder = tempfile::tempdir().unwrap();
        for name in ["usb-Maker_Stick-if00", "usb-Maker_Stick-if02", "usb-Other-if00"] {
            std::fs::write(folder.path().join(name), "").unwrap();
        }
        let names = |device: &str| -> Vec<String> {
            let found = candidates(&folder.path().join(device)).into_iter();
            found.map(|path| path.file_name().unwrap().to_string_lossy().into_owned()).collect()
        };
        assert_eq!(names("usb-Maker_*"), ["usb-Maker_Stick-if00", "usb-Maker_Stick-if02"]);
        assert_eq!(names("*-if00"), ["usb-Maker_Stick-if00", "usb-Other-if00"]);
        assert_eq!(names("usb-Gone"), ["usb-Gone"]);
        assert_eq!(names("none*"), Vec::<String>::new());
    }

    #[test]
    fn a_standing_says_how_strong_the_signal_is_and_why_nothing_goes_out() {
        let standing = |stat, dbm| Standing { registered: Registration::of(stat), dbm };
        assert_eq!(standing("1", Some(-79)).to_string(), "in its own network, signal -79 dBm");
        assert_eq!(standing("5", None).trouble(), None);
        assert_eq!(standing("3", None).trouble().unwrap(), "no network: it is refused, signal unknown");
        assert_eq!(standing("2", Some(-113)).trouble().unwrap(), "no network: it searches, signal -113 dBm");
    }

    proptest! {
        #[test]
        fn nothing_panics_on_garbage(said in proptest::collection::vec("(\\+CMGL: )?\\PC{0,40}", 0..20)) {
            prop_assert!(listed(&said).len() <= said.len());
        }
    }
}

//! A UPS, asked through its server by the UPS management protocol (RFC 9271): one connection,
//! opened when it is needed and kept, and one `LIST VAR` a round, so that all values are of one
//! moment. What the server holds to be stale is never a value here.
//!
//! It asks and changes nothing. It logs in only if the keeper gave it a user: a server counts
//! whoever logs in among the machines that hang on the UPS, and waits for them when it shuts down.

mod protocol;
mod session;

use super::{Ask, SourceAnswer, number};
use crate::settings::UpsSettings;
use protocol::{UpsRefusal, Variables};
use session::{UpsFault, UpsSession};
use slackwater_rules::plan::{SensorId, Source, UpsReading};
use slackwater_rules::reading::Value;
use std::time::Duration;
use tokio::time::timeout;

/// For the name, the connection, the login and the answer together.
const PATIENCE: Duration = Duration::from_secs(10);

/// One UPS, and what is wanted of it.
pub(super) struct Ups {
    server: UpsSettings,
    wanted: Vec<(SensorId, UpsReading)>,
    /// Taken out while it is used, so that an asking that broke off leaves nothing half-read.
    session: Option<UpsSession>,
}

impl Ups {
    pub(super) fn new(server: UpsSettings, wanted: Vec<(SensorId, UpsReading)>) -> Self {
        Self { server, wanted, session: None }
    }

    async fn list(&mut self) -> Result<Variables, UpsFault> {
        let mut session = match self.session.take() {
            Some(session) => session,
            None => UpsSession::open(&self.server).await?,
        };
        let listed = session.list(&self.server.name).await;
        if !matches!(listed, Err(UpsFault::Broken(_))) {
            self.session = Some(session);
        }
        listed
    }

    fn answers(&self, said: impl Fn(UpsReading) -> Result<Value, String>) -> Vec<SourceAnswer> {
        let answer = |&(sensor, reads): &(_, _)| SourceAnswer { sensor, said: said(reads) };
        self.wanted.iter().map(answer).collect()
    }
}

impl Ask for Ups {
    async fn ask(&mut self) -> Result<Vec<SourceAnswer>, String> {
        if let Some(why) = &self.server.unusable {
            return Err(why.clone());
        }
        let kept = self.session.is_some();
        let listed = match timeout(PATIENCE, self.list()).await {
            // The server was restarted meanwhile: that is worth one more try at once.
            Ok(Err(UpsFault::Broken(_))) if kept => timeout(PATIENCE, self.list()).await,
            listed => listed,
        };
        match listed {
            Ok(Ok(variables)) => Ok(self.answers(|reads| understood(reads, &variables))),
            Ok(Err(UpsFault::Refused(refusal))) => {
                let why = refusal.words(&self.server.name);
                match refusal {
                    UpsRefusal::DataStale | UpsRefusal::DriverNotConnected => {
                        Ok(self.answers(|_| Err(why.clone())))
                    }
                    UpsRefusal::UnknownUps | UpsRefusal::AccessDenied | UpsRefusal::Other(_) => {
                        self.session = None;
                        Err(format!("{} at {}", why, self.server.place()))
                    }
                }
            }
            Ok(Err(UpsFault::Broken(why))) => Err(why),
            Err(_) => Err(format!("{} has not answered for {} s", self.server.place(), PATIENCE.as_secs())),
        }
    }
}

/// What the variables say of it. Names are those of RFC 9271; per cent, seconds, volts.
fn understood(reads: UpsReading, variables: &Variables) -> Result<Value, String> {
    let text = |name: &str| {
        variables.get(name).map(String::as_str).ok_or_else(|| format!("the UPS does not say `{name}`"))
    };
    let not_negative = |name: &str, unit: &str| match number(text(name)?, unit)? {
        Value::Number(value) if value < 0.0 => Err(format!("`{name}` is {}, less than nothing", text(name)?)),
        value => Ok(value),
    };
    match reads {
        UpsReading::Mains => UpsStatus(text("ups.status")?).mains(),
        UpsReading::LowBattery => UpsStatus(text("ups.status")?).low_battery(),
        UpsReading::ReplaceBattery => UpsStatus(text("ups.status")?).replace_battery(),
        UpsReading::Charge => match not_negative("battery.charge", "%")? {
            Value::Number(charge) if charge > 1.0 => {
                Err(format!("`battery.charge` is {} %, more than full", text("battery.charge")?))
            }
            value => Ok(value),
        },
        UpsReading::Runtime => not_negative("battery.runtime", "s"),
        UpsReading::Load => not_negative("ups.load", "%"),
        UpsReading::Voltage => not_negative("input.voltage", "V"),
        UpsReading::BatteryVoltage => not_negative("battery.voltage", "V"),
    }
}

/// `ups.status`: symbols with spaces between.
struct UpsStatus<'a>(&'a str);

impl UpsStatus<'_> {
    fn has(&self, symbol: &str) -> bool {
        self.0.split_whitespace().any(|found| found == symbol)
    }

    /// On line or on battery. A UPS that measures its battery runs on it though the mains are
    /// there; one that is ordered to shut down counts as on battery and low, whatever else it says
    /// less clearly.
    fn mains(&self) -> Result<Value, String> {
        match (self.has("OL"), self.has("OB")) {
            (true, false) => Ok(Source::switched(true)),
            (false, true) if self.has("CAL") => {
                Err(format!("it measures its battery (`{}`), so that the mains can't be told", self.0))
            }
            (false, true) => Ok(Source::switched(false)),
            (false, false) if self.has("FSD") => Ok(Source::switched(false)),
            (true, true) | (false, false) => self.unclear("whether the mains are there"),
        }
    }

    fn low_battery(&self) -> Result<Value, String> {
        match self.has("LB") || self.has("FSD") {
            true => Ok(Source::switched(true)),
            false if self.is_known() => Ok(Source::switched(false)),
            false => self.unclear("how the battery is"),
        }
    }

    fn replace_battery(&self) -> Result<Value, String> {
        match self.has("RB") {
            true => Ok(Source::switched(true)),
            false if self.is_known() => Ok(Source::switched(false)),
            false => self.unclear("how the battery is"),
        }
    }

    /// A driver that has not reached the UPS yet says neither.
    fn is_known(&self) -> bool {
        self.has("OL") || self.has("OB")
    }

    fn unclear<T>(&self, what: &str) -> Result<T, String> {
        Err(format!("its status `{}` does not say {what}", self.0))
    }
}

#[cfg(any(test, feature = "fuzzing"))]
/// Every line of a server is an item, a refusal in words without control characters, or nothing.
pub(super) fn promise(text: &str) {
    let mut variables = Variables::new();
    for line in text.lines() {
        let _ = protocol::begins(line, "rack");
        if let Some(refusal) = UpsRefusal::read(line) {
            let words = refusal.words("rack");
            assert!(!words.is_empty() && !words.contains(char::is_control), "{words:?}");
        }
        if let Some(protocol::UpsItem::Variable(name, value)) = protocol::item(line, "rack") {
            variables.insert(name, value);
        }
    }
    for reads in [
        UpsReading::Mains,
        UpsReading::LowBattery,
        UpsReading::ReplaceBattery,
        UpsReading::Charge,
        UpsReading::Runtime,
        UpsReading::Load,
        UpsReading::Voltage,
        UpsReading::BatteryVoltage,
    ] {
        super::is_answer(&understood(reads, &variables));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ON: Result<Value, String> = Ok(Value::Word(0));
    const OFF: Result<Value, String> = Ok(Value::Word(1));

    fn says(reads: UpsReading, name: &str, value: &str) -> Result<Value, String> {
        understood(reads, &[(name.to_owned(), value.to_owned())].into())
    }

    // Symbols: RFC 9271 and docs/new-drivers.txt of Network UPS Tools, both from memory; OL, OB,
    // LB, RB, CHRG, DISCHRG and WAIT as the real server of the tests crate says them.
    #[test]
    fn the_mains_are_there_on_line_and_gone_on_battery_and_otherwise_not_known() {
        let mains = |status| says(UpsReading::Mains, "ups.status", status);
        for status in ["OL", "OL CHRG", "OL CHRG LB", "OL TRIM", "OL BOOST", "OL RB", "FSD OL", "ALARM OL"] {
            assert_eq!(mains(status), ON, "{status}");
        }
        for status in ["OB", "OB DISCHRG", "OB LB", "FSD OB LB", "FSD", "OB DISCHRG RB"] {
            assert_eq!(mains(status), OFF, "{status}");
        }
        for status in ["", "WAIT", "OFF", "OL OB", "OB CAL DISCHRG", "BYPASS", "ol", "OLD", "NOCOMM"] {
            assert!(mains(status).is_err_and(|why| why.contains(status)), "{status}");
        }
    }

    #[test]
    fn an_order_to_shut_down_is_a_battery_that_ends() {
        let low = |status| says(UpsReading::LowBattery, "ups.status", status);
        for (status, said) in [("OL", OFF), ("OB", OFF), ("OB LB", ON), ("FSD OB", ON), ("FSD", ON)] {
            assert_eq!(low(status), said, "{status}");
        }
        assert!(low("WAIT").is_err());
        let replace = |status| says(UpsReading::ReplaceBattery, "ups.status", status);
        assert_eq!((replace("OL RB"), replace("OL CHRG")), (ON, OFF));
        assert!(replace("WAIT").is_err());
    }

    #[test]
    fn numbers_are_per_cent_seconds_and_volts_and_nonsense_is_no_value() {
        let number = |number| Ok(Value::Number(number));
        assert_eq!(says(UpsReading::Charge, "battery.charge", "100"), number(1.0));
        assert_eq!(says(UpsReading::Runtime, "battery.runtime", "1806"), number(1806.0));
        assert_eq!(says(UpsReading::Load, "ups.load", "25"), number(0.25));
        assert_eq!(says(UpsReading::Voltage, "input.voltage", "231.4"), number(231.4));
        assert_eq!(says(UpsReading::BatteryVoltage, "battery.voltage", "13.6"), number(13.6));
        for strange in ["-1", "101", "", "87 %", "0x20", "nan"] {
            assert!(says(UpsReading::Charge, "battery.charge", strange).is_err(), "{strange}");
        }
        assert!(says(UpsReading::Runtime, "battery.runtime", "-1").is_err());
        let silent = says(UpsReading::Load, "ups.status", "OL");
        assert!(silent.is_err_and(|why| why.contains("`ups.load`")));
    }
}

//! What the house of the proof can suffer, and whom its rules call for that, as
//! `deploy/manual/rule-file.md` says it. The rule file that the watch reads is written here from
//! the same figures, so that the oracle and the file can't part; no code of the engine is used.

use crate::house::RULES;
use std::time::Duration;

/// Something bad that the boards can be told to show.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Danger {
    /// Critical; starts the air pump.
    PowerLost,
    /// High, and a consequence of the first.
    StillWater,
    /// High, on its own.
    ColdWater,
}

/// All of them.
pub const DANGERS: [Danger; 3] = [Danger::PowerLost, Danger::StillWater, Danger::ColdWater];

/// How soon after the beginning each way is to be told.
pub const LADDER: &[(u64, &str)] = &[
    (0, "ines.push"),
    (2, "ines.mail"),
    (2, "tom.mail"),
    (4, "neighbour.mail"),
    (4, "neighbour.push"),
    (4, "neighbour.text"),
];

/// What is over waits this long before it is called so.
pub const SETTLE: Duration = Duration::from_secs(1);

/// The air pump must be seen to run.
const RELAY: &str = r#"
[sensor.air-pump-current]
topic    = "lagoon/airpump/current"
tank     = "lagoon"
measures = "current"
unit     = "A"
every    = "1 s"

[sensor.lagoon-sump]
topic     = "lagoon/sump"
tank      = "lagoon"
measures  = "temperature"
unit      = "degC"
every     = "1 s"
plausible = ["5 degC", "45 degC"]
max-rate  = "none"

[relay.air-pump]
command = { topic = "lagoon/airpump/set", on = "on", off = "off" }
moves   = "air"
proof   = "air-pump-current > 0.05 A within 10 s"
pause   = "3 s"
longest = "30 min"

[health]
after = "20 s"
"#;

impl Danger {
    /// What a page's first line says of it.
    pub fn words(self) -> &'static str {
        match self {
            Self::PowerLost => "power lost",
            Self::StillWater => "return stopped",
            Self::ColdWater => "cold",
        }
    }

    /// A consequence joins the call-out of its cause; one call-out is called over once.
    pub fn group(self) -> usize {
        match self {
            Self::PowerLost | Self::StillWater => 0,
            Self::ColdWater => 1,
        }
    }

    /// What the board says while it lasts, and while all is well.
    pub fn shown(self) -> (&'static str, &'static str, &'static str) {
        match self {
            Self::PowerLost => ("house/mains", "off", "on"),
            Self::StillWater => ("lagoon/return", r#"{"flow":{"rate":0}}"#, r#"{"flow":{"rate":1830}}"#),
            Self::ColdWater => ("lagoon/temperature", "23.2", "25.5"),
        }
    }
}

/// The rule file. What repeats and what is lost by silence takes longer than a round, so that each
/// page has one reason.
///
/// # Panics
/// When the house's own rules have changed.
pub fn rules(with_text: bool) -> String {
    let text = if with_text { ", \"neighbour.text\"" } else { "" };
    let changes = [
        (
            "{ after = \"4 s\", to = [\"neighbour.mail\"] }",
            format!("{{ after = \"4 s\", to = [\"neighbour.mail\", \"neighbour.push\"{text}] }}"),
        ),
        ("again  = \"3 s\"", "again  = \"2 h\"".to_owned()),
        ("lease  = \"5 s\"", "lease  = \"2 h\"".to_owned()),
        ("[sight]\nafter   = \"2 s\"", "[sight]\nafter   = \"30 min\"".to_owned()),
        (
            "response        = [\"Open the lid.\"",
            "stopgap = { relay = \"air-pump\", state = \"on\" }\nresponse = [\"Open the lid.\"".to_owned(),
        ),
    ];
    let mut rules = RULES.to_owned();
    for (was, is) in changes {
        assert!(rules.contains(was), "the house's rules have changed: {was}");
        rules = rules.replace(was, &is);
    }
    rules + RELAY
}

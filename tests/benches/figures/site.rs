//! The site that is watched: 20 thermometers with ten alarms each, of which an ordinary
//! reading rings none.

use crate::Result;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

pub(crate) const SENSORS: usize = 20;
const ALARMS_EACH: usize = 10;

/// Where the siren is switched, which says that the readings before have been taken.
pub(crate) const DONE: &str = "house/siren/set";

/// A reading of any sensor that raises its alarm number `level`, and those below it.
pub(crate) fn ringing(level: usize) -> String {
    format!("{}.5", 30 + level)
}

pub(crate) fn topic(sensor: usize) -> String {
    format!("lagoon/temp-{sensor:02}")
}

/// Where pages go.
pub(crate) enum To<'a> {
    /// To a file, and to the siren.
    Siren,
    /// To this port, by STARTTLS, trusting this authority.
    Mail { port: u16, authority: &'a Path },
}

/// Writes both files and returns the agent's own.
pub(crate) fn write(folder: &Path, broker: u16, to: &To<'_>) -> Result<PathBuf> {
    let place = folder.display();
    let (channel, more, steps) = match to {
        To::Siren => (
            format!("kind = \"folder\"\nfolder = \"{place}\"\nto = \"ines@example.org\""),
            format!("[channel.siren]\nkind = \"siren\"\ntopic = \"{DONE}\"\nfrom = \"high\"\n"),
            r#"["ines.page", "siren"]"#,
        ),
        To::Mail { port, authority } => (
            "kind = \"mail\"\nto = \"ines@example.org\"".to_owned(),
            format!(
                "[mail]\nhost = \"localhost\"\nport = {port}\nfrom = \"watch@example.org\"\nca-file = {authority:?}\n"
            ),
            r#"["ines.page"]"#,
        ),
    };
    let config = format!(
        "[site]\nrules = \"rules.toml\"\nzone = \"UTC\"\n\n\
         [broker]\nhost = \"127.0.0.1\"\nport = {broker}\nclient-id = \"bench\"\n\n\
         [journal]\npath = \"{place}/journal.sqlite\"\n\n\
         [control]\nsocket = \"{place}/control.sock\"\n\n\
         [contact.ines]\nname = \"Ines\"\n\n[contact.ines.channel.page]\n{channel}\n\n{more}"
    );
    let file = folder.join("agent.toml");
    fs::write(&file, config)?;
    fs::write(folder.join("rules.toml"), rules(steps)?)?;
    Ok(file)
}

/// The rule file, with the targets of its call-out's one step.
pub(crate) fn rules(steps: &str) -> Result<String> {
    let mut rules = format!(
        "[site]\nname = \"Halyard House\"\n\n\
         [tank.lagoon]\nvolume = \"420 L\"\nsalinity = \"35 ppt\"\nstocking = \"moderate\"\n\n\
         [callout.household]\nsteps = [{{ after = \"0 min\", to = {steps} }}]\nagain = \"12 h\"\nlease = \"12 h\"\n"
    );
    for sensor in 0..SENSORS {
        // A call-out for each: many of one within seconds would be one page.
        writeln!(
            rules,
            "\n[callout.household-{sensor:02}]\nsteps = [{{ after = \"0 min\", to = {steps} }}]\n\
             again = \"12 h\"\nlease = \"12 h\""
        )?;
        writeln!(
            rules,
            "\n[sensor.temp-{sensor:02}]\ntopic = \"{}\"\ntank = \"lagoon\"\nmeasures = \"temperature\"\n\
             unit = \"degC\"\nevery = \"30 s\"\nplausible = [\"5 degC\", \"45 degC\"]\nmax-rate = \"none\"",
            topic(sensor)
        )?;
        for level in 0..ALARMS_EACH {
            writeln!(
                rules,
                "\n[alarm.hot-{sensor:02}-{level}]\ntank = \"lagoon\"\nwhen = \"temp-{sensor:02} > {} degC\"\n\
                 deadband = \"0.3 K\"\non-delay = \"0 s\"\npriority = \"high\"\n\
                 consequence = \"warm water holds less oxygen\"\nresponse = \"card:too-hot\"\n\
                 callout = \"household-{sensor:02}\"",
                30 + level
            )?;
        }
    }
    Ok(rules)
}

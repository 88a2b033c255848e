//! The library of ready-made alarms, so that a beginner protects a tank without a formula. Each
//! hazard stands in `hazards/*.toml` in the words of the rule file, with parameters in braces;
//! out come its name, what it needs, what it assumes and why, and its text for a keeper to copy
//! and change. `plan` puts a keeper's parameters in and reads the result like any other alarm.

use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use std::sync::OnceLock;

/// A ready-made, parametrised alarm.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(crate) struct Hazard {
    pub(crate) name: String,
    /// What is wrong, in a few words for people: it follows the name of the tank.
    pub(crate) title: String,
    /// What it is, in a sentence.
    pub(crate) about: String,
    /// The sensors, relays and batteries it looks at, by the part they play.
    pub(crate) roles: BTreeMap<String, Role>,
    /// Limits and words, most with a default.
    #[serde(default)]
    pub(crate) values: BTreeMap<String, Setting>,
    /// Hazards that explain this one: what is made of them in the same place becomes its cause.
    #[serde(default)]
    pub(crate) because_of: Vec<String>,
    alarm: toml::Table,
    #[serde(default)]
    form: Vec<toml::Table>,
}

/// A part that a sensor, a relay or a battery plays.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default, rename_all = "kebab-case")]
#[derive(Default)]
pub(crate) struct Role {
    /// What the sensor may measure; `any` for whatever.
    pub(crate) measures: Vec<String>,
    /// It has to be named: many sensors measure the same and mean other things.
    pub(crate) named: bool,
    /// It belongs to the site, not to a tank.
    pub(crate) site: bool,
    /// It is a relay.
    pub(crate) relay: bool,
    /// Unless it is named, it is the relay whose proof looks at the sensor that plays one of these
    /// parts.
    pub(crate) cuts: Vec<String>,
    /// It is a battery, by the name of its table.
    pub(crate) battery: bool,
    /// The title says which one it is: a house has several.
    pub(crate) in_title: bool,
}

/// A limit or a word.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(crate) struct Setting {
    pub(crate) default: Option<String>,
    /// Where there can be no default: what it could be.
    like: Option<String>,
    /// It is compared with sensors of several kinds, which decide its unit.
    #[serde(default)]
    pub(crate) any: bool,
    source: Option<String>,
    /// A word that the sensor of this role says.
    pub(crate) word_of: Option<String>,
    /// The first of these that it declares.
    #[serde(default)]
    pub(crate) first: Vec<String>,
}

/// One line of the table of defaults.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Assumed {
    /// The hazard.
    pub hazard: &'static str,
    /// The parameter.
    pub name: &'static str,
    /// Its value; none if the keeper has to give one.
    pub value: Option<&'static str>,
    /// Where the value comes from, or an example if there is none.
    pub source: &'static str,
}

#[derive(Deserialize)]
struct HazardFile {
    hazard: Vec<Hazard>,
}

static FILES: [&str; 8] = [
    include_str!("../hazards/power.toml"),
    include_str!("../hazards/heat.toml"),
    include_str!("../hazards/flow.toml"),
    include_str!("../hazards/water.toml"),
    include_str!("../hazards/chemistry.toml"),
    include_str!("../hazards/light.toml"),
    include_str!("../hazards/sensors.toml"),
    include_str!("../hazards/forecast.toml"),
];

/// The key of a form that is only for sensors of these quantities in a tank that may be heated.
const OF_HEATED: &str = "of-heated";

/// Keys of an alarm in the order in which people read them.
const ORDER: [&str; 14] = [
    "when",
    "worse",
    "deadband",
    "on-delay",
    "off-delay",
    "latching",
    "longest-shelf",
    "priority",
    "cause",
    "consequence",
    "response",
    "time-to-respond",
    "callout",
    "stopgap",
];

/// All hazards, in the order of the library. A file of it that can't be read would be a mistake
/// of this program, which a test finds; here it adds nothing.
pub(crate) fn library() -> &'static [Hazard] {
    static LIBRARY: OnceLock<Vec<Hazard>> = OnceLock::new();
    LIBRARY.get_or_init(|| {
        let files = FILES.iter().filter_map(|text| toml::from_str::<HazardFile>(text).ok());
        files.flat_map(|file| file.hazard).collect()
    })
}

/// The names of all hazards.
pub fn names() -> impl Iterator<Item = &'static str> {
    library().iter().map(|hazard| hazard.name.as_str())
}

/// What a hazard is, in a sentence.
pub fn about(name: &str) -> Option<&'static str> {
    find(name).map(|hazard| hazard.about.as_str())
}

/// What is wrong, in a few words for people.
pub fn title(name: &str) -> Option<&'static str> {
    find(name).map(|hazard| hazard.title.as_str())
}

pub(crate) fn find(name: &str) -> Option<&'static Hazard> {
    library().iter().find(|hazard| hazard.name == name)
}

/// Every value that is assumed unless the keeper says otherwise, and where it comes from.
pub fn defaults() -> impl Iterator<Item = Assumed> {
    library().iter().flat_map(|hazard| {
        hazard.values.iter().filter(|(_, setting)| setting.word_of.is_none()).map(|(name, setting)| Assumed {
            hazard: &hazard.name,
            name,
            value: setting.default.as_deref(),
            source: match (&setting.source, &setting.like) {
                (Some(source), _) => source,
                (None, Some(like)) => like,
                (None, None) => "",
            },
        })
    })
}

/// The rule text of a hazard: how to use it, and all of it written out, to copy and change.
/// Sensors bear the names of the parts they play.
pub fn text(name: &str) -> Option<String> {
    let hazard = find(name)?;
    let mut out = format!("# {}\n\n[alarm.{name}]\nhazard = \"{name}\"\n", hazard.about);
    let forms = hazard.forms();
    let mut shown: Vec<Vec<&str>> = Vec::new();
    for form in &forms {
        let needs = hazard.needs(form);
        // It is used in the same words.
        if shown.contains(&needs) {
            continue;
        }
        let at = shown.len();
        shown.push(needs.clone());
        if at > 0 {
            out += "# or instead:\n";
        }
        let comment = if at > 0 { "# " } else { "" };
        for need in &needs {
            let (value, why) = match (hazard.roles.get(*need), hazard.values.get(*need)) {
                (Some(role), _) => ("…".to_owned(), role.words()),
                (None, Some(setting)) => (setting.example(), setting.why()),
                (None, None) => continue,
            };
            // What has a default is there to be changed.
            let given = hazard.values.get(*need).is_some_and(|setting| !setting.is_needed());
            let comment = if given { "# " } else { comment };
            let _ = writeln!(out, "{comment}{need} = \"{value}\"  # {why}");
        }
    }
    out += "\n# The same written out, with sensors named after their parts:\n\n";
    for (at, form) in forms.iter().enumerate() {
        if at > 0 {
            out += "\n# or:\n";
        }
        if let Some(of) = of_heated(form) {
            let _ = writeln!(out, "# for {}, in a tank that may be heated:", of.join(" or "));
        }
        let heading = if at == 0 { name.to_owned() } else { format!("{name}-{}", at + 1) };
        let _ = writeln!(out, "[alarm.{heading}]");
        let put = |key: &str| match (hazard.roles.get(key), hazard.values.get(key)) {
            (Some(_), _) => key.to_owned(),
            (None, Some(setting)) => setting.example(),
            (None, None) => key.to_owned(),
        };
        for (key, value) in in_order(form) {
            let mut words = String::new();
            write_value(&mut words, value, &mut |out, text| *out += &filled(text, put));
            let _ = writeln!(out, "{key} = {words}");
        }
    }
    Some(out)
}

/// The keys of an alarm, those that people look for first.
pub(crate) fn in_order(form: &toml::Table) -> impl Iterator<Item = (&String, &toml::Value)> {
    let place = |key: &str| ORDER.iter().position(|known| *known == key).unwrap_or(ORDER.len());
    let mut keys: Vec<_> = form.iter().filter(|(key, _)| *key != OF_HEATED).collect();
    keys.sort_by_key(|(key, _)| place(key));
    keys.into_iter()
}

/// The quantities that a form is only for, if it is for some: of the water of a tank that may be
/// heated.
pub(crate) fn of_heated(form: &toml::Table) -> Option<Vec<&str>> {
    Some(form.get(OF_HEATED)?.as_array()?.iter().filter_map(toml::Value::as_str).collect())
}

/// The value as a rule file has it, with its texts as `put` writes them.
pub(crate) fn write_value(out: &mut String, value: &toml::Value, put: &mut impl FnMut(&mut String, &str)) {
    match value {
        toml::Value::String(text) => {
            out.push('"');
            put(out, text);
            out.push('"');
        }
        toml::Value::Table(table) => {
            for (at, (key, value)) in table.iter().enumerate() {
                *out += if at == 0 { "{ " } else { ", " };
                *out += &format!("{key} = ");
                write_value(out, value, put);
            }
            *out += " }";
        }
        toml::Value::Array(values) => {
            for (at, value) in values.iter().enumerate() {
                *out += if at == 0 { "[" } else { ", " };
                write_value(out, value, put);
            }
            out.push(']');
        }
        other => *out += &other.to_string(),
    }
}

/// Every text in the value.
fn texts<'v>(value: &'v toml::Value, found: &mut Vec<&'v str>) {
    match value {
        toml::Value::String(text) => found.push(text),
        toml::Value::Table(table) => table.values().for_each(|value| texts(value, found)),
        toml::Value::Array(values) => values.iter().for_each(|value| texts(value, found)),
        toml::Value::Integer(_)
        | toml::Value::Float(_)
        | toml::Value::Boolean(_)
        | toml::Value::Datetime(_) => {}
    }
}

/// The text with every `{parameter}` replaced.
pub(crate) fn filled(text: &str, mut put: impl FnMut(&str) -> String) -> String {
    let mut out = String::new();
    for piece in pieces(text) {
        match piece {
            Piece::Text(text) => out += text,
            Piece::Parameter(name) => out += &put(name),
        }
    }
    out
}

/// A stretch of a hazard's text.
pub(crate) enum Piece<'t> {
    Text(&'t str),
    Parameter(&'t str),
}

pub(crate) fn pieces(text: &str) -> impl Iterator<Item = Piece<'_>> {
    text.split('{').enumerate().flat_map(|(at, part)| {
        let (name, rest) = match part.split_once('}') {
            Some((name, rest)) if at > 0 => (Some(name), rest),
            _ => (None, part),
        };
        name.map(Piece::Parameter).into_iter().chain([Piece::Text(rest)])
    })
}

impl Hazard {
    /// The ways in which it can be seen, the best first: each a whole alarm.
    pub(crate) fn forms(&self) -> Vec<toml::Table> {
        let with = |form: &toml::Table| {
            let mut whole = self.alarm.clone();
            whole.extend(form.clone());
            whole
        };
        if self.form.is_empty() { vec![self.alarm.clone()] } else { self.form.iter().map(with).collect() }
    }

    /// The parameters that a form uses, sensors first.
    pub(crate) fn needs(&self, form: &toml::Table) -> Vec<&str> {
        let mut found = Vec::new();
        form.values().for_each(|value| texts(value, &mut found));
        let used: BTreeSet<&str> = found
            .into_iter()
            .flat_map(pieces)
            .filter_map(|piece| match piece {
                Piece::Parameter(name) => Some(name),
                Piece::Text(_) => None,
            })
            .collect();
        let words = self.values.iter().filter(|(_, setting)| setting.word_of.is_none()).map(|(key, _)| key);
        let all = self.roles.keys().chain(words).map(String::as_str);
        all.filter(|key| used.contains(key)).collect()
    }
}

impl Role {
    /// `a sensor that measures temperature`
    pub(crate) fn words(&self) -> String {
        let place = if self.site { ", of the site" } else { "" };
        match self.measures.as_slice() {
            _ if self.relay => "a relay".to_owned(),
            _ if self.battery => "a battery, declared as `[battery.NAME]`".to_owned(),
            [any] if any == "any" => "a sensor".to_owned(),
            measures => format!("a sensor that measures {}{place}", measures.join(" or ")),
        }
    }
}

impl Setting {
    /// Whether the keeper has to give it.
    pub(crate) fn is_needed(&self) -> bool {
        self.default.is_none() && self.word_of.is_none()
    }

    /// The default, or what it could be.
    pub(crate) fn example(&self) -> String {
        let known = self.default.as_ref().or(self.like.as_ref()).or(self.first.first());
        known.cloned().unwrap_or_default()
    }

    /// Where the default comes from.
    pub(crate) fn why(&self) -> String {
        self.source.clone().unwrap_or_else(|| "yours".to_owned())
    }
}

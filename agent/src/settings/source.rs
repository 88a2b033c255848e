//! Where settings come from: the file first, then the environment over it, layered by the `config`
//! crate. `SLACKWATER_BROKER__KEEP_ALIVE` is `broker.keep-alive`.
//!
//! The file is a source of our own. Each of its values has an origin, `agent.toml:LINE:COLUMN`, and
//! each from the environment the name of its variable; what `config` makes of both becomes a tree
//! with places again. A value from the environment stays the text that it is (`config` could guess
//! numbers, and would turn the password `00123` into `123`); the place it stands in says what it
//! must be.

use config::{Config, ConfigError, Map, Source, Value, ValueKind};
use slackwater_rules::diagnostic::{Finding, SourceTexts};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What the names of our variables begin with.
const PREFIX: &str = "SLACKWATER_";

/// Variables that begin like settings and are none: the file's own path, and the switch that
/// lets no test be skipped.
const NO_SETTINGS: &[&str] = &["SLACKWATER_CONFIG", "SLACKWATER_NEED_REAL"];

/// The environment as it was at a moment; in tests, an invented one.
#[derive(Clone, Debug, Default)]
pub struct Environment {
    variables: BTreeMap<String, String>,
    /// Nothing is to be sent: secrets and files of channels need not be there.
    is_dry: bool,
}

impl Environment {
    /// That of this process. What is not UTF-8 is kept with its bad bytes replaced, so that it
    /// is seen and refused where it matters.
    pub fn of_process() -> Self {
        std::env::vars_os()
            .map(|(name, value)| (name.to_string_lossy().into_owned(), value.to_string_lossy().into_owned()))
            .collect()
    }

    /// The same for who only plays: no secret is asked for.
    pub fn dry(self) -> Self {
        Self { is_dry: true, ..self }
    }

    pub(super) fn is_dry(&self) -> bool {
        self.is_dry
    }

    /// A variable that is set and not empty.
    pub fn get(&self, name: &str) -> Option<&str> {
        self.variables.get(name).map(String::as_str).filter(|value| !value.is_empty())
    }

    /// The variables that are settings.
    pub(super) fn settings(&self) -> impl Iterator<Item = (&str, &str)> {
        let ours = |name: &str| name.starts_with(PREFIX) && !NO_SETTINGS.contains(&name);
        let all = self.variables.iter().map(|(name, value)| (name.as_str(), value.as_str()));
        all.filter(move |(name, _)| ours(name))
    }
}

impl<N: Into<String>, V: Into<String>> FromIterator<(N, V)> for Environment {
    fn from_iter<T: IntoIterator<Item = (N, V)>>(variables: T) -> Self {
        let variables = variables.into_iter().map(|(name, value)| (name.into(), value.into())).collect();
        Self { variables, is_dry: false }
    }
}

/// Where a variable stands in the text that findings show.
pub(super) struct Variable<'t> {
    name: Range<usize>,
    value: Range<usize>,
    text: &'t str,
}

impl Variable<'_> {
    /// Where its value stands.
    pub(super) fn value(&self) -> Range<usize> {
        self.value.clone()
    }
}

/// The variables of the text, `NAME=VALUE` each, by name; `starts` are where they begin.
pub(super) fn variables<'t>(
    environment: &'t Environment,
    mut start: usize,
) -> BTreeMap<&'t str, Variable<'t>> {
    let mut found = BTreeMap::new();
    for (name, text) in environment.settings() {
        let value = start + name.len() + 1;
        let variable = Variable { name: start..start + name.len(), value: value..value + text.len(), text };
        found.insert(name, variable);
        start = value + text.len() + 1;
    }
    found
}

/// One layer, ready to be handed to `config`.
#[derive(Clone, Debug)]
struct Layer(Map<String, Value>);

impl Source for Layer {
    fn clone_into_box(&self) -> Box<dyn Source + Send + Sync> {
        Box::new(self.clone())
    }

    fn collect(&self) -> Result<Map<String, Value>, ConfigError> {
        Ok(self.0.clone())
    }
}

/// The file with the environment over it, as one tree; keys that can be in no tree are noted.
pub(super) fn layered<'t>(
    sources: &SourceTexts,
    file: &DeTable<'t>,
    variables: &BTreeMap<&'t str, Variable<'t>>,
    wrong: &mut Vec<Finding>,
) -> Result<DeTable<'t>, ConfigError> {
    let origin = |at: usize| {
        let place = sources.position(at);
        format!("{}:{}:{}", sources.name(0), place.line, place.column)
    };
    // `config` reads keys at the root as paths: `x[9999999999]` would be a list of that length.
    let mut is_key = |key: &str, place: Range<usize>| {
        let good = !key.contains(['[', ']', '.']);
        if !good {
            let title = format!("`{key}` can't be a key");
            wrong.push(Finding::error(place, title, "brackets and points are no part of a key here"));
        }
        good
    };
    let below = |(key, value): (&Spanned<Cow<'t, str>>, &Spanned<DeValue<'t>>)| {
        (key.get_ref().clone().into_owned(), with_origins(value, &origin))
    };
    let below_file =
        Layer(file.iter().filter(|(key, _)| is_key(key.get_ref(), key.span())).map(below).collect());
    let path =
        |name: &str| name.trim_start_matches(PREFIX).replace("__", ".").replace('_', "-").to_lowercase();
    let above = variables.iter().filter(|(name, at)| is_key(name, at.name.clone()));
    let above_file = Layer(
        above
            .filter(|(name, _)| name.contains("__"))
            .map(|(name, at)| {
                let value = ValueKind::String(at.text.to_owned());
                (path(name), Value::new(Some(&(*name).to_owned()), value))
            })
            .collect(),
    );
    let tree = Config::builder().add_source(below_file).add_source(above_file).build()?;
    wrong.extend(variables.iter().filter_map(|(name, at)| without_section(name, at)));
    let merge = Merge { variables };
    Ok(match merge.value(&tree.cache, None, Some(file)) {
        Some((DeValue::Table(table), _)) => table,
        _ => DeTable::new(),
    })
}

/// All settings stand in sections.
fn without_section(name: &str, at: &Variable<'_>) -> Option<Finding> {
    let (section, key) = name.strip_prefix(PREFIX)?.split_once('_')?;
    let finding = || {
        let label = "section and key have two underscores between them";
        Finding::error(at.name.clone(), format!("`{name}` is no setting"), label)
    };
    let help = || format!("for instance {PREFIX}{section}__{key}");
    (!name.contains("__")).then(|| finding().help(help()))
}

fn with_origins<'t>(value: &Spanned<DeValue<'t>>, origin: &impl Fn(usize) -> String) -> Value {
    let kind = match value.get_ref() {
        DeValue::String(text) => ValueKind::String(text.clone().into_owned()),
        DeValue::Integer(number) => match i64::from_str_radix(number.as_str(), number.radix()) {
            Ok(number) => ValueKind::I64(number),
            Err(_) => ValueKind::String(number.to_string()),
        },
        DeValue::Float(number) => match number.as_str().parse() {
            Ok(number) => ValueKind::Float(number),
            Err(_) => ValueKind::String(number.to_string()),
        },
        DeValue::Boolean(flag) => ValueKind::Boolean(*flag),
        DeValue::Datetime(time) => ValueKind::String(time.to_string()),
        DeValue::Array(parts) => {
            ValueKind::Array(parts.iter().map(|part| with_origins(part, origin)).collect())
        }
        DeValue::Table(table) => {
            let pair = |(key, value): (&Spanned<Cow<'t, str>>, &Spanned<DeValue<'t>>)| {
                (key.get_ref().clone().into_owned(), with_origins(value, origin))
            };
            ValueKind::Table(table.iter().map(pair).collect())
        }
    };
    Value::new(Some(&origin(value.span().start)), kind)
}

/// What `config` made of both layers, back to values with places.
struct Merge<'m, 't> {
    variables: &'m BTreeMap<&'t str, Variable<'t>>,
}

impl<'t> Merge<'_, 't> {
    /// The value and its place; `file` is what the file has at the same path, `root` the file
    /// itself.
    fn value(
        &self,
        value: &Value,
        file: Option<&Spanned<DeValue<'t>>>,
        root: Option<&DeTable<'t>>,
    ) -> Option<(DeValue<'t>, Range<usize>)> {
        if let ValueKind::Table(keys) = &value.kind {
            let theirs = root.or_else(|| file?.get_ref().as_table());
            let mut table = DeTable::new();
            for (key, value) in keys {
                let known = theirs.and_then(|table| table.get_key_value(key.as_str()));
                let Some((it, place)) = self.value(value, known.map(|(_, value)| value), None) else {
                    continue;
                };
                let at = known.map(|(key, _)| key.span()).or_else(|| self.first(value));
                let at = at.unwrap_or_else(|| place.clone());
                table.insert(Spanned::new(at, Cow::Owned(key.clone())), Spanned::new(place, it));
            }
            let place = file.map(Spanned::span).or_else(|| self.first(value)).unwrap_or_default();
            return Some((DeValue::Table(table), place));
        }
        match value.origin().and_then(|origin| self.variables.get(origin)) {
            Some(variable) => Some((DeValue::String(Cow::Borrowed(variable.text)), variable.value.clone())),
            None => file.map(|file| (file.get_ref().clone(), file.span())),
        }
    }

    /// The name of the first variable in it.
    fn first(&self, value: &Value) -> Option<Range<usize>> {
        match &value.kind {
            ValueKind::Table(table) => {
                table.values().filter_map(|value| self.first(value)).min_by_key(|at| at.start)
            }
            _ => Some(self.variables.get(value.origin()?)?.name.clone()),
        }
    }
}

//! Where settings come from: the file first, then the environment over it, merged into one tree
//! by the `config` crate. `SLACKWATER_BROKER__KEEP_ALIVE` is `broker.keep-alive`.
//!
//! A value from the environment stays the text that it is (`config` could guess numbers, and
//! would turn the password `00123` into `123`); the place it stands in says what it must be.
//! Each keeps the name of its variable, so that a mistake can say where it was made.

use super::tree::{Context, Item, Mistakes, Table};
use config::{Config, ConfigError, File, FileFormat, Map, Source, Value, ValueKind};
use std::collections::BTreeMap;
use std::path::Path;

/// What the names of our variables begin with.
const PREFIX: &str = "SLACKWATER_";

/// Variables that begin like settings and are none: the file's own path, and the switch that
/// lets no test be skipped.
const NO_SETTINGS: &[&str] = &["SLACKWATER_CONFIG", "SLACKWATER_NEED_REAL"];

/// The environment as it was at a moment; in tests, an invented one.
#[derive(Clone, Debug, Default)]
pub struct Environment(BTreeMap<String, String>);

impl Environment {
    /// That of this process. What is not UTF-8 is kept with its bad bytes replaced, so that it
    /// is seen and refused where it matters.
    pub fn of_process() -> Self {
        std::env::vars_os()
            .map(|(name, value)| (name.to_string_lossy().into_owned(), value.to_string_lossy().into_owned()))
            .collect()
    }

    /// A variable that is set and not empty.
    pub fn get(&self, name: &str) -> Option<&str> {
        self.0.get(name).map(String::as_str).filter(|value| !value.is_empty())
    }
}

impl<N: Into<String>, V: Into<String>> FromIterator<(N, V)> for Environment {
    fn from_iter<T: IntoIterator<Item = (N, V)>>(variables: T) -> Self {
        Self(variables.into_iter().map(|(name, value)| (name.into(), value.into())).collect())
    }
}

impl Source for Environment {
    fn clone_into_box(&self) -> Box<dyn Source + Send + Sync> {
        Box::new(self.clone())
    }

    fn collect(&self) -> Result<Map<String, Value>, ConfigError> {
        let ours = self.0.iter().filter(|(name, _)| !NO_SETTINGS.contains(&name.as_str()));
        Ok(ours
            .filter_map(|(name, value)| {
                let key = name.strip_prefix(PREFIX)?.replace("__", ".").replace('_', "-").to_lowercase();
                Some((key, Value::new(Some(name), ValueKind::String(value.clone()))))
            })
            .collect())
    }
}

/// Reads the tree and hands its root to `check`, which returns nothing if it has noted a
/// mistake. All mistakes come back together.
pub(super) fn read<T>(
    file: &Path,
    environment: &Environment,
    check: impl FnOnce(&mut Table<'_>) -> Option<T>,
) -> Result<T, Mistakes> {
    let context = Context::new(file, environment);
    let text = std::fs::read_to_string(file)
        .map_err(|error| context.refuse(format!(
                "the configuration can't be read: {error} (`slackwater init` writes one to begin with, `--config` names another)"
            )))?;
    let file = File::from_str(&text, FileFormat::Toml);
    let broken = |error| context.refuse(format!("the configuration is not TOML: {}", reason(error)));
    // `config` reads keys at the root as paths: `x[9999999999]` would be a list of that length.
    for source in [&file as &dyn Source, environment] {
        let keys = source.collect().map_err(broken)?;
        if let Some(key) = keys.keys().find(|key| key.contains(['[', ']'])) {
            return Err(context.refuse(format!("`{key}` can't be a key: it has brackets")));
        }
    }
    let sources = Config::builder().add_source(file).add_source(environment.clone());
    let tree = sources.build().map_err(broken)?;
    let checked = Item::root(tree.cache, &context).table().and_then(|mut root| check(&mut root));
    context.conclude(checked)
}

fn reason(error: ConfigError) -> String {
    match error {
        ConfigError::FileParse { cause, .. } => cause.to_string().trim_end().to_owned(),
        other => other.to_string(),
    }
}

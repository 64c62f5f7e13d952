//! `[settings]`: a few changes laid over settings that are whole.

use super::error::{ScenarioError, Source, unknown_key};
use ohmward_proto::Settings;
use toml::{Table, Value};

/// Lays `changes`, the section `[settings]`, over `base` and checks the whole.
///
/// Each change goes in by itself: the one that the settings refuse is the one at fault, so its line can be told.
pub fn overlay(
    source: &Source<'_>,
    base: Settings,
    changes: &Table,
) -> Result<Settings, ScenarioError> {
    let mut whole = Table::try_from(base).map_err(|e| {
        source.error(
            "settings",
            format!("defaults do not fit in TOML ({e}); report this"),
        )
    })?;
    let mut settings = base;
    for (path, value) in leaves(changes) {
        let at = format!("settings.{path}");
        put(&mut whole, &path, value).map_err(|message| source.error(&at, message))?;
        settings = whole.clone().try_into().map_err(|e: toml::de::Error| {
            source.error(&at, format!("{}; correct the value", e.message()))
        })?;
    }
    settings.check().map_err(|fault| {
        source.error(
            &format!("settings.{}", fault.key()),
            format!("{fault}; change it"),
        )
    })?;
    Ok(settings)
}

/// All values with their dotted paths, in the order of the table.
pub fn leaves(table: &Table) -> Vec<(String, &Value)> {
    let mut leaves = Vec::new();
    collect("", table, &mut leaves);
    leaves
}

fn collect<'t>(path: &str, table: &'t Table, leaves: &mut Vec<(String, &'t Value)>) {
    for (name, value) in table {
        let here = if path.is_empty() {
            name.clone()
        } else {
            format!("{path}.{name}")
        };
        match value {
            Value::Table(inner) => collect(&here, inner, leaves),
            _ => leaves.push((here, value)),
        }
    }
}

/// Replaces the value at `path`, which must be there already, by one of its own kind.
fn put(whole: &mut Table, path: &str, value: &Value) -> Result<(), String> {
    let mut table = whole;
    let mut parts = path.split('.').peekable();
    while let Some(part) = parts.next() {
        let valid: Vec<String> = table.keys().cloned().collect();
        let Some(old) = table.get_mut(part) else {
            return Err(unknown_key(
                &valid.iter().map(String::as_str).collect::<Vec<_>>(),
            ));
        };
        if parts.peek().is_none() {
            if old.is_table() {
                return Err("is a group of keys, not a value; write the keys inside it".to_owned());
            }
            *old = value.clone();
            return Ok(());
        }
        table = match old {
            Value::Table(inner) => inner,
            _ => return Err("is a value, not a group of keys; write it as a value".to_owned()),
        };
    }
    Ok(())
}

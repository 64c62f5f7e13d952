//! The board's settings as a TOML file, each limit with its source beside it; and back.

use super::limits::{Limit, Value};
use super::{NOTICE, Plan, changes};
use ohmward_plant::ScenarioError;
use ohmward_plant::scenario::{Source, leaves};
use ohmward_proto::Settings;
use std::fmt::Write;
use std::fs::OpenOptions;
use std::io::Write as _;
use std::path::Path;

/// Why a settings file was not written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// Somebody's work is in the way.
    #[error("{0} is there already; name another file or remove it")]
    Exists(String),
    /// The disk or the path.
    #[error("{0} could not be written ({1}); check the path")]
    Io(String, std::io::Error),
    /// What was written would not be read back as the same settings: a fault of this program.
    #[error("the settings do not fit in a file ({0}); report this")]
    NotTheSame(String),
}

/// The file's text.
///
/// # Errors
/// [`WriteError::NotTheSame`].
pub fn render(plan: &Plan) -> Result<String, WriteError> {
    let wrong = |what: String| WriteError::NotTheSame(what);
    let table = toml::Table::try_from(plan.settings).map_err(|e| wrong(e.to_string()))?;
    let mut text = format!(
        "# Settings of an Ohmward board for {}, planned from {}.\n#\n",
        one_line(&plan.name),
        one_line(&plan.file)
    );
    for line in NOTICE {
        let _ = writeln!(text, "# {line}");
    }
    let looser: Vec<_> = plan.looser().collect();
    if !looser.is_empty() {
        let _ = writeln!(
            text,
            "#\n# {} LOOSER THAN THEIR SOURCE, accepted by whoever planned:",
            looser.len()
        );
        for limit in looser {
            let _ = writeln!(text, "#   {}", limit.key);
        }
    }
    let mut section = String::new();
    for (path, value) in sorted(&table) {
        let (within, key) = path.rsplit_once('.').unwrap_or(("", &path));
        if within != section {
            let _ = writeln!(text, "\n[{within}]");
            within.clone_into(&mut section);
        } else if section.is_empty() {
            text.push('\n');
        }
        for line in comment(&path, plan) {
            let _ = writeln!(text, "# {line}");
        }
        let _ = writeln!(text, "{key} = {}", literal(value));
    }
    match read(&plan.file, &text) {
        Ok(back) if back == plan.settings => Ok(text),
        Ok(_) => Err(wrong("they read back otherwise".to_owned())),
        Err(error) => Err(wrong(error.to_string())),
    }
}

/// Writes it, never over a file that is there.
///
/// # Errors
/// [`WriteError`].
pub fn write(plan: &Plan, path: &Path) -> Result<(), WriteError> {
    let name = path.display().to_string();
    let text = render(plan)?;
    let mut file = OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .map_err(|error| match error.kind() {
            std::io::ErrorKind::AlreadyExists => WriteError::Exists(name.clone()),
            _ => WriteError::Io(name.clone(), error),
        })?;
    file.write_all(text.as_bytes())
        .and_then(|()| file.sync_all())
        .map_err(|error| WriteError::Io(name, error))
}

/// Reads settings; `file` is their name in errors.
///
/// # Errors
/// File, line and key of what is missing, unknown, of the wrong kind or refused by [`Settings::check`].
pub fn read(file: &str, text: &str) -> Result<Settings, ScenarioError> {
    let source = Source::new(file, text)?;
    let settings: Settings = toml::from_str(text).map_err(|e| source.serde_error(&e))?;
    settings
        .check()
        .map_err(|fault| source.error(fault.key(), format!("{fault}; change it")))?;
    Ok(settings)
}

/// Plain keys before tables, as TOML wants them; otherwise by name.
fn sorted(table: &toml::Table) -> Vec<(String, &toml::Value)> {
    let mut all = leaves(table);
    all.sort_by_key(|(path, _)| {
        let within = path.rsplit_once('.').map_or("", |(within, _)| within);
        (within.to_owned(), path.clone())
    });
    all
}

fn comment(path: &str, plan: &Plan) -> Vec<String> {
    let Some(limit) = plan.limits.iter().find(|l| l.key == path) else {
        return vec![format!("As {} says.", one_line(&plan.file))];
    };
    let Limit {
        what,
        reached,
        source_label,
        source,
        looser_than,
        ..
    } = limit;
    let mut lines = Vec::new();
    if let Some(than) = looser_than {
        lines.push(format!("LOOSER THAN {than}"));
    }
    let what = what.trim_start_matches("… ");
    lines.push(one_line(&format!("{what}: {reached}")));
    lines.push(format!("Source: {source_label} [{}]", source.id));
    lines
}

/// Numbers as short as an `f32` allows: what the board holds is one.
fn literal(value: &toml::Value) -> String {
    match value {
        toml::Value::Float(x) => format!("{:?}", *x as f32),
        other => other.to_string(),
    }
}

/// A comment ends with its line, whatever a name holds.
fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

/// The value as the list of limits shows it; for tests that both say the same.
pub fn value_at(settings: &Settings, key: &str) -> Option<Value> {
    let table = toml::Table::try_from(settings).ok()?;
    leaves(&table)
        .into_iter()
        .find(|(path, _)| path == key)
        .and_then(|(_, value)| changes::value_of(value))
}

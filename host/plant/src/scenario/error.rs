//! The one-line error of a scenario or array file, and finding the line of a key.

use std::fmt;
use std::ops::Range;
use toml_edit::{Document, Item};

/// What is wrong with a scenario or array file. Prints as one line: `FILE:LINE: KEY: what is wrong; what to do`.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ScenarioError {
    /// The file as the caller named it.
    pub file: String,
    /// From 1; 0 when the file could not be read at all.
    pub line: usize,
    /// Dotted key at fault; empty when it is not about one key.
    pub key: String,
    /// What is wrong; what to do.
    pub message: String,
}

impl fmt::Display for ScenarioError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if self.line > 0 {
            write!(f, ":{}", self.line)?;
        }
        if !self.key.is_empty() {
            write!(f, ": {}", self.key)?;
        }
        write!(f, ": {}", self.message)
    }
}

impl std::error::Error for ScenarioError {}

impl ScenarioError {
    /// The file could not be read at all.
    pub fn unreadable(file: &str, error: &std::io::Error) -> Self {
        let what = match error.kind() {
            std::io::ErrorKind::InvalidData => "is no text file (UTF-8); name another".to_owned(),
            _ => format!("cannot be read ({error}); check the path"),
        };
        Self {
            file: file.to_owned(),
            line: 0,
            key: String::new(),
            message: what,
        }
    }
}

/// The text of a file with the places of its keys.
pub struct Source<'a> {
    file: &'a str,
    text: &'a str,
    document: Document<&'a str>,
}

impl<'a> Source<'a> {
    /// Finds the keys; `file` is the text's name in errors.
    pub fn new(file: &'a str, text: &'a str) -> Result<Self, ScenarioError> {
        match Document::parse(text) {
            Ok(document) => Ok(Self {
                file,
                text,
                document,
            }),
            Err(e) => Err(ScenarioError {
                file: file.to_owned(),
                line: line_of(text, e.span()),
                key: String::new(),
                message: format!("not TOML: {}; correct the line", one_line(e.message())),
            }),
        }
    }

    /// Name of the file.
    pub fn file(&self) -> &str {
        self.file
    }

    /// An error about the key at `path` (dots between names, numbers for places in a list).
    pub fn error(&self, path: &str, message: impl Into<String>) -> ScenarioError {
        ScenarioError {
            file: self.file.to_owned(),
            line: line_of(self.text, self.find(path)),
            key: path
                .split('.')
                .filter(|part| part.parse::<usize>().is_err())
                .collect::<Vec<_>>()
                .join("."),
            message: message.into(),
        }
    }

    /// An error that serde found, in our words.
    pub fn serde_error(&self, error: &toml::de::Error) -> ScenarioError {
        let found = one_line(error.message());
        let mut path = error
            .span()
            .and_then(|span| self.path_at(&span))
            .unwrap_or_default();
        let message = if let Some(rest) = found.strip_prefix("unknown field `") {
            let (name, expected) = rest.split_once('`').unwrap_or((rest, ""));
            if !path.ends_with(name) {
                path = join(&path, name);
            }
            unknown_key(&names_in(expected))
        } else if let Some(rest) = found.strip_prefix("missing field `") {
            // The span is that of the table the key is missing from, or of its first value.
            if !self.is_table(&path) || error.span() == self.document.as_item().span() {
                path = path
                    .rsplit_once('.')
                    .map_or(String::new(), |(table, _)| table.to_owned());
            }
            path = join(&path, rest.trim_end_matches('`'));
            "is missing; add it".to_owned()
        } else {
            format!("{found}; correct the value")
        };
        self.error(&path, message)
    }

    fn is_table(&self, path: &str) -> bool {
        let item = path
            .split('.')
            .try_fold(self.document.as_item(), |item, part| {
                part.parse::<usize>()
                    .map_or_else(|_| item.get(part), |index| item.get(index))
            });
        item.is_some_and(Item::is_table_like)
    }

    /// Span of the deepest part of `path` that is written in the file.
    fn find(&self, path: &str) -> Option<Range<usize>> {
        let mut item = self.document.as_item();
        let mut span = None;
        for part in path.split('.') {
            let next = if let Ok(index) = part.parse::<usize>() {
                item.get(index)
            } else {
                let key = match item {
                    Item::Table(table) => table.key(part),
                    Item::Value(toml_edit::Value::InlineTable(table)) => table.key(part),
                    _ => None,
                };
                span = key.and_then(toml_edit::Key::span).or(span);
                item.get(part)
            };
            let Some(next) = next else { break };
            if part.parse::<usize>().is_ok() {
                span = next.span().or(span);
            }
            item = next;
        }
        span
    }

    /// Path of the innermost key whose name or value holds the beginning of `span`.
    fn path_at(&self, span: &Range<usize>) -> Option<String> {
        /// Where the tables of an item begin.
        fn starts(item: &Item) -> impl Iterator<Item = usize> {
            let tables = item.as_array_of_tables();
            let many = tables.into_iter().flat_map(|tables| tables.iter());
            let one = item.as_table();
            many.chain(one)
                .filter_map(|table| table.span().map(|span| span.start))
        }

        fn within(item: &Item, at: usize, path: &str) -> Option<String> {
            if let Some(tables) = item.as_array_of_tables() {
                // The last one that begins at or before the place.
                let (index, _) = tables
                    .iter()
                    .enumerate()
                    .filter(|(_, t)| t.span().is_some_and(|s| s.start <= at))
                    .last()?;
                return Some(
                    within(item.get(index)?, at, &format!("{path}.{index}"))
                        .unwrap_or_else(|| format!("{path}.{index}")),
                );
            }
            let table = item.as_table_like()?;
            // A table in double brackets reaches to the next header, of whatever name.
            let last = table
                .iter()
                .flat_map(|(name, value)| starts(value).map(move |start| (start, name)))
                .filter(|(start, _)| *start <= at)
                .max();
            for (name, value) in table.iter() {
                if value.is_array_of_tables() && last.is_none_or(|(_, owner)| owner != name) {
                    continue;
                }
                let key_span = match item {
                    Item::Table(t) => t.key(name).and_then(toml_edit::Key::span),
                    Item::Value(toml_edit::Value::InlineTable(t)) => {
                        t.key(name).and_then(toml_edit::Key::span)
                    }
                    _ => None,
                };
                let here = join(path, name);
                if let Some(deeper) = within(value, at, &here) {
                    return Some(deeper);
                }
                let holds = |span: Option<Range<usize>>| span.is_some_and(|s| s.contains(&at));
                let is_value = !value.is_table() && !value.is_array_of_tables();
                if holds(key_span) || (holds(value.span()) && (is_value || value.is_table())) {
                    return Some(here);
                }
            }
            None
        }
        within(self.document.as_item(), span.start, "")
    }
}

/// Message for a key nobody knows.
pub(super) fn unknown_key(valid: &[&str]) -> String {
    if valid.is_empty() {
        "unknown key; remove it".to_owned()
    } else {
        format!("unknown key; valid here: {}", valid.join(", "))
    }
}

fn join(path: &str, name: &str) -> String {
    if path.is_empty() {
        name.to_owned()
    } else {
        format!("{path}.{name}")
    }
}

/// The words between back quotes.
fn names_in(text: &str) -> Vec<&str> {
    text.split('`').skip(1).step_by(2).collect()
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Line of the beginning of a span, from 1; an unknown place counts as the first line.
fn line_of(text: &str, span: Option<Range<usize>>) -> usize {
    let end = span.map_or(0, |span| span.start);
    1 + text.get(..end).unwrap_or(text).matches('\n').count()
}

//! What is set on a board, against a plan of its array.

use crate::plan::Plan;
use crate::plan::changes::{self, with_unit};
use crate::plan::settings_file::value_at;
use ohmward_plant::scenario::leaves;
use ohmward_proto::Settings;

/// One setting.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Row {
    /// Its key.
    pub key: String,
    /// What it is; empty where no plan says it.
    pub what: String,
    /// On the board, for people.
    pub set: String,
    /// In the plan, where that is another.
    pub planned: Option<String>,
    /// Where the plan's value comes from.
    pub source: Option<String>,
    /// It protects less than that source asks: what that asks.
    pub looser_than: Option<String>,
}

/// Every setting of a board, in the plan's order.
#[must_use]
pub fn rows(settings: &Settings, plan: Option<&Plan>) -> Vec<Row> {
    let Ok(table) = toml::Table::try_from(settings) else {
        return Vec::new(); // every setting is a number, a switch or a word
    };
    let mut rows: Vec<Row> = plan
        .iter()
        .flat_map(|plan| &plan.limits)
        .filter_map(|limit| {
            let value = value_at(settings, limit.key)?;
            let set = with_unit(limit.key, value);
            let planned = with_unit(limit.key, limit.value);
            Some(Row {
                key: limit.key.to_owned(),
                what: limit.what.to_owned(),
                planned: (set != planned).then_some(planned),
                set,
                source: Some(limit.source_label.clone()),
                looser_than: changes::looser_than(limit, value),
            })
        })
        .collect();
    for (key, value) in leaves(&table) {
        if rows.iter().any(|row| row.key == key) {
            continue;
        }
        let set = changes::value_of(value).map_or_else(
            || value.to_string().trim_matches('"').to_owned(),
            |value| with_unit(&key, value),
        );
        rows.push(Row {
            key,
            what: String::new(),
            set,
            planned: None,
            source: None,
            looser_than: None,
        });
    }
    rows
}

//! What a check found.

use super::sources::Source;
use serde::Serialize;
use std::collections::BTreeMap;

/// What came of a check.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// As it should be, as far as the description tells.
    Ok,
    /// Not as it should be.
    Problem,
    /// The description or the tables do not reach; never to be read as "ok".
    CannotJudge,
}

/// One check: what was looked at, what was found, what to do.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Finding {
    /// Stable name of the check.
    pub check: &'static str,
    /// What it came to.
    pub verdict: Verdict,
    /// What was found, with its numbers.
    pub says: String,
    /// What to do; empty where there is nothing to do.
    pub action: String,
    /// The numbers behind it; units in the names.
    pub evidence: BTreeMap<&'static str, f64>,
    /// The rule.
    pub source: Option<Source>,
}

impl Finding {
    /// As it should be.
    pub fn ok(check: &'static str, says: impl Into<String>) -> Self {
        Self::new(check, Verdict::Ok, says.into(), String::new())
    }

    /// Not as it should be, and what to do about it.
    pub fn problem(
        check: &'static str,
        says: impl Into<String>,
        action: impl Into<String>,
    ) -> Self {
        Self::new(check, Verdict::Problem, says.into(), action.into())
    }

    /// Not to be told, and what would tell.
    pub fn cannot_judge(
        check: &'static str,
        says: impl Into<String>,
        action: impl Into<String>,
    ) -> Self {
        Self::new(check, Verdict::CannotJudge, says.into(), action.into())
    }

    fn new(check: &'static str, verdict: Verdict, says: String, action: String) -> Self {
        Self {
            check,
            verdict,
            says,
            action,
            evidence: BTreeMap::new(),
            source: None,
        }
    }

    /// With a number that speaks for it.
    #[must_use]
    pub fn with(mut self, name: &'static str, value: f64) -> Self {
        self.evidence.insert(name, value);
        self
    }

    /// With the rule.
    #[must_use]
    pub fn after(mut self, source: Source) -> Self {
        self.source = Some(source);
        self
    }
}

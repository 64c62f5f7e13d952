//! POINTS.toml: which known values are put to a board, who does it, and with what.
//!
//! The order of the points is the order of the walk. Uncertainties are expanded ones, k = 2, as certificates state them.

use ohmward_plant::ScenarioError;
use ohmward_plant::scenario::Source;
use ohmward_plant::scenario::sections::Checked;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Which conductor a resistor goes from.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum At {
    /// Positive conductor to earth.
    Positive,
    /// Negative conductor to earth.
    Negative,
}

/// A known value at the terminals.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Known {
    /// No current, both poles at earth.
    Zero,
    /// So much current through the bond sensor, + out of the array conductor into earth.
    Current {
        /// A
        a: f64,
    },
    /// Both poles together so far from earth.
    Voltage {
        /// V
        v: f64,
    },
    /// A resistor from one pole to earth, a floating supply between the poles.
    Resistor {
        /// Ω
        ohm: f64,
        /// From which pole.
        at: At,
    },
}

/// One point.
#[derive(Clone, PartialEq, Debug)]
pub struct Point {
    /// What is known.
    pub known: Known,
    /// Its expanded uncertainty, k = 2, in the value's unit.
    pub within: f64,
    /// The instrument that says so.
    pub with: String,
}

impl Point {
    /// In words: `+0.5 A`.
    pub fn words(&self) -> String {
        match self.known {
            Known::Zero => "zero".to_owned(),
            Known::Current { a } => format!("{a:+} A"),
            Known::Voltage { v } => format!("{v:+} V"),
            Known::Resistor { ohm, at } => {
                let pole = match at {
                    At::Positive => "positive",
                    At::Negative => "negative",
                };
                format!("{ohm} Ω at the {pole} pole")
            }
        }
    }
}

/// A checked points file.
#[derive(Clone, PartialEq, Debug)]
pub struct Points {
    /// Who calibrates.
    pub by: String,
    /// Anything else.
    pub note: String,
    /// The points, in their order.
    pub points: Vec<Point>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    by: String,
    #[serde(default)]
    note: String,
    #[serde(default)]
    point: Vec<RawPoint>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawPoint {
    kind: Kind,
    a: Option<f64>,
    v: Option<f64>,
    ohm: Option<f64>,
    at: Option<At>,
    within_a: Option<f64>,
    within_v: Option<f64>,
    within_ohm: Option<f64>,
    #[serde(default)]
    with: String,
}

#[derive(Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Kind {
    Zero,
    Current,
    Voltage,
    Resistor,
}

/// Most points: an afternoon's work.
const POINTS_MAX: usize = 40;

impl Points {
    /// Reads and checks a file.
    ///
    /// # Errors
    /// [`ScenarioError`]: file, line, key, what to do.
    pub fn load(path: &Path) -> Result<Self, ScenarioError> {
        let file = path.display().to_string();
        let text =
            std::fs::read_to_string(path).map_err(|e| ScenarioError::unreadable(&file, &e))?;
        Self::parse(&file, &text)
    }

    /// Checks a text; `file` is its name in errors.
    pub fn parse(file: &str, text: &str) -> Result<Self, ScenarioError> {
        let source = Source::new(file, text)?;
        let raw: Raw = toml::from_str(text).map_err(|e| source.serde_error(&e))?;
        if raw.by.trim().is_empty() {
            return Err(source.error("by", "is empty; say who calibrates"));
        }
        let points = raw
            .point
            .into_iter()
            .enumerate()
            .map(|(k, point)| point.check(&source, &format!("point.{k}")))
            .collect::<Checked<Vec<Point>>>()?;
        if points.len() > POINTS_MAX {
            return Err(source.error(
                "point",
                format!("{} points; give {POINTS_MAX} or fewer", points.len()),
            ));
        }
        if !points.iter().any(|p| p.known == Known::Zero) {
            return Err(source.error(
                "point",
                "no point of kind \"zero\"; add one, it takes no instrument",
            ));
        }
        if points.len() < 2 {
            return Err(source.error("point", "only zero is known; add a current or a voltage"));
        }
        Ok(Self {
            by: raw.by,
            note: raw.note,
            points,
        })
    }
}

impl RawPoint {
    fn check(self, source: &Source<'_>, path: &str) -> Checked<Point> {
        let key = |name: &str| format!("{path}.{name}");
        let kind = self.kind;
        for (name, given, belongs) in [
            ("a", self.a.is_some(), Kind::Current),
            ("within_a", self.within_a.is_some(), Kind::Current),
            ("v", self.v.is_some(), Kind::Voltage),
            ("within_v", self.within_v.is_some(), Kind::Voltage),
            ("ohm", self.ohm.is_some(), Kind::Resistor),
            ("within_ohm", self.within_ohm.is_some(), Kind::Resistor),
            ("at", self.at.is_some(), Kind::Resistor),
        ] {
            if given && kind != belongs {
                return Err(source.error(
                    &key(name),
                    "does not belong to a point of this kind; remove it or change the kind",
                ));
            }
        }
        let needed = |name: &str, value: Option<f64>| {
            value.ok_or_else(|| source.error(&key(name), "is missing; add it"))
        };
        let within = |name: &str, value: Option<f64>, of: f64| {
            let within = needed(name, value)?;
            if within > 0.0 && within <= 0.05 * of.abs() {
                Ok(within)
            } else {
                Err(source.error(
                    &key(name),
                    format!("{within} is out of range; give the expanded uncertainty (k = 2), above 0 and at most 5 % of the value"),
                ))
            }
        };
        let (known, within) = match kind {
            Kind::Zero => (Known::Zero, 0.0),
            Kind::Current => {
                let a = needed("a", self.a)?;
                size(source, &key("a"), a, 0.01, 100.0)?;
                (Known::Current { a }, within("within_a", self.within_a, a)?)
            }
            Kind::Voltage => {
                let v = needed("v", self.v)?;
                size(source, &key("v"), v, 5.0, 1500.0)?;
                (Known::Voltage { v }, within("within_v", self.within_v, v)?)
            }
            Kind::Resistor => {
                let ohm = needed("ohm", self.ohm)?;
                source.between(&key("ohm"), ohm, 1e3, 10e6)?;
                let at = self
                    .at
                    .ok_or_else(|| source.error(&key("at"), "is missing; add it"))?;
                (
                    Known::Resistor { ohm, at },
                    within("within_ohm", self.within_ohm, ohm)?,
                )
            }
        };
        if kind != Kind::Zero && self.with.trim().is_empty() {
            return Err(source.error(
                &key("with"),
                "is missing; name the instrument or resistor and its certificate",
            ));
        }
        Ok(Point {
            known,
            within,
            with: self.with,
        })
    }
}

fn size(source: &Source<'_>, path: &str, value: f64, low: f64, high: f64) -> Checked<()> {
    if (low..=high).contains(&value.abs()) {
        Ok(())
    } else {
        Err(source.error(
            path,
            format!("{value} is out of range; give {low} to {high}, of either sign"),
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = r#"
by = "A. Example (invented)"
[[point]]
kind = "zero"
[[point]]
kind = "current"
a = -0.5
within_a = 0.0005
with = "source 1"
"#;

    #[test]
    fn a_file_is_read() {
        let points = Points::parse("p.toml", GOOD).expect("good");
        assert_eq!(points.points.len(), 2);
        assert_eq!(points.points[1].known, Known::Current { a: -0.5 });
        assert_eq!(points.points[1].words(), "-0.5 A");
    }

    #[test]
    fn the_example_is_good() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios/calibration-points.toml");
        let points = Points::load(&path).expect("good");
        assert!(points.points.len() >= 8);
    }

    /// The example with every line left out, doubled, and with every number and sign of it changed: good, or one line.
    #[test]
    fn any_change_is_good_or_one_line() {
        let text = include_str!("../../scenarios/calibration-points.toml");
        let lines: Vec<&str> = text.lines().collect();
        let mut changed = Vec::new();
        for k in 0..lines.len() {
            let mut without = lines.clone();
            let line = without.remove(k);
            changed.push(without.join("\n"));
            for with in [
                line.replace("= ", "= -"),
                line.replace('0', "9"),
                line.replace('0', "nan"),
                line.replace('.', "e400"),
                line.replace('"', ""),
                line.replace("[[", "["),
                format!("{line}\n{line}"),
            ] {
                let mut lines = lines.clone();
                lines[k] = &with;
                changed.push(lines.join("\n"));
            }
        }
        let mut wrong = 0;
        for text in changed {
            if let Err(error) = Points::parse("p.toml", &text) {
                wrong += 1;
                let error = error.to_string();
                assert!(
                    !error.contains('\n') && error.starts_with("p.toml"),
                    "{error}"
                );
            }
        }
        assert!(wrong > 100, "{wrong}");
    }

    #[test]
    fn a_mistake_is_one_line_with_its_place() {
        for (from, to, told) in [
            ("within_a = 0.0005\n", "", "within_a: is missing"),
            (
                "a = -0.5",
                "a = nan",
                "p.toml:7: point.a: NaN is out of range",
            ),
            (
                "a = -0.5",
                "a = 0.001",
                "p.toml:7: point.a: 0.001 is out of range; give 0.01 to 100, of either sign",
            ),
            (
                "within_a = 0.0005",
                "within_a = 0.5",
                "at most 5 % of the value",
            ),
            ("within_a = 0.0005", "within_a = 0.0", "above 0"),
            (
                "a = -0.5",
                "v = 5.0",
                "does not belong to a point of this kind",
            ),
            ("\"current\"", "\"resistor\"", "does not belong"),
            (
                "with = \"source 1\"",
                "",
                "point.with: is missing; name the instrument",
            ),
            ("kind = \"zero\"", "kind = \"none\"", "p.toml:4"),
            (
                "[[point]]\nkind = \"zero\"\n",
                "",
                "no point of kind \"zero\"",
            ),
            ("A. Example (invented)", " ", "say who calibrates"),
            ("kind = \"zero\"", "kind = \"zero\"\nvolts = 3", "volts"),
        ] {
            let text = GOOD.replacen(from, to, 1);
            let wrong = Points::parse("p.toml", &text).expect_err(to).to_string();
            assert!(wrong.contains(told), "{wrong}\nnot: {told}");
            assert!(!wrong.contains('\n'), "{wrong}");
        }
    }
}

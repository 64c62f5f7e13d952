//! The record of the calibration in force: how sure that one was.

use ohmward_proto::measure::Channel;
use serde::Deserialize;
use std::path::Path;

/// Why a record is of no use here.
#[derive(Debug, thiserror::Error)]
pub enum BeforeError {
    /// The file.
    #[error("{file}: cannot be read ({why}); check the path")]
    Unreadable {
        /// Which.
        file: String,
        /// Why.
        why: std::io::Error,
    },
    /// Its contents.
    #[error(
        "{file}: no calibration record ({why}); give a CALIBRATION-….toml as `calibrate` writes it"
    )]
    NotARecord {
        /// Which.
        file: String,
        /// Why, one line.
        why: String,
    },
    /// Of another calibration.
    #[error(
        "{file}: is the record of calibration {is}, and {in_force} is in force on this board; give that one's record, or none"
    )]
    Another {
        /// Which.
        file: String,
        /// Its number.
        is: String,
        /// The board's.
        in_force: String,
    },
}

/// What a former record says of uncertainty.
#[derive(Clone, Debug, Deserialize)]
pub struct Before {
    id: String,
    channels: Vec<ChannelBefore>,
    bridge: Option<BridgeBefore>,
}

#[derive(Clone, Debug, Deserialize)]
struct ChannelBefore {
    channel: Channel,
    zero_within: f64,
    gain_within: f64,
    gain_k: f64,
}

#[derive(Clone, Debug, Deserialize)]
struct BridgeBefore {
    points: Vec<PointBefore>,
}

#[derive(Clone, Copy, Debug, Deserialize)]
struct PointBefore {
    known: f64,
    within: f64,
}

impl Before {
    /// Reads a record, which must be that of the calibration in force.
    ///
    /// # Errors
    /// [`BeforeError`].
    pub fn load(path: &Path, in_force: u32) -> Result<Self, BeforeError> {
        let file = path.display().to_string();
        let text = std::fs::read_to_string(path).map_err(|why| BeforeError::Unreadable {
            file: file.clone(),
            why,
        })?;
        Self::parse(&file, &text, in_force)
    }

    /// Checks a text; `file` is its name in errors.
    ///
    /// # Errors
    /// [`BeforeError`].
    pub fn parse(file: &str, text: &str, in_force: u32) -> Result<Self, BeforeError> {
        let before: Self = toml::from_str(text).map_err(|e| BeforeError::NotARecord {
            file: file.to_owned(),
            why: e.message().replace('\n', " "),
        })?;
        let in_force = format!("{in_force:08x}");
        if before.id != in_force {
            return Err(BeforeError::Another {
                file: file.to_owned(),
                is: before.id,
                in_force,
            });
        }
        Ok(before)
    }

    /// Standard uncertainty of a reading then, in the channel's unit; `None` for a channel it says nothing of.
    pub fn u(&self, channel: Channel, value: f64) -> Option<f64> {
        let then = self.channels.iter().find(|c| c.channel == channel)?;
        let gain = then.gain_within * value;
        Some(then.zero_within.hypot(gain) / then.gain_k.max(1.0))
    }

    /// Of a resistance, Ω.
    pub fn u_ohm(&self, ohm: f64) -> Option<f64> {
        let part = |p: &PointBefore| p.within / p.known;
        let points = self.bridge.as_ref()?.points.iter().map(part);
        points.reduce(f64::max).map(|part| part / 2.0 * ohm)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RECORD: &str = "id = \"0000002a\"\n[[channels]]\nchannel = \"i-fine\"\nzero_within = 0.006\ngain_within = 0.004\n\
                          gain_k = 2.0\n[bridge]\n[[bridge.points]]\nknown = 1e5\nwithin = 200.0\n";

    /// By hand: at 2 A, (6 mA ⊕ 8 mA)/2 = 5 mA; 200 Ω of 100 kΩ, so 50 Ω standard of 50 kΩ.
    #[test]
    fn a_record_says_how_sure_it_was() {
        let before = Before::parse("r.toml", RECORD, 42).expect("a record");
        let u = before.u(Channel::IFine, 2.0).expect("told");
        assert!((u - 0.005).abs() < 1e-12, "{u}");
        assert_eq!(before.u(Channel::VPos, 2.0), None);
        let u = before.u_ohm(50e3).expect("told");
        assert!((u - 50.0).abs() < 1e-9, "{u}");
    }

    #[test]
    fn another_record_and_no_record_are_told() {
        let told = |text: &str, id| {
            Before::parse("r.toml", text, id)
                .expect_err("wrong")
                .to_string()
        };
        assert!(
            told(RECORD, 7)
                .contains("is the record of calibration 0000002a, and 00000007 is in force")
        );
        let none = told("by = \"x\"", 42);
        assert!(
            none.contains("r.toml: no calibration record") && !none.contains('\n'),
            "{none}"
        );
        let gone = Before::load(Path::new("gone.toml"), 1)
            .expect_err("gone")
            .to_string();
        assert!(gone.contains("gone.toml: cannot be read"), "{gone}");
    }
}

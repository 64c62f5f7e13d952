//! What a person may write after `--from`.

use std::path::PathBuf;
use std::str::FromStr;

/// A place where a board can be reached.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Source {
    /// A serial device, a pseudo-terminal included.
    Serial(PathBuf),
    /// Every serial device whose name fits, now or later: `/dev/ttyACM*`.
    Pattern(String),
    /// `HOST:PORT`.
    Tcp(String),
    /// A scenario, simulated in this process as fast as it goes.
    Sim(PathBuf),
}

impl FromStr for Source {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        const USE: &str = "use a serial device (/dev/ttyACM0), a pattern of them ('/dev/ttyACM*'), tcp://HOST:PORT or sim:SCENARIO.toml";
        if let Some(address) = text.strip_prefix("tcp://") {
            return match address.rsplit_once(':') {
                Some((host, port)) if !host.is_empty() && port.parse::<u16>().is_ok() => {
                    Ok(Self::Tcp(address.to_owned()))
                }
                _ => Err(format!("'{text}' names no port: {USE}")),
            };
        }
        if let Some(path) = text.strip_prefix("sim:") {
            return if path.is_empty() {
                Err(format!("'{text}' names no scenario: {USE}"))
            } else {
                Ok(Self::Sim(path.into()))
            };
        }
        if text.is_empty() || text.contains("://") {
            return Err(format!("'{text}' is no source: {USE}"));
        }
        if text.contains(['*', '?', '[']) {
            return match glob::Pattern::new(text) {
                Ok(_) => Ok(Self::Pattern(text.to_owned())),
                Err(fault) => Err(format!("'{text}' is no pattern ({}): {USE}", fault.msg)),
            };
        }
        Ok(Self::Serial(text.into()))
    }
}

impl std::fmt::Display for Source {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Serial(path) => write!(f, "{}", path.display()),
            Self::Pattern(pattern) => f.write_str(pattern),
            Self::Tcp(address) => write!(f, "tcp://{address}"),
            Self::Sim(path) => write!(f, "sim:{}", path.display()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sources_by_their_look() {
        assert_eq!(
            "/dev/ttyACM0".parse(),
            Ok(Source::Serial("/dev/ttyACM0".into()))
        );
        assert_eq!(
            "tcp://10.0.0.2:7100".parse(),
            Ok(Source::Tcp("10.0.0.2:7100".into()))
        );
        assert_eq!(
            "/dev/ttyACM*".parse(),
            Ok(Source::Pattern("/dev/ttyACM*".into()))
        );
        assert_eq!("sim:a/b.toml".parse(), Ok(Source::Sim("a/b.toml".into())));
        for wrong in [
            "",
            "tcp://",
            "tcp://host",
            "sim:",
            "http://x:1",
            "/dev/tty[A",
        ] {
            assert!(
                wrong
                    .parse::<Source>()
                    .unwrap_err()
                    .contains("sim:SCENARIO.toml"),
                "{wrong}"
            );
        }
    }
}

//! Step by step: say what to put on the terminals, wait for a line, look at the board.
//!
//! Plain lines in and out, so that a person, a script at a bench and a test do the same.

use super::points::{At, Known, Point, Points};
use super::seen::{Seen, TooFew};
use crate::talk::calibration::StepError;
use ohmward_plant::ScenarioError;
use std::io::{self, BufRead, Write};

/// A board at the bench.
pub trait Board {
    /// Codes of all channels as they stand now.
    ///
    /// # Errors
    /// [`WalkError`].
    fn codes(&mut self) -> Result<Seen, WalkError>;
    /// What it makes of its insulation, several times.
    ///
    /// # Errors
    /// [`WalkError`].
    fn insulation(&mut self) -> Result<Seen, WalkError>;
}

/// Why a walk ended before its end.
#[derive(Debug, thiserror::Error)]
pub enum WalkError {
    /// The board.
    #[error(transparent)]
    Step(#[from] StepError),
    /// Its codes.
    #[error(transparent)]
    TooFew(#[from] TooFew),
    /// Somebody said so.
    #[error("stopped; nothing was written to the board. It stays tripped until it is reset")]
    Stopped,
    /// Not even begun.
    #[error("stopped; nothing was done to the board")]
    Declined,
    /// There is nobody to ask.
    #[error(
        "the input ended at the step '{0}': the walk needs a line for each step; nothing was written to the board"
    )]
    InputEnded(String),
    /// Terminal or pipe.
    #[error("cannot ask or be answered: {0}")]
    Io(#[from] io::Error),
    /// No points.
    #[error(transparent)]
    Points(#[from] ScenarioError),
}

/// The next line; `None` at the end.
fn line(input: &mut impl BufRead) -> io::Result<Option<String>> {
    let mut line = String::new();
    let n = input.read_line(&mut line)?;
    Ok((n > 0).then(|| line.trim().to_owned()))
}

/// Asks one question.
///
/// # Errors
/// [`WalkError::InputEnded`], [`WalkError::Io`].
pub fn ask(
    question: &str,
    input: &mut impl BufRead,
    out: &mut impl Write,
) -> Result<String, WalkError> {
    writeln!(out, "{question}")?;
    out.flush()?;
    line(input)?.ok_or_else(|| WalkError::InputEnded(question.to_owned()))
}

/// What has to be done for a point.
pub fn instruction(point: &Point) -> String {
    let with = &point.with;
    match point.known {
        Known::Zero => "no current through the bond sensor, both poles shorted to earth".to_owned(),
        Known::Current { a } => format!(
            "{a:+} A through the bond sensor's own terminals (+ out of the array conductor into earth), ± {} A, {with}",
            point.within
        ),
        Known::Voltage { v } => format!(
            "fuse out; both poles together, {v:+} V against earth, ± {} V, {with}",
            point.within
        ),
        Known::Resistor { ohm, at } => {
            let pole = match at {
                At::Positive => "positive",
                At::Negative => "negative",
            };
            format!(
                "fuse out; a floating supply between the poles, {ohm} Ω ± {} Ω from the {pole} pole to earth, nothing else, {with}",
                point.within
            )
        }
    }
}

/// Walks through the points. A step is answered with an empty line once it stands, `skip`, or `stop`.
///
/// # Errors
/// [`WalkError`].
pub fn walk(
    points: &Points,
    board: &mut impl Board,
    input: &mut impl BufRead,
    out: &mut impl Write,
) -> Result<Vec<(Point, Seen)>, WalkError> {
    let mut seen = Vec::new();
    let all = points.points.len();
    let mut k = 0;
    while let Some(point) = points.points.get(k) {
        let question = format!(
            "step {} of {all}: {}. Enter when it stands (or skip, stop)",
            k + 1,
            instruction(point)
        );
        match ask(&question, input, out)?.as_str() {
            "" => {
                let looked = match point.known {
                    Known::Resistor { .. } => board.insulation(),
                    _ => board.codes(),
                };
                match looked {
                    Ok(looked) => {
                        writeln!(out, "  taken")?;
                        seen.push((point.clone(), looked));
                        k += 1;
                    }
                    // What a person can put right at the bench is asked again; a line that is gone is not.
                    Err(WalkError::Step(
                        why @ (StepError::NoCodes { .. } | StepError::NoInsulation { .. }),
                    )) => writeln!(out, "  {why}")?,
                    Err(other) => return Err(other),
                }
            }
            "skip" => k += 1,
            "stop" => return Err(WalkError::Stopped),
            other => writeln!(out, "  '{other}' is none of: an empty line, skip, stop")?,
        }
    }
    Ok(seen)
}

/// Asks a person for the points, where there is no file.
///
/// # Errors
/// [`WalkError`].
pub fn ask_points(input: &mut impl BufRead, out: &mut impl Write) -> Result<Points, WalkError> {
    let by = loop {
        let by = ask("who calibrates?", input, out)?;
        if !by.is_empty() {
            break by;
        }
    };
    let mut points = Vec::new();
    let zero = "kind = \"zero\"";
    points.push(
        Points::parse(
            "typed",
            &typed(
                &by,
                zero,
                "kind = \"current\"\na = 1.0\nwithin_a = 0.01\nwith = \"-\"",
            ),
        )?
        .points[0]
            .clone(),
    );
    for (kind, what) in [
        (
            "current",
            "known current: A, ± A (k = 2), instrument; for example `1.0 0.0008 source HB-1`. Both signs, two sizes for each range; \
             an empty line when there is no more",
        ),
        (
            "voltage",
            "known voltage on both poles: V, ± V (k = 2), instrument; an empty line when there is no more",
        ),
        (
            "resistor",
            "known resistor: Ω, ± Ω (k = 2), positive or negative, which one; an empty line when there is no more",
        ),
    ] {
        loop {
            let said = ask(what, input, out)?;
            if said.is_empty() {
                break;
            }
            match one(&by, kind, &said) {
                Ok(point) => points.push(point),
                Err(why) => writeln!(out, "  {why}")?,
            }
        }
    }
    Ok(Points {
        by,
        note: String::new(),
        points,
    })
}

/// A typed line as a point, by the same checks as a file's.
fn one(by: &str, kind: &str, said: &str) -> Result<Point, String> {
    let mut words = said.split_whitespace();
    let mut number = |what: &str| {
        let word = words.next().unwrap_or_default();
        let number: f64 = word
            .parse()
            .map_err(|_| format!("'{word}' is no number for {what}"))?;
        Ok::<f64, String>(number)
    };
    let (value, within) = (number("the value")?, number("its uncertainty")?);
    let rest: Vec<&str> = words.collect();
    let (at, with) = match (kind, rest.split_first()) {
        ("resistor", Some((at, with))) => (Some(*at), with.join(" ")),
        _ => (None, rest.join(" ")),
    };
    let unit = match kind {
        "current" => "a",
        "voltage" => "v",
        _ => "ohm",
    };
    let with = toml::Value::String(with);
    let at = at.map_or(String::new(), |at| {
        format!("at = {}\n", toml::Value::String(at.to_owned()))
    });
    let text = format!(
        "kind = \"{kind}\"\n{unit} = {value:?}\nwithin_{unit} = {within:?}\n{at}with = {with}"
    );
    let parsed = Points::parse("typed", &typed(by, "kind = \"zero\"", &text));
    match parsed {
        Ok(mut points) => points.points.pop().ok_or_else(String::new),
        Err(why) => Err(format!("{}: {}", why.key, why.message)),
    }
}

fn typed(by: &str, first: &str, second: &str) -> String {
    let by = toml::Value::String(by.to_owned());
    format!("by = {by}\n[[point]]\n{first}\n[[point]]\n{second}\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Nobody(u32);

    impl Board for Nobody {
        fn codes(&mut self) -> Result<Seen, WalkError> {
            self.0 += 1;
            Ok(Seen::Insulation(Vec::new()))
        }
        fn insulation(&mut self) -> Result<Seen, WalkError> {
            Err(StepError::NoInsulation {
                within_s: 1,
                why: "the array is dark".to_owned(),
                v_min: 30.0,
            }
            .into())
        }
    }

    fn walked(points: &Points, said: &str) -> (Result<usize, WalkError>, String, u32) {
        let mut out = Vec::new();
        let mut board = Nobody(0);
        let seen = walk(points, &mut board, &mut said.as_bytes(), &mut out);
        let out = String::from_utf8(out).expect("UTF-8");
        (seen.map(|seen| seen.len()), out, board.0)
    }

    #[test]
    fn points_can_be_typed_and_mistakes_are_asked_again() {
        let said = "\nA. Example\n1.0 0.001 source 1\n-1.0 0.001 source 1\nabc 1\n5 9 x\n\n400 0.1 meter\n\n1e5 20 positive box\n\
                    1e5 20 sideways box\n\n";
        let mut out = Vec::new();
        let points = ask_points(&mut said.as_bytes(), &mut out).expect("typed");
        let out = String::from_utf8(out).expect("UTF-8");
        assert_eq!(points.by, "A. Example");
        let words: Vec<String> = points.points.iter().map(Point::words).collect();
        assert_eq!(
            words,
            [
                "zero",
                "+1 A",
                "-1 A",
                "+400 V",
                "100000 Ω at the positive pole"
            ]
        );
        assert_eq!(points.points[4].with, "box");
        for told in [
            "'abc' is no number for the value",
            "at most 5 %",
            "point.at",
        ] {
            assert!(out.contains(told), "{told}: {out}");
        }
    }

    #[test]
    fn a_step_can_be_skipped_repeated_and_stopped_and_the_input_can_end() {
        let said = "A. Example\n1.0 0.001 source 1\n\n\n1e5 20 positive box\n\n";
        let points = ask_points(&mut said.as_bytes(), &mut Vec::new()).expect("typed");
        let (seen, out, looks) = walked(&points, "\nwhat?\nskip\nskip\n");
        assert_eq!((seen.expect("walks"), looks), (1, 1));
        assert!(out.contains("'what?' is none of"), "{out}");
        let (stopped, ..) = walked(&points, "\nstop\n");
        assert!(
            stopped
                .expect_err("stops")
                .to_string()
                .contains("stays tripped")
        );
        let (ended, ..) = walked(&points, "\n\n");
        let ended = ended.expect_err("ends").to_string();
        assert!(ended.contains("step 3 of 3"), "{ended}");
        // No insulation is told, and asked again.
        let (seen, out, _) = walked(&points, "\n\n\nskip\n");
        assert_eq!(seen.expect("walks"), 2);
        assert!(out.contains("the board measured no insulation"), "{out}");
    }
}

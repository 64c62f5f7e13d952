//! `calibrate`: known values at the terminals, a board's calibration out of them.

use super::remark;
use anyhow::{Context, bail};
use clap::Args;
use ohmward::calibrate::before::Before;
use ohmward::calibrate::points::Points;
use ohmward::calibrate::record::{CAUTION, Record, Values, calibrated};
use ohmward::calibrate::seen::Seen;
use ohmward::calibrate::walk::{Board, WalkError, ask, ask_points, walk};
use ohmward::calibrate::{Assessment, assess};
use ohmward::link::Source;
use ohmward::talk::Line;
use ohmward::talk::calibration::{self, put_calibration};
use ohmward_proto::Settings;
use ohmward_proto::settings::CalibrationState;
use std::io::{BufRead, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Arguments of `calibrate`.
#[derive(Debug, Args)]
#[command(
    after_help = "Exit status: 0 done as asked, 1 not written or refused, 2 could not be done."
)]
pub struct CalibrateArgs {
    /// A serial device or tcp://HOST:PORT
    #[arg(value_parser = clap::value_parser!(Source))]
    source: Source,
    /// Speed of a serial line, baud
    #[arg(long, default_value_t = 115_200, value_parser = clap::value_parser!(u32).range(300..=12_000_000))]
    baud: u32,
    /// Known values, their uncertainties and instruments (TOML; see host/scenarios/calibration-points.toml). Without it they
    /// are asked for. Each step still waits for a line: empty when the value stands, skip, or stop
    #[arg(long, value_name = "FILE")]
    points: Option<PathBuf>,
    /// Only compare with the calibration in force: how far it has drifted. Writes nothing, to the board or to disk
    #[arg(long)]
    check: bool,
    /// Only print the calibration in force and its date
    #[arg(long, conflicts_with_all = ["points", "check"])]
    show: bool,
    /// Record of the calibration in force, for its uncertainty to count in the drift
    #[arg(long, value_name = "RECORD", conflicts_with = "show")]
    before: Option<PathBuf>,
    /// Folder for the record, CALIBRATION-BOARD-DATE.toml
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    out: PathBuf,
    /// The result as one JSON object on standard output, the steps on standard error
    #[arg(long)]
    json: bool,
}

/// Walks, reckons, shows, and writes when told to. Exit status 1 when a finding or the board refuses.
pub fn run(args: CalibrateArgs) -> anyhow::Result<ExitCode> {
    let line = Line {
        from: args.source,
        baud: args.baud,
    };
    let points = args.points.as_deref().map(Points::load).transpose()?;
    if !args.check && !args.show && !args.out.is_dir() {
        bail!(
            "{} is no folder: name one for the record with --out",
            args.out.display()
        );
    }
    if !args.check && !args.show {
        writable(&args.out)?;
    }
    let (hello, state, settings) = calibration::calibration(&line)?;
    if args.show {
        return show(&hello.board.to_string(), &state, args.json);
    }
    let before = match &args.before {
        Some(path) => Some(Before::load(path, state.in_force.id)?),
        None => None,
    };
    let mut input = std::io::stdin().lock();
    // Steps beside the result, where that is for a machine.
    let mut steps: Box<dyn Write> = if args.json {
        Box::new(std::io::stderr())
    } else {
        Box::new(std::io::stdout())
    };
    writeln!(steps, "{CAUTION}\n")?;
    writeln!(
        steps,
        "Board {}, {}. It will be tripped now and stays so until it is reset: its contactor must not close meanwhile.",
        hello.board,
        calibrated(state.made_unix_s)
    )?;
    if ask(
        "Type yes when all of that is so, anything else stops",
        &mut input,
        &mut steps,
    )? != "yes"
    {
        return Err(WalkError::Declined.into());
    }
    let points = match points {
        Some(points) => points,
        None => ask_points(&mut input, &mut steps)?,
    };
    calibration::trip(&line, &settings)?;
    let mut board = AtLine {
        line: &line,
        settings: &settings,
    };
    let seen = walk(&points, &mut board, &mut input, &mut steps)?;
    // Skipped points are in no record.
    let points = Points {
        points: seen.iter().map(|(point, _)| point.clone()).collect(),
        ..points
    };
    let assessment = assess(&seen, &state, &settings, before.as_ref());
    let made_unix_s = jiff::Timestamp::now().as_second();
    let mut record = Record::new(&assessment, &points, &hello, &state, &settings, made_unix_s);
    writeln!(steps, "\n{}", record.text())?;
    let done = if args.check {
        assessment.is_sound()
    } else {
        record.written = assessment.is_sound()
            && write(&line, &assessment, made_unix_s, &mut input, &mut steps)?;
        let path = save(&args.out, &record)?;
        remark(&format!("record: {}", path.display()));
        record.written
    };
    if args.json {
        writeln!(std::io::stdout(), "{}", serde_json::to_string(&record)?)?;
    }
    Ok(ExitCode::from(u8::from(!done)))
}

/// An hour at the bench shall not end without its record because the folder takes none.
fn writable(folder: &Path) -> anyhow::Result<()> {
    let probe = folder.join(format!(".calibration-{}", std::process::id()));
    let tried = std::fs::File::create_new(&probe).and_then(|_| std::fs::remove_file(&probe));
    tried.map_err(|e| {
        anyhow::anyhow!(
            "cannot write in {}: {e}; name another folder for the record with --out",
            folder.display()
        )
    })
}

/// Sends it when told to, again and again where the board says why not.
fn write(
    line: &Line,
    assessment: &Assessment,
    made_unix_s: i64,
    input: &mut impl BufRead,
    steps: &mut impl Write,
) -> anyhow::Result<bool> {
    let question = "Take every source off, turn the maintenance switch on the board on, then type write to write this calibration; \
                    anything else leaves the board as it is";
    while ask(question, input, steps)? == "write" {
        match put_calibration(line, &assessment.new, made_unix_s)? {
            Ok(id) => {
                writeln!(
                    steps,
                    "kept on the board as {id:08x}. It is in force from the board's next start on: switch it off and on, put the \
                     fuse in, turn the maintenance switch off, reset the trip"
                )?;
                return Ok(true);
            }
            Err(fault) => writeln!(steps, "refused by the board: {fault}")?,
        }
    }
    Ok(false)
}

/// Beside an earlier one of the same day, never over it.
fn save(folder: &Path, record: &Record) -> anyhow::Result<PathBuf> {
    let name = record.file_name();
    let text = record.toml().context("the record does not fit in TOML")?;
    let stem = name.trim_end_matches(".toml");
    for n in 1..1000 {
        let path = match n {
            1 => folder.join(&name),
            n => folder.join(format!("{stem}-{n}.toml")),
        };
        match std::fs::OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(&path)
        {
            Ok(mut file) => {
                file.write_all(text.as_bytes())
                    .and_then(|()| file.sync_all())
                    .with_context(|| format!("writing {}", path.display()))?;
                return Ok(path);
            }
            Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(e) => bail!(
                "{} cannot be written ({e}); the board's own state is as told above",
                path.display()
            ),
        }
    }
    bail!(
        "{}: a thousand records of one day; move some away",
        folder.display()
    )
}

/// Prints the calibration in force.
fn show(board: &str, state: &CalibrationState, json: bool) -> anyhow::Result<ExitCode> {
    #[derive(serde::Serialize)]
    struct Shown {
        board: String,
        id: String,
        made: Option<String>,
        next_id: Option<String>,
        calibration: Values,
    }
    let made = state
        .made_unix_s
        .and_then(|s| jiff::Timestamp::from_second(s).ok());
    let shown = Shown {
        board: board.to_owned(),
        id: format!("{:08x}", state.in_force.id),
        made: made.map(|t| t.to_string()),
        next_id: state.next_id.map(|id| format!("{id:08x}")),
        calibration: (&state.in_force).into(),
    };
    let text = if json {
        serde_json::to_string(&shown)?
    } else {
        let next = shown.next_id.as_ref().map_or(String::new(), |id| {
            format!("# {id} is kept and in force from the board's next start on.\n")
        });
        format!(
            "# In force since the board's last start: {}.\n{next}{}",
            calibrated(state.made_unix_s),
            toml::to_string(&shown)?
        )
    };
    writeln!(std::io::stdout(), "{}", text.trim_end())?;
    Ok(ExitCode::SUCCESS)
}

/// Stretches of codes at a point, and tenths of a second each: 8 s in all.
const STRETCHES: u32 = 16;
const TENTHS: u32 = 5;
/// Measurements of the insulation at a known resistor. The one before them may have begun before it stood.
const MEASUREMENTS: usize = 4;

struct AtLine<'a> {
    line: &'a Line,
    settings: &'a Settings,
}

impl Board for AtLine<'_> {
    fn codes(&mut self) -> Result<Seen, WalkError> {
        let sums = calibration::stretches(self.line, STRETCHES, TENTHS)?;
        Ok(Seen::codes(&sums)?)
    }

    fn insulation(&mut self) -> Result<Seen, WalkError> {
        let mut seen = calibration::insulation(self.line, self.settings, MEASUREMENTS + 1)?;
        seen.remove(0);
        Ok(Seen::Insulation(seen))
    }
}

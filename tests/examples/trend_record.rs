//! How well the trend sees it coming, on invented years with a known truth, as in service: every day with the data up to then.
//!
//! `cargo run --release -p ohmward-tests --example trend_record [FILE.svg|FILE.png [YEARS [FIRST_SEED]]]`
//!
//! Without a name it replaces the picture in `hardware-notes/pictures`. Half of the years are healthy. Parameters of the trend were
//! chosen on seeds 1000 to 1239, 50000 to 50399, 200000 to 200399, and those of the forecast on 90000, 400000 and 600000, 400 each.
//! Run it on others (500000, 700000) for numbers nobody chose by. The aim counts years that take at
//! least thirty days from the beginning of the fault to the crossing: many a faster one cannot be told from daily values a fortnight
//! ahead. All of them, and how many could be told at all, are on a line of their own. The same seeds, the same picture. Exit status 1 when an aim
//! is missed.

use ohmward::trend::forecast::HORIZON_DAYS;
use ohmward::trend::{Assessment, Limit};
use ohmward_tests::years::{Fate, year};
use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::{FontStyle, register_font};
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

const SIZE: (u32, u32) = (1280, 620);
const TRIP_OHM: f64 = 30e3;
const WARN_OHM: f64 = 100e3;
const DAYS: usize = 365;
/// Aims: share warned so many days ahead, healthy years alarmed, error of the date over the lead, a year's trend in ms.
const IN_TIME: f64 = 0.9;
const AHEAD_DAYS: usize = 14;
const SLOW_DAYS: f64 = 30.0;
const ALARMED: f64 = 0.02;
const ERROR: f64 = 0.15;
/// Least share of the 90 % bands that hold the true date: over all years, of each pattern.
const BAND: f64 = 0.88;
const BAND_EACH: f64 = 0.8;
const YEAR_MS: f64 = 200.0;
/// Okabe and Ito's colours.
const FATES: [(Fate, RGBColor, &str); 4] = [
    (
        Fate::Steady,
        RGBColor(0x00, 0x72, 0xb2),
        "steady, all modules",
    ),
    (
        Fate::WetOnly,
        RGBColor(0x00, 0x9e, 0x73),
        "connector, wet only",
    ),
    (Fate::Step, RGBColor(0xd5, 0x5e, 0x00), "step at a storm"),
    (Fate::OnePlace, RGBColor(0xcc, 0x79, 0xa7), "one place"),
];

/// Something to reach.
struct Aim {
    name: String,
    is_met: bool,
}

impl Aim {
    fn new(name: String, is_met: bool) -> Self {
        Self { name, is_met }
    }

    fn word(&self) -> &'static str {
        if self.is_met { "aim met" } else { "AIM MISSED" }
    }
}

type Chart<'a, B> = ChartContext<'a, B, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

/// What came of one year.
struct Outcome {
    fate: Fate,
    /// One who knows healthy insulation and the weather exactly could warn so early.
    possible: bool,
    crosses: Option<usize>,
    begins: f64,
    /// Day of the first warning, and days from then to the crossing: 5 %, half, 95 % of the futures.
    warned: Option<(usize, [Option<f64>; 3])>,
    /// On some day up to then something was taken for mended that was not.
    is_taken_for_mended: bool,
    /// Trend of the whole year once, ms.
    year_ms: f64,
}

impl Outcome {
    fn lead(&self) -> Option<f64> {
        let ((day, _), crosses) = (self.warned?, self.crosses?);
        Some(crosses as f64 - day as f64)
    }

    /// From the last day of the record to the crossing, which is what a forecast tells.
    fn date(&self) -> Option<f64> {
        self.lead().map(|lead| lead + 1.0)
    }

    /// Degrades slowly enough for a warning a fortnight ahead.
    fn is_slow(&self) -> bool {
        self.crosses
            .is_some_and(|crosses| crosses as f64 - self.begins >= SLOW_DAYS)
    }

    fn error(&self) -> Option<f64> {
        let date = self.date().filter(|date| *date > 0.0)?;
        Some((self.warned?.1[1].unwrap_or(f64::INFINITY) - date).abs() / date)
    }

    /// The true date lies within the 90 % band.
    fn is_inside(&self) -> Option<bool> {
        let (date, (_, [early, _, late])) = (self.date()?, self.warned?);
        let after = early.is_some_and(|early| early <= date);
        Some(after && late.is_none_or(|late| late >= date))
    }

    /// Width of the 90 % band over the true time to the crossing; a band without an end within the horizon is taken to its end.
    fn width(&self) -> Option<f64> {
        let (date, (_, [early, _, late])) = (self.date()?, self.warned?);
        let horizon = HORIZON_DAYS as f64;
        Some((late.unwrap_or(horizon) - early.unwrap_or(horizon)) / date)
    }
}

fn outcome(seed: u64, fate: Fate) -> Outcome {
    let limits =
        [("trip level", TRIP_OHM), ("warning level", WARN_OHM)].map(|(name, r_ohm)| Limit {
            name: name.into(),
            r_ohm,
        });
    let year = year(seed, fate, DAYS);
    let days = year.record.days();
    let crosses = year.crosses(TRIP_OHM);
    let end = crosses.unwrap_or(DAYS).min(days.len());
    let mut is_taken_for_mended = false;
    let warned = (30..=end).find_map(|day| {
        let found = Assessment::of(&days[..day], &limits);
        is_taken_for_mended |= found.recovered.is_some();
        found.warning()?;
        let trip = &found.decline.as_ref()?.outlook.as_ref()?.forecasts[0].first;
        Some((day, [trip.early_days, trip.median_days, trip.late_days]))
    });
    let start = Instant::now();
    std::hint::black_box(Assessment::of(&year.record.days(), &limits));
    Outcome {
        fate,
        possible: (year.could_be_told().zip(crosses))
            .is_some_and(|(told, crosses)| told + AHEAD_DAYS <= crosses),
        crosses,
        begins: year.begins.unwrap_or(0.0),
        warned,
        is_taken_for_mended,
        year_ms: start.elapsed().as_secs_f64() * 1e3,
    }
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    ohmward::trend::statistics::median(&values.collect::<Vec<_>>()).unwrap_or(f64::NAN)
}

fn main() -> Result<ExitCode, Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let path = arguments.first().map_or_else(
        || {
            PathBuf::from(env!("CARGO_MANIFEST_DIR"))
                .join("../hardware-notes/pictures/trend-record.svg")
        },
        PathBuf::from,
    );
    let years: u64 = arguments.get(1).map_or(Ok(400), |text| text.parse())?;
    let first: u64 = arguments.get(2).map_or(Ok(90_000), |text| text.parse())?;
    let next = AtomicU64::new(0);
    let done = Mutex::new(Vec::new());
    std::thread::scope(|threads| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            threads.spawn(|| {
                loop {
                    let k = next.fetch_add(1, Ordering::Relaxed);
                    if k >= years {
                        break;
                    }
                    let fate = if k.is_multiple_of(2) {
                        Fate::Healthy
                    } else {
                        Fate::ALL[1 + (k / 2 % 4) as usize]
                    };
                    let outcome = outcome(first + k, fate);
                    if let Ok(mut done) = done.lock() {
                        done.push((k, outcome));
                    }
                }
            });
        }
    });
    let mut done = done.into_inner()?;
    done.sort_by_key(|(k, _)| *k);
    let all: Vec<Outcome> = done.into_iter().map(|(_, outcome)| outcome).collect();

    let healthy = all.iter().filter(|o| o.fate == Fate::Healthy);
    let alarmed = healthy.clone().filter(|o| o.warned.is_some()).count();
    let healthy = healthy.count();
    let mut aims = vec![Aim::new(
        format!(
            "at most {:.0} % of healthy board-years alarmed",
            100.0 * ALARMED
        ),
        alarmed as f64 <= ALARMED * healthy as f64,
    )];
    println!("healthy: {alarmed} of {healthy} board-years alarmed");
    let mut summary = String::new();
    let in_time = |of: &[&Outcome]| {
        of.iter()
            .filter(|o| o.lead().is_some_and(|lead| lead >= AHEAD_DAYS as f64))
            .count()
    };
    let crossing: Vec<&Outcome> = (all.iter())
        .filter(|o| o.fate != Fate::Healthy && o.crosses.is_some())
        .collect();
    let possible = crossing.iter().filter(|o| o.possible).count();
    println!(
        "all degrading years: {} of {} warned at least {AHEAD_DAYS} days ahead; whoever knew healthy insulation and the weather exactly, and \
         needed two days on which the fault stands three sigma clear of the board's noise, could warn of {possible}",
        in_time(&crossing),
        crossing.len(),
    );
    let fast: Vec<&Outcome> = crossing.iter().filter(|o| !o.is_slow()).copied().collect();
    println!(
        "of them less than {SLOW_DAYS:.0} days from beginning to crossing: {}; {} warned at least {AHEAD_DAYS} days ahead, {} at least a day, {} \
         possible",
        fast.len(),
        in_time(&fast),
        fast.iter()
            .filter(|o| o.lead().is_some_and(|lead| lead >= 1.0))
            .count(),
        fast.iter().filter(|o| o.possible).count(),
    );
    let share_inside = |of: &[&Outcome]| {
        let inside = of.iter().filter_map(|o| o.is_inside());
        let (held, banded) = inside.fold((0_usize, 0_usize), |(held, n), is| {
            (held + usize::from(is), n + 1)
        });
        (held, banded)
    };
    for (name, fate) in std::iter::once(("all degrading", None))
        .chain(FATES.map(|(fate, _, name)| (name, Some(fate))))
    {
        let every: Vec<&Outcome> = (crossing.iter())
            .filter(|o| fate.is_none_or(|fate| o.fate == fate))
            .copied()
            .collect();
        let (held, banded) = share_inside(&every);
        let of: Vec<&Outcome> = every.iter().filter(|o| o.is_slow()).copied().collect();
        let (lead, error) = (
            median(of.iter().filter_map(|o| o.lead())),
            median(of.iter().filter_map(|o| o.error())),
        );
        println!(
            "{name}, {SLOW_DAYS:.0} days and more: {} of {} warned at least {AHEAD_DAYS} days ahead; median lead {lead:.0} days; median error of the \
             date {:.1} % of the lead. All: true date within the 90 % band {held} of {banded} ({:.0} %), median width {:.2} of the lead",
            in_time(&of),
            of.len(),
            100.0 * error,
            100.0 * held as f64 / banded.max(1) as f64,
            median(every.iter().filter_map(|o| o.width())),
        );
        let least = if fate.is_none() { BAND } else { BAND_EACH };
        aims.push(Aim::new(
            format!(
                "{name}: at least {:.0} % of the true dates within the 90 % band",
                100.0 * least
            ),
            held as f64 >= least * banded as f64,
        ));
        if fate.is_none() {
            aims.push(Aim::new(
                format!(
                    "{:.0} % of the years of {SLOW_DAYS:.0} days and more warned of at least {AHEAD_DAYS} days ahead",
                    100.0 * IN_TIME
                ),
                in_time(&of) as f64 >= IN_TIME * of.len() as f64,
            ));
            aims.push(Aim::new(
                format!(
                    "median error of the date at most {:.0} % of the lead",
                    100.0 * ERROR
                ),
                error <= ERROR,
            ));
            summary = format!(
                "{} of {} degrading years warned of ≥ {AHEAD_DAYS} days ahead ({possible} possible), median {lead:.0}; {alarmed} of {healthy} healthy \
                 alarmed; median error {:.0} % of the lead; 90 % band holds {:.0} %",
                in_time(&crossing),
                crossing.len(),
                100.0 * error,
                100.0 * held as f64 / banded.max(1) as f64
            );
        }
    }
    let year_ms = median(all.iter().map(|o| o.year_ms));
    let worst_ms = all.iter().map(|o| o.year_ms).fold(0.0, f64::max);
    println!("trend of a year of one board: median {year_ms:.0} ms, longest {worst_ms:.0} ms");
    aims.push(Aim::new(
        format!("trend of a year in less than {YEAR_MS:.0} ms"),
        year_ms < YEAR_MS,
    ));
    println!(
        "taken for mended, and was not: {} of {} degrading years on some day up to the warning, {} of {healthy} healthy ones",
        crossing.iter().filter(|o| o.is_taken_for_mended).count(),
        crossing.len(),
        (all.iter()
            .filter(|o| o.fate == Fate::Healthy && o.is_taken_for_mended))
        .count(),
    );
    for aim in &aims {
        println!("{}: {}", aim.word(), aim.name);
    }

    for (style, font) in [
        (FontStyle::Normal, dejavu::sans::regular()),
        (FontStyle::Bold, dejavu::sans::bold()),
    ] {
        register_font("sans-serif", style, font).map_err(|_| "the built-in font does not load")?;
    }
    match path.extension().and_then(|e| e.to_str()) {
        Some("svg") => draw(
            &SVGBackend::new(&path, SIZE).into_drawing_area(),
            &all,
            &summary,
        )?,
        Some("png") => draw(
            &BitMapBackend::new(&path, SIZE).into_drawing_area(),
            &all,
            &summary,
        )?,
        _ => return Err(format!("{}: name a .svg or a .png", path.display()).into()),
    }
    println!("{}", path.display());
    Ok(if aims.iter().all(|aim| aim.is_met) {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(1)
    })
}

fn draw<B: DrawingBackend>(
    sheet: &DrawingArea<B, Shift>,
    all: &[Outcome],
    summary: &str,
) -> Result<(), Box<dyn std::error::Error>>
where
    B::ErrorType: 'static,
{
    sheet.fill(&WHITE)?;
    let sheet = sheet
        .margin(12, 8, 8, 8)
        .titled(
            "Trend on invented years: when it warned, and what date it gave",
            ("sans-serif", 24, FontStyle::Bold),
        )?
        .titled(summary, ("sans-serif", 16))?;
    let (left, right) = sheet.split_horizontally(630);
    dates(&left, all)?;
    leads(&right, all)?;
    sheet.present()?;
    Ok(())
}

/// Axes from 0, each with its end and its name.
fn chart<'a, B: DrawingBackend>(
    area: &'a DrawingArea<B, Shift>,
    (x_end, x_name): (f64, &str),
    (y_end, y_name): (f64, &str),
) -> Result<Chart<'a, B>, Box<dyn std::error::Error>>
where
    B::ErrorType: 'static,
{
    let mut chart = ChartBuilder::on(area)
        .margin(10)
        .x_label_area_size(46)
        .y_label_area_size(64)
        .build_cartesian_2d(0.0..x_end, 0.0..y_end)?;
    chart
        .configure_mesh()
        .light_line_style(WHITE.mix(0.0))
        .x_desc(x_name)
        .y_desc(y_name)
        .label_style(("sans-serif", 15))
        .draw()?;
    Ok(chart)
}

/// Given date over true date, at the day of the warning.
fn dates<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    all: &[Outcome],
) -> Result<(), Box<dyn std::error::Error>>
where
    B::ErrorType: 'static,
{
    let mut chart = chart(
        area,
        (
            260.0,
            "true days from the warning to the first value below 30 kΩ",
        ),
        (260.0, "days forecast: half of the futures, bar 90 %"),
    )?;
    chart.draw_series(LineSeries::new(
        [(0.0, 0.0), (260.0, 260.0)],
        BLACK.stroke_width(1),
    ))?;
    for (fate, colour, name) in FATES {
        let of = all.iter().filter(|o| o.fate == fate);
        let points = of.filter_map(|o| Some((o.date().filter(|date| *date > 0.0)?, o.warned?.1)));
        let points: Vec<_> = points.collect();
        chart.draw_series(points.iter().map(|(lead, [early, _, late])| {
            let ends = [
                (*lead, early.unwrap_or(260.0)),
                (*lead, late.unwrap_or(260.0).min(260.0)),
            ];
            PathElement::new(ends, colour.mix(0.35).stroke_width(1))
        }))?;
        chart
            .draw_series(points.iter().map(|(lead, [_, middle, _])| {
                Circle::new(
                    (*lead, middle.unwrap_or(260.0).min(260.0)),
                    3,
                    colour.filled(),
                )
            }))?
            .label(name)
            .legend(move |(x, y)| Circle::new((x + 11, y), 4, colour.filled()));
    }
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::UpperLeft)
        .background_style(WHITE.filled())
        .border_style(RGBColor(0xc0, 0xc0, 0xc0))
        .label_font(("sans-serif", 15))
        .draw()?;
    Ok(())
}

/// Share of the years warned of at least so many days ahead.
fn leads<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    all: &[Outcome],
) -> Result<(), Box<dyn std::error::Error>>
where
    B::ErrorType: 'static,
{
    let mut chart = chart(
        area,
        (200.0, "days ahead"),
        (
            100.0,
            "share of degrading years warned of at least that early, %",
        ),
    )?;
    let limit = RGBColor(0x55, 0x55, 0x55);
    chart.draw_series(DashedLineSeries::new(
        [(14.0, 0.0), (14.0, 100.0)],
        8,
        5,
        limit.stroke_width(2),
    ))?;
    chart.draw_series([
        Text::new(
            "aim: 14 days",
            (16.0, 6.0),
            ("sans-serif", 15).into_font().color(&limit),
        ),
        Text::new(
            "in 90 % of years",
            (16.0, 2.5),
            ("sans-serif", 15).into_font().color(&limit),
        ),
    ])?;
    chart.draw_series([Circle::new((14.0, 90.0), 5, limit.stroke_width(2))])?;
    let mut curve = |of: Vec<&Outcome>,
                     colour: RGBColor,
                     width: u32|
     -> Result<(), Box<dyn std::error::Error>> {
        let share = |days: f64| {
            let so = of
                .iter()
                .filter(|o| o.lead().is_some_and(|lead| lead >= days))
                .count();
            100.0 * so as f64 / of.len().max(1) as f64
        };
        let line = (0..=200).map(|day| (f64::from(day), share(f64::from(day))));
        chart.draw_series(LineSeries::new(line, colour.stroke_width(width)))?;
        Ok(())
    };
    let crossing = || {
        all.iter()
            .filter(|o| o.fate != Fate::Healthy && o.crosses.is_some())
    };
    for (fate, colour, _) in FATES {
        curve(crossing().filter(|o| o.fate == fate).collect(), colour, 2)?;
    }
    curve(crossing().collect(), BLACK, 3)?;
    Ok(())
}

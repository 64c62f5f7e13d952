//! Pictures of two invented years: what is coming, and whether it fails wet.
//!
//! `cargo run --release -p ohmward-tests --example trend_pictures [FOLDER [SEED]]`
//!
//! Without a folder they replace those in `hardware-notes/pictures`. Each year is shown as it stood some weeks before its true first
//! value below the trip level, which the trend does not know. The same seed, the same pictures.

use ohmward::chart::{ForecastData, WetDryData, save};
use ohmward::trend::days::Record;
use ohmward_proto::Settings;
use ohmward_proto::message::BoardId;
use ohmward_tests::years::{Fate, Year, year};
use std::path::PathBuf;

const BOARD: BoardId = BoardId(0x0000_0000_0bad_d007);
const DAYS: usize = 365;
/// Shown so many days before the true crossing.
const BEFORE_DAYS: usize = 35;
const DAY_S: f64 = 86_400.0;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let folder = arguments.next().map_or_else(
        || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../hardware-notes/pictures"),
        PathBuf::from,
    );
    let seed: u64 = arguments.next().map_or(Ok(21), |text| text.parse())?;
    let settings = Some(Settings::SMALL_BONDED);
    let note = |year: &Year| Some(format!("invented year, {}", year.climate));

    let steady = year(seed, Fate::Steady, DAYS);
    let mut forecast = ForecastData::of_record(BOARD, &cut(&steady), settings)
        .ok_or("the year holds no measurement")?;
    forecast.note = note(&steady);
    save(&forecast, folder.join("forecast.svg"))?;

    let wet_only = year(seed, Fate::WetOnly, DAYS);
    let mut wet_dry = WetDryData::of_record(BOARD, &cut(&wet_only), settings)
        .ok_or("the year holds no measurement")?;
    wet_dry.note = note(&wet_only);
    save(&wet_dry, folder.join("wet-dry.svg"))?;
    println!("{}", folder.display());
    Ok(())
}

/// The record as it stood before the crossing.
fn cut(year: &Year) -> Record {
    let days = year
        .crosses(f64::from(Settings::SMALL_BONDED.insulation.trip_below.0))
        .map_or(DAYS, |day| day.saturating_sub(BEFORE_DAYS));
    let mut record = year.record.clone();
    let first_s = record.looks.first().map_or(0.0, |look| look.t_s);
    let end_s = first_s + days as f64 * DAY_S;
    record.looks.retain(|look| look.t_s < end_s);
    record.glances.retain(|glance| glance.t_s < end_s);
    record
}

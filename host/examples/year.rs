//! A year of one board at a reading a second, invented: how large, how fast, how soon drawn.
//!
//! ```sh
//! cargo run --release -p ohmward --example year -- [DAYS] [FOLDER]    # 365, a temporary folder
//! ```
//! The figures depend on the noise put in: one bit more on each channel costs about half a byte a reading. Here the fine range is
//! taken as 16 bits over ±1.25 A with 1 LSB (38 µA) of noise a sample, the pole voltages as 16 bits over ±600 V with 1 LSB (18 mV),
//! both averaged over 80 samples as the firmware does; insulation is measured every half hour.

use ohmward::chart::{OverviewData, save};
use ohmward::store::{CheckOptions, Entry, Level, Rules, Store, StoreError, StoredReading};
use ohmward_proto::measure::{NotMeasured, TripState};
use ohmward_proto::message::{BoardId, Hello};
use ohmward_proto::{
    Amps, BondCurrent, Farads, Insulation, PoleLeakage, Reading, SampleIndex, Siemens, Volts,
};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

const BOARD: BoardId = BoardId(0x00de_c0de_0000_0001);
/// 2026-01-01T00:00Z.
const START_US: i64 = 1_767_225_600_000_000;
const DAY_S: u64 = 86_400;
const RATE_HZ: u64 = 4_000;

/// The made-up world: sun, drift, noise.
struct World {
    draw: rand_pcg::Pcg64Mcg,
    leakage: Option<(SampleIndex, PoleLeakage)>,
    cloud: f64,
}

impl World {
    fn new() -> Self {
        Self {
            draw: rand_pcg::Pcg64Mcg::seed_from_u64(5),
            leakage: None,
            cloud: 1.0,
        }
    }

    fn noise(&mut self, sigma: f64) -> f64 {
        let normal: f64 = StandardNormal.sample(&mut self.draw);
        normal * sigma
    }

    fn reading(&mut self, s: u64) -> Reading {
        let at = SampleIndex(s * RATE_HZ);
        let hour = (s % DAY_S) as f64 / 3600.0;
        let sun = (((hour - 6.0) / 12.0) * std::f64::consts::PI)
            .sin()
            .max(0.0);
        // The voltage of an array hardly follows the sun once it is up; the tracker moves it by some volts.
        self.cloud = (self.cloud * 0.999 + 0.001 + self.noise(2e-4)).clamp(0.6, 1.0);
        let light = 1.0 - (-sun * 30.0).exp();
        let volts = 380.0 * light * (0.97 + 0.03 * self.cloud);
        let dark = sun < 0.02;
        let dc_ua = 900.0 * sun + 40.0 * (hour / 4.0).sin() + self.noise(38.0 / 80.0_f64.sqrt());
        let spike = if s % 1_000_003 == 7 { 90_000.0 } else { 0.0 };
        let rms_ua = (dc_ua * dc_ua + 350.0 * 350.0 * light).sqrt() + spike;
        let rms_ua = rms_ua + self.noise(38.0 / 160.0_f64.sqrt());
        let v_pos_mv = volts * 1e3 + self.noise(18.3 / 80.0_f64.sqrt());
        // The bonded pole.
        let v_neg_mv = self.noise(18.3 / 80.0_f64.sqrt());
        if !dark && (s.is_multiple_of(1800) || self.leakage.is_none()) {
            let g = 4e-7 + 2e-7 * sun + self.noise(2e-9);
            self.leakage = Some((
                at,
                PoleLeakage {
                    g_pos: Siemens(g as f32),
                    g_neg: Siemens((0.8 * g + self.noise(2e-9)) as f32),
                    g_sigma: Siemens((2e-9 + self.noise(1e-10).abs()) as f32),
                    c: Farads((1.2e-7 + self.noise(1e-10)) as f32),
                    c_sigma: Farads((2e-10 + self.noise(1e-11).abs()) as f32),
                },
            ));
        }
        let open = (1..5).contains(&(s % 1800)) && !dark;
        Reading {
            at,
            i_bond: if open {
                BondCurrent::NotMeasured(NotMeasured::BondOpen)
            } else {
                BondCurrent::Measured {
                    dc: Amps(dc_ua as i32 as f32 * 1e-6),
                    rms: Amps(rms_ua as i32 as f32 * 1e-6),
                }
            },
            v_pos: Some(Volts(v_pos_mv as i32 as f32 * 1e-3)),
            v_neg: Some(Volts(v_neg_mv as i32 as f32 * 1e-3)),
            insulation: match self.leakage {
                Some((at, leakage)) => Insulation::Measured { leakage, at },
                None => Insulation::NotMeasured {
                    why: NotMeasured::NeverYet,
                    since: SampleIndex(0),
                },
            },
            state: if dark {
                TripState::Resting
            } else {
                TripState::Closed
            },
            bond_open: open,
        }
    }
}

fn per_second(count: u64, took: Duration) -> String {
    format!("{:.3} M/s", count as f64 / took.as_secs_f64() / 1e6)
}

fn size_of(folder: &Path) -> u64 {
    std::fs::read_dir(folder)
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| match entry.metadata() {
            Ok(found) if found.is_dir() => size_of(&entry.path()),
            Ok(found) => found.len(),
            Err(_) => 0,
        })
        .sum()
}

/// The same reading as a line of text, all eight quantities, as short as plain numbers go.
fn csv_line(t_us: i64, r: &Reading) -> String {
    let (dc, rms) = match r.i_bond {
        BondCurrent::Measured { dc, rms } => (format!("{:.6}", dc.0), format!("{:.6}", rms.0)),
        BondCurrent::NotMeasured(_) => (String::new(), "bond-open".into()),
    };
    let volts = |v: Option<Volts>| v.map_or_else(String::new, |v| format!("{:.3}", v.0));
    let (g_pos, g_neg, c) = match r.insulation {
        Insulation::Measured { leakage: l, .. } => (
            l.g_pos.0.to_string(),
            l.g_neg.0.to_string(),
            l.c.0.to_string(),
        ),
        Insulation::NotMeasured { .. } => (String::new(), String::new(), String::new()),
    };
    format!(
        "{t_us},{dc},{rms},{},{},{g_pos},{g_neg},{c},{:?},{}\n",
        volts(r.v_pos),
        volts(r.v_neg),
        r.state,
        r.bond_open
    )
}

/// What SQLite alone takes.
#[derive(Default)]
struct Bare {
    rows: u64,
    inserted: Duration,
    scanned: Duration,
    deleted: Duration,
}

/// The same readings by the same library, plainly: a row each in the order of time and an index by count, every column read once, and
/// the rows removed; and nothing else: what writing and sealing are held against.
fn bare(folder: &Path, rows: &[StoredReading], sum: &mut Bare) -> anyhow::Result<()> {
    let path = folder.join("bare.sqlite");
    let mut db = rusqlite::Connection::open(&path)?;
    db.pragma_update(None, "journal_mode", "WAL")?;
    db.pragma_update(None, "synchronous", "FULL")?;
    db.execute_batch(
        "CREATE TABLE reading (board INTEGER, boot INTEGER, at_sample INTEGER, t_us INTEGER, i_dc_a REAL, i_rms_a REAL,
            i_why TEXT, v_pos_v REAL, v_neg_v REAL, g_pos_s REAL, g_neg_s REAL, g_sigma_s REAL, c_f REAL, c_sigma_f REAL,
            ins_at_sample INTEGER, ins_why TEXT, state TEXT, bond_open INTEGER, PRIMARY KEY (board, t_us, boot, at_sample))
            WITHOUT ROWID;
         CREATE UNIQUE INDEX reading_by_count ON reading (board, boot, at_sample);",
    )?;
    let begun = Instant::now();
    for batch in rows.chunks(2000) {
        let work = db.transaction()?;
        let mut insert = work.prepare_cached(
            "INSERT OR IGNORE INTO reading VALUES (1,?1,?2,?3,?4,?5,NULL,?6,?7,?8,?9,?10,?11,?12,0,NULL,'closed',0)",
        )?;
        for row in batch {
            let r = &row.reading;
            let (dc, rms) = match r.i_bond {
                BondCurrent::Measured { dc, rms } => (Some(dc.0), Some(rms.0)),
                BondCurrent::NotMeasured(_) => (None, None),
            };
            let l = match r.insulation {
                Insulation::Measured { leakage, .. } => leakage,
                Insulation::NotMeasured { .. } => PoleLeakage::default(),
            };
            insert.execute(rusqlite::params![
                row.boot,
                r.at.0 as i64,
                row.t_us,
                dc,
                rms,
                r.v_pos.map(|v| v.0),
                r.v_neg.map(|v| v.0),
                l.g_pos.0,
                l.g_neg.0,
                l.g_sigma.0,
                l.c.0,
                l.c_sigma.0
            ])?;
        }
        drop(insert);
        work.commit()?;
    }
    sum.rows += rows.len() as u64;
    sum.inserted += begun.elapsed();

    let begun = Instant::now();
    {
        let mut query =
            db.prepare("SELECT * FROM reading WHERE board = 1 ORDER BY t_us, boot, at_sample")?;
        let mut found = query.query([])?;
        let mut numbers = 0_u64;
        while let Some(row) = found.next()? {
            for column in 0..18 {
                numbers +=
                    u64::from(row.get_ref(column)?.data_type() == rusqlite::types::Type::Real);
            }
        }
        anyhow::ensure!(numbers > 0, "nothing was read");
    }
    sum.scanned += begun.elapsed();

    let begun = Instant::now();
    for slice in rows.chunks(16_384) {
        let (Some(first), Some(last)) = (slice.first(), slice.last()) else {
            continue;
        };
        let gone = db.execute(
            "DELETE FROM reading WHERE board = 1 AND t_us >= ?1 AND t_us <= ?2",
            [first.t_us, last.t_us],
        )?;
        anyhow::ensure!(gone == slice.len(), "{gone} rows removed");
    }
    sum.deleted += begun.elapsed();
    drop(db);
    for end in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(folder.join(format!("bare.sqlite{end}"))); // the last two are gone with the connection
    }
    Ok(())
}

fn main() -> anyhow::Result<()> {
    let mut args = std::env::args().skip(1);
    let days: u64 = args.next().map_or(Ok(365), |days| days.parse())?;
    let folder = args.next().map_or_else(
        || std::env::temp_dir().join(format!("ohmward-year-{}", std::process::id())),
        PathBuf::from,
    );
    println!("{days} days of made-up readings into {}", folder.display());
    let mut store = Store::open_or_create(&folder)?;
    store.write(&[Entry::Run {
        board: BOARD,
        hello: Hello {
            protocol: 1,
            firmware: (0, 1, 0),
            board: BOARD,
            boot: 1,
            at: SampleIndex(0),
            sample_rate_hz: RATE_HZ as u32,
            settings_hash: 0,
            calibration_id: 0,
            epoch_unix_ms: Some(START_US / 1000),
        },
        received_us: START_US,
    }])?;

    let mut world = World::new();
    let (mut written, mut sealing, mut sealed, mut bytes, mut csv) =
        (Duration::ZERO, Duration::ZERO, 0, 0, 0);
    let mut sqlite = Bare::default();
    let rules = Rules {
        hot_days: 1,
        drop_archive_after_days: None,
    };
    for day in 0..days {
        let rows: Vec<StoredReading> = (day * DAY_S..(day + 1) * DAY_S)
            .map(|s| StoredReading {
                boot: 1,
                t_us: START_US + 1_000_000 * s as i64,
                reading: world.reading(s),
            })
            .collect();
        csv += rows
            .iter()
            .map(|row| csv_line(row.t_us, &row.reading).len() as u64)
            .sum::<u64>();
        let entries: Vec<Entry> = rows
            .iter()
            .map(|row| Entry::Reading {
                board: BOARD,
                boot: 1,
                t_us: row.t_us,
                reading: row.reading,
            })
            .collect();
        if day % 10 == 3 {
            bare(&folder, &rows, &mut sqlite)?;
        }
        let begun = Instant::now();
        for batch in entries.chunks(2000) {
            store.write(batch)?;
        }
        written += begun.elapsed();
        let begun = Instant::now();
        let now_us = START_US + (day + 1) as i64 * 86_400_000_000;
        while let Some(moved) = store.seal_next(&rules, now_us)? {
            sealed += moved.rows;
            bytes += moved.bytes;
        }
        sealing += begun.elapsed();
    }
    store.work_off_rollups()?;
    let readings = days * DAY_S;
    if sqlite.rows > 0 {
        for (what, took) in [
            (
                "SQLite alone: the same rows inserted        ",
                sqlite.inserted,
            ),
            (
                "SQLite alone: every column read             ",
                sqlite.scanned,
            ),
            (
                "SQLite alone: removed, 16 384 a transaction ",
                sqlite.deleted,
            ),
            (
                "SQLite alone: read and removed              ",
                sqlite.scanned + sqlite.deleted,
            ),
        ] {
            println!("{what} {}", per_second(sqlite.rows, took));
        }
    }
    println!(
        "written with roll-ups, 2000 a transaction    {}",
        per_second(readings, written)
    );
    println!(
        "sealed, tables to file, read back, removed   {}",
        per_second(sealed, sealing)
    );
    let each = bytes as f64 / sealed.max(1) as f64;
    let csv_each = csv as f64 / readings as f64;
    println!("archive                                      {each:.2} B a reading, {bytes} B");
    println!(
        "the same as CSV                              {csv_each:.1} B a reading, {:.1} times as much",
        csv_each / each
    );
    drop(store);
    let database = size_of(&folder) - size_of(&folder.join("archive"));
    println!("database: roll-ups, measurements, a hot day  {database} B");

    let span = START_US..START_US + readings as i64 * 1_000_000;
    let begun = Instant::now();
    let store = Store::open_existing(&folder)?;
    let opened = begun.elapsed();
    let begun = Instant::now();
    let reduced = store.readings(BOARD, span.clone(), 16_000)?;
    println!(
        "{} readings to {} rows                {:.0} ms, opening {:.0} ms",
        reduced.stored,
        reduced.rows.len(),
        begun.elapsed().as_secs_f64() * 1e3,
        opened.as_secs_f64() * 1e3
    );
    let begun = Instant::now();
    save(
        &OverviewData::from_store(&Store::open_existing(&folder)?, BOARD, span.clone())?,
        folder.join("year.png"),
    )?;
    println!(
        "opened, read and drawn                       {:.0} ms",
        begun.elapsed().as_secs_f64() * 1e3
    );
    for (name, level) in [
        ("minutes", Level::Minute),
        ("hours", Level::Hour),
        ("days", Level::Day),
    ] {
        let begun = Instant::now();
        let all = store.rollups(BOARD, level, span.clone())?;
        println!(
            "{:>7} {name:<36} {:.0} ms",
            all.len(),
            begun.elapsed().as_secs_f64() * 1e3
        );
    }
    let begun = Instant::now();
    let mut count = 0_u64;
    store.each_reading(BOARD, &span, |_| {
        count += 1;
        Ok::<_, StoreError>(())
    })?;
    println!(
        "every reading as a stream                    {}",
        per_second(count, begun.elapsed())
    );
    let out = folder.join("all.parquet");
    let begun = Instant::now();
    let exported = store.export_parquet(BOARD, span, &out)?;
    println!(
        "into one Parquet file                        {}",
        per_second(exported, begun.elapsed())
    );
    std::fs::remove_file(&out)?;
    let begun = Instant::now();
    let report = store.check(&CheckOptions::default())?;
    println!(
        "checked                                      {}, {} faults",
        per_second(report.readings, begun.elapsed()),
        report.faults.len()
    );
    anyhow::ensure!(report.holds(), "{:?}", report.faults);
    Ok(())
}

//! Ranges of everything in a scenario. The limits are there to catch slips of unit, not to judge arrays.

use super::error::Source;
use super::sections::{self, Checked};
use super::{Board, BoardSettings, PersonSettings, Raw, Scenario};
use crate::ageing::AgeingSettings;
use crate::array::{ArraySettings, FaultPath};
use crate::fault::FaultSettings;
use crate::sensors::SensorSettings;
use crate::weather::WeatherSettings;
use crate::weather::measured::Measured;
use jiff::Timestamp;
use ohmward_proto::Settings;
use ohmward_proto::message::BoardId;
use ohmward_proto::settings::Earthing;
use std::path::Path;
use std::sync::Arc;

/// Checks everything serde cannot.
pub(super) fn scenario(source: &Source<'_>, mut raw: Raw, settings: Settings) -> Checked<Scenario> {
    if raw.name.trim().is_empty() {
        return Err(source.error("name", "is empty; give the scenario a name"));
    }
    let start: Timestamp = raw.start.parse().map_err(|_| {
        source.error(
            "start",
            format!(
                "\"{}\" is not a time; write it like 2026-06-01T00:00:00Z",
                raw.start
            ),
        )
    })?;
    source.between("duration_h", raw.duration_h, 1e-4, 10.0 * 8784.0)?;
    let board = board(source, &raw.board)?;
    let module = sections::array(source, &raw.array)?;
    sections::earthing(source, &raw.earthing, settings.earthing)?;
    sections::ground(source, &raw.ground)?;
    let load = sections::load(source, raw.load)?;
    weather(source, &raw.weather, raw.duration_h)?;
    raw.weather.measured = measured(source, &raw.weather, start, raw.duration_h)?;
    ageing(source, &raw.ageing, raw.duration_h)?;
    sensors(source, &raw.sensors, board.sample_rate_hz)?;
    sections::contactor(source, raw.contactor)?;
    let fault_paths = raw
        .fault
        .iter()
        .enumerate()
        .map(|(k, f)| fault(source, &format!("fault.{k}"), f, &raw.array, raw.duration_h))
        .collect::<Checked<Vec<FaultPath>>>()?;
    let mut ground = raw.ground;
    if !raw.earth_potential.is_empty() {
        // There must be a source in the circuit to change.
        ground.earth_potential_v.get_or_insert(0.0);
    }
    events(source, &raw, settings.earthing)?;
    for (k, surge) in raw.surge.iter().enumerate() {
        source.between(&format!("surge.{k}.at_h"), surge.at_h, 0.0, raw.duration_h)?;
        source.between(
            &format!("surge.{k}.peak_a"),
            surge.peak_a,
            -200_000.0,
            200_000.0,
        )?;
    }
    for (k, press) in raw.press.iter().enumerate() {
        source.between(&format!("press.{k}.at_h"), press.at_h, 0.0, raw.duration_h)?;
        source.between(&format!("press.{k}.for_s"), press.for_s, 0.001, 1e6)?;
    }
    for (k, weld) in raw.weld.iter().enumerate() {
        source.span(&format!("weld.{k}"), weld.from_h, weld.to_h, raw.duration_h)?;
    }
    Ok(Scenario {
        file: source.file().to_owned(),
        name: raw.name,
        note: raw.note,
        seed: raw.seed,
        start,
        duration_h: raw.duration_h,
        board,
        settings,
        array: raw.array,
        module,
        earthing: raw.earthing,
        ground,
        load,
        weather: raw.weather,
        ageing: raw.ageing,
        sensors: raw.sensors,
        contactor: raw.contactor,
        faults: raw.fault,
        fault_paths,
        fuse: raw.fuse,
        converter_noise: raw.converter_noise,
        shades: raw.shade,
        persons: raw.person,
        earth_potentials: raw.earth_potential,
        surges: raw.surge,
        presses: raw.press,
        welds: raw.weld,
    })
}

/// Fuse, converter, shade, people, soil.
fn events(source: &Source<'_>, raw: &Raw, arrangement: Earthing) -> Checked<()> {
    if let Some(fuse) = &raw.fuse {
        if !matches!(
            arrangement,
            Earthing::NegativeBonded | Earthing::PositiveBonded
        ) {
            return Err(source.error(
                "fuse",
                "has no use unless settings.earthing bonds a pole through it; remove one or change the other",
            ));
        }
        source.between("fuse.rating_a", fuse.rating_a, 0.01, 100.0)?;
        source.between("fuse.melting_a2s", fuse.melting_a2s, 1e-6, 1e6)?;
        if let Some(melting_a) = fuse.melting_a {
            source.between(
                "fuse.melting_a",
                melting_a,
                fuse.rating_a,
                100.0 * fuse.rating_a,
            )?;
        }
    }
    if let Some(noise) = &raw.converter_noise {
        source.between("converter_noise.mains_v", noise.mains_v, 0.0, 1000.0)?;
        source.between("converter_noise.ripple_v", noise.ripple_v, 0.0, 1000.0)?;
        source.between(
            "converter_noise.ripple_hz",
            f64::from(noise.ripple_hz),
            1.0,
            1e6,
        )?;
        source.between("converter_noise.source_ohm", noise.source_ohm, 0.001, 1e9)?;
    }
    for (k, shade) in raw.shade.iter().enumerate() {
        let at = |key: &str| format!("shade.{k}.{key}");
        let per_string = f64::from(raw.array.modules_per_string);
        source.between(
            &at("string"),
            f64::from(shade.string),
            1.0,
            f64::from(raw.array.strings),
        )?;
        if let Some([first, last]) = shade.modules {
            source.between(&at("modules"), f64::from(first), 1.0, per_string)?;
            source.between(
                &at("modules"),
                f64::from(last),
                f64::from(first),
                per_string,
            )?;
        }
        source.between(&at("light"), shade.light, 0.0, 1.0)?;
        source.span(
            &format!("shade.{k}"),
            shade.from_h,
            shade.to_h,
            raw.duration_h,
        )?;
    }
    for (k, person) in raw.person.iter().enumerate() {
        let at = |key: &str| format!("person.{k}.{key}");
        source.between(&at("ohm"), person.ohm, 1.0, 1e9)?;
        source.between(&at("feet_ohm"), person.feet_ohm, 0.0, 1e9)?;
        source.span(
            &format!("person.{k}"),
            person.from_h,
            person.to_h,
            raw.duration_h,
        )?;
        let end = |p: &PersonSettings| p.to_h.unwrap_or(f64::INFINITY);
        let met = |other: &PersonSettings| other.from_h < end(person) && person.from_h < end(other);
        if raw.person[..k].iter().any(met) {
            return Err(source.error(
                &format!("person.{k}"),
                "is there while another person is; one at a time",
            ));
        }
    }
    for (k, lift) in raw.earth_potential.iter().enumerate() {
        let at = |key: &str| format!("earth_potential.{k}.{key}");
        source.between(&at("volts"), lift.volts, -1e5, 1e5)?;
        source.between(&at("at_h"), lift.at_h, 0.0, raw.duration_h)?;
        source.between(&at("for_s"), lift.for_s, 0.001, 1e6)?;
    }
    Ok(())
}

fn board(source: &Source<'_>, raw: &BoardSettings) -> Checked<Board> {
    let digits = raw.id.len() == 16 && raw.id.bytes().all(|b| b.is_ascii_hexdigit());
    let id = u64::from_str_radix(&raw.id, 16)
        .ok()
        .filter(|_| digits)
        .ok_or_else(|| {
            source.error(
                "board.id",
                format!(
                    "\"{}\" is not 16 hexadecimal digits; write it like \"00000000000000a1\"",
                    raw.id
                ),
            )
        })?;
    source.between(
        "board.sample_rate_hz",
        f64::from(raw.sample_rate_hz),
        500.0,
        50_000.0,
    )?;
    source.between("board.boot", f64::from(raw.boot), 1.0, f64::from(u32::MAX))?;
    Ok(Board {
        id: BoardId(id),
        sample_rate_hz: raw.sample_rate_hz,
        boot: raw.boot,
    })
}

fn weather(source: &Source<'_>, w: &WeatherSettings, duration_h: f64) -> Checked<()> {
    for (key, value, low, high) in [
        ("latitude_deg", w.latitude_deg, -90.0, 90.0),
        ("longitude_deg", w.longitude_deg, -180.0, 180.0),
        ("tilt_deg", w.tilt_deg, 0.0, 90.0),
        ("cloudiness", w.cloudiness, 0.0, 1.0),
        ("mean_c", w.mean_c, -40.0, 50.0),
        ("season_swing_c", w.season_swing_c, 0.0, 40.0),
        ("day_swing_c", w.day_swing_c, 0.0, 25.0),
        ("day_to_day_c", w.day_to_day_c, 0.0, 15.0),
        ("humidity", w.humidity, 0.0, 1.0),
        ("noct_c", w.noct_c, 20.0, 80.0),
        ("rain_days_per_week", w.rain_days_per_week, 0.0, 7.0),
        ("step_s", f64::from(w.step_s), 1.0, 3600.0),
        ("csv_gap_max_s", f64::from(w.csv_gap_max_s), 1.0, 86_400.0),
    ] {
        source.between(&format!("weather.{key}"), value, low, high)?;
    }
    for (k, rain) in w.rain.iter().enumerate() {
        source.span(
            &format!("weather.rain.{k}"),
            rain.from_h,
            Some(rain.to_h),
            duration_h,
        )?;
    }
    if let Some(fixed) = w.fixed {
        source.between(
            "weather.fixed.irradiance_w_m2",
            fixed.irradiance_w_m2,
            0.0,
            2000.0,
        )?;
        source.between("weather.fixed.cell_temp_c", fixed.cell_temp_c, -60.0, 120.0)?;
        source.between("weather.fixed.wetness", fixed.wetness, 0.0, 1.0)?;
    }
    Ok(())
}

/// The measurements that the section names.
fn measured(
    source: &Source<'_>,
    w: &WeatherSettings,
    start: Timestamp,
    duration_h: f64,
) -> Checked<Option<Arc<Measured>>> {
    let Some(csv) = &w.csv else { return Ok(None) };
    for (key, there) in [
        ("fixed", w.fixed.is_some()),
        ("rain", !w.rain.is_empty()),
        ("rain_days_per_week", w.rain_days_per_week > 0.0),
    ] {
        if there {
            return Err(source.error(
                &format!("weather.{key}"),
                "has no use beside csv, which tells the weather; remove one of the two",
            ));
        }
    }
    let path = Path::new(source.file())
        .parent()
        .map_or_else(|| csv.clone(), |folder| folder.join(csv));
    let from_s = start.as_millisecond() as f64 / 1000.0;
    let to_s = from_s + 3600.0 * duration_h;
    Measured::load(&path, from_s, to_s, f64::from(w.csv_gap_max_s))
        .map(Arc::new)
        .map(Some)
        .map_err(|e| {
            if e.line == 0 {
                source.error("weather.csv", format!("{} {}", e.file, e.message))
            } else {
                e
            }
        })
}

fn ageing(source: &Source<'_>, a: &AgeingSettings, duration_h: f64) -> Checked<()> {
    source.between(
        "ageing.decline_percent_per_year",
        a.decline_percent_per_year,
        0.0,
        99.0,
    )?;
    for (k, step) in a.step.iter().enumerate() {
        let at = |key: &str| format!("ageing.step.{k}.{key}");
        source.between(&at("at_h"), step.at_h, 0.0, duration_h)?;
        source.between(&at("left"), step.left, 1e-4, 1.0)?;
    }
    Ok(())
}

fn sensors(source: &Source<'_>, s: &SensorSettings, sample_rate_hz: u32) -> Checked<()> {
    for (key, value, low, high) in [
        ("bits", f64::from(s.bits), 8.0, 16.0),
        (
            "corner_hz",
            s.corner_hz,
            10.0,
            f64::from(sample_rate_hz) / 2.0,
        ),
        (
            "current_gain_error_percent",
            s.current_gain_error_percent,
            -50.0,
            50.0,
        ),
        ("current_offset_ma", s.current_offset_ma, -1000.0, 1000.0),
        ("fine_noise_ma", s.fine_noise_ma, 0.0, 1000.0),
        ("wide_noise_ma", s.wide_noise_ma, 0.0, 1000.0),
        (
            "v_pos_gain_error_percent",
            s.v_pos_gain_error_percent,
            -50.0,
            50.0,
        ),
        (
            "v_neg_gain_error_percent",
            s.v_neg_gain_error_percent,
            -50.0,
            50.0,
        ),
        ("pole_offset_v", s.pole_offset_v, -100.0, 100.0),
        ("pole_noise_v", s.pole_noise_v, 0.0, 100.0),
        ("hum_bond_ma", s.hum_bond_ma, 0.0, 20_000.0),
        ("hum_pole_v", s.hum_pole_v, 0.0, 500.0),
        ("inject_ma", s.inject_ma, 0.0, 20_000.0),
        (
            "divider_error_percent",
            s.divider_error_percent,
            -50.0,
            50.0,
        ),
        (
            "bridge_pos_error_percent",
            s.bridge_pos_error_percent,
            -50.0,
            50.0,
        ),
        (
            "bridge_neg_error_percent",
            s.bridge_neg_error_percent,
            -50.0,
            50.0,
        ),
    ] {
        source.between(&format!("sensors.{key}"), value, low, high)?;
    }
    Ok(())
}

fn fault(
    source: &Source<'_>,
    path: &str,
    f: &FaultSettings,
    a: &ArraySettings,
    duration_h: f64,
) -> Checked<FaultPath> {
    let at = |key: &str| format!("{path}.{key}");
    if let Some(string) = f.string {
        source.between(&at("string"), f64::from(string), 1.0, f64::from(a.strings))?;
    }
    if let Some(position) = f.position {
        source.between(
            &at("position"),
            f64::from(position),
            0.0,
            f64::from(a.modules_per_string),
        )?;
    }
    let path_to_ground = f.path().ok_or_else(|| {
        source.error(
            path,
            "does not say where; give string and position, or conductor (and, if it matters, at)",
        )
    })?;
    resistance(source, path, f, duration_h)?;
    if let Some(rhythm) = f.intermittent {
        source.between(&at("intermittent.on_s"), rhythm.on_s, 0.001, 1e7)?;
        source.between(&at("intermittent.off_s"), rhythm.off_s, 0.001, 1e7)?;
    }
    if let Some(above) = f.wet_above {
        source.between(&at("wet_above"), above, 0.0, 0.99)?;
    }
    source.span(path, f.from_h, f.to_h, duration_h)?;
    Ok(path_to_ground)
}

/// Exactly one of `ohm`, `degrading`, `storm_step`, `water`, each in its range.
fn resistance(source: &Source<'_>, path: &str, f: &FaultSettings, duration_h: f64) -> Checked<()> {
    let ohms = |key: &str, ohm: f64| source.between(&format!("{path}.{key}"), ohm, 0.001, 1e10);
    match (f.ohm, f.degrading, f.storm_step, f.water) {
        (Some(ohm), None, None, None) => ohms("ohm", ohm),
        (None, Some(law), None, None) => {
            ohms("degrading.r_start_ohm", law.r_start_ohm)?;
            source.between(
                &format!("{path}.degrading.r_end_ohm"),
                law.r_end_ohm,
                0.001,
                law.r_start_ohm,
            )?;
            source.between(
                &format!("{path}.degrading.wet_divisor"),
                law.wet_divisor,
                1.0,
                1e6,
            )?;
            if law.until_h.is_nan() || law.until_h <= f.from_h {
                return Err(source.error(
                    &format!("{path}.degrading.until_h"),
                    format!(
                        "{} is not after from_h ({}); give a later hour",
                        law.until_h, f.from_h
                    ),
                ));
            }
            Ok(())
        }
        (None, None, Some(law), None) => {
            ohms("storm_step.r_before_ohm", law.r_before_ohm)?;
            ohms("storm_step.r_after_ohm", law.r_after_ohm)?;
            source.between(
                &format!("{path}.storm_step.storm_h"),
                law.storm_h,
                0.0,
                duration_h,
            )
        }
        (None, None, None, Some(law)) => {
            ohms("water.r_dry_ohm", law.r_dry_ohm)?;
            source.between(
                &format!("{path}.water.r_full_ohm"),
                law.r_full_ohm,
                0.001,
                law.r_dry_ohm,
            )?;
            source.between(&format!("{path}.water.soak_h"), law.soak_h, 1e-3, 1e6)?;
            source.between(&format!("{path}.water.dry_h"), law.dry_h, 1e-3, 1e6)
        }
        _ => Err(source.error(
            path,
            "needs exactly one of ohm, degrading, storm_step and water",
        )),
    }
}

//! Ranges of everything in a scenario. The limits are there to catch slips of unit, not to judge arrays.

use super::error::{ScenarioError, Source};
use super::{Board, BoardSettings, LoadKind, LoadSettings, Raw, Scenario};
use crate::array::{ArraySettings, Load, Place};
use crate::fault::FaultSettings;
use crate::module::{KINDS, ModuleKind};
use crate::sensors::SensorSettings;
use crate::weather::WeatherSettings;
use ohmward_proto::Settings;
use ohmward_proto::message::BoardId;
use ohmward_proto::settings::Earthing;

type Checked<T> = Result<T, ScenarioError>;

impl Source<'_> {
    /// NaN lies in no range.
    fn between(&self, path: &str, value: f64, low: f64, high: f64) -> Checked<()> {
        if (low..=high).contains(&value) {
            Ok(())
        } else {
            Err(self.error(
                path,
                format!("{value} is out of range; give {low} to {high}"),
            ))
        }
    }

    /// `from_h` before `to_h`, both within the scenario.
    fn span(&self, path: &str, from_h: f64, to_h: Option<f64>, duration_h: f64) -> Checked<()> {
        self.between(&format!("{path}.from_h"), from_h, 0.0, duration_h)?;
        match to_h {
            Some(to_h) if to_h.is_nan() || to_h <= from_h => Err(self.error(
                &format!("{path}.to_h"),
                format!("{to_h} is not after from_h ({from_h}); give a later hour"),
            )),
            _ => Ok(()),
        }
    }
}

/// Checks everything serde cannot.
pub(super) fn scenario(source: &Source<'_>, raw: Raw, settings: Settings) -> Checked<Scenario> {
    if raw.name.trim().is_empty() {
        return Err(source.error("name", "is empty; give the scenario a name"));
    }
    let start = raw.start.parse().map_err(|_| {
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
    let module = array(source, &raw.array)?;
    earthing(source, &raw, settings.earthing)?;
    let load = load(source, raw.load)?;
    weather(source, &raw.weather, raw.duration_h)?;
    sensors(source, &raw.sensors, board.sample_rate_hz)?;
    source.between("contactor.close_ms", raw.contactor.close_ms, 0.0, 5000.0)?;
    source.between("contactor.open_ms", raw.contactor.open_ms, 0.0, 5000.0)?;
    let places = raw
        .fault
        .iter()
        .enumerate()
        .map(|(k, f)| fault(source, &format!("fault.{k}"), f, &raw.array, raw.duration_h))
        .collect::<Checked<Vec<Place>>>()?;
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
        load,
        weather: raw.weather,
        sensors: raw.sensors,
        contactor: raw.contactor,
        faults: raw.fault,
        places,
        surges: raw.surge,
        presses: raw.press,
        welds: raw.weld,
    })
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

fn array(source: &Source<'_>, a: &ArraySettings) -> Checked<&'static ModuleKind> {
    source.between("array.strings", f64::from(a.strings), 1.0, 1000.0)?;
    source.between(
        "array.modules_per_string",
        f64::from(a.modules_per_string),
        1.0,
        100.0,
    )?;
    source.between("array.string_cable_ohm", a.string_cable_ohm, 0.0, 100.0)?;
    source.between(
        "array.insulation_mohm_per_module",
        a.insulation_mohm_per_module,
        0.001,
        1e7,
    )?;
    source.between(
        "array.leakage_nf_per_module",
        a.leakage_nf_per_module,
        0.0,
        1e5,
    )?;
    source.between(
        "array.activation_energy_ev",
        a.activation_energy_ev,
        0.0,
        1.5,
    )?;
    source.between("array.wet_factor", a.wet_factor, 0.0, 1e6)?;
    source.between(
        "array.wet_capacitance_factor",
        a.wet_capacitance_factor,
        1.0,
        100.0,
    )?;
    ModuleKind::named(&a.module).ok_or_else(|| {
        let known: Vec<_> = KINDS.iter().map(|kind| kind.name).collect();
        source.error(
            "array.module",
            format!(
                "\"{}\" is not a known module; choose from: {}",
                a.module,
                known.join(", ")
            ),
        )
    })
}

fn earthing(source: &Source<'_>, raw: &Raw, arrangement: Earthing) -> Checked<()> {
    source.between("earthing.fuse_ohm", raw.earthing.fuse_ohm, 0.0, 100.0)?;
    source.between("earthing.shunt_ohm", raw.earthing.shunt_ohm, 0.001, 100.0)?;
    match (arrangement, raw.earthing.high_resistance_ohm) {
        (Earthing::HighResistance, None) => Err(source.error(
            "earthing.high_resistance_ohm",
            "is missing, and settings.earthing is high-resistance; add it",
        )),
        (Earthing::HighResistance, Some(ohm)) => {
            source.between("earthing.high_resistance_ohm", ohm, 10.0, 1e7)
        }
        (_, Some(_)) => Err(source.error(
            "earthing.high_resistance_ohm",
            "has no use unless settings.earthing is high-resistance; remove one or change the other",
        )),
        (_, None) => Ok(()),
    }
}

fn load(source: &Source<'_>, raw: LoadSettings) -> Checked<Load> {
    match (raw.kind, raw.volts, raw.series_ohm) {
        (LoadKind::Battery, Some(volts), Some(series_ohm)) => {
            source.between("load.volts", volts, 1.0, 1500.0)?;
            source.between("load.series_ohm", series_ohm, 0.001, 1000.0)?;
            Ok(Load::Battery { volts, series_ohm })
        }
        (LoadKind::Battery, None, _) => {
            Err(source.error("load.volts", "is missing for a battery; add it"))
        }
        (LoadKind::Battery, _, None) => {
            Err(source.error("load.series_ohm", "is missing for a battery; add it"))
        }
        (LoadKind::None, None, None) => Ok(Load::None),
        (LoadKind::WorkingPoint, None, None) => Ok(Load::WorkingPoint),
        (_, volts, _) => Err(source.error(
            if volts.is_some() {
                "load.volts"
            } else {
                "load.series_ohm"
            },
            "belongs to kind = \"battery\" only; remove it or change the kind",
        )),
    }
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
) -> Checked<Place> {
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
    let place = f.place().ok_or_else(|| {
        source.error(
            path,
            "does not say where; give string and position, or conductor alone",
        )
    })?;
    match (f.ohm, f.degrading) {
        (Some(ohm), None) => source.between(&at("ohm"), ohm, 0.001, 1e10)?,
        (None, Some(law)) => {
            source.between(&at("degrading.r_start_ohm"), law.r_start_ohm, 0.001, 1e10)?;
            source.between(
                &at("degrading.r_end_ohm"),
                law.r_end_ohm,
                0.001,
                law.r_start_ohm,
            )?;
            source.between(&at("degrading.wet_divisor"), law.wet_divisor, 1.0, 1e6)?;
            if law.until_h.is_nan() || law.until_h <= f.from_h {
                return Err(source.error(
                    &at("degrading.until_h"),
                    format!(
                        "{} is not after from_h ({}); give a later hour",
                        law.until_h, f.from_h
                    ),
                ));
            }
        }
        _ => return Err(source.error(path, "needs either ohm or degrading; give one of them")),
    }
    if let Some(rhythm) = f.intermittent {
        source.between(&at("intermittent.on_s"), rhythm.on_s, 0.001, 1e7)?;
        source.between(&at("intermittent.off_s"), rhythm.off_s, 0.001, 1e7)?;
    }
    if let Some(above) = f.wet_above {
        source.between(&at("wet_above"), above, 0.0, 0.99)?;
    }
    source.span(path, f.from_h, f.to_h, duration_h)?;
    Ok(place)
}

//! Settings as a file has them, and as they come over the wire: refused in one line, or a board can run on them.
//!
//! Input: text, as `settings --put` reads it; or, behind a zero byte, changes to good settings and samples for the board.
#![no_main]

use arbitrary::Unstructured;
use libfuzzer_sys::{fuzz_mutator, fuzz_target};
use ohmward_core::{Identity, Inputs, Monitor, Sample};
use ohmward_fuzz::scratch::is_one_line;
use ohmward_fuzz::text::{self, Pool};
use ohmward_proto::event::StartReason;
use ohmward_proto::measure::Codes;
use ohmward_proto::message::{BoardId, Message};
use ohmward_proto::settings::{Calibration, Earthing, Mains};
use ohmward_proto::{Amps, MAX_BODY, Ohms, Settings, Volts};

const POOL: Pool = Pool {
    files: &[include_str!("../corpus/settings/small-bonded.toml")],
};

fuzz_mutator!(|data: &mut [u8], size: usize, max_size: usize, seed: u32| {
    if data.first() == Some(&0) {
        libfuzzer_sys::fuzzer_mutate(data, size, max_size)
    } else {
        text::mutate(POOL, data, size, max_size, seed)
    }
});

fuzz_target!(|data: &[u8]| {
    match data.split_first() {
        Some((0, drawn)) => {
            let _ = wire(&mut Unstructured::new(drawn));
        }
        #[cfg(feature = "host")]
        _ => file(data),
        #[cfg(not(feature = "host"))]
        _ => {}
    }
});

#[cfg(feature = "host")]
fn file(text: &[u8]) {
    let Ok(text) = std::str::from_utf8(text) else {
        return;
    };
    match ohmward::plan::settings_file::read("settings.toml", text) {
        Ok(settings) => {
            assert_eq!(settings.check(), Ok(()));
            run(
                settings,
                Calibration::REFERENCE,
                &mut Unstructured::new(text.as_bytes()),
            );
        }
        Err(error) => is_one_line(&error),
    }
}

fn wire(input: &mut Unstructured) -> arbitrary::Result<()> {
    let mut settings = Settings::SMALL_BONDED;
    let mut calibration = Calibration::REFERENCE;
    for _ in 0..input.int_in_range(0..=6)? {
        change(&mut settings, &mut calibration, input)?;
    }
    // As postcard has them: a value that the types do not know never gets here.
    let mut bytes = [0; MAX_BODY];
    let bytes = postcard::to_slice(&Message::SettingsPut(settings), &mut bytes).expect("fits");
    let Ok(Message::SettingsPut(settings)) = postcard::from_bytes(bytes) else {
        panic!("settings that were sent are not read");
    };
    let fault = settings.check();
    if let Err(fault) = fault {
        is_one_line(&fault);
        assert!(!fault.key().is_empty());
    }
    let _ = settings.loosens(&Settings::SMALL_BONDED);
    let _ = Settings::SMALL_BONDED.loosens(&settings);
    if fault.is_ok() {
        assert!(
            !settings.loosens(&settings),
            "no settings are looser than themselves"
        );
        run(settings, calibration, input);
    }
    Ok(())
}

/// A number within what a field takes, at an edge of it, or any at all.
fn number(input: &mut Unstructured, low: f32, high: f32) -> arbitrary::Result<f32> {
    Ok(match input.int_in_range(0..=5)? {
        0 => low,
        1 => high,
        2 => f32::from_bits(input.arbitrary()?),
        _ => low + (high - low) * f32::from(input.arbitrary::<u8>()?) / 255.0,
    })
}

fn change(
    s: &mut Settings,
    c: &mut Calibration,
    input: &mut Unstructured,
) -> arbitrary::Result<()> {
    match input.int_in_range(0..=26)? {
        0 => {
            s.earthing = *input.choose(&[
                Earthing::NegativeBonded,
                Earthing::PositiveBonded,
                Earthing::HighResistance,
                Earthing::NotEarthed,
            ])?;
        }
        1 => s.mains = *input.choose(&[Mains::Hz50, Mains::Hz60])?,
        2 => s.reading_every_ms = *input.choose(&[0, 50, 51, 1000, 3_600_000, u32::MAX])?,
        3 => s.current.continuous.above = Amps(number(input, 0.005, 20.0)?),
        4 => s.current.continuous.hold_ms = input.arbitrary()?,
        5 => s.current.ground_fault.above = Amps(number(input, 0.005, 20.0)?),
        6 => s.current.ground_fault.hold_ms = input.arbitrary()?,
        7 => s.current.surge_above = Amps(number(input, 0.1, 25.0)?),
        8 => s.current.sudden.enabled = input.arbitrary()?,
        9 => s.current.sudden.low.above = Amps(number(input, 0.005, 1.0)?),
        10 => s.current.sudden.middle.above = Amps(number(input, 0.005, 1.0)?),
        11 => s.current.sudden.high.above = Amps(number(input, 0.005, 1.0)?),
        12 => s.current.sudden.low.hold_ms = u16::from(input.arbitrary::<u8>()?),
        13 => s.current.sudden.high.hold_ms = u16::from(input.arbitrary::<u8>()?),
        14 => s.insulation.trip_below = Ohms(number(input, 500.0, 50e6)?),
        15 => s.insulation.warn_below = Ohms(number(input, 30_000.0, 100e6)?),
        16 => s.insulation.reset_above = Ohms(number(input, 30_000.0, 100e6)?),
        17 => s.insulation.confirm = input.arbitrary()?,
        18 => s.check.before_connect = input.arbitrary()?,
        19 => s.check.every_s = *input.choose(&[0, 9, 10, 86_400, 86_401, u32::MAX])?,
        20 => s.check.v_min = Volts(number(input, 5.0, 1500.0)?),
        21 => s.check.state_ms_max = *input.choose(&[99, 100, 120_000, 120_001, u32::MAX])?,
        22 => s.contactor.open_ms_max = input.arbitrary()?,
        23 => s.contactor.close_ms_max = input.arbitrary()?,
        24 => s.trip_opens_bond = input.arbitrary()?,
        25 => {
            let scale = *input.choose(&[0, 1, 2, 3])?;
            let full = if scale < 2 { 150.0 } else { 2000.0 };
            let scale = match scale {
                0 => &mut c.i_fine,
                1 => &mut c.i_wide,
                2 => &mut c.v_pos,
                _ => &mut c.v_neg,
            };
            scale.per_count = number(input, -full / 32768.0, full / 32768.0)?;
            scale.zero = number(input, -32768.0, 32767.0)?;
        }
        _ => {
            c.bridge.g_permanent.0 = number(input, 1e-12, 1.0)?;
            c.bridge.g_switched_pos.0 = number(input, 1e-12, 1.0)?;
            c.bridge.g_switched_neg.0 = number(input, 1e-12, 1.0)?;
            c.rail_low = input.arbitrary()?;
            c.rail_high = input.arbitrary()?;
        }
    }
    Ok(())
}

/// A board on these settings: whatever it measures, it decides and does not end.
fn run(settings: Settings, calibration: Calibration, input: &mut Unstructured) {
    let identity = Identity {
        board: BoardId(7),
        boot: 1,
        reason: StartReason::PowerOn,
        sample_rate_hz: *input
            .choose(&[4000, 1000, 3200, 6400, 4800, 500, 0, u32::MAX])
            .unwrap_or(&4000),
        epoch_unix_ms: None,
    };
    let mut monitor = match Monitor::new(identity, settings, calibration) {
        Ok(monitor) => monitor,
        Err(fault) => return is_one_line(&fault),
    };
    let mut steps = 0;
    while steps < 1500 && !input.is_empty() {
        let Ok((ways, count, codes)) = input.arbitrary::<(u8, u8, [i16; 4])>() else {
            break;
        };
        let inputs = Inputs {
            contactor_feedback: ways & 1 == 1,
            reset: ways & 2 == 2,
            arm: ways & 4 == 4,
        };
        for n in 0..u16::from(count) + 1 {
            // Steady, alternating, rising.
            let code = |code: i16| match ways >> 3 & 3 {
                0 => code,
                1 if n % 2 == 1 => code.wrapping_neg(),
                2 => code.wrapping_add(n as i16),
                _ => code.wrapping_mul(n as i16 + 1),
            };
            let sample = Sample {
                codes: Codes {
                    i_fine: code(codes[0]),
                    i_wide: code(codes[1]),
                    v_pos: code(codes[2]),
                    v_neg: code(codes[3]),
                },
                lost_before: if ways >> 5 == 7 && n == 0 {
                    u16::from(count) * 257
                } else {
                    0
                },
            };
            monitor.step(&sample, &inputs);
            while monitor.poll().is_some() {}
            steps += 1;
        }
        if ways >> 5 == 6
            && let Ok(bytes) = input.bytes(usize::from(count).min(input.len()))
            && let Ok(message) = postcard::from_bytes::<Message>(bytes)
        {
            monitor.receive(&message);
        }
        if ways >> 5 == 5 {
            let _ = monitor.apply(Settings {
                trip_opens_bond: !monitor.settings().trip_opens_bond,
                ..*monitor.settings()
            });
        }
    }
}

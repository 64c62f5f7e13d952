//! The messages whose bytes `v1.txt` holds, by name: every message, and every variant of what they carry.

use ohmward_proto::event::{
    FaultSide, MemoryFault, ResetRefusal, SelfTestFault, StartReason, TripCause,
};
use ohmward_proto::measure::{
    Channel, ChannelSums, CodeSums, Dwell, FaultPlace, Pole, TripState, WhyNoPlace,
};
use ohmward_proto::message::{
    Ack, Acks, BoardId, CaptureHave, CaptureHead, CapturePart, Command, CommandOutcome, Hello,
    LinkStats, Message,
};
use ohmward_proto::settings::{
    Bridge, CalibrationFault, CalibrationState, ContactorTimes, CurrentLimits, DefiniteTime,
    Earthing, InsulationCheck, InsulationLimits, Mains, Scale, SettingsFault, SuddenLimits,
};
use ohmward_proto::{
    Amps, BondCurrent, BondSpectrum, Calibration, Codes, Event, EventId, EventKind, Farads,
    Insulation, NotMeasured, Ohms, PoleLeakage, Reading, SampleIndex, Settings, Siemens, Volts,
};

/// Every row of the golden file, in its order.
pub fn all() -> Vec<(String, Message)> {
    let mut rows = by_hand();
    rows.extend(plain());
    for (name, kind) in event_kinds() {
        rows.push((format!("event.{name}"), Message::Event(event(kind))));
    }
    rows.extend(readings());
    for earthing in [
        Earthing::NegativeBonded,
        Earthing::PositiveBonded,
        Earthing::HighResistance,
        Earthing::NotEarthed,
    ] {
        rows.push((
            format!("settings-put.{}", name_of(&earthing)),
            Message::SettingsPut(Settings {
                earthing,
                ..settings()
            }),
        ));
    }
    for fault in CALIBRATION_FAULTS {
        rows.push((
            format!("calibration-result.{}", name_of(&fault)),
            Message::CalibrationResult(Err(fault)),
        ));
    }
    for fault in SETTINGS_FAULTS {
        rows.push((
            format!("settings-result.{}", name_of(&fault)),
            Message::SettingsResult(Err(fault)),
        ));
    }
    rows
}

/// Rows whose bytes were written down from the postcard wire specification, not taken from this crate's encoder.
/// <https://postcard.jamesmunns.com/wire-format> (postcard 1.x): enum = varint index, u32/u64 = varint, i16 = zigzag varint,
/// f32 = 4 bytes little-endian, Option = 00 or 01 + value, bool = 00/01, sequence = varint count.
/// Check sum and COBS of these rows come from PyPI crcmod 1.7 ("crc-32c") and PyPI cobs 1.2.2.
fn by_hand() -> Vec<(String, Message)> {
    vec![
        // 01 (second message) 01 (version): the shortest message with content.
        (
            "by-hand.hello-ask".into(),
            Message::HelloAsk { protocol: 1 },
        ),
        // 03 (fourth message) 03 (boot) ac 02 (300 = 2·128 + 44) c0 84 3d (1 000 000 = 61·16384 + 4·128 + 64) 01 (second kind)
        (
            "by-hand.event-connected".into(),
            Message::Event(Event {
                id: EventId { boot: 3, seq: 300 },
                at: SampleIndex(1_000_000),
                kind: EventKind::Connected,
            }),
        ),
        // 08, then the largest u32 (ff ff ff ff 0f) and 2⁶³: nine groups of seven zero bits, then 01.
        (
            "by-hand.time-is-longest".into(),
            Message::TimeIs {
                token: u32::MAX,
                at: SampleIndex(1 << 63),
            },
        ),
        // 05, event 01 00, offset 18, count 02, then zigzag: 0→00 −1→01 1→02 −64→7f; 64→80 01 32767→fe ff 03 −32768→ff ff 03 0→00
        (
            "by-hand.capture-part-zigzag".into(),
            Message::CapturePart(CapturePart {
                event: EventId { boot: 1, seq: 0 },
                offset: 24,
                codes: [codes(0, -1, 1, -64), codes(64, 32767, -32768, 0)]
                    .into_iter()
                    .collect(),
            }),
        ),
        // 02, at 16384 = 80 80 01, current 01 (not measured) 08 (window filling), v_pos 00,
        // v_neg 01 and −32.005859375 = 00 06 00 c2 (the specification's own example), insulation 01 04 03
        // (not measured, sensor lost, v_neg) since 7f, state 04, bond open 01
        (
            "by-hand.reading-absences".into(),
            Message::Reading(Reading {
                at: SampleIndex(16384),
                i_bond: BondCurrent::NotMeasured(NotMeasured::WindowFilling),
                v_pos: None,
                v_neg: Some(Volts(-32.005_86)),
                insulation: Insulation::NotMeasured {
                    why: NotMeasured::SensorLost(Channel::VNeg),
                    since: SampleIndex(127),
                },
                state: TripState::Latched,
                bond_open: true,
            }),
        ),
        // 1c (29th message) 01 (Err) 02 (third reason).
        (
            "by-hand.calibration-not-armed".into(),
            Message::CalibrationResult(Err(CalibrationFault::NotArmed)),
        ),
    ]
}

fn plain() -> Vec<(String, Message)> {
    let id = EventId { boot: 7, seq: 129 };
    let hello = Hello {
        protocol: 1,
        firmware: (0, 1, 200),
        board: BoardId(0x0123_4567_89ab_cdef),
        boot: 7,
        at: SampleIndex(4_000),
        sample_rate_hz: 4_000,
        settings_hash: 0xdead_beef,
        calibration_id: 12,
        epoch_unix_ms: None,
    };
    let mut rows: Vec<(String, Message)> = [
        ("hello.no-clock", Message::Hello(hello)),
        (
            "hello.with-clock",
            Message::Hello(Hello {
                epoch_unix_ms: Some(-1),
                ..hello
            }),
        ),
        (
            "capture-head",
            Message::CaptureHead(CaptureHead {
                event: id,
                first: SampleIndex(1_000_000),
                trigger: SampleIndex(1_000_400),
                samples: 1200,
                calibration: calibration(),
            }),
        ),
        // Full and without zero bytes: its COBS blocks cross the 254-byte border.
        (
            "capture-part.full",
            Message::CapturePart(CapturePart {
                event: id,
                offset: 24,
                codes: (0..24)
                    .map(|k| codes(-9000 - k, 9000 + k, 20_000, -20_000))
                    .collect(),
            }),
        ),
        (
            "capture-part.empty",
            Message::CapturePart(CapturePart {
                event: id,
                offset: 0,
                codes: heapless::Vec::new(),
            }),
        ),
        ("ack.event", Message::Ack(Ack::Event(id))),
        ("ack.capture", Message::Ack(Ack::Capture(id))),
        ("time-ask", Message::TimeAsk { token: 5 }),
        ("settings-get", Message::SettingsGet),
        (
            "settings-are",
            Message::SettingsAre(Settings {
                mains: Mains::Hz50,
                ..settings()
            }),
        ),
        ("settings-result.ok", Message::SettingsResult(Ok(128))),
        ("link-stats-ask", Message::LinkStatsAsk),
        (
            "link-stats-are",
            Message::LinkStatsAre(LinkStats {
                frames_in: 1,
                frames_out: 2,
                bad_crc: 3,
                bad_form: 4,
                readings_skipped: 5,
                events_resent: 6,
            }),
        ),
        (
            "spectrum",
            Message::Spectrum(BondSpectrum {
                at: SampleIndex(4_000),
                samples: 200,
                mains_hz: 60.5,
                mains_found: true,
                dc: Amps(-0.001),
                fundamental: Amps(0.25),
                fundamental_rad: -1.5,
                harmonics: [Amps(0.0), Amps(0.01), Amps(0.0), Amps(0.002)],
                remainder: Amps(0.0005),
            }),
        ),
        (
            "counter-is",
            Message::CounterIs {
                token: 5,
                boot: 7,
                at: SampleIndex(4_000),
            },
        ),
        (
            "run-reading",
            Message::RunReading {
                boot: 7,
                reading: Reading {
                    at: SampleIndex(16384),
                    i_bond: BondCurrent::NotMeasured(NotMeasured::WindowFilling),
                    v_pos: None,
                    v_neg: Some(Volts(-32.005_86)),
                    insulation: Insulation::NotMeasured {
                        why: NotMeasured::SensorLost(Channel::VNeg),
                        since: SampleIndex(127),
                    },
                    state: TripState::Latched,
                    bond_open: true,
                },
            },
        ),
        (
            "run-spectrum",
            Message::RunSpectrum {
                boot: 7,
                spectrum: BondSpectrum {
                    at: SampleIndex(4_000),
                    samples: 200,
                    mains_hz: 60.5,
                    mains_found: true,
                    dc: Amps(-0.001),
                    fundamental: Amps(0.25),
                    fundamental_rad: -1.5,
                    harmonics: [Amps(0.0), Amps(0.01), Amps(0.0), Amps(0.002)],
                    remainder: Amps(0.0005),
                },
            },
        ),
        (
            "run-dwell",
            Message::RunDwell {
                boot: 7,
                dwell: Dwell {
                    at: SampleIndex(16384),
                    a_samples: 1_081,
                    b_samples: 3_241,
                    extrapolated: true,
                },
            },
        ),
        ("calibration-get", Message::CalibrationGet),
        (
            "calibration-is",
            Message::CalibrationIs(CalibrationState {
                in_force: calibration(),
                made_unix_s: Some(1_790_000_000),
                design: Calibration::REFERENCE,
                next_id: Some(300),
            }),
        ),
        (
            "calibration-is.design",
            Message::CalibrationIs(CalibrationState {
                in_force: Calibration::REFERENCE,
                made_unix_s: None,
                design: Calibration::REFERENCE,
                next_id: None,
            }),
        ),
        (
            "calibration-put",
            Message::CalibrationPut {
                calibration: calibration(),
                made_unix_s: -1,
            },
        ),
        ("calibration-result", Message::CalibrationResult(Ok(300))),
        (
            "codes-ask",
            Message::CodesAsk {
                token: 300,
                samples: 2_000,
            },
        ),
        (
            "codes-are",
            Message::CodesAre {
                token: 300,
                sums: CodeSums {
                    at: SampleIndex(16384),
                    samples: 2_000,
                    i_fine: ChannelSums {
                        sum: -64,
                        squares: 300,
                        low: -64,
                        high: 63,
                        bits: 0xFFFC,
                    },
                    i_wide: ChannelSums::default(),
                    v_pos: ChannelSums {
                        sum: i64::MIN,
                        squares: u64::MAX,
                        low: i16::MIN,
                        high: i16::MAX,
                        bits: u16::MAX,
                    },
                    v_neg: ChannelSums::default(),
                },
            },
        ),
        ("peer-is", Message::PeerIs { protocol: 3 }),
        (
            "acks",
            Message::Acks(Acks {
                board: BoardId(0x0123_4567_89ab_cdef),
                first: id,
                more: 0b101,
            }),
        ),
        (
            "acks.all",
            Message::Acks(Acks {
                board: BoardId(1),
                first: EventId { boot: 1, seq: 0 },
                more: u64::MAX,
            }),
        ),
        (
            "capture-have",
            Message::CaptureHave(CaptureHave {
                board: BoardId(0x0123_4567_89ab_cdef),
                event: id,
                parts: 0xF00F,
            }),
        ),
    ]
    .map(|(name, message)| (name.to_owned(), message))
    .into();
    for command in [
        Command::Reset,
        Command::Trip,
        Command::MeasureInsulation,
        Command::SelfTest,
    ] {
        let name = format!("command.{}", name_of(&command));
        rows.push((name, Message::Command(command)));
    }
    let outcomes = [CommandOutcome::Done, CommandOutcome::NotNow]
        .into_iter()
        .chain(REFUSALS.map(CommandOutcome::ResetRefused));
    for outcome in outcomes {
        rows.push((
            format!("command-result.{}", name_of(&outcome)),
            Message::CommandResult {
                command: Command::Reset,
                outcome,
            },
        ));
    }
    rows
}

/// Every kind, and every variant of what a kind carries.
fn event_kinds() -> Vec<(String, EventKind)> {
    let mut kinds = Vec::new();
    let mut push = |kind: EventKind| kinds.push((name_of(&kind), kind));
    for reason in [
        StartReason::PowerOn,
        StartReason::Watchdog,
        StartReason::BrownOut,
        StartReason::Panic,
        StartReason::Requested,
        StartReason::HardFault,
        StartReason::StackOverflow,
    ] {
        push(EventKind::Started {
            reason,
            settings_hash: 0x8000_0000,
        });
    }
    push(EventKind::Connected);
    push(EventKind::Rested);
    for cause in trip_causes() {
        push(EventKind::Tripped {
            cause,
            picked_up: SampleIndex(255),
        });
    }
    push(EventKind::Opened { after: 130 });
    push(EventKind::FailedToOpen);
    push(EventKind::OpenedLate { after: 4_001 });
    push(EventKind::FailedToClose);
    push(EventKind::Reset);
    for why in REFUSALS {
        push(EventKind::ResetRefused(why));
    }
    push(EventKind::InsulationWarning {
        r: Ohms(90_000.0),
        pole: Pole::Undecided,
    });
    push(EventKind::InsulationRecovered { r: Ohms(120_000.0) });
    for why in NOT_MEASURED {
        push(EventKind::InsulationNotMeasured(why));
    }
    push(EventKind::Surge {
        peak: Amps(-24.5),
        samples: 300,
    });
    for channel in CHANNELS {
        push(EventKind::SensorLost(channel));
    }
    for channel in CHANNELS {
        push(EventKind::SensorBack(channel));
    }
    push(EventKind::SettingsApplied { hash: 0x7f });
    push(EventKind::EventsLost { count: 1_000 });
    push(EventKind::SuddenUnwatched);
    push(EventKind::SuddenWatched);
    push(EventKind::SelfTestPassed {
        injected: Amps(0.1),
        zero: Amps(-0.0005),
    });
    push(EventKind::ZeroDrifted { zero: Amps(0.0075) });
    push(EventKind::LockedOut { trips: 3 });
    for side in [FaultSide::Bonded, FaultSide::Other] {
        push(EventKind::FaultSide {
            side,
            dc: Amps(0.125),
        });
    }
    push(EventKind::FuseStrained { i2t_a2s: 3.5 });
    push(EventKind::FaultPlaced {
        place: FaultPlace::At {
            fraction: 0.375,
            sigma: 0.03125,
        },
        r: Ohms(24_000.0),
    });
    for why in [
        WhyNoPlace::NoBackground,
        WhyNoPlace::Faint,
        WhyNoPlace::NotOnePlace,
        WhyNoPlace::UnderLoad,
    ] {
        push(EventKind::FaultPlaced {
            place: FaultPlace::CannotTell(why),
            r: Ohms(64_000.0),
        });
    }
    push(EventKind::SelfTestFailed(SelfTestFault::FineRange {
        seen: Amps(0.0),
    }));
    for fault in [
        MemoryFault::Write,
        MemoryFault::Erase,
        MemoryFault::Read,
        MemoryFault::Full,
    ] {
        push(EventKind::MemoryFailed(fault));
    }
    push(EventKind::MemoryWorks);
    kinds
}

fn trip_causes() -> Vec<TripCause> {
    let mut causes = vec![
        TripCause::ContinuousCurrent {
            rms: Amps(0.5),
            limit: Amps(0.25),
        },
        TripCause::GroundFaultCurrent {
            dc: Amps(-1.5),
            limit: Amps(1.0),
        },
        TripCause::ContactorFault,
        TripCause::Commanded,
    ];
    causes.extend(
        [Pole::Positive, Pole::Negative, Pole::Undecided].map(|pole| TripCause::InsulationLow {
            r: Ohms(20_000.0),
            limit: Ohms(30_000.0),
            pole,
        }),
    );
    causes.extend(CHANNELS.map(TripCause::SensorLost));
    causes.push(TripCause::InsulationUnreadable {
        why: NotMeasured::BridgeUnmoved,
    });
    causes.push(TripCause::SettingsLost);
    causes.push(TripCause::SuddenChange {
        peak: Amps(-0.212),
        limit: Amps(0.15),
    });
    causes.push(TripCause::BondInterrupted { v: Volts(-87.5) });
    causes.push(TripCause::SamplesLost);
    causes.push(TripCause::Restarted(StartReason::Watchdog));
    causes.extend(
        [
            SelfTestFault::FineRange { seen: Amps(0.0) },
            SelfTestFault::WideRange { seen: Amps(0.25) },
            SelfTestFault::Zero {
                seen: Amps(-0.0625),
            },
            SelfTestFault::Bridge {
                seen: Amps(-0.002),
                expected: Amps(-0.001),
            },
            SelfTestFault::BondStuck { seen: Amps(-0.001) },
        ]
        .map(TripCause::SelfTestFailed),
    );
    causes.push(TripCause::SecondBond);
    causes.push(TripCause::GroundedConductorFault {
        r: Ohms(500.0),
        limit: Ohms(30_000.0),
    });
    causes.push(TripCause::FuseHeated {
        rms: Amps(1.5),
        rating: Amps(1.0),
    });
    causes
}

fn readings() -> Vec<(String, Message)> {
    let reading = Reading {
        at: SampleIndex(123_456_789),
        i_bond: BondCurrent::Measured {
            dc: Amps(-0.002),
            rms: Amps(0.0021),
        },
        v_pos: Some(Volts(380.5)),
        v_neg: Some(Volts(-0.25)),
        insulation: Insulation::Measured {
            leakage: PoleLeakage {
                g_pos: Siemens(-1e-9),
                g_neg: Siemens(1.25e-6),
                g_sigma: Siemens(2e-9),
                c: Farads(1e-7),
                c_sigma: Farads(1e-9),
            },
            at: SampleIndex(123_000_000),
        },
        state: TripState::Closed,
        bond_open: false,
    };
    let mut rows = Vec::new();
    for state in [
        TripState::Resting,
        TripState::Closing,
        TripState::Closed,
        TripState::Opening,
        TripState::Latched,
        TripState::FailedToOpen,
        TripState::LockedOut,
    ] {
        let name = format!("reading.{}", name_of(&state));
        rows.push((name, Message::Reading(Reading { state, ..reading })));
    }
    for why in NOT_MEASURED {
        rows.push((
            format!("reading.not-measured.{}", name_of(&why)),
            Message::Reading(Reading {
                i_bond: BondCurrent::NotMeasured(why),
                insulation: Insulation::NotMeasured {
                    why,
                    since: SampleIndex(0),
                },
                v_pos: None,
                v_neg: None,
                bond_open: true,
                ..reading
            }),
        ));
    }
    rows
}

fn event(kind: EventKind) -> Event {
    Event {
        id: EventId { boot: 7, seq: 129 },
        at: SampleIndex(20_000),
        kind,
    }
}

/// Values of its own, so that a change of the defaults in the source does not look like a change of format.
fn settings() -> Settings {
    Settings {
        earthing: Earthing::NegativeBonded,
        mains: Mains::Hz60,
        reading_every_ms: 1000,
        current: CurrentLimits {
            continuous: DefiniteTime {
                above: Amps(0.25),
                hold_ms: 100,
            },
            ground_fault: DefiniteTime {
                above: Amps(1.5),
                hold_ms: 40,
            },
            sudden: SuddenLimits {
                enabled: true,
                low: DefiniteTime {
                    above: Amps(0.03),
                    hold_ms: 60,
                },
                middle: DefiniteTime {
                    above: Amps(0.0625),
                    hold_ms: 35,
                },
                high: DefiniteTime {
                    above: Amps(0.125),
                    hold_ms: 0,
                },
            },
            surge_above: Amps(2.5),
        },
        insulation: InsulationLimits {
            trip_below: Ohms(30_000.0),
            warn_below: Ohms(100_000.0),
            reset_above: Ohms(45_000.0),
            confirm: 2,
        },
        check: InsulationCheck {
            before_connect: true,
            every_s: 1800,
            v_min: Volts(30.0),
            state_ms_max: 5000,
        },
        contactor: ContactorTimes {
            open_ms_max: 100,
            close_ms_max: 200,
        },
        trip_opens_bond: false,
    }
}

fn calibration() -> Calibration {
    let scale = |zero: f32, per_count: f32| Scale { zero, per_count };
    Calibration {
        id: 12,
        i_fine: scale(1.5, 0.5),
        i_wide: scale(-1.5, 0.25),
        v_pos: scale(0.0, 0.125),
        v_neg: scale(0.0, 0.0625),
        rail_low: -32_000,
        rail_high: 32_001,
        bridge: Bridge {
            g_permanent: Siemens(1e-6),
            g_switched_pos: Siemens(2e-6),
            g_switched_neg: Siemens(3e-6),
        },
    }
}

fn codes(i_fine: i16, i_wide: i16, v_pos: i16, v_neg: i16) -> Codes {
    Codes {
        i_fine,
        i_wide,
        v_pos,
        v_neg,
    }
}

/// `InsulationLow { r: …, pole: Positive }` → `InsulationLow.Positive`: the variants, without the numbers.
fn name_of(value: &impl core::fmt::Debug) -> String {
    let text = format!("{value:?}");
    let words: Vec<&str> = text
        .split(|c: char| !c.is_ascii_alphabetic())
        .filter(|word| word.starts_with(|c: char| c.is_ascii_uppercase()))
        .filter(|word| !["Ohms", "Amps", "SampleIndex"].contains(word))
        .collect();
    words.join(".")
}

const CHANNELS: [Channel; 4] = [Channel::IFine, Channel::IWide, Channel::VPos, Channel::VNeg];

const REFUSALS: [ResetRefusal; 6] = [
    ResetRefusal::NotLatched,
    ResetRefusal::ContactorNotOpen,
    ResetRefusal::FaultStillThere,
    ResetRefusal::InsulationLow,
    ResetRefusal::InsulationNotMeasured,
    ResetRefusal::LockedOut,
];

const NOT_MEASURED: [NotMeasured; 11] = [
    NotMeasured::NeverYet,
    NotMeasured::ArrayDark,
    NotMeasured::ArrayMoved,
    NotMeasured::NotSettled,
    NotMeasured::SensorLost(Channel::IWide),
    NotMeasured::BridgeUnmoved,
    NotMeasured::FaultMoved,
    NotMeasured::Interrupted,
    NotMeasured::WindowFilling,
    NotMeasured::BondOpen,
    NotMeasured::BridgeWrong,
];

const CALIBRATION_FAULTS: [CalibrationFault; 6] = [
    CalibrationFault::Unsound,
    CalibrationFault::WrongNumber,
    CalibrationFault::NotArmed,
    CalibrationFault::ContactorNotOpen,
    CalibrationFault::NoRoomYet,
    CalibrationFault::NotStored,
];

const SETTINGS_FAULTS: [SettingsFault; 23] = [
    SettingsFault::ContinuousAbove,
    SettingsFault::ContinuousHold,
    SettingsFault::GroundFaultAbove,
    SettingsFault::GroundFaultHold,
    SettingsFault::SurgeAbove,
    SettingsFault::InsulationTrip,
    SettingsFault::InsulationWarn,
    SettingsFault::InsulationReset,
    SettingsFault::InsulationConfirm,
    SettingsFault::CheckVoltage,
    SettingsFault::CheckInterval,
    SettingsFault::CheckState,
    SettingsFault::ReadingInterval,
    SettingsFault::ContactorOpen,
    SettingsFault::ContactorClose,
    SettingsFault::NoWholeCycles,
    SettingsFault::NotStored,
    SettingsFault::NotNow,
    SettingsFault::LooserNeedsArm,
    SettingsFault::SuddenAbove,
    SettingsFault::SuddenHold,
    SettingsFault::Calibration,
    SettingsFault::NoRoomYet,
];

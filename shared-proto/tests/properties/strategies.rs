//! Any message at all. Floats are any bit pattern: a damaged board may send a NaN, and it must arrive as it left.

use ohmward_proto::event::{
    FaultSide, MemoryFault, ResetRefusal, SelfTestFault, StartReason, TripCause,
};
use ohmward_proto::measure::{
    Channel, ChannelSums, CodeSums, Dwell, FaultPlace, Pole, TripState, WhyNoPlace,
};
use ohmward_proto::message::{
    Ack, Acks, BoardId, CaptureHave, CaptureHead, CapturePart, Command, CommandOutcome, Hello,
    LinkStats, Message, PART_SAMPLES,
};
use ohmward_proto::settings::{
    Bridge, CalibrationFault, CalibrationState, ContactorTimes, CurrentLimits, DefiniteTime,
    Earthing, InsulationCheck, InsulationLimits, Mains, Scale, SettingsFault, SuddenLimits,
};
use ohmward_proto::{
    Amps, BondCurrent, BondSpectrum, Calibration, Codes, Event, EventId, EventKind, Farads,
    Insulation, NotMeasured, Ohms, PoleLeakage, Reading, SampleIndex, Settings, Siemens, Volts,
};
use proptest::prelude::*;
use proptest::sample::select;

pub fn message() -> impl Strategy<Value = Message> {
    prop_oneof![
        hello().prop_map(Message::Hello),
        any::<u16>().prop_map(|protocol| Message::HelloAsk { protocol }),
        reading().prop_map(Message::Reading),
        event().prop_map(Message::Event),
        capture_head().prop_map(Message::CaptureHead),
        capture_part().prop_map(Message::CapturePart),
        prop_oneof![id().prop_map(Ack::Event), id().prop_map(Ack::Capture)].prop_map(Message::Ack),
        any::<u32>().prop_map(|token| Message::TimeAsk { token }),
        (any::<u32>(), at()).prop_map(|(token, at)| Message::TimeIs { token, at }),
        Just(Message::SettingsGet),
        settings().prop_map(Message::SettingsAre),
        settings().prop_map(Message::SettingsPut),
        prop_oneof![any::<u32>().prop_map(Ok), settings_fault().prop_map(Err)]
            .prop_map(Message::SettingsResult),
        command().prop_map(Message::Command),
        (command(), outcome())
            .prop_map(|(command, outcome)| Message::CommandResult { command, outcome }),
        Just(Message::LinkStatsAsk),
        any::<[u32; 6]>().prop_map(|n| {
            Message::LinkStatsAre(LinkStats {
                frames_in: n[0],
                frames_out: n[1],
                bad_crc: n[2],
                bad_form: n[3],
                readings_skipped: n[4],
                events_resent: n[5],
            })
        }),
        spectrum().prop_map(Message::Spectrum),
        any::<u16>().prop_map(|protocol| Message::PeerIs { protocol }),
        (any::<[u32; 2]>(), at()).prop_map(|([token, boot], at)| Message::CounterIs {
            token,
            boot,
            at
        }),
        (any::<u32>(), reading()).prop_map(|(boot, reading)| Message::RunReading { boot, reading }),
        (any::<u32>(), spectrum())
            .prop_map(|(boot, spectrum)| Message::RunSpectrum { boot, spectrum }),
        (any::<[u32; 3]>(), at(), any::<bool>()).prop_map(|([boot, a, b], at, extrapolated)| {
            Message::RunDwell {
                boot,
                dwell: Dwell {
                    at,
                    a_samples: a,
                    b_samples: b,
                    extrapolated,
                },
            }
        }),
        calibrating(),
        (any::<u64>(), id(), any::<u64>()).prop_map(|(board, first, more)| Message::Acks(Acks {
            board: BoardId(board),
            first,
            more
        })),
        (any::<u64>(), id(), any::<u64>()).prop_map(|(board, event, parts)| {
            Message::CaptureHave(CaptureHave {
                board: BoardId(board),
                event,
                parts,
            })
        }),
    ]
}

fn calibrating() -> impl Strategy<Value = Message> {
    let sums = || {
        any::<(i64, u64, i16, i16, u16)>().prop_map(|(sum, squares, low, high, bits)| ChannelSums {
            sum,
            squares,
            low,
            high,
            bits,
        })
    };
    let fault = select(vec![
        CalibrationFault::Unsound,
        CalibrationFault::WrongNumber,
        CalibrationFault::NotArmed,
        CalibrationFault::ContactorNotOpen,
        CalibrationFault::NoRoomYet,
        CalibrationFault::NotStored,
    ]);
    prop_oneof![
        Just(Message::CalibrationGet),
        (
            [calibration(), calibration()],
            any::<Option<i64>>(),
            any::<Option<u32>>()
        )
            .prop_map(
                |([in_force, design], made_unix_s, next_id)| Message::CalibrationIs(
                    CalibrationState {
                        in_force,
                        made_unix_s,
                        design,
                        next_id,
                    }
                )
            ),
        (calibration(), any::<i64>()).prop_map(|(calibration, made_unix_s)| {
            Message::CalibrationPut {
                calibration,
                made_unix_s,
            }
        }),
        prop_oneof![any::<u32>().prop_map(Ok), fault.prop_map(Err)]
            .prop_map(Message::CalibrationResult),
        any::<[u32; 2]>().prop_map(|[token, samples]| Message::CodesAsk { token, samples }),
        (any::<[u32; 2]>(), at(), [sums(), sums(), sums(), sums()]).prop_map(
            |([token, samples], at, [i_fine, i_wide, v_pos, v_neg])| {
                Message::CodesAre {
                    token,
                    sums: CodeSums {
                        at,
                        samples,
                        i_fine,
                        i_wide,
                        v_pos,
                        v_neg,
                    },
                }
            }
        ),
    ]
}

fn spectrum() -> impl Strategy<Value = BondSpectrum> {
    (
        at(),
        any::<(u16, bool)>(),
        float(),
        [amps(), amps()],
        float(),
        [amps(), amps(), amps(), amps()],
        amps(),
    )
        .prop_map(
            |(at, (samples, mains_found), hz, first, rad, harmonics, remainder)| BondSpectrum {
                at,
                samples,
                mains_hz: hz,
                mains_found,
                dc: first[0],
                fundamental: first[1],
                fundamental_rad: rad,
                harmonics,
                remainder,
            },
        )
}

fn float() -> impl Strategy<Value = f32> {
    prop_oneof![any::<u32>().prop_map(f32::from_bits), any::<f32>()]
}

fn amps() -> impl Strategy<Value = Amps> {
    float().prop_map(Amps)
}

fn ohms() -> impl Strategy<Value = Ohms> {
    float().prop_map(Ohms)
}

fn siemens() -> impl Strategy<Value = Siemens> {
    float().prop_map(Siemens)
}

fn at() -> impl Strategy<Value = SampleIndex> {
    prop_oneof![any::<u64>(), 0..100_000_u64].prop_map(SampleIndex)
}

fn id() -> impl Strategy<Value = EventId> {
    any::<(u32, u32)>().prop_map(|(boot, seq)| EventId { boot, seq })
}

fn channel() -> impl Strategy<Value = Channel> {
    select(vec![
        Channel::IFine,
        Channel::IWide,
        Channel::VPos,
        Channel::VNeg,
    ])
}

fn pole() -> impl Strategy<Value = Pole> {
    select(vec![Pole::Positive, Pole::Negative, Pole::Undecided])
}

fn not_measured() -> impl Strategy<Value = NotMeasured> {
    prop_oneof![
        select(vec![
            NotMeasured::NeverYet,
            NotMeasured::ArrayDark,
            NotMeasured::ArrayMoved,
            NotMeasured::NotSettled,
            NotMeasured::BridgeUnmoved,
            NotMeasured::FaultMoved,
            NotMeasured::Interrupted,
            NotMeasured::WindowFilling,
            NotMeasured::BondOpen,
            NotMeasured::BridgeWrong,
        ]),
        channel().prop_map(NotMeasured::SensorLost),
    ]
}

fn place() -> impl Strategy<Value = FaultPlace> {
    prop_oneof![
        (float(), float()).prop_map(|(fraction, sigma)| FaultPlace::At { fraction, sigma }),
        select(vec![
            WhyNoPlace::NoBackground,
            WhyNoPlace::Faint,
            WhyNoPlace::NotOnePlace,
            WhyNoPlace::UnderLoad,
        ])
        .prop_map(FaultPlace::CannotTell),
    ]
}

fn refusal() -> impl Strategy<Value = ResetRefusal> {
    select(vec![
        ResetRefusal::NotLatched,
        ResetRefusal::ContactorNotOpen,
        ResetRefusal::FaultStillThere,
        ResetRefusal::InsulationLow,
        ResetRefusal::InsulationNotMeasured,
        ResetRefusal::LockedOut,
    ])
}

fn command() -> impl Strategy<Value = Command> {
    select(vec![
        Command::Reset,
        Command::Trip,
        Command::MeasureInsulation,
        Command::SelfTest,
    ])
}

fn outcome() -> impl Strategy<Value = CommandOutcome> {
    prop_oneof![
        Just(CommandOutcome::Done),
        Just(CommandOutcome::NotNow),
        refusal().prop_map(CommandOutcome::ResetRefused),
    ]
}

fn hello() -> impl Strategy<Value = Hello> {
    (
        any::<(u16, (u8, u8, u8), u64, u32)>(),
        at(),
        any::<(u32, u32, u32, Option<i64>)>(),
    )
        .prop_map(|((protocol, firmware, board, boot), at, rest)| Hello {
            protocol,
            firmware,
            board: BoardId(board),
            boot,
            at,
            sample_rate_hz: rest.0,
            settings_hash: rest.1,
            calibration_id: rest.2,
            epoch_unix_ms: rest.3,
        })
}

fn reading() -> impl Strategy<Value = Reading> {
    let i_bond = prop_oneof![
        (amps(), amps()).prop_map(|(dc, rms)| BondCurrent::Measured { dc, rms }),
        not_measured().prop_map(BondCurrent::NotMeasured),
    ];
    let volts = || proptest::option::of(float().prop_map(Volts));
    let leakage = (siemens(), siemens(), siemens(), float(), float()).prop_map(
        |(g_pos, g_neg, g_sigma, c, c_sigma)| PoleLeakage {
            g_pos,
            g_neg,
            g_sigma,
            c: Farads(c),
            c_sigma: Farads(c_sigma),
        },
    );
    let insulation = prop_oneof![
        (leakage, at()).prop_map(|(leakage, at)| Insulation::Measured { leakage, at }),
        (not_measured(), at()).prop_map(|(why, since)| Insulation::NotMeasured { why, since }),
    ];
    let state = select(vec![
        TripState::Resting,
        TripState::Closing,
        TripState::Closed,
        TripState::Opening,
        TripState::Latched,
        TripState::FailedToOpen,
        TripState::LockedOut,
    ]);
    (
        at(),
        i_bond,
        volts(),
        volts(),
        insulation,
        state,
        any::<bool>(),
    )
        .prop_map(
            |(at, i_bond, v_pos, v_neg, insulation, state, bond_open)| Reading {
                at,
                i_bond,
                v_pos,
                v_neg,
                insulation,
                state,
                bond_open,
            },
        )
}

fn event() -> impl Strategy<Value = Event> {
    (id(), at(), event_kind()).prop_map(|(id, at, kind)| Event { id, at, kind })
}

fn self_test_fault() -> impl Strategy<Value = SelfTestFault> {
    prop_oneof![
        amps().prop_map(|seen| SelfTestFault::FineRange { seen }),
        amps().prop_map(|seen| SelfTestFault::WideRange { seen }),
        amps().prop_map(|seen| SelfTestFault::Zero { seen }),
        (amps(), amps()).prop_map(|(seen, expected)| SelfTestFault::Bridge { seen, expected }),
        amps().prop_map(|seen| SelfTestFault::BondStuck { seen }),
    ]
}

fn event_kind() -> impl Strategy<Value = EventKind> {
    let reason = select(vec![
        StartReason::PowerOn,
        StartReason::Watchdog,
        StartReason::BrownOut,
        StartReason::Panic,
        StartReason::Requested,
        StartReason::HardFault,
        StartReason::StackOverflow,
    ]);
    let cause = prop_oneof![
        (amps(), amps()).prop_map(|(rms, limit)| TripCause::ContinuousCurrent { rms, limit }),
        (amps(), amps()).prop_map(|(dc, limit)| TripCause::GroundFaultCurrent { dc, limit }),
        (ohms(), ohms(), pole()).prop_map(|(r, limit, pole)| TripCause::InsulationLow {
            r,
            limit,
            pole
        }),
        channel().prop_map(TripCause::SensorLost),
        Just(TripCause::ContactorFault),
        Just(TripCause::Commanded),
        Just(TripCause::SettingsLost),
        Just(TripCause::SamplesLost),
        float().prop_map(|v| TripCause::BondInterrupted { v: Volts(v) }),
        (amps(), amps()).prop_map(|(peak, limit)| TripCause::SuddenChange { peak, limit }),
        not_measured().prop_map(|why| TripCause::InsulationUnreadable { why }),
        self_test_fault().prop_map(TripCause::SelfTestFailed),
        Just(TripCause::SecondBond),
        (ohms(), ohms()).prop_map(|(r, limit)| TripCause::GroundedConductorFault { r, limit }),
        (amps(), amps()).prop_map(|(rms, rating)| TripCause::FuseHeated { rms, rating }),
    ];
    prop_oneof![
        (reason, any::<u32>()).prop_map(|(reason, settings_hash)| EventKind::Started {
            reason,
            settings_hash
        }),
        select(vec![
            EventKind::Connected,
            EventKind::Rested,
            EventKind::FailedToOpen,
            EventKind::FailedToClose,
            EventKind::Reset,
            EventKind::MemoryWorks,
        ]),
        (cause, at()).prop_map(|(cause, picked_up)| EventKind::Tripped { cause, picked_up }),
        any::<u32>().prop_map(|after| EventKind::Opened { after }),
        any::<u32>().prop_map(|after| EventKind::OpenedLate { after }),
        refusal().prop_map(EventKind::ResetRefused),
        (ohms(), pole()).prop_map(|(r, pole)| EventKind::InsulationWarning { r, pole }),
        ohms().prop_map(|r| EventKind::InsulationRecovered { r }),
        not_measured().prop_map(EventKind::InsulationNotMeasured),
        (amps(), any::<u16>()).prop_map(|(peak, samples)| EventKind::Surge { peak, samples }),
        channel().prop_map(EventKind::SensorLost),
        channel().prop_map(EventKind::SensorBack),
        any::<u32>().prop_map(|hash| EventKind::SettingsApplied { hash }),
        any::<u32>().prop_map(|count| EventKind::EventsLost { count }),
        (amps(), amps()).prop_map(|(injected, zero)| EventKind::SelfTestPassed { injected, zero }),
        amps().prop_map(|zero| EventKind::ZeroDrifted { zero }),
        any::<u8>().prop_map(|trips| EventKind::LockedOut { trips }),
        (select(vec![FaultSide::Bonded, FaultSide::Other]), amps())
            .prop_map(|(side, dc)| EventKind::FaultSide { side, dc }),
        float().prop_map(|i2t_a2s| EventKind::FuseStrained { i2t_a2s }),
        (place(), ohms()).prop_map(|(place, r)| EventKind::FaultPlaced { place, r }),
        self_test_fault().prop_map(EventKind::SelfTestFailed),
        select(vec![
            MemoryFault::Write,
            MemoryFault::Erase,
            MemoryFault::Read,
            MemoryFault::Full,
        ])
        .prop_map(EventKind::MemoryFailed),
    ]
}

fn calibration() -> impl Strategy<Value = Calibration> {
    let scale = || (float(), float()).prop_map(|(zero, per_count)| Scale { zero, per_count });
    let bridge = (siemens(), siemens(), siemens()).prop_map(|(permanent, pos, neg)| Bridge {
        g_permanent: permanent,
        g_switched_pos: pos,
        g_switched_neg: neg,
    });
    (
        any::<(u32, i16, i16)>(),
        [scale(), scale(), scale(), scale()],
        bridge,
    )
        .prop_map(|((id, rail_low, rail_high), scales, bridge)| Calibration {
            id,
            i_fine: scales[0],
            i_wide: scales[1],
            v_pos: scales[2],
            v_neg: scales[3],
            rail_low,
            rail_high,
            bridge,
        })
}

fn capture_head() -> impl Strategy<Value = CaptureHead> {
    (id(), at(), at(), any::<u16>(), calibration()).prop_map(
        |(event, first, trigger, samples, calibration)| CaptureHead {
            event,
            first,
            trigger,
            samples,
            calibration,
        },
    )
}

fn capture_part() -> impl Strategy<Value = CapturePart> {
    let codes = any::<[i16; 4]>().prop_map(|c| Codes {
        i_fine: c[0],
        i_wide: c[1],
        v_pos: c[2],
        v_neg: c[3],
    });
    let codes = proptest::collection::vec(codes, 0..=PART_SAMPLES);
    (id(), any::<u16>(), codes).prop_map(|(event, offset, codes)| CapturePart {
        event,
        offset,
        codes: codes.into_iter().collect(),
    })
}

fn settings() -> impl Strategy<Value = Settings> {
    let earthing = select(vec![
        Earthing::NegativeBonded,
        Earthing::PositiveBonded,
        Earthing::HighResistance,
        Earthing::NotEarthed,
    ]);
    let mains = select(vec![Mains::Hz50, Mains::Hz60]);
    let definite =
        || (amps(), any::<u16>()).prop_map(|(above, hold_ms)| DefiniteTime { above, hold_ms });
    let sudden = (any::<bool>(), definite(), definite(), definite()).prop_map(
        |(enabled, low, middle, high)| SuddenLimits {
            enabled,
            low,
            middle,
            high,
        },
    );
    let current = (definite(), definite(), sudden, amps()).prop_map(
        |(continuous, ground_fault, sudden, surge_above)| CurrentLimits {
            continuous,
            ground_fault,
            sudden,
            surge_above,
        },
    );
    let insulation = (ohms(), ohms(), ohms(), any::<u8>()).prop_map(
        |(trip_below, warn_below, reset_above, confirm)| InsulationLimits {
            trip_below,
            warn_below,
            reset_above,
            confirm,
        },
    );
    let check = (any::<bool>(), any::<u32>(), float(), any::<u32>()).prop_map(
        |(before_connect, every_s, v_min, state_ms_max)| InsulationCheck {
            before_connect,
            every_s,
            v_min: Volts(v_min),
            state_ms_max,
        },
    );
    let contactor = any::<(u16, u16)>().prop_map(|(open_ms_max, close_ms_max)| ContactorTimes {
        open_ms_max,
        close_ms_max,
    });
    (
        (earthing, mains, any::<u32>()),
        current,
        insulation,
        check,
        contactor,
        any::<bool>(),
    )
        .prop_map(
            |(
                (earthing, mains, reading_every_ms),
                current,
                insulation,
                check,
                contactor,
                opens,
            )| {
                Settings {
                    earthing,
                    mains,
                    reading_every_ms,
                    current,
                    insulation,
                    check,
                    contactor,
                    trip_opens_bond: opens,
                }
            },
        )
}

fn settings_fault() -> impl Strategy<Value = SettingsFault> {
    select(vec![
        SettingsFault::ContinuousAbove,
        SettingsFault::GroundFaultHold,
        SettingsFault::InsulationWarn,
        SettingsFault::NotNow,
        SettingsFault::NoRoomYet,
    ])
}

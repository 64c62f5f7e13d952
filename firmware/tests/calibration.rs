//! A board is calibrated over its link: who may, what is kept, what a power cut leaves, and the codes it is made from.

#[path = "common/board.rs"]
mod board;

use board::{Bench, Flaky, start};
use ohmward_core::nv::{Found, Kept, KeptCalibration, Nv};
use ohmward_core::ram_flash::{NorFake, Tear};
use ohmward_proto::measure::{CodeSums, TripState};
use ohmward_proto::message::{Command, Message};
use ohmward_proto::settings::{Calibration, CalibrationFault as Fault, CalibrationState, Scale};
use ohmward_proto::{Decoder, PROTOCOL_VERSION, Settings};

const MADE_UNIX_S: i64 = 1_790_000_000;

fn own(per_cent: f32) -> Calibration {
    numbered(Calibration {
        i_fine: Scale {
            zero: 3.0,
            per_count: Calibration::REFERENCE.i_fine.per_count * (1.0 + per_cent / 100.0),
        },
        ..Calibration::REFERENCE
    })
}

fn numbered(values: Calibration) -> Calibration {
    Calibration {
        id: values.number(),
        ..values
    }
}

/// Says it, lets the board turn, and looks for an answer.
fn ask<T>(b: &mut Bench, message: &Message, answer: impl Fn(Message) -> Option<T>) -> Option<T> {
    b.line.out.borrow_mut().clear();
    b.say(message);
    b.run(0.8);
    let said = b.line.out.borrow().clone();
    let mut found = None;
    Decoder::new().feed(&said, |m| {
        found = found.take().or(m.ok().and_then(&answer));
    });
    found
}

fn put(b: &mut Bench, calibration: Calibration) -> Result<u32, Fault> {
    let message = Message::CalibrationPut {
        calibration,
        made_unix_s: MADE_UNIX_S,
    };
    ask(b, &message, |m| match m {
        Message::CalibrationResult(result) => Some(result),
        _ => None,
    })
    .expect("an answer")
}

fn state(b: &mut Bench) -> CalibrationState {
    ask(b, &Message::CalibrationGet, |m| match m {
        Message::CalibrationIs(state) => Some(state),
        _ => None,
    })
    .expect("an answer")
}

fn codes(b: &mut Bench, samples: u32) -> Option<CodeSums> {
    let message = Message::CodesAsk { token: 7, samples };
    ask(b, &message, |m| match m {
        Message::CodesAre { token: 7, sums } => Some(sums),
        _ => None,
    })
}

fn meet(b: &mut Bench) {
    b.say(&Message::HelloAsk {
        protocol: PROTOCOL_VERSION,
    });
}

/// Tripped by command and seen open, as whoever calibrates has it.
fn tripped() -> Bench {
    let mut b = start(Flaky::default());
    meet(&mut b);
    b.run(1.0);
    b.say(&Message::Command(Command::Trip));
    b.run(1.0);
    assert_eq!(b.state(), TripState::Latched);
    b
}

#[test]
fn a_calibration_needs_the_maintenance_switch_and_sound_values_and_its_own_number() {
    let mut b = tripped();
    assert_eq!(put(&mut b, own(1.0)), Err(Fault::NotArmed));
    b.arm.0.set(true);
    let mut wrong = own(1.0);
    wrong.v_neg.per_count = f32::NAN;
    assert_eq!(put(&mut b, numbered(wrong)), Err(Fault::Unsound));
    wrong.v_neg.per_count = 0.0;
    assert_eq!(put(&mut b, numbered(wrong)), Err(Fault::Unsound));
    // One value edited, the number not: the words say so.
    let mut edited = own(1.0);
    edited.i_wide.zero = 1.0;
    assert_eq!(put(&mut b, edited), Err(Fault::WrongNumber));
    assert!(Fault::WrongNumber.to_string().contains("calibrate again"));
    assert_eq!(b.board.kept().calibration, None, "nothing was kept");
    assert_eq!(put(&mut b, own(1.0)), Ok(own(1.0).id));
}

#[test]
fn a_closed_contactor_is_not_calibrated_and_a_latched_trip_may_be() {
    let mut b = start(Flaky::default());
    meet(&mut b);
    b.arm.0.set(true);
    b.run(15.0);
    assert_eq!(b.state(), TripState::Closed);
    assert_eq!(put(&mut b, own(1.0)), Err(Fault::ContactorNotOpen));
    b.trip();
    assert_eq!(b.state(), TripState::Latched);
    assert_eq!(put(&mut b, own(1.0)), Ok(own(1.0).id));
    // The trip is still there, and outlives the start that brings the new values into force.
    let mut b = b.cut();
    b.run(1.0);
    assert_eq!(b.state(), TripState::Latched);
    meet(&mut b);
    assert_eq!(state(&mut b).in_force, own(1.0));
}

/// In force from the next start on, with its date; until then the board says that another one waits.
#[test]
fn what_is_in_force_and_what_waits_is_told_with_its_date() {
    let mut b = tripped();
    let fresh = CalibrationState {
        in_force: Calibration::REFERENCE,
        made_unix_s: None,
        design: Calibration::REFERENCE,
        next_id: None,
    };
    assert_eq!(state(&mut b), fresh);
    b.arm.0.set(true);
    b.run(0.1);
    put(&mut b, own(1.0)).expect("kept");
    let waits = CalibrationState {
        next_id: Some(own(1.0).id),
        ..fresh
    };
    assert_eq!(state(&mut b), waits);
    // A host that did not hear the answer asks again: no second write wears flash.
    let writes = b.board.flash().2.writes.get();
    put(&mut b, own(1.0)).expect("kept");
    assert_eq!(b.board.flash().2.writes.get(), writes);
    let mut b = b.cut();
    meet(&mut b);
    let now = CalibrationState {
        in_force: own(1.0),
        made_unix_s: Some(MADE_UNIX_S),
        ..fresh
    };
    assert_eq!(state(&mut b), now);
    let hello = Message::HelloAsk {
        protocol: PROTOCOL_VERSION,
    };
    let id = ask(&mut b, &hello, |m| match m {
        Message::Hello(hello) => Some(hello.calibration_id),
        _ => None,
    });
    assert_eq!(
        id,
        Some(own(1.0).id),
        "hello names it, and so every reading's run"
    );
}

/// A host of version 4 gets no answer in words that it does not know.
#[test]
fn an_older_host_is_told_nothing_of_this() {
    let mut b = start(Flaky::default());
    b.say(&Message::HelloAsk { protocol: 4 });
    b.run(0.1);
    let answer = ask(&mut b, &Message::CalibrationGet, |m| {
        matches!(m, Message::CalibrationIs(_)).then_some(())
    });
    assert_eq!(answer, None);
}

/// Bond open, equal leakage at both poles of 200 V: −100 V / 600 V · 32768 = −5461 counts (arithmetic).
#[test]
fn codes_are_summed_while_the_board_stands_still() {
    let mut b = tripped();
    b.run(5.0);
    let sums = codes(&mut b, 400).expect("a tenth of a second");
    assert_eq!(sums.samples, 400);
    assert_eq!(sums.v_neg.sum, -5461 * 400);
    assert_eq!(sums.v_neg.squares, 5461 * 5461 * 400);
    assert_eq!((sums.v_neg.low, sums.v_neg.high), (-5461, -5461));
    assert_eq!(sums.i_fine.sum, 0);
    // 700 V are at the rail, and that can be seen.
    b.w.v_pos_at_rail.set(true);
    b.run(0.2);
    let sums = codes(&mut b, 400).expect("a tenth of a second");
    assert_eq!((sums.v_pos.low, sums.v_pos.high), (i16::MAX, i16::MAX));
    // A measurement of the insulation moves the poles: no answer holds any of it.
    b.w.v_pos_at_rail.set(false);
    b.run(35.0);
    b.line.out.borrow_mut().clear();
    let (mut answers, mut moved) = (0, false);
    b.say(&Message::Command(Command::MeasureInsulation));
    for token in 0..40 {
        b.say(&Message::CodesAsk { token, samples: 40 });
        for _ in 0..20 {
            b.run(0.01);
            moved |= b.w.bp.get() || b.w.bn.get();
        }
    }
    let said = b.line.out.borrow().clone();
    Decoder::new().feed(&said, |m| {
        if let Ok(Message::CodesAre { sums, .. }) = m {
            answers += 1;
            assert_eq!((sums.v_neg.low, sums.v_neg.high), (-5461, -5461));
        }
    });
    println!("{answers} answers");
    assert!(moved, "nothing was measured meanwhile");
    assert!((5..40).contains(&answers), "{answers}");
}

// --- power cuts: as in power_cuts.rs, a step is a byte of a write or a quarter of an erase.

fn kept(calibration: Option<KeptCalibration>) -> Kept {
    Kept {
        boot: 3,
        settings: Settings::SMALL_BONDED,
        tripped: None,
        trips: 0,
        calibration,
    }
}

/// The supply goes away at every step of saving: the old calibration or the new one is there, with its own date, never a
/// mixture and never neither.
#[test]
fn a_cut_while_saving_leaves_the_old_or_the_new_one() {
    let with = |values: Calibration, made_unix_s| {
        kept(Some(KeptCalibration {
            values,
            made_unix_s,
        }))
    };
    let old = with(own(1.0), Some(1_700_000_000));
    let new = with(own(-2.0), Some(MADE_UNIX_S));
    let (mut olds, mut news) = (0, 0);
    for tear in [Tear::Sharp, Tear::LooksBlank, Tear::Garbage { seed: 1 }] {
        // Also where the slot is full and has to be changed.
        for before in [1, 3, 15, 16, 17] {
            for cut_after in 0.. {
                let flash = NorFake::<4, 4096, 6, 512>::default();
                let (mut nv, _) = Nv::open(flash).expect("fits");
                for _ in 0..before {
                    nv.save(&old, true).expect("saves");
                }
                nv.flash_mut().cut_after(cut_after, tear);
                let done = nv.save(&new, true).is_ok();
                let cut = nv.flash().is_off();
                let mut flash = nv.into_flash();
                flash.power_up();
                let (_, found) = Nv::open(flash).expect("fits");
                match found {
                    Found::Kept(kept) if kept == old => olds += 1,
                    Found::Kept(kept) if kept == new => news += 1,
                    other => panic!("{tear:?}, step {cut_after}: {other:?}"),
                }
                if done {
                    assert_eq!(found, Found::Kept(new), "confirmed, and not there");
                }
                if !cut {
                    break;
                }
            }
        }
    }
    println!("{olds} times the old one, {news} times the new one");
    assert!(olds > 100 && news > 15);
}

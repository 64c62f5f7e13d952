//! What a power cut, a flash that refuses and damaged flash leave of a trip and of the lock-out.

use embedded_io::{ErrorType, Read, ReadReady, Write, WriteReady};
use embedded_storage::nor_flash::{ErrorType as FE, NorFlash, ReadNorFlash};
use ohmward_core::board::{Board, Parts, Pins, SampleSource};
use ohmward_core::ram_flash::{FlashFault, RamFlash};
use ohmward_core::{Identity, Sample};
use ohmward_proto::Settings;
use ohmward_proto::event::StartReason;
use ohmward_proto::measure::{Codes, TripState};
use ohmward_proto::message::BoardId;
use ohmward_proto::settings::Calibration;
use ohmward_proto::units::SampleIndex;
use std::cell::Cell;
use std::convert::Infallible;
use std::rc::Rc;
const RATE: u32 = 4000;
#[derive(Clone, Default)]
struct World {
    inject: Rc<Cell<bool>>,
    bond: Rc<Cell<bool>>,
    bp: Rc<Cell<bool>>,
    bn: Rc<Cell<bool>>,
    i: Rc<Cell<f64>>,
}
struct Src(World);
impl SampleSource for Src {
    type Error = Infallible;
    fn next(&mut self) -> Result<Sample, Infallible> {
        let w = &self.0;
        let mut i = 0.0;
        let (mut vp, mut vn) = (200.0, 0.0);
        if w.bond.get() {
            let gp = 0.6e-6 + if w.bp.get() { 5e-6 } else { 0.0 };
            let gn = 0.6e-6 + if w.bn.get() { 5e-6 } else { 0.0 };
            vn = -200.0 * gp / (gp + gn);
            vp = vn + 200.0;
        } else {
            i += w.i.get();
            if w.bp.get() {
                i -= 1e-3;
            }
        }
        if w.inject.get() {
            i += 0.1;
        }
        let code = |x: f64, full: f64| (x / full * 32768.0).round().clamp(-32768.0, 32767.0) as i16;
        Ok(Sample {
            codes: Codes {
                i_fine: code(i, 1.25),
                i_wide: code(i, 25.0),
                v_pos: code(vp, 600.0),
                v_neg: code(vn, 600.0),
            },
            lost_before: 0,
        })
    }
}
#[derive(Clone, Default)]
struct Pin(Rc<Cell<bool>>);
impl embedded_hal::digital::ErrorType for Pin {
    type Error = Infallible;
}
impl embedded_hal::digital::OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.0.set(false);
        Ok(())
    }
    fn set_high(&mut self) -> Result<(), Infallible> {
        self.0.set(true);
        Ok(())
    }
}
impl embedded_hal::digital::InputPin for Pin {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(self.0.get())
    }
    fn is_low(&mut self) -> Result<bool, Infallible> {
        Ok(!self.0.get())
    }
}
struct NoLink;
impl ErrorType for NoLink {
    type Error = Infallible;
}
impl Read for NoLink {
    fn read(&mut self, _: &mut [u8]) -> Result<usize, Infallible> {
        Ok(0)
    }
}
impl ReadReady for NoLink {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        Ok(false)
    }
}
impl Write for NoLink {
    fn write(&mut self, b: &[u8]) -> Result<usize, Infallible> {
        Ok(b.len())
    }
    fn flush(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}
impl WriteReady for NoLink {
    fn write_ready(&mut self) -> Result<bool, Infallible> {
        Ok(true)
    }
}
/// A flash that refuses a number of erases.
#[derive(Clone, Default)]
struct Flaky(RamFlash, Rc<Cell<u32>>);
impl FE for Flaky {
    type Error = FlashFault;
}
impl ReadNorFlash for Flaky {
    const READ_SIZE: usize = 1;
    fn read(&mut self, o: u32, b: &mut [u8]) -> Result<(), FlashFault> {
        self.0.read(o, b)
    }
    fn capacity(&self) -> usize {
        self.0.capacity()
    }
}
impl NorFlash for Flaky {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = 4096;
    fn erase(&mut self, a: u32, b: u32) -> Result<(), FlashFault> {
        if self.1.get() > 0 {
            self.1.set(self.1.get() - 1);
            return Err(FlashFault::PowerLost);
        }
        self.0.erase(a, b)
    }
    fn write(&mut self, o: u32, b: &[u8]) -> Result<(), FlashFault> {
        self.0.write(o, b)
    }
}
type B = Board<Src, Pin, Pin, Flaky, NoLink>;
struct Bench {
    board: B,
    w: World,
    reset: Pin,
    arm: Pin,
}
fn start(flash: Flaky) -> Bench {
    let w = World::default();
    let p = |r: &Rc<Cell<bool>>| Pin(r.clone());
    let contactor = Pin::default();
    let (reset, arm) = (Pin::default(), Pin::default());
    let pins = Pins {
        contactor_feedback: contactor.clone(),
        contactor,
        bond_switch: p(&w.bond),
        bridge_pos: p(&w.bp),
        bridge_neg: p(&w.bn),
        inject: p(&w.inject),
        lamp: Pin::default(),
        buzzer: Pin::default(),
        reset: reset.clone(),
        arm: arm.clone(),
    };
    let identity = Identity {
        board: BoardId(1),
        boot: 1,
        reason: StartReason::PowerOn,
        sample_rate_hz: RATE,
        epoch_unix_ms: None,
    };
    let board = Board::start(
        Parts {
            source: Src(w.clone()),
            pins,
            flash,
            link: NoLink,
        },
        identity,
        Settings::SMALL_BONDED,
        Calibration::REFERENCE,
    )
    .unwrap_or_else(|_| panic!("starts"));
    Bench {
        board,
        w,
        reset,
        arm,
    }
}
impl Bench {
    fn run(&mut self, s: f64) {
        for _ in 0..(s * 4000.0) as u32 {
            self.board.turn().unwrap_or_else(|_| panic!("turns"));
        }
    }
    fn trip(&mut self) {
        self.w.i.set(2.0);
        self.run(1.0);
        self.w.i.set(0.0);
    }
    fn reset(&mut self) {
        self.run(40.0);
        self.reset.0.set(true);
        self.run(0.1);
        self.reset.0.set(false);
        self.run(10.0);
    }
    fn state(&self) -> TripState {
        self.board.monitor().state()
    }
    fn cut(self) -> Bench {
        start(self.board.into_flash())
    }
}
#[test]
fn a_latched_trip_outlives_a_power_cut() {
    let mut b = start(Flaky::default());
    b.run(10.0);
    assert_eq!(b.state(), TripState::Closed);
    b.trip();
    assert_eq!(b.state(), TripState::Latched);
    let mut b = b.cut();
    b.run(10.0);
    assert_eq!(b.state(), TripState::Latched);
    assert_eq!(b.board.monitor().recent_trips(), 1);
}
#[test]
fn a_save_that_flash_refuses_is_tried_again() {
    let mut b = start(Flaky::default());
    b.run(10.0);
    let f = b.board.into_flash();
    let knob = f.1.clone();
    let mut b = start(f);
    b.run(10.0);
    knob.set(1);
    b.trip();
    assert_eq!(b.state(), TripState::Latched);
    b.run(60.0);
    let mut b = b.cut();
    b.run(10.0);
    assert_eq!(
        b.state(),
        TripState::Latched,
        "a trip that nobody has reset is forgotten"
    );
}
#[test]
fn trips_that_are_over_do_not_count_after_a_power_cut() {
    let mut b = start(Flaky::default());
    for _ in 0..2 {
        b.run(10.0);
        assert_eq!(b.state(), TripState::Closed);
        b.trip();
        b.reset();
        assert_eq!(b.state(), TripState::Closed);
        // two days later the supply goes away for a second
        let at = b.board.monitor().now().0 + 48 * 3600 * 4000;
        b.board.skip_to(SampleIndex(at));
        b.run(10.0);
        assert_eq!(b.board.monitor().recent_trips(), 0);
        b = b.cut();
        println!("after the cut: {}", b.board.monitor().recent_trips());
    }
    b.run(10.0);
    b.trip();
    assert_eq!(
        b.state(),
        TripState::Latched,
        "three trips in five days are not three in a day"
    );
}
#[test]
fn damaged_flash_frees_no_lock_out() {
    let mut b = start(Flaky::default());
    b.run(10.0);
    for n in 0..3 {
        b.trip();
        if n < 2 {
            b.reset();
        }
    }
    assert_eq!(b.state(), TripState::LockedOut);
    let mut f = b.board.into_flash();
    // Every record of both slots.
    for at in (20..2 * 4096).step_by(256) {
        f.0.bytes_mut()[at] ^= 1;
    }
    let mut b = start(f);
    b.run(1.0);
    b.reset();
    assert_ne!(
        b.state(),
        TripState::Closed,
        "out of a lock-out without the maintenance switch"
    );
}
#[test]
fn a_lock_out_outlives_a_power_cut() {
    let mut b = start(Flaky::default());
    b.run(10.0);
    for n in 0..3 {
        b.trip();
        if n < 2 {
            b.reset();
        }
    }
    assert_eq!(b.state(), TripState::LockedOut);
    let mut b = b.cut();
    b.run(10.0);
    assert_eq!(b.state(), TripState::LockedOut);
    b.reset();
    assert_eq!(b.state(), TripState::LockedOut);
    b.arm.0.set(true);
    b.reset();
    assert_eq!(b.state(), TripState::Closed);
    let b = b.cut();
    assert_eq!(b.board.monitor().recent_trips(), 0);
}

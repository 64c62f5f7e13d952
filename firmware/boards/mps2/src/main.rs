//! The firmware on an emulated Cortex-M4F: QEMU's `mps2-an386`.
//!
//! Only drivers live here; what decides is `ohmward_core::board`. Start: `safe` (outputs off, why it starts), `plant` (what
//! the board is built with), then one turn of the board for each sample.
#![no_std]
#![no_main]

mod flash;
#[cfg(feature = "fault-inject")]
mod inject;
mod plant;
mod safe;
mod timer;
mod uart;
mod watchdog;

use ohmward_core::{Identity, Memory};
use ohmward_core::board::{Board, Parts};
use ohmward_proto::emulated::{Answer, LINK_SENT_AT, PINS_AT, START_TICKS_AT, STATE_AT, State};
use ohmward_proto::event::StartReason;

/// Samples between two looks at how deep the stack has been.
const LOOK_AT_STACK_EVERY: u32 = 4096;

#[cortex_m_rt::entry]
fn main() -> ! {
    static mut MEMORY: Memory = Memory::new();
    plant::begin();
    if let Some(mut core) = cortex_m::Peripherals::take() {
        safe::guard_stack(&mut core.MPU);
    }
    timer::begin();
    watchdog::begin();
    let reason = safe::take_reason();
    let Some(setup) = plant::setup() else {
        stop(State::NoSetup);
    };
    let identity = Identity {
        board: setup.board,
        boot: setup.boot,
        reason: match reason {
            StartReason::PowerOn => setup.reason,
            known => known,
        },
        sample_rate_hz: setup.sample_rate_hz,
        epoch_unix_ms: setup.epoch_unix_ms,
    };
    let parts = Parts {
        source: plant::Converter::new(),
        pins: plant::pins(),
        flash: flash::Flash,
        link: uart::Uart::new(),
        memory: MEMORY,
    };
    let began = timer::now();
    let Ok(opened) = Board::open(parts, identity, setup.settings, setup.calibration) else {
        stop(State::NotStarted);
    };
    // Made where it stays: to hand it on would take its size on the stack again.
    let mut board = opened.board();
    board.begin();
    plant::write(START_TICKS_AT, timer::now().wrapping_sub(began));
    safe::tell_stack();
    watchdog::watch();
    plant::write(STATE_AT, State::Running.word());
    let mut until_look = LOOK_AT_STACK_EVERY;
    loop {
        // Neither converter nor pins can fail here; if one did, nothing would be watched, while waiting for samples feeds the watchdog.
        if board.decide().is_err() {
            stop(State::NotStarted);
        }
        let since = board.source().since;
        let decided = timer::now();
        board.serve();
        let answer = Answer {
            outputs: plant::read(PINS_AT) as u16,
            state: board.monitor().state() as u16,
            decide_ticks: decided.wrapping_sub(since),
            turn_ticks: timer::now()
                .wrapping_sub(since)
                .wrapping_sub(uart::take_waited()),
            link_sent: plant::read(LINK_SENT_AT),
        };
        until_look -= 1;
        if until_look == 0 {
            until_look = LOOK_AT_STACK_EVERY;
            safe::tell_stack();
        }
        board.source_mut().answer(&answer);
    }
}

/// Says why there is no board, outputs off, until the supply is cycled.
fn stop(why: State) -> ! {
    plant::outputs_off();
    plant::write(STATE_AT, why.word());
    loop {
        watchdog::feed();
        plant::obey();
    }
}

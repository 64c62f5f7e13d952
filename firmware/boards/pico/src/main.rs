//! The firmware on an RP2040.
//!
//! Only drivers live here; what decides is `ohmward_core::board`. Start: `safe` (outputs off, why it starts), `pins`, `converter`
//! (the chip's own converter and DMA), `link` (UART0), `flash`, then one turn of the board for each sample.
//! `hardware-notes/pico.md`: which pin is what, and what this converter costs.
#![no_std]
#![no_main]

mod converter;
mod flash;
mod front_end;
mod link;
mod pins;
mod safe;
mod watchdog;

use ohmward_core::board::{Board, Parts};
use ohmward_core::nv::first_boot;
use ohmward_core::{Identity, Memory};
use ohmward_proto::message::BoardId;
use ohmward_proto::settings::Settings;
use rp2040_hal as hal;
use rp2040_hal::Clock;
use rp2040_hal::pac;

/// Second stage of the boot: how the chip reads its flash. This one reads four bits at a time, as nearly every flash chip on these
/// boards can; the one that suits all reads seven times slower.
#[unsafe(link_section = ".boot2")]
#[used]
static BOOT2: [u8; 256] = rp2040_boot2::BOOT_LOADER_W25Q080;

const CRYSTAL_HZ: u32 = 12_000_000;

#[cortex_m_rt::entry]
fn main() -> ! {
    static mut MEMORY: Memory = Memory::new();
    let Some(mut chip) = pac::Peripherals::take() else {
        safe::stop()
    };
    let reason = safe::take_reason(&chip.WATCHDOG, &chip.VREG_AND_CHIP_RESET);
    let mut ticks = hal::Watchdog::new(chip.WATCHDOG);
    let Ok(clocks) = hal::clocks::init_clocks_and_plls(
        CRYSTAL_HZ,
        chip.XOSC,
        chip.CLOCKS,
        chip.PLL_SYS,
        chip.PLL_USB,
        &mut chip.RESETS,
        &mut ticks,
    ) else {
        safe::stop()
    };
    watchdog::begin();
    let wires = pins::wires(
        chip.IO_BANK0,
        chip.PADS_BANK0,
        hal::Sio::new(chip.SIO).gpio_bank0,
        &mut chip.RESETS,
    );
    let identity = Identity {
        board: BoardId(flash::number()),
        boot: first_boot(drawn(&chip.ROSC)),
        reason,
        sample_rate_hz: converter::RATE_HZ,
        epoch_unix_ms: None,
    };
    // What a debugger left running stops.
    chip.RESETS
        .reset()
        .modify(|_, w| w.dma().set_bit().timer().set_bit());
    chip.RESETS
        .reset()
        .modify(|_, w| w.dma().clear_bit().timer().clear_bit());
    loop {
        let done = chip.RESETS.reset_done().read();
        if done.dma().bit_is_set() && done.timer().bit_is_set() {
            break;
        }
    }
    let parts = Parts {
        source: converter::Converter::new(chip.ADC, &mut chip.RESETS, chip.TIMER),
        pins: wires,
        flash: flash::Flash,
        memory: MEMORY,
        link: link::Link::new(
            chip.UART0,
            &mut chip.RESETS,
            clocks.peripheral_clock.freq().to_Hz(),
        ),
    };
    let opened = Board::open(
        parts,
        identity,
        Settings::SMALL_BONDED,
        front_end::CALIBRATION,
    );
    let Ok(opened) = opened else {
        // Flash that cannot hold the boot count: the next run's events would have this one's numbers.
        safe::stop()
    };
    // Made where it stays: to hand it on would take its size on the stack again.
    let mut board = opened.board();
    board.begin();
    watchdog::watch();
    loop {
        if board.turn().is_err() {
            // Neither converter nor pins can fail on this chip; if one did, nothing would be watched.
            safe::stop();
        }
        safe::check_stack();
    }
}

/// Bits by lot, from the ring oscillator's phase (RP2040 datasheet, ROSC RANDOMBIT).
fn drawn(rosc: &pac::ROSC) -> u32 {
    (0..64).fold(0, |bits: u32, _| {
        // Bits right after one another are alike: some µs between them, and two drawn into each.
        cortex_m::asm::delay(1000);
        bits.rotate_left(1) ^ u32::from(rosc.randombit().read().randombit().bit())
    })
}

//! What happens when the board cannot go on: outputs off, the reason kept, a start from the beginning.
//!
//! The reason lies in two of the watchdog's scratch registers, the second the complement of the first: they last through a
//! reset by the watchdog and no other. A word in RAM that no start clears tells a sag of the supply from its absence. The
//! stack's end is a mark: if it is gone, the stack was here.

use core::arch::{global_asm, naked_asm};
use core::mem::MaybeUninit;
use core::panic::PanicInfo;
use core::ptr::{addr_of, addr_of_mut};
use ohmward_proto::event::StartReason;
use rp2040_hal::pac;

use crate::{pins, watchdog};

const PANIC: u32 = 0x52C0_0003;
const HARD_FAULT: u32 = 0x52C0_0004;
const STACK_OVERFLOW: u32 = 0x52C0_0005;
const RUNNING: u32 = 0x52C0_0000;
/// What stands in every word of the mark.
const MARK: u32 = 0x4D41_524B;
const MARK_WORDS: usize = 8;

/// A word and its complement.
#[unsafe(link_section = ".uninit.kept")]
static mut KEPT: MaybeUninit<[u32; 2]> = MaybeUninit::uninit();

unsafe extern "C" {
    static mut _stack_mark: [u32; MARK_WORDS];
    static _stack_end: u32;
}

// Before variables have their values: whatever made the chip start, nothing is driven. Then the code that lies in RAM goes there.
global_asm!(
    ".global __pre_init",
    ".type __pre_init,%function",
    ".thumb_func",
    "__pre_init:",
    "ldr r0, ={clear}",
    "ldr r1, ={outputs}",
    "str r1, [r0]",
    "ldr r0, =_code_start",
    "ldr r1, =_code_end",
    "ldr r2, =_code_image",
    "b 2f",
    "1: ldmia r2!, {{r3}}",
    "stmia r0!, {{r3}}",
    "2: cmp r0, r1",
    "blo 1b",
    "bx lr",
    ".ltorg",
    clear = const pins::OUT_CLEAR,
    outputs = const pins::OUTPUTS,
);

/// Why the board starts; from here on it is running.
pub fn take_reason(watchdog: &pac::WATCHDOG, chip: &pac::VREG_AND_CHIP_RESET) -> StartReason {
    // SAFETY: any bits are numbers; volatile, so that they are taken as they lie there. One core, nothing else running.
    let ([running, complement], mark) = unsafe {
        (
            addr_of!(KEPT).cast::<[u32; 2]>().read_volatile(),
            addr_of!(_stack_mark).read_volatile(),
        )
    };
    let was_running = running == RUNNING && complement == !RUNNING;
    let overflowed = was_running && mark != [MARK; MARK_WORDS];
    let told = watchdog.scratch0().read().bits();
    let told = (watchdog.scratch1().read().bits() == !told).then_some(told);
    // SAFETY: scratch registers and words of this module.
    unsafe {
        watchdog.scratch0().write(|w| w.bits(0));
        watchdog.scratch1().write(|w| w.bits(0));
        addr_of_mut!(KEPT)
            .cast::<[u32; 2]>()
            .write_volatile([RUNNING, !RUNNING]);
        addr_of_mut!(_stack_mark).write_volatile([MARK; MARK_WORDS]);
    }
    let by = watchdog.reason().read();
    if by.timer().bit_is_set() {
        return if overflowed {
            StartReason::StackOverflow
        } else {
            StartReason::Watchdog
        };
    }
    if by.force().bit_is_set() {
        return match told {
            Some(PANIC) => StartReason::Panic,
            Some(STACK_OVERFLOW) => StartReason::StackOverflow,
            Some(HARD_FAULT) if overflowed => StartReason::StackOverflow,
            Some(HARD_FAULT) => StartReason::HardFault,
            // A tool that has written the flash, say.
            _ => StartReason::Requested,
        };
    }
    // CHIP_RESET: "Last reset was from the power-on reset or brown-out detection blocks". Which of the two, RAM tells.
    match chip.chip_reset().read().had_por().bit_is_set() {
        true if was_running => StartReason::BrownOut,
        true => StartReason::PowerOn,
        // The RUN pin, or a debugger.
        false => StartReason::Requested,
    }
}

fn restart(why: u32) -> ! {
    pins::outputs_off();
    // SAFETY: scratch registers of this module; nothing else runs any more.
    unsafe {
        let watchdog = &*pac::WATCHDOG::ptr();
        watchdog.scratch0().write(|w| w.bits(why));
        watchdog.scratch1().write(|w| w.bits(!why));
    }
    watchdog::reset()
}

/// No board: outputs off, until the supply is cycled or somebody presses reset.
pub fn stop() -> ! {
    loop {
        pins::outputs_off();
        watchdog::feed();
    }
}

#[panic_handler]
fn panic(_: &PanicInfo) -> ! {
    restart(PANIC)
}

#[cortex_m_rt::exception]
unsafe fn DefaultHandler(_: i16) -> ! {
    restart(HARD_FAULT)
}

/// Every fault comes here. The stack may be at its end: outputs off without it, then a fresh one, and where the old one
/// stood tells an overflow. A stack so far out that the processor cannot even enter here locks it up; the watchdog then
/// resets the chip, and the mark tells why.
#[unsafe(naked)]
#[unsafe(no_mangle)]
unsafe extern "C" fn HardFault() -> ! {
    naked_asm!(
        "ldr r1, ={clear}",
        "ldr r2, ={outputs}",
        "str r2, [r1]",
        "mov r0, sp",
        "ldr r1, =_stack_start",
        "mov sp, r1",
        "ldr r1, ={after}",
        "bx r1",
        ".ltorg",
        clear = const pins::OUT_CLEAR,
        outputs = const pins::OUTPUTS,
        after = sym after_fault,
    )
}

/// Bytes that an exception pushes.
const FRAME: u32 = 32;

extern "C" fn after_fault(stack: u32) -> ! {
    restart(if stack < addr_of!(_stack_end) as u32 + FRAME {
        STACK_OVERFLOW
    } else {
        HARD_FAULT
    })
}

/// The stack has been beyond its end: what was overwritten there nobody knows.
pub fn check_stack() {
    // SAFETY: as in `take_reason`.
    if unsafe { addr_of!(_stack_mark).read_volatile() } != [MARK; MARK_WORDS] {
        restart(STACK_OVERFLOW);
    }
}

//! What happens when the board cannot go on: outputs off, the reason kept, a start from the beginning.
//!
//! The reason lies in RAM that no start clears, with its complement beside it: what a supply that was away leaves there is
//! no reason. A board that was reset without leaving one was reset by its watchdog.

use core::arch::{global_asm, naked_asm};
use core::mem::MaybeUninit;
use core::panic::PanicInfo;
use core::ptr::{addr_of, addr_of_mut};
use cortex_m::peripheral::SCB;
use ohmward_proto::emulated::{BASE, PANIC_LINE_AT, PINS_AT, STACK_LEN_AT, STACK_USED_AT};
use ohmward_proto::event::StartReason;

use crate::{plant, watchdog};

/// A word and its complement.
#[unsafe(link_section = ".uninit.kept")]
static mut KEPT: MaybeUninit<[u32; 2]> = MaybeUninit::uninit();

const RUNNING: u32 = 0x52C0_0000;
const NOTHING: u32 = 0;

const REASONS: [(u32, StartReason); 6] = [
    (RUNNING, StartReason::Watchdog),
    (RUNNING + 1, StartReason::Watchdog),
    (RUNNING + 2, StartReason::BrownOut),
    (RUNNING + 3, StartReason::Panic),
    (RUNNING + 4, StartReason::HardFault),
    (RUNNING + 5, StartReason::StackOverflow),
];

fn keep(word: u32) {
    let words = if word == NOTHING {
        [0, 0]
    } else {
        [word, !word]
    };
    // SAFETY: one core, and no interrupt that returns touches it.
    unsafe { addr_of_mut!(KEPT).cast::<[u32; 2]>().write_volatile(words) };
}

fn keep_reason(reason: StartReason) {
    let word = REASONS.iter().skip(1).find(|(_, of)| *of == reason);
    keep(word.map_or(RUNNING, |(word, _)| *word));
}

/// Why the board starts; from here on it is running.
pub fn take_reason() -> StartReason {
    // SAFETY: any bits are numbers; volatile, so that they are taken as they lie there.
    let [word, complement] = unsafe { addr_of!(KEPT).cast::<[u32; 2]>().read_volatile() };
    keep(RUNNING);
    REASONS
        .iter()
        .find(|(known, _)| *known == word && complement == !word)
        .map_or(StartReason::PowerOn, |(_, reason)| *reason)
}

fn restart(reason: StartReason) -> ! {
    plant::outputs_off();
    keep_reason(reason);
    SCB::sys_reset()
}

/// The supply sags: what is left of it is for this.
pub fn brown_out() -> ! {
    restart(StartReason::BrownOut)
}

/// The supply is gone and comes back: RAM keeps nothing.
pub fn lose_power() -> ! {
    plant::outputs_off();
    keep(NOTHING);
    SCB::sys_reset()
}

#[panic_handler]
fn panic(info: &PanicInfo) -> ! {
    plant::outputs_off();
    plant::write(
        PANIC_LINE_AT,
        info.location().map_or(0, core::panic::Location::line),
    );
    restart(StartReason::Panic)
}

// Before variables have their values: whatever made the chip start, nothing is driven.
global_asm!(
    ".global __pre_init",
    ".type __pre_init,%function",
    ".thumb_func",
    "__pre_init:",
    "ldr r0, ={pins}",
    "movs r1, #0",
    "str r1, [r0]",
    "bx lr",
    ".ltorg",
    pins = const BASE + PINS_AT,
);

/// The watchdog's first call.
#[cortex_m_rt::exception]
unsafe fn NonMaskableInt() -> ! {
    restart(StartReason::Watchdog)
}

#[cortex_m_rt::exception]
unsafe fn DefaultHandler(_: i16) -> ! {
    restart(StartReason::HardFault)
}

unsafe extern "C" {
    #[link_name = "DefaultHandler"]
    fn default_handler();
}

/// As many interrupts as the chips have that this stands for; none is used.
#[unsafe(link_section = ".vector_table.interrupts")]
#[unsafe(no_mangle)]
static __INTERRUPTS: [unsafe extern "C" fn(); 32] = [default_handler; 32];

/// Every fault comes here. The stack may be at its end: outputs off without it, then a fresh one, and where the old one
/// stood tells an overflow.
#[unsafe(naked)]
#[unsafe(no_mangle)]
unsafe extern "C" fn HardFault() -> ! {
    naked_asm!(
        "ldr r1, ={pins}",
        "movs r2, #0",
        "str r2, [r1]",
        "mov r0, sp",
        "ldr r1, =_stack_start",
        "mov sp, r1",
        "b {after}",
        ".ltorg",
        pins = const BASE + PINS_AT,
        after = sym after_fault,
    )
}

extern "C" fn after_fault(stack: u32) -> ! {
    // The frame of the exception is pushed where the stack ended, or would have been.
    restart(if stack < stack_end() + FRAME {
        StartReason::StackOverflow
    } else {
        StartReason::HardFault
    })
}

/// Bytes that an exception pushes, the float registers included.
const FRAME: u32 = 104;

unsafe extern "C" {
    static _stack_start: u32;
    static _stack_end: u32;
}

fn stack_end() -> u32 {
    addr_of!(_stack_end) as u32
}

/// Locks what lies below the stack: 256 MiB up to 0x2000_0000, further than any frame reaches. Nothing is there, but this
/// emulator takes a write to nothing without a word.
pub fn guard_stack(mpu: &mut cortex_m::peripheral::MPU) {
    const BASE: u32 = 0x1000_0000;
    /// Region number valid, region 0.
    const VALID: u32 = 1 << 4;
    /// No access, no execution, 2^(27 + 1) bytes, enabled (Armv7-M, MPU_RASR).
    const RASR: u32 = 1 << 28 | 27 << 1 | 1;
    /// On, with the default map for all else; off in fault handlers.
    const CTRL: u32 = 1 << 2 | 1;
    // SAFETY: takes away access to where nothing is.
    unsafe {
        mpu.rbar.write(BASE | VALID);
        mpu.rasr.write(RASR);
        mpu.ctrl.write(CTRL);
    }
    cortex_m::asm::dsb();
    cortex_m::asm::isb();
}

/// The stack, painted before the start: tells how far it has been used.
pub fn tell_stack() {
    /// What cortex-m-rt paints it with.
    const PAINT: u32 = 0xCCCC_CCCC;
    let (end, start) = (stack_end(), addr_of!(_stack_start) as u32);
    let mut at = end;
    // SAFETY: words of the stack's region, read only.
    while at < start && unsafe { (at as *const u32).read_volatile() } == PAINT {
        at += 4;
        // The look is for measuring, no part of a board's work.
        watchdog::feed();
    }
    plant::write(STACK_USED_AT, start - at);
    plant::write(STACK_LEN_AT, start - end);
}

//! Failures on purpose, for tests.

use core::hint::black_box;
use ohmward_proto::emulated::input;

/// Fails as the bits say.
pub fn fail(bits: u16) {
    if bits & input::PANIC != 0 {
        panic!("asked to");
    }
    if bits & input::HARD_FAULT != 0 {
        // SAFETY: an instruction that there is none; nothing returns.
        unsafe { core::arch::asm!("udf #1", options(noreturn)) };
    }
    if bits & input::HANG != 0 {
        hang();
    }
    if bits & input::DEAF_HANG != 0 {
        cortex_m::interrupt::disable();
        // SAFETY: stops every interrupt but the NMI, and nothing returns.
        unsafe { core::arch::asm!("cpsid f") };
        hang();
    }
    if bits & input::STACK_OVERFLOW != 0 {
        black_box(deeper(u32::from(bits)));
    }
}

fn hang() -> ! {
    loop {
        core::hint::spin_loop();
    }
}

#[inline(never)]
fn deeper(n: u32) -> u32 {
    let room = black_box([n; 64]);
    // Never so, but the compiler does not know.
    if black_box(false) {
        return n;
    }
    let below = deeper(n + 1);
    below.wrapping_add(black_box(&room)[(n % 64) as usize])
}

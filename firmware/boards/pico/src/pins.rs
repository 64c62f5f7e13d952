//! Which pin is which wire. The same table stands in `hardware-notes/pico.md`.
//!
//! | GPIO | wire | direction |
//! |---|---|---|
//! | 0, 1 | link: UART0 out, in | |
//! | 2 | contactor coil | out |
//! | 3 | bond switch: driven = bond open | out |
//! | 4, 5 | bridge, positive and negative pole | out |
//! | 6 | self-test current | out |
//! | 7, 8 | lamp, buzzer | out |
//! | 10 | auxiliary contact: high = contactor closed | in, pulled down |
//! | 11 | reset button: high = pressed | in, pulled down |
//! | 12 | maintenance switch: high = on | in, pulled down |
//! | 26, 27 | bond current, fine and wide | analog in |
//! | 28, 29 | positive and negative conductor to earth | analog in |

use ohmward_core::board::Pins;
use rp2040_hal::gpio::{
    self, DynPinId, FunctionNull, FunctionSio, FunctionUart, Pin, PinId, PinState, PullDown,
    PullNone, PullUp, SioInput, SioOutput, ValidFunction,
};
use rp2040_hal::{pac, sio};

/// GPIO 2 to 8, all outputs, as bits: what any failure switches off first.
pub const OUTPUTS: u32 = 0b1_1111_1100;
/// SIO GPIO_OUT_CLR (RP2040 datasheet, SIO registers).
pub const OUT_CLEAR: usize = 0xD000_0018;

/// A driven wire.
pub type Out = Pin<DynPinId, FunctionSio<SioOutput>, PullDown>;
/// A wire that is read.
pub type In = Pin<DynPinId, FunctionSio<SioInput>, PullDown>;

/// All outputs off, whatever else is broken.
#[inline(always)]
pub fn outputs_off() {
    // SAFETY: a register that only clears outputs; one store.
    unsafe { (OUT_CLEAR as *mut u32).write_volatile(OUTPUTS) }
}

/// The board's wires; link and analog inputs are set up on the way.
pub fn wires(
    io: pac::IO_BANK0,
    pads: pac::PADS_BANK0,
    sio: sio::SioGpioBank0,
    resets: &mut pac::RESETS,
) -> Pins<Out, In> {
    let pins = gpio::Pins::new(io, pads, sio, resets);
    uart(pins.gpio0.into_pull_type::<PullNone>());
    // A line that is not connected idles high.
    uart(pins.gpio1.into_pull_type::<PullUp>());
    analog(pins.gpio26);
    analog(pins.gpio27);
    analog(pins.gpio28);
    analog(pins.gpio29);
    Pins {
        contactor: out(pins.gpio2),
        bond_switch: out(pins.gpio3),
        bridge_pos: out(pins.gpio4),
        bridge_neg: out(pins.gpio5),
        inject: out(pins.gpio6),
        lamp: out(pins.gpio7),
        buzzer: out(pins.gpio8),
        contactor_feedback: input(pins.gpio10),
        reset: input(pins.gpio11),
        arm: input(pins.gpio12),
    }
}

fn out<P: PinId + ValidFunction<FunctionSio<SioOutput>>>(
    pin: Pin<P, FunctionNull, PullDown>,
) -> Out {
    pin.into_push_pull_output_in_state(PinState::Low)
        .into_dyn_pin()
}

fn input<P: PinId + ValidFunction<FunctionSio<SioInput>>>(
    pin: Pin<P, FunctionNull, PullDown>,
) -> In {
    pin.into_pull_down_input().into_dyn_pin()
}

fn uart<P: PinId + ValidFunction<FunctionUart>, M: gpio::PullType>(pin: Pin<P, FunctionNull, M>) {
    let _: Pin<P, FunctionUart, M> = pin.into_function();
}

/// No pull, no digital input.
fn analog<P: PinId>(pin: Pin<P, FunctionNull, PullDown>) {
    let mut pin = pin.into_pull_type::<PullNone>();
    pin.set_input_enable(false);
    pin.set_output_disable(true);
}

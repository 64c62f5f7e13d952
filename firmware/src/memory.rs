//! Where the large arrays lie.
//!
//! On a chip, in memory of their own that the board's program sets aside and hands over: a value of forty kilobytes that is
//! made, checked and returned is moved over the stack at each of these steps. On a host they lie in the value itself, and go
//! with it.

use crate::capture::{self, CAPTURE_BYTES};
use crate::insulation::sequence;
use crate::journal;
use crate::sudden;
use crate::window::WINDOW_MAX;
use heapless::Deque;
use ohmward_proto::frame::MAX_FRAME;
use ohmward_proto::message::Message;

/// A large array, in its place.
#[cfg(target_os = "none")]
pub type InPlace<T> = &'static mut T;
/// A large array, in its place.
#[cfg(not(target_os = "none"))]
pub type InPlace<T> = T;

/// Answers that wait for the link.
pub(crate) type Replies = Deque<Message, 6>;

/// The memory of one board: nothing but zeros at first. A program for a chip has one, in a
/// static whose value stands there from the start: made at run time it would pass over the stack first.
#[derive(Debug)]
pub struct Memory {
    pub(crate) capture: [capture::Buffer; 2],
    pub(crate) sudden: sudden::Rings,
    /// Bond current and both poles.
    pub(crate) windows: [[i32; WINDOW_MAX]; 3],
    pub(crate) stays: sequence::Stays,
    pub(crate) journal: journal::Places,
    pub(crate) replies: Replies,
    pub(crate) frame: [u8; MAX_FRAME],
}

impl Memory {
    /// Bytes of it that hold captured waveforms.
    pub const CAPTURES: usize = CAPTURE_BYTES;

    /// Empty.
    // Built in a static, or in the board's own memory; the lint thinks of a stack that grows with calls.
    #[allow(clippy::large_stack_arrays)]
    #[must_use]
    pub const fn new() -> Self {
        Self {
            capture: [const { capture::Buffer::new() }; 2],
            sudden: sudden::Rings::new(),
            windows: [[0; WINDOW_MAX]; 3],
            stays: sequence::NO_STAYS,
            journal: journal::Places::new(),
            replies: Deque::new(),
            frame: [0; MAX_FRAME],
        }
    }
}

impl Default for Memory {
    fn default() -> Self {
        Self::new()
    }
}

/// The parts of it.
pub(crate) struct Parts {
    pub capture: InPlace<[capture::Buffer; 2]>,
    pub sudden: InPlace<sudden::Rings>,
    pub windows: [InPlace<[i32; WINDOW_MAX]>; 3],
    pub stays: InPlace<sequence::Stays>,
    pub journal: InPlace<journal::Places>,
    pub replies: InPlace<Replies>,
}

/// Hands the parts on, and what the board itself needs.
pub(crate) fn split(memory: InPlace<Memory>) -> (Parts, InPlace<[u8; MAX_FRAME]>) {
    let Memory {
        capture,
        sudden,
        windows,
        stays,
        journal,
        replies,
        frame,
    } = memory;
    let [i_bond, v_pos, v_neg] = windows;
    let parts = Parts {
        capture,
        sudden,
        windows: [i_bond, v_pos, v_neg],
        stays,
        journal,
        replies,
    };
    (parts, frame)
}

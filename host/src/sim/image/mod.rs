//! The firmware as an image in an emulator, a sample and its answer at a time.
//!
//! Converter, pins and flash are memory that both share ([`ohmward_proto::emulated`]): a file that QEMU maps as the board's
//! external RAM. A serial port would be too slow for samples (25 kB/s into the emulator at best, measured). The byte link is
//! the board's serial port, here a Unix socket.
//!
//! `emulator`: the process; here: the memory, and what goes through it.

mod emulator;

pub use emulator::{EMULATOR, Identity, identify};

use emulator::Emulator;
use ohmward_core::{Inputs, Outputs, Sample};
use ohmward_proto::checksum::CRC;
use ohmward_proto::emulated::{
    ANSWERS_AT, Answer, COMMAND_AT, CUT_AFTER_WORDS_AT, CYCLE_POWER, ENTRY_LEN, FLASH_AT,
    FLASH_LEN, FLASH_WORDS_AT, GIVEN_AT, Given, LAYOUT, LAYOUT_AT, LINK_SENT_AT, LINK_TAKEN_AT,
    PANIC_LINE_AT, PINS_AT, RING, SAMPLES_AT, SETUP_AT, SETUP_LEN_MAX, STACK_LEN_AT, STACK_USED_AT,
    START_TICKS_AT, STARTS_AT, STATE_AT, Setup, State, TAKEN_AT, input, output,
};
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read, Write};
use std::os::unix::fs::FileExt;
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// External RAM of the machine.
const RAM_LEN: u64 = 16 << 20;
/// Longest wait for an answer: emulation is fast, but the machine may be busy.
const PATIENCE: Duration = Duration::from_secs(20);
/// Looks at the memory before other threads get a turn: mostly an answer is a few microseconds away.
const LOOKS: u32 = 200;
/// And before this one sleeps between two: many samples are under way then.
const TURNS: u32 = 300;
const NAP: Duration = Duration::from_micros(100);

/// Why an emulated board cannot go on.
#[derive(Debug, thiserror::Error)]
pub enum ImageError {
    /// The image is not there.
    #[error("cannot read the image {path}: {source}; build it as DEVELOPERS.md says")]
    Image {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Something else.
    #[error("{path} is {why}: give an image as firmware/boards/build.sh mps2 makes it")]
    NoImage {
        /// Which.
        path: PathBuf,
        /// What it is instead.
        why: &'static str,
    },
    /// The emulator is not there.
    #[error("cannot start {EMULATOR}: {0}; install it (Debian: apt-get install qemu-system-arm)")]
    Emulator(std::io::Error),
    /// Shared memory or link.
    #[error("while talking to the emulated board: {0}")]
    Io(#[from] std::io::Error),
    /// The image stopped.
    #[error("the image did not start: {0}")]
    NotStarted(&'static str),
    /// It never said that it is there.
    #[error(
        "{path} does not say that it runs ({emulator}): is it an image as firmware/boards/build.sh mps2 makes it?"
    )]
    NeverCame {
        /// Which.
        path: PathBuf,
        /// What became of the emulator.
        emulator: String,
    },
    /// No answer.
    #[error("the emulated board gives no answer (sample {sample}; {emulator})")]
    Silent {
        /// Which sample it had been given.
        sample: u32,
        /// What became of the emulator.
        emulator: String,
    },
    /// It started again in the middle.
    #[error(
        "the emulated board started again in sample {sample}; its outputs were {outputs:#04x} then"
    )]
    Restarted {
        /// Which sample it had been given.
        sample: u32,
        /// Its port.
        outputs: u32,
    },
}

/// A board in an emulator.
#[derive(Debug)]
pub struct Image {
    emulator: Emulator,
    memory: File,
    link: UnixStream,
    received: Receiver<Vec<u8>>,
    said: Vec<u8>,
    heard: u32,
    link_given: u32,
    given: u32,
    starts: u32,
}

/// The bits of a sample's inputs.
pub fn bits_of(inputs: &Inputs) -> u16 {
    [
        (inputs.contactor_feedback, input::CONTACTOR_FEEDBACK),
        (inputs.reset, input::RESET),
        (inputs.arm, input::ARM),
    ]
    .into_iter()
    .filter(|(on, _)| *on)
    .fold(0, |bits, (_, bit)| bits | bit)
}

/// The outputs of an answer.
pub fn outputs_of(bits: impl Into<u32>) -> Outputs {
    let bits = bits.into();
    let on = |bit| bits & bit != 0;
    Outputs {
        contactor: on(output::CONTACTOR),
        bond_switch: on(output::BOND_SWITCH),
        bridge_pos: on(output::BRIDGE_POS),
        bridge_neg: on(output::BRIDGE_NEG),
        inject: on(output::INJECT),
        lamp: on(output::LAMP),
        buzzer: on(output::BUZZER),
    }
}

impl Image {
    /// Starts the emulator with this image, and waits until the board takes samples. It ends when this is dropped, and on
    /// Linux when the thread that called this does.
    ///
    /// # Errors
    /// [`ImageError`].
    pub fn start(image: &Path, setup: &Setup) -> Result<Self, ImageError> {
        identify(image)?;
        // In memory where there is such a place: the two ends meet there for every sample.
        let shm = Path::new("/dev/shm");
        let place = if shm.is_dir() {
            TempDir::with_prefix_in("ohmward-", shm)?
        } else {
            TempDir::with_prefix("ohmward-")?
        };
        let ram = place.path().join("ram");
        let memory = OpenOptions::new()
            .read(true)
            .write(true)
            .create_new(true)
            .open(&ram)?;
        memory.set_len(RAM_LEN)?;
        memory.write_all_at(&vec![0xFF; FLASH_LEN], FLASH_AT as u64)?;
        let socket = place.path().join("link");
        let listener = UnixListener::bind(&socket)?;
        // From here on dropping it ends the emulator.
        let mut emulator = Emulator::start(image, &ram, RAM_LEN, &socket)?;
        let link = accept(&listener, &mut emulator)?;
        let (tell, received) = channel();
        let mut from = link.try_clone()?;
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(n @ 1..) = from.read(&mut bytes) {
                if tell.send(bytes[..n].to_vec()).is_err() {
                    return;
                }
            }
        });
        let mut board = Self {
            emulator,
            memory,
            link,
            received,
            said: Vec::new(),
            heard: 0,
            link_given: 0,
            given: 0,
            starts: 0,
        };
        // The emulator runs already: the board finds no setup, and stops. Now it is there; then the supply comes.
        board
            .wait_until(|board| Ok(board.word(STATE_AT)? == State::NoSetup.word()))
            .map_err(|why| match why {
                ImageError::Silent { emulator, .. } => ImageError::NeverCame {
                    path: image.to_owned(),
                    emulator,
                },
                other => other,
            })?;
        // Both have it open: nothing is left behind, whichever way this program ends.
        drop(place);
        board.setup(setup)?;
        board.put(LAYOUT_AT, LAYOUT)?;
        board.cycle_power()?;
        Ok(board)
    }

    fn setup(&mut self, setup: &Setup) -> Result<(), ImageError> {
        let mut room = [0; SETUP_LEN_MAX];
        let bytes = postcard::to_slice(setup, &mut room).map_err(std::io::Error::other)?;
        self.put(SETUP_AT, bytes.len() as u32)?;
        self.put(SETUP_AT + 4, CRC.checksum(bytes))?;
        self.memory.write_all_at(bytes, SETUP_AT as u64 + 8)?;
        Ok(())
    }

    /// A board as from the factory, built like this: blank flash, supply just come up.
    ///
    /// # Errors
    /// [`ImageError`].
    pub fn restart_blank(&mut self, setup: &Setup) -> Result<(), ImageError> {
        self.put(CUT_AFTER_WORDS_AT, 0)?;
        // What is still on the line belongs to the board before.
        while self.word(LINK_TAKEN_AT)? != self.link_given {
            self.step(&[(Sample::default(), 0)])?;
        }
        self.take_output()?;
        self.setup(setup)?;
        self.write_flash(&vec![0xFF; FLASH_LEN])?;
        self.cycle_power()
    }

    /// The supply goes away and comes back: only flash stays.
    ///
    /// # Errors
    /// [`ImageError`].
    pub fn cycle_power(&mut self) -> Result<(), ImageError> {
        self.starts = self.word(STARTS_AT)?;
        self.put(COMMAND_AT, CYCLE_POWER)?;
        self.wait_for_start()
    }

    /// Waits until a board that has failed runs again.
    ///
    /// # Errors
    /// [`ImageError`].
    pub fn wait_for_start(&mut self) -> Result<(), ImageError> {
        self.wait_until(|board| {
            if board.word(STARTS_AT)? == board.starts {
                return Ok(false);
            }
            match State::of(board.word(STATE_AT)?) {
                Some(State::Running) => Ok(true),
                Some(State::NoSetup) => Err(ImageError::NotStarted(
                    "it cannot read what it is built with: image and program are of different versions; build the image again",
                )),
                Some(State::NotStarted) => Err(ImageError::NotStarted(
                    "the firmware refused its settings or its flash",
                )),
                Some(State::Starting) | None => Ok(false),
            }
        })?;
        self.starts = self.word(STARTS_AT)?;
        Ok(())
    }

    fn word(&self, at: usize) -> Result<u32, ImageError> {
        let mut bytes = [0; 4];
        self.memory.read_exact_at(&mut bytes, at as u64)?;
        Ok(u32::from_le_bytes(bytes))
    }

    fn put(&self, at: usize, word: u32) -> Result<(), ImageError> {
        Ok(self.memory.write_all_at(&word.to_le_bytes(), at as u64)?)
    }

    fn wait_until(
        &mut self,
        mut done: impl FnMut(&Self) -> Result<bool, ImageError>,
    ) -> Result<(), ImageError> {
        let mut until = None;
        let mut looks = 0_u32;
        while !done(self)? {
            looks += 1;
            if looks < LOOKS {
                continue;
            }
            if looks < LOOKS + TURNS {
                std::thread::yield_now();
                continue;
            }
            std::thread::sleep(NAP);
            let until = *until.get_or_insert_with(|| Instant::now() + PATIENCE);
            if looks.is_multiple_of(100) && (Instant::now() > until || !self.emulator.runs()) {
                return Err(self.silent());
            }
        }
        Ok(())
    }

    fn silent(&mut self) -> ImageError {
        ImageError::Silent {
            sample: self.given,
            emulator: self.emulator.fate(),
        }
    }

    /// Bytes for the board's link: there before the next sample.
    ///
    /// # Errors
    /// The emulator is gone.
    pub fn send(&mut self, bytes: &[u8]) -> Result<(), ImageError> {
        self.link.write_all(bytes)?;
        self.link_given = self.link_given.wrapping_add(bytes.len() as u32);
        Ok(())
    }

    /// Samples in, answers out; as many at a time as there are. Returns when the last is answered.
    ///
    /// # Errors
    /// [`ImageError::Restarted`] when the board fails in one of them; [`Self::wait_for_start`] then waits until it is back.
    pub fn step(&mut self, samples: &[(Sample, u16)]) -> Result<Vec<Answer>, ImageError> {
        let mut answers = Vec::with_capacity(samples.len());
        for some in samples.chunks(RING) {
            let from = self.given;
            for (n, (sample, inputs)) in some.iter().enumerate() {
                let given = Given {
                    codes: sample.codes,
                    lost_before: sample.lost_before,
                    inputs: *inputs,
                    link_given: self.link_given,
                };
                let place = (from as usize + n) % RING * ENTRY_LEN;
                self.memory
                    .write_all_at(&given.to_bytes(), (SAMPLES_AT + place) as u64)?;
            }
            self.given = from.wrapping_add(some.len() as u32);
            self.put(GIVEN_AT, self.given)?;
            self.wait_until(|board| {
                if board.word(STARTS_AT)? != board.starts {
                    return Err(ImageError::Restarted {
                        sample: board.given,
                        outputs: board.word(PINS_AT)?,
                    });
                }
                Ok(board.word(TAKEN_AT)? == board.given)
            })?;
            for n in 0..some.len() {
                let place = (from as usize + n) % RING * ENTRY_LEN;
                let mut bytes = [0; ENTRY_LEN];
                self.memory
                    .read_exact_at(&mut bytes, (ANSWERS_AT + place) as u64)?;
                answers.push(Answer::of_bytes(&bytes));
            }
            // A start in the last sample: what is counted as answered was not.
            if self.word(STARTS_AT)? != self.starts {
                return Err(ImageError::Restarted {
                    sample: self.given,
                    outputs: self.word(PINS_AT)?,
                });
            }
        }
        Ok(answers)
    }

    /// What the board has said up to its last answer.
    ///
    /// # Errors
    /// [`ImageError::Silent`] when bytes that it has sent do not arrive.
    pub fn take_output(&mut self) -> Result<Vec<u8>, ImageError> {
        let sent = self.word(LINK_SENT_AT)?;
        while self.heard != sent {
            let Ok(bytes) = self.received.recv_timeout(PATIENCE) else {
                return Err(self.silent());
            };
            self.heard = self.heard.wrapping_add(bytes.len() as u32);
            self.said.extend(bytes);
        }
        Ok(std::mem::take(&mut self.said))
    }

    /// Outputs as the port shows them now.
    ///
    /// # Errors
    /// The memory cannot be read.
    pub fn pins(&self) -> Result<u32, ImageError> {
        self.word(PINS_AT)
    }

    /// How often the board has started.
    ///
    /// # Errors
    /// The memory cannot be read.
    pub fn starts(&self) -> Result<u32, ImageError> {
        self.word(STARTS_AT)
    }

    /// Source line of the last panic; 0 for none.
    ///
    /// # Errors
    /// The memory cannot be read.
    pub fn panic_line(&self) -> Result<u32, ImageError> {
        self.word(PANIC_LINE_AT)
    }

    /// Most stack used since the start, and all there is, bytes; looked at by the board every 4096 samples.
    ///
    /// # Errors
    /// The memory cannot be read.
    pub fn stack(&self) -> Result<(u32, u32), ImageError> {
        Ok((self.word(STACK_USED_AT)?, self.word(STACK_LEN_AT)?))
    }

    /// Timer ticks that the start of the board took.
    ///
    /// # Errors
    /// The memory cannot be read.
    pub fn start_ticks(&self) -> Result<u32, ImageError> {
        self.word(START_TICKS_AT)
    }

    /// Words of flash that the board has written or erased, since the emulator began; goes round.
    ///
    /// # Errors
    /// The memory cannot be read.
    pub fn flash_words(&self) -> Result<u32, ImageError> {
        self.word(FLASH_WORDS_AT)
    }

    /// The supply goes away once the board has changed so many more words of flash; 0 for never. [`Self::step`] then ends with
    /// [`ImageError::Restarted`], a start goes on with another one.
    ///
    /// # Errors
    /// The memory cannot be written.
    pub fn cut_after_flash_words(&mut self, words: u32) -> Result<(), ImageError> {
        self.put(CUT_AFTER_WORDS_AT, words)
    }

    /// Bytes that the board has sent over its link, since the emulator began; goes round.
    ///
    /// # Errors
    /// The memory cannot be read.
    pub fn link_sent(&self) -> Result<u32, ImageError> {
        self.word(LINK_SENT_AT)
    }

    /// The emulator's process.
    pub fn emulator(&self) -> u32 {
        self.emulator.id()
    }

    /// Content of the flash.
    ///
    /// # Errors
    /// The memory cannot be read.
    pub fn flash(&self) -> Result<Vec<u8>, ImageError> {
        let mut bytes = vec![0; FLASH_LEN];
        self.memory.read_exact_at(&mut bytes, FLASH_AT as u64)?;
        Ok(bytes)
    }

    /// Other content for the flash, as much as there is of `bytes` from its beginning; takes effect at the next start.
    ///
    /// # Errors
    /// The memory cannot be written.
    pub fn write_flash(&mut self, bytes: &[u8]) -> Result<(), ImageError> {
        let bytes = &bytes[..bytes.len().min(FLASH_LEN)];
        Ok(self.memory.write_all_at(bytes, FLASH_AT as u64)?)
    }
}

fn accept(listener: &UnixListener, emulator: &mut Emulator) -> Result<UnixStream, ImageError> {
    listener.set_nonblocking(true)?;
    let until = Instant::now() + PATIENCE;
    loop {
        match listener.accept() {
            Ok((link, _)) => {
                link.set_nonblocking(false)?;
                return Ok(link);
            }
            Err(why) if why.kind() == ErrorKind::WouldBlock => {}
            Err(why) => return Err(why.into()),
        }
        if !emulator.runs() || Instant::now() > until {
            return Err(ImageError::Silent {
                sample: 0,
                emulator: emulator.fate(),
            });
        }
        std::thread::sleep(Duration::from_millis(5));
    }
}

//! The emulator's process: found, started, ended, and what it runs.
//!
//! It ends with the program whichever way that ends: by `Drop`; and where `setpriv` is (Linux, util-linux), by the signal that
//! the kernel sends when the thread that started it is gone, so that not even `kill -9` leaves one behind. A Ctrl-C at the
//! terminal does not reach it: it has a process group of its own.

use super::ImageError;
use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use std::io::{ErrorKind, Read};
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;

/// The emulator.
pub const EMULATOR: &str = "qemu-system-arm";

/// What ran: an image, and the emulator it ran in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Identity {
    /// File name of the image.
    pub name: String,
    /// Its size, bytes.
    pub bytes: u64,
    /// Its SHA-256, hexadecimal.
    pub sha256: String,
    /// What the emulator says of itself, first line.
    pub emulator: String,
}

/// Reads image and emulator's version.
///
/// # Errors
/// The image is missing or no program for this machine; no emulator.
pub fn identify(image: &Path) -> Result<Identity, ImageError> {
    let refused = |why: &'static str| ImageError::NoImage {
        path: image.to_owned(),
        why,
    };
    let bytes = std::fs::read(image).map_err(|source| ImageError::Image {
        path: image.to_owned(),
        source,
    })?;
    // System V ABI, object files: magic, class; machine 40 is ARM.
    if !bytes.starts_with(b"\x7fELF") {
        return Err(refused("no ELF file"));
    }
    let machine = bytes.get(18..20);
    if bytes.get(4) != Some(&1) || machine != Some(&[40, 0]) {
        return Err(refused("an ELF file for another processor"));
    }
    let sha256 = Sha256::digest(&bytes)
        .iter()
        .fold(String::new(), |mut hex, byte| {
            let _ = write!(hex, "{byte:02x}");
            hex
        });
    let name = image.file_name().unwrap_or(image.as_os_str());
    Ok(Identity {
        name: name.to_string_lossy().into_owned(),
        bytes: bytes.len() as u64,
        sha256,
        emulator: version()?,
    })
}

fn version() -> Result<String, ImageError> {
    let said = Command::new(EMULATOR)
        .arg("--version")
        .output()
        .map_err(ImageError::Emulator)?;
    let words = String::from_utf8_lossy(&said.stdout);
    let first = words.lines().next().filter(|_| said.status.success());
    first
        .map(str::to_owned)
        .ok_or_else(|| ImageError::Emulator(ErrorKind::Other.into()))
}

/// Whether `setpriv` can tie a process to the thread that starts it.
fn ties() -> bool {
    static TIES: OnceLock<bool> = OnceLock::new();
    *TIES.get_or_init(|| {
        Command::new("setpriv")
            .args(["--pdeathsig", "KILL", "true"])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()
            .is_ok_and(|status| status.success())
    })
}

/// A running emulator; dropping it ends it, and no other.
#[derive(Debug)]
pub struct Emulator(Child);

impl Emulator {
    /// Starts the image: shared memory in `ram`, of `ram_len` bytes, link on the socket. Lives no longer than this thread.
    ///
    /// # Errors
    /// No emulator.
    pub fn start(image: &Path, ram: &Path, ram_len: u64, link: &Path) -> Result<Self, ImageError> {
        let mut command = if ties() {
            let mut command = Command::new("setpriv");
            command.args(["--pdeathsig", "KILL", EMULATOR]);
            command
        } else {
            Command::new(EMULATOR)
        };
        command
            .args(["-M", "mps2-an386,memory-backend=shared"])
            .arg("-object")
            .arg(format!(
                "memory-backend-file,id=shared,size={ram_len},share=on,mem-path={}",
                ram.display()
            ))
            .args(["-icount", "shift=6,sleep=off"])
            .args(["-display", "none", "-monitor", "none"])
            .arg("-chardev")
            .arg(format!("socket,id=link,path={}", link.display()))
            .args(["-serial", "chardev:link", "-serial", "null", "-kernel"])
            .arg(image)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .process_group(0);
        command.spawn().map(Self).map_err(ImageError::Emulator)
    }

    /// Still there.
    pub fn runs(&mut self) -> bool {
        matches!(self.0.try_wait(), Ok(None))
    }

    /// What became of it, in words.
    pub fn fate(&mut self) -> String {
        match self.0.try_wait() {
            Ok(Some(status)) => {
                let mut words = String::new();
                if let Some(from) = &mut self.0.stderr {
                    let _ = from.read_to_string(&mut words);
                }
                let line = words.lines().next().unwrap_or("it said nothing");
                format!("{EMULATOR} ended, {status}: {line}")
            }
            _ => format!("{EMULATOR} still runs"),
        }
    }

    /// Its process.
    pub fn id(&self) -> u32 {
        self.0.id()
    }
}

impl Drop for Emulator {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

//! A simulated board's link on a pseudo-terminal or a TCP port.

use super::{Gear, SimBoard, SimError};
use ohmward_plant::Scenario;
use serialport::{SerialPort, TTYPort};
use std::io::{self, ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::str::FromStr;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// How fast virtual time goes.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Speed {
    /// As many times as fast as the clock on the wall; 1 is real time.
    Times(f64),
    /// As fast as the machine and the link carry it; waits for a host before it begins, and whenever it goes away.
    Max,
}

impl FromStr for Speed {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("'{text}' is no speed: use realtime, xN (for example x60) or max");
        match text {
            "realtime" => Ok(Self::Times(1.0)),
            "max" => Ok(Self::Max),
            _ => {
                let n: f64 = text
                    .strip_prefix('x')
                    .and_then(|n| n.parse().ok())
                    .ok_or_else(wrong)?;
                if (1e-3..=1e9).contains(&n) {
                    Ok(Self::Times(n))
                } else {
                    Err(wrong())
                }
            }
        }
    }
}

/// Where a host reaches the board.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Line {
    /// A fresh pseudo-terminal.
    Pty,
    /// A TCP port, one host at a time.
    Tcp(SocketAddr),
}

impl FromStr for Line {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text.strip_prefix("tcp:") {
            _ if text == "pty" => Ok(Self::Pty),
            Some(address) => address
                .parse()
                .map(Self::Tcp)
                .map_err(|_| format!("'{address}' is no address: use tcp:HOST-IP:PORT, for example tcp:127.0.0.1:7100")),
            None => Err(format!("'{text}' is no link: use pty or tcp:IP:PORT")),
        }
    }
}

/// Why serving stopped before the scenario's end.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The simulation.
    #[error(transparent)]
    Sim(#[from] SimError),
    /// No pseudo-terminal.
    #[error("cannot make a pseudo-terminal: {0}; use --link tcp:127.0.0.1:7100 instead")]
    Pty(serialport::Error),
    /// No TCP port.
    #[error("cannot listen on {address}: {source}; choose another port")]
    Listen {
        /// Where.
        address: SocketAddr,
        /// Why.
        source: io::Error,
    },
    /// The line broke in a way that waiting does not mend.
    #[error("the link failed: {0}")]
    Link(io::Error),
}

/// A board in its surroundings, in virtual time, with a byte link: the firmware is linked in, or an image.
pub trait Served {
    /// Moves virtual time on by about so many samples, less when the board has something to say. Returns whether it goes on.
    ///
    /// # Errors
    /// World or board cannot go on.
    fn run(&mut self, samples: u64) -> Result<bool, SimError>;
    /// Lets the board use its link once more after the last sample.
    ///
    /// # Errors
    /// As [`Self::run`].
    fn serve_link(&mut self) -> Result<(), SimError>;
    /// Takes what the board has sent.
    fn take_output(&mut self) -> Vec<u8>;
    /// Sends to the board.
    ///
    /// # Errors
    /// As [`Self::run`].
    fn send(&mut self, bytes: &[u8]) -> Result<(), SimError>;
    /// Samples of this run and of those before it.
    fn elapsed(&self) -> u64;
    /// Samples per second.
    fn sample_rate_hz(&self) -> u32;
    /// No event waits for its acknowledgement.
    fn all_acknowledged(&self) -> bool;
}

/// A line with a host at the other end, sometimes.
trait Port {
    /// Sends as much as goes without waiting long; 0 when the host does not take any.
    fn send(&mut self, bytes: &[u8]) -> io::Result<usize>;
    /// Receives what is there, without waiting.
    fn receive(&mut self, into: &mut [u8]) -> io::Result<usize>;
}

/// A pseudo-terminal. The slave stays open here, so that a host may come and go.
struct Pty {
    master: TTYPort,
    _slave: TTYPort,
}

/// How long a full line is waited for in one go.
const PATIENCE: Duration = Duration::from_millis(20);

impl Port for Pty {
    fn send(&mut self, bytes: &[u8]) -> io::Result<usize> {
        later(self.master.write(bytes))
    }

    fn receive(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.master.bytes_to_read().map_err(io::Error::from)? == 0 {
            return Ok(0);
        }
        later(self.master.read(into))
    }
}

struct Tcp {
    listener: TcpListener,
    host: Option<TcpStream>,
}

impl Tcp {
    /// Runs `f` on the connection; a connection that ends is dropped, and the next host may come.
    fn with_host(
        &mut self,
        f: impl FnOnce(&mut TcpStream) -> io::Result<usize>,
    ) -> io::Result<usize> {
        if self.host.is_none() {
            match self.listener.accept() {
                Ok((host, _)) => {
                    host.set_nonblocking(true)?;
                    host.set_nodelay(true)?;
                    self.host = Some(host);
                }
                Err(e) if e.kind() == ErrorKind::WouldBlock => return Ok(0),
                Err(e) => return Err(e),
            }
        }
        let Some(host) = &mut self.host else {
            return Ok(0);
        };
        match f(host) {
            Ok(0) => {
                self.host = None;
                Ok(0)
            }
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) => Ok(0),
            Err(_) => {
                self.host = None;
                Ok(0)
            }
            ok => ok,
        }
    }
}

impl Port for Tcp {
    fn send(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let sent = self.with_host(|host| host.write(bytes))?;
        if sent == 0 {
            std::thread::sleep(Duration::from_millis(1));
        }
        Ok(sent)
    }

    fn receive(&mut self, into: &mut [u8]) -> io::Result<usize> {
        self.with_host(|host| host.read(into))
    }
}

fn later(result: io::Result<usize>) -> io::Result<usize> {
    match result {
        Err(e)
            if matches!(
                e.kind(),
                ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted
            ) =>
        {
            Ok(0)
        }
        other => other,
    }
}

/// As [`serve_board`], for the board of a scenario.
///
/// # Errors
/// [`ServeError`].
pub fn serve(
    scenario: &Scenario,
    line: &Line,
    speed: Speed,
    stop: &AtomicBool,
    ready: impl FnOnce(&str),
) -> Result<bool, ServeError> {
    serve_board(
        SimBoard::new(scenario, gear(speed))?,
        line,
        speed,
        stop,
        ready,
    )
}

/// Opens the line, tells where it is, and runs the board to its end or until `stop`.
///
/// `ready` is called once with the place a host can `record --from`. Returns whether the board came to its end.
///
/// # Errors
/// [`ServeError`].
pub fn serve_board(
    mut board: impl Served,
    line: &Line,
    speed: Speed,
    stop: &AtomicBool,
    ready: impl FnOnce(&str),
) -> Result<bool, ServeError> {
    match line {
        Line::Pty => {
            let (mut master, slave) = TTYPort::pair().map_err(ServeError::Pty)?;
            master.set_timeout(PATIENCE).map_err(ServeError::Pty)?;
            ready(&slave.name().unwrap_or_default());
            let mut port = Pty {
                master,
                _slave: slave,
            };
            run(&mut board, &mut port, speed, stop)
        }
        Line::Tcp(address) => {
            let refused = |source| ServeError::Listen {
                address: *address,
                source,
            };
            let listener = TcpListener::bind(address).map_err(refused)?;
            listener.set_nonblocking(true).map_err(refused)?;
            let bound = listener.local_addr().map_err(refused)?;
            ready(&format!("tcp://{bound}"));
            run(
                &mut board,
                &mut Tcp {
                    listener,
                    host: None,
                },
                speed,
                stop,
            )
        }
    }
}

/// Up to a hundredfold every sample can be made; beyond that quiet time is skipped.
fn gear(speed: Speed) -> Gear {
    match speed {
        Speed::Times(n) if n <= 100.0 => Gear::EverySample,
        Speed::Times(_) | Speed::Max => Gear::SkipQuiet,
    }
}

/// Samples between two looks at the clock on the wall.
const CHUNK: u64 = 40;
/// How long a board that has come to its end waits for the host to take the last bytes.
const LAST_BYTES: Duration = Duration::from_secs(5);

fn run(
    board: &mut impl Served,
    port: &mut impl Port,
    speed: Speed,
    stop: &AtomicBool,
) -> Result<bool, ServeError> {
    let mut waiting: Vec<u8> = Vec::new();
    let stopped = || stop.load(Ordering::Relaxed);
    if speed == Speed::Max {
        // Nobody there yet: virtual time stands still, or the host would find a month gone by.
        while !exchange(board, port, &mut Vec::new())? {
            if stopped() {
                return Ok(false);
            }
            std::thread::sleep(Duration::from_millis(2));
        }
    }
    let begun = Instant::now();
    let rate = f64::from(board.sample_rate_hz());
    let mut goes_on = true;
    while goes_on && !stopped() {
        let chunk = match speed {
            Speed::Max => u64::MAX / 2,
            Speed::Times(n) => (CHUNK as f64 * n).max(1.0) as u64,
        };
        goes_on = board.run(chunk)?;
        waiting.extend(board.take_output());
        loop {
            exchange(board, port, &mut waiting)?;
            // At full speed a reading that does not fit would be lost for nothing: time waits for the link.
            if speed != Speed::Max || waiting.is_empty() || stopped() {
                break;
            }
        }
        if let Speed::Times(n) = speed {
            let due = Duration::from_secs_f64(board.elapsed() as f64 / rate / n);
            if let Some(early) = due.checked_sub(begun.elapsed()) {
                std::thread::sleep(early);
            }
        }
    }
    finish(board, port, &mut waiting, stop)?;
    Ok(!goes_on)
}

/// The scenario is over: gives the host time to take what is left and to acknowledge it.
fn finish(
    board: &mut impl Served,
    port: &mut impl Port,
    waiting: &mut Vec<u8>,
    stop: &AtomicBool,
) -> Result<(), ServeError> {
    let begun = Instant::now();
    while begun.elapsed() < LAST_BYTES && !stop.load(Ordering::Relaxed) {
        let heard = exchange(board, port, waiting)?;
        board.serve_link()?;
        waiting.extend(board.take_output());
        if waiting.is_empty() && board.all_acknowledged() {
            break;
        }
        if !heard {
            std::thread::sleep(Duration::from_millis(2));
        }
    }
    Ok(())
}

/// Bytes both ways, as far as they go. Returns whether the host said anything.
fn exchange(
    board: &mut impl Served,
    port: &mut impl Port,
    waiting: &mut Vec<u8>,
) -> Result<bool, ServeError> {
    if !waiting.is_empty() {
        let sent = port.send(waiting).map_err(ServeError::Link)?;
        waiting.drain(..sent);
        // A host that is away must not fill the memory: what a real line would have dropped is dropped, and the
        // host finds its feet at the next frame.
        if waiting.len() > WAITING_MAX {
            waiting.drain(..waiting.len() - WAITING_MAX / 2);
        }
    }
    let mut bytes = [0; 512];
    let mut heard = false;
    loop {
        let n = port.receive(&mut bytes).map_err(ServeError::Link)?;
        if n == 0 {
            return Ok(heard);
        }
        heard = true;
        board.send(&bytes[..n])?;
    }
}

/// Bytes kept for a host that does not read.
const WAITING_MAX: usize = 64 * 1024;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn speeds_and_lines_say_what_they_want() {
        assert_eq!("realtime".parse(), Ok(Speed::Times(1.0)));
        assert_eq!("x60".parse(), Ok(Speed::Times(60.0)));
        assert_eq!("max".parse(), Ok(Speed::Max));
        for wrong in ["", "x", "x0", "x-1", "xnan", "fast"] {
            assert!(
                wrong.parse::<Speed>().unwrap_err().contains("xN"),
                "{wrong}"
            );
        }
        assert_eq!("pty".parse(), Ok(Line::Pty));
        assert!(
            "tcp:here"
                .parse::<Line>()
                .unwrap_err()
                .contains("tcp:127.0.0.1:7100")
        );
        assert!("usb".parse::<Line>().is_err());
    }
}

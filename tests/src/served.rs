//! A store of invented readings behind a served page, and a plain HTTP client to ask it.

use ohmward::serve::{self, Options, Token};
use ohmward::store::{Entry, Store};
use ohmward_proto::event::{Event, EventId, EventKind, TripCause};
use ohmward_proto::measure::{Codes, NotMeasured, TripState};
use ohmward_proto::message::{
    BoardId, CaptureHead, CapturePart, Hello, PART_SAMPLES, PROTOCOL_VERSION,
};
use ohmward_proto::settings::{Calibration, Settings};
use ohmward_proto::units::{Amps, Farads, SampleIndex, Siemens, Volts};
use ohmward_proto::{BondCurrent, Insulation, PoleLeakage, Reading};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Samples a second of every invented board.
pub const RATE_HZ: u32 = 4000;
/// The board that has tripped.
pub const TRIPPED: BoardId = BoardId(0x0a);
/// The one with the long record.
pub const SOUND: BoardId = BoardId(0x0b);
/// The trip, with a waveform.
pub const TRIP: EventId = EventId { boot: 1, seq: 4 };
/// Samples in its waveform.
pub const CAPTURED: u16 = 480;
/// Place of the trigger in it.
pub const TRIGGER: u64 = 160;

/// Unix microseconds.
pub fn now_us() -> i64 {
    let unix = SystemTime::now().duration_since(UNIX_EPOCH);
    i64::try_from(unix.expect("after 1970").as_micros()).expect("fits")
}

/// An invented reading `s` seconds into a run: a day's light, a measurement every half hour, dark nights.
pub fn reading(s: u64) -> Reading {
    let at = SampleIndex(s * u64::from(RATE_HZ));
    let sun = sun_at(s);
    let measured_s = s / 1800 * 1800;
    let ripple = ((s * 7_919) % 1_001) as f64 / 1_001.0;
    let dc = -0.002 * sun - 1e-5 * ripple;
    // A measurement that began in the dark has no value, however light it is when it is told of.
    let is_dark = sun.min(sun_at(measured_s)) < 0.02;
    let r_ohm = 4e6 / (1.0 + 2.0 * sun) * (1.0 + 0.05 * ripple);
    Reading {
        at,
        i_bond: BondCurrent::Measured {
            dc: Amps(dc as f32),
            rms: Amps((dc.abs() * 1.5 + 1e-4) as f32),
        },
        v_pos: Some(Volts((380.0 * (1.0 - (-sun * 30.0).exp()) + ripple) as f32)),
        v_neg: Some(Volts(0.0)),
        insulation: if is_dark {
            Insulation::NotMeasured {
                why: NotMeasured::ArrayDark,
                since: at,
            }
        } else {
            Insulation::Measured {
                leakage: PoleLeakage {
                    g_pos: Siemens((0.5 / r_ohm) as f32),
                    g_neg: Siemens((0.5 / r_ohm) as f32),
                    g_sigma: Siemens(1e-9),
                    c: Farads(1.2e-7),
                    c_sigma: Farads(2e-10),
                },
                at: SampleIndex(measured_s * u64::from(RATE_HZ)),
            }
        },
        state: if is_dark {
            TripState::Resting
        } else {
            TripState::Closed
        },
        bond_open: false,
    }
}

/// Light at a second of a run, 0 to 1: up at six, down at eighteen.
fn sun_at(s: u64) -> f64 {
    let hour = (s % 86_400) as f64 / 3600.0;
    ((hour - 6.0) / 12.0 * std::f64::consts::PI).sin().max(0.0)
}

/// Who a board says it is.
pub fn hello(board: BoardId, received_us: i64) -> Entry {
    Entry::Run {
        board,
        hello: Hello {
            protocol: PROTOCOL_VERSION,
            firmware: (0, 1, 0),
            board,
            boot: 1,
            at: SampleIndex(0),
            sample_rate_hz: RATE_HZ,
            settings_hash: 1,
            calibration_id: 0,
            epoch_unix_ms: None,
        },
        received_us,
    }
}

/// A store in `dir` with two boards: [`TRIPPED`], latched since a minute, with a captured trip; and [`SOUND`] with `days` of readings
/// `step_s` apart that end now.
pub fn make_store(dir: &Path, days: u64, step_s: u64) -> Store {
    let now_us = now_us();
    let mut store = Store::open_or_create(dir).expect("a store");
    let mut batch = Vec::new();
    let length_s = days * 86_400;
    let start_us = now_us - (length_s * 1_000_000) as i64;
    for board in [TRIPPED, SOUND] {
        batch.push(hello(board, start_us));
        batch.push(Entry::Settings {
            board,
            settings: Settings::SMALL_BONDED,
        });
    }
    for k in 0..=length_s / step_s {
        let s = k * step_s;
        batch.push(Entry::Reading {
            board: SOUND,
            boot: 1,
            t_us: start_us + (s * 1_000_000) as i64,
            reading: reading(s),
        });
        if batch.len() > 20_000 {
            store.write(&batch).expect("writes");
            batch.clear();
        }
    }
    for s in 0..60 {
        let noon = 43_200 + s;
        batch.push(Entry::Reading {
            board: TRIPPED,
            boot: 1,
            t_us: now_us - 60_000_000 + (s * 1_000_000) as i64,
            reading: Reading {
                state: TripState::Latched,
                i_bond: BondCurrent::NotMeasured(NotMeasured::BondOpen),
                bond_open: true,
                ..reading(noon)
            },
        });
    }
    batch.extend(trip(now_us - 60_000_000));
    store.write(&batch).expect("writes");
    store.work_off_rollups().expect("roll-ups");
    store
}

/// What a board says around a trip, and the waveform.
fn trip(t_us: i64) -> Vec<Entry> {
    let at = SampleIndex(43_200 * u64::from(RATE_HZ));
    let event = |seq: u32, samples_after: i64, kind| Entry::Event {
        board: TRIPPED,
        t_us: t_us + samples_after * 1_000_000 / i64::from(RATE_HZ),
        host_us: t_us + 500_000,
        t_sigma_us: Some(800),
        event: Event {
            id: EventId { boot: 1, seq },
            at: SampleIndex(at.0.saturating_add_signed(samples_after)),
            kind,
        },
    };
    let after = |at: SampleIndex, samples: i64| SampleIndex(at.0.saturating_add_signed(samples));
    let mut said: Vec<Entry> = (0..3)
        .map(|seq| event(seq, -40_000 + i64::from(seq), EventKind::Rested))
        .collect();
    said.push(event(3, -20_000, EventKind::Connected));
    said.push(event(
        TRIP.seq,
        80,
        EventKind::Tripped {
            cause: TripCause::GroundFaultCurrent {
                dc: Amps(4.2),
                limit: Settings::SMALL_BONDED.current.ground_fault.above,
            },
            picked_up: at,
        },
    ));
    said.push(event(5, 140, EventKind::Opened { after: 60 }));
    let first = after(at, -(TRIGGER as i64));
    said.push(Entry::CaptureHead {
        board: TRIPPED,
        head: CaptureHead {
            event: TRIP,
            first,
            trigger: at,
            samples: CAPTURED,
            calibration: Calibration::REFERENCE,
        },
    });
    let codes: Vec<Codes> = (0..CAPTURED).map(code).collect();
    for (k, part) in codes.chunks(PART_SAMPLES).enumerate() {
        said.push(Entry::CapturePart {
            board: TRIPPED,
            part: CapturePart {
                event: TRIP,
                offset: (k * PART_SAMPLES) as u16,
                codes: part.iter().copied().collect(),
            },
        });
    }
    said
}

/// One sample of the waveform: 4.2 A between trigger and opening, which is past the sensitive range.
pub fn code(k: u16) -> Codes {
    let is_fault = (TRIGGER..TRIGGER + 140).contains(&u64::from(k));
    let amps = if is_fault { 4.2 } else { 0.002 };
    let counts = |full: f64| (amps / full * 32768.0).clamp(-32768.0, 32767.0) as i16;
    Codes {
        i_fine: counts(1.25),
        i_wide: counts(25.0),
        v_pos: 20_000 - (k as i16 % 7),
        v_neg: if is_fault { -30 } else { 3 },
    }
}

/// [`make_store`] with a reading every ten seconds, served; the folder is gone with the first.
pub fn served(days: u64) -> (tempfile::TempDir, Served) {
    let folder = tempfile::tempdir().expect("a folder");
    drop(make_store(folder.path(), days, 10));
    let served = Served::start(folder.path().to_owned(), None);
    (folder, served)
}

/// A page being served, until this is dropped.
pub struct Served {
    /// Where.
    pub at: SocketAddr,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Served {
    /// Serves a store on a free port of the loopback.
    pub fn start(store: PathBuf, token: Option<Token>) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let (send, receive) = mpsc::channel();
        let ends = Arc::clone(&stop);
        let thread = std::thread::spawn(move || {
            let options = Options {
                store,
                listen: "127.0.0.1:0".parse().expect("an address"),
                token,
            };
            serve::run(&options, &ends, |at| send.send(at).expect("is awaited")).expect("serves");
        });
        let at = receive
            .recv_timeout(Duration::from_secs(60))
            .expect("starts");
        Self {
            at,
            stop,
            thread: Some(thread),
        }
    }

    /// Asks for `path` as a browser of this machine would.
    pub fn get(&self, path: &str) -> Answer {
        self.ask("GET", path, &[])
    }

    /// Asks with more header lines; a `Host` among them replaces the usual one.
    pub fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)]) -> Answer {
        let mut reader = self.send(method, path, headers);
        let mut answer = read_head(&mut reader);
        reader.read_to_end(&mut answer.body).expect("a body");
        if answer.header("transfer-encoding") == Some("chunked") {
            answer.body = unchunked(&answer.body);
        }
        answer
    }

    /// The first `count` messages of server-sent events.
    pub fn messages(&self, path: &str, count: usize) -> Vec<serde_json::Value> {
        let mut reader = self.send("GET", path, &[]);
        let answer = read_head(&mut reader);
        assert_eq!(answer.status, 200);
        assert_eq!(answer.header("content-type"), Some("text/event-stream"));
        let mut messages = Vec::new();
        let mut line = String::new();
        while messages.len() < count {
            line.clear();
            assert_ne!(reader.read_line(&mut line).expect("a line"), 0, "it ended");
            if let Some(data) = line.strip_prefix("data: ") {
                messages.push(serde_json::from_str(data).expect("JSON"));
            }
        }
        messages
    }

    /// Sends a question and returns where the answer comes.
    pub fn send(&self, method: &str, path: &str, headers: &[(&str, &str)]) -> BufReader<TcpStream> {
        let mut port = TcpStream::connect(self.at).expect("connects");
        port.set_read_timeout(Some(Duration::from_secs(30)))
            .expect("a timeout");
        let own = self.at.to_string();
        let host = [("Host", own.as_str())];
        let has_host = headers.iter().any(|(name, _)| *name == "Host");
        let lines = host.iter().filter(|_| !has_host).chain(headers);
        let lines: Vec<_> = lines
            .map(|(name, value)| format!("{name}: {value}\r\n"))
            .collect();
        let text = format!(
            "{method} {path} HTTP/1.1\r\nConnection: close\r\n{}\r\n",
            lines.concat()
        );
        port.write_all(text.as_bytes()).expect("sends");
        BufReader::new(port)
    }

    /// Ends it; how long that took.
    pub fn end(mut self) -> Duration {
        let begun = std::time::Instant::now();
        self.stop();
        begun.elapsed()
    }

    fn stop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let ended = thread.join();
            if !std::thread::panicking() {
                ended.expect("ends well");
            }
        }
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        self.stop();
    }
}

/// What came back.
#[derive(Debug)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// By name in small letters.
    pub headers: BTreeMap<String, String>,
    /// The rest.
    pub body: Vec<u8>,
}

impl Answer {
    /// A header's value.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.get(name).map(String::as_str)
    }

    /// The body as text.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// The body as JSON.
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|why| panic!("{why}: {}", self.text()))
    }
}

fn read_head(reader: &mut impl BufRead) -> Answer {
    let mut line = String::new();
    reader.read_line(&mut line).expect("a status line");
    let status = line
        .split(' ')
        .nth(1)
        .and_then(|status| status.parse().ok());
    let status = status.unwrap_or_else(|| panic!("no status: {line:?}"));
    let mut headers = BTreeMap::new();
    loop {
        line.clear();
        reader.read_line(&mut line).expect("a header");
        let Some((name, value)) = line.trim_end().split_once(':') else {
            break;
        };
        headers.insert(name.to_ascii_lowercase(), value.trim().to_owned());
    }
    Answer {
        status,
        headers,
        body: Vec::new(),
    }
}

fn unchunked(mut bytes: &[u8]) -> Vec<u8> {
    let mut body = Vec::new();
    while let Some(end) = bytes.windows(2).position(|pair| pair == b"\r\n") {
        let size = std::str::from_utf8(&bytes[..end]).ok();
        let size = size.and_then(|size| usize::from_str_radix(size, 16).ok());
        let size = size.expect("a chunk's size");
        if size == 0 {
            break;
        }
        body.extend_from_slice(&bytes[end + 2..end + 2 + size]);
        bytes = &bytes[end + 4 + size..];
    }
    body
}

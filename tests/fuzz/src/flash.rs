//! Content of a board's flash: as boards leave it, then damaged, or written by somebody who knows the layout.
//!
//! Random bytes never have a right check sum. So places, records and heads are made with one, and hold whatever was drawn.

use arbitrary::{Arbitrary, Unstructured};
use ohmward_core::journal::Journal;
use ohmward_core::nv::{Kept, KeptCalibration, Nv, Permit};
use ohmward_core::ram_flash::NorFake;
use ohmward_proto::checksum::CRC;
use ohmward_proto::event::{Event, EventId, EventKind, TripCause};
use ohmward_proto::settings::Calibration;
use ohmward_proto::units::{Amps, Ohms, SampleIndex};
use ohmward_proto::{Message, Settings};
use std::collections::BTreeMap;
use std::sync::Mutex;

/// Bytes of a place of the ring, and of a record of the slots (`firmware/src/nv`).
pub const PLACE: usize = 64;
const RECORD: usize = 256;

/// One thing done to it. Places and blocks are taken modulo what there is.
#[derive(Arbitrary, Clone, Debug)]
pub enum Damage {
    /// Bits of a byte turn over.
    Flip { at: u16, bits: u8 },
    /// A place reads as nothing but this.
    Fill { place: u16, byte: u8 },
    /// A place is copied to another.
    Copy { from: u16, to: u16 },
    /// A block is copied to another.
    CopyBlock { from: u8, to: u8 },
    /// Any body, with a right check sum.
    Sound { place: u16, body: Vec<u8> },
    /// The head of a page.
    Head {
        block: u8,
        order: u32,
        acked_below: u32,
        next_serial: u32,
    },
    /// An event.
    Event {
        place: u16,
        serial: u32,
        boot: u32,
        seq: u32,
        at: u64,
        kind: u8,
    },
    /// What is acknowledged.
    Acked { place: u16, below: u32 },
    /// Settings, boot count, trip.
    Record {
        place: u8,
        generation: u32,
        acked_below: u32,
        boot: u32,
        tripped: bool,
        odd: u8,
    },
}

/// Some kind of event.
#[must_use]
pub fn kind(n: u8) -> EventKind {
    match n % 6 {
        0 => EventKind::Connected,
        1 => EventKind::Surge {
            peak: Amps(f32::from(n)),
            samples: 3,
        },
        2 => EventKind::Reset,
        3 => EventKind::EventsLost {
            count: u32::from(n) << 24 | 0xFF_FFFF,
        },
        4 => EventKind::FailedToOpen,
        _ => EventKind::Tripped {
            cause: TripCause::GroundFaultCurrent {
                dc: Amps(f32::from(n)),
                limit: Amps(1.0),
            },
            picked_up: SampleIndex(9),
        },
    }
}

/// What is kept of a board; `odd` draws what a sound board would not have written.
#[must_use]
pub fn kept(boot: u32, tripped: bool, odd: u8) -> Kept {
    let mut settings = Settings::SMALL_BONDED;
    let mut values = Calibration::REFERENCE;
    if odd & 1 == 1 {
        settings.insulation.trip_below = Ohms(f32::NAN);
    }
    if odd & 2 == 2 {
        values.v_pos.per_count = f32::INFINITY;
    }
    Kept {
        boot,
        settings,
        tripped: tripped.then_some(TripCause::SettingsLost),
        trips: odd >> 2,
        calibration: (odd & 4 == 4).then_some(KeptCalibration {
            values,
            made_unix_s: Some(i64::from(odd)),
        }),
    }
}

fn put(bytes: &mut [u8], place: usize, body: &[u8]) {
    let places = bytes.len() / PLACE;
    let Some(room) = bytes.chunks_exact_mut(PLACE).nth(place % places) else {
        return;
    };
    room.fill(0xFF);
    let len = body.len().min(PLACE - 4);
    room[..len].copy_from_slice(&body[..len]);
    let sum = CRC.checksum(&room[..PLACE - 4]);
    room[PLACE - 4..].copy_from_slice(&sum.to_le_bytes());
}

/// As postcard has it: tuples and structures are their fields, one behind the other.
fn postcard_of(value: &impl serde::Serialize) -> Vec<u8> {
    let mut room = [0; 512];
    postcard::to_slice(value, &mut room).map_or_else(|_| Vec::new(), |bytes| bytes.to_vec())
}

impl Damage {
    /// Does it to flash with erase blocks of this size.
    pub fn to(&self, bytes: &mut [u8], block_size: usize) {
        let (len, blocks) = (bytes.len(), bytes.len() / block_size);
        let place_at = |place: u16| usize::from(place) % (len / PLACE) * PLACE;
        match self {
            Self::Flip { at, bits } => bytes[usize::from(*at) % len] ^= bits,
            Self::Fill { place, byte } => bytes[place_at(*place)..][..PLACE].fill(*byte),
            Self::Copy { from, to } => {
                bytes.copy_within(place_at(*from)..place_at(*from) + PLACE, place_at(*to))
            }
            Self::CopyBlock { from, to } => {
                let at = |block: u8| usize::from(block) % blocks * block_size;
                bytes.copy_within(at(*from)..at(*from) + block_size, at(*to));
            }
            Self::Sound { place, body } => put(bytes, usize::from(*place), body),
            Self::Head {
                block,
                order,
                acked_below,
                next_serial,
            } => {
                let place = (2 + usize::from(*block) % (blocks - 2)) * block_size / PLACE;
                put(
                    bytes,
                    place,
                    &postcard_of(&(0_u8, 0x4F57_5201_u32, *order, *acked_below, *next_serial)),
                );
            }
            Self::Event {
                place,
                serial,
                boot,
                seq,
                at,
                kind: n,
            } => {
                let event = Event {
                    id: EventId {
                        boot: *boot,
                        seq: *seq,
                    },
                    at: SampleIndex(*at),
                    kind: kind(*n),
                };
                put(
                    bytes,
                    usize::from(*place),
                    &postcard_of(&(1_u8, *serial, event)),
                );
            }
            Self::Acked { place, below } => {
                put(bytes, usize::from(*place), &postcard_of(&(2_u8, *below)))
            }
            Self::Record {
                place,
                generation,
                acked_below,
                boot,
                tripped,
                odd,
            } => {
                let records = 2 * block_size / RECORD;
                let at = usize::from(*place) % records * RECORD;
                let record = (
                    0x4F57_0003_u32,
                    *generation,
                    kept(*boot, *tripped, *odd),
                    *acked_below,
                );
                let mut room = [0xFF; RECORD];
                if postcard::to_slice_crc32(
                    &record,
                    &mut room,
                    ohmward_proto::checksum::SMALL_CRC.digest(),
                )
                .is_ok()
                {
                    bytes[at..at + RECORD].copy_from_slice(&room);
                }
            }
        }
    }
}

/// Every event that stands in it under a right check sum.
#[must_use]
pub fn events(bytes: &[u8]) -> BTreeMap<EventId, Vec<Event>> {
    let mut found: BTreeMap<EventId, Vec<Event>> = BTreeMap::new();
    for place in bytes.chunks_exact(PLACE) {
        let (body, sum) = place.split_at(PLACE - 4);
        if CRC.checksum(body).to_le_bytes() != sum {
            continue;
        }
        if let Ok(((1_u8, _, event), _)) = postcard::take_from_bytes::<(u8, u32, Event)>(body) {
            found.entry(event.id).or_default().push(event);
        }
    }
    found
}

/// Flash as a board leaves it after a few runs: records, events, some of them acknowledged. Made once.
fn used<const W: usize, const E: usize, const B: usize, const M: usize>(
    runs: u32,
) -> NorFake<W, E, B, M> {
    static MADE: Mutex<BTreeMap<(usize, usize, u32), Vec<u8>>> = Mutex::new(BTreeMap::new());
    let mut made = MADE.lock().expect("one thread");
    let bytes = made
        .entry((W, E, runs))
        .or_insert_with(|| lived::<W, E, B, M>(runs).bytes_mut().to_vec());
    let mut flash = NorFake::default();
    flash.bytes_mut().copy_from_slice(bytes);
    flash
}

fn lived<const W: usize, const E: usize, const B: usize, const M: usize>(
    runs: u32,
) -> NorFake<W, E, B, M> {
    let mut flash = NorFake::default();
    for boot in 1..=runs {
        let (mut nv, _) = Nv::open(flash).expect("fits");
        nv.save(&kept(boot, boot % 2 == 0, 0), true).expect("saves");
        nv.prepare(1).expect("erases");
        let mut journal = Journal::new(boot);
        for n in 0..40 {
            let now = SampleIndex(u64::from(n) * 100);
            journal.push(now, kind(n));
            nv.serve(&mut journal, now, Permit::Erase);
            if n % 3 == 0
                && let Some(event) = journal.next_to_send(now, 10)
            {
                journal.acknowledge(event.id);
            }
        }
        for n in 0..60 {
            nv.serve(&mut journal, SampleIndex(10_000 + n), Permit::Erase);
        }
        flash = nv.into_flash();
    }
    flash
}

/// Damage as it is drawn, done. What a board has left may be new, or used for some runs.
pub fn drawn<const W: usize, const E: usize, const B: usize, const M: usize>(
    input: &mut Unstructured,
) -> arbitrary::Result<NorFake<W, E, B, M>> {
    let mut flash = match input.int_in_range(0..=3)? {
        0 => NorFake::default(),
        n => used(n),
    };
    for _ in 0..input.int_in_range(0..=12)? {
        input.arbitrary::<Damage>()?.to(flash.bytes_mut(), E);
    }
    Ok(flash)
}

/// Any message, as bytes have it.
pub fn message(input: &mut Unstructured) -> Option<Message> {
    let len = usize::from(input.arbitrary::<u8>().ok()?).min(input.len());
    postcard::take_from_bytes(input.bytes(len).ok()?)
        .ok()
        .map(|(message, _)| message)
}

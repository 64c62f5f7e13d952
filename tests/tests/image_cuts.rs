//! The supply goes away while the image writes its flash, and again while it comes back: no event that flash held is lost,
//! none is made up, and a trip stays a trip.
//!
//! The oracle is the linked firmware in the same samples, which has no cut: what it has made, and how much of that was still in
//! RAM only. A cut falls between two words of flash; words that are torn are `firmware/tests/power_cuts.rs`'s.

use ohmward::bench::case::Case;
use ohmward::bench::firmware;
use ohmward::bench::{around::Around, matrix};
use ohmward::sim::image::{Image, ImageError, bits_of, outputs_of};
use ohmward::sim::linked::LinkedBoard;
use ohmward_core::Outputs;
use ohmward_proto::Decoder;
use ohmward_proto::event::{Event, EventId, EventKind};
use ohmward_proto::message::Message;
use ohmward_tests::emulated::{RATE, image_in, sample, surroundings, told};
use std::collections::BTreeMap;

const CUTS: u32 = 36;
/// Samples given at a time, 10 ms.
const BATCH: u32 = 40;

/// A surge, and a fault that begins in it: start, connection, surge and trip are told, a waveform is kept.
fn case() -> Case {
    let mut cases = matrix::all();
    cases.retain(|case| case.name.starts_with("surge-and-fault/"));
    cases.swap_remove(0)
}

fn world(case: &Case) -> Around {
    surroundings(&case.waveform, &case.settings, case.before, case.seed)
}

/// The linked firmware's story up to some sample.
struct Story {
    linked: LinkedBoard,
    decoder: Decoder,
    made: Vec<Event>,
    /// Of those, how many the newest ones are in RAM only.
    in_ram: usize,
    /// Words of flash changed since the emulator began, after each batch.
    words: Vec<u32>,
}

impl Story {
    fn hear(&mut self) {
        let made = &mut self.made;
        self.decoder.feed(&self.linked.take_output(), |message| {
            if let Ok(Message::Event(event)) = message
                && !made.contains(&event)
            {
                made.push(event);
            }
        });
        self.in_ram = self.linked.monitor().events_unwritten();
    }

    fn in_flash(&self) -> &[Event] {
        &self.made[..self.made.len() - self.in_ram]
    }
}

/// Plays the case with no host at the line until the supply goes, or for so long. Returns what the linked firmware had before
/// the samples in which it went, and what it makes in those.
fn play_until_cut(
    image: &mut Image,
    case: &Case,
    around: &mut Around,
) -> (Story, Vec<Event>, bool) {
    let mut story = Story {
        linked: LinkedBoard::start(&firmware::setup(case)).expect("starts"),
        decoder: Decoder::new(),
        made: Vec::new(),
        in_ram: 0,
        words: vec![image.flash_words().expect("reads")],
    };
    let mut outputs = Outputs::default();
    let mut closed = 0;
    for _ in 0..8 * RATE / BATCH {
        let (mut given, mut driven) = (Vec::new(), Vec::new());
        for _ in 0..BATCH {
            closed += u32::from(around.contactor_closed());
            if closed == 3 * RATE / 2 {
                around.player.arm();
            }
            let (sample, inputs) = sample(around, &outputs);
            outputs = story.linked.turn(&sample, &inputs);
            given.push((sample, bits_of(&inputs)));
            driven.push(outputs);
        }
        match image.step(&given) {
            Ok(answers) => {
                let answered: Vec<_> = answers.iter().map(|a| outputs_of(a.outputs)).collect();
                assert_eq!(answered, driven);
            }
            Err(ImageError::Restarted { outputs, .. }) => {
                assert_eq!(outputs, 0, "outputs right after the cut");
                let before = story.made.len();
                let in_ram = story.in_ram;
                story.hear();
                let then = story.made.split_off(before);
                story.in_ram = in_ram;
                return (story, then, true);
            }
            Err(why) => panic!("{why}"),
        }
        story.hear();
        story.words.push(image.flash_words().expect("reads"));
    }
    (story, Vec::new(), false)
}

#[test]
fn no_event_is_lost_when_the_supply_goes_in_a_write() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let case = case();
    let setup = firmware::setup(&case);
    let mut image = Image::start(&path, &setup).unwrap_or_else(|why| panic!("{why}"));
    image
        .restart_blank(&setup)
        .unwrap_or_else(|why| panic!("{why}"));
    let (story, _, cut) = play_until_cut(&mut image, &case, &mut world(&case));
    // Erases have far more words than all the rest: the cuts fall into writes.
    let of_writes: Vec<u32> = story
        .words
        .windows(2)
        .filter(|pair| pair[1].wrapping_sub(pair[0]) < 500)
        .flat_map(|pair| pair[0]..pair[1])
        .map(|word| word.wrapping_sub(story.words[0]) + 1)
        .collect();
    let words = of_writes.len() as u32;
    assert!(!cut && words > CUTS, "{words} words");
    let trips = |events: &[Event]| {
        events
            .iter()
            .any(|event| matches!(event.kind, EventKind::Tripped { .. }))
    };
    assert!(trips(story.in_flash()), "{:?}", story.made);
    let (mut kept, mut after_trip) = (0, 0);
    for n in 0..CUTS {
        // Evenly over all the words, each at another place of its record.
        let at = of_writes[(n * (words - 1) / (CUTS - 1)) as usize];
        image
            .restart_blank(&setup)
            .unwrap_or_else(|why| panic!("{why}"));
        image.cut_after_flash_words(at).expect("writes");
        let mut around = world(&case);
        let (story, then, cut) = play_until_cut(&mut image, &case, &mut around);
        assert!(cut, "word {at} was not written");
        image
            .wait_for_start()
            .unwrap_or_else(|why| panic!("word {at}: {why}"));
        // And again while it comes back, or soon after.
        image.cut_after_flash_words(1 + n % 24).expect("writes");
        image
            .cycle_power()
            .unwrap_or_else(|why| panic!("word {at}: {why}"));
        told(&mut image, &mut Decoder::new());
        let mut again: BTreeMap<EventId, Event> = BTreeMap::new();
        let mut decoder = Decoder::new();
        let mut outputs = Outputs::default();
        for _ in 0..RATE / BATCH {
            // The world sees what was driven 10 ms ago.
            let given: Vec<_> = (0..BATCH)
                .map(|_| {
                    let (sample, inputs) = sample(&mut around, &outputs);
                    (sample, bits_of(&inputs))
                })
                .collect();
            outputs = match image.step(&given) {
                Ok(answers) => {
                    assert!(
                        !(trips(story.in_flash())
                            && answers.iter().any(|a| outputs_of(a.outputs).contactor)),
                        "word {at}: closed again after a trip"
                    );
                    answers
                        .last()
                        .map_or(outputs, |answer| outputs_of(answer.outputs))
                }
                Err(ImageError::Restarted { .. }) => {
                    image
                        .wait_for_start()
                        .unwrap_or_else(|why| panic!("word {at}: {why}"));
                    decoder = Decoder::new();
                    Outputs::default()
                }
                Err(why) => panic!("word {at}: {why}"),
            };
            for event in told(&mut image, &mut decoder) {
                let first = *again.entry(event.id).or_insert(event);
                assert_eq!(first, event, "word {at}: one number, two events");
            }
        }
        image.cut_after_flash_words(0).expect("writes");
        for event in story.in_flash() {
            assert_eq!(again.get(&event.id), Some(event), "word {at}: lost");
        }
        for event in again.values().filter(|event| event.id.boot == setup.boot) {
            assert!(
                story.made.contains(event) || then.contains(event),
                "word {at}: made up: {event:?}"
            );
        }
        kept += story.in_flash().len();
        after_trip += u32::from(trips(story.in_flash()));
    }
    println!(
        "{CUTS} cuts over {words} words of flash, each with another one behind it: {kept} events kept, {after_trip} cuts behind a trip"
    );
    assert!(
        kept > CUTS as usize / 2 && after_trip > 0,
        "{kept} {after_trip}"
    );
}

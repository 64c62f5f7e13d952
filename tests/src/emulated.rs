//! An image that runs by itself in the surroundings of a bench case.

use ohmward::bench::around::{Around, Parts, sensors};
use ohmward::bench::array::Leakage;
use ohmward::bench::waveform::Waveform;
use ohmward::sim::image::{Image, ImageError, bits_of, outputs_of};
use ohmward_core::{Inputs, Outputs, Sample};
use ohmward_plant::contactor::ContactorSettings;
use ohmward_proto::emulated::Setup;
use ohmward_proto::event::{EventKind, StartReason};
use ohmward_proto::message::{BoardId, Message};
use ohmward_proto::settings::{Calibration, Settings};
use ohmward_proto::{Decoder, Event};
use std::path::{Path, PathBuf};

/// Samples per second.
pub const RATE: u32 = 4000;

/// The image that a variable names; `None` where there is none and none is required.
pub fn image_in(variable: &str) -> Option<PathBuf> {
    let path = std::env::var_os(variable).map(PathBuf::from);
    assert!(
        path.is_some() || std::env::var_os("OHMWARD_REQUIRE_TOOLS").is_none(),
        "{variable} names no image: bash .ci/run builds it"
    );
    path
}

/// What a board of these tests is built with.
pub fn setup(settings: Settings, calibration: Calibration, reason: StartReason) -> Setup {
    Setup {
        board: BoardId(7),
        boot: 1,
        reason,
        sample_rate_hz: RATE,
        epoch_unix_ms: None,
        settings,
        calibration,
    }
}

/// The world around it: an array with this leakage, and this current.
pub fn surroundings(
    waveform: &Waveform,
    settings: &Settings,
    leakage: Leakage,
    seed: u64,
) -> Around {
    Around::new(&Parts {
        waveform,
        settings,
        calibration: &Calibration::REFERENCE,
        sensors: sensors(waveform),
        contactor: ContactorSettings::default(),
        leakage,
        seed,
    })
}

/// Runs until the array is connected.
pub fn connected(path: &Path) -> (Image, Around) {
    let settings = Settings::SMALL_BONDED;
    let quiet = Waveform::quiet(50.0);
    let setup = setup(settings, Calibration::REFERENCE, StartReason::PowerOn);
    let mut image = Image::start(path, &setup).unwrap_or_else(|why| panic!("{why}"));
    let mut around = surroundings(&quiet, &settings, Leakage::HEALTHY, 1);
    let mut outputs = Outputs::default();
    for _ in 0..90 * RATE {
        let answered = one(&mut image, &mut around, outputs, 0);
        outputs = answered.unwrap_or_else(|why| {
            let _ = image.wait_for_start();
            let _ = image.step(&[(Sample::default(), 0); 100]);
            let kinds = events(&mut image, &mut Decoder::new());
            panic!("{why}; then {kinds:?}; line {:?}", image.panic_line())
        });
        if outputs.contactor {
            break;
        }
    }
    assert!(outputs.contactor, "connects");
    (image, around)
}

/// One sample in a closed loop with the image.
///
/// # Errors
/// The image's; a failure that the sample asked for is one.
pub fn one(
    image: &mut Image,
    around: &mut Around,
    outputs: Outputs,
    failure: u16,
) -> Result<Outputs, ImageError> {
    let (sample, inputs) = sample(around, &outputs);
    let answers = image.step(&[(sample, bits_of(&inputs) | failure)])?;
    Ok(outputs_of(answers[0].outputs))
}

/// The next sample of the surroundings, and the inputs that belong to it.
pub fn sample(around: &mut Around, outputs: &Outputs) -> (Sample, Inputs) {
    let sample = Sample {
        codes: around.step(outputs),
        lost_before: 0,
    };
    let inputs = Inputs {
        contactor_feedback: around.contactor_closed(),
        reset: false,
        arm: false,
    };
    (sample, inputs)
}

/// Events in what the image has said since the last call.
pub fn told(image: &mut Image, decoder: &mut Decoder) -> Vec<Event> {
    let said = image.take_output().expect("hears");
    let mut events = Vec::new();
    decoder.feed(&said, |message| {
        if let Ok(Message::Event(event)) = message {
            events.push(event);
        }
    });
    events
}

/// What they are.
pub fn events(image: &mut Image, decoder: &mut Decoder) -> Vec<EventKind> {
    let told = told(image, decoder);
    told.into_iter().map(|event| event.kind).collect()
}

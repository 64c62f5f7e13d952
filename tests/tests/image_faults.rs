//! The image on an emulated Cortex-M4F when it fails: outputs off each time, and told after the restart.

use ohmward::sim::image::{ImageError, outputs_of};
use ohmward_core::Outputs;
use ohmward_proto::Decoder;
use ohmward_proto::emulated::{input, output};
use ohmward_proto::event::{EventKind, StartReason, TripCause};
use ohmward_tests::emulated::{RATE, connected, events, image_in, one};

/// Every way in which the firmware can fail opens the contactor, and the next start says why and stays tripped.
#[test]
fn every_failure_opens_the_contactor_and_is_told_after_the_restart() {
    let Some(path) = image_in("OHMWARD_IMAGE_FAULTS") else {
        return;
    };
    for (name, failure, reason, trips) in [
        ("panic", input::PANIC, StartReason::Panic, true),
        (
            "hard fault",
            input::HARD_FAULT,
            StartReason::HardFault,
            true,
        ),
        ("hang", input::HANG, StartReason::Watchdog, true),
        ("deaf hang", input::DEAF_HANG, StartReason::Watchdog, true),
        (
            "stack overflow",
            input::STACK_OVERFLOW,
            StartReason::StackOverflow,
            true,
        ),
        ("brown-out", input::SUPPLY_LOW, StartReason::BrownOut, false),
    ] {
        let (mut image, mut around) = connected(&path);
        assert_ne!(
            image.pins().expect("reads") & output::CONTACTOR,
            0,
            "{name}"
        );
        let driven = outputs_of(image.pins().expect("reads"));
        let starts = image.starts().expect("reads");
        let failed = one(&mut image, &mut around, driven, failure);
        let Err(ImageError::Restarted { outputs, .. }) = failed else {
            panic!("{name}: {failed:?}");
        };
        assert_eq!(outputs, 0, "{name}: outputs right after");
        image
            .wait_for_start()
            .unwrap_or_else(|why| panic!("{name}: {why}"));
        assert_eq!(
            image.starts().expect("reads"),
            starts + 1,
            "{name}: one restart"
        );
        assert_eq!(
            image.panic_line().expect("reads") > 0,
            name == "panic",
            "{name}"
        );
        let mut outputs = Outputs::default();
        let mut decoder = Decoder::new();
        let mut kinds = Vec::new();
        for _ in 0..2 * RATE {
            outputs = one(&mut image, &mut around, outputs, 0)
                .unwrap_or_else(|why| panic!("{name}: {why}"));
            assert!(!outputs.contactor, "{name}: closed again by itself");
            kinds.extend(events(&mut image, &mut decoder));
        }
        assert!(
            kinds.iter().any(
                |kind| matches!(kind, EventKind::Started { reason: told, .. } if *told == reason)
            ),
            "{name}: {kinds:?}"
        );
        let restarted = kinds.iter().any(|kind| {
            matches!(kind, EventKind::Tripped { cause: TripCause::Restarted(told), .. } if *told == reason)
        });
        assert_eq!(restarted, trips, "{name}: {kinds:?}");
        println!("{name}: outputs off, started again because of {reason:?}");
    }
}

/// An image that is not built for it does not fail when a sample says so.
#[test]
fn the_image_for_use_takes_no_failures() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let (mut image, mut around) = connected(&path);
    let driven = outputs_of(image.pins().expect("reads"));
    let all =
        input::PANIC | input::HARD_FAULT | input::HANG | input::DEAF_HANG | input::STACK_OVERFLOW;
    let outputs = one(&mut image, &mut around, driven, all).unwrap_or_else(|why| panic!("{why}"));
    assert!(outputs.contactor);
    // A supply that goes away leaves flash, and no reason behind.
    image.cycle_power().unwrap_or_else(|why| panic!("{why}"));
    assert_eq!(image.pins().expect("reads"), 0);
    let mut decoder = Decoder::new();
    let mut kinds = Vec::new();
    let mut outputs = Outputs::default();
    for _ in 0..100 {
        outputs = one(&mut image, &mut around, outputs, 0).unwrap_or_else(|why| panic!("{why}"));
        kinds.extend(events(&mut image, &mut decoder));
    }
    assert!(
        kinds.iter().any(|kind| matches!(
            kind,
            EventKind::Started {
                reason: StartReason::PowerOn,
                ..
            }
        )),
        "{kinds:?}"
    );
}

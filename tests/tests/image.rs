//! The firmware as an image on an emulated Cortex-M4F, against the same firmware linked into this test.
//!
//! `.ci/run` builds the images and names them in `OHMWARD_IMAGE` and `OHMWARD_IMAGE_FAULTS` (feature `fault-inject`). The
//! linked firmware closes the loop with its surroundings; the image gets the same words, and must answer with the same
//! outputs, the same bytes on the link and the same flash (`ohmward::sim::pair`). So what is tested on the linked firmware holds on
//! the target. Here one case of each of the bench's groups; `ohmward bench --image FILE --compare` runs them all.

use ohmward::bench::case::Case;
use ohmward::bench::firmware::{self, Alone};
use ohmward::bench::on_image::OnImage;
use ohmward::bench::rig::run_on;
use ohmward::bench::run::Verdict;
use ohmward::bench::waveform::Waveform;
use ohmward::bench::{On, array::Leakage, matrix, run, run_matrix};
use ohmward::sim::image::{Image, ImageError};
use ohmward::sim::linked::LinkedBoard;
use ohmward::sim::pair::{Depth, Difference, Pair, PairError};
use ohmward_core::Inputs;
use ohmward_core::Sample;
use ohmward_plant::{Scenario, Switches, World};
use ohmward_proto::Insulation;
use ohmward_proto::emulated::{Answer, Setup, TICKS_HZ};
use ohmward_proto::event::{EventKind, StartReason};
use ohmward_proto::message::BoardId;
use ohmward_proto::settings::{Calibration, Settings};
use ohmward_proto::units::Amps;
use ohmward_tests::emulated::{image_in, sample, setup, surroundings};

/// Invented: an array that does not exist.
const MORNING: &str = r#"
name = "morning"
note = "Invented, for end-to-end tests."
seed = 4
start = "2026-04-10T09:00:00Z"
duration_h = 0.04

[board]
id = "00000000000000d2"

[array]
strings = 2
modules_per_string = 5

[load]
kind = "working-point"

[weather]
latitude_deg = 45.0
cloudiness = 0.2
rain_days_per_week = 0.0

[[surge]]
at_h = 0.02
peak_a = 2000.0

[[fault]]
string = 1
position = 4
ohm = 8.0
from_h = 0.03
to_h = 0.039
"#;

/// The first case of each group: group names are the questions that the bench asks.
fn one_of_each_group() -> Vec<Case> {
    let mut cases = matrix::all();
    let mut groups = Vec::new();
    cases.retain(|case| {
        let first = !groups.contains(&case.group);
        groups.push(case.group);
        first
    });
    cases
}

/// Spoilt words, missed samples, restarts and insulation cycles among them; and the verdicts are the linked core's.
#[test]
fn a_case_of_each_group_is_the_same_to_the_bit() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let cases = one_of_each_group();
    assert!(cases.len() > 40, "{}", cases.len());
    let on = OnImage::new(&path, true).expect("an image and an emulator");
    let through_image = run_matrix(On::Image(&on), &cases).unwrap_or_else(|why| panic!("{why}"));
    let linked = run_matrix(On::Linked, &cases).expect("runs");
    for (image, linked) in through_image.iter().zip(&linked) {
        let (a, b) = (&image.outcome, &linked.outcome);
        assert_eq!(a.difference, None, "{}", image.case.name);
        assert_eq!(
            (a.verdict, a.reached_s, a.cause, a.against, a.state),
            (b.verdict, b.reached_s, b.cause, b.against, b.state),
            "{}",
            image.case.name
        );
    }
    let compared = on.summary().compared.expect("asked for");
    println!("{} cases: {compared:?}", cases.len());
    assert!(compared.samples > 500_000 && compared.link_bytes > 50_000 && compared.flashes > 500);
}

/// Without the linked firmware ahead of it: every sample waits for the image's answer.
#[test]
fn a_case_through_the_image_alone_ends_as_through_the_linked_core() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let wanted = ["sudden change 30 mA", "lost sensor", "restart is a trip"];
    let mut image = None;
    for case in one_of_each_group()
        .iter()
        .filter(|case| wanted.contains(&case.group))
    {
        let setup = firmware::setup(case);
        let image = image.get_or_insert_with(|| {
            Image::start(&path, &setup).unwrap_or_else(|why| panic!("{why}"))
        });
        let mut alone = Alone::start(image, &setup).unwrap_or_else(|why| panic!("{why}"));
        let a = run_on(case, &mut alone).unwrap_or_else(|why| panic!("{why}"));
        let b = run::run(case).expect("runs");
        assert_eq!(
            (a.verdict, a.reached_s, a.cause, a.against, a.state),
            (b.verdict, b.reached_s, b.cause, b.against, b.state),
            "{}",
            case.name
        );
        assert_eq!(a.verdict, Verdict::Pass, "{}", case.name);
    }
}

/// A comparison that finds nothing must be able to find something.
#[test]
fn a_difference_is_found_in_its_sample() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let good = setup(
        Settings::SMALL_BONDED,
        Calibration::REFERENCE,
        StartReason::PowerOn,
    );
    let mut image = Image::start(&path, &good).unwrap_or_else(|why| panic!("{why}"));
    let other_board = Setup {
        board: BoardId(8),
        ..good
    };
    let named = first_difference(&mut image, &good, &other_board);
    // The hello is made ready and sent in the first few samples, a piece in each.
    assert!(named.sample < 20 && named.field == "link", "{named}");
    assert!(named.linked.contains("BoardId(8)") && named.image.contains("BoardId(7)"));

    let mut settings = good.settings;
    settings.check.before_connect = false;
    let unchecked = Setup { settings, ..good };
    let named = first_difference(&mut image, &good, &unchecked);
    assert!(
        named
            .to_string()
            .starts_with(&format!("sample {}: ", named.sample)),
        "{named}"
    );
    // A limit of no consequence here: only what is kept of it differs.
    let mut settings = good.settings;
    settings.current.continuous.above = Amps(0.29);
    let other_limit = Setup { settings, ..good };
    let named = first_difference(&mut image, &good, &other_limit);
    assert!(
        named.field == "link" || named.field.starts_with("flash"),
        "{named}"
    );
}

fn first_difference(image: &mut Image, of_image: &Setup, of_linked: &Setup) -> Difference {
    let linked = LinkedBoard::start(of_linked).expect("starts");
    let mut pair =
        Pair::of(image, of_image, linked, Depth::All).unwrap_or_else(|why| panic!("{why}"));
    let quiet = Waveform::quiet(50.0);
    let mut around = surroundings(&quiet, &of_image.settings, Leakage::HEALTHY, 1);
    let mut outputs = ohmward_core::Outputs::default();
    for _ in 0..40_000 {
        let (sample, inputs) = sample(&mut around, &outputs);
        match pair.turn(&sample, &inputs) {
            Ok(driven) => outputs = driven,
            Err(PairError::Differ(difference)) => return *difference,
            Err(why) => panic!("{why}"),
        }
    }
    panic!("no difference seen")
}

/// Four minutes of an invented morning: dawn is over, the array connects, a surge, a hard fault. A whole day is 345 million
/// samples, an hour or more of emulation.
#[test]
fn an_invented_morning_is_the_same_to_the_bit() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let scenario = Scenario::parse("morning", MORNING).unwrap_or_else(|why| panic!("{why}"));
    let setup = Setup {
        board: scenario.board.id,
        boot: scenario.board.boot,
        reason: StartReason::PowerOn,
        sample_rate_hz: scenario.board.sample_rate_hz,
        epoch_unix_ms: None,
        settings: scenario.settings,
        calibration: Calibration::REFERENCE,
    };
    let mut world = World::new(&scenario, &Calibration::REFERENCE).expect("sound");
    let mut image = Image::start(&path, &setup).unwrap_or_else(|why| panic!("{why}"));
    let mut pair =
        Pair::start(&mut image, &setup, Depth::All).unwrap_or_else(|why| panic!("{why}"));
    pair.answers = Some(Vec::new());
    let mut o = ohmward_core::Outputs::default();
    while world.now() < world.end() {
        let sensed = world
            .step(&Switches {
                contactor: o.contactor,
                bond_open: o.bond_switch,
                bridge_pos: o.bridge_pos,
                bridge_neg: o.bridge_neg,
                inject: o.inject,
            })
            .expect("solves");
        let inputs = Inputs {
            contactor_feedback: sensed.contactor_feedback,
            reset: sensed.reset,
            arm: sensed.arm,
        };
        let sample = Sample {
            codes: sensed.codes,
            lost_before: 0,
        };
        o = pair
            .turn(&sample, &inputs)
            .unwrap_or_else(|why| panic!("{why}"));
    }
    pair.catch_up().unwrap_or_else(|why| panic!("{why}"));
    println!("an invented morning: {:?}", pair.compared());
    print!("{}", cost(pair.answers.as_deref().unwrap_or_default()));
    let (events, readings) = (&pair.host.events, &pair.host.readings);
    assert!(
        events
            .iter()
            .any(|e| matches!(e.kind, EventKind::Tripped { .. })),
        "{events:?}"
    );
    assert!(
        readings
            .iter()
            .any(|r| matches!(r.insulation, Insulation::Measured { .. })),
        "no insulation measured"
    );
}

/// Ticks as instructions: the emulator takes 64 ns for each (`-icount shift=6`).
fn instructions(ticks: u64) -> u64 {
    ticks * 1_000_000_000 / u64::from(TICKS_HZ) / 64
}

fn cost(answers: &[Answer]) -> String {
    let mean = |ticks: &dyn Fn(&Answer) -> u32| {
        let sum: u64 = answers.iter().map(|a| u64::from(ticks(a))).sum();
        instructions(sum / answers.len().max(1) as u64)
    };
    let worst = |ticks: &dyn Fn(&Answer) -> u32| {
        instructions(u64::from(answers.iter().map(ticks).max().unwrap_or(0)))
    };
    format!(
        "  instructions: decision mean {}, worst {}; with flash and link mean {}, worst {}\n",
        mean(&|a| a.decide_ticks),
        worst(&|a| a.decide_ticks),
        mean(&|a| a.turn_ticks),
        worst(&|a| a.turn_ticks),
    )
}

#[test]
fn what_is_missing_is_told_in_one_line() {
    let setup = setup(
        Settings::SMALL_BONDED,
        Calibration::REFERENCE,
        StartReason::PowerOn,
    );
    let missing: Result<Image, ImageError> =
        Image::start(std::path::Path::new("no-such-image"), &setup);
    let words = missing.expect_err("refused").to_string();
    assert!(
        words.starts_with("cannot read the image no-such-image") && !words.contains('\n'),
        "{words}"
    );
}

//! Runs many drawn scenarios in both gears: `cargo run --release -p ohmward-tests --example gears_agree -- 1000 [FIRST]`.
//!
//! Says which differ, and exits with 1 when any does. A number alone, `-- show N`, prints a scenario and both stories.

use ohmward_plant::Scenario;
use ohmward_tests::drawn::{compare, text};
use std::process::ExitCode;

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let number = |k: usize, or: u64| args.get(k).and_then(|a| a.parse().ok()).unwrap_or(or);
    if args.first().is_some_and(|a| a == "show") {
        let text = text(number(1, 0));
        println!("{text}");
        if let Ok(scenario) = Scenario::parse("drawn.toml", &text) {
            let compared = compare(&scenario);
            for (name, said) in [("every", &compared.every), ("skipped", &compared.skipped)] {
                for event in &said.events {
                    println!("{name}: {} {:?}", event.at.0, event.kind);
                }
            }
        }
        return ExitCode::SUCCESS;
    }
    let (count, first) = (number(0, 100), number(1, 0));
    let (mut different, mut events, mut worst_ms, mut hours) = (0, 0, 0.0_f64, 0.0);
    let mut measured_ms = 0.0_f64;
    for n in first..first + count {
        let scenario = match Scenario::parse(&format!("drawn-{n}.toml"), &text(n)) {
            Ok(scenario) => scenario,
            Err(e) => {
                eprintln!("{e}");
                return ExitCode::from(2);
            }
        };
        hours += scenario.duration_h;
        let compared = compare(&scenario);
        events += compared.every.events.len();
        measured_ms = measured_ms.max(compared.measured_apart_ms);
        if compared.apart_ms > worst_ms {
            worst_ms = compared.apart_ms;
            println!("{n}: {worst_ms:.2} ms apart");
        }
        if let Some(k) = compared.first_difference {
            different += 1;
            println!("{n}: event {k} differs");
            println!("  every sample:  {:?}", compared.every.events.get(k));
            println!("  quiet skipped: {:?}", compared.skipped.events.get(k));
        }
    }
    println!(
        "{count} scenarios, {hours:.0} h, {events} events: {different} told differently, like events at most {worst_ms:.2} ms apart, those that wait \
         for a measurement {measured_ms:.0} ms"
    );
    ExitCode::from(u8::from(different > 0))
}

//! Nothing lost, nothing twice, nothing made up: bit errors, unplugging, kill -9, power cuts, full disks, two hosts.
//!
//! A few runs here; as many as are asked for with `OHMWARD_LINK_RUNS`. A run that fails prints its number, and
//! `OHMWARD_LINK_SEED` runs it alone.

use ohmward_tests::line::Manners;
use ohmward_tests::lossless::{Mishap, Plan, Tally, run};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicU64, Ordering};

/// Runs in `cargo test`.
const RUNS: u64 = 30;

fn number(name: &str) -> Option<u64> {
    let text = std::env::var(name).ok()?;
    Some(
        text.parse()
            .unwrap_or_else(|_| panic!("{name} is not a number: {text}")),
    )
}

#[test]
fn whatever_happens_to_the_line_every_event_is_kept_once() {
    if let Some(seed) = number("OHMWARD_LINK_SEED") {
        let plan = Plan::draw(seed);
        println!("{plan:#?}");
        println!("{:?}", run(&plan));
        return;
    }
    let runs = number("OHMWARD_LINK_RUNS").unwrap_or(RUNS);
    let next = AtomicU64::new(0);
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let results: Vec<(u64, Result<Tally, ()>)> = std::thread::scope(|scope| {
        let work: Vec<_> = (0..threads)
            .map(|_| {
                scope.spawn(|| {
                    let mut done = Vec::new();
                    loop {
                        let seed = next.fetch_add(1, Ordering::Relaxed);
                        if seed >= runs {
                            return done;
                        }
                        let plan = Plan::draw(seed);
                        let ran = catch_unwind(AssertUnwindSafe(|| run(&plan)));
                        if ran.is_err() {
                            println!("FAILED: run it alone with OHMWARD_LINK_SEED={seed}");
                        }
                        done.push((seed, ran.map_err(drop)));
                    }
                })
            })
            .collect();
        work.into_iter()
            .flat_map(|w| w.join().expect("caught"))
            .collect()
    });
    let failed: Vec<u64> = results
        .iter()
        .filter(|(_, r)| r.is_err())
        .map(|(s, _)| *s)
        .collect();
    let mut sum = Tally::default();
    for tally in results.iter().filter_map(|(_, r)| r.ok()) {
        sum.made += tally.made;
        sum.lost_with_supply += tally.lost_with_supply;
        sum.in_ram_at_cut += tally.in_ram_at_cut;
        sum.readings += tally.readings;
        sum.captures += tally.captures;
        sum.captures_partial += tally.captures_partial;
        sum.harmed += tally.harmed;
        sum.timed += tally.timed;
    }
    println!("{runs} runs, {} failed: {sum:?}", failed.len());
    assert!(failed.is_empty(), "runs {failed:?}");
    // The damage was there, and so was what it should have hidden.
    assert!(
        sum.harmed > 10 * runs && sum.made as u64 > 5 * runs,
        "{sum:?}"
    );
    assert!(
        sum.captures as u64 > runs / 2 && sum.timed > sum.made / 2,
        "{sum:?}"
    );
}

/// The same number is the same run, to the last count.
#[test]
fn a_run_repeats_itself() {
    let plan = Plan::draw(4);
    assert_eq!(run(&plan), run(&plan));
}

/// A slow line, a capture, and a cable that is pulled in the middle of it: the rest comes, not all of it again.
#[test]
fn a_capture_goes_on_where_it_was_cut_off() {
    let plan = Plan {
        seed: 1,
        seconds: 40.0,
        manners: [Manners::clean(9600); 2],
        hosts: 1,
        commit_us: 5_000,
        drift: 0.0,
        mishaps: vec![
            (9_000_000, Mishap::Fault),
            (14_000_000, Mishap::Unplug { for_us: 1_000_000 }),
            (18_000_000, Mishap::Unplug { for_us: 500_000 }),
        ],
    };
    let tally = run(&plan);
    assert_eq!(
        (tally.captures, tally.captures_partial),
        (1, 0),
        "{tally:?}"
    );
}

//! The page in a real browser: Debian's Chromium, driven by npm's `playwright-core` (`tests/browser/page.cjs`).

use ohmward::store::Entry;
use ohmward_tests::served::{SOUND, Served, make_store, now_us, reading};
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// A second is asked for; a build that is not optimised, on a machine with other work, is given more.
const FIRST_CHART_WITHIN_MS: u32 = if cfg!(debug_assertions) { 4000 } else { 1000 };

#[test]
fn a_year_is_looked_at_in_a_browser_while_it_is_recorded() {
    let folder = tempfile::tempdir().unwrap();
    // A reading every ten minutes: as many hours and days as a year at one a second has, and made in seconds.
    let mut recorder = make_store(folder.path(), 365, 600);
    let served = Served::start(folder.path().to_owned(), None);
    let stop = Arc::new(AtomicBool::new(false));
    let ends = Arc::clone(&stop);
    let writer = std::thread::spawn(move || {
        let mut s = 365 * 86_400;
        while !ends.load(Ordering::Relaxed) {
            s += 1;
            let row = Entry::Reading {
                board: SOUND,
                boot: 1,
                t_us: now_us(),
                reading: reading(s),
            };
            recorder.write(&[row]).unwrap();
            std::thread::sleep(Duration::from_millis(500));
        }
    });
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("browser/page.cjs");
    let output = Command::new("node")
        .arg(script)
        .arg(format!("http://{}/", served.at))
        .arg(FIRST_CHART_WITHIN_MS.to_string())
        .args(std::env::var_os("OHMWARD_PAGE_PICTURES"))
        .output();
    stop.store(true, Ordering::Relaxed);
    writer.join().unwrap();
    let output = match output {
        Ok(output) if output.status.code() != Some(77) => output,
        skipped => {
            assert!(
                std::env::var_os("OHMWARD_REQUIRE_TOOLS").is_none(),
                "{skipped:?}"
            );
            eprintln!("skipped: {skipped:?}");
            return;
        }
    };
    let said = String::from_utf8_lossy(&output.stdout);
    println!("{said}");
    assert!(
        output.status.success(),
        "{said}{}",
        String::from_utf8_lossy(&output.stderr)
    );
    // That the script has come to its end.
    assert!(said.contains("comes back by itself"), "{said}");
}

//! Settings and boot count over power cuts: old or new, never mixed, never gone.

use ohmward_core::nv::{Found, Kept, Nv};
use ohmward_core::ram_flash::{ERASE_STEPS, RamFlash, Tear};
use ohmward_proto::Settings;
use ohmward_proto::units::Amps;

fn kept(boot: u32) -> Kept {
    let mut settings = Settings::SMALL_BONDED;
    settings.current.continuous.above = Amps(0.1 + boot as f32 * 1e-3);
    Kept {
        boot,
        settings,
        tripped: None,
        trips: 0,
        calibration: None,
    }
}

fn open(flash: RamFlash) -> (Nv<RamFlash>, Found) {
    Nv::open(flash).expect("geometry fits")
}

#[test]
fn a_new_board_has_nothing_and_then_what_was_saved() {
    let (mut nv, found) = open(RamFlash::default());
    assert_eq!(found, Found::Nothing);
    for boot in 1..60 {
        nv.save(&kept(boot), true).expect("saves");
        let (again, found) = open(nv.into_flash());
        assert_eq!(found, Found::Kept(kept(boot)));
        nv = again;
    }
}

/// The supply is cut after every possible number of changed bytes, then the board starts cold. The seventeenth record is the
/// first that needs the other slot.
#[test]
fn a_cut_at_any_byte_leaves_the_old_or_the_new_record() {
    let (mut nv, _) = open(RamFlash::default());
    for boot in 1..=16 {
        nv.save(&kept(boot), true).expect("saves");
    }
    let before = nv.into_flash();
    let (mut old, mut new) = (0, 0);
    for steps in 0..=u64::from(ERASE_STEPS) + 256 {
        let mut flash = before.clone();
        flash.cut_after(steps, Tear::Sharp);
        let (mut nv, _) = open(flash);
        let saved = nv.save(&kept(17), true).is_ok();
        let mut flash = nv.into_flash();
        flash.power_up();
        match open(flash).1 {
            Found::Kept(k) if k == kept(16) && !saved => old += 1,
            Found::Kept(k) if k == kept(17) => new += 1,
            other => panic!("after {steps} steps, saved {saved}: {other:?}"),
        }
    }
    // The record is shorter than its place: what is cut behind its end is whole.
    assert!(old > 50 && new > 50, "{old} old, {new} new");
}

#[test]
fn rubbish_in_both_slots_is_damage_not_a_new_board() {
    let (mut nv, _) = open(RamFlash::default());
    nv.save(&kept(1), true).expect("saves");
    nv.save(&kept(2), true).expect("saves");
    let mut flash = nv.into_flash();
    flash.bytes_mut()[20] ^= 1;
    flash.bytes_mut()[256 + 20] ^= 1;
    assert!(matches!(open(flash).1, Found::Damaged { .. }));
}

/// Settings with every number at its longest encoding, a trip of the longest kind, a calibration: still one record.
#[test]
fn the_longest_record_fits() {
    use ohmward_core::nv::KeptCalibration;
    use ohmward_proto::event::{SelfTestFault, TripCause};
    use ohmward_proto::settings::Calibration;
    let mut longest = kept(u32::MAX);
    longest.settings.reading_every_ms = u32::MAX;
    longest.settings.current.continuous.hold_ms = u32::MAX as _;
    longest.settings.current.ground_fault.hold_ms = u32::MAX as _;
    longest.settings.check.every_s = u32::MAX;
    longest.settings.check.state_ms_max = u32::MAX;
    longest.tripped = Some(TripCause::SelfTestFailed(SelfTestFault::Bridge {
        seen: Amps(1.0),
        expected: Amps(1.0),
    }));
    longest.trips = u8::MAX;
    longest.calibration = Some(KeptCalibration {
        values: Calibration {
            id: u32::MAX,
            ..Calibration::REFERENCE
        },
        made_unix_s: Some(i64::MIN),
    });
    let (mut nv, _) = open(RamFlash::default());
    nv.save(&longest, true).expect("fits");
    assert_eq!(open(nv.into_flash()).1, Found::Kept(longest));
}

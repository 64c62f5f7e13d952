//! Settings and boot count over power cuts: old or new, never mixed, never gone.

use ohmward_core::nv::{Found, Kept, Nv};
use ohmward_core::ram_flash::RamFlash;
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
    }
}

fn open(flash: RamFlash) -> (Nv<RamFlash>, Found) {
    Nv::open(flash).expect("geometry fits")
}

#[test]
fn a_new_board_has_nothing_and_then_what_was_saved() {
    let (mut nv, found) = open(RamFlash::default());
    assert_eq!(found, Found::Nothing);
    for boot in 1..6 {
        nv.save(&kept(boot)).expect("saves");
        let (again, found) = open(nv.into_flash());
        assert_eq!(found, Found::Kept(kept(boot)));
        nv = again;
    }
}

/// The supply is cut after every possible number of changed bytes, then the board starts cold.
#[test]
fn a_cut_at_any_byte_leaves_the_old_or_the_new_record() {
    let (mut nv, _) = open(RamFlash::default());
    nv.save(&kept(1)).expect("saves");
    nv.save(&kept(2)).expect("saves");
    let before = nv.into_flash();
    let (mut old, mut new) = (0, 0);
    for bytes in 0..=4096 + 256 {
        let mut flash = before.clone();
        flash.cut_after(bytes);
        let (mut nv, _) = open(flash);
        let saved = nv.save(&kept(3)).is_ok();
        let mut flash = nv.into_flash();
        flash.power_up();
        match open(flash).1 {
            Found::Kept(k) if k == kept(2) && !saved => old += 1,
            Found::Kept(k) if k == kept(3) => new += 1,
            other => panic!("after {bytes} bytes, saved {saved}: {other:?}"),
        }
    }
    assert!(old > 4000 && new > 0, "{old} old, {new} new");
}

#[test]
fn rubbish_in_both_slots_is_damage_not_a_new_board() {
    let (mut nv, _) = open(RamFlash::default());
    nv.save(&kept(1)).expect("saves");
    nv.save(&kept(2)).expect("saves");
    let mut flash = nv.into_flash();
    flash.bytes_mut()[20] ^= 1;
    flash.bytes_mut()[4096 + 20] ^= 1;
    assert!(matches!(open(flash).1, Found::Damaged { .. }));
}

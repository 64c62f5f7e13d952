//! A board starts: in the middle of a frame, and with its flash erased by whoever programmed it anew.

use ohmward_core::nv::first_boot;
use ohmward_proto::message::Message;
use ohmward_tests::line::Manners;
use ohmward_tests::lossless::{heard_over_a_cut, reflashed};
use std::collections::BTreeSet;

/// What a start says first is understood, however much of a frame is left of the run before.
#[test]
fn a_frame_that_the_supply_did_not_last_through_costs_no_hello() {
    for baud in [9600, 19_200, 57_600] {
        let heard = heard_over_a_cut(Manners::clean(baud));
        let torn = heard.iter().take_while(|m| m.is_err()).count();
        assert!(torn <= 1, "{baud}: {heard:?}");
        assert!(
            matches!(heard.get(torn), Some(Ok(Message::Hello(hello))) if hello.boot == 2),
            "{baud}: {heard:?}"
        );
    }
}

/// A store knows forty runs of a board; then its flash is erased and it begins anew. Every event of the second life is kept, none
/// is taken for one of the first, and the store is sound.
#[test]
fn a_board_whose_flash_was_erased_is_not_taken_for_what_it_was() {
    let seen = reflashed(40, (0x1234_5678, 0x0765_4321));
    let (before, after) = &seen.stored;
    let boots =
        |ids: &[ohmward_proto::EventId]| ids.iter().map(|id| id.boot).collect::<BTreeSet<_>>();
    assert_eq!(boots(before).len(), 40);
    assert_eq!(boots(after), (0x0765_4321..0x0765_4325).collect());
    // The judge has compared each with what the board said; and all that it said is there.
    assert_eq!(seen.tally.made, before.len() + after.len());
    assert_eq!(
        (seen.tally.lost_with_supply, seen.tally.in_ram_at_cut),
        (0, 0)
    );
    assert!(after.len() >= 5, "{after:?}");
    assert!(seen.report.holds(), "{:?}", seen.report.faults);
    assert_eq!(seen.report.gaps, []);
}

/// Numbers drawn by lot are never 0 and leave the upper half alone.
#[test]
fn a_first_run_has_a_number_of_the_lower_half() {
    for drawn in [0, 1, 1 << 31, u32::MAX, 0x8000_0005] {
        let boot = first_boot(drawn);
        assert!((1..1 << 31).contains(&boot), "{drawn} → {boot}");
    }
    assert_ne!(first_boot(7), first_boot(8));
}

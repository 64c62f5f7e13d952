//! Leads that carry nothing: what hardware-notes say of a melted fuse in a measuring lead, and of a broken earth lead.

mod common;
use common::Bench;
use ohmward_proto::Insulation;
use ohmward_proto::event::TripCause;
use ohmward_proto::measure::{Channel, TripState};
use ohmward_proto::settings::Earthing;

/// No fault, 20 kΩ, 1 MΩ, at either pole: with a lead open before anything is connected, none reads as a number and nothing is
/// connected, in any arrangement.
#[test]
fn an_open_measuring_lead_never_reads_good() {
    for earthing in [
        Earthing::NegativeBonded,
        Earthing::HighResistance,
        Earthing::NotEarthed,
    ] {
        for lead in [Channel::VPos, Channel::VNeg] {
            for (pos_s, neg_s) in [
                (0.0, 0.0),
                (50e-6, 0.0),
                (0.0, 50e-6),
                (1e-6, 0.0),
                (0.0, 1e-6),
            ] {
                let mut b = Bench::new(|s| s.earthing = earthing);
                b.open_lead = Some(lead);
                (b.fault_s, b.neg_fault_s) = (pos_s, neg_s);
                for _ in 0..60 {
                    b.run(1.0, |_| 0.0);
                    let case = format!(
                        "{earthing:?} {lead:?} {pos_s} {neg_s}: {:?} {:?}",
                        b.insulation, b.events
                    );
                    let low = matches!(b.insulation, Some(Insulation::Measured { leakage, .. }) if leakage.g_total().0 > 1.0 / 30e3);
                    assert!(
                        low || !matches!(b.insulation, Some(Insulation::Measured { .. })),
                        "{case}"
                    );
                    assert_ne!(b.monitor.state(), TripState::Closed, "{case}");
                }
            }
        }
    }
}
/// The same while connected, with a check every ten seconds: no measurement made after the lead opened is above the limit.
#[test]
fn a_lead_that_opens_while_connected_never_reads_good() {
    for lead in [Channel::VPos, Channel::VNeg] {
        let mut b = Bench::new(|s| s.check.every_s = 10).connected();
        let opened = b.n;
        b.open_lead = Some(lead);
        for _ in 0..90 {
            b.run(1.0, |_| 0.002);
            if let Some(Insulation::Measured { leakage, at }) = b.insulation {
                let low = leakage.g_total().0 > 1.0 / 30e3;
                assert!(
                    at.0 <= opened || low,
                    "{lead:?}: {:?} {:?}",
                    b.insulation,
                    b.events
                );
            }
        }
    }
}

/// Behind a broken earth lead an insulation fault of 20 kΩ cannot be seen: the board stands between its own dividers. What
/// stops it from staying connected is the feedback, whose loop runs through both earth leads (hardware-notes, front end).
#[test]
fn a_broken_earth_lead_opens_the_feedback_loop_and_trips() {
    for earthing in [
        Earthing::NegativeBonded,
        Earthing::HighResistance,
        Earthing::NotEarthed,
    ] {
        let mut b = Bench::new(|s| s.earthing = earthing);
        b.fault_s = 50e-6;
        b.earth_lead_open = true;
        b.fallen = true;
        b.run(20.0, |_| 0.0);
        assert!(
            matches!(b.insulation, Some(Insulation::Measured { leakage, .. }) if leakage.g_total().0.abs() < 1e-8),
            "the blind spot that the loop is for is gone: say so in hardware-notes: {:?}",
            b.insulation
        );
        assert!(
            matches!(b.trip(), Some((TripCause::ContactorFault, _))),
            "{earthing:?}: {:?}",
            b.events
        );
        let mut b = Bench::new(|s| s.earthing = earthing).connected();
        (b.earth_lead_open, b.fallen) = (true, true);
        let from = b.n;
        b.run(1.0, |_| 0.002);
        let (_, at) = b.trip().expect("trips");
        assert!(at - from <= 2000, "{earthing:?}: {} samples", at - from);
    }
}

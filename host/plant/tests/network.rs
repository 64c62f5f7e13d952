//! Nodal analysis against hand calculation.

use ohmward_plant::NetworkError;
use ohmward_plant::module::KINDS;
use ohmward_plant::network::{Device, EARTH, Network};

/// 10 V over 1 kΩ + 3 kΩ: 7.5 V and 2.5 mA (Ohm's law).
#[test]
fn divider() {
    let mut net = Network::default();
    let (top, tap) = (net.node(), net.node());
    let source = net.voltage_source(top, EARTH, 10.0);
    net.conductance(top, tap, 1e-3);
    net.conductance(tap, EARTH, 1.0 / 3000.0);
    net.solve().unwrap();
    assert!((net.voltage(tap) - 7.5).abs() < 1e-12);
    assert!((net.source_current(source) + 2.5e-3).abs() < 1e-12);
    net.set_voltage(source, 10.0, false);
    net.solve().unwrap();
    assert!(net.voltage(top).abs() < 1e-9);
}

#[test]
fn floating_part_is_singular_not_a_number() {
    let mut net = Network::default();
    let (a, b) = (net.node(), net.node());
    net.conductance(a, b, 1.0);
    net.current_source(a, b, 1.0);
    let c = net.node();
    net.conductance(c, EARTH, 1.0);
    assert_eq!(net.solve(), Err(NetworkError::Singular));
}

/// A module over its own open circuit must agree with the scalar solution, from a bad start.
#[test]
fn open_module_from_zero() {
    let curve = KINDS[0].at(1000.0, 25.0);
    let mut net = Network::default();
    let p = net.node();
    net.device(p, EARTH, Device::Module(curve));
    let solved = net.solve().unwrap();
    assert!(
        (net.voltage(p) - curve.v_oc()).abs() < 1e-6,
        "{}",
        net.voltage(p)
    );
    assert!(solved.residual_a <= Network::TOLERANCE_A * 1.1);
}

/// 1 A into a module at its maximum-power point: the response is 1/slope of the curve there.
#[test]
fn small_signal_is_the_slope() {
    let curve = KINDS[0].at(1000.0, 25.0);
    let mut net = Network::default();
    let p = net.node();
    net.device(p, EARTH, Device::Module(curve));
    net.guess(p, 30.0);
    let response = net.small_signal(&[(p, 1.0)]).unwrap();
    let slope = -curve.current(30.0).1;
    assert!((response.at(p) * slope - 1.0).abs() < 1e-12);
}

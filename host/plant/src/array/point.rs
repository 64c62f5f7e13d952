//! The array at rest: what a solution of the circuit says.

use super::ground::Paths;

/// The array at rest in one set of conditions and contacts. Earth is the grounding bar at the monitor.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct OperatingPoint {
    /// Positive conductor to earth at the monitor, V.
    pub v_pos: f64,
    /// Negative conductor to earth at the monitor, V.
    pub v_neg: f64,
    /// Bond current, + out of the array conductor into earth, A. Not earthed: what both poles send through the bridge.
    pub i_bond_a: f64,
    /// Current of each string into the positive joint, A. Without string cable a fault at the string's end is at the joint.
    pub string_currents_a: Vec<f64>,
    /// Voltage of every module, string by string from the negative end, V.
    pub module_volts: Vec<f64>,
    /// Current of each fault, + out of the array into earth, A.
    pub fault_currents_a: Vec<f64>,
    /// Currents on the ground side, past the bond.
    pub paths: Paths,
    /// Conductance of the whole array to its frames for a small move of all its nodes together, S.
    pub g_earth_s: f64,
    /// Leakage capacitance of the whole array, F.
    pub c_f: f64,
    /// Mean voltage of the leakage capacitance to the frames, V: what cannot jump.
    pub v_common: f64,
    /// Move of the positive conductor per volt of `v_common`.
    pub shape_pos: f64,
    /// Move of the negative conductor per volt of `v_common`.
    pub shape_neg: f64,
    /// Move of the bond current per volt of `v_common`, S.
    pub i_bond_per_v: f64,
    /// All nodes, for a transient that begins here.
    pub rest: Rest,
}

/// The whole circuit at rest, node by node.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Rest {
    /// Against the bar, V.
    pub(crate) volts: Vec<f64>,
    /// Move per volt of `v_common`.
    pub(crate) shapes: Vec<f64>,
    /// Current that every module can take on top or give up while it moves by no more than a thousandth of its share of the
    /// voltage between the poles, A. While the leakage capacitance asks for less, the array moves as one piece.
    pub(crate) carry_a: f64,
}

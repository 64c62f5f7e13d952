//! The circuit with its leakage capacitances as companion conductances: what an implicit step in time solves.

use super::{Array, Conditions, Contacts};
use crate::network::NetworkError;
use ohmward_proto::settings::Earthing;

impl Array {
    /// Leakage capacitances, in the order of all lists here, F.
    pub(crate) fn leakage_farads(&self) -> Vec<f64> {
        let half_f = 0.5
            * self
                .insulation
                .capacitance_f(self.conditions.cell_temp_c, self.conditions.wetness);
        self.leaks.iter().map(|(_, _, h)| half_f * h).collect()
    }

    /// Voltages across the leakage capacitances, array over frames, at these node voltages, V.
    pub(crate) fn leakage_volts(&self, volts: &[f64]) -> Vec<f64> {
        let frame = self.ground.frame.of(volts);
        let nodes = self.leaks.iter();
        nodes.map(|(node, _, _)| node.of(volts) - frame).collect()
    }

    /// Mean voltage of the leakage capacitance at these node voltages, V.
    pub(crate) fn common_volts(&self, volts: &[f64]) -> f64 {
        let each = self.leakage_volts(volts);
        let halves = self.leaks.iter().map(|(_, _, h)| h);
        let sum: f64 = each.iter().zip(halves).map(|(v, h)| v * h).sum();
        sum / (2.0 * self.modules.len() as f64)
    }

    /// Bond current (not earthed: through the bridge) at these node voltages, A.
    pub(crate) fn bond_current(&mut self, contacts: Contacts, volts: &[f64]) -> f64 {
        let (bond_s, bridge_s) = self.set_contacts(contacts);
        self.bond(bond_s, bridge_s, self.pos.of(volts), self.neg.of(volts))
    }

    pub(super) fn bond(&self, bond_s: f64, bridge_s: [f64; 2], pos: f64, neg: f64) -> f64 {
        match self.description.earthing {
            Earthing::NegativeBonded | Earthing::HighResistance => bond_s * neg,
            Earthing::PositiveBonded => bond_s * pos,
            Earthing::NotEarthed => bridge_s[0] * pos + bridge_s[1] * neg,
        }
    }

    /// Places of the two poles among the node voltages: positive, negative.
    pub(crate) fn pole_places(&self) -> [usize; 2] {
        [self.pos.place(), self.neg.place()]
    }

    /// Node voltages with every leakage capacitance C a conductance `rate_per_s`·C beside a source of `history_a` into the
    /// array, starting from `start`.
    pub(crate) fn implicit_step(
        &mut self,
        contacts: Contacts,
        rate_per_s: f64,
        history_a: &[f64],
        start: &[f64],
    ) -> Result<Vec<f64>, NetworkError> {
        self.set_contacts(contacts);
        self.load_leaks(rate_per_s, Some(history_a));
        self.net.start_from(start);
        let solved = self.net.solve_refined();
        self.load_leaks(0.0, None);
        // What stands in the network is no operating point to start one from.
        self.warm = None;
        solved?;
        Ok(self.net.volts().to_vec())
    }

    /// Puts the insulation of these conditions and this age into the circuit, `rate_per_s`·C beside it, and sources of
    /// `history_a` into the array.
    pub(super) fn load_leaks(&mut self, rate_per_s: f64, history_a: Option<&[f64]>) {
        let Conditions {
            cell_temp_c,
            wetness,
            ..
        } = self.conditions;
        let half_s = 0.5 * self.insulation.conductance_s(cell_temp_c, wetness);
        let half_f = 0.5 * self.insulation.capacitance_f(cell_temp_c, wetness);
        // Nodes stand string by string, each from its negative end.
        let n = self.description.settings.modules_per_string as usize;
        for (k, ((_, leak, halves), source)) in self.leaks.iter().zip(&self.histories).enumerate() {
            let aged = self.aged.at((k % (n + 1)) as f64 / n as f64);
            self.net
                .set_conductance(*leak, halves * (half_s * aged + half_f * rate_per_s));
            self.net
                .set_current(*source, history_a.map_or(0.0, |all| all[k]));
        }
    }
}

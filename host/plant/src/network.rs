//! A circuit of conductances, sources and nonlinear two-terminal devices: modified nodal analysis.
//!
//! Unknowns are the node voltages to earth and one current for each ideal voltage source. Every device's current
//! rises with its voltage and has a bounded slope, so a Newton step points downhill everywhere and halving it until
//! the residual falls is enough damping. A solution is only given back when Kirchhoff's current law holds at every
//! node to the tolerance: the residual is computed, not assumed.
//!
//! Conductances and slopes of devices alone make a symmetric positive definite matrix: Cholesky's factors in an ordering
//! made once from the elements, values may change for ever after. A string of modules is a chain, whose ends meet others at
//! joints: eliminated from within it fills nothing, so time and memory grow linearly with modules. (An LU with column
//! pivoting must allow for rows to be exchanged at the joints: 31 µs a module at 10 000, where this takes 2 to 4, and 2.4 at 10.)
//! The few ideal sources are bordered onto it: one more solution each.

use crate::module::Curve;
use faer::linalg::solvers::Solve;
use faer::sparse::linalg::solvers::{Llt, SymbolicLlt};
use faer::sparse::{SparseColMatRef, SymbolicSparseColMat};
use faer::{ColMut, Mat, Side};

/// A node; [`EARTH`] is the reference.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Node(usize);

impl Node {
    /// Its voltage among those of all nodes.
    pub(crate) fn of(self, volts: &[f64]) -> f64 {
        if self == EARTH { 0.0 } else { volts[self.0] }
    }

    /// Its place among the voltages of all nodes; not for [`EARTH`].
    pub(crate) fn place(self) -> usize {
        self.0
    }
}

/// The node all voltages count from.
pub const EARTH: Node = Node(usize::MAX);

/// A conductance of the network, to change its value later.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ConductanceId(usize);
/// A current source of the network.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct CurrentId(usize);
/// An ideal voltage source of the network.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct VoltageId(usize);
/// A nonlinear device of the network.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DeviceId(usize);

/// A nonlinear two-terminal device.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Device {
    /// A module, positive terminal first.
    Module(Curve),
    /// A battery behind a conductance and a diode that lets it be charged only. Conductance 0 takes it away.
    Charged {
        /// Battery voltage, V.
        volts: f64,
        /// Conductance in series, S.
        g_s: f64,
    },
}

impl Device {
    /// The blocking diode turns on over this much, V: a quadratic between nothing and the straight line.
    pub const KNEE_V: f64 = 0.2;

    /// Current from the first to the second terminal through the device, and its slope (never negative).
    fn current(&self, v: f64) -> (f64, f64) {
        match self {
            Self::Module(curve) => {
                let (out, slope) = curve.current(v);
                (-out, -slope)
            }
            // A corner here would let a Newton step start on one side and land on the other for ever.
            Self::Charged { volts, g_s } => {
                let over = v - volts;
                if over <= 0.0 {
                    (0.0, 0.0)
                } else if over < Self::KNEE_V {
                    (
                        g_s * over * over / (2.0 * Self::KNEE_V),
                        g_s * over / Self::KNEE_V,
                    )
                } else {
                    (g_s * (over - 0.5 * Self::KNEE_V), *g_s)
                }
            }
        }
    }
}

/// Why a network has no solution to show.
#[derive(Clone, Copy, PartialEq, Debug, thiserror::Error)]
pub enum NetworkError {
    /// Damped Newton came to rest above the tolerance.
    #[error(
        "the circuit did not converge: {residual_a:.3e} A left over at the worst node after {iterations} steps"
    )]
    NotConverged {
        /// Largest violation of Kirchhoff's current law, A.
        residual_a: f64,
        /// Newton steps taken.
        iterations: u32,
    },
    /// A part of the circuit has no path to earth, or two ideal sources contradict each other.
    #[error(
        "the circuit has no single solution: a part of it floats, or two ideal voltage sources contradict each other"
    )]
    Singular,
}

/// How a solution was reached.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Solved {
    /// Largest violation of Kirchhoff's current law at any node, A.
    pub residual_a: f64,
    /// Newton steps.
    pub iterations: u32,
}

/// Answer of the node voltages to small currents.
pub struct Response(Vec<f64>);

impl Response {
    /// Moves of all nodes, V.
    pub(crate) fn all(&self) -> &[f64] {
        &self.0
    }

    /// Move of one node, V.
    pub fn at(&self, node: Node) -> f64 {
        if node == EARTH { 0.0 } else { self.0[node.0] }
    }
}

struct Source {
    p: Node,
    n: Node,
    volts: f64,
    closed: bool,
}

/// Where the stamps of each element stand among the values of the lower triangle: diagonals of both nodes, and what couples
/// them. [`NOWHERE`] = earth, no entry.
struct Pattern {
    matrix: SymbolicSparseColMat<usize>,
    symbolic: SymbolicLlt<usize>,
    conductances: Vec<[usize; 3]>,
    devices: Vec<[usize; 3]>,
}

const NOWHERE: usize = usize::MAX;

/// A circuit. Build it with the element methods, then [`solve`](Self::solve) as often as values change.
#[derive(Default)]
pub struct Network {
    nodes: usize,
    conductances: Vec<(Node, Node, f64)>,
    currents: Vec<(Node, Node, f64)>,
    sources: Vec<Source>,
    devices: Vec<(Node, Node, Device)>,
    pattern: Option<Pattern>,
    /// Node voltages, then source currents: the last solution, and the start of the next.
    x: Vec<f64>,
}

impl Network {
    /// Largest error of Kirchhoff's current law that still counts as solved, A, at currents of a few amperes;
    /// grows with the largest current where rounding does.
    pub const TOLERANCE_A: f64 = 1e-9;

    const STEPS_MAX: u32 = 200;

    /// A new node.
    pub fn node(&mut self) -> Node {
        self.pattern = None;
        self.nodes += 1;
        Node(self.nodes - 1)
    }

    /// A conductance between two nodes; 0 S is an open switch.
    pub fn conductance(&mut self, a: Node, b: Node, siemens: f64) -> ConductanceId {
        self.pattern = None;
        self.conductances.push((a, b, siemens));
        ConductanceId(self.conductances.len() - 1)
    }

    /// A current source driving `amps` through itself from `from` to `to`.
    pub fn current_source(&mut self, from: Node, to: Node, amps: f64) -> CurrentId {
        self.currents.push((from, to, amps));
        CurrentId(self.currents.len() - 1)
    }

    /// An ideal voltage source, `p` above `n` by `volts`.
    /// What lies on either side needs a path to earth without it, however poor.
    pub fn voltage_source(&mut self, p: Node, n: Node, volts: f64) -> VoltageId {
        self.sources.push(Source {
            p,
            n,
            volts,
            closed: true,
        });
        VoltageId(self.sources.len() - 1)
    }

    /// A nonlinear device between `p` and `n`.
    pub fn device(&mut self, p: Node, n: Node, device: Device) -> DeviceId {
        self.pattern = None;
        self.devices.push((p, n, device));
        DeviceId(self.devices.len() - 1)
    }

    /// Changes a conductance.
    pub fn set_conductance(&mut self, id: ConductanceId, siemens: f64) {
        self.conductances[id.0].2 = siemens;
    }

    /// Changes a current source.
    pub fn set_current(&mut self, id: CurrentId, amps: f64) {
        self.currents[id.0].2 = amps;
    }

    /// Changes a voltage source; not `closed` takes it out of the circuit.
    pub fn set_voltage(&mut self, id: VoltageId, volts: f64, closed: bool) {
        let source = &mut self.sources[id.0];
        source.volts = volts;
        source.closed = closed;
    }

    /// Changes a device.
    pub fn set_device(&mut self, id: DeviceId, device: Device) {
        self.devices[id.0].2 = device;
    }

    /// Voltage of a node to earth, at the last solution or guess.
    pub fn voltage(&self, node: Node) -> f64 {
        if node == EARTH {
            0.0
        } else {
            self.x.get(node.0).copied().unwrap_or(0.0)
        }
    }

    /// Starts the next solution from this voltage.
    pub fn guess(&mut self, node: Node, volts: f64) {
        self.x.resize(self.nodes + self.sources.len(), 0.0);
        if node != EARTH {
            self.x[node.0] = volts;
        }
    }

    /// Voltages of all nodes.
    pub(crate) fn volts(&self) -> &[f64] {
        &self.x[..self.nodes.min(self.x.len())]
    }

    /// Starts the next solution from these voltages of all nodes.
    pub(crate) fn start_from(&mut self, volts: &[f64]) {
        self.x.resize(self.nodes + self.sources.len(), 0.0);
        self.x[..self.nodes].copy_from_slice(volts);
    }

    /// Current from the first to the second node of a conductance, A.
    pub fn conductance_current(&self, id: ConductanceId) -> f64 {
        let (a, b, g) = self.conductances[id.0];
        g * (self.voltage(a) - self.voltage(b))
    }

    /// Current from the first to the second node through a device, A.
    pub fn device_current(&self, id: DeviceId) -> f64 {
        let (p, n, device) = &self.devices[id.0];
        device.current(self.voltage(*p) - self.voltage(*n)).0
    }

    /// The least change of a device's current when its voltage moves by `move_v` up or down, A.
    pub(crate) fn device_give_a(&self, id: DeviceId, move_v: f64) -> f64 {
        let (p, n, device) = &self.devices[id.0];
        let v = self.voltage(*p) - self.voltage(*n);
        let (at, _) = device.current(v);
        let change = |v: f64| (device.current(v).0 - at).abs();
        change(v + move_v).min(change(v - move_v))
    }

    /// Number of nodes.
    pub(crate) fn nodes(&self) -> usize {
        self.nodes
    }

    /// Current from `p` through the source to `n`, A.
    pub fn source_current(&self, id: VoltageId) -> f64 {
        self.x.get(self.nodes + id.0).copied().unwrap_or(0.0)
    }

    /// Solves from the last solution (or guesses). On error the voltages are where it stopped.
    pub fn solve(&mut self) -> Result<Solved, NetworkError> {
        self.solve_with(0)
    }

    /// Solves, and takes one Newton step even from a start that is already within the tolerance: for small steps in time,
    /// whose currents are smaller than that.
    pub(crate) fn solve_refined(&mut self) -> Result<Solved, NetworkError> {
        self.solve_with(1)
    }

    fn solve_with(&mut self, steps_min: u32) -> Result<Solved, NetworkError> {
        let n = self.nodes + self.sources.len();
        self.x.resize(n, 0.0);
        self.prepare()?;
        let mut f = vec![0.0; n];
        let mut trial = vec![0.0; n];
        let mut trial_f = vec![0.0; n];
        let mut largest_a = self.residual(&self.x, &mut f);
        for iterations in 0..Self::STEPS_MAX {
            let residual_a = worst(&f[..self.nodes]);
            if iterations >= steps_min
                && residual_a <= Self::TOLERANCE_A + 1e-12 * largest_a
                && worst(&f[self.nodes..]) <= 1e-9
            {
                return Ok(Solved {
                    residual_a,
                    iterations,
                });
            }
            let step = self.newton_step(&f)?;
            let merit = squares(&f);
            let mut fraction = 1.0;
            let stuck = loop {
                for (t, (x, d)) in trial.iter_mut().zip(self.x.iter().zip(&step)) {
                    *t = x - fraction * d;
                }
                largest_a = self.residual(&trial, &mut trial_f);
                let reached = squares(&trial_f);
                if reached.is_finite() && reached <= merit * (1.0 - 1e-4 * fraction) {
                    break false;
                }
                fraction *= 0.5;
                if fraction < 1e-9 {
                    break true;
                }
            };
            if stuck && iterations < steps_min && residual_a <= Self::TOLERANCE_A {
                return Ok(Solved {
                    residual_a,
                    iterations,
                });
            }
            if stuck {
                return Err(NetworkError::NotConverged {
                    residual_a,
                    iterations,
                });
            }
            std::mem::swap(&mut self.x, &mut trial);
            std::mem::swap(&mut f, &mut trial_f);
        }
        Err(NetworkError::NotConverged {
            residual_a: worst(&f[..self.nodes]),
            iterations: Self::STEPS_MAX,
        })
    }

    /// Change of every node voltage for small currents pushed into some nodes, at the present voltages.
    pub fn small_signal(&mut self, into: &[(Node, f64)]) -> Result<Response, NetworkError> {
        let n = self.nodes + self.sources.len();
        self.x.resize(n, 0.0);
        self.prepare()?;
        let mut rhs = vec![0.0; n];
        for (node, amps) in into {
            if *node != EARTH {
                rhs[node.0] += amps;
            }
        }
        let mut moves = self.newton_step(&rhs)?;
        moves.truncate(self.nodes);
        Ok(Response(moves))
    }

    /// Kirchhoff's law at every node and the rows of the sources, at `x`. Returns the largest element current.
    fn residual(&self, x: &[f64], f: &mut [f64]) -> f64 {
        f.fill(0.0);
        let v = |node: Node| if node == EARTH { 0.0 } else { x[node.0] };
        let mut largest_a = 0.0_f64;
        let mut carry = |f: &mut [f64], from: Node, to: Node, i: f64| {
            largest_a = largest_a.max(i.abs());
            if from != EARTH {
                f[from.0] += i;
            }
            if to != EARTH {
                f[to.0] -= i;
            }
        };
        for &(a, b, g) in &self.conductances {
            carry(f, a, b, g * (v(a) - v(b)));
        }
        for &(from, to, i) in &self.currents {
            carry(f, from, to, i);
        }
        for (p, n, device) in &self.devices {
            carry(f, *p, *n, device.current(v(*p) - v(*n)).0);
        }
        for (k, source) in self.sources.iter().enumerate() {
            let i = x[self.nodes + k];
            carry(f, source.p, source.n, i);
            f[self.nodes + k] = if source.closed {
                v(source.p) - v(source.n) - source.volts
            } else {
                i
            };
        }
        largest_a
    }

    /// Jacobian at the present voltages, factorised, applied backwards to `f`.
    fn newton_step(&self, f: &[f64]) -> Result<Vec<f64>, NetworkError> {
        let factors = self.factorise()?;
        let solve =
            |rhs: &mut [f64]| factors.solve_in_place(ColMut::from_slice_mut(rhs).as_mat_mut());
        let (currents, rows) = f.split_at(self.nodes);
        let mut step = currents.to_vec();
        let mut add = |node: Node, amps: f64| {
            if node != EARTH {
                step[node.0] += amps;
            }
        };
        // An open source ends up without current; a closed one with whatever makes its voltage right.
        for (source, row) in self.sources.iter().zip(rows) {
            if !source.closed {
                add(source.p, -row);
                add(source.n, *row);
            }
        }
        solve(&mut step);
        let closed: Vec<usize> = (0..self.sources.len())
            .filter(|k| self.sources[*k].closed)
            .collect();
        // Moves of the nodes for one ampere of each.
        let moves: Vec<Vec<f64>> = closed
            .iter()
            .map(|k| {
                let mut one = vec![0.0; self.nodes];
                for (node, amps) in [(self.sources[*k].p, 1.0), (self.sources[*k].n, -1.0)] {
                    if node != EARTH {
                        one[node.0] += amps;
                    }
                }
                solve(&mut one);
                one
            })
            .collect();
        let mut source_steps = rows.to_vec();
        if !closed.is_empty() {
            let across = |k: usize, v: &[f64]| self.sources[k].p.of(v) - self.sources[k].n.of(v);
            let border = Mat::from_fn(closed.len(), closed.len(), |j, k| {
                across(closed[j], &moves[k])
            });
            let mut amps = Mat::from_fn(closed.len(), 1, |j, _| {
                across(closed[j], &step) - rows[closed[j]]
            });
            border.partial_piv_lu().solve_in_place(amps.as_mut());
            for (k, (source, moves)) in closed.iter().zip(&moves).enumerate() {
                source_steps[*source] = amps[(k, 0)];
                for (node, moved) in step.iter_mut().zip(moves) {
                    *node -= moved * amps[(k, 0)];
                }
            }
        }
        step.extend(source_steps);
        if step.iter().all(|d| d.is_finite()) {
            Ok(step)
        } else {
            Err(NetworkError::Singular)
        }
    }

    fn factorise(&self) -> Result<Llt<usize, f64>, NetworkError> {
        let Some(pattern) = &self.pattern else {
            return Err(NetworkError::Singular);
        };
        let mut values = vec![0.0; pattern.matrix.row_idx().len()];
        let mut stamp = |slots: &[usize; 3], g: f64| {
            for (slot, value) in slots.iter().zip([g, g, -g]) {
                if *slot != NOWHERE {
                    values[*slot] += value;
                }
            }
        };
        for (slots, (_, _, g)) in pattern.conductances.iter().zip(&self.conductances) {
            stamp(slots, *g);
        }
        for (slots, (p, n, device)) in pattern.devices.iter().zip(&self.devices) {
            stamp(slots, device.current(self.voltage(*p) - self.voltage(*n)).1);
        }
        let matrix = SparseColMatRef::new(pattern.matrix.as_ref(), &values);
        Llt::try_new_with_symbolic(pattern.symbolic.clone(), matrix, Side::Lower)
            .map_err(|_| NetworkError::Singular)
    }

    /// Sparsity pattern, symbolic factorisation and stamp places, if elements were added since they were made.
    fn prepare(&mut self) -> Result<(), NetworkError> {
        if self.pattern.is_some() {
            return Ok(());
        }
        let n = self.nodes;
        let mut columns: Vec<Vec<usize>> = (0..n).map(|k| vec![k]).collect();
        let two_terminal = self
            .conductances
            .iter()
            .map(|&(a, b, _)| (a, b))
            .chain(self.devices.iter().map(|&(p, n, _)| (p, n)));
        for (a, b) in two_terminal {
            if a != EARTH && b != EARTH {
                columns[a.0.min(b.0)].push(a.0.max(b.0));
            }
        }
        let mut col_ptr = vec![0];
        let mut row_idx = Vec::new();
        for column in &mut columns {
            column.sort_unstable();
            column.dedup();
            row_idx.extend_from_slice(column);
            col_ptr.push(row_idx.len());
        }
        let slot = |a: usize, b: usize| {
            if a == NOWHERE || b == NOWHERE {
                return NOWHERE;
            }
            let (row, col) = (a.max(b), a.min(b));
            // Every pair asked for was put in above.
            let rows = &row_idx[col_ptr[col]..col_ptr[col + 1]];
            col_ptr[col] + rows.partition_point(|&r| r < row)
        };
        let three = |a: Node, b: Node| {
            if a == b {
                // Both ends on one node: no current, no stamp.
                return [NOWHERE; 3];
            }
            [slot(a.0, a.0), slot(b.0, b.0), slot(a.0, b.0)]
        };
        let conductances = self.conductances.iter();
        let conductances = conductances.map(|&(a, b, _)| three(a, b)).collect();
        let devices = self.devices.iter().map(|&(p, n, _)| three(p, n)).collect();
        let matrix = SymbolicSparseColMat::new_checked(n, n, col_ptr, None, row_idx);
        let symbolic = SymbolicLlt::try_new(matrix.as_ref(), Side::Lower)
            .map_err(|_| NetworkError::Singular)?;
        self.pattern = Some(Pattern {
            matrix,
            symbolic,
            conductances,
            devices,
        });
        Ok(())
    }
}

fn worst(f: &[f64]) -> f64 {
    f.iter().fold(0.0, |worst: f64, e| worst.max(e.abs()))
}

fn squares(f: &[f64]) -> f64 {
    f.iter().map(|e| e * e).sum()
}

//! One step of the physics: demand and light, currents up the line, voltages down it, controls at the end.
//!
//! Voltage drops are taken as R times the current in phase plus X times the current lagging; the few degrees by which
//! voltages turn along a feeder are left out. Customers and panels draw and feed a current that does not depend on the voltage.

use regulator::WindingType;
use regulator::compensator::PerUnitCurrent;
use regulator::control::Inputs;

use super::Fleet;
use crate::chance::Pull;
use crate::demand::{Customers, Demand};
use crate::plan::{Node, Plan};
use crate::sky::clear_sky;

/// What is computed anew in every step.
#[derive(Debug)]
pub(super) struct Scratch {
    /// Regulators of each node, by conductor.
    pub(super) units: Vec<[Option<usize>; 3]>,
    /// Amperes on the load side of each node's bank: in phase, and lagging.
    pub(super) amperes: Vec<[(f64, f64); 3]>,
    /// Voltage on the load side of each node's bank.
    pub(super) volts: Vec<[f64; 3]>,
}

impl Scratch {
    pub(super) fn new(plan: &Plan) -> Self {
        let units = |node: &Node| {
            let mut units = [None; 3];
            if let Some(bank) = node.bank.map(|b| &plan.banks[b]) {
                for unit in bank.first..bank.first + bank.count {
                    units[plan.regulators[unit].conductor] = Some(unit);
                }
            }
            units
        };
        Self {
            units: plan.nodes.iter().map(units).collect(),
            amperes: vec![[(0.0, 0.0); 3]; plan.nodes.len()],
            volts: vec![[120.0; 3]; plan.nodes.len()],
        }
    }
}

impl Fleet {
    /// Lets `dt_s` seconds pass, up to the present instant.
    pub(super) fn step(&mut self, dt_s: f64) {
        let demand = Demand::at(self.state.now, self.plan.time_zone, self.state.seed);
        self.move_buses(dt_s);
        self.draw_loads(&demand, dt_s);
        self.shine(dt_s);
        self.sum_currents();
        self.set_voltages(&demand);
        self.refeed(&demand);
        if self.run_controls(dt_s) {
            // What is read at this instant is what the new taps make, as it is with a tap that was made within the step.
            self.set_voltages(&demand);
            self.refeed(&demand);
        }
    }

    fn move_buses(&mut self, dt_s: f64) {
        let (common, phase) = (Pull::new(0.65, 2700.0, dt_s), Pull::new(0.13, 60.0, dt_s));
        for bus in &mut self.state.buses {
            bus.common.step(common, &mut self.state.random);
            for value in &mut bus.phases {
                value.step(phase, &mut self.state.random);
            }
        }
    }

    fn draw_loads(&mut self, demand: &Demand, dt_s: f64) {
        let pull = Pull::new(0.045, 900.0, dt_s);
        let nodes = self.plan.nodes.iter().zip(&mut self.state.loads).zip(&mut self.scratch.amperes);
        for ((node, wander), amperes) in nodes {
            let level = demand.of(node.customers);
            for c in 0..3 {
                wander[c].step(pull, &mut self.state.random);
                let level = level * (1.0 + wander[c].0);
                let (in_phase, lagging) = node.peak_a[c];
                amperes[c] = (in_phase * level, lagging * level);
            }
        }
    }

    fn shine(&mut self, dt_s: f64) {
        let (latitude, longitude) = self.plan.origin;
        let sun = clear_sky(self.state.now, latitude, longitude);
        if sun <= 0.0 {
            return;
        }
        let sky = self.clouds.at(self.state.now);
        for (plant, light) in self.plan.plants.iter().zip(&mut self.state.light) {
            let sum: f64 = plant.places.iter().map(|p| sky.light(*p)).sum();
            #[allow(clippy::cast_precision_loss, reason = "a handful of places")]
            let now = sum / plant.places.len() as f64;
            *light += (now - *light) * (1.0 - (-dt_s / plant.lag_s).exp());
            for (amperes, rated) in self.scratch.amperes[plant.node].iter_mut().zip(plant.rated_a) {
                amperes.0 -= rated * sun * *light;
            }
        }
    }

    /// From the ends of the feeders up: a regulator's source side carries its ratio times what its load side does.
    fn sum_currents(&mut self) {
        for node in (0..self.plan.nodes.len()).rev() {
            let ratios = self.ratios(node);
            let mine = self.scratch.amperes[node];
            let Some(parent) = self.plan.nodes[node].parent.filter(|_| !self.is_refed(node)) else {
                continue;
            };
            for c in 0..3 {
                let theirs = &mut self.scratch.amperes[parent][c];
                theirs.0 += ratios[c] * mine[c].0;
                theirs.1 += ratios[c] * mine[c].1;
            }
        }
    }

    /// Load over source voltage of each conductor at a node. In open delta the third pair lies across the other two: with
    /// nearly equal ratios its voltage follows their mean.
    pub(super) fn ratios(&self, node: usize) -> [f64; 3] {
        let of = |unit: usize| {
            let nameplate = &self.plan.regulators[unit].nameplate;
            let turns = 0.2 / f64::from(nameplate.step_count) * f64::from(self.state.units[unit].tap);
            match nameplate.winding_type {
                WindingType::A => 1.0 + turns,
                WindingType::B => 1.0 / (1.0 - turns),
            }
        };
        match self.scratch.units[node] {
            [Some(a), Some(b), None] => {
                let (a, b) = (of(a), of(b));
                [a, b, 0.5 * (a + b)]
            }
            units => units.map(|unit| unit.map_or(1.0, of)),
        }
    }

    /// From the substations down.
    fn set_voltages(&mut self, demand: &Demand) {
        let sag = 1.2 * (demand.of(Customers::Homes) - 0.65);
        for n in 0..self.plan.nodes.len() {
            let node = &self.plan.nodes[n];
            let bus = &self.state.buses[node.substation];
            let bus_v = self.plan.substations[node.substation].bus_v - sag + bus.common.0;
            let above = match node.parent {
                Some(parent) => self.scratch.volts[parent],
                None => bus.phases.map(|phase| bus_v + phase.0),
            };
            let ratios = self.ratios(n);
            self.scratch.volts[n] = [0, 1, 2].map(|c| self.conductor(n, c, above[c], ratios[c]));
        }
    }

    /// Sets what the regulator of one conductor, if there is one, has on its two sides; the voltage behind it.
    fn conductor(&mut self, node: usize, conductor: usize, above: f64, ratio: f64) -> f64 {
        let (r, x) = self.plan.nodes[node].drop_per_ampere;
        let (in_phase, lagging) = self.scratch.amperes[node][conductor];
        // The line carries the source side's current.
        let source_v = above - ratio * (r * in_phase + x * lagging);
        let Some(u) = self.scratch.units[node][conductor] else { return source_v * ratio };
        let unit = &self.plan.regulators[u];
        let state = &mut self.state.units[u];
        state.source_v = source_v;
        state.load_v = source_v * ratio - unit.series_drop_v * in_phase / unit.nameplate.rated_current_a;
        (state.in_phase_a, state.lagging_a) = (in_phase, lagging);
        state.load_v
    }

    /// Lets the controls look and the mechanisms follow; whether any tap moved.
    fn run_controls(&mut self, dt_s: f64) -> bool {
        let now = self.state.now;
        let mut any = false;
        for bank in &self.plan.banks {
            let deciding = if bank.ganged { 1 } else { bank.count };
            for u in bank.first..bank.first + deciding {
                let unit = &self.plan.regulators[u];
                let state = &mut self.state.units[u];
                let [source, load, current] = unit.errors;
                let per_unit = (1.0 + current) / unit.ct_primary_a();
                let inputs = Inputs {
                    load_voltage_v: state.load_v * (1.0 + load),
                    source_voltage_v: state.source_v * (1.0 + source),
                    current: PerUnitCurrent {
                        in_phase: state.in_phase_a * per_unit,
                        lagging: state.lagging_a * per_unit,
                    },
                    tap: state.tap,
                    automatic: !state.manual,
                    blocked: false,
                };
                let settings = state.settings(&unit.settings);
                let steps = state.control.step(&settings, dt_s, &inputs).steps();
                let together = if bank.ganged { bank.count } else { 1 };
                for moved in &mut self.state.units[u..u + together] {
                    moved.operate(steps, now);
                }
                any |= steps != 0;
            }
        }
        any
    }
}

//! What the physics knows of why a regulator tapped.

use std::collections::VecDeque;

use chrono::TimeDelta;
use regulator::Timestamp;
use regulator::causes::{Cause, UNDONE_S};
use regulator::compensator::{Compensator, PerUnitCurrent};
use regulator::control::{Control, Inputs};

use crate::Fleet;

const PARTS: [Cause; 4] = [Cause::Source, Cause::Load, Cause::Clouds, Cause::Upstream];
/// What is looked back over, seconds.
const LOOK_BACK_S: i64 = 600;
/// Less movement than this, V, and the search goes back as far as the operation before, half an hour at most.
const LITTLE_V: f64 = 0.45;
const LONGEST_S: i64 = 1800;
/// A regulator upstream has "just" tapped for so long, seconds: the world of `regulator/tests/causes` holds it still for as long.
const JUST_S: i64 = 180;
/// An operation of another control so close is the same one, seconds.
const SAME_S: i64 = 20;

/// Why one operation was made.
#[derive(Debug, Clone, Copy)]
pub(super) struct Truth {
    pub(super) at: Timestamp,
    pub(super) cause: Cause,
    /// The greatest part is at least half as much again as the next, or it is hunting.
    pub(super) clear: bool,
    way: i32,
    /// A band of two steps would have made it too.
    wanted: bool,
}

/// One instant of what makes up the voltage that a control holds.
#[derive(Debug, Clone, Copy)]
struct Moment {
    at: Timestamp,
    /// V, see [`Fleet::parts`].
    parts: [f64; 4],
    tap: i32,
}

impl Moment {
    fn sum(&self) -> f64 {
        self.parts.iter().sum()
    }
}

/// The last half hour of one regulator, and why it tapped since the beginning.
#[derive(Debug, Default)]
pub(super) struct Known {
    moments: VecDeque<Moment>,
    pub(super) truths: Vec<Truth>,
}

impl Known {
    /// The physics has come to this instant. The controls looked before the taps of this step were moved (`taps`): what those upstream have
    /// just done is left out.
    pub(super) fn observe(&mut self, fleet: &Fleet, number: usize, taps: &[i32], sun: f64) {
        let at = fleet.state.now;
        self.moments.push_back(Moment { at, parts: fleet.parts(number, taps, sun), tap: taps[number] });
        while self.moments.front().is_some_and(|m| m.at < at - TimeDelta::seconds(LONGEST_S)) {
            self.moments.pop_front();
        }
        let way = (fleet.state.units[number].tap - taps[number]).signum();
        if way != 0 {
            let mut truth = self.truth(at, way);
            truth.wanted = self.wanted(fleet, number, way);
            if let Some(last) = self.truths.last_mut()
                && last.way == -way
                && (at - last.at).as_seconds_f64() <= UNDONE_S
                && !truth.wanted
            {
                (truth.cause, truth.clear) = (Cause::Hunting, true);
                if !last.wanted {
                    (last.cause, last.clear) = (Cause::Hunting, true);
                }
            }
            self.truths.push(truth);
        }
    }

    fn truth(&self, at: Timestamp, way: i32) -> Truth {
        let mut parts = self.moved(at - TimeDelta::seconds(LOOK_BACK_S), way);
        if parts.iter().sum::<f64>() < LITTLE_V {
            let last = self.truths.last().map(|t| t.at);
            parts = self.moved(last.unwrap_or(at - TimeDelta::seconds(LONGEST_S)), way);
        }
        let mut order = [0, 1, 2, 3];
        order.sort_by(|a, b| parts[*b].total_cmp(&parts[*a]));
        let clear = parts[order[0]] >= 1.5 * parts[order[1]].max(0.0);
        Truth { at, cause: PARTS[order[0]], clear, way, wanted: true }
    }

    /// What each part has moved the voltage towards the edge, V, from where it was furthest the other way.
    fn moved(&self, since: Timestamp, way: i32) -> [f64; 4] {
        let towards = -f64::from(way);
        let now = self.moments.back().unwrap();
        let seen = self.moments.iter().filter(|m| m.at >= since);
        let furthest = seen.min_by(|a, b| (towards * a.sum()).total_cmp(&(towards * b.sum()))).unwrap();
        let mut moved: [f64; 4] = std::array::from_fn(|i| towards * (now.parts[i] - furthest.parts[i]));
        // What those upstream had done before, and had stood since, is supply like any other.
        let just = furthest.at.max(now.at - TimeDelta::seconds(JUST_S));
        let then = self.moments.iter().find(|m| m.at >= just).unwrap();
        let stood = towards * (then.parts[3] - furthest.parts[3]);
        moved[0] += stood;
        moved[3] -= stood;
        moved
    }

    /// Whether the control would have made the same operation if its band had been two steps wide, over the same minutes of everything else.
    fn wanted(&self, fleet: &Fleet, number: usize, way: i32) -> bool {
        let (unit, state) = (&fleet.plan.regulators[number], &fleet.state.units[number]);
        let step_v = unit.nameplate.step_volts();
        let mut settings = state.settings(&unit.settings);
        if settings.forward.bandwidth_v >= 2.0 * step_v {
            return true;
        }
        settings.forward.bandwidth_v = 2.0 * step_v;
        // It is in the parts already.
        settings.forward.compensator = Compensator::OFF;
        let now = self.moments.back().unwrap().at;
        let (mut control, mut tap, mut wanted) = (Control::new(), None, false);
        for (before, moment) in self.moments.iter().zip(self.moments.iter().skip(1)) {
            if moment.at < now - TimeDelta::seconds(LOOK_BACK_S) {
                continue;
            }
            let tap = tap.get_or_insert(moment.tap);
            let inputs = Inputs {
                load_voltage_v: (moment.sum() + step_v * f64::from(*tap)) * (1.0 + unit.errors[1]),
                source_voltage_v: moment.sum(),
                current: PerUnitCurrent { in_phase: 0.0, lagging: 0.0 },
                tap: *tap,
                automatic: true,
                blocked: false,
            };
            let dt_s = (moment.at - before.at).as_seconds_f64();
            let steps = control.step(&settings, dt_s, &inputs).steps();
            *tap += steps;
            wanted |= steps.signum() == way && moment.at >= now - TimeDelta::seconds(SAME_S);
        }
        wanted
    }
}

impl Fleet {
    /// What makes up the voltage that the control of a regulator holds, V, its own tap left out; see the head.
    fn parts(&self, number: usize, taps: &[i32], sun: f64) -> [f64; 4] {
        let (unit, state) = (&self.plan.regulators[number], &self.state.units[number]);
        let c = unit.conductor;
        let own = self.plan.nodes.iter().position(|n| n.bank == Some(unit.bank)).unwrap();
        let (mut r, mut x, mut upstream, mut moves) = (0.0, 0.0, 0.0, 0.0);
        for node in self.above(own) {
            r += self.plan.nodes[node].drop_per_ampere.0;
            x += self.plan.nodes[node].drop_per_ampere.1;
            if node != own
                && let Some(u) = self.regulator_in(node, c)
            {
                upstream += 0.75 * f64::from(taps[u]);
                moves += 0.75 * f64::from(self.state.units[u].tap - taps[u]);
            }
        }
        let behind = self
            .plan
            .plants
            .iter()
            .zip(&self.state.light)
            .filter(|(p, _)| self.above(p.node).any(|n| n == own));
        let light_a: f64 = behind.map(|(plant, light)| plant.rated_a[c] * sun * light).sum();
        let load_a = state.in_phase_a + light_a;
        let compensator = state.settings(&unit.settings).forward.compensator;
        let (rc, xc) =
            (compensator.resistance_v / unit.ct_primary_a(), compensator.reactance_v / unit.ct_primary_a());
        let source = state.source_v + r * state.in_phase_a + x * state.lagging_a - upstream - moves;
        [source, -(r + rc) * load_a - (x + xc) * state.lagging_a, (r + rc) * light_a, upstream]
    }

    /// A node and those between it and the substation.
    pub(super) fn above(&self, node: usize) -> impl Iterator<Item = usize> {
        std::iter::successors(Some(node), |n| self.plan.nodes[*n].parent)
    }

    pub(super) fn regulator_in(&self, node: usize, conductor: usize) -> Option<usize> {
        let bank = &self.plan.banks[self.plan.nodes[node].bank?];
        (bank.first..bank.first + bank.count).find(|u| self.plan.regulators[*u].conductor == conductor)
    }
}

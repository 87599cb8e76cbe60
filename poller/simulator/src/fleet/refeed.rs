//! The end of a feeder fed from its other side.
//!
//! The line is open above the last stop without a regulator, and a tie is closed at the feeder's end: the last bank has the strong
//! source on its load side, its source side feeds what lies between it and the opening, and power runs through it backwards. A tap
//! then leaves the load side where it is and moves the source side the other way, by VS = VL over the ratio (see `regulator::flow`).

use super::Fleet;
use crate::demand::{Customers, Demand};
use crate::plan::Refeed;

impl Fleet {
    /// Whether this node is now fed the other way round, so that it draws nothing from the one above it.
    pub(super) fn is_refed(&self, node: usize) -> bool {
        let part = |refeed: &Refeed| [refeed.between, refeed.end].contains(&node);
        self.state.refed && self.plan.refeed.as_ref().is_some_and(part)
    }

    /// Currents and voltages of the part that is fed the other way round, in place of what was computed for it.
    pub(super) fn refeed(&mut self, demand: &Demand) {
        let Some(Refeed { between, end }) = self.plan.refeed.filter(|_| self.state.refed) else { return };
        let level = demand.of(Customers::Homes);
        let (r, x) = self.plan.nodes[end].drop_per_ampere;
        let bus = &self.state.buses[self.plan.nodes[end].substation];
        for (c, ratio) in self.ratios(end).into_iter().enumerate() {
            // The neighbouring feeder's end: it sinks as homes wake up.
            let tie_v = TIE_V - TIE_SAG_V * level + 0.5 * bus.common.0 + bus.phases[c].0;
            let (in_phase, lagging) = self.scratch.amperes[between][c];
            let source_v = match self.scratch.units[end][c] {
                Some(u) => {
                    let (unit, state) = (&self.plan.regulators[u], &mut self.state.units[u]);
                    (state.in_phase_a, state.lagging_a) = (-in_phase / ratio, -lagging / ratio);
                    let own_drop_v = unit.series_drop_v * state.in_phase_a / unit.nameplate.rated_current_a;
                    state.load_v = tie_v;
                    state.source_v = (tie_v + own_drop_v) / ratio;
                    state.source_v
                }
                None => tie_v,
            };
            self.scratch.volts[end][c] = tie_v;
            self.scratch.volts[between][c] = source_v - r * in_phase - x * lagging;
        }
    }
}

/// What the neighbouring feeder would hold at the tie without load, V on the 120 V base, and what it loses at peak.
const TIE_V: f64 = 124.8;
const TIE_SAG_V: f64 = 6.0;

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;
    use regulator::Timestamp;

    use super::*;
    use crate::plan::utility;
    use crate::stories::When;

    /// At full raise a unit of type B has VS = 0.9 VL (Kersting, *Distribution System Modeling and Analysis*): fed from the load side, the
    /// whole tenth is taken from the source side, and the load side stays where the tie holds it.
    #[test]
    fn re_fed_the_controls_run_to_the_limit_and_come_back_when_the_feeder_is_switched_back() {
        let start: Timestamp = "2026-10-21T06:00:00Z".parse().unwrap();
        let mut fleet = Fleet::new(1, start);
        let units = fleet.plan.regulators_at(utility::REFED_SITE);
        let story = fleet.stories().into_iter().find(|s| s.site == utility::REFED_SITE).unwrap();
        let When::Between(from, to) = story.when else { panic!("{:?}", story.when) };
        fleet.advance_to(from + TimeDelta::hours(4));
        for state in units.iter().map(|u| &fleet.state.units[*u]) {
            assert!(state.in_phase_a < 0.0 && state.control.reversed());
            assert_eq!(state.tap, 16);
            assert!((state.source_v - 0.9 * state.load_v).abs() < 0.3, "{} {}", state.source_v, state.load_v);
            assert!((119.0..122.0).contains(&state.load_v), "{}", state.load_v);
        }
        fleet.advance_to(to + TimeDelta::hours(1));
        for state in units.iter().map(|u| &fleet.state.units[*u]) {
            assert!(state.in_phase_a > 0.0 && state.tap < 16);
            assert!((120.0..124.0).contains(&state.load_v), "{}", state.load_v);
        }
    }
}

//! All regulators under analysis, and how a pass's readings are taken. No database here.

use std::collections::{BTreeMap, BTreeSet};

use chrono::TimeDelta;
use regulator::{
    Timestamp,
    causes::{Assigned, OperationWindow},
};

use super::{fleet::Fleet, unit::Unit};
use crate::feed::BatchReading;

/// Readings are taken in slices of time, with causes settled in between: what a watcher needs is only kept for a while.
const SLICE_S: i64 = 300;
/// A regulator upstream that is this far behind is waited for; one that is further has nothing to say.
const WAITED_FOR: TimeDelta = TimeDelta::minutes(15);
/// A regulator that fell silent is settled by what the rest of the fleet has reached, less this.
const SILENT: TimeDelta = TimeDelta::minutes(30);

/// A regulator's operation with its cause.
pub(super) type Told = (i32, Assigned);

/// Everything remembered.
#[derive(Debug, Default)]
pub(super) struct Memory {
    pub(super) units: BTreeMap<i32, Unit>,
    /// Latest instant that any reading was measured at.
    newest: Option<Timestamp>,
}

impl Memory {
    /// Has a place for every regulator in service and none for others.
    pub(super) fn fit(&mut self, fleet: &Fleet) {
        self.units.retain(|id, _| fleet.regulators.contains_key(id));
        for id in fleet.regulators.keys() {
            self.units.entry(*id).or_default();
        }
    }

    /// Takes readings and returns the operations whose causes are settled now, by time.
    pub(super) fn take(&mut self, fleet: &Fleet, mut readings: Vec<BatchReading>) -> Vec<Told> {
        readings.sort_by_key(|r| (r.reading.measured_at, r.regulator_id));
        let mut told = vec![];
        let slice = |r: &BatchReading| r.reading.measured_at.timestamp().div_euclid(SLICE_S);
        for together in readings.chunk_by(|a, b| slice(a) == slice(b)) {
            let mut touched = BTreeSet::new();
            for BatchReading { regulator_id, reading } in together {
                let known = fleet.regulators.get(regulator_id);
                if let Some((known, unit)) = known.zip(self.units.get_mut(regulator_id)) {
                    unit.take(known, reading);
                    touched.insert(*regulator_id);
                }
            }
            self.newest = self.newest.max(together.last().map(|r| r.reading.measured_at));
            self.settle(fleet, &touched, &mut told);
        }
        self.settle(fleet, &fleet.regulators.keys().copied().collect(), &mut told);
        self.forget();
        told
    }

    /// Takes again readings from just before the program stopped, ordered by regulator and time. Operations among them that had been
    /// settled will be so again, and are not told twice.
    pub(super) fn take_again(&mut self, fleet: &Fleet, readings: &[BatchReading]) {
        for BatchReading { regulator_id, reading } in readings {
            let known = fleet.regulators.get(regulator_id);
            if let Some((known, unit)) = known.zip(self.units.get_mut(regulator_id)) {
                unit.take_again(known, reading);
                self.newest = self.newest.max(Some(reading.measured_at));
            }
        }
    }

    fn settle(&mut self, fleet: &Fleet, ids: &BTreeSet<i32>, told: &mut Vec<Told>) {
        for id in ids {
            let (Some(known), Some(unit)) = (fleet.regulators.get(id), self.units.get(id)) else { continue };
            if unit.watcher.pending() == 0 {
                continue;
            }
            let Some(until) = self.known_until(unit, &known.upstream) else { continue };
            let upstream: Vec<OperationWindow> = known
                .upstream
                .iter()
                .filter_map(|up| self.units.get(up))
                .flat_map(|up| up.windows.iter().copied())
                .collect();
            let Some(unit) = self.units.get_mut(id) else { continue };
            for assigned in unit.watcher.settle(&known.facts, until, &upstream) {
                let Some(life) = unit.life.as_mut() else { continue };
                // Those from before are written already.
                if assigned.operation.at > life.settled_until {
                    life.settled_until = assigned.operation.at;
                    unit.changed = true;
                    told.push((*id, assigned));
                }
            }
        }
    }

    /// Until when everything is known that a cause at this regulator can depend on.
    fn known_until(&self, unit: &Unit, upstream: &[i32]) -> Option<Timestamp> {
        let own = unit.seen_until()?;
        let own = self.newest.map_or(own, |newest| own.max(newest - SILENT));
        let behind = upstream.iter().filter_map(|up| self.units.get(up)?.seen_until());
        Some(behind.filter(|up| *up > own - WAITED_FOR).fold(own, Timestamp::min))
    }

    fn forget(&mut self) {
        let Some(newest) = self.newest else { return };
        for unit in self.units.values_mut() {
            unit.forget_windows_before(newest);
        }
    }
}

//! What the neighbours of each reading's regulator report at about that time.
//!
//! A batch is gone through by time, banks first, so that each reading finds beside it what was measured up to its own instant, in
//! this batch or before. That rests on nothing but the feed and what is stored, and is the same however passes are cut.
//!
//! The regulators of one site are taken to stand on one bus. One of them lends its source voltage to those without, if its own tap
//! audit agrees with its report (then its voltages have long fitted its taps): one of the same phase first, and then the same one for
//! as long as it can.

use chrono::TimeDelta;
use regulator::{
    Quantity, Reading, Timestamp,
    audit::{self, Neighbour, Verdict},
    conditions::{Beside, Ganged},
};
use serde::{Deserialize, Serialize};

use super::{
    fleet::{Fleet, Judged},
    memory::{CLOCK_SLACK, Memory, Told},
};
use crate::{
    alarms::Place,
    feed::{Batch, BatchReading},
};

/// Readings of neighbours are no further apart than this many poll intervals, and need not be closer than so many seconds.
const CLOSE_INTERVALS: f64 = 1.5;
const CLOSE_LEAST_S: f64 = 2.0;
/// A carried voltage older than this is not lent, seconds.
const OLDEST_S: u64 = 900;
/// A neighbour that has had no source voltage for so long is given up for another.
const GIVEN_UP: TimeDelta = TimeDelta::days(1);

/// A source voltage and when it was read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct SourceSeen {
    at: Timestamp,
    /// Per unit of the control's secondary base.
    per_unit: f64,
}

impl Memory {
    /// Judges the banks, and tells what is beside each reading, in their order.
    pub(super) fn look_beside(
        &mut self,
        fleet: &Fleet,
        batch: &Batch,
        readings: &[BatchReading],
        told: &mut Vec<Told>,
    ) -> Vec<Beside> {
        let horizon = batch.written_at + CLOCK_SLACK;
        let mut besides = vec![Beside::default(); readings.len()];
        let at = |n: &usize| readings[*n].reading.measured_at;
        let mut order: Vec<usize> = (0..readings.len()).collect();
        order.sort_by_key(at);
        for instant in order.chunk_by(|a, b| at(a) == at(b)) {
            let known = || {
                let of_it = instant.iter().map(|n| (*n, &readings[*n]));
                of_it.filter_map(|(n, r)| Some((n, r, fleet.regulators.get(&r.regulator_id)?)))
            };
            for (_, BatchReading { regulator_id, reading }, judged) in known() {
                self.judge_bank(fleet, (judged, reading), horizon, told);
                self.note_source(*regulator_id, (judged, reading), horizon);
            }
            for (n, BatchReading { regulator_id, reading }, judged) in known() {
                besides[n] = Beside {
                    source: self.lent(fleet, *regulator_id, judged, reading),
                    ganged: self.ganged(fleet, judged, reading),
                };
            }
        }
        besides
    }

    fn judge_bank(
        &mut self,
        fleet: &Fleet,
        (judged, reading): (&Judged, &Reading),
        horizon: Timestamp,
        told: &mut Vec<Told>,
    ) {
        let id = judged.bank_id;
        // One regulator alone has nothing to be compared with.
        let Some(of) = fleet.banks.get(&id).filter(|bank| bank.members.len() > 1) else { return };
        let (Some(bank), Some(first)) = (self.banks.get_mut(&id), of.members.first()) else { return };
        let transitions = bank.detector.observe_known(&of.unit, judged.phase, reading, horizon);
        told.extend(transitions.into_iter().map(|t| (Place::Regulator(*first), t)));
        self.changed.insert(Place::Bank(id));
    }

    fn ganged(&self, fleet: &Fleet, judged: &Judged, reading: &Reading) -> Option<Ganged> {
        let (of, bank) = (fleet.banks.get(&judged.bank_id)?, self.banks.get(&judged.bank_id)?);
        bank.detector.ganged(&of.unit, judged.phase, reading.measured_at)
    }

    fn note_source(&mut self, id: i32, (judged, reading): (&Judged, &Reading), horizon: Timestamp) {
        let at = reading.measured_at;
        let Some(watched) = self.regulators.get_mut(&id) else { return };
        let late = watched.source.is_some_and(|seen| seen.at >= at && seen.at <= horizon);
        if late || at > horizon || reading.age(Quantity::SourceVoltage).seconds() > OLDEST_S {
            return;
        }
        if let Some(volts) = reading.good(Quantity::SourceVoltage) {
            watched.source = Some(SourceSeen { at, per_unit: volts / judged.base_v });
        }
    }

    /// What a neighbour lends, to a regulator without a source voltage.
    fn lent(&self, fleet: &Fleet, id: i32, judged: &Judged, reading: &Reading) -> Option<Neighbour> {
        let audited = reading.good(Quantity::Tap).and(reading.good(Quantity::LoadVoltage)).is_some();
        if !audited || reading.good(Quantity::SourceVoltage).is_some() {
            return None;
        }
        let audit = self.regulators.get(&id)?.detector.tap_audit();
        if audit.basis() == audit::Basis::Own {
            return None;
        }
        let at = reading.measured_at;
        let others = || fleet.sites.get(&judged.site_id).into_iter().flatten().copied().filter(|n| *n != id);
        let followed = audit.neighbour().filter(|n| others().any(|other| other == *n));
        if let Some(followed) = followed
            && self.source_of(followed).is_some_and(|seen| at - seen.at < GIVEN_UP)
        {
            return self.lends(fleet, followed, judged, at);
        }
        let mut lenders = others().filter_map(|n| self.lends(fleet, n, judged, at));
        let first = lenders.next()?;
        Some(if first.same_phase { first } else { lenders.find(|n| n.same_phase).unwrap_or(first) })
    }

    fn source_of(&self, id: i32) -> Option<SourceSeen> {
        self.regulators.get(&id)?.source
    }

    fn lends(&self, fleet: &Fleet, id: i32, to: &Judged, at: Timestamp) -> Option<Neighbour> {
        let (lender, watched) = (fleet.regulators.get(&id)?, self.regulators.get(&id)?);
        let seen = watched.source?;
        let close_s = CLOSE_INTERVALS * lender.poll_interval_s.max(to.poll_interval_s);
        #[allow(clippy::cast_precision_loss, reason = "seconds of years")]
        let apart_s = (at - seen.at).num_milliseconds() as f64 / 1000.0;
        let close = (0.0..=close_s.max(CLOSE_LEAST_S)).contains(&apart_s);
        let audit = watched.detector.tap_audit();
        let agrees = || matches!(audit.verdict(lender.unit.audit_limits()), Verdict::Agrees { .. });
        (close && audit.basis() == audit::Basis::Own && agrees()).then(|| Neighbour {
            id,
            source_v: seen.per_unit * to.base_v,
            same_phase: lender.phase == to.phase,
        })
    }
}

//! What the conditions remember, and how one batch is judged. No database here.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use chrono::TimeDelta;
use regulator::{
    Timestamp,
    conditions::{
        AreaDetector, BankDetector, Beside, EndpointDetector, PollerDetector, RegulatorDetector, Report,
        Transition,
    },
};
use serde::{Deserialize, Serialize};

use super::{beside::SourceSeen, fleet::Fleet};
use crate::{
    alarms::Place,
    feed::{Batch, BatchReading},
};

/// How far a poller's clock may be ahead of the database's before its readings are not believed.
pub(super) const CLOCK_SLACK: TimeDelta = TimeDelta::seconds(120);
/// When a regulator's poller has been quiet for so long, another's word is taken in its place.
const ORPHANED: TimeDelta = TimeDelta::minutes(10);

/// A transition and where.
pub(super) type Told = (Place, Transition);

/// Everything remembered.
#[derive(Debug, Default)]
pub(super) struct Memory {
    pub(super) regulators: BTreeMap<i32, Watched>,
    pub(super) banks: BTreeMap<i32, Bank>,
    pub(super) endpoints: BTreeMap<i32, EndpointDetector>,
    pub(super) pollers: BTreeMap<String, Poller>,
    pub(super) substations: BTreeMap<i32, AreaDetector>,
    /// What has changed since it was last stored.
    pub(super) changed: BTreeSet<Place>,
}

/// One regulator's memory.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Watched {
    /// Whose reading was the last: its word about silence is the one that counts.
    pub(super) poller: Option<String>,
    pub(super) detector: RegulatorDetector,
    /// Its last source voltage, for neighbours without one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) source: Option<SourceSeen>,
}

/// One bank's memory.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Bank {
    /// Of whom it is: with other regulators it is another bank.
    members: Vec<i32>,
    pub(super) detector: BankDetector,
}

/// One poller's memory: its own silence, and how much of what it polls it reaches.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Poller {
    #[serde(flatten)]
    pub(super) detector: PollerDetector,
    pub(super) reach: AreaDetector,
}

/// What has left the inventory.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Gone {
    pub(super) regulators: Vec<i32>,
    pub(super) banks: Vec<i32>,
}

/// What became of a batch's readings.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Counts {
    pub(super) judged: u64,
    pub(super) late: u64,
    pub(super) ahead: u64,
    pub(super) unknown: u64,
}

impl Memory {
    /// Has a place for every regulator and bank in service and none for others; returns those forgotten.
    pub(super) fn fit(&mut self, fleet: &Fleet) -> Gone {
        for id in fleet.regulators.keys() {
            self.regulators.entry(*id).or_default();
        }
        let gone: Vec<i32> =
            self.regulators.keys().copied().filter(|id| !fleet.regulators.contains_key(id)).collect();
        for id in &gone {
            self.regulators.remove(id);
            self.changed.remove(&Place::Regulator(*id));
        }
        let same = |id: &i32, bank: &Bank| fleet.banks.get(id).is_some_and(|b| b.members == bank.members);
        let banks: Vec<i32> =
            self.banks.iter().filter(|(id, bank)| !same(id, bank)).map(|(id, _)| *id).collect();
        for id in &banks {
            self.banks.remove(id);
            self.changed.remove(&Place::Bank(*id));
        }
        for (id, bank) in &fleet.banks {
            self.banks
                .entry(*id)
                .or_insert_with(|| Bank { members: bank.members.clone(), ..Bank::default() });
        }
        Gone { regulators: gone, banks }
    }

    /// Judges one batch: its readings (ordered by regulator and time), then what its poller says.
    pub(super) fn take(
        &mut self,
        fleet: &Fleet,
        batch: &Batch,
        readings: &[BatchReading],
        told: &mut Vec<Told>,
    ) -> Counts {
        self.hear(fleet, batch, told);
        let mut of_banks = vec![];
        let besides = self.look_beside(fleet, batch, readings, &mut of_banks);
        let mut taken = 0;
        let failing = failing_endpoints(batch);
        let mut counts = Counts::default();
        // First reading from behind each endpoint that was failing.
        let mut answered: HashMap<i32, Timestamp> = HashMap::new();
        for of_one in readings.chunk_by(|a, b| a.regulator_id == b.regulator_id) {
            let id = of_one[0].regulator_id;
            let beside = &besides[taken..taken + of_one.len()];
            taken += of_one.len();
            let (Some(judged), Some(watched)) = (fleet.regulators.get(&id), self.regulators.get_mut(&id))
            else {
                counts.unknown += of_one.len() as u64;
                continue;
            };
            watched.take(judged, batch, (of_one, beside), told, &mut counts);
            self.changed.insert(Place::Regulator(id));
            let endpoint = judged.endpoint_id;
            if let Some(since) = self.endpoints.get(&endpoint).and_then(EndpointDetector::failing_since)
                && !failing.contains_key(&endpoint)
                && let Some(first) = of_one.iter().map(|r| r.reading.measured_at).find(|at| *at >= since)
            {
                answered.entry(endpoint).and_modify(|at| *at = first.min(*at)).or_insert(first);
            }
        }
        told.append(&mut of_banks);
        self.endpoints_said(fleet, batch, &failing, &answered, told);
        self.look_at_areas(fleet, &batch.poller, known_until(batch), told);
        self.report(fleet, batch, told);
        counts
    }

    /// It is `now`, and every batch written before has been taken: which pollers are silent?
    pub(super) fn look_at_pollers(&mut self, fleet: &Fleet, now: Timestamp, told: &mut Vec<Told>) {
        for name in &fleet.pollers {
            let Some(Poller { detector, .. }) = self.pollers.get_mut(name) else { continue };
            let transitions = detector.advance(&fleet.settings, now);
            if !transitions.is_empty() {
                self.changed.insert(Place::Poller(name.clone()));
            }
            told.extend(transitions.into_iter().map(|t| (Place::Poller(name.clone()), t)));
        }
    }

    fn hear(&mut self, fleet: &Fleet, batch: &Batch, told: &mut Vec<Told>) {
        let place = Place::Poller(batch.poller.clone());
        let detector = &mut self.pollers.entry(batch.poller.clone()).or_default().detector;
        if fleet.pollers.contains(&batch.poller) || detector.is_silent() {
            let transitions = detector.heard(&fleet.settings, batch.written_at);
            told.extend(transitions.into_iter().map(|t| (place.clone(), t)));
        } else {
            detector.note(batch.written_at);
        }
        self.changed.insert(place);
    }

    fn endpoints_said(
        &mut self,
        fleet: &Fleet,
        batch: &Batch,
        failing: &BTreeMap<i32, (Timestamp, &str)>,
        answered: &HashMap<i32, Timestamp>,
        told: &mut Vec<Told>,
    ) {
        let report = Report {
            poller: &batch.poller,
            session_started_at: batch.session_started_at,
            watermark: known_until(batch),
        };
        for id in failing.keys().filter(|id| fleet.endpoints.contains_key(id)) {
            self.endpoints.entry(*id).or_default();
        }
        for (id, detector) in &mut self.endpoints {
            let Some(settings) = fleet.endpoints.get(id) else { continue };
            let before = detector.clone();
            let mut transitions = vec![];
            if let Some((since, error)) = failing.get(id) {
                transitions.extend(detector.failing(settings, &report, *since, error));
            } else {
                transitions.extend(answered.get(id).map_or_else(Vec::new, |at| detector.answered(*at)));
                transitions.extend(detector.not_failing(settings, &report));
            }
            if *detector != before {
                self.changed.insert(Place::Endpoint(*id));
            }
            told.extend(transitions.into_iter().map(|t| (Place::Endpoint(*id), t)));
        }
    }

    /// Tells each regulator that this poller answers for how far its silence is known.
    fn report(&mut self, fleet: &Fleet, batch: &Batch, told: &mut Vec<Told>) {
        let to = known_until(batch);
        let orphaned = |poller: &String| {
            let heard = self.pollers.get(poller).and_then(|p| p.detector.heard_at());
            heard.is_none_or(|at| at + ORPHANED < batch.written_at)
        };
        for (id, watched) in &mut self.regulators {
            let Some(judged) = fleet.regulators.get(id) else { continue };
            match &watched.poller {
                Some(poller) if *poller == batch.poller => {}
                Some(poller) if !orphaned(poller) => continue,
                _ => {}
            }
            let failing = self.endpoints.get(&judged.endpoint_id).and_then(EndpointDetector::failing_since);
            let detector = &mut watched.detector;
            let corrected = detector.heed_horizon(batch.written_at + CLOCK_SLACK);
            let news = detector.polled_since(batch.session_started_at);
            let due = detector.needs_report(&judged.unit, failing, to);
            if due {
                let transitions = detector.report(&judged.unit, failing, to);
                told.extend(transitions.into_iter().map(|t| (Place::Regulator(*id), t)));
            }
            if corrected || news || due {
                self.changed.insert(Place::Regulator(*id));
            }
        }
    }
}

impl Watched {
    fn take(
        &mut self,
        judged: &super::fleet::Judged,
        batch: &Batch,
        (readings, besides): (&[BatchReading], &[Beside]),
        told: &mut Vec<Told>,
        counts: &mut Counts,
    ) {
        if self.poller.as_ref() != Some(&batch.poller) {
            self.poller = Some(batch.poller.clone());
        }
        let detector = &mut self.detector;
        let (late, ahead) = (detector.late(), detector.ahead());
        detector.polled_since(batch.session_started_at);
        let horizon = batch.written_at + CLOCK_SLACK;
        for (BatchReading { regulator_id, reading }, beside) in readings.iter().zip(besides) {
            let transitions = detector.observe_known(&judged.unit, reading, beside, horizon);
            told.extend(transitions.into_iter().map(|t| (Place::Regulator(*regulator_id), t)));
        }
        counts.late += detector.late() - late;
        counts.ahead += detector.ahead() - ahead;
        counts.judged += readings.len() as u64 - (detector.late() - late) - (detector.ahead() - ahead);
    }
}

/// A watermark from a clock that is ahead says no more than when it was written.
fn known_until(batch: &Batch) -> Timestamp {
    batch.watermark.min(batch.written_at)
}

/// Endpoints that do not answer at all. A unit that does not, behind one that does, is a matter of its readings alone.
fn failing_endpoints(batch: &Batch) -> BTreeMap<i32, (Timestamp, &str)> {
    let whole = batch.failing.iter().filter(|f| f.unit.is_none());
    whole.map(|f| (f.endpoint, (f.since, f.error.as_str()))).collect()
}

//! Silence of many at once: the substations and pollers as detectors see them.

use std::collections::{BTreeMap, BTreeSet};

use regulator::{Timestamp, conditions::EndpointDetector};

use super::{
    fleet::Fleet,
    memory::{Memory, Told},
};
use crate::alarms::{Place, Relations};

impl Memory {
    /// Who belongs to whom, as far as inventory and memory know.
    pub(super) fn relations(&self, fleet: &Fleet) -> Relations {
        let mut relations = fleet.relations.clone();
        for (id, watched) in &self.regulators {
            if let Some((endpoint, poller)) = relations.endpoint_of.get(id).zip(watched.poller.as_ref()) {
                relations.poller_of.insert(*endpoint, poller.clone());
            }
        }
        // Whoever finds it failing polls it, whether or not it has ever answered.
        for (id, detector) in &self.endpoints {
            if let Some(poller) = self.pollers.keys().find(|p| detector.fails_for(p)) {
                relations.poller_of.insert(*id, poller.clone());
            }
        }
        relations
    }

    /// Looks at everything that a batch of this poller, true up to `known`, can have changed.
    pub(super) fn look_at_areas(
        &mut self,
        fleet: &Fleet,
        poller: &str,
        known: Timestamp,
        told: &mut Vec<Told>,
    ) {
        let failing: BTreeMap<i32, Timestamp> = self
            .endpoints
            .iter()
            .filter(|(id, _)| fleet.endpoints.contains_key(id))
            .filter_map(|(id, detector)| Some((*id, detector.failing_since()?)))
            .collect();
        let reach = self.pollers.get(poller).is_some_and(|p| p.reach.is_active());
        if failing.is_empty() && !reach && self.substations.is_empty() {
            return;
        }
        let polled = self.polled_by(fleet, poller);
        self.look_at_reach(fleet, poller, known, &polled, &failing, told);
        for (id, endpoints) in &fleet.substations {
            if !endpoints.iter().any(|e| polled.contains(e)) {
                continue;
            }
            let since = endpoints.iter().filter_map(|e| failing.get(e).copied());
            let detector = self.substations.entry(*id).or_default();
            let before = detector.clone();
            let transitions =
                detector.observe(&fleet.substation_limits, known, endpoints.len() as u64, since);
            if *detector != before {
                self.changed.insert(Place::Substation(*id));
            }
            told.extend(transitions.into_iter().map(|t| (Place::Substation(*id), t)));
        }
    }

    fn look_at_reach(
        &mut self,
        fleet: &Fleet,
        poller: &str,
        known: Timestamp,
        polled: &BTreeSet<i32>,
        failing: &BTreeMap<i32, Timestamp>,
        told: &mut Vec<Told>,
    ) {
        let Some(memory) = self.pollers.get_mut(poller) else { return };
        // Where one substation alone is silent, the fault is there, however large its share.
        let wide = silent_substations(fleet, polled, failing);
        let since = polled.iter().filter(|_| wide).filter_map(|e| failing.get(e).copied());
        let transitions = memory.reach.observe(&fleet.reach_limits, known, polled.len() as u64, since);
        // The poller's row is stored after each of its batches anyway.
        told.extend(transitions.into_iter().map(|t| (Place::Poller(poller.to_owned()), t)));
    }

    /// The endpoints in service that this poller polls.
    fn polled_by(&self, fleet: &Fleet, poller: &str) -> BTreeSet<i32> {
        let answering = self
            .regulators
            .iter()
            .filter(|(_, watched)| watched.poller.as_deref() == Some(poller))
            .filter_map(|(id, _)| Some(fleet.regulators.get(id)?.endpoint_id));
        let fails = |(id, detector): (&i32, &EndpointDetector)| detector.fails_for(poller).then_some(*id);
        let failing = self.endpoints.iter().filter_map(fails).filter(|id| fleet.endpoints.contains_key(id));
        answering.chain(failing).collect()
    }
}

/// Whether at least half of what a poller polls in at least half of its substations, and in two of them, is failing.
fn silent_substations(fleet: &Fleet, polled: &BTreeSet<i32>, failing: &BTreeMap<i32, Timestamp>) -> bool {
    let (mut all, mut silent) = (0, 0);
    for endpoints in fleet.substations.values() {
        let (mut of_it, mut failing_of_it) = (0, 0);
        for endpoint in endpoints.iter().filter(|e| polled.contains(e)) {
            of_it += 1;
            failing_of_it += u32::from(failing.contains_key(endpoint));
        }
        all += u32::from(of_it > 0);
        silent += u32::from(of_it > 0 && 2 * failing_of_it >= of_it);
    }
    silent >= 2 && 2 * silent >= all
}

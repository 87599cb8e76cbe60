//! How each endpoint is doing, learned from the outcomes of its polls.

use std::collections::{BTreeMap, HashMap, HashSet};

use regulator::Timestamp;

use crate::{
    endpoint::{DeviceEvent, DeviceNews, Failure, Identity, Outcome},
    store::Failing,
};

/// One endpoint.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct EndpointState {
    /// When a poll last succeeded.
    pub last_success_at: Option<Timestamp>,
    /// When a poll last failed.
    pub last_failure_at: Option<Timestamp>,
    /// Kind and text of the last failure.
    pub last_error: Option<Failure>,
    /// Of the last answered poll, its slowest request, ms.
    pub latency_ms: Option<f32>,
    /// Largest lateness of a poll since this was last taken, ms.
    pub lateness_ms: Option<f32>,
    /// Polls so far.
    pub polls: u64,
    /// Failures so far, by kind.
    pub failures: BTreeMap<&'static str, u64>,
    /// How often devices behind it restarted.
    pub restarts: u64,
    /// How often devices behind it lost events.
    pub overflows: u64,
    /// What the units behind it say they are.
    pub identities: BTreeMap<u16, Identity>,
    /// How far their clocks are ahead of ours, ms.
    offsets_ms: BTreeMap<u16, i64>,
    /// What fails now: the endpoint (no unit) or units behind it.
    failing: BTreeMap<Option<u16>, (Timestamp, String)>,
}

impl EndpointState {
    /// Since when something fails without a break, if it does.
    #[must_use]
    pub fn failing_since(&self) -> Option<Timestamp> {
        self.failing.values().map(|(since, _)| *since).min()
    }

    /// The largest difference of a clock behind it, ms ahead of ours; none while none is known.
    #[must_use]
    pub fn clock_offset_ms(&self) -> Option<i64> {
        self.offsets_ms.values().copied().max_by_key(|offset| offset.unsigned_abs())
    }

    fn note_event(&mut self, event: DeviceEvent) {
        match event.what {
            DeviceNews::Restarted => self.restarts += 1,
            DeviceNews::Overflowed => self.overflows += 1,
            DeviceNews::ClockOffset { millis } => drop(self.offsets_ms.insert(event.unit, millis)),
            DeviceNews::Identity(identity) => drop(self.identities.insert(event.unit, identity)),
        }
    }

    fn note(&mut self, outcome: &Outcome) {
        self.polls += 1;
        let lateness = outcome.lateness.as_secs_f32() * 1e3;
        self.lateness_ms = Some(self.lateness_ms.map_or(lateness, |before| before.max(lateness)));
        // whatever a unit does, the endpoint was reached
        if outcome.unit.is_some() {
            self.failing.remove(&None);
        }
        match &outcome.result {
            Ok(answered) => {
                self.last_success_at = Some(outcome.at);
                self.latency_ms = Some(answered.latency.as_secs_f32() * 1e3);
                self.failing.remove(&outcome.unit);
            }
            Err(failure) => {
                self.last_failure_at = Some(outcome.at);
                *self.failures.entry(failure.kind.name()).or_default() += 1;
                let (_, text) =
                    self.failing.entry(outcome.unit).or_insert_with(|| (outcome.at, String::new()));
                text.clone_from(&failure.text);
                self.last_error = Some(failure.clone());
            }
        }
    }
}

/// All endpoints.
#[derive(Debug, Default)]
pub struct Endpoints(HashMap<i32, EndpointState>);

impl Endpoints {
    /// Learns from one outcome.
    pub fn note(&mut self, outcome: &Outcome) {
        self.0.entry(outcome.endpoint_id).or_default().note(outcome);
    }

    /// Learns what a device told of itself.
    pub fn note_event(&mut self, event: DeviceEvent) {
        self.0.entry(event.endpoint_id).or_default().note_event(event);
    }

    /// Restarts and overflows of all devices.
    #[must_use]
    pub fn device_events(&self) -> (u64, u64) {
        self.0.values().fold((0, 0), |(r, o), state| (r + state.restarts, o + state.overflows))
    }

    /// Forgets endpoints and units that are polled no longer.
    pub fn keep(&mut self, units: &HashSet<(i32, u16)>) {
        let endpoints: HashSet<i32> = units.iter().map(|(endpoint, _)| *endpoint).collect();
        self.0.retain(|id, state| {
            state.failing.retain(|unit, _| unit.is_none_or(|unit| units.contains(&(*id, unit))));
            state.identities.retain(|unit, _| units.contains(&(*id, *unit)));
            state.offsets_ms.retain(|unit, _| units.contains(&(*id, *unit)));
            endpoints.contains(id)
        });
    }

    /// What fails now, in a fixed order.
    #[must_use]
    pub fn failing(&self) -> Vec<Failing> {
        let all = self.0.iter().flat_map(|(endpoint, state)| {
            state.failing.iter().map(|(unit, (since, error))| Failing {
                endpoint: *endpoint,
                unit: *unit,
                since: *since,
                error: error.clone(),
            })
        });
        let mut failing: Vec<Failing> = all.collect();
        failing.sort_by_key(|f| (f.endpoint, f.unit));
        failing
    }

    /// Every endpoint as it is; the largest lateness begins anew.
    pub fn take(&mut self) -> Vec<(i32, EndpointState)> {
        let taken = self.0.iter().map(|(id, state)| (*id, state.clone())).collect();
        for state in self.0.values_mut() {
            state.lateness_ms = None;
        }
        taken
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use chrono::TimeDelta;

    use super::*;
    use crate::{endpoint::Answered, modbus::ErrorKind};

    fn outcome(unit: Option<u16>, at_s: i64, kind: Option<ErrorKind>) -> Outcome {
        let result = match kind {
            None => Ok(Answered { latency: Duration::from_millis(7) }),
            Some(kind) => Err(Failure { kind, text: format!("{} at {at_s}", kind.name()) }),
        };
        let at = Timestamp::UNIX_EPOCH + TimeDelta::seconds(at_s);
        Outcome { endpoint_id: 1, unit, at, result, lateness: Duration::from_millis(3), missed: 0 }
    }

    #[test]
    fn failing_lasts_from_the_first_failure_in_a_row_to_the_next_success() {
        let mut endpoints = Endpoints::default();
        endpoints.note(&outcome(Some(3), 1, Some(ErrorKind::Timeout)));
        endpoints.note(&outcome(Some(4), 2, None));
        endpoints.note(&outcome(Some(3), 11, Some(ErrorKind::Timeout)));
        let failing = endpoints.failing();
        assert_eq!(failing.len(), 1);
        assert_eq!((failing[0].unit, failing[0].since.timestamp()), (Some(3), 1));
        assert_eq!(failing[0].error, "timeout at 11");
        endpoints.note(&outcome(Some(3), 21, None));
        assert_eq!(endpoints.failing(), []);
    }

    #[test]
    fn what_devices_tell_of_themselves_is_kept_by_endpoint() {
        let mut endpoints = Endpoints::default();
        let tell = |endpoints: &mut Endpoints, unit, what| {
            endpoints.note_event(DeviceEvent { endpoint_id: 1, unit, what });
        };
        tell(&mut endpoints, 3, DeviceNews::Restarted);
        tell(&mut endpoints, 4, DeviceNews::Restarted);
        tell(&mut endpoints, 3, DeviceNews::Overflowed);
        tell(&mut endpoints, 3, DeviceNews::ClockOffset { millis: 20 });
        tell(&mut endpoints, 4, DeviceNews::ClockOffset { millis: -900 });
        assert_eq!(endpoints.device_events(), (2, 1));
        assert_eq!(endpoints.take()[0].1.clock_offset_ms(), Some(-900));
        endpoints.keep(&[(1, 3)].into());
        assert_eq!(endpoints.take()[0].1.clock_offset_ms(), Some(20));
    }

    #[test]
    fn an_endpoint_that_answers_for_one_unit_is_no_longer_unreachable() {
        let mut endpoints = Endpoints::default();
        endpoints.note(&outcome(None, 1, Some(ErrorKind::Connect)));
        assert_eq!(endpoints.failing()[0].unit, None);
        endpoints.note(&outcome(Some(4), 2, Some(ErrorKind::Timeout)));
        assert_eq!(endpoints.failing()[0].unit, Some(4));
        endpoints.keep(&[(1, 5)].into());
        assert_eq!(endpoints.failing(), [], "unit 4 is polled no longer");
        assert_eq!(endpoints.take()[0].1.failures["connect"], 1);
    }
}

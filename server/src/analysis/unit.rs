//! One regulator under analysis: its watcher, its life so far, and its present day.

use chrono::{NaiveDate, TimeDelta};
use regulator::{
    Quantity, Reading, Timestamp,
    causes::{Learned, OperationWindow, Watcher},
    dwell::{Stay, TapTime},
    wear::{ContactWear, WearMeter},
};
use serde::{Deserialize, Serialize};

use super::fleet::Known;

/// How long operations are remembered for the regulators downstream.
const WINDOWS_KEPT: TimeDelta = TimeDelta::minutes(45);

/// One regulator.
#[derive(Debug, Default)]
pub(super) struct Unit {
    pub(super) watcher: Watcher,
    /// Nothing before its first reading.
    pub(super) life: Option<Life>,
    /// The day of its last reading.
    pub(super) today: Option<Day>,
    /// Days that ended since they were last stored.
    pub(super) ended: Vec<Day>,
    /// Its own operations of the last while.
    pub(super) windows: Vec<OperationWindow>,
    pub(super) changed: bool,
}

/// What is carried on and stored.
#[derive(Debug, Clone)]
pub(super) struct Life {
    pub(super) seen_until: Timestamp,
    pub(super) settled_until: Timestamp,
    pub(super) first_seen_at: Timestamp,
    pub(super) first_counter: Option<i64>,
    pub(super) moved_at: Option<Timestamp>,
    pub(super) neutral_at: Option<Timestamp>,
    pub(super) wear: ContactWear,
    pub(super) state: State,
}

/// What of it only this program reads; fields that another version wrote are ignored, missing ones start empty.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct State {
    stay: Stay,
    meter: WearMeter,
    pub(super) learned: Learned,
    /// The last reading with a tap.
    tap: Option<(Timestamp, i32)>,
}

/// One day of its site.
#[derive(Debug, Clone)]
pub(super) struct Day {
    pub(super) day: NaiveDate,
    pub(super) operations: u64,
    pub(super) taps: TapTime,
    pub(super) wear: ContactWear,
}

/// The present stay in what a row of `service_life` remembers; an empty one where that does not read.
pub(crate) fn stay(state: &str) -> Stay {
    serde_json::from_str::<Stayed>(state).unwrap_or_default().stay
}

/// The one field of [`State`] that pages read.
#[derive(Default, Deserialize)]
#[serde(default)]
struct Stayed {
    stay: Stay,
}

impl Day {
    fn new(day: NaiveDate) -> Self {
        Self { day, operations: 0, taps: TapTime::default(), wear: ContactWear::default() }
    }
}

impl Life {
    fn from(reading: &Reading) -> Self {
        let at = reading.measured_at;
        #[allow(clippy::cast_possible_truncation, reason = "counters are far below 2^53")]
        let first_counter = reading.good(Quantity::Operations).map(|n| n as i64);
        Self {
            seen_until: at - TimeDelta::microseconds(1),
            settled_until: at,
            first_seen_at: at,
            first_counter,
            moved_at: None,
            neutral_at: None,
            wear: ContactWear::default(),
            state: State::default(),
        }
    }
}

impl Unit {
    /// Takes the next reading; one that is not later than the last is passed over: what it tells came too late for this.
    pub(super) fn take(&mut self, known: &Known, reading: &Reading) {
        let at = reading.measured_at;
        let life = self.life.get_or_insert_with(|| Life::from(reading));
        if at <= life.seen_until {
            return;
        }
        life.seen_until = at;
        self.changed = true;
        let date = at.with_timezone(&known.zone).date_naive();
        if self.today.as_ref().is_some_and(|today| today.day != date) {
            self.ended.extend(self.today.take());
        }
        let today = self.today.get_or_insert_with(|| Day::new(date));
        let state = &mut life.state;
        let moved = state.stay.observe(reading, known.modulus);
        let mut worn = ContactWear::default();
        state.meter.observe(&known.model, reading, &mut worn);
        today.wear += &worn;
        life.wear += &worn;
        if let Some(tap) = state.stay.tap().filter(|_| reading.good(Quantity::Tap).is_some()) {
            if let Some(before) = state.tap.replace((at, tap)) {
                today.taps.note(before, at, known.longest_gap_s);
            }
            if tap == 0 || moved.reversing {
                life.neutral_at = Some(at);
            }
        }
        if let Some(operation) = self.watcher.observe(&known.facts, reading) {
            life.moved_at = Some(at);
            today.operations += operation.count;
            self.windows.push(operation.window());
        }
    }

    /// Takes again a reading that was taken before the program stopped, for what is kept in memory only.
    pub(super) fn take_again(&mut self, known: &Known, reading: &Reading) {
        if let Some(operation) = self.watcher.observe(&known.facts, reading) {
            self.windows.push(operation.window());
        }
    }

    pub(super) fn seen_until(&self) -> Option<Timestamp> {
        self.life.as_ref().map(|life| life.seen_until)
    }

    pub(super) fn forget_windows_before(&mut self, newest: Timestamp) {
        self.windows.retain(|window| window.at > newest - WINDOWS_KEPT);
    }
}

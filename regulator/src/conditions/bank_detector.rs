//! All conditions of one bank, fed with the readings of its regulators.
//!
//! The regulators of a bank are polled one after another, perhaps by several pollers, so their readings come interleaved and
//! not quite in order. The latest of each regulator is held; once every one has a new reading, and these are close in time
//! (by the poll interval), they are compared, as of the newest. What is not close is not compared: the older ones wait for
//! their next. A reading no later than its own regulator's last is counted as late and not judged.
//!
//! Comparing per round and not per reading keeps a move of the whole bank from looking like a spread for as long as its
//! regulators have not all been read; what is left of that is covered by delays of minutes.

use serde::{Deserialize, Serialize};

use super::{Condition, Ganged, Others, Settings, Transition, hold::seconds, tap_spread, voltage_unbalance};
use crate::{Connection, Nameplate, Phase, Quantity, Reading, Timestamp, alarms::chatter::Chatter};

/// Readings compared are no further apart than this many poll intervals.
const CLOSE_INTERVALS: f64 = 1.5;
/// Nor need they be closer than this, seconds.
const CLOSE_LEAST_S: f64 = 2.0;
/// The base that voltages are compared on, V.
const BASE_V: f64 = 120.0;

/// One regulator of a bank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Member {
    /// Its phase, or phase pair.
    pub phase: Phase,
    /// Secondary base of its control, V.
    pub voltage_base_v: f64,
    /// How often it is polled, seconds.
    pub poll_interval_s: f64,
}

impl Member {
    /// The regulator of this phase and nameplate.
    #[must_use]
    pub const fn new(phase: Phase, nameplate: &Nameplate) -> Self {
        Self { phase, voltage_base_v: nameplate.voltage_base_v, poll_interval_s: nameplate.poll_interval_s }
    }
}

/// One bank as its conditions see it: members and settings, worked out once.
#[derive(Debug, Clone, PartialEq)]
pub struct BankUnit {
    members: Vec<Member>,
    close_s: f64,
    tap_spread: tap_spread::Limits,
    voltage_unbalance: voltage_unbalance::Limits,
    only: Option<Condition>,
}

impl BankUnit {
    /// Works out the limits of a bank: how it is connected, the regulators in service, the settings in force.
    #[must_use]
    pub fn new(connection: Connection, members: &[Member], settings: &Settings) -> Self {
        let slowest = members.iter().map(|m| m.poll_interval_s).fold(0.0, f64::max);
        let close_s = (CLOSE_INTERVALS * slowest).max(CLOSE_LEAST_S);
        Self {
            members: members.to_vec(),
            close_s,
            tap_spread: tap_spread::Limits::new(settings, close_s),
            voltage_unbalance: voltage_unbalance::Limits::new(connection, settings),
            only: None,
        }
    }

    /// The same, of which one condition alone is judged.
    #[must_use]
    pub fn only(
        condition: Condition,
        connection: Connection,
        members: &[Member],
        settings: &Settings,
    ) -> Self {
        Self { only: Some(condition), ..Self::new(connection, members, settings) }
    }

    fn judges(&self, condition: Condition) -> bool {
        self.only.is_none_or(|only| only == condition)
    }
}

/// The latest reading of one member, as far as it matters here.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Latest {
    phase: Phase,
    at: Timestamp,
    /// Not compared yet.
    fresh: bool,
    tap: Option<f64>,
    /// On the 120 V base.
    volts: Option<f64>,
}

/// What the conditions of one bank remember. Stored as JSON text between passes, as [`super::RegulatorDetector`] is.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct BankDetector {
    latest: Vec<Latest>,
    /// Of the last comparison.
    compared: Option<Timestamp>,
    late: u64,
    ahead: u64,
    tap_spread: tap_spread::TapSpread,
    voltage_unbalance: voltage_unbalance::VoltageUnbalance,
    #[serde(skip_serializing_if = "Chatter::is_empty")]
    chatter: Chatter,
}

impl BankDetector {
    /// Remembers nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Whether an alarm of this condition is held as chattering (see [`crate::alarms::chatter`]).
    #[must_use]
    pub fn chatters(&self, condition: Condition) -> bool {
        self.chatter.holds(condition)
    }

    /// When the regulators were last compared.
    #[must_use]
    pub const fn compared(&self) -> Option<Timestamp> {
        self.compared
    }

    /// Readings that came after a later one of the same regulator; not judged.
    #[must_use]
    pub const fn late(&self) -> u64 {
        self.late
    }

    /// Readings measured, by their own word, after the horizon; not judged.
    #[must_use]
    pub const fn ahead(&self) -> u64 {
        self.ahead
    }

    /// Whether the bank is taken to move together, by the thresholds or because it has shown so.
    #[must_use]
    pub fn moves_together(&self, unit: &BankUnit) -> bool {
        self.tap_spread.together(&unit.tap_spread)
    }

    /// The others of the bank, as of a reading that was just observed of this member, if the bank moves together or may do so.
    #[must_use]
    pub fn ganged(&self, unit: &BankUnit, member: Phase, at: Timestamp) -> Option<Ganged> {
        if unit.members.len() < 2 || !self.tap_spread.may_be_together(&unit.tap_spread) {
            return None;
        }
        let close = |l: &Latest| seconds(l.at, at).abs() <= unit.close_s;
        let others = unit.members.iter().filter(|m| m.phase != member).try_fold(
            Others { lowest_v: f64::INFINITY, highest_v: f64::NEG_INFINITY },
            |all, other| {
                let latest = self.latest.iter().find(|l| l.phase == other.phase && close(l))?;
                let volts = latest.volts?;
                Some(Others { lowest_v: all.lowest_v.min(volts), highest_v: all.highest_v.max(volts) })
            },
        );
        Some(Ganged { others })
    }

    /// Judges one reading of one of the bank's regulators. One of a regulator that is not a member is ignored.
    pub fn observe(&mut self, unit: &BankUnit, member: Phase, reading: &Reading) -> Vec<Transition> {
        let mut out = vec![];
        let Some(member) = unit.members.iter().find(|m| m.phase == member) else { return out };
        if self.hold(member, reading)
            && let Some(at) = self.round(unit)
        {
            self.compare(unit, at, &mut out);
            if let Some(only) = unit.only {
                out.retain(|transition| transition.condition == only);
            }
            self.chatter.pass(at, &mut out);
        }
        out
    }

    /// The same for a reading that was known at `horizon`; see [`super::RegulatorDetector::observe_known`].
    pub fn observe_known(
        &mut self,
        unit: &BankUnit,
        member: Phase,
        reading: &Reading,
        horizon: Timestamp,
    ) -> Vec<Transition> {
        if reading.measured_at > horizon {
            self.ahead += 1;
            return vec![];
        }
        self.heed_horizon(horizon);
        self.observe(unit, member, reading)
    }

    /// Undoes what a clock did that had jumped ahead and is right again; see [`super::RegulatorDetector::heed_horizon`].
    pub fn heed_horizon(&mut self, horizon: Timestamp) -> bool {
        let beyond = self.latest.iter().map(|l| l.at).chain(self.compared).any(|at| at > horizon);
        if !beyond {
            return false;
        }
        self.latest.retain(|l| l.at <= horizon);
        self.compared = None;
        self.tap_spread.hold.forget_pending();
        self.tap_spread.lockstep.forget_pending();
        self.voltage_unbalance.excursion.hold.forget_pending();
        self.chatter.forget(horizon);
        true
    }

    /// Holds the reading as its regulator's latest; returns whether it is that.
    fn hold(&mut self, member: &Member, reading: &Reading) -> bool {
        let newest = Latest {
            phase: member.phase,
            at: reading.measured_at,
            fresh: true,
            tap: reading.good(Quantity::Tap),
            volts: reading.good(Quantity::LoadVoltage).map(|v| v * BASE_V / member.voltage_base_v),
        };
        match self.latest.iter_mut().find(|l| l.phase == member.phase) {
            Some(latest) if latest.at >= newest.at => {
                self.late += 1;
                return false;
            }
            Some(latest) => *latest = newest,
            None => {
                self.latest.push(newest);
                self.latest.sort_by_key(|l| l.phase);
            }
        }
        true
    }

    /// The instant of a complete round, if there is one: a new reading of every member, close in time, later than the last.
    fn round(&mut self, unit: &BankUnit) -> Option<Timestamp> {
        if self.latest.len() != unit.members.len() {
            // one has left the bank
            self.latest.retain(|l| unit.members.iter().any(|m| m.phase == l.phase));
        }
        if self.latest.len() < unit.members.len() || self.latest.iter().any(|l| !l.fresh) {
            return None;
        }
        let newest = self.latest.iter().map(|l| l.at).max()?;
        let mut close = true;
        for latest in &mut self.latest {
            if seconds(latest.at, newest) > unit.close_s {
                latest.fresh = false;
                close = false;
            }
        }
        let next = close && self.compared.is_none_or(|last| newest > last);
        next.then_some(newest)
    }

    fn compare(&mut self, unit: &BankUnit, at: Timestamp, out: &mut Vec<Transition>) {
        self.compared = Some(at);
        for latest in &mut self.latest {
            latest.fresh = false;
        }
        if unit.judges(Condition::TapSpread)
            && let Some(taps) = all(&self.latest, |l| l.tap)
        {
            self.tap_spread.observe(&unit.tap_spread, at, taps.as_slice(), out);
        }
        if unit.judges(Condition::VoltageUnbalance)
            && let Some(volts) = all(&self.latest, |l| l.volts)
        {
            self.voltage_unbalance.observe(&unit.voltage_unbalance, at, volts.as_slice(), out);
        }
    }
}

/// Values of up to three members, without an allocation.
struct UpToThree {
    values: [(Phase, f64); 3],
    count: usize,
}

impl UpToThree {
    fn as_slice(&self) -> &[(Phase, f64)] {
        &self.values[..self.count]
    }
}

/// One value of every member, if every one has it and there are no more than three.
fn all(latest: &[Latest], value: impl Fn(&Latest) -> Option<f64>) -> Option<UpToThree> {
    let mut all = UpToThree { values: [(Phase::A, 0.0); 3], count: latest.len() };
    if latest.len() > all.values.len() {
        return None;
    }
    for (slot, latest) in all.values.iter_mut().zip(latest) {
        *slot = (latest.phase, value(latest)?);
    }
    Some(all)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::{
        bank_story::{BankStory, WYE},
        story::{at, told},
    };

    fn tap(s: i64, tap: f64) -> Reading {
        Reading::new(at(s)).with(Quantity::Tap, tap)
    }

    fn unit(settings: &[(&str, f64)]) -> BankUnit {
        let mut of = Settings::default();
        for (name, value) in settings {
            of.set(Condition::TapSpread, name, *value);
        }
        BankUnit::new(Connection::Wye, &WYE.map(|phase| Member::new(phase, &Nameplate::common())), &of)
    }

    #[test]
    fn a_spread_that_comes_and_goes_is_one_alarm_until_it_has_been_quiet() {
        let unit = unit(&[("moves_together", 2.0), ("delay_s", 60.0), ("return_delay_s", 60.0)]);
        let mut detector = BankDetector::new();
        let mut lines = vec![];
        for s in (0..7000).step_by(10) {
            let apart = s < 3600 && s % 600 < 300;
            for (i, phase) in (0..).zip(WYE) {
                let position = if apart && i == 2 { 12.0 } else { 0.0 };
                lines.extend(told(detector.observe(&unit, phase, &tap(s + i, position))));
            }
        }
        assert_eq!(lines.len(), 8, "three alarms, then one that is held: {lines:?}");
        assert!(lines[6].contains("chattering: 4th time within an hour"), "{lines:?}");
        assert!(lines[7].starts_with("3362 tap_spread returned"), "as of the last of six: {lines:?}");
    }

    #[test]
    fn a_move_of_the_whole_bank_is_no_spread_while_it_is_being_read() {
        let unit = unit(&[("moves_together", 1.0), ("delay_s", 0.0)]);
        let mut detector = BankDetector::new();
        for s in (0..600).step_by(10) {
            #[allow(clippy::cast_precision_loss)]
            let now = s as f64;
            for (i, phase) in (0..).zip(WYE) {
                assert!(detector.observe(&unit, phase, &tap(s + i, now)).is_empty(), "{s} {phase:?}");
            }
        }
        assert_eq!(detector.compared(), Some(at(592)));
    }

    #[test]
    fn readings_far_apart_in_time_are_not_compared() {
        let unit = unit(&[("taps", 2.0), ("delay_s", 0.0)]);
        let mut detector = BankDetector::new();
        detector.observe(&unit, Phase::A, &tap(0, 16.0));
        detector.observe(&unit, Phase::B, &tap(100, 0.0));
        assert!(detector.observe(&unit, Phase::C, &tap(100, 0.0)).is_empty());
        let lines = told(detector.observe(&unit, Phase::A, &tap(105, 16.0)));
        assert_eq!(lines, ["105 tap_spread raised: taps A +16, B +0, C +0: 16 apart for 0 s, limit 2"]);
    }

    #[test]
    fn batches_of_one_regulator_after_another_are_compared_where_they_meet() {
        let unit = unit(&[]);
        let mut detector = BankDetector::new();
        for phase in WYE {
            for s in [0, 10, 20, 30, 40, 50] {
                detector.observe(&unit, phase, &tap(s, 1.0));
            }
        }
        assert_eq!(detector.compared(), Some(at(50)), "C was close at 40 already, the newest are of 50");
        assert_eq!(detector.late(), 0);
    }

    #[test]
    fn late_readings_are_counted_and_strangers_ignored() {
        let unit = unit(&[]);
        let mut detector = BankDetector::new();
        detector.observe(&unit, Phase::A, &tap(10, 1.0));
        detector.observe(&unit, Phase::A, &tap(10, 2.0));
        detector.observe(&unit, Phase::A, &tap(0, 2.0));
        detector.observe(&unit, Phase::AB, &tap(20, 2.0));
        assert_eq!((detector.late(), detector.latest.len()), (2, 1));
    }

    #[test]
    fn a_clock_that_had_jumped_ahead_is_recovered_from() {
        let unit = unit(&[("taps", 2.0), ("delay_s", 60.0)]);
        let mut detector = BankDetector::new();
        let year = 31_536_000;
        for phase in WYE {
            detector.observe_known(&unit, phase, &tap(year, 0.0), at(year + 1));
        }
        let mut lines = vec![];
        for s in (0..=60).step_by(10) {
            for (phase, of) in WYE.into_iter().zip([9.0, 0.0, 0.0]) {
                lines.extend(told(detector.observe_known(&unit, phase, &tap(s, of), at(s + 1))));
            }
        }
        assert_eq!((lines.len(), detector.late()), (1, 0), "{lines:?}");
        detector.observe_known(&unit, Phase::A, &tap(year, 0.0), at(100));
        assert_eq!(detector.ahead(), 1);
    }

    #[test]
    fn a_member_that_left_is_not_waited_for() {
        let mut story = BankStory::wye();
        story.round(0, [Some(0.0); 3], [Some(120.0); 3]);
        let all = story.detector.compared();
        story.members.pop();
        story.round(10, [Some(0.0); 3], [Some(120.0); 3]);
        assert!(story.detector.compared() > all);
    }

    #[test]
    fn bases_are_brought_to_one() {
        let mut story = BankStory::closed_delta();
        story.settings.set(Condition::VoltageUnbalance, "delay_s", 0.0);
        story.members[1].voltage_base_v = 240.0;
        assert!(story.round(0, [Some(0.0); 3], [Some(120.0), Some(240.0), Some(120.0)]).is_empty());
    }

    #[test]
    fn its_memory_is_small_and_what_an_older_program_wrote_can_be_read() {
        let mut story = BankStory::wye();
        story.round(0, [Some(-16.0); 3], [Some(120.125); 3]);
        let text = serde_json::to_string(&story.detector).unwrap();
        assert!(text.len() < 900, "{} {text}", text.len());
        assert_eq!(serde_json::from_str::<BankDetector>(&text).unwrap(), story.detector);
        assert_eq!(serde_json::from_str::<BankDetector>("{\"no_such\":1}").unwrap(), BankDetector::new());
    }
}

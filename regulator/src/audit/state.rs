//! The audit of one regulator, reading by reading.

use serde::{Deserialize, Serialize};

use super::{
    Limits,
    block::{Block, Mean, Sample},
    neighbour::{self, Basis, Neighbour},
    neutral::Passages,
    reference::Reference,
    response::Response,
    suspicion::{self, Finding, Suspicion},
    verdict::beyond,
};
use crate::{Quantity, Reading};

/// Averages before the audit speaks: three hours of quiet readings.
pub(super) const LEARNT: u16 = 12;
/// A carried source voltage older than this is not compared, seconds.
pub(super) const OLDEST_SOURCE_S: u64 = 900;
/// Voltages beyond these shares of the base are no voltages.
pub(super) const PLAUSIBLE: std::ops::Range<f64> = 0.5..1.5;

/// The state: a few hundred bytes as JSON text, whatever the number of readings.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct TapAudit {
    #[serde(rename = "n", skip_serializing_if = "Option::is_none")]
    pub(super) tap: Option<i16>,
    #[serde(rename = "c", skip_serializing_if = "Option::is_none")]
    counter: Option<f64>,
    /// When tap or counter last changed, seconds since 1970.
    #[serde(rename = "m")]
    moved_s: i64,
    /// Where the source voltage comes from.
    #[serde(rename = "v")]
    pub(super) basis: Basis,
    /// Which neighbour, where it comes from one.
    #[serde(rename = "w", skip_serializing_if = "Option::is_none")]
    pub(super) neighbour: Option<i32>,
    #[serde(rename = "b")]
    block: Block,
    #[serde(rename = "r")]
    pub(super) reference: Reference,
    #[serde(rename = "l")]
    pub(super) blocks: u16,
    /// Mean variance of one reading's offset.
    #[serde(rename = "h")]
    pub(super) scatter: f32,
    /// When the offset was learnt, seconds since 1970.
    #[serde(rename = "g")]
    learnt_s: i64,
    #[serde(rename = "q", skip_serializing_if = "Option::is_none")]
    suspicion: Option<Suspicion>,
    #[serde(rename = "s")]
    pub(super) slip: i16,
    #[serde(rename = "f", skip_serializing_if = "Option::is_none")]
    pub(super) since_s: Option<i64>,
    /// A change that was not a whole number of steps, and since when.
    #[serde(rename = "o", skip_serializing_if = "Option::is_none")]
    pub(super) odd: Option<(f32, i64)>,
    /// Whether neutral has been passed without a change since the offset was learnt: then no old error is left to be put
    /// right there.
    #[serde(rename = "z")]
    settled: bool,
    #[serde(rename = "p")]
    passages: Passages,
    #[serde(rename = "a", skip_serializing_if = "Option::is_none")]
    pub(super) response: Option<Box<Response>>,
}

impl TapAudit {
    /// Nothing seen yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes the next reading; whether the verdict may have changed.
    #[inline]
    pub fn observe(&mut self, limits: &Limits, reading: &Reading) -> bool {
        self.observe_with(limits, reading, None)
    }

    /// The same, with the source voltage that a neighbour on the same bus reports at about that time; used for a unit whose
    /// readings have never had one of their own. When its own comes, or another neighbour's, the learning starts anew.
    pub fn observe_with(
        &mut self,
        limits: &Limits,
        reading: &Reading,
        neighbour: Option<&Neighbour>,
    ) -> bool {
        let Some(tap) = reading.good(Quantity::Tap).and_then(position) else { return false };
        let at_s = reading.measured_at.timestamp();
        let mut changed = self.follow(limits, reading, tap, at_s);
        self.passages.observe(at_s, tap, tap.saturating_add(self.slip));
        let Some(load_v) = reading.good(Quantity::LoadVoltage) else { return changed };
        let own = reading.good(Quantity::SourceVoltage);
        let neighbour = neighbour.filter(|n| own.is_none() && n.does_for(self.basis));
        let Some(source_v) = own.or(neighbour.map(|n| n.source_v)) else {
            return self.without_source(limits, reading) || changed;
        };
        let basis = neighbour.map_or(Basis::Own, Neighbour::basis);
        let whose = neighbour.map(|n| n.id);
        if (basis, whose) != (self.basis, self.neighbour) {
            self.start_on(basis, whose);
        }
        if let Some(sample) = self.sample(limits, reading, (source_v, load_v, tap), at_s)
            && let Some(mean) = self.block.add(at_s, sample, limits.block_s)
        {
            changed |= self.judge(limits, &mean, tap);
        }
        changed
    }

    /// When the tap last passed neutral, as reported and as implied.
    #[must_use]
    pub const fn passages(&self) -> &Passages {
        &self.passages
    }

    /// Implied less reported, whole steps, as far as a change has shown it; 0 otherwise.
    #[must_use]
    pub fn slip(&self) -> i32 {
        self.slip.into()
    }

    /// Where the source voltage comes from that it goes by.
    #[must_use]
    pub const fn basis(&self) -> Basis {
        self.basis
    }

    /// Which neighbour's, where it is a neighbour's.
    #[must_use]
    pub const fn neighbour(&self) -> Option<i32> {
        self.neighbour
    }

    /// Drops what is pending: its times turned out to be wrong.
    pub fn forget_pending(&mut self) {
        self.block = Block::default();
        self.suspicion = None;
        (self.moved_s, self.learnt_s) = (0, 0);
        self.passages = Passages::default();
        if let Some(response) = &mut self.response {
            response.forget();
        }
    }

    /// Follows tap and counter; an operation ends the block.
    fn follow(&mut self, limits: &Limits, reading: &Reading, tap: i16, at_s: i64) -> bool {
        let counter = reading.good(Quantity::Operations);
        let counted = counter.zip(self.counter).is_some_and(|(now, before)| now != before);
        if counter.is_some() {
            self.counter = counter;
        }
        let before = self.tap.replace(tap);
        if !counted && before == Some(tap) {
            return false;
        }
        self.moved_s = at_s;
        let closed = self.block.close();
        closed.is_some_and(|mean| self.judge(limits, &mean, before.unwrap_or(tap)))
    }

    #[allow(clippy::cast_possible_truncation, reason = "stored short on purpose")]
    #[inline]
    fn sample(
        &self,
        limits: &Limits,
        reading: &Reading,
        (source_v, load_v, tap): (f64, f64, i16),
        at_s: i64,
    ) -> Option<Sample> {
        // the reading that shows a change is not settled, nor is a voltage from before it
        let age = i64::try_from(reading.age(Quantity::LoadVoltage).seconds()).unwrap_or(i64::MAX / 2);
        if at_s - age <= self.moved_s || reading.age(Quantity::SourceVoltage).seconds() > OLDEST_SOURCE_S {
            return None;
        }
        let base = limits.nameplate.voltage_base_v;
        if !PLAUSIBLE.contains(&(source_v / base)) || !PLAUSIBLE.contains(&(load_v / base)) {
            return None;
        }
        let load = in_phase(limits, reading);
        Some(Sample(limits.offset(source_v, load_v, tap.into()) as f32, load as f32))
    }

    /// Takes a block.
    fn judge(&mut self, limits: &Limits, mean: &Mean, tap: i16) -> bool {
        let local = limits.local_step(f64::from(tap));
        let departure = self.reference.compare(mean, f64::from(self.slip) * local);
        self.hear(mean.scatter);
        if self.blocks < LEARNT {
            self.reference.learn(mean, departure);
            self.blocks += 1;
            self.learnt_s = mean.to_s;
            return self.blocks == LEARNT;
        }
        let before = self.passages.reported_within(self.learnt_s + 1);
        let near_neutral = self.passages.reported_within(mean.from_s - limits.block_s);
        match suspicion::observe(&mut self.suspicion, departure, local, mean.from_s, near_neutral) {
            Finding::Usual => {
                self.reference.learn(mean, departure);
                self.settled |= before && !near_neutral;
                if self.odd.is_some() && self.reference.level().abs() <= limits.bound {
                    self.odd = None;
                    return true;
                }
                // the verdict by the classes alone may change with the level
                self.slip == 0
            }
            Finding::Open => false,
            Finding::Slip { steps, since_s, corrected } => {
                self.slipped(limits, steps, since_s, corrected, tap);
                true
            }
            Finding::NotWhole(by, since_s) => {
                self.turned_odd(by, since_s);
                true
            }
        }
    }

    #[allow(clippy::cast_possible_truncation, reason = "stored short on purpose")]
    fn hear(&mut self, scatter: f64) {
        let weight = f32::from(self.blocks.clamp(1, 16));
        self.scatter += (scatter as f32 - self.scatter) / weight;
    }

    fn slipped(&mut self, limits: &Limits, steps: i16, since_s: i64, corrected: bool, tap: i16) {
        if self.basis == Basis::OtherPhase && steps.abs() < neighbour::LEAST_OF_ANOTHER_PHASE {
            // the supply's phases may have moved apart so far
            self.reference.jump(steps.into());
            return;
        }
        let level = self.reference.level();
        let total = self.slip.saturating_add(steps);
        let by = f64::from(steps);
        if beyond(limits, f64::from(tap) + f64::from(total), 1.0) {
            self.turned_odd(by, since_s);
            return;
        }
        // what was wrong before the audit began, or within the classes, is put right when neutral is passed
        let bound = self.bound(limits);
        let excess = level.abs() > bound;
        let nearer = (level + by).abs() < level.abs();
        if self.slip == 0
            && nearer
            && ((corrected && !self.settled) || (excess && (level + by).abs() <= bound))
        {
            self.reference.jump(by);
            return;
        }
        if self.slip == 0 {
            self.since_s = Some(since_s);
        }
        self.slip = total;
        if self.slip == 0 {
            self.since_s = None;
        }
    }

    #[allow(clippy::cast_possible_truncation, reason = "stored short on purpose")]
    fn turned_odd(&mut self, by: f64, since_s: i64) {
        self.odd = Some((by as f32, since_s));
        self.reference.jump(by);
        self.settled = false;
        self.blocks = 0;
    }

    fn start_on(&mut self, basis: Basis, neighbour: Option<i32>) {
        let started = self.basis != Basis::Nowhere;
        (self.basis, self.neighbour) = (basis, neighbour);
        self.response = None;
        if started {
            self.settled = false;
            self.reference = Reference::default();
            self.blocks = 0;
            self.suspicion = None;
            self.odd = None;
        } else {
            // what the load voltage alone has shown is now judged by the position itself
            (self.slip, self.since_s) = (0, None);
        }
    }

    /// The load voltage alone; while power is reversed it need not answer, so those operations are not judged.
    fn without_source(&mut self, limits: &Limits, reading: &Reading) -> bool {
        if self.basis != Basis::Nowhere {
            // a reading without its source voltage is no change of basis
            return false;
        }
        let reversed = reading
            .good(Quantity::RealPower)
            .map_or_else(|| reading.flag(Quantity::ReverseFlow) == Some(true), |kw| kw < 0.0);
        let response = self.response.get_or_insert_default();
        if reversed {
            response.forget();
            return false;
        }
        let unanswered = response.observe(limits, reading);
        let answers = response.answers();
        let Some((steps, since_s)) = unanswered else {
            // a mechanism that answers again, and passes neutral, is where it says
            let right =
                self.slip != 0 && answers && self.passages.reported_within(reading.measured_at.timestamp());
            if right {
                (self.slip, self.since_s) = (0, None);
            }
            return right;
        };
        self.slip = steps.saturating_neg();
        self.since_s = Some(since_s);
        true
    }
}

/// In-phase current, per unit of the rating, positive from source to load: from real power, else from the current.
#[inline]
fn in_phase(limits: &Limits, reading: &Reading) -> f64 {
    if let Some(kw) = reading.good(Quantity::RealPower) {
        return kw / limits.through_kva;
    }
    let amperes = reading.good(Quantity::Current).unwrap_or(0.0);
    let per_unit = amperes / limits.nameplate.rated_current_a;
    if reading.flag(Quantity::ReverseFlow) == Some(true) { -per_unit } else { per_unit }
}

/// A tap as a whole number.
#[allow(clippy::cast_possible_truncation, reason = "range checked")]
fn position(tap: f64) -> Option<i16> {
    (tap.abs() < 1000.0).then(|| tap.round() as i16)
}

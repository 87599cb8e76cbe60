//! From readings to a recording.
//!
//! **Which source voltage.** Rebuilt: load voltage over the ratio of the recorded tap. At the recorded tap the model then gives back
//! exactly the voltage that the control held, whatever the meters' errors; it is wrong by a step (5/8 %) for each tap that the report is late or wrong by,
//! and leaves out the unit's own drop (a few tenths of a volt at full load, from memory), which is the same at all taps and so stays in the
//! rebuilt voltage. Measured: independent of the tap report, but two instrument transformers of class 0.3 differ by up to 0.6 % of the
//! voltage, nearly a step. Where both are known their disagreement is measured and told in [`Coverage`].

use serde::Serialize;

use super::coverage::Coverage;
use super::recording::Recording;
use super::sample::Sample;
use crate::taps::TapChanger;
use crate::{Nameplate, Quantity, Reading, Timestamp, counter};

/// Where the source voltage is taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SourceVoltage {
    /// Rebuilt from load voltage and tap; measured where one of them is missing.
    Rebuilt,
    /// Measured only.
    Measured,
}

/// How readings are reduced to samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reduction {
    /// Where seconds count from: one instant for all recordings of a cascade.
    pub epoch: Timestamp,
    /// Where the source voltage is taken from.
    pub source: SourceVoltage,
    /// A reading that comes later than this after the last, seconds, ends a gap; a value carried for longer is missing.
    pub gap_s: f64,
    /// Secondary current at the CT's rated primary current, A: 0.2 is usual for compensators (common practice).
    pub ct_secondary_a: f64,
    /// Lagging power factor to take where only the magnitude of the current is known; without one the current then counts as not known.
    pub assumed_power_factor: Option<f64>,
}

impl Reduction {
    /// Rebuilt source voltage, gaps from four poll intervals on, no assumption about the power factor.
    #[must_use]
    pub fn common(epoch: Timestamp, nameplate: &Nameplate) -> Self {
        Self {
            epoch,
            source: SourceVoltage::Rebuilt,
            gap_s: GAP_INTERVALS * nameplate.poll_interval_s,
            ct_secondary_a: 0.2,
            assumed_power_factor: None,
        }
    }
}

/// Gaps are told from this many usual intervals on.
const GAP_INTERVALS: f64 = 4.0;
/// However far apart readings usually are, a gap is told from this many seconds on: nobody can say what a control did meanwhile.
const LONGEST_HOLD_S: f64 = 900.0;

/// How far apart these readings, in order of time, usually are, seconds (the median); none of fewer than two.
#[must_use]
pub fn usual_interval_s(readings: &[Reading]) -> Option<f64> {
    #[expect(clippy::cast_precision_loss, reason = "milliseconds of years are exact")]
    let apart =
        |pair: &[Reading]| (pair[1].measured_at - pair[0].measured_at).num_milliseconds() as f64 / 1000.0;
    let mut intervals: Vec<f64> = readings.windows(2).map(apart).filter(|s| *s > 0.0).collect();
    let middle = intervals.len() / 2;
    (!intervals.is_empty()).then(|| *intervals.select_nth_unstable_by(middle, f64::total_cmp).1)
}

impl Reduction {
    /// The same, with gaps told by how far apart the readings really are where that is more than the nameplate's poll interval: what an archive thinned
    /// out has no gap after every reading.
    #[must_use]
    pub fn spaced_as(self, readings: &[Reading]) -> Self {
        let usual_s = usual_interval_s(readings).unwrap_or(0.0);
        Self { gap_s: self.gap_s.max((GAP_INTERVALS * usual_s).min(LONGEST_HOLD_S)), ..self }
    }
}

impl Recording {
    /// Reduces readings, in order of time, to a recording, and says what was missing.
    #[must_use]
    pub fn from_readings<'r>(
        readings: impl IntoIterator<Item = &'r Reading>,
        nameplate: &Nameplate,
        reduction: &Reduction,
    ) -> (Self, Coverage) {
        let mut reducer = Reducer {
            reduction,
            nameplate,
            changer: TapChanger::of(nameplate),
            coverage: Coverage::default(),
            last_tap: None,
            last_count: None,
        };
        let samples: Vec<Sample> = readings.into_iter().filter_map(|r| reducer.sample(r)).collect();
        let mut coverage = reducer.coverage;
        coverage.samples = samples.len() as u64;
        coverage.disagreement.finish();
        (Self::from_samples(&samples, reduction.gap_s), coverage)
    }
}

struct Reducer<'a> {
    reduction: &'a Reduction,
    nameplate: &'a Nameplate,
    changer: TapChanger,
    coverage: Coverage,
    /// The last reported tap and when, seconds.
    last_tap: Option<(f64, i32)>,
    /// The last reported operation counter and when, seconds.
    last_count: Option<(f64, u64)>,
}

impl Reducer<'_> {
    /// A good value that is not too old.
    #[expect(clippy::cast_precision_loss, reason = "ages are below a hundred days")]
    fn value(&self, reading: &Reading, quantity: Quantity) -> Option<f64> {
        let fresh = reading.age(quantity).seconds() as f64 <= self.reduction.gap_s;
        reading.good(quantity).filter(|_| fresh)
    }

    fn sample(&mut self, reading: &Reading) -> Option<Sample> {
        self.coverage.readings += 1;
        let elapsed = reading.measured_at - self.reduction.epoch;
        #[expect(clippy::cast_precision_loss, reason = "microseconds of a few years are exact")]
        let at_s = elapsed.num_microseconds()? as f64 / 1e6;
        let positive = |v: &f64| *v > 0.0;
        self.count(reading, at_s);
        let source = self.value(reading, Quantity::SourceVoltage).filter(positive);
        let load = self.value(reading, Quantity::LoadVoltage).filter(positive);
        let Some(tap) = self.tap(reading, at_s, source, load) else {
            self.coverage.without_tap += 1;
            return None;
        };
        let Some(source_voltage_v) = self.source(tap, source, load) else {
            self.coverage.without_voltage += 1;
            return None;
        };
        let current = self.current(reading, load.unwrap_or(source_voltage_v * self.ratio(tap)));
        self.coverage.without_current += u64::from(current.is_none());
        let automatic = reading.flag(Quantity::Automatic);
        self.coverage.automatic_assumed += u64::from(automatic.is_none());
        Some(Sample {
            at_s,
            source_voltage_v,
            source_measured_v: source,
            load_voltage_v: load,
            current,
            tap,
            automatic: automatic.unwrap_or(true),
            blocked: reading.flag(Quantity::Blocked).unwrap_or(false),
        })
    }

    fn count(&mut self, reading: &Reading, at_s: f64) {
        let Some(count) = self.value(reading, Quantity::Operations).filter(|n| *n >= 0.0) else { return };
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count; not negative")]
        let count = count as u64;
        let before = self.last_count.replace((at_s, count));
        let sum = self.coverage.counted_operations.get_or_insert(0);
        if let Some((then_s, before)) = before {
            let step = counter::step(before, count, self.nameplate.counter_modulus, at_s - then_s);
            *sum += step.operations();
        }
    }

    fn ratio(&self, tap: i32) -> f64 {
        self.changer.ratio(f64::from(tap))
    }

    /// As reported; else as in the reading before, if that is not long ago; else as the voltages imply.
    fn tap(&mut self, reading: &Reading, at_s: f64, source: Option<f64>, load: Option<f64>) -> Option<i32> {
        #[expect(clippy::cast_possible_truncation, reason = "a tap; the range is checked")]
        let whole = |tap: f64| (tap.abs() <= 64.0).then(|| tap.round() as i32);
        if let Some(tap) = self.value(reading, Quantity::Tap).and_then(whole) {
            self.last_tap = Some((at_s, tap));
            return Some(tap);
        }
        let lately = self.last_tap.filter(|(then_s, _)| at_s - then_s <= self.reduction.gap_s);
        let implied = || self.changer.position(source?, load?).and_then(whole);
        let tap = lately.map(|(_, tap)| tap).or_else(implied);
        self.coverage.tap_inferred += u64::from(tap.is_some());
        tap
    }

    fn source(&mut self, tap: i32, source: Option<f64>, load: Option<f64>) -> Option<f64> {
        let rebuilt = load.map(|v| v / self.ratio(tap));
        if let (Some(source), Some(load)) = (source, load) {
            let difference = load - source * self.ratio(tap);
            self.coverage.disagreement.add(difference);
        }
        match self.reduction.source {
            SourceVoltage::Measured => source,
            SourceVoltage::Rebuilt => {
                self.coverage.measured_instead += u64::from(rebuilt.is_none() && source.is_some());
                rebuilt.or(source)
            }
        }
    }

    /// In-phase and lagging current, per unit of CT primary: from the powers, scaled to the measured current where there is one; else from
    /// current and power factor.
    fn current(&self, reading: &Reading, load_v: f64) -> Option<(f64, f64)> {
        let primary_a = self.nameplate.ct_ratio * self.reduction.ct_secondary_a;
        let magnitude = self.value(reading, Quantity::Current).map(|a| a.abs() / primary_a);
        let real = self.value(reading, Quantity::RealPower);
        let reactive = self.value(reading, Quantity::ReactivePower);
        if let (Some(kw), Some(kvar)) = (real, reactive) {
            let kva = kw.hypot(kvar);
            let from_power = kva / (load_v * self.nameplate.pt_ratio / 1000.0) / primary_a;
            let size = magnitude.unwrap_or(from_power);
            return Some(if kva > 0.0 { (size * kw / kva, size * kvar / kva) } else { (size, 0.0) });
        }
        let magnitude = magnitude?;
        let factor = self.value(reading, Quantity::PowerFactor).or(self.reduction.assumed_power_factor)?;
        let factor = factor.clamp(-1.0, 1.0);
        let sign = if reactive.is_some_and(|kvar| kvar < 0.0) { -1.0 } else { 1.0 };
        let direction = if real.is_some_and(|kw| kw < 0.0) { -factor.abs() } else { factor };
        Some((magnitude * direction, sign * magnitude * (1.0 - factor * factor).sqrt()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Age, Quality, WindingType};

    fn reading(at_s: i64) -> Reading {
        Reading::new(Timestamp::UNIX_EPOCH + chrono::TimeDelta::seconds(at_s))
            .with(Quantity::LoadVoltage, 123.2)
            .with(Quantity::Tap, 7.0)
            .with(Quantity::Automatic, 1.0)
    }

    fn nameplate() -> Nameplate {
        Nameplate { winding_type: WindingType::A, pt_ratio: 60.0, ct_ratio: 500.0, ..Nameplate::common() }
    }

    fn reduce(readings: &[Reading], change: impl Fn(&mut Reduction)) -> (Recording, Coverage) {
        let mut reduction = Reduction::common(Timestamp::UNIX_EPOCH, &nameplate());
        change(&mut reduction);
        Recording::from_readings(readings, &nameplate(), &reduction)
    }

    #[track_caller]
    fn close(got: f32, want: f64) {
        assert!((f64::from(got) - want).abs() < 1e-4, "{got} is not {want}");
    }

    /// W. H. Kersting, Distribution System Modeling and Analysis, ch. 7: type A, tap 7, ratio 1.04375.
    #[test]
    fn the_source_voltage_is_rebuilt_or_measured() {
        let both = reading(0).with(Quantity::SourceVoltage, 118.0);
        let (recording, coverage) = reduce(std::slice::from_ref(&both), |_| {});
        close(recording.source_v[0], 123.2 / 1.04375);
        assert_eq!(coverage.disagreement.count, 1);
        assert!((coverage.disagreement.mean_v - (123.2 - 118.0 * 1.04375)).abs() < 1e-9);
        let (recording, _) = reduce(&[both], |r| r.source = SourceVoltage::Measured);
        close(recording.source_v[0], 118.0);
        let (recording, coverage) = reduce(&[reading(0)], |r| r.source = SourceVoltage::Measured);
        assert_eq!((recording.len(), coverage.without_voltage), (0, 1));
    }

    #[test]
    fn a_missing_tap_is_that_before_or_implied_or_the_reading_is_left_out() {
        let mut later = reading(10);
        later.set(Quantity::Tap, None, Quality::NotAvailable);
        let (recording, coverage) = reduce(&[reading(0), later.clone()], |_| {});
        assert_eq!((recording.tap.as_slice(), coverage.tap_inferred), ([7, 7].as_slice(), 1));
        let (recording, coverage) = reduce(std::slice::from_ref(&later), |_| {});
        assert_eq!((recording.len(), coverage.without_tap), (0, 1));
        // Table of voltages and taps: 118.0 V to 123.2 V is 7.051 (type A).
        let (recording, _) = reduce(&[later.with(Quantity::SourceVoltage, 118.0)], |_| {});
        assert_eq!(recording.tap, [7]);
    }

    #[test]
    fn what_was_carried_too_long_or_is_not_good_is_missing() {
        let mut old = reading(0);
        old.set_age(Quantity::LoadVoltage, Age::from_seconds(59));
        let mut bad = reading(10);
        bad.set(Quantity::LoadVoltage, Some(123.0), Quality::Frozen);
        let (recording, coverage) = reduce(&[old, bad], |_| {});
        assert_eq!((recording.len(), coverage.without_voltage), (0, 2));
    }

    #[test]
    fn gaps_are_told_by_how_far_apart_readings_are() {
        let common = Reduction::common(Timestamp::UNIX_EPOCH, &nameplate());
        let gap_s = |apart_s: i64| {
            let readings: Vec<_> = (0..9).map(|i| reading(apart_s * i)).collect();
            common.spaced_as(&readings).gap_s
        };
        assert_eq!([gap_s(5), gap_s(10), gap_s(60), gap_s(3600)], [40.0, 40.0, 240.0, 900.0]);
        assert_eq!(common.spaced_as(&[reading(0)]).gap_s, 40.0);
        assert_eq!(usual_interval_s(&[reading(0)]), None);
    }

    #[test]
    fn the_controls_own_counter_is_followed_through_its_end() {
        let counts = [(0, 65_534.0), (10, 65_535.0), (20, 1.0)];
        let readings = counts.map(|(at_s, n)| reading(at_s).with(Quantity::Operations, n));
        let small = Nameplate { counter_modulus: 65_536, ..nameplate() };
        let reduction = Reduction::common(Timestamp::UNIX_EPOCH, &small);
        let (_, coverage) = Recording::from_readings(&readings, &small, &reduction);
        assert_eq!(coverage.counted_operations, Some(3));
        assert_eq!(reduce(&[reading(0)], |_| {}).1.counted_operations, None);
    }

    /// 600 kW and 200 kvar at 120 V x 60 = 7.2 kV are 83.33 A and 27.78 A of 100 A: plain arithmetic.
    #[test]
    fn current_from_powers_from_magnitude_and_not_at_all() {
        let base = reading(0).with(Quantity::LoadVoltage, 120.0);
        let powers = base.clone().with(Quantity::RealPower, 600.0).with(Quantity::ReactivePower, 200.0);
        let (recording, _) = reduce(std::slice::from_ref(&powers), |_| {});
        close(recording.in_phase[0], 0.833_333);
        close(recording.lagging[0], 0.277_778);
        // The measured current has the last word about the size.
        let (recording, _) = reduce(&[powers.with(Quantity::Current, 90.0)], |_| {});
        close(recording.in_phase[0], 0.9 * 600.0 / 600.0_f64.hypot(200.0));
        let only = base.with(Quantity::Current, 50.0);
        let (recording, coverage) = reduce(std::slice::from_ref(&only), |_| {});
        assert_eq!((recording.current_known_share(), coverage.without_current), (Some(0.0), 1));
        let (recording, _) = reduce(&[only], |r| r.assumed_power_factor = Some(0.8));
        close(recording.in_phase[0], 0.4);
        close(recording.lagging[0], 0.3);
    }
}

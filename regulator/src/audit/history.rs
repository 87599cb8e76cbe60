//! The offset over a long time, averaged over slots for a drawing.
//!
//! The verdict is [`super::TapAudit`]'s; this only shows what it looked at. As there, a reading counts once the next one shows the
//! same tap and counter as it and as the one before: those beside an operation would mix the old tap with the new voltage.

use super::Limits;
use crate::{Quantity, Reading, Timestamp};

/// The offsets of one slot of time: implied less reported tap, steps at neutral.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Where the slot begins.
    pub from: Timestamp,
    /// Mean over its readings.
    pub mean: f64,
    /// Lowest and highest of them.
    pub range: (f64, f64),
    /// How many there were.
    pub readings: u32,
}

/// Offsets under way. Grows by one point a slot that has readings.
#[derive(Debug, Clone, Default)]
pub struct History {
    slot_s: i64,
    points: Vec<Point>,
    sum: f64,
    /// Tap and counter of the reading before.
    last: Option<(f64, Option<f64>)>,
    /// An offset that the next reading has to confirm.
    waiting: Option<(i64, f64)>,
}

impl History {
    /// Of slots this long, seconds; one second at least.
    #[must_use]
    pub fn new(slot_s: i64) -> Self {
        Self { slot_s: slot_s.max(1), ..Self::default() }
    }

    /// Takes the next reading, in order of time.
    pub fn observe(&mut self, limits: &Limits, reading: &Reading) {
        let Some(tap) = reading.good(Quantity::Tap) else { return };
        let place = (tap, reading.good(Quantity::Operations));
        if self.last.replace(place) != Some(place) {
            self.waiting = None;
            return;
        }
        if let Some((at_s, offset)) = self.waiting.take() {
            self.add(at_s, offset);
        }
        let at_s = reading.measured_at.timestamp();
        self.waiting = limits.implied_less_reported(reading).map(|offset| (at_s, offset));
    }

    /// The slots that had readings, in order of time.
    #[must_use]
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    fn add(&mut self, at_s: i64, offset: f64) {
        let from_s = at_s - at_s.rem_euclid(self.slot_s);
        let Some(from) = Timestamp::from_timestamp(from_s, 0) else { return };
        match self.points.last_mut() {
            Some(point) if point.from >= from => {
                self.sum += offset;
                point.readings += 1;
                point.mean = self.sum / f64::from(point.readings);
                point.range = (point.range.0.min(offset), point.range.1.max(offset));
            }
            _ => {
                self.sum = offset;
                self.points.push(Point { from, mean: offset, range: (offset, offset), readings: 1 });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;

    use super::*;
    use crate::{Nameplate, audit::Accuracy};

    fn history(readings: &[(i64, f64, f64, f64)]) -> Vec<Point> {
        let limits = Limits::new(&Nameplate::common(), &Accuracy::default());
        let mut history = History::new(3600);
        for &(s, tap, source_v, load_v) in readings {
            let reading = Reading::new(Timestamp::UNIX_EPOCH + TimeDelta::seconds(s))
                .with(Quantity::Tap, tap)
                .with(Quantity::SourceVoltage, source_v)
                .with(Quantity::LoadVoltage, load_v);
            history.observe(&limits, &reading);
        }
        history.points().to_vec()
    }

    /// Arithmetic: on a type B unit at neutral, 0.75 V of 120 V more than the source is 0.625 %, one step.
    #[test]
    fn a_step_more_than_reported_is_an_offset_of_one() {
        let points = history(&[
            (0, 0.0, 120.0, 120.75),
            (60, 0.0, 120.0, 120.75),
            (120, 0.0, 120.0, 120.75),
            (180, 0.0, 120.0, 120.75),
        ]);
        assert_eq!(points.len(), 1);
        assert!((points[0].mean - 1.0).abs() < 1e-9, "{points:?}");
        assert_eq!(points[0].readings, 2, "the first and the last are not confirmed on both sides");
    }

    #[test]
    fn readings_beside_an_operation_and_voltages_that_are_none_do_not_count() {
        let points = history(&[
            (0, 0.0, 120.0, 120.0),
            (60, 0.0, 120.0, 120.0),
            (120, 0.0, 120.0, 120.75),
            (180, 1.0, 120.0, 120.75),
            (240, 1.0, 120.0, 0.0),
            (300, 1.0, 120.0, 120.75),
            (3600, 1.0, 120.0, 120.75),
            (3660, 1.0, 120.0, 120.75),
        ]);
        // 120.75 V at tap +1 of a type B: 120 / (1 - 0.00625) = 120.755 V would be exact
        let counted: Vec<_> = points.iter().map(|p| (p.from.timestamp(), p.readings)).collect();
        assert_eq!(counted, [(0, 2), (3600, 1)], "{points:?}");
        assert!(points.iter().all(|p| p.range.0 <= p.mean && p.mean <= p.range.1 && p.mean.abs() < 0.1));
    }
}

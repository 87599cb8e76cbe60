//! A run as it goes through time, and its outline for a drawing.

use super::replay::Replay;
use super::track::Track;

/// Voltage and tap at one sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// When, seconds of the recording.
    pub at_s: f64,
    /// For how long it holds, seconds.
    pub hold_s: f64,
    /// Load voltage, V on the secondary base.
    pub load_v: f64,
    /// Tap.
    pub tap: i32,
}

/// What happened within one column of a drawing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Column {
    /// Lowest and highest voltage, V.
    pub voltage_v: (f64, f64),
    /// Lowest and highest tap.
    pub tap: (i32, i32),
}

impl Replay<'_> {
    /// Voltage and tap at every sample, with the tap along this track.
    pub fn trace<'t>(&'t self, track: &'t Track) -> impl Iterator<Item = Point> + 't {
        track.runs(self.recording.len()).flat_map(move |(first, end, tap)| {
            (first..end).map(move |i| Point {
                at_s: self.recording.at_s[i],
                hold_s: f64::from(self.recording.hold_s[i]),
                load_v: self.inputs_at(i, tap).1,
                tap,
            })
        })
    }

    /// The same as recorded: the measured voltage where there is one.
    pub fn recorded_trace<'t>(&'t self, recorded: &'t Track) -> impl Iterator<Item = Point> + 't {
        self.trace(recorded).zip(&self.recording.load_v).map(|(point, measured)| {
            if measured.is_nan() { point } else { Point { load_v: f64::from(*measured), ..point } }
        })
    }
}

/// The outline of a trace between two instants in so many columns; nothing where a column has no sample.
#[must_use]
pub fn outline(
    points: impl Iterator<Item = Point>,
    (from_s, to_s): (f64, f64),
    columns: usize,
) -> Vec<Option<Column>> {
    let mut outline: Vec<Option<Column>> = vec![None; columns];
    #[expect(clippy::cast_precision_loss, reason = "a few hundred columns")]
    let a_second = columns as f64 / (to_s - from_s).max(1e-9);
    // A negative place becomes the first.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a place in the table")]
    let place = |at_s: f64| ((at_s - from_s) * a_second) as usize;
    for point in points.filter(|p| p.at_s >= from_s && p.at_s < to_s) {
        // A sample holds until the next one, so a long one reaches over several columns.
        let last = place(point.at_s + 0.999 * point.hold_s).min(columns - 1);
        for column in &mut outline[place(point.at_s).min(last)..=last] {
            let (v, tap) = (point.load_v, point.tap);
            let seen = column.get_or_insert(Column { voltage_v: (v, v), tap: (tap, tap) });
            seen.voltage_v = (seen.voltage_v.0.min(v), seen.voltage_v.1.max(v));
            seen.tap = (seen.tap.0.min(tap), seen.tap.1.max(tap));
        }
    }
    outline
}

#[cfg(test)]
mod tests {
    use super::super::{Model, Move, Recording, Sample};
    use super::*;

    #[test]
    fn an_outline_keeps_extremes_and_gaps() {
        let mut samples: Vec<_> =
            [0.0, 10.0, 20.0, 30.0, 500.0].iter().map(|t| Sample::new(*t, 120.0)).collect();
        samples[1].load_voltage_v = Some(121.0);
        let recording = Recording::from_samples(&samples, 60.0);
        let replay = Replay::new(&recording, Model::default());
        let track = Track { start: 0, moves: vec![Move { sample: 2, at_s: 20.0, tap: 1, by_control: true }] };
        let points: Vec<_> = replay.trace(&track).collect();
        // Type B: 1 / (1 - 0.00625) = 1.0062893 (Kersting, ch. 7).
        assert!((points[2].load_v - 120.0 * 1.006_289_3).abs() < 1e-4);
        assert_eq!(replay.recorded_trace(&track).nth(1).map(|p| p.load_v), Some(121.0));
        let columns = outline(points.into_iter(), (0.0, 100.0), 5);
        assert_eq!(columns[0], Some(Column { voltage_v: (120.0, 120.0), tap: (0, 0) }));
        assert_eq!(columns[1].map(|c| c.tap), Some((1, 1)));
        assert_eq!(columns[2..], [None, None, None]);
    }
}

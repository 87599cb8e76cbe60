//! How far the model can be believed: a replay of the settings that were in force, beside what really happened.
//!
//! Shown before any study, because a model that does not give back the past says nothing about other settings.

use serde::Serialize;

use super::model::Model;
use super::outcome::Outcome;
use super::recording::Recording;
use super::replay::Replay;
use super::track::Track;
use crate::control::ControlSettings;

/// Two tracks over the same recording, compared move by move.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ModelError {
    /// Steps that the model made.
    pub predicted: u64,
    /// Steps that were recorded, in automatic. A lower bound of the true number: what is undone between two readings is not seen.
    pub recorded: u64,
    /// Recorded steps for which the model made one the same way at nearly the same time, each matched with one at most.
    pub matched: u64,
    /// How near in time that is, seconds: one delay and one interval between samples.
    pub within_s: f64,
    /// Time during which the model's tap was not the recorded one, seconds. Since a band of 2 V has room for two or three taps, a tap apart for hours
    /// is nothing unusual.
    pub apart_s: f64,
    /// Time compared, seconds.
    pub covered_s: f64,
}

impl ModelError {
    /// Predicted over recorded operations; none when none were recorded.
    #[must_use]
    pub fn operations_ratio(&self) -> Option<f64> {
        share(self.predicted, self.recorded)
    }

    /// Share of the recorded steps that the model made as well, 0 to 1.
    #[must_use]
    pub fn matched_share(&self) -> Option<f64> {
        share(self.matched, self.recorded)
    }

    /// Share of the model's steps that were recorded as well, 0 to 1.
    #[must_use]
    pub fn true_share(&self) -> Option<f64> {
        share(self.matched, self.predicted)
    }

    /// Share of the time at different taps, 0 to 1.
    #[must_use]
    pub fn apart_share(&self) -> Option<f64> {
        (self.covered_s > 0.0).then(|| self.apart_s / self.covered_s)
    }

    /// Compares two tracks over a recording.
    #[must_use]
    pub fn between(recording: &Recording, predicted: &Track, recorded: &Track, within_s: f64) -> Self {
        Self {
            predicted: predicted.operations(),
            recorded: recorded.operations(),
            matched: [1, -1].iter().map(|sign| matched(predicted, recorded, *sign, within_s)).sum(),
            within_s,
            apart_s: apart_s(recording, predicted, recorded),
            covered_s: recording.covered_s(),
        }
    }
}

/// Replays the settings that were in force and compares with what was recorded.
#[must_use]
pub fn model_error(replay: &Replay<'_>, present: &ControlSettings) -> ModelError {
    let recording = replay.recording;
    let within_s = present.forward.delay_s + recording.interval_s();
    ModelError::between(recording, &replay.track(present), &replay.recorded_track(), within_s)
}

/// The same settings under loads of constant power, current and impedance: how much the assumption about the load matters. The exponent with each.
#[must_use]
pub fn load_spread(recording: &Recording, model: &Model, settings: &ControlSettings) -> [(f64, Outcome); 3] {
    [0.0, 1.0, 2.0].map(|load_exponent| {
        let replay = Replay::new(recording, Model { load_exponent, ..*model });
        (load_exponent, replay.run(settings))
    })
}

#[expect(clippy::cast_precision_loss, reason = "counts of this size divide exactly enough")]
fn share(part: u64, whole: u64) -> Option<f64> {
    (whole > 0).then(|| part as f64 / whole as f64)
}

/// Instants of single steps of this sign.
fn instants(track: &Track, sign: i32) -> Vec<f64> {
    let steps = track.steps().filter(|(_, steps)| steps.signum() == sign);
    steps.flat_map(|(m, steps)| (0..steps.unsigned_abs()).map(|_| m.at_s)).collect()
}

/// Pairs of steps that are near enough; taking the earliest first leaves the most pairs.
fn matched(predicted: &Track, recorded: &Track, sign: i32, within_s: f64) -> u64 {
    let (a, b) = (instants(predicted, sign), instants(recorded, sign));
    let (mut i, mut j, mut pairs) = (0, 0, 0);
    while i < a.len() && j < b.len() {
        if (a[i] - b[j]).abs() <= within_s {
            (i, j, pairs) = (i + 1, j + 1, pairs + 1);
        } else if a[i] < b[j] {
            i += 1;
        } else {
            j += 1;
        }
    }
    pairs
}

fn apart_s(recording: &Recording, predicted: &Track, recorded: &Track) -> f64 {
    let mut other = recorded.runs(recording.len()).peekable();
    let mut sum = 0.0;
    for (first, end, tap) in predicted.runs(recording.len()) {
        while let Some(&(theirs, their_end, their_tap)) = other.peek() {
            if tap != their_tap && theirs.max(first) < their_end.min(end) {
                let holds = &recording.hold_s[theirs.max(first)..their_end.min(end)];
                sum += holds.iter().map(|s| f64::from(*s)).sum::<f64>();
            }
            if their_end > end {
                break;
            }
            other.next();
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::super::{Move, Sample};
    use super::*;

    fn track(moves: &[(usize, i32)]) -> Track {
        let moves = moves.iter();
        let to_move = |&(sample, tap): &(usize, i32)| {
            #[expect(clippy::cast_precision_loss, reason = "small")]
            Move { sample, at_s: 10.0 * sample as f64, tap, by_control: true }
        };
        Track { start: 0, moves: moves.map(to_move).collect() }
    }

    fn compare(predicted: &[(usize, i32)], recorded: &[(usize, i32)]) -> ModelError {
        let samples: Vec<_> = (0..101).map(|i| Sample::new(10.0 * f64::from(i), 120.0)).collect();
        let recording = Recording::from_samples(&samples, 60.0);
        ModelError::between(&recording, &track(predicted), &track(recorded), 40.0)
    }

    #[test]
    fn a_model_that_is_right_has_no_error() {
        let moves = [(10, 1), (20, 2), (50, 1)];
        let error = compare(&moves, &moves);
        assert_eq!((error.matched_share(), error.true_share()), (Some(1.0), Some(1.0)));
        assert_eq!((error.apart_s, error.operations_ratio()), (0.0, Some(1.0)));
    }

    #[test]
    fn moves_match_the_same_way_within_one_delay() {
        let error = compare(&[(10, 1), (30, 2), (60, 1), (80, 2)], &[(14, 1), (50, 0), (60, 1)]);
        // 10 with 14; the lowering at 60 is too late for the one at 50; the raise at 30 is too early for the one at 60.
        assert_eq!((error.predicted, error.recorded, error.matched), (4, 3, 1));
        // 10-14, 30-50 and 50-60 (2 against 1, 2 against 0), then the same until 80.
        assert_eq!(error.apart_s, 10.0 * (4.0 + 30.0 + 20.0));
    }

    #[test]
    fn without_moves_nothing_is_said() {
        let error = compare(&[], &[]);
        assert_eq!((error.operations_ratio(), error.matched_share()), (None, None));
        assert_eq!(error.apart_share(), Some(0.0));
    }
}

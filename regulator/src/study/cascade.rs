//! Regulators in series: what one does, the next one sees.
//!
//! All are replayed together on one clock, each with its own settings. The source impedance in a stage's [`Model`](super::Model) is that of the line from
//! the regulator upstream. A regulator's source voltage is the recorded one times what the regulators
//! upstream of it make different: their replayed ratio over their recorded ratio at that time. What a regulator downstream changes of the load
//! upstream is left out (with constant-power load it changes nothing; otherwise a fraction of a percent of the current a tap). The
//! recorded taps upstream must be timely: one that is reported late passes for a change of voltage downstream until it arrives.

use super::outcome::Outcome;
use super::replay::Replay;
use super::run::Run;
use super::track::Track;
use crate::control::ControlSettings;

/// One regulator of a series, and the settings to try on it. Times of all its recordings count from the same instant.
#[derive(Debug, Clone, Copy)]
pub struct Stage<'a> {
    /// Its recording, made ready.
    pub replay: &'a Replay<'a>,
    /// Its settings.
    pub settings: ControlSettings,
}

/// Replays regulators in series, given from the source outwards; an outcome for each, in the same order.
#[must_use]
pub fn cascade(stages: &[Stage<'_>]) -> Vec<Outcome> {
    let mut tracks = vec![Track::default(); stages.len()];
    let mut factors: Vec<Vec<f64>> =
        stages.iter().map(|s| Vec::with_capacity(s.replay.recording.len())).collect();
    let mut walkers: Vec<_> = stages.iter().zip(&mut tracks).map(|(s, t)| Walker::new(s, t)).collect();
    while let Some(place) = next(&walkers) {
        let upstream: f64 = walkers[..place].iter().map(Walker::changed).product();
        factors[place].push(upstream);
        walkers[place].advance(upstream);
    }
    drop(walkers);
    let tracked = stages.iter().zip(tracks).zip(&factors);
    tracked
        .map(|((stage, track), factors)| {
            Outcome::by_sample(stage.replay, &stage.settings, track, |i, at| {
                let (_, load_v, current) = stage.replay.state(i, at, factors[i]);
                (load_v, current)
            })
        })
        .collect()
}

/// The stage whose next sample comes first; of several at once the one nearest the source.
fn next(walkers: &[Walker<'_>]) -> Option<usize> {
    let due = walkers.iter().enumerate().filter_map(|(place, walker)| Some((place, walker.due_s()?)));
    due.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(place, _)| place)
}

/// One stage on its way.
struct Walker<'a> {
    replay: &'a Replay<'a>,
    run: Run<'a>,
    sample: usize,
    stretch: usize,
    recorded: i32,
}

impl<'a> Walker<'a> {
    fn new(stage: &'a Stage<'a>, track: &'a mut Track) -> Self {
        let run = Run::new(stage.replay, &stage.settings, track);
        Self { replay: stage.replay, recorded: run.tap, run, sample: 0, stretch: 0 }
    }

    fn due_s(&self) -> Option<f64> {
        self.replay.recording.at_s.get(self.sample).copied()
    }

    /// What this regulator makes different of the voltage downstream.
    fn changed(&self) -> f64 {
        if self.run.tap == self.recorded {
            return 1.0;
        }
        let ratio = |tap: i32| self.replay.model.changer.ratio(f64::from(tap));
        ratio(self.run.tap) / ratio(self.recorded)
    }

    fn advance(&mut self, upstream: f64) {
        let recording = self.replay.recording;
        if let Some(stretch) = recording.stretches.get(self.stretch).filter(|s| s.first == self.sample) {
            self.run.enter(stretch);
            self.stretch += 1;
        }
        self.recorded = i32::from(recording.tap[self.sample]);
        self.run.upstream = upstream;
        self.run.look(self.sample);
        self.sample += 1;
    }
}

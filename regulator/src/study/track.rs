//! Where the tap was, as its moves.

/// One change of tap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Move {
    /// The sample from which on the new tap is in force.
    pub sample: usize,
    /// When, in seconds of the recording. Later than the sample where a sequence ran on before the next sample.
    pub at_s: f64,
    /// The tap after it.
    pub tap: i32,
    /// Whether a control did it; else somebody by hand.
    pub by_control: bool,
}

/// All moves of a replay, or of the recording.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Track {
    /// The tap before the first move.
    pub start: i32,
    /// In order of time.
    pub moves: Vec<Move>,
}

impl Track {
    /// The runs of samples at one tap: first, one past the last, tap. `samples` is how many the recording has.
    pub fn runs(&self, samples: usize) -> impl Iterator<Item = (usize, usize, i32)> + '_ {
        let starts = std::iter::once((0, self.start)).chain(self.moves.iter().map(|m| (m.sample, m.tap)));
        let ends = self.moves.iter().map(|m| m.sample).chain(std::iter::once(samples));
        starts.zip(ends).map(|((first, tap), end)| (first, end, tap)).filter(|(first, end, _)| first < end)
    }

    /// The control's moves, each with its steps: positive to raise.
    pub fn steps(&self) -> impl Iterator<Item = (&Move, i32)> + '_ {
        let before = std::iter::once(self.start).chain(self.moves.iter().map(|m| m.tap));
        self.moves.iter().zip(before).map(|(m, before)| (m, m.tap - before)).filter(|(m, _)| m.by_control)
    }

    /// How many steps the control made.
    #[must_use]
    pub fn operations(&self) -> u64 {
        self.steps().map(|(_, steps)| u64::from(steps.unsigned_abs())).sum()
    }

    /// Steps that a step the other way undid within this time, seconds; each step is undone at most once. Operations undone within five minutes
    /// are the "unnecessary" ones of V. R. Disfani, P. Ubiratan and J. Kleissl, California Solar Initiative RD&D3 subtask 4.4 (2015).
    #[must_use]
    pub fn undone_within(&self, within_s: f64) -> u64 {
        let (mut open, mut undone): (Vec<(f64, i32)>, u64) = (vec![], 0);
        for (m, steps) in self.steps() {
            if open.last().is_some_and(|(at_s, _)| m.at_s - at_s > within_s) {
                open.clear();
            }
            for _ in 0..steps.unsigned_abs() {
                if open.last().is_some_and(|(_, sign)| *sign == -steps.signum()) {
                    open.pop();
                    undone += 1;
                } else {
                    open.push((m.at_s, steps.signum()));
                }
            }
        }
        undone
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn track(moves: &[(f64, i32)]) -> Track {
        let moves = moves.iter().enumerate();
        let to_move = |(sample, (at_s, tap)): (usize, &(f64, i32))| Move {
            sample,
            at_s: *at_s,
            tap: *tap,
            by_control: true,
        };
        Track { start: 0, moves: moves.map(to_move).collect() }
    }

    #[test]
    fn operations_are_steps_not_moves() {
        assert_eq!(track(&[(0.0, 3), (10.0, 2)]).operations(), 4);
    }

    #[test]
    fn a_step_is_undone_by_the_next_the_other_way_within_five_minutes() {
        assert_eq!(track(&[(0.0, 1), (200.0, 0)]).undone_within(300.0), 1);
        assert_eq!(track(&[(0.0, 1), (301.0, 0)]).undone_within(300.0), 0);
        // up, up, down, down: both are undone
        assert_eq!(track(&[(0.0, 1), (5.0, 2), (100.0, 1), (105.0, 0)]).undone_within(300.0), 2);
        // the second is too late for the first, the third in time for the second
        assert_eq!(track(&[(0.0, 1), (400.0, 0), (450.0, 1)]).undone_within(300.0), 1);
    }
}

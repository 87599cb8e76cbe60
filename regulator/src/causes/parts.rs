//! What moved the voltage, split between upstream taps, the regulator's own load and other supply.

use super::{excursion::Course, judge::fact, upstream::Steps};
use crate::conditions::Fact;

/// What moved the voltage towards the edge, V.
pub(super) struct Parts {
    pub(super) upstream_v: f64,
    /// Whether the upstream step was seen in the supply.
    pub(super) seen: bool,
    pub(super) load_v: Option<f64>,
    other_v: f64,
}

impl Parts {
    pub(super) fn of(course: &Course, steps: Option<Steps>) -> Self {
        let upstream_v = steps.map_or(0.0, |s| s.volts);
        Self {
            upstream_v,
            seen: steps.is_none_or(|s| s.seen),
            load_v: course.load_v,
            other_v: course.moved_v - upstream_v - course.load_v.unwrap_or(0.0),
        }
    }

    fn each(&self) -> [f64; 3] {
        [self.upstream_v, self.load_v.unwrap_or(0.0).max(0.0), self.other_v.max(0.0)]
    }

    pub(super) fn sum(&self) -> f64 {
        self.each().iter().sum()
    }

    pub(super) fn greatest(&self) -> f64 {
        self.each().into_iter().fold(0.0, f64::max)
    }

    pub(super) fn facts(&self) -> impl Iterator<Item = Fact> {
        let upstream = (self.upstream_v > 0.0).then(|| fact("Of it by upstream taps", self.upstream_v, "V"));
        let load = self.load_v.map(|v| fact("Of it by load", v, "V"));
        upstream.into_iter().chain(load).chain([fact("Of it by other supply", self.other_v, "V")])
    }
}

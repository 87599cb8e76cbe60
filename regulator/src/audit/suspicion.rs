//! A departure that may be a slip, borne out or not by the blocks that follow.
//!
//! Each block says by its likelihood ratio whether the offset has moved by a step or not at all; what one block may say is
//! bounded, so that no single one decides. Twelve is a ratio of 160,000 : 1.

use serde::{Deserialize, Serialize};

use super::reference::Departure;

/// Departures below this many steps open nothing.
const GATE: f64 = 0.5;
/// Nor those within so many standard deviations.
const GATE_DEVIATIONS: f64 = 4.0;
/// Logarithm of the likelihood ratio at which the change is taken for real.
const ENOUGH: f64 = 12.0;
/// The most that one block may say, for one step and for more.
const MOST: (f64, f64) = (4.0, 6.0);
/// Correlated errors between blocks, steps.
const CORRELATED: f64 = 0.15;
/// How far from a whole number of steps a slip may seem, and how far it may be at once; between the two more blocks are heard.
const WHOLE: f64 = 0.3;
const PLAINLY_WHOLE: f64 = 0.2;
const MORE_BLOCKS: u16 = 8;

/// What has become of a departure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Finding {
    /// Nothing departs: learn from this block.
    Usual,
    /// Not decided: do not learn from it.
    Open,
    /// Moved by whole steps.
    Slip {
        /// How many, raise positive.
        steps: i16,
        /// First readings that show it, seconds since 1970.
        since_s: i64,
        /// Whether the reported tap passed neutral just then: controls put their position right there.
        corrected: bool,
    },
    /// Moved by this many steps at neutral, not a whole number, since this instant.
    NotWhole(f64, i64),
}

/// The suspicion.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Suspicion {
    #[serde(rename = "f")]
    since_s: i64,
    #[serde(rename = "n")]
    blocks: u16,
    #[serde(rename = "e")]
    evidence: f32,
    /// Sum of departures, in local steps, without the first block's, which the change may have cut in two.
    #[serde(rename = "y")]
    sum: f32,
    #[serde(rename = "u")]
    up: bool,
    #[serde(rename = "z")]
    near_neutral: bool,
}

/// Takes a block's departure; `local` is what a step is worth at the present tap.
#[allow(clippy::cast_possible_truncation, reason = "stored short on purpose; steps are few")]
pub(super) fn observe(
    open: &mut Option<Suspicion>,
    departure: Departure,
    local: f64,
    from_s: i64,
    near_neutral: bool,
) -> Finding {
    let by = departure.by / local;
    let Some(suspicion) = open else {
        if by.abs() <= GATE.max(GATE_DEVIATIONS * departure.variance.sqrt()) {
            return Finding::Usual;
        }
        let evidence = worth(by.abs(), departure.variance) as f32;
        *open =
            Some(Suspicion { since_s: from_s, blocks: 1, evidence, sum: 0.0, up: by > 0.0, near_neutral });
        return Finding::Open;
    };
    let along = if suspicion.up { by } else { -by };
    suspicion.evidence += worth(along, departure.variance) as f32;
    suspicion.sum += by as f32;
    suspicion.blocks = suspicion.blocks.saturating_add(1);
    if suspicion.evidence <= 0.0 {
        *open = None;
        return if by.abs() <= GATE { Finding::Usual } else { Finding::Open };
    }
    if f64::from(suspicion.evidence) < ENOUGH {
        return Finding::Open;
    }
    let mean = f64::from(suspicion.sum) / f64::from(suspicion.blocks - 1);
    let whole = mean.round();
    let fraction = (mean - whole).abs();
    if fraction > PLAINLY_WHOLE && suspicion.blocks < MORE_BLOCKS {
        return Finding::Open;
    }
    let (since_s, corrected) = (suspicion.since_s, suspicion.near_neutral);
    *open = None;
    if whole == 0.0 || fraction > WHOLE || whole.abs() > 1000.0 {
        return Finding::NotWhole(mean * local, since_s);
    }
    Finding::Slip { steps: whole as i16, since_s, corrected }
}

/// Logarithm of the likelihood of a whole step over that of none, bounded.
fn worth(along: f64, variance: f64) -> f64 {
    let most = if along > 1.5 { MOST.1 } else { MOST.0 };
    ((along - 0.5) / (variance + CORRELATED * CORRELATED)).clamp(-MOST.0, most)
}
